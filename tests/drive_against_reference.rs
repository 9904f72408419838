//! The production drive against a plain reference, in virtual time: requests of every kind, every
//! style of profile, power cuts after any movement.

#![allow(clippy::unwrap_used, clippy::print_stdout)] // a test asserts, and names its seed

mod rig;

use std::thread;

use rig::run::{Options, run, run_traced};
use rig::tally::Tally;

/// Runs many seeds on two threads and adds up what they met.
fn runs(seeds: std::ops::Range<u64>, options: Options) -> Tally {
    let half = |part: u64| {
        let seeds = seeds.clone().filter(move |seed| seed % 2 == part);
        let mut tally = Tally::default();
        for seed in seeds {
            tally += run(Options { seed, ..options });
        }
        tally
    };
    thread::scope(|scope| {
        let odd = scope.spawn(|| half(1));
        let mut tally = half(0);
        tally += odd
            .join()
            .unwrap_or_else(|panic| std::panic::resume_unwind(panic));
        tally
    })
}

#[track_caller]
fn check(tally: &Tally, least: &[(&str, u64)]) {
    for (what, times) in &tally.0 {
        println!("{times:8} {what}");
    }
    for (what, least) in least {
        let met = tally.get(what);
        assert!(
            met >= *least,
            "{what}: {met} times, at least {least} wanted"
        );
    }
}

#[test]
fn every_request_reads_back_what_the_reference_says() {
    let options = Options {
        seed: 0,
        operations: 400,
        cuts: false,
        lag: true,
        ..Options::default()
    };
    let tally = runs(0..100, options);
    check(
        &tally,
        &[
            ("operations", 40_000),
            ("cleaned in place", 500),
            ("cleaned by swap", 500),
            ("cleaned with a safe copy", 500),
            ("cleaned with a safe copy read back", 500),
            ("cleaned by completing a pass", 100),
            ("foreground cleanings by extents", 500),
            ("foreground cleanings by log", 500),
            ("journal wraps", 50),
        ],
    );
}

#[test]
fn a_power_cut_after_any_movement_loses_nothing_that_was_durable() {
    let options = Options {
        seed: 0,
        operations: 400,
        cuts: true,
        lag: true,
        ..Options::default()
    };
    let tally = runs(1000..1160, options);
    check(
        &tally,
        &[
            ("operations", 60_000),
            ("power cuts", 2_000),
            ("bands cleaned while written to", 30),
            ("cleaned in place", 500),
            ("cleaned by swap", 500),
            ("cleaned with a safe copy", 500),
            ("cleaned with a safe copy read back", 500),
            ("cleaned by completing a pass", 100),
            ("direct appends", 500),
            ("direct diverts completed", 200),
            ("full maps", 1_000),
            ("delta maps", 1_000),
            ("deltas read", 500),
            ("journal wraps", 50),
            ("log wraps", 500),
            ("staging bands used again", 500),
            ("records replayed", 5_000),
            ("torn tails", 50),
        ],
    );
}

#[test]
fn faults_on_request_break_nothing_but_what_they_say() {
    let options = Options {
        seed: 0,
        operations: 300,
        cuts: true,
        lag: true,
        faults: true,
        ..Options::default()
    };
    let tally = runs(9000..9060, options);
    check(
        &tally,
        &[
            ("operations", 15_000),
            ("power cuts", 500),
            ("notes of faults", 1_000),
            ("failed on request", 300),
            ("cleaned with a safe copy", 50),
        ],
    );
}

#[test]
fn what_fails_or_rots_is_told_and_what_was_durable_is_kept() {
    let options = Options {
        seed: 0,
        operations: 300,
        cuts: true,
        lag: true,
        damage: true,
        ..Options::default()
    };
    let tally = runs(2000..2040, options);
    check(
        &tally,
        &[
            ("power cuts", 500),
            ("failed operations", 40),
            ("bit flips refused", 10),
            ("bit flips told", 5),
            ("bit flips without consequence", 50),
        ],
    );
}

#[test]
fn drives_that_ship_keep_what_was_durable_too() {
    let mut tally = Tally::default();
    for (seed, drive) in (3000..).zip(["desktop-5tb", "archive-8tb", "flash-4tb", "control-5tb"]) {
        tally += run(Options {
            seed,
            drive: Some(drive),
            operations: 300,
            cuts: true,
            lag: true,
            damage: true,
            ..Options::default()
        });
    }
    check(&tally, &[("operations", 1_200), ("power cuts", 40)]);
}

#[test]
fn the_same_seed_gives_the_same_effects_and_the_same_image() {
    for seed in 5000..5006 {
        let options = Options {
            seed,
            operations: 300,
            cuts: true,
            lag: true,
            ..Options::default()
        };
        let (first, second) = (run_traced(options, true).1, run_traced(options, true).1);
        assert_eq!(first, second, "{options:?}");
        let other = Options {
            operations: 150,
            ..options
        };
        assert_ne!(
            first,
            run_traced(other, true).1,
            "the number means something"
        );
    }
}
