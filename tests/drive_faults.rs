//! A short scenario that meets every kind of plan, with the power going after each step of each
//! plan, and with each operation of the store failing.

#![allow(clippy::unwrap_used, clippy::print_stdout)] // a test asserts, and names its seed

mod rig;

use imbrex::drive::Drive;
use imbrex::drive::back::Back;
use imbrex::drive::request::{Effect, Operation, Request};
use imbrex::image::open;
use imbrex::medium::layout::Layout;
use imbrex::medium::memory_store::Fate;
use imbrex::medium::movement::RequestId;
use imbrex::medium::mover::StoreOperation;
use imbrex::profile::{CleaningStep, Profile};
use imbrex::time::Instant;
use imbrex::translation::recovery;

use rig::Ask;
use rig::Rig;
use rig::run::{Dice, tiny};

/// A drive of eight bands.
fn small(passes: u32, cache: bool) -> Profile {
    let mut profile = tiny();
    profile.drive.capacity_bytes = 2 << 20;
    profile.cleaning.passes = passes;
    profile.cleaning.step = CleaningStep::Track;
    profile.write_cache.enabled = cache;
    profile.write_cache.bytes = 1 << 20;
    profile.write_cache.bypass_run_bytes = 64 << 10;
    let staging = profile.staging.as_mut().unwrap();
    staging.merge_every_entries = 4;
    profile
}

#[derive(Clone, Copy, Debug)]
enum Act {
    Ask(Ask),
    /// Wait for all answers.
    Settle,
    /// Leave the drive alone for so many seconds.
    Rest(u64),
}

fn write(at: u64, pieces: u64, fua: bool) -> Act {
    Act::Ask(Ask::Write { at, pieces, fua })
}

/// Fills part of a band directly and in small pieces, cleans it, merges the map, writes a band anew,
/// trims, flushes, cleans again, writes while it cleans.
fn script() -> Vec<Act> {
    let flush = Act::Ask(Ask::Flush);
    let trim = |at, pieces| Act::Ask(Ask::Trim { at, pieces });
    let mut acts: Vec<Act> = (0..4).map(|i| write(i * 128, 128, false)).collect();
    acts.extend([flush, Act::Settle, write(24, 16, false), write(3, 2, false)]);
    acts.extend([write(600, 8, true), Act::Settle, Act::Rest(3)]);
    acts.extend([write(1024, 8, true), write(1032, 8, true), Act::Settle]);
    // The sweep of the cache ends near the last address, so that it begins anew with the first.
    acts.extend([trim(100, 60), write(4000, 8, false), flush, Act::Settle]);
    acts.extend((0..4).map(|i| write(i * 128, 128, false)));
    acts.extend([
        flush,
        Act::Settle,
        write(520, 300, false),
        write(0, 8, true),
    ]);
    acts.extend([Act::Rest(2), write(16, 8, false), flush, Act::Settle]);
    acts.extend([trim(512, 512), write(512, 128, false), flush, Act::Settle]);
    acts.extend([write(2048, 8, false), Act::Rest(4)]);
    acts
}

/// Plays the script as far as the rig goes.
fn play(rig: &mut Rig, script: &[Act]) {
    rig.carry_out();
    for act in script {
        if rig.stands_still() {
            return;
        }
        match *act {
            Act::Ask(ask) => {
                if rig.clashes(ask) {
                    rig.settle();
                }
                if !rig.stands_still() {
                    rig.ask(ask);
                    rig.carry_out();
                }
            }
            Act::Settle => rig.settle(),
            Act::Rest(seconds) => rig.rest(seconds * 1_000_000_000),
        }
    }
}

fn styles() -> Vec<Profile> {
    vec![small(2, true), small(4, true), small(3, false)]
}

/// The four ways in which a cut may treat what is at stake.
fn fates(way: u64, seed: u64) -> impl FnMut(u64) -> Fate {
    let mut dice = Dice::new(seed * 4 + way);
    move |_| match way {
        0 => Fate::Lost,
        1 => Fate::Kept,
        2 => dice.one_of([Fate::Lost, Fate::Kept]),
        _ => Fate::Torn(u8::try_from(dice.below(256)).unwrap()),
    }
}

#[test]
fn a_power_cut_after_every_step_of_every_plan_loses_nothing_that_was_durable() {
    for profile in styles() {
        let script = script();
        let mut whole = Rig::new(&profile);
        play(&mut whole, &script);
        let steps = usize::MAX - whole.steps_left;
        let met = |what| whole.tally.get(what) > 0;
        assert!(met("delta maps") && met("full maps") && met("trims"));
        if profile.write_cache.enabled {
            assert!(
                met("direct appends") && met("direct diverts completed"),
                "{:?}",
                whole.tally
            );
        }
        let cleaned = match profile.cleaning.passes {
            2 => "cleaned by swap",
            3 => "cleaned with a safe copy",
            _ => "cleaned with a safe copy read back",
        };
        assert!(met(cleaned), "{:?}", whole.tally);
        println!("{} passes: {steps} steps", profile.cleaning.passes);
        assert!(steps > 100);
        whole.shut_down_and_reopen();
        for reached in 1..steps {
            let mut rig = Rig::new(&profile);
            rig.steps_left = reached;
            play(&mut rig, &script);
            assert!(rig.stands_still(), "the power goes after step {reached}");
            for way in 0..4 {
                rig.what_if(&mut fates(way, u64::try_from(reached).unwrap()));
            }
        }
    }
}

#[test]
fn whichever_operation_of_the_store_fails_nothing_durable_is_lost() {
    for profile in styles() {
        let script = script();
        let mut failing = 1;
        loop {
            let mut rig = Rig::new(&profile);
            rig.store.fail_nth(failing);
            play(&mut rig, &script);
            let Some(error) = rig.broken.clone() else {
                break;
            };
            if error.operation != StoreOperation::Read {
                rig.stays_broken();
            }
            for way in 0..4 {
                rig.what_if(&mut fates(way, failing));
            }
            failing += 1;
        }
        assert!(failing > 100, "{failing} operations were made to fail");
    }
}

/// Rigs at some moments of the script, each a few steps after the one before.
fn moments(profile: &Profile, every: usize) -> Vec<Rig> {
    let script = script();
    let mut moments = Vec::new();
    for reached in (1..).step_by(every) {
        let mut rig = Rig::new(profile);
        rig.steps_left = reached;
        play(&mut rig, &script);
        if !rig.stands_still() {
            return moments;
        }
        moments.push(rig);
    }
    moments
}

#[test]
fn a_power_cut_after_every_step_of_an_opening_loses_nothing_that_was_durable() {
    let mut cuts = 0;
    for profile in styles() {
        for (seed, rig) in (0..).zip(moments(&profile, 23)) {
            for way in 0..4 {
                let opened = || rig.what_if_only(&mut fates(way, seed));
                for reached in 0..=opened().steps_waiting() {
                    let mut rig = opened();
                    rig.steps_left = reached;
                    rig.carry_out();
                    rig.what_if(&mut fates(3 - way, seed));
                    cuts += 1;
                }
            }
        }
    }
    println!("{cuts} cuts of openings");
    assert!(cuts > 200, "{cuts} cuts of openings");
}

#[test]
fn whichever_operation_of_an_opening_fails_it_is_told_and_the_next_opening_works() {
    let mut failed = 0;
    for profile in styles() {
        for rig in moments(&profile, 67) {
            for n in 1.. {
                let store = rig.store.power_cut(&mut |_| Fate::Kept);
                store.fail_nth(n);
                let opened = open::open(&store, false);
                assert_eq!(store.sectors_at_stake(), 0, "opening only reads");
                if store.operations() < n {
                    assert!(opened.is_ok());
                    break;
                }
                // One of two copies of the superblock is enough.
                if let Ok(opened) = opened {
                    assert!(
                        opened.damaged.is_some(),
                        "operation {n} failed and nobody told"
                    );
                }
                open::open(&store, false).unwrap();
                failed += 1;
            }
        }
    }
    assert!(failed > 100, "{failed} operations failed");
}

/// The guard of this drive was not told what is written: to it, the plan of an ordinary read is the
/// defect that it is there to stop.
#[test]
fn a_plan_that_shingling_forbids_stops_the_drive_and_is_not_carried_out() {
    let profile = small(3, false);
    let mut rig = Rig::new(&profile);
    rig.ask(Ask::Write {
        at: 0,
        pieces: 8,
        fua: true,
    });
    rig.shut_down();
    let layout = Layout::new(&profile).unwrap();
    let staging = profile.staging.as_ref().unwrap();
    let open = |told: bool| {
        let recovered = recovery::recover(&profile, staging, &layout, &rig.store).unwrap();
        let written = if told { recovered.written } else { Vec::new() };
        let back = Back::Managed(Box::new(recovered.translation));
        let mut drive = Drive::new(&profile, back, &written);
        let capacity = profile.drive.capacity_bytes;
        let read = Request::new(RequestId(1), Operation::Read, 0, 4096, capacity).unwrap();
        drive.submit(Instant(0), read);
        drive.advance(Instant(1_000_000_000));
        let mut effects = Vec::new();
        drive.drain_effects(&mut effects);
        (drive, effects)
    };
    let (sound, effects) = open(true);
    assert_eq!(sound.failure(), None);
    assert!(effects.iter().any(|e| matches!(e, Effect::Move(_))));

    let (stopped, effects) = open(false);
    let account = stopped.failure().expect("the drive stopped");
    assert!(
        account.contains("beyond what the pass has written"),
        "{account}"
    );
    assert!(account.contains("its pass has written 0 of"), "{account}");
    let carried = effects.iter().filter(|e| matches!(e, Effect::Move(_)));
    assert_eq!(carried.count(), 0, "{effects:?}");
    assert_eq!(stopped.next_deadline(), None);
}
