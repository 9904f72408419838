//! Generated runs for as long as one likes: `cargo test --test soak -- SECONDS SEED`, or
//! `scripts/soak SECONDS SEED`. Without arguments it runs for two seconds.
//!
//! Each run has a seed of its own, counted up from SEED, a number or the hash of a commit. The first
//! run that fails ends the soak; its seed and options are printed last, and repeat it.

#![allow(clippy::print_stdout)]

mod rig;

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::process::ExitCode;
use std::time::{Duration, Instant};

use rig::run::{Options, run};
use rig::tally::Tally;

/// How often it says how far it is.
const EVERY: Duration = Duration::from_secs(10);
/// Drives of which every sixteenth run takes one, for fewer operations.
const LARGE: [&str; 3] = ["desktop-5tb", "archive-8tb", "flash-4tb"];

/// A number as it is; anything else by its first hexadecimal digits.
fn seed_of(word: &str) -> u64 {
    let digits = word.get(..word.len().min(15)).unwrap_or("0");
    let hash = || u64::from_str_radix(digits, 16);
    word.parse().or_else(|_| hash()).unwrap_or(1_000_000)
}

fn options_of(seed: u64) -> Options {
    let large = usize::try_from(seed / 16 % 3).ok().map(|n| LARGE[n]);
    let drive = large.filter(|_| seed % 16 == 5);
    Options {
        seed,
        drive,
        operations: drive.map_or(300 + seed % 700, |_| 200),
        cuts: !seed.is_multiple_of(4),
        lag: !seed.is_multiple_of(3),
        faults: seed.is_multiple_of(5),
        damage: !seed.is_multiple_of(5) && !seed.is_multiple_of(2),
    }
}

fn main() -> ExitCode {
    let words: Vec<String> = std::env::args().skip(1).collect();
    let seconds = words.first().and_then(|word| word.parse().ok());
    let first = words.get(1).map_or(1_000_000, |word| seed_of(word));
    let length = Duration::from_secs(seconds.unwrap_or(2));
    println!("seed {first}, for {} s", length.as_secs());
    let (start, mut told) = (Instant::now(), Instant::now());
    let mut tally = Tally::default();
    let mut seed = first;
    let mut failed = None;
    while start.elapsed() < length {
        let options = options_of(seed);
        // Nothing of a run that failed is used again.
        let Ok(met) = catch_unwind(AssertUnwindSafe(|| run(options))) else {
            failed = Some(options);
            break;
        };
        tally += met;
        seed += 1;
        if told.elapsed() > EVERY {
            told = Instant::now();
            println!("{}", in_short(&tally, seed - first, start));
        }
    }
    for (what, times) in &tally.0 {
        println!("{times:10} {what}");
    }
    println!("{}", in_short(&tally, seed - first, start));
    match failed {
        None => {
            println!("without a fault, from seed {first} on");
            ExitCode::SUCCESS
        }
        Some(options) => {
            println!("FAILED with seed {seed}: {options:?}");
            ExitCode::FAILURE
        }
    }
}

fn in_short(tally: &Tally, runs: u64, start: Instant) -> String {
    format!(
        "{} s: {runs} runs, {} operations, {} power cuts",
        start.elapsed().as_secs(),
        tally.get("operations"),
        tally.get("power cuts")
    )
}
