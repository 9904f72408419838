//! The host does something to a band at each step of its cleaning: what the host did wins, now and
//! after a power cut.

#![allow(clippy::unwrap_used, clippy::print_stdout)] // a test asserts, and names its case

mod rig;

use imbrex::medium::memory_store::Fate;
use imbrex::profile::{CleaningStep, Profile};
use rig::run::{Dice, tiny};
use rig::{Ask, Rig};

fn small(passes: u32) -> Profile {
    let mut profile = tiny();
    profile.drive.capacity_bytes = 2 << 20;
    profile.cleaning.passes = passes;
    profile.cleaning.step = CleaningStep::Track;
    profile.write_cache.bypass_run_bytes = 64 << 10;
    profile
}

fn write(at: u64, pieces: u64) -> Ask {
    Ask::Write {
        at,
        pieces,
        fua: true,
    }
}

/// A drive whose band 0 is full and clean or new, has staged runs, and is cleaned: `steps` steps of
/// that are planned. `None`: the cleaning has fewer.
fn cleaning(passes: u32, full: bool, steps: usize) -> Option<Rig> {
    let mut rig = Rig::new(&small(passes));
    if full {
        for i in 0..8 {
            rig.done(write(i * 128, 128));
        }
        rig.rest(60_000_000_000);
    }
    // More runs than one step gathers, the last one not at the end of the band.
    for i in 0..6 {
        rig.done(write(16 + i * 72, 8));
    }
    // A hole in what lies at home, behind all of them.
    rig.done(Ask::Trim {
        at: 490,
        pieces: 22,
    });
    let cleans = |rig: &Rig| rig.opened.drive.status(rig.now).cleaning_band == Some(0);
    while !cleans(&rig) {
        assert!(rig.step(), "an idle drive cleans");
    }
    for _ in 0..steps {
        rig.step();
    }
    cleans(&rig).then_some(rig)
}

/// What the host does.
fn deeds() -> Vec<Vec<Ask>> {
    let trim = |at, pieces| Ask::Trim { at, pieces };
    let zero = |at, pieces, may_deallocate| Ask::Zero {
        at,
        pieces,
        fua: true,
        may_deallocate,
    };
    vec![
        vec![trim(0, 512)],
        vec![trim(0, 4096)],
        vec![trim(0, 512), write(8, 8)],
        vec![trim(8, 100)],
        vec![trim(300, 212)],
        vec![write(16, 8)],
        // So long that it may go straight to the band.
        vec![write(0, 128)],
        vec![write(20, 1), write(500, 3)],
        vec![zero(8, 100, false), zero(200, 100, true)],
        (0..4).map(|i| write(i * 128, 128)).collect(),
        // Another band, over a spare if one is free.
        (4..8).map(|i| write(i * 128, 128)).collect(),
    ]
}

#[test]
fn whatever_the_host_does_at_any_step_of_a_cleaning_wins() {
    let mut given_up = 0;
    for (passes, full) in [(2, true), (3, true), (4, true), (4, false)] {
        for (number, deed) in deeds().into_iter().enumerate() {
            let mut steps = 0;
            while let Some(mut rig) = cleaning(passes, full, steps) {
                println!("{passes} passes, full {full}, deed {number} at step {steps}");
                for ask in &deed {
                    rig.ask(*ask);
                    rig.settle();
                }
                rig.done(Ask::Flush);
                rig.what_if(&mut |_| Fate::Lost);
                // The power goes somewhere in the rest of the cleaning, or never.
                for later in 0..6 {
                    rig.advance();
                    let mut dice = Dice::new(later);
                    rig.what_if(&mut |_| dice.one_of([Fate::Lost, Fate::Kept]));
                    rig.carry_out();
                }
                rig.rest(60_000_000_000);
                let status = rig.opened.drive.status(rig.now);
                assert_eq!(status.cleaning_band, None, "it holds a spare for nothing");
                let all = rig.pieces();
                rig.values(0, all);
                given_up += rig.tally.get("cleanings given up");
                rig.shut_down_and_reopen();
                steps += 1;
            }
            assert!(steps > 3, "a cleaning takes {steps} steps");
        }
    }
    assert!(given_up > 10, "{given_up} cleanings were given up");
}
