//! What each purpose moves, to the sector: everything that passes under the head is counted once, under the
//! purpose it has.

use imbrex::drive::request::Operation;
use imbrex::medium::movement::Purpose;
use imbrex::profile::Profile;
use imbrex::time::Duration;

use crate::stopwatch::{READ, Stopwatch, WRITE, Wanted};
use crate::{KIB, MIB, PAGE, SECOND_NS, in_use, uncached};

/// Sectors of a band of the desktop drive at the outer diameter: 24 tracks of 424.
const BAND: u64 = 24 * 424;
/// Half a track there: what a log entry is rounded up to.
const SLOT: u64 = 212 * PAGE;

/// What the medium moved meanwhile, by purpose; those that moved nothing are left out.
fn moved(drive: &mut Stopwatch, act: impl FnOnce(&mut Stopwatch)) -> Vec<(Purpose, u64)> {
    let before = drive.drive.status(drive.now).counters;
    act(drive);
    let after = drive.drive.status(drive.now).counters;
    let uses = Purpose::ALL.into_iter().enumerate();
    let uses = uses.map(|(i, purpose)| {
        let bytes = after.medium_bytes[i] - before.medium_bytes[i];
        let time = after.medium_ns[i] - before.medium_ns[i];
        assert_eq!(bytes > 0, time > 0, "{purpose:?}");
        (purpose, bytes)
    });
    uses.filter(|(_, bytes)| *bytes > 0).collect()
}

/// What cleaning moves when the drive is left alone for long enough.
fn cleaning(drive: &mut Stopwatch) -> Vec<(Purpose, u64)> {
    let found = moved(drive, |drive| drive.pause(20 * SECOND_NS));
    let status = drive.drive.status(drive.now);
    assert_eq!((status.counters.bands_cleaned, status.dirty_bands), (1, 0));
    found
}

fn desktop(change: impl FnOnce(&mut Profile)) -> Stopwatch {
    Stopwatch::of("desktop-5tb", |profile| {
        in_use(profile);
        change(profile);
    })
}

/// Sectors as purposes move them: none where there are none.
fn sectors(parts: &[(Purpose, u64)]) -> Vec<(Purpose, u64)> {
    let parts = parts.iter().filter(|(_, sectors)| *sectors > 0);
    parts
        .map(|(purpose, sectors)| (*purpose, sectors * PAGE))
        .collect()
}

#[test]
fn a_cleaning_passes_over_the_band_as_often_as_the_profile_says() {
    for (passes, copied, read_back) in [(2, 0, 0), (3, BAND, 0), (4, BAND, BAND)] {
        let mut drive = desktop(|profile| profile.cleaning.passes = passes);
        drive.closed_loop(1, [(WRITE, 100 * PAGE, PAGE)]);
        let expected = sectors(&[
            (Purpose::CleanRead, BAND - 1),
            (Purpose::CleanGather, 1),
            (Purpose::CleanCopy, copied),
            (Purpose::CleanVerify, read_back),
            (Purpose::CleanWrite, BAND),
        ]);
        assert_eq!(cleaning(&mut drive), expected, "{passes} passes");
    }
}

/// Whether `operation` counts as a discard for cleaning: half a band that is discarded is neither read nor
/// written, and one that is written is staged.
fn check_half(drive: &mut Stopwatch, operation: Operation, discards: bool) {
    let half = BAND / 2;
    drive.closed_loop(1, [(WRITE, 0, PAGE), (operation, half * PAGE, half * PAGE)]);
    let (gathered, all) = if discards {
        (1, half)
    } else {
        (1 + half, BAND)
    };
    let expected = sectors(&[
        (Purpose::CleanRead, half - 1),
        (Purpose::CleanGather, gathered),
        (Purpose::CleanCopy, all),
        (Purpose::CleanVerify, all),
        (Purpose::CleanWrite, all),
    ]);
    assert_eq!(cleaning(drive), expected, "{operation:?}");
}

fn zeroing(may_deallocate: bool) -> Operation {
    Operation::WriteZeroes {
        fua: false,
        may_deallocate,
    }
}

#[test]
fn what_was_discarded_at_the_end_of_a_band_is_not_cleaned_and_what_was_zeroed_is() {
    check_half(&mut desktop(|_| {}), Operation::Trim, true);
    check_half(&mut desktop(|_| {}), WRITE, false);
    check_half(&mut desktop(|_| {}), zeroing(false), false);
}

#[test]
fn zeroing_that_may_deallocate_is_a_discard_if_the_profile_says_so() {
    for discards in [false, true] {
        let mut drive = desktop(|profile| profile.trim.zeroes_deallocate = discards);
        check_half(&mut drive, zeroing(true), discards);
    }
}

#[test]
fn what_was_discarded_within_a_band_is_written_and_not_read() {
    let mut drive = desktop(|_| {});
    let discard = (Operation::Trim, 1_000 * PAGE, 2_000 * PAGE);
    drive.closed_loop(1, [(WRITE, 0, PAGE), discard]);
    let expected = sectors(&[
        (Purpose::CleanRead, BAND - 1 - 2_000),
        (Purpose::CleanGather, 1),
        (Purpose::CleanCopy, BAND),
        (Purpose::CleanVerify, BAND),
        (Purpose::CleanWrite, BAND),
    ]);
    assert_eq!(cleaning(&mut drive), expected);
}

/// A slot and a sector of record each; a merge passes over 27 tracks where the map lies.
#[test]
fn entries_records_and_merges_are_counted_once() {
    let mut drive = desktop(|_| {});
    let layout = drive.drive.translation().unwrap().layout();
    let map = layout.band(layout.map_half(0));
    let merged = 27 * u64::from(map.sectors_per_track);
    let wanted = (0..240).map(|i| (WRITE, i * 64 * MIB, PAGE));
    let found = moved(&mut drive, |drive| {
        drive.closed_loop(1, wanted);
    });
    let expected = [
        (Purpose::Stage, 240 * SLOT),
        (Purpose::OutOfBand, 240 * PAGE),
        (Purpose::MapMerge, merged * PAGE),
    ];
    assert_eq!(found, expected);
}

/// A run of 2 MiB goes straight to its band, one that is a sector shorter through the staging area; without
/// the cache so does any.
#[test]
fn runs_are_direct_from_their_length_on_and_with_the_cache_only() {
    let staged = |bytes: u64, entries: u64| {
        let stage = (Purpose::Stage, bytes.next_multiple_of(SLOT));
        vec![stage, (Purpose::OutOfBand, entries * PAGE)]
    };
    for (cached, bytes, expected) in [
        (true, 2 * MIB, vec![(Purpose::Bypass, 2 * MIB)]),
        (true, 2 * MIB - PAGE, staged(2 * MIB - PAGE, 1)),
        (false, 2 * MIB, staged(2 * MIB, 1)),
        // An entry has at most eight slots.
        (false, 12 * MIB, staged(12 * MIB, 2)),
    ] {
        let mut drive = desktop(|profile| profile.write_cache.enabled = cached);
        let found = moved(&mut drive, |drive| {
            drive.closed_loop(1, [(WRITE, 0, bytes)]);
            // Longer than the cache waits, shorter than cleaning does.
            drive.pause(900_000_000);
        });
        assert_eq!(found, expected, "cached {cached}, {bytes} bytes");
    }
}

#[test]
fn the_control_moves_what_was_asked_for_and_the_rest_of_a_sector() {
    let mut drive = Stopwatch::of("control-5tb", |profile| {
        uncached(profile);
        profile.read_ahead_bytes = 64 * KIB;
    });
    for (wanted, expected) in [
        ((READ, MIB, 64 * KIB), vec![(Purpose::HostRead, 64 * KIB)]),
        // Held in the buffer; the drive takes it for a sequential reader and reads on.
        ((READ, MIB, 64 * KIB), vec![(Purpose::ReadAhead, 64 * KIB)]),
        ((WRITE, 0, 8 * KIB), vec![(Purpose::HostWrite, 8 * KIB)]),
        (
            (WRITE, 7 * 512, 2 * 512),
            vec![
                (Purpose::HostWrite, 2 * PAGE),
                (Purpose::PartialRead, 2 * PAGE),
            ],
        ),
    ] {
        let found = moved(&mut drive, |drive| {
            drive.closed_loop(1, [wanted]);
        });
        assert_eq!(found, expected, "{wanted:?}");
    }
    // Sequential reads, and then as much as the buffer holds.
    let found = moved(&mut drive, |drive| {
        drive.closed_loop(1, [(READ, 9 * MIB, PAGE), (READ, 9 * MIB + PAGE, PAGE)]);
        drive.pause(SECOND_NS);
    });
    let expected = [
        (Purpose::HostRead, 2 * PAGE),
        (Purpose::ReadAhead, 64 * KIB),
    ];
    assert_eq!(found, expected);
}

/// 600 MB/s at the interface, to the nanosecond below.
fn interface(bytes: u64) -> u64 {
    bytes * 10 / 6
}

const ELECTRONICS_NS: u64 = 100_000;

fn took(drive: &mut Stopwatch, wanted: Wanted) -> Duration {
    let done = drive.closed_loop(1, [wanted]);
    done[0].due.since(done[0].arrived)
}

#[test]
fn what_needs_no_arm_takes_the_electronics_and_the_interface() {
    for bytes in [PAGE, 64 * KIB, MIB] {
        let mut drive = Stopwatch::of("desktop-5tb", |_| {});
        // Into the cache, out of it, and from where nothing was ever written.
        for wanted in [(WRITE, 0, bytes), (READ, 0, bytes), (READ, 1 << 30, bytes)] {
            let expected = Duration(ELECTRONICS_NS + interface(bytes));
            assert_eq!(took(&mut drive, wanted), expected, "{wanted:?}");
        }
        // No bytes come with these.
        drive.pause(60 * SECOND_NS);
        for operation in [Operation::Trim, zeroing(false), zeroing(true)] {
            let found = took(&mut drive, (operation, 0, bytes));
            assert_eq!(found, Duration(ELECTRONICS_NS), "{operation:?}");
        }
        drive.pause(60 * SECOND_NS);
        let flush = took(&mut drive, (Operation::Flush, 0, 0));
        assert_eq!(flush, Duration(ELECTRONICS_NS));
    }
}

/// Half a track takes half of 60 s / 5,900; the interface comes after, in both directions.
#[test]
fn what_the_arm_moves_takes_the_interface_behind_it() {
    let half_turn = 30_000_000_000_u64.div_ceil(5_900);
    let mut drive = desktop(|_| {});
    for bytes in [PAGE, 64 * KIB, 212 * PAGE] {
        let done = drive.closed_loop(1, [(WRITE, 0, bytes)]);
        let expected = half_turn + interface(bytes);
        assert_eq!(done[0].breakdown.transfer, Duration(expected), "{bytes}");
    }
    let mut control = Stopwatch::of("control-5tb", |profile| profile.read_ahead_bytes = 0);
    let done = control.closed_loop(1, [(READ, 0, 212 * PAGE)]);
    let expected = half_turn + interface(212 * PAGE);
    // The head may have waited for up to 16 ns past the beginning of the first sector.
    let found = done[0].breakdown.transfer.0;
    assert!(found.abs_diff(expected) <= 17, "{found}, not {expected}");
}
