//! Every wait of a request has its cause in words, in virtual time: what the drive was made to do is
//! what the sentence says.

mod stopwatch;

use imbrex::drive::request::{Completion, Operation};
use imbrex::profile::Profile;
use imbrex::time::{Duration, Instant};
use stopwatch::{READ, Stopwatch, WRITE, Wanted};

const KIB: u64 = 1 << 10;
const FLUSH: Wanted = (Operation::Flush, 0, 0);
/// 256 KiB a band in the outer zone of the tiny drive.
const BAND: u64 = 256 * KIB;

fn uncached(profile: &mut Profile) {
    profile.write_cache.enabled = false;
}

/// The parts of every answer are all of its time.
fn adds_up(done: &[Completion]) {
    for answer in done {
        let took = answer.due.since(answer.arrived);
        assert_eq!(answer.breakdown.modelled(), took, "{answer:?}");
    }
}

/// Two pages of each of these bands, far apart, one after the other.
fn dirty(bands: impl Iterator<Item = u64>) -> Vec<Wanted> {
    let pages = |band| [0, 60].map(|page| (WRITE, band * BAND + page * 4 * KIB, 4 * KIB));
    bands.flat_map(pages).collect()
}

/// What the last of 65 writes says, whose predecessors took all 64 slots: so many for each band.
fn waits_for_room(slots_per_band: u64) -> String {
    let mut tiny = Stopwatch::of("tiny", uncached);
    let spread = 64 / slots_per_band;
    let page = |i: u64| {
        let (band, page) = (i / slots_per_band % spread, i % slots_per_band);
        (WRITE, band * BAND + page * 16 * KIB, 4 * KIB)
    };
    let done = tiny.closed_loop(1, (0..64).map(page).chain([(WRITE, 31 * BAND, 8 * KIB)]));
    adds_up(&done);
    let (last, before) = done.split_last().expect("65 answers");
    let none_waits = before.iter().all(|answer| answer.breakdown.room.0 == 0);
    assert!(none_waits && last.breakdown.room.0 > 0, "{last:?}");
    let cause = last.cause();
    let named = format!("waited {} for room: ", last.breakdown.room);
    assert!(cause.starts_with(&named), "{cause}");
    cause[named.len()..].to_owned()
}

#[test]
fn a_write_that_waits_for_room_names_the_bands_that_are_cleaned() {
    // A staging band has 8 slots, and is free when nothing in it is needed any more.
    let one = waits_for_room(8);
    assert!(one.starts_with("cleaning band 0, "), "{one}");
    let four = waits_for_room(2);
    assert!(four.starts_with("cleaning 4 bands, band "), "{four}");
}

#[test]
fn a_read_behind_the_cleaning_of_a_band_names_it() {
    let mut tiny = Stopwatch::of("tiny", |profile| {
        uncached(profile);
        profile.cleaning.step = imbrex::profile::CleaningStep::Band;
    });
    tiny.closed_loop(1, dirty(7..8));
    // Idle for the delay, and then into the first step.
    let idle = Duration::from_s(1);
    tiny.pause(idle.0 + 5_000_000);
    assert_eq!(tiny.drive.status(tiny.now).cleaning_band, Some(7));
    let done = tiny.closed_loop(1, [(READ, 2 * BAND, 4 * KIB), (READ, 7 * BAND, 4 * KIB)]);
    adds_up(&done);
    let cleaning = done[1].breakdown.cleaning.0 + done[0].breakdown.cleaning.0;
    assert!(cleaning > 10_000_000, "{done:?}");
    let waited = done.iter().find(|answer| answer.behind.is_some());
    let cause = waited.expect("one of them").cause();
    assert!(cause.contains("for the cleaning of band 7"), "{cause}");
}

#[test]
fn a_flush_names_the_way_of_the_cache_to_the_medium() {
    let mut tiny = Stopwatch::of("tiny", |_| {});
    let mut wanted = dirty(0..4);
    wanted.push(FLUSH);
    let done = tiny.closed_loop(1, wanted);
    adds_up(&done);
    let flush = done.last().expect("answered");
    let destage = flush.breakdown.destage;
    assert!(flush.breakdown.queue < destage, "{:?}", flush.breakdown);
    let named = format!("the write cache took {destage} to get to the medium");
    assert!(flush.cause().starts_with(&named), "{}", flush.cause());
}

#[test]
fn a_write_that_finds_the_cache_full_says_so() {
    let mut tiny = Stopwatch::of("tiny", |_| {});
    // The cache has 64 KiB.
    let wanted = (0..40).map(|i| (WRITE, i * 5 * 8 * KIB, 4 * KIB));
    let done = tiny.closed_loop(1, wanted);
    adds_up(&done);
    let longest = done.iter().max_by_key(|answer| answer.breakdown.destage);
    let cause = longest.expect("answered").cause();
    assert!(cause.contains("for room in the write cache"), "{cause}");
}

#[test]
fn a_read_that_comes_while_the_map_is_merged_waits_for_the_merge() {
    let mut tiny = Stopwatch::of("tiny", uncached);
    // The eighth entry is followed by a merge.
    let done = tiny.closed_loop(1, dirty(0..3));
    adds_up(&done);
    tiny.closed_loop(1, dirty(3..4).into_iter().take(1));
    let eighth = dirty(3..4)[1];
    let probe = tiny.clone().closed_loop(1, [eighth]);
    let merge = probe[0].breakdown.merge;
    assert!(merge > Duration::ZERO, "{probe:?}");
    assert!(
        probe[0].cause().contains("for a merge of the map"),
        "{}",
        probe[0].cause()
    );
    // In the middle of the merge, which is the last that the arm does for the write.
    let arrives = Instant(probe[0].due.0 - merge.0 / 2);
    let done = tiny.open_loop([(tiny.now, eighth), (arrives, (READ, 20 * BAND, 4 * KIB))]);
    adds_up(&done);
    let read = done.iter().find(|answer| answer.operation == READ);
    let waited = read.expect("answered").breakdown.merge;
    let rest = done[0].due.since(arrives);
    // Its own electronics are part of the wait.
    assert!(
        waited <= rest && waited + Duration::from_us(200) >= rest,
        "{waited} of {rest}: {done:?}"
    );
}

#[test]
fn a_sector_that_has_just_passed_is_told_as_missed() {
    let mut control = Stopwatch::of("control-5tb", |profile| {
        uncached(profile);
        profile.read_ahead_bytes = 0;
    });
    let done = control.closed_loop(1, (0..3).map(|page| (WRITE, page * 4 * KIB, 4 * KIB)));
    adds_up(&done);
    for answer in &done[1..] {
        let missed = answer.missed_by.expect("the next page has just passed");
        // 5,900 rpm by arithmetic, to the microsecond.
        let revolution_us = 60_000_000 / 5_900;
        let waited_us = answer.breakdown.rotation.0 / 1000;
        assert!((waited_us + missed.0 / 1000).abs_diff(revolution_us) <= 1);
        assert!(
            answer.cause().contains("missed its sector by"),
            "{}",
            answer.cause()
        );
    }
    let behind = control.closed_loop(1, [(READ, 1 << 30, 4 * KIB)]);
    let turn = behind[0].breakdown.rotation.0;
    let nearly_whole = turn * 8 >= 7 * 60_000_000_000 / 5_900;
    assert_eq!(behind[0].missed_by.is_some(), nearly_whole);
}
