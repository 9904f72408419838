//! Faults on request on a drive in virtual time: what each does to whom, when, and what is noted of
//! it. Nothing here has bytes; `tests/control.rs` meets the same faults with bytes and clients.

#![allow(clippy::unwrap_used)] // a test asserts

#[path = "faults/bench.rs"]
mod bench;
#[path = "faults/ending.rs"]
mod ending;

use bench::{Bench, SECTOR};
use imbrex::drive::fault::{
    Commands, FailCommands, FailingKind, Fault, FaultError, Lasts, MediaError, PowerCut, Slow,
    Stall, Switch, Whereabouts,
};
use imbrex::drive::request::Operation;
use imbrex::image::open;
use imbrex::medium::movement::{Plan, Purpose, Step};
use imbrex::profile::{CleaningStyle, Personality, Profile};
use imbrex::time::{Duration, Instant};
use imbrex::units::Lba;

const READ: Operation = Operation::Read;
const WRITE: Operation = Operation::Write { fua: false };
const FUA: Operation = Operation::Write { fua: true };

fn tiny() -> Profile {
    Profile::from_toml("tiny", Profile::built_in("tiny").unwrap()).unwrap()
}

/// Leaves the cleaning to the test.
fn lazy() -> Profile {
    let mut profile = tiny();
    profile.cleaning.style = CleaningStyle::Lazy;
    profile
}

fn conventional() -> Profile {
    let mut profile = tiny();
    profile.drive.personality = Personality::Conventional;
    profile.bands.overlap_tracks = 0;
    profile.bands.guard_tracks = 0;
    profile.staging = None;
    profile
}

fn unreadable(offset: u64, bytes: u64) -> MediaError {
    MediaError {
        offset,
        bytes,
        on: Commands::Reads,
        lasts: Lasts::Permanent,
        place: Whereabouts::Anywhere,
        tries_ns: 0,
    }
}

#[test]
fn a_permanent_read_error_fails_exactly_the_commands_that_touch_it() {
    for profile in [lazy(), conventional()] {
        let mut bench = Bench::new(&profile);
        for sector in 0..6 {
            bench.ask(FUA, sector * SECTOR, SECTOR);
        }
        // From the middle of sector 2 into sector 3.
        let id = bench.impose(Fault::MediaError(unreadable(2 * SECTOR + 100, SECTOR)));
        for sector in 0..6 {
            let lba = FailingKind::Unreadable(Lba(sector));
            let expected = (2..4).contains(&sector).then_some(lba);
            assert_eq!(bench.fails(READ, sector * SECTOR), expected);
        }
        let all = bench.ask(READ, 0, 6 * SECTOR);
        assert_eq!(all.failing.unwrap().kind, FailingKind::Unreadable(Lba(2)));
        assert!(all.cause().contains("on request"), "{}", all.cause());
        assert_eq!(bench.fails(FUA, 3 * SECTOR), None);
        assert_eq!(bench.noted(id).len(), 3, "each strike is noted");
        assert_eq!(bench.lift(Some(id)), 1);
        assert_eq!(bench.fails(READ, 2 * SECTOR), None);
        assert_eq!(bench.lift(Some(id)), 0);
    }
}

#[test]
fn an_error_that_lasts_for_some_commands_is_used_up_by_them() {
    for (lasts, times) in [(Lasts::Once, 1), (Lasts::Times(3), 3)] {
        let mut bench = Bench::new(&lazy());
        bench.ask(FUA, 0, SECTOR);
        bench.impose(Fault::MediaError(MediaError {
            lasts,
            ..unreadable(0, SECTOR)
        }));
        for _ in 0..times {
            assert_eq!(bench.fails(READ, 0), Some(FailingKind::Unreadable(Lba(0))));
        }
        assert_eq!(bench.fails(READ, 0), None);
        assert_eq!(bench.in_force(), 0);
    }
}

#[test]
fn rewriting_heals_sector_by_sector_once_the_bytes_have_left_the_cache() {
    for heal in [
        FUA,
        Operation::Trim,
        Operation::WriteZeroes {
            fua: true,
            may_deallocate: false,
        },
    ] {
        let mut bench = Bench::new(&lazy());
        bench.ask(FUA, 0, 2 * SECTOR);
        let id = bench.impose(Fault::MediaError(MediaError {
            lasts: Lasts::UntilRewritten,
            ..unreadable(0, 2 * SECTOR)
        }));
        bench.ask(heal, 0, SECTOR);
        assert_eq!(bench.fails(READ, 0), None, "{heal:?}");
        assert_eq!(
            bench.fails(READ, SECTOR),
            Some(FailingKind::Unreadable(Lba(1)))
        );
        // What the cache holds is read from there, and heals when it leaves.
        bench.ask(WRITE, SECTOR, SECTOR);
        assert_eq!(bench.fails(READ, SECTOR), None);
        assert_eq!(bench.in_force(), 1);
        bench.ask(Operation::Flush, 0, 0);
        assert_eq!(bench.in_force(), 0);
        assert!(bench.noted(id).last().unwrap().contains("rewritten"));
    }
}

#[test]
fn a_write_of_half_a_sector_fails_where_the_other_half_cannot_be_read() {
    let mut bench = Bench::new(&lazy());
    bench.ask(FUA, 0, SECTOR);
    bench.impose(Fault::MediaError(MediaError {
        lasts: Lasts::UntilRewritten,
        ..unreadable(0, SECTOR)
    }));
    let half = bench.ask(FUA, 0, SECTOR / 2);
    assert_eq!(half.failing.unwrap().kind, FailingKind::Unreadable(Lba(0)));
    assert_eq!(bench.in_force(), 1, "it changed nothing");
    assert_eq!(bench.fails(FUA, 0), None);
    assert_eq!(bench.in_force(), 0);
}

#[test]
fn a_write_error_fails_writes_and_nothing_else_with_the_cache_on_and_off() {
    for cache in [true, false] {
        let mut profile = lazy();
        profile.write_cache.enabled = cache;
        let mut bench = Bench::new(&profile);
        bench.ask(FUA, 0, 4 * SECTOR);
        bench.impose(Fault::MediaError(MediaError {
            on: Commands::Writes,
            ..unreadable(SECTOR, SECTOR)
        }));
        assert_eq!(
            bench.fails(WRITE, SECTOR),
            Some(FailingKind::Unwritable(Lba(1)))
        );
        assert_eq!(bench.fails(WRITE, 2 * SECTOR), None);
        assert_eq!(bench.fails(READ, SECTOR), None);
        assert_eq!(bench.fails(Operation::Trim, SECTOR), None);
        // Side by side with one that does not fail.
        bench.submit(FUA, 0, SECTOR);
        let failing = bench.ask(FUA, SECTOR, SECTOR);
        assert!(failing.failing.is_some());
        let first = bench
            .answers
            .iter()
            .find(|each| each.request.0 == bench.asked - 1);
        assert_eq!(first.unwrap().failing, None);
        let failed = bench.drive.status(bench.now).counters.host_failed;
        assert_eq!(failed, 2);
    }
}

#[test]
fn trying_takes_the_time_that_was_asked_for_and_says_so() {
    let mut bench = Bench::new(&lazy());
    bench.ask(FUA, 0, SECTOR);
    let plain = bench.ask(READ, 0, SECTOR);
    let tries = Duration::from_s(7);
    bench.impose(Fault::MediaError(MediaError {
        tries_ns: tries.0,
        ..unreadable(0, SECTOR)
    }));
    let failing = bench.ask(READ, 0, SECTOR);
    assert_eq!(failing.breakdown.slowed, tries);
    assert_eq!(plain.breakdown.slowed, Duration::ZERO);
    assert!(
        failing.cause().starts_with("slowed on request: 7 s"),
        "{}",
        failing.cause()
    );
}

/// Writes sector 0 so that it is staged over what lies at home, with sector 1 at home alone.
fn staged_over_home(profile: &Profile) -> Bench {
    let mut bench = Bench::new(profile);
    bench.ask(FUA, 0, 2 * SECTOR);
    bench.rest(Duration::from_s(1000));
    assert_eq!(
        bench.drive.status(bench.now).dirty_bands,
        0,
        "all is at home"
    );
    bench.ask(FUA, 0, SECTOR);
    assert_eq!(bench.drive.status(bench.now).dirty_bands, 1);
    bench
}

#[test]
fn an_error_at_home_spares_what_is_staged_and_the_other_way_round() {
    let check = |place, expected: [Option<FailingKind>; 2]| {
        let mut bench = staged_over_home(&tiny());
        bench.impose(Fault::MediaError(MediaError {
            place,
            ..unreadable(0, 2 * SECTOR)
        }));
        let found = [0, SECTOR].map(|at| bench.fails(READ, at));
        assert_eq!(found, expected, "{place:?}");
    };
    let bad = |lba| Some(FailingKind::Unreadable(Lba(lba)));
    check(Whereabouts::Anywhere, [bad(0), bad(1)]);
    check(Whereabouts::Home, [None, bad(1)]);
    check(Whereabouts::Staged, [bad(0), None]);
}

#[test]
fn cleaning_carries_over_all_but_what_it_cannot_read_and_that_stays_unreadable() {
    let bad = |lba| Some(FailingKind::Unreadable(Lba(lba)));
    for (place, lost, kept) in [(Whereabouts::Home, 1, 0), (Whereabouts::Staged, 0, 1)] {
        let mut bench = staged_over_home(&tiny());
        let tries = Duration::from_s(2);
        let id = bench.impose(Fault::MediaError(MediaError {
            place,
            lasts: Lasts::UntilRewritten,
            tries_ns: tries.0,
            ..unreadable(0, 2 * SECTOR)
        }));
        let begun = bench.now;
        bench.rest(Duration::from_s(1000));
        let status = bench.drive.status(bench.now);
        assert_eq!(status.dirty_bands, 0, "the band was cleaned");
        assert!(bench.now.since(begun) > tries);
        let noted = bench.noted(id);
        assert_eq!(noted.len(), 1, "{noted:?}");
        assert!(noted[0].contains("could not read 1 sectors"), "{noted:?}");
        // Both lie at home now. Only the one that could not be read is lost; the other is readable
        // unless the error says that its home is not.
        assert_eq!(bench.fails(READ, lost * SECTOR), bad(lost));
        let at_home = (place == Whereabouts::Home).then_some(FailingKind::Unreadable(Lba(kept)));
        assert_eq!(bench.fails(READ, kept * SECTOR), at_home);
        bench.ask(FUA, 0, 2 * SECTOR);
        assert_eq!(bench.in_force(), 0);
        bench.rest(Duration::from_s(1000));
        assert_eq!([0, SECTOR].map(|at| bench.fails(READ, at)), [None, None]);
    }
}

#[test]
fn nothing_is_answered_in_a_stall_and_waiting_says_why() {
    for profile in [lazy(), conventional()] {
        let mut bench = Bench::new(&profile);
        bench.ask(FUA, 0, SECTOR);
        let began = bench.now;
        let stall = Duration::from_s(40);
        bench.impose(Fault::Stall(Stall {
            duration_ns: Some(stall.0),
        }));
        let until = began + stall;
        assert_eq!(bench.holds, [Some(until)]);
        bench.rest(Duration::from_s(10));
        let read = bench.ask(READ, 0, SECTOR);
        assert!(read.due > until);
        // But for what the electronics take meanwhile.
        let waited = read.breakdown.stalled + read.breakdown.overhead;
        assert_eq!(waited, Duration::from_s(30));
        assert!(
            read.cause().starts_with("stalled on request: 30 s"),
            "{}",
            read.cause()
        );
        assert_eq!(bench.resumed, [until]);
        assert_eq!(bench.in_force(), 0);
        let after = bench.ask(READ, 0, SECTOR);
        assert_eq!(after.breakdown.stalled, Duration::ZERO);
    }
}

#[test]
fn a_stall_for_ever_lasts_until_it_is_lifted() {
    let mut bench = Bench::new(&lazy());
    bench.ask(FUA, 0, SECTOR);
    let id = bench.impose(Fault::Stall(Stall { duration_ns: None }));
    assert_eq!(bench.holds, [None]);
    bench.submit(READ, 0, SECTOR);
    bench.rest(Duration::from_s(100_000));
    assert_eq!(bench.drive.next_deadline(), None);
    let again = bench
        .drive
        .impose(bench.now, Fault::Stall(Stall { duration_ns: None }));
    assert_eq!(again, Err(FaultError::Stalled(id)));
    assert_eq!(bench.lift(Some(id)), 1);
    assert_eq!(bench.resumed, [bench.now]);
    let read = bench.settle();
    let waited = read.breakdown.stalled + read.breakdown.overhead;
    assert_eq!(waited, Duration::from_s(100_000));
}

#[test]
fn a_stall_that_begins_under_a_job_lets_the_arm_finish_it() {
    let mut bench = Bench::new(&lazy());
    bench.submit(FUA, 0, SECTOR);
    let job = bench.drive.next_deadline().unwrap();
    bench.now = job.at;
    bench.drive.advance(bench.now);
    bench.collect();
    bench.submit(READ, 0, SECTOR);
    bench.impose(Fault::Stall(Stall {
        duration_ns: Some(Duration::from_s(5).0),
    }));
    let until = bench.now + Duration::from_s(5);
    let read = bench.settle();
    assert!(read.due > until);
    let stalled = read.breakdown.stalled;
    assert!(
        stalled > Duration::from_s(4) && stalled < Duration::from_s(5),
        "{stalled}"
    );
}

#[test]
fn a_slow_mechanism_takes_so_many_times_as_long_and_tells_the_difference() {
    let took = |percent: Option<u64>| {
        let mut bench = Bench::new(&lazy());
        bench.ask(FUA, 0, SECTOR);
        bench.rest(Duration::from_s(3));
        if let Some(percent) = percent {
            bench.impose(Fault::Slow(Slow { percent }));
        }
        bench.ask(READ, 0, SECTOR)
    };
    let plain = took(None);
    let mechanism = plain.breakdown.seek + plain.breakdown.rotation + plain.breakdown.transfer;
    // The transfer to the host is none of the mechanism's.
    let slow = took(Some(300));
    let interface = mechanism.0.saturating_sub(slow.breakdown.slowed.0 / 2);
    assert!(interface < mechanism.0 / 10, "{plain:?} {slow:?}");
    assert_eq!(slow.breakdown.seek, plain.breakdown.seek);
    assert_eq!(slow.due.since(plain.due), slow.breakdown.slowed);
    assert_eq!(took(Some(100)).due, plain.due);
}

#[test]
fn a_read_only_drive_refuses_changes_and_answers_everything_else() {
    let mut bench = Bench::new(&lazy());
    bench.ask(FUA, 0, SECTOR);
    bench.impose(Fault::ReadOnly(Switch { on: true }));
    let zero = Operation::WriteZeroes {
        fua: false,
        may_deallocate: true,
    };
    for operation in [WRITE, FUA, zero, Operation::Trim] {
        assert_eq!(bench.fails(operation, 0), Some(FailingKind::ReadOnly));
    }
    assert_eq!(bench.fails(READ, 0), None);
    assert_eq!(bench.ask(Operation::Flush, 0, 0).failing, None);
    bench.impose(Fault::ReadOnly(Switch { on: false }));
    assert_eq!(bench.fails(WRITE, 0), None);
    assert_eq!(bench.in_force(), 0);
}

#[test]
fn with_the_cache_switched_off_writes_reach_the_medium_before_they_are_answered() {
    let mut bench = Bench::new(&lazy());
    bench.ask(WRITE, 0, SECTOR);
    assert_eq!(bench.drive.status(bench.now).cached_bytes, SECTOR);
    bench.impose(Fault::WriteCache(Switch { on: false }));
    bench.rest(Duration::from_ms(500));
    assert_eq!(
        bench.drive.status(bench.now).cached_bytes,
        0,
        "it goes to the medium"
    );
    let write = bench.ask(WRITE, SECTOR, SECTOR);
    assert!(write.needs.is_some());
    assert_eq!(bench.drive.status(bench.now).cached_bytes, 0);
    bench.impose(Fault::WriteCache(Switch { on: true }));
    assert_eq!(bench.in_force(), 0, "that is what the profile says");
    bench.ask(WRITE, SECTOR, SECTOR);
    assert_eq!(bench.drive.status(bench.now).cached_bytes, SECTOR);
}

#[test]
fn a_cache_that_the_profile_leaves_off_can_be_switched_on_if_it_has_bytes() {
    let mut profile = lazy();
    profile.write_cache.enabled = false;
    let mut bench = Bench::new(&profile);
    bench.impose(Fault::WriteCache(Switch { on: true }));
    bench.ask(WRITE, 0, SECTOR);
    assert_eq!(bench.drive.status(bench.now).cached_bytes, SECTOR);
    assert_eq!(bench.lift(None), 1);
    bench.rest(Duration::from_s(1));
    assert_eq!(bench.drive.status(bench.now).cached_bytes, 0);
    profile.write_cache.bytes = 0;
    let mut without = open::imagined(&profile).unwrap();
    let refused = without.impose(Instant(0), Fault::WriteCache(Switch { on: true }));
    assert_eq!(refused, Err(FaultError::NoCache));
}

#[test]
fn commands_fail_in_a_row_at_once_or_after_cleaning_in_the_foreground() {
    let mut bench = Bench::new(&tiny());
    bench.impose(Fault::FailCommands(FailCommands {
        commands: 2,
        after_bands_cleaned: 0,
    }));
    assert_eq!(bench.fails(READ, 0), Some(FailingKind::Aborted));
    let flush = bench.ask(Operation::Flush, 0, 0);
    assert_eq!(flush.failing.unwrap().kind, FailingKind::Aborted);
    assert_eq!(bench.fails(READ, 0), None);
    bench.impose(Fault::FailCommands(FailCommands {
        commands: 3,
        after_bands_cleaned: 2,
    }));
    let (mut failed, mut at) = (Vec::new(), 0);
    for turn in 0..4000 {
        at = (at + 997 * SECTOR) % bench.capacity;
        let before = bench
            .drive
            .status(bench.now)
            .counters
            .bands_cleaned_foreground;
        if bench.fails(FUA, at).is_some() {
            failed.push(turn);
            assert!(before >= 2, "not before two bands were cleaned");
        }
    }
    assert_eq!(failed.len(), 3);
    assert_eq!(failed[2] - failed[0], 2, "in a row: {failed:?}");
}

/// Movements of a purpose in a plan.
fn movements(plan: &Plan, wanted: Option<Purpose>) -> usize {
    let of = |step: &Step| match step {
        Step::Move(movement) => (!movement.buffered).then_some(movement.purpose),
        Step::Record(record) => Some(record.purpose),
        Step::Order | Step::Barrier => None,
    };
    let found = plan.steps.iter().filter_map(of);
    found
        .filter(|purpose| wanted.is_none_or(|w| w == *purpose))
        .count()
}

#[test]
fn the_power_goes_right_after_the_movement_that_was_asked_for() {
    for purpose in [None, Some(Purpose::Stage), Some(Purpose::CleanWrite)] {
        for after in 1..6 {
            let mut bench = Bench::new(&tiny());
            bench.ask(FUA, 0, SECTOR);
            bench.rest(Duration::from_s(1000));
            bench.plans.clear();
            bench.impose(Fault::PowerCut(PowerCut {
                after_movements: after,
                purpose,
                stay_off: false,
            }));
            let mut turn = 0;
            while bench.drive.power_lost().is_none() {
                turn += 1;
                bench.submit(FUA, turn * 8 * SECTOR, SECTOR);
                bench.rest(Duration::from_s(100));
                assert!(turn < 100, "the power stays");
            }
            let made: usize = bench
                .plans
                .iter()
                .map(|plan| movements(plan, purpose))
                .sum();
            assert_eq!(u64::try_from(made).unwrap(), after, "{purpose:?}");
            let last = bench.plans.last().unwrap();
            let counted = |step: &Step| matches!(step, Step::Move(_) | Step::Record(_));
            assert!(last.steps.last().is_some_and(counted), "it ends there");
            let answers = bench.answers.len();
            bench.submit(READ, 0, SECTOR);
            bench.rest(Duration::from_s(1000));
            assert_eq!(bench.answers.len(), answers, "nothing happens any more");
            assert_eq!(bench.drive.next_deadline(), None);
        }
    }
}

#[test]
fn errors_of_the_medium_and_settings_outlive_a_power_cut_and_the_rest_does_not() {
    let mut bench = Bench::new(&lazy());
    bench.ask(FUA, 0, SECTOR);
    let written = bench.drive.status(bench.now).counters.host_writes;
    bench.impose(Fault::MediaError(unreadable(0, SECTOR)));
    bench.impose(Fault::Slow(Slow { percent: 200 }));
    bench.impose(Fault::WriteCache(Switch { on: false }));
    bench.impose(Fault::FailCommands(FailCommands {
        commands: 9,
        after_bands_cleaned: 9,
    }));
    bench.impose(Fault::Stall(Stall { duration_ns: None }));
    bench.impose(Fault::PowerCut(PowerCut::default()));
    assert!(
        bench
            .drive
            .power_lost()
            .is_some_and(|loss| loss.at == bench.now)
    );
    bench.rest(Duration::from_s(5));
    let mut next = open::imagined(&lazy()).unwrap();
    next.succeed(&mut bench.drive, bench.now);
    bench.drive = next;
    assert_eq!(bench.drive.power_lost(), None);
    let kept: Vec<Fault> = bench
        .drive
        .standing()
        .into_iter()
        .map(|each| each.fault)
        .collect();
    let expected = [
        Fault::MediaError(unreadable(0, SECTOR)),
        Fault::Slow(Slow { percent: 200 }),
        Fault::WriteCache(Switch { on: false }),
    ];
    assert_eq!(kept, expected);
    assert_eq!(bench.fails(READ, 0), Some(FailingKind::Unreadable(Lba(0))));
    let write = bench.ask(WRITE, 0, SECTOR);
    assert!(write.needs.is_some(), "the cache is off");
    let counters = bench.drive.status(bench.now).counters;
    assert_eq!(counters.host_writes, written + 1, "counting goes on");
    let begun = bench
        .plans
        .iter()
        .filter(|plan| movements(plan, Some(Purpose::CleanRead)) > 0);
    assert_eq!(begun.count(), 0, "nothing happened while it was off");
}

#[test]
fn what_makes_no_sense_is_refused_and_changes_nothing() {
    let mut bench = Bench::new(&lazy());
    let capacity = bench.capacity;
    let media = |offset, bytes| Fault::MediaError(unreadable(offset, bytes));
    let lasting = |lasts, on| {
        Fault::MediaError(MediaError {
            lasts,
            on,
            ..unreadable(0, 1)
        })
    };
    let month = Duration::from_s(31 * 24 * 3600).0;
    let refused = [
        media(0, 0),
        media(capacity, 1),
        media(capacity - 1, 2),
        media(u64::MAX, u64::MAX),
        lasting(Lasts::Times(0), Commands::Reads),
        lasting(Lasts::UntilRewritten, Commands::Writes),
        Fault::Stall(Stall {
            duration_ns: Some(0),
        }),
        Fault::Stall(Stall {
            duration_ns: Some(month),
        }),
        Fault::Slow(Slow { percent: 99 }),
        Fault::Slow(Slow { percent: 100_001 }),
        Fault::FailCommands(FailCommands {
            commands: 0,
            after_bands_cleaned: 0,
        }),
    ];
    for fault in refused {
        let outcome = bench.drive.impose(bench.now, fault.clone());
        assert!(outcome.is_err(), "{fault:?}");
    }
    bench.collect();
    assert!(bench.notes.is_empty());
    assert_eq!(bench.in_force(), 0);
    assert!(
        bench
            .drive
            .impose(bench.now, media(capacity - 1, 1))
            .is_ok()
    );
    for _ in 1..256 {
        bench.impose(media(0, 1));
    }
    let full = bench.drive.impose(bench.now, media(0, 1));
    assert_eq!(full, Err(FaultError::TooMany));
}
