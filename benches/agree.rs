//! How far a served drive and a simulation of the same requests agree, as a client sees it.
//!
//! `scripts/agree` runs it. A small image of the default drive is served in real pace over a Unix
//! socket, once with the write cache on and once with it off. A client asks one thing after the other:
//! writes that are staged, a merge of the map, reads from home and from the staging area, flushes,
//! pauses in which idle cleaning begins. The served drive records when each request reached it; the
//! simulation replays them at these moments. What is compared is the time that the client waited with
//! the time that the simulation says. The exit code is 0 where the aims hold and 1 where not.
#![allow(missing_docs, clippy::print_stdout)] // a program for people

#[path = "../tests/nbd_client/mod.rs"]
mod nbd_client;
#[path = "../tests/program/mod.rs"]
mod program;

use std::path::Path;
use std::process::ExitCode;
use std::time::Instant as Real;

use imbrex::drive::request::Completion;
use imbrex::host::account::LAG_NOTICED;
use imbrex::image::open;
use imbrex::lab::agreement::{Agreement, Pair};
use imbrex::lab::recording::{Recorded, Recording};
use imbrex::lab::simulation::{self, Observers};
use imbrex::profile::Profile;
use imbrex::time::Duration;
use program::{Served, imbrex};
use rand_chacha::ChaCha8Rng;
use rand_core::{Rng, SeedableRng};
use tempfile::TempDir;

const KIB: u64 = 1 << 10;
const CAPACITY: u64 = 8 << 30;
/// Longer than the idle delay of the default drive.
const PAUSE: std::time::Duration = std::time::Duration::from_millis(1_500);

/// What the client does.
#[derive(Clone, Copy, Debug)]
enum Act {
    Read(u64, u64),
    Write(u64, u64),
    WriteThrough(u64, u64),
    Flush,
    Trim(u64, u64),
    /// Nothing for a while.
    Pause,
}

fn main() -> ExitCode {
    let folder = TempDir::new().expect("a folder for an image");
    let mut all: Vec<(Pair, Recorded)> = Vec::new();
    for cached in [false, true] {
        let word = if cached { "on" } else { "off" };
        let pairs = session(folder.path(), cached);
        println!("write cache {word}:");
        report(&pairs);
        all.extend(pairs);
    }
    let in_time = |(_, recorded): &&(Pair, Recorded)| recorded.lag <= LAG_NOTICED;
    let in_time: Vec<(Pair, Recorded)> = all.iter().filter(in_time).copied().collect();
    println!("both, without the answers that this machine gave late:");
    report(&in_time);
    println!("both:");
    if report(&all) {
        ExitCode::SUCCESS
    } else {
        ExitCode::FAILURE
    }
}

/// Prints how far these agree; whether the aims hold.
fn report(both: &[(Pair, Recorded)]) -> bool {
    let pairs: Vec<Pair> = both.iter().map(|(pair, _)| *pair).collect();
    let recorded: Vec<Recorded> = both.iter().map(|(_, recorded)| *recorded).collect();
    let mut agreement = Agreement::of(&pairs);
    agreement.note_lag(&recorded);
    println!("{agreement}");
    agreement.holds
}

/// Serves a new image, asks, and replays: what each request took for the client and in the
/// simulation, and what was recorded of it.
fn session(folder: &Path, cached: bool) -> Vec<(Pair, Recorded)> {
    let name = if cached { "cached" } else { "through" };
    let image = folder.join(name).with_extension("img");
    let record = folder.join(name).with_extension("parquet");
    let profile = small(cached);
    let text = folder.join(name).with_extension("toml");
    std::fs::write(&text, profile.to_toml()).expect("room for a profile");
    let shown = text.to_str().expect("a plain path");
    imbrex(&format!("create {{}} --profile {shown}"), &image).success();
    let options = format!("--record {}", record.display());
    let served = Served::start(&image, &options);
    let waited = ask_all(&served, &acts(cached));
    served.stop().success();
    std::fs::remove_file(&image).expect("it was there");

    let recording = Recording::read(&record).expect("the served drive recorded it");
    assert_eq!(recording.requests.len(), waited.len(), "one row for each");
    let simulated = replay(&profile, &recording);
    let exact = simulated.iter().zip(&recording.requests);
    let exact = exact.filter(|(is, was)| is.due == was.due).count();
    println!(
        "{exact} of {} answers are due in the simulation at the nanosecond at which the served drive \
         said",
        waited.len()
    );
    let both = simulated.iter().zip(&recording.requests).zip(waited);
    both.map(|((simulated, recorded), served)| {
        let pair = Pair {
            operation: simulated.operation,
            served,
            simulated: simulated.due.since(simulated.arrived),
        };
        (pair, *recorded)
    })
    .collect()
}

/// The default drive, scaled down.
fn small(cached: bool) -> Profile {
    let text = Profile::default_text();
    let whole = Profile::from_toml("the default profile", text).expect("it is valid");
    let (mut profile, _) = whole.scaled_to(CAPACITY).expect("it can be that small");
    profile.write_cache.enabled = cached;
    profile
}

/// The answers to a recording, in the order of its requests.
fn replay(profile: &Profile, recording: &Recording) -> Vec<Completion> {
    let mut answers = Vec::new();
    let observers = Observers {
        progress: &mut |_| {},
        jobs: None,
        answers: Some(&mut |batch| {
            answers.extend(batch.iter().map(|answered| answered.completion));
            Ok(())
        }),
    };
    simulation::replay(
        open::imagined(profile).expect("it fits"),
        recording,
        observers,
    )
    .expect("it runs");
    answers.sort_by_key(|completion| completion.request);
    answers
}

/// How long the client waited for each answer.
fn ask_all(served: &Served, acts: &[Act]) -> Vec<Duration> {
    let mut client = served.client();
    let zeroes = vec![0; 1 << 20];
    let data = |bytes: u64| &zeroes[..usize::try_from(bytes).expect("a small request")];
    let narrow = |bytes: u64| u32::try_from(bytes).expect("a small request");
    let mut waited = Vec::new();
    for act in acts {
        let begun = Real::now();
        let outcome = match *act {
            Act::Read(offset, bytes) => client.read(offset, narrow(bytes)).map(drop),
            Act::Write(offset, bytes) => client.write(offset, data(bytes)),
            Act::WriteThrough(offset, bytes) => client.write_through(offset, data(bytes)),
            Act::Flush => client.flush(),
            Act::Trim(offset, bytes) => client.trim(offset, narrow(bytes)),
            Act::Pause => {
                std::thread::sleep(PAUSE);
                continue;
            }
        };
        let took = u64::try_from(begun.elapsed().as_nanos()).expect("a short while");
        outcome.expect("the drive works");
        waited.push(Duration(took));
    }
    waited
}

/// A few hundred requests that bring the drive to whatever it can do.
fn acts(cached: bool) -> Vec<Act> {
    let mut random = ChaCha8Rng::seed_from_u64(1);
    let mut place = |bytes: u64| random.next_u64() % (CAPACITY / bytes) * bytes;
    let mut acts = Vec::new();
    // A stretch at home: with the cache on it goes straight to its band.
    for i in 0..48 {
        acts.push(Act::Write(i << 20, 1 << 20));
    }
    acts.push(Act::Flush);
    // Scattered writes, more than go between two merges of the map.
    for i in 0..260 {
        let bytes = if i % 16 == 0 { 64 * KIB } else { 4 * KIB };
        acts.push(Act::Write(place(bytes), bytes));
        if cached && i % 8 == 0 {
            acts.push(Act::Flush);
        }
        if cached && i % 20 == 0 {
            acts.push(Act::WriteThrough(place(4 * KIB), 4 * KIB));
        }
    }
    for i in 0..40 {
        acts.push(Act::Read(place(4 * KIB) % (48 << 20), 4 * KIB));
        if i % 4 == 0 {
            acts.push(Act::Trim(place(64 * KIB), 64 * KIB));
        }
    }
    // In sequence, so that the drive reads ahead.
    for i in 0..64 {
        acts.push(Act::Read((8 << 20) + i * 64 * KIB, 64 * KIB));
    }
    // The drive has begun to clean when the host comes back.
    for _ in 0..4 {
        acts.push(Act::Pause);
        for _ in 0..6 {
            acts.push(Act::Read(place(4 * KIB) % (48 << 20), 4 * KIB));
            acts.push(Act::Write(place(4 * KIB), 4 * KIB));
        }
        acts.push(Act::Flush);
    }
    acts
}
