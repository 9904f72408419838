//! Generated runs for as long as one likes: `cargo test --test soak -- SECONDS SEED`, or
//! `scripts/soak SECONDS SEED`. Without arguments it runs for two seconds.
//!
//! Each run has a seed of its own, counted up from SEED. The first run that fails ends the soak;
//! its options, printed last, repeat it.

#![allow(clippy::print_stdout)]

mod rig;

use std::time::{Duration, Instant};

use rig::run::{Options, run};
use rig::tally::Tally;

fn main() {
    let numbers: Vec<u64> = std::env::args()
        .skip(1)
        .filter_map(|argument| argument.parse().ok())
        .collect();
    let seconds = numbers.first().copied().unwrap_or(2);
    let first = numbers.get(1).copied().unwrap_or(1_000_000);
    let (start, length) = (Instant::now(), Duration::from_secs(seconds));
    let mut tally = Tally::default();
    let mut seed = first;
    while start.elapsed() < length {
        tally += run(Options {
            seed,
            operations: 300 + seed % 700,
            cuts: seed % 4 != 0,
            lag: seed % 3 != 0,
            faults: seed % 5 == 0,
        });
        seed += 1;
    }
    for (what, times) in &tally.0 {
        println!("{times:10} {what}");
    }
    println!(
        "{} runs, from seed {first} on, without a fault",
        seed - first
    );
}
