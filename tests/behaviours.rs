//! Behaviours of shingled drives that are known to the trade (common practice), found again in
//! virtual time by black-box requests only.

mod stopwatch;

use imbrex::drive::request::{Completion, Operation};
use imbrex::medium::movement::Purpose;
use imbrex::profile::Profile;
use imbrex::units::Lba;
use stopwatch::{READ, Stopwatch, WRITE, Wanted, ms};

const KIB: u64 = 1 << 10;
const MIB: u64 = 1 << 20;
/// One revolution at 5,900 rpm, by arithmetic.
const REVOLUTION_MS: f64 = 60_000.0 / 5_900.0;

fn uncached(profile: &mut Profile) {
    profile.write_cache.enabled = false;
}

/// Every band counts as written: a drive in use, or one that the factory has formatted.
fn in_use(profile: &mut Profile) {
    profile.drive.formatted = true;
}

/// Numbers that look random and are the same in every run.
fn scattered(count: u64, below: u64) -> impl Iterator<Item = u64> {
    (1..=count).scan(0x9E37_79B9_7F4A_7C15_u64, move |state, _| {
        *state ^= *state << 13;
        *state ^= *state >> 7;
        *state ^= *state << 17;
        Some(*state % below)
    })
}

fn writes(places: impl Iterator<Item = u64>, bytes: u64) -> impl Iterator<Item = Wanted> {
    places.map(move |place| (WRITE, place, bytes))
}

fn latencies(completions: &[Completion]) -> Vec<f64> {
    completions.iter().map(ms).collect()
}

#[track_caller]
fn assert_near(found: f64, expected: f64, tolerance: f64) {
    assert!(
        (found - expected).abs() <= tolerance,
        "{found} is not within {tolerance} of {expected}"
    );
}

#[track_caller]
fn assert_constant(latencies: &[f64], expected: f64, tolerance: f64) {
    for latency in latencies {
        assert_near(*latency, expected, tolerance);
    }
}

/// Behaviour of any disk: a synchronous sequential writer misses a revolution each time, because the
/// next sector has just passed when the next request comes.
#[test]
fn a_synchronous_sequential_write_on_the_control_misses_a_revolution_each_time() {
    let mut control = Stopwatch::of("control-5tb", uncached);
    let done = control.closed_loop(1, writes((0..64).map(|i| i * 4 * KIB), 4 * KIB));
    // A sector on the outer tracks is 24 µs; the first write does not follow another.
    assert_constant(&latencies(&done)[1..], REVOLUTION_MS, 0.05);
}

#[test]
fn a_full_track_takes_a_revolution() {
    let mut control = Stopwatch::of("control-5tb", uncached);
    let track = 424 * 4 * KIB;
    control.closed_loop(1, [(READ, 0, 4 * KIB)]);
    let done = control.closed_loop(1, [(READ, 2 * track, track)]);
    let transfer = done[0].breakdown.transfer.0;
    // The interface adds the track's bytes at 600 MB/s: 2.9 ms.
    let media = ms_of(transfer) - 1_736_704.0 / 600_000.0;
    assert_near(media, REVOLUTION_MS, 0.01);
}

/// The next band lies on the next surface: 1 ms to change heads, at the same time as the arm moves back to
/// the band's first track, and 0.5 ms to settle before a write. A band of the control is 24 tracks of 424
/// sectors; a move over 23 of 509,999 tracks takes 1 + 18.4 sqrt(23 / 509,999) = 1.12356 ms.
#[test]
fn heads_change_while_the_arm_moves_and_writes_settle() {
    let mut control = Stopwatch::of("control-5tb", |profile| {
        uncached(profile);
        profile.read_ahead_bytes = 0;
    });
    let band = 24 * 424 * 4 * KIB;
    let mut seek = |operation, at| {
        let done = control.closed_loop(1, [(operation, at, 4 * KIB)]);
        ms_of(done[0].breakdown.seek.0)
    };
    seek(READ, 0);
    assert_near(seek(READ, band), 1.0, 0.0);
    assert_near(seek(WRITE, 0), 1.5, 0.0);
    seek(READ, band - 4 * KIB);
    assert_near(seek(READ, band), 1.123, 0.0);
    seek(READ, band - 4 * KIB);
    assert_near(seek(WRITE, band), 1.623, 0.0);
}

/// The read buffer is as large as `read_ahead.bytes`: of a longer read it keeps the end.
#[test]
fn what_was_read_last_is_read_again_at_once_as_far_as_the_buffer_goes() {
    let of = |buffer: u64| {
        let mut control = Stopwatch::of("control-5tb", |profile| {
            uncached(profile);
            profile.read_ahead_bytes = buffer;
        });
        control.closed_loop(1, [(READ, 0, MIB)]);
        control
    };
    let again = |drive: &Stopwatch, at: u64, bytes: u64| {
        let done = drive.clone().closed_loop(1, [(READ, at, bytes)]);
        let parts = done[0].breakdown;
        ms_of((parts.seek + parts.rotation).0)
    };
    let buffered = of(64 * KIB);
    assert_near(again(&buffered, MIB - 64 * KIB, 64 * KIB), 0.0, 0.0);
    assert!(again(&buffered, MIB - 68 * KIB, 4 * KIB) > 1.0);
    assert!(again(&buffered, 0, 64 * KIB) > 1.0);
    // Without a buffer not even the last sector is there: the arm stands right behind it, and 0.13 ms
    // of the turn are the sector itself, the interface and the electronics.
    let mut bare = of(0);
    bare.closed_loop(1, [(READ, 0, 4 * KIB)]);
    assert_near(again(&bare, 0, 4 * KIB), REVOLUTION_MS - 0.13, 0.01);
}

/// Behind a sequential reader the drive reads on for as much as the buffer holds, and no further.
#[test]
fn a_sequential_reader_finds_as_much_ahead_as_the_buffer_holds() {
    let mut control = Stopwatch::of("control-5tb", |profile| {
        uncached(profile);
        profile.read_ahead_bytes = 64 * KIB;
    });
    control.closed_loop(1, [(READ, 0, 4 * KIB), (READ, 4 * KIB, 4 * KIB)]);
    control.pause(1_000_000_000);
    let took = |at: u64| ms(&control.clone().closed_loop(1, [(READ, at, 4 * KIB)])[0]);
    // Electronics and the interface.
    assert_near(took((8 + 60) * KIB), 0.107, 0.002);
    assert!(took((8 + 64) * KIB) > 0.12, "a sector has to pass");
}

fn ms_of(ns: u64) -> f64 {
    f64::from(u32::try_from(ns / 1_000).expect("below an hour")) / 1_000.0
}

#[test]
fn random_writes_in_a_small_region_take_constant_time_on_every_staged_profile() {
    // 7,200 and 5,400 rpm profiles do not occur: the plain-entry profiles turn at 5,400.
    let missed = 60_000.0 / 5_400.0;
    for (name, expected, tolerance) in [("inner-4tb", missed, 0.1), ("spread-4tb", missed, 0.1)] {
        let mut drive = Stopwatch::of(name, uncached);
        let done = drive.closed_loop(
            1,
            writes(scattered(200, 1000).map(|i| i * 4 * KIB), 4 * KIB),
        );
        assert_constant(&latencies(&done)[1..], expected, tolerance);
    }
    let mut flash = Stopwatch::of("flash-4tb", uncached);
    let done = flash.closed_loop(
        1,
        writes(scattered(200, 1000).map(|i| i * 4 * KIB), 4 * KIB),
    );
    assert!(latencies(&done).iter().all(|&latency| latency < 1.0));
    let mut control = Stopwatch::of("control-5tb", uncached);
    let done = control.closed_loop(
        1,
        writes(scattered(200, 100_000).map(|i| i * 4 * KIB), 4 * KIB),
    );
    let mut spread = latencies(&done);
    spread.sort_by(f64::total_cmp);
    assert!(
        spread[190] - spread[10] > 0.5 * REVOLUTION_MS,
        "the control's latency varies with the angle"
    );
}

/// Two revolutions out-of-band and half a track: 2.5 revolutions = 25.42 ms.
#[test]
fn a_synchronous_small_write_on_the_desktop_takes_two_and_a_half_revolutions() {
    let mut desktop = Stopwatch::of("desktop-5tb", uncached);
    let done = desktop.closed_loop(
        1,
        writes(scattered(239, 1 << 20).map(|i| i * 4 * MIB), 4 * KIB),
    );
    // 0.1 ms of electronics.
    assert_constant(&latencies(&done)[1..], 2.5 * REVOLUTION_MS + 0.1, 0.02);
}

/// The map is merged every 240th entry: the arm goes to the middle diameter, stays about 300 ms,
/// returns.
#[test]
fn every_240th_entry_on_the_desktop_waits_for_the_merge_of_the_map() {
    let mut desktop = Stopwatch::of("desktop-5tb", uncached);
    let done = desktop.closed_loop(
        1,
        writes(scattered(720, 1 << 20).map(|i| i * 4 * MIB), 4 * KIB),
    );
    for (i, completion) in (1..).zip(&done) {
        if i % 240 == 0 {
            assert_near(ms(completion), 325.0, 8.0);
            assert_near(ms_of(completion.breakdown.merge.0), 300.0, 8.0);
        } else if i > 1 {
            assert_near(ms(completion), 2.5 * REVOLUTION_MS + 0.1, 0.02);
        }
    }
}

#[test]
fn the_first_write_from_a_parked_arm_shows_the_seek() {
    let mut inner = Stopwatch::of("inner-4tb", uncached);
    let done = inner.closed_loop(1, writes((0..10).map(|i| i * 4 * KIB), 4 * KIB));
    let later = latencies(&done)[5];
    // The staging area is at the inner diameter, nearly a full stroke away.
    assert!(
        ms(&done[0]) > later + 15.0,
        "{} after {later}",
        ms(&done[0])
    );
}

/// 31 writes that wait together share an entry, whose payload is rounded up to half tracks of
/// 848 KiB: 212 sectors of 4 KiB. A request that ends within a sector takes all of it up, so 26 KiB count
/// as 7 sectors and 31 of them as 217.
#[test]
fn with_a_full_queue_latency_rises_by_half_tracks_of_payload() {
    let steps = [
        (4, 2.5),
        (24, 2.5),
        (26, 3.0),
        (28, 3.0),
        (52, 3.0),
        (54, 3.5),
        (56, 3.5),
        (80, 3.5),
        (82, 4.0),
        (84, 4.0),
        (108, 4.0),
        (112, 4.5),
    ];
    for (kib, revolutions) in steps {
        let mut desktop = Stopwatch::of("desktop-5tb", uncached);
        let done = desktop.closed_loop(
            31,
            writes(scattered(31 * 6, 1 << 20).map(|i| i * 4 * MIB), kib * KIB),
        );
        let settled = &latencies(&done)[31 * 3..];
        // Up to 0.2 ms for electronics and the interface.
        assert_constant(settled, revolutions * REVOLUTION_MS + 0.1, 0.2);
    }
}

#[test]
fn at_64_kib_latency_steps_at_13_and_26_requests_under_way() {
    for depth in 1..=31 {
        let revolutions = match depth {
            ..=13 => 2.5,
            14..=26 => 3.0,
            _ => 3.5,
        };
        let mut desktop = Stopwatch::of("desktop-5tb", uncached);
        let requests = writes(
            scattered(u64::try_from(depth).unwrap() * 6, 1 << 20).map(|i| i * 4 * MIB),
            64 * KIB,
        );
        let done = desktop.closed_loop(depth, requests);
        assert_constant(
            &latencies(&done)[depth * 3..],
            revolutions * REVOLUTION_MS + 0.2,
            0.25,
        );
    }
}

/// Mean latency of reading `bytes` in order after every other block of them was overwritten.
fn fragmented_read(name: &str, at: u64) -> f64 {
    let mut drive = Stopwatch::of(name, |profile| {
        uncached(profile);
        in_use(profile);
        profile.cleaning.idle_delay = imbrex::time::Duration::from_s(1_000_000);
    });
    let blocks = 128;
    drive.closed_loop(1, writes((0..blocks).map(|i| at + i * 8 * KIB), 4 * KIB));
    let reads = (0..2 * blocks).map(|i| (READ, at + i * 4 * KIB, 4 * KIB));
    let done = drive.closed_loop(1, reads);
    let all = latencies(&done);
    all.iter().sum::<f64>() / 256.0
}

#[test]
fn fragmented_reads_cost_more_the_farther_the_staging_area_is() {
    for (name, rises) in [("inner-4tb", false), ("desktop-5tb", true)] {
        let [low, middle, high] =
            [100_u64, 2_000, 3_600].map(|gib| fragmented_read(name, gib << 30));
        if rises {
            assert!(
                low < middle && middle < high,
                "{name}: {low} {middle} {high}"
            );
        } else {
            assert!(
                low > middle && middle > high,
                "{name}: {low} {middle} {high}"
            );
        }
        assert!(
            (low - high).abs() > 5.0,
            "{name}: half a stroke is over 10 ms there and back"
        );
    }
    let spread =
        [100_u64, 1_000, 2_000, 3_000, 3_600].map(|gib| fragmented_read("spread-4tb", gib << 30));
    let (least, most) = spread
        .iter()
        .fold((f64::MAX, 0.0_f64), |(a, b), &v| (a.min(v), b.max(v)));
    // A region is at most a 32nd of the stroke away: under 2 ms each way around the mean.
    assert!(
        most - least < 4.0,
        "flat within a region's reach: {spread:?}"
    );
}

#[test]
fn random_writes_over_the_whole_desktop_fill_the_staging_area_in_fifteen_minutes() {
    let mut desktop = Stopwatch::of("desktop-5tb", |profile| {
        uncached(profile);
        in_use(profile);
    });
    let sectors = 5_000_000_000_000 / 4096;
    let done = desktop.closed_loop(
        1,
        writes(scattered(33_800, sectors).map(|i| i * 4096), 4096),
    );
    let first = done
        .iter()
        .position(|c| c.breakdown.room.0 > 0)
        .expect("it fills");
    assert_eq!(first, 33_744, "one slot of half a track for each");
    // 33,744 x 25.42 ms and 140 merges of 0.3 s are 899.9 s; 0.1 ms of electronics for each write add
    // 3.4 s, and a merge takes 27 whole tracks and two seeks, 5 ms more than 0.3 s.
    assert_near(ms_of(done[first].arrived.0 / 1000), 899.9 + 3.4 + 0.7, 0.5);
    let after = &done[first..];
    let longest = latencies(after).into_iter().fold(0.0, f64::max);
    assert!(
        longest > 1_000.0,
        "then writes wait for whole bands: {longest}"
    );

    // Draining takes hours: four passes of a band are 1.137 s by arithmetic (24 tracks with their
    // switches, and a seek of 14.6 ms on average, four times); 30,423 dirty bands make 9.6 h.
    let dirty = desktop.drive.status(desktop.now).dirty_bands;
    assert!((30_000..30_900).contains(&dirty), "{dirty} bands");
    let begun = desktop.now;
    while desktop.drive.status(desktop.now).dirty_bands > 0 {
        desktop.pause(60_000_000_000);
    }
    let hours = ms_of((desktop.now.0 - begun.0) / 1_000_000) / 3.6;
    assert_near(hours, 9.6, 0.5);
}

#[test]
fn with_the_cache_on_long_sequential_writes_run_at_full_speed_straight_to_their_bands() {
    let mut desktop = Stopwatch::of("desktop-5tb", in_use);
    let done = desktop.closed_loop(4, writes((0..2_000).map(|i| i * MIB), MIB));
    let seconds = ms_of(done.last().unwrap().due.0 / 1000);
    // 154.9 MB/s on the outer tracks; the cache takes 64 MiB on top of what reached the bands.
    assert!(
        2_000.0 * 1.048_576 / seconds > 145.0,
        "{seconds} s for 2,000 MiB"
    );
    assert_eq!(
        desktop.drive.status(desktop.now).counters.entries,
        0,
        "nothing was staged"
    );

    let mut uncached_desktop = Stopwatch::of("desktop-5tb", uncached);
    uncached_desktop.closed_loop(4, writes((0..200).map(|i| i * MIB), MIB));
    assert!(
        uncached_desktop
            .drive
            .status(uncached_desktop.now)
            .counters
            .entries
            > 0
    );
}

/// A stream that begins inside a band is staged to the end of that band and no further.
#[test]
fn a_long_sequential_write_from_the_middle_of_a_band_goes_straight_to_the_next_ones() {
    let mut desktop = Stopwatch::of("desktop-5tb", in_use);
    let begin = 4096 * MIB;
    desktop.closed_loop(4, writes((0..2_000).map(|i| begin + i * MIB), MIB));
    desktop.pause(900_000_000);
    let layout = desktop.drive.translation().unwrap().layout();
    let (band, inside) = layout.home_of(Lba(begin / 4096));
    assert!(inside.0 > 0);
    let in_first = layout.home_extent(band).end().0 * 4096 - begin;
    // The last entry is filled up to half a track.
    assert_eq!(staged_bytes(&desktop), in_first.next_multiple_of(848 * KIB));
}

/// A file that is written in order stays a long sequential write when a flush cuts it into pieces: one
/// that crosses into the next band leaves a few sectors there, and they must not be staged, for the rest
/// of that band would follow them.
#[test]
fn a_stream_that_flushes_cut_into_pieces_goes_on_straight_to_its_bands() {
    let mut desktop = Stopwatch::of("desktop-5tb", in_use);
    desktop.closed_loop(4, writes((0..8).map(|i| i * MIB), MIB));
    let tail = 100 * KIB;
    let (layout, mut at) = (desktop.drive.translation().unwrap().layout(), 8 * MIB);
    let home_of = |offset: u64| layout.home_of(Lba(offset / 4096));
    let mut pieces = Vec::new();
    let mut few_behind_the_edge = 0;
    for number in 0..1000 {
        let bytes = if number % 3 == 2 { tail } else { MIB };
        pieces.extend([(WRITE, at, bytes), (Operation::Flush, 0, 0)]);
        at += bytes;
        let crossed = home_of(at - bytes).0 < home_of(at).0;
        few_behind_the_edge += u64::from(crossed && home_of(at).1.bytes() < tail);
    }
    assert!(
        few_behind_the_edge > 0,
        "some piece ends just behind an edge"
    );
    desktop.closed_loop(1, pieces);
    assert_eq!(staged_bytes(&desktop), 0);
}

fn staged_bytes(drive: &Stopwatch) -> u64 {
    let moved = drive.drive.status(drive.now).counters.medium_bytes;
    let by_purpose = Purpose::ALL.into_iter().zip(moved);
    by_purpose
        .filter(|(purpose, _)| *purpose == Purpose::Stage)
        .map(|(_, bytes)| bytes)
        .sum()
}

#[test]
fn aggressive_cleaning_starts_at_its_idle_delay_and_lazy_cleaning_not_before_its_mark() {
    let mut desktop = Stopwatch::of("desktop-5tb", uncached);
    desktop.closed_loop(
        1,
        writes(scattered(10, 1000).map(|i| i * 64 * MIB), 4 * KIB),
    );
    let cleaned = |drive: &Stopwatch| drive.drive.status(drive.now).counters.bands_cleaned;
    desktop.pause(999_000_000);
    assert_eq!(desktop.drive.status(desktop.now).cleaning_band, None);
    desktop.pause(30_000_000_000);
    assert_eq!(cleaned(&desktop), 10);

    let mut lazy = Stopwatch::of("archive-8tb", uncached);
    lazy.closed_loop(
        1,
        writes(scattered(10, 1000).map(|i| i * 64 * MIB), 4 * KIB),
    );
    lazy.pause(600_000_000_000);
    assert_eq!(cleaned(&lazy), 0, "far below the mark");
}

/// Time that the arm is busy until nothing is dirty.
fn cleaning_time(operation: Operation) -> u64 {
    let mut desktop = Stopwatch::of("desktop-5tb", |profile| {
        uncached(profile);
        in_use(profile);
    });
    // A band that starts at 0, half of it.
    desktop.closed_loop(1, (0..20).map(|i| (operation, i * MIB, MIB)));
    desktop.pause(60_000_000_000);
    let status = desktop.drive.status(desktop.now);
    assert_eq!(status.dirty_bands, 0);
    status.counters.medium_ns[8..12].iter().sum()
}

#[test]
fn a_trimmed_region_costs_less_to_clean_than_an_overwritten_one_and_a_zeroed_one_does_not() {
    let trimmed = cleaning_time(Operation::Trim);
    let overwritten = cleaning_time(WRITE);
    let zeroed = cleaning_time(Operation::WriteZeroes {
        fua: false,
        may_deallocate: false,
    });
    assert!(trimmed < overwritten / 2, "{trimmed} {overwritten}");
    // The same work; the arm only begins it at another angle.
    assert_near(ms_of(zeroed), ms_of(overwritten), 0.02 * ms_of(overwritten));
}

/// 35 GiB in ascending records of 1 MiB show no cliff; the same bytes in pieces of 32 KiB interleaved
/// over many bands do.
#[test]
fn ascending_megabytes_show_no_cliff_where_interleaved_pieces_do() {
    let gib = 35_u64;
    let mut calm = Stopwatch::of("desktop-5tb", in_use);
    let done = calm.closed_loop(4, writes((0..gib << 10).map(|i| i * MIB), MIB));
    let longest = latencies(&done).into_iter().fold(0.0, f64::max);
    assert!(longest < 500.0, "no request waits long: {longest} ms");

    let mut cliff = Stopwatch::of("desktop-5tb", in_use);
    let bands = 1_000;
    let pieces = gib * (1 << 15);
    let places = (0..pieces).map(|i| i % bands * 40 * MIB + i / bands * 32 * KIB);
    let done = cliff.closed_loop(31, writes(places, 32 * KIB));
    let longest = latencies(&done).into_iter().fold(0.0, f64::max);
    assert!(
        longest > 1_000.0,
        "the staging area is full and writes wait for bands: {longest} ms"
    );
}

/// Length in MiB of the longest stretch that reads evenly after scattered writes and a short pause:
/// the band that was cleaned meanwhile.
fn smooth_stretch(name: &str, at: u64) -> f64 {
    let mut drive = Stopwatch::of(name, |profile| {
        uncached(profile);
        in_use(profile);
        profile.cleaning.style = imbrex::profile::CleaningStyle::Aggressive;
    });
    let region = 512 * MIB;
    let blocks = region / (4 * KIB);
    drive.closed_loop(
        1,
        writes(scattered(6_000, blocks).map(|i| at + i * 4 * KIB), 4 * KIB),
    );
    while drive.drive.status(drive.now).counters.bands_cleaned == 0 {
        drive.pause(100_000_000);
    }
    // A host that reads keeps the drive from cleaning more.
    let chunk = 128 * KIB;
    let done = drive.closed_loop(
        1,
        (0..region / chunk).map(|i| (READ, at + i * chunk, chunk)),
    );
    let mut longest = 0_u64;
    let mut run = 0;
    for latency in latencies(&done) {
        // 128 KiB pass in 1.6 ms at the slowest; any detour to the staging area costs 8 ms or more.
        run = if latency < 6.0 { run + 1 } else { 0 };
        longest = longest.max(run);
    }
    f64::from(u32::try_from(longest * chunk / KIB).expect("below a TiB")) / 1024.0
}

#[test]
fn a_cleaned_band_reads_evenly_and_its_length_is_the_band() {
    // A stretch of untouched or luckily spared chunks at either end can lengthen it by a few.
    for (name, mib) in [
        ("inner-4tb", 40.0),
        ("flash-4tb", 40.0),
        ("spread-4tb", 20.0),
    ] {
        let found = smooth_stretch(name, 64 * MIB);
        assert!(
            (mib - 0.25..mib + 2.0).contains(&found),
            "{name}: {found} MiB"
        );
    }
    // Constant tracks for each band: the bytes shrink towards the inner diameter.
    let [outer, inner] = [10_u64, 4_500].map(|gib| smooth_stretch("desktop-5tb", gib << 30));
    assert!((39.5..42.0).contains(&outer), "outer: {outer} MiB");
    assert!((19.6..25.0).contains(&inner), "inner: {inner} MiB");
}
