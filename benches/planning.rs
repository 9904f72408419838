//! How many requests a second the drive itself plans on one core, without bytes and without waiting.
//!
//! `cargo bench --bench planning` prints it for random writes of 4 KiB that are staged, and for random
//! reads, both on the default profile in virtual time, with the drive's whole queue in use. The share
//! of foreground cleaning is nothing: the staging area does not fill.
#![allow(missing_docs, clippy::print_stdout)] // a program for people

use std::time::Instant as Real;

use imbrex::drive::Drive;
use imbrex::drive::request::{Effect, Operation, Request};
use imbrex::image::open::imagined;
use imbrex::medium::movement::RequestId;
use imbrex::profile::Profile;
use imbrex::time::Instant;
use imbrex::units::SECTOR_BYTES;
use rand_chacha::ChaCha8Rng;
use rand_core::{Rng, SeedableRng};

const PROFILE: &str = include_str!("../configs/desktop-5tb.toml");
const REQUESTS: u64 = 400_000;
const ROUNDS: usize = 5;

/// Requests a second with `depth` of them under way.
fn plan(mut drive: Drive, operation: Operation, depth: u64) -> u128 {
    let mut random = ChaCha8Rng::seed_from_u64(1);
    let capacity = drive.profile().drive.capacity_bytes;
    let (mut now, mut asked, mut answered) = (Instant::default(), 0, 0);
    let mut effects = Vec::new();
    let began = Real::now();
    while answered < REQUESTS {
        while asked < REQUESTS && asked - answered < depth {
            let offset = random.next_u64() % (capacity / SECTOR_BYTES) * SECTOR_BYTES;
            let request = Request::new(RequestId(asked), operation, offset, SECTOR_BYTES, capacity);
            drive.submit(now, request.expect("in bounds"));
            asked += 1;
        }
        drive.drain_effects(&mut effects);
        let completions = effects
            .drain(..)
            .filter(|effect| matches!(effect, Effect::Complete(_)));
        let done = u64::try_from(completions.count()).expect("few");
        answered += done;
        if done == 0 {
            now = drive.next_deadline().expect("requests are under way").at;
            drive.advance(now);
        }
    }
    assert!(drive.failure().is_none(), "the drive works");
    u128::from(REQUESTS) * 1_000_000_000 / began.elapsed().as_nanos()
}

fn main() {
    let profile = Profile::from_toml("desktop-5tb", PROFILE).expect("a valid profile");
    let mut uncached = profile.clone();
    uncached.write_cache.enabled = false;
    let write = Operation::Write { fua: false };
    for (words, profile, operation, depth) in [
        (
            "staged random writes through the write cache",
            &profile,
            write,
            31,
        ),
        ("staged random writes without it", &uncached, write, 31),
        ("random reads", &profile, Operation::Read, 31),
    ] {
        let drive = imagined(profile).expect("parts that fit");
        let mut rates: Vec<u128> = (0..ROUNDS)
            .map(|_| plan(drive.clone(), operation, depth))
            .collect();
        rates.sort_unstable();
        println!(
            "{words}, {depth} under way: {} requests a second",
            rates[ROUNDS / 2]
        );
    }
}
