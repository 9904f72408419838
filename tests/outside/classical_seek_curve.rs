//! A published 1990s disk of 1.3 GB at 4,002 rpm, whose seek curve became the classical example.
//!
//! "An introduction to disk drive modeling", Computer 27(3), 1994, pages 17 to 28, tables of
//! parameters, and "UNIX disk access patterns", 1993, table 1 (both from memory): 1,962 cylinders, 19
//! tracks each, 72 sectors of 512 bytes, 2.2 ms of overhead, 1.6 ms to switch tracks; a move over d
//! cylinders takes 3.24 + 0.400 sqrt(d) ms up to 383 and 8.00 + 0.008 d beyond. What is compared was
//! derived from these by enumerating all moves. A sector here has 4,096 bytes; times do not mind.

use imbrex::mechanics::geometry::skew_sectors;
use imbrex::mechanics::rotation::Rotation;
use imbrex::mechanics::seek::SeekTimes;
use imbrex::profile::{Profile, QueueOrder, SeekCurve};
use imbrex::time::Duration;

use crate::dice::Dice;
use crate::figures::{in_ms, moments, near, ns, real};
use crate::mechanism::{conventional, filled, read, stopwatch, through};
use crate::stopwatch::{Wanted, ms};

const CYLINDERS: u32 = 1_962;
const TRACKS_PER_CYLINDER: u32 = 19;
const PER_TRACK: u32 = 72;

/// The published law for a stroke of so many cylinders, every move longer by `extra_ns`. Its pieces
/// fall by 4.15 us where they meet; from 383 to 384 cylinders it rises nevertheless.
pub(crate) fn published_law(cylinders: u32, extra_ns: u64) -> SeekCurve {
    let stroke = cylinders - 1;
    SeekCurve::RootThenLine {
        base: Duration(extra_ns + 3_240_000),
        root: Duration(ns(0.400 * f64::from(stroke).sqrt() + 5e-7)),
        knee_ppm: (383 * 1_000_000 / stroke + 1).min(1_000_000),
        far_base: Duration(extra_ns + 8_000_000),
        slope: Duration(8_000 * u64::from(stroke)),
    }
}

/// The disk without its overhead, every move longer by `extra_ns`.
pub(crate) fn disk(extra_ns: u64) -> Profile {
    let law = published_law(CYLINDERS, extra_ns);
    let mut profile = conventional(4_002_000, &[(CYLINDERS, PER_TRACK)], law);
    profile.platters.surfaces = TRACKS_PER_CYLINDER;
    filled(profile)
}

/// A read of 8 KiB anywhere, within a track.
pub(crate) fn anywhere(dice: &mut Dice) -> Wanted {
    let tracks = u64::from(CYLINDERS * TRACKS_PER_CYLINDER);
    read(
        dice.below(tracks) * u64::from(PER_TRACK) + dice.below(57),
        16,
    )
}

fn law() -> SeekTimes {
    SeekTimes::new(&disk(0).platters)
}

/// Mean of a function of the distance over all ordered pairs of cylinders.
fn over_all_pairs(of: impl Fn(u32) -> f64) -> f64 {
    let pairs = f64::from(CYLINDERS).powi(2);
    let further = (1..CYLINDERS).map(|d| 2.0 * f64::from(CYLINDERS - d) * of(d));
    (f64::from(CYLINDERS) * of(0) + further.sum::<f64>()) / pairs
}

/// Tolerance: 1 ns of rounding in the law, printed to six digits.
#[test]
fn single_moves_take_the_derived_times() {
    let law = law();
    for (distance, ms) in [
        (1, 3.64),
        (383, 11.068_154),
        (384, 11.072),
        (654, 13.232),
        (1_961, 23.688),
    ] {
        near("move", in_ms(law.time(distance)), ms, 3e-6);
    }
    // The pieces differ by -4.15 us where they meet, yet no longer move is faster.
    let times: Vec<Duration> = (0..CYLINDERS).map(|distance| law.time(distance)).collect();
    assert!(times.is_sorted());
    let SeekCurve::RootThenLine { root, .. } = published_law(CYLINDERS, 0) else {
        panic!("the published law has two pieces");
    };
    let at_knee = 3.24 + in_ms(root) * (383.0 / f64::from(CYLINDERS - 1)).sqrt();
    near("difference", 8.0 + 0.008 * 383.0 - at_knee, -0.004_15, 1e-5);
}

/// The published law is a valid profile as it stands; one in which a longer move is faster is not,
/// and the message says from where on it would be.
#[test]
fn the_published_law_is_accepted_and_one_that_falls_further_is_not() {
    let mut profile = disk(0);
    assert_eq!(
        Profile::from_toml("published", &profile.to_toml()),
        Ok(profile.clone())
    );
    // 8.00 ms less the 3.846 us that lie between the moves over 383 and 384 cylinders.
    for (far_base, allowed) in [(7_996_153, false), (7_996_154, true)] {
        let SeekCurve::RootThenLine { far_base: to, .. } = &mut profile.platters.seek else {
            panic!("the published law has two pieces");
        };
        *to = Duration(far_base);
        let times = SeekTimes::new(&profile.platters);
        assert_eq!(times.time(383) <= times.time(384), allowed);
        let read = Profile::from_toml("falling", &profile.to_toml());
        assert_eq!(read.is_ok(), allowed, "{far_base}: {read:?}");
        if let Err(error) = read {
            let said = error.to_string();
            assert!(said.contains("platters.seek.far_base"), "{said}");
            assert!(said.contains("at least \"7996154 ns\""), "{said}");
        }
    }
}

#[test]
fn the_mean_move_over_all_pairs_is_the_derived_one() {
    let law = law();
    let time = |distance| in_ms(law.time(distance));
    let mean = over_all_pairs(time);
    near("mean distance", over_all_pairs(f64::from), 653.999_83, 1e-5);
    near("mean", mean, 12.831_839, 2e-6);
    let variance = over_all_pairs(|distance| (time(distance) - mean).powi(2));
    near("variance", variance, 17.956_072, 2e-5);
    let excluding = mean * f64::from(CYLINDERS) / f64::from(CYLINDERS - 1);
    near("mean of real moves", excluding, 12.838_383, 2e-6);
    // The chance of a move on the square-root piece, told by its times.
    let near_piece = over_all_pairs(|d| f64::from(u32::from(law.time(d) < law.time(384))));
    near("up to the knee", near_piece, 0.352_722, 1e-6);
}

/// A maker's definition of the average seek ("5K320 SATA OEM Specification", 4.4.2): the sum of
/// (max + 1 - n) (in + out) over all n, divided by (max + 1) max. Moves by nothing do not count.
/// Every ordered pair of 24 tracks is gone to and from on the drive itself.
#[test]
fn moves_of_every_pair_average_to_the_makers_definition() {
    let tracks: u32 = 24;
    let profile = conventional(4_002_000, &[(tracks, 12)], published_law(tracks, 0));
    let mut watch = stopwatch(&profile);
    let mut sum = Duration::ZERO;
    for from in 0..u64::from(tracks) {
        for to in (0..u64::from(tracks)).filter(|&to| to != from) {
            watch.closed_loop(1, [read(from * 12, 1)]);
            sum += watch.closed_loop(1, [read(to * 12, 1)])[0].breakdown.seek;
        }
    }
    let law = SeekTimes::new(&profile.platters);
    let max = tracks - 1;
    let weighted = (1..=max).map(|n| f64::from(max + 1 - n) * 2.0 * in_ms(law.time(n)));
    let pairs = f64::from((max + 1) * max);
    near(
        "average seek",
        in_ms(sum) / pairs,
        weighted.sum::<f64>() / pairs,
        1e-9,
    );
}

/// Derived: T is 14.992504 ms, a sector takes 0.2082292 ms, the capacity is 1,374,216,192 bytes of
/// 512-byte sectors. Published skews (from memory): 8 sectors for a track, 18 for a cylinder.
#[test]
fn turn_sector_capacity_and_skews_are_those_published() {
    let rotation = Rotation::new(4_002_000);
    near("turn", in_ms(rotation.revolution()), 14.992_504, 1e-6);
    near(
        "sector",
        in_ms(rotation.sectors(1, PER_TRACK)),
        0.208_229_2,
        1e-6,
    );
    assert_eq!(disk(0).drive.capacity_bytes / 4_096 * 512, 1_374_216_192);
    assert_eq!(
        skew_sectors(&rotation, PER_TRACK, Duration::from_us(1_600)),
        8
    );
    assert_eq!(skew_sectors(&rotation, PER_TRACK, law().time(1)), 18);
}

/// Derived: 12.831839 + 7.496252 + 3.331668 ms for 16 sectors at random, 25.85976 with the overhead;
/// the deviation is 6.06 ms. Tolerance: four standard errors of 40,000 reads.
#[test]
fn random_reads_of_8_kib_take_the_derived_mean() {
    let mut profile = disk(0);
    profile.drive.command_overhead = Duration::from_us(2_200);
    let mut watch = stopwatch(&profile);
    let mut dice = Dice::new(3);
    let count = 40_000;
    let wanted = (0..count).map(|_| anywhere(&mut dice));
    let taken: Vec<f64> = watch.closed_loop(1, wanted).iter().map(ms).collect();
    let (mean, variance) = moments(&taken);
    // Answers are told in whole microseconds, cut.
    near(
        "mean",
        mean,
        25.859_76,
        4.0 * (36.69 / real(count)).sqrt() + 1e-3,
    );
    near(
        "variance",
        variance,
        36.687,
        4.0 * 36.69 * (2.0 / real(count)).sqrt(),
    );
}

/// Derived: of a square-root law the mean over all moves is 8/15 of the full stroke's part and a
/// third of the stroke sqrt(1/3) of it, so the rule of the third overstates it by 8.25 %.
#[test]
fn the_rule_of_the_third_overstates_a_square_root_by_8_percent() {
    let mut platters = disk(0).platters;
    let root = Duration::from_ms(20);
    platters.seek = SeekCurve::RootThenLine {
        base: Duration::ZERO,
        root,
        knee_ppm: 1_000_000,
        far_base: Duration::ZERO,
        slope: root,
    };
    let law = SeekTimes::new(&platters);
    let mean = over_all_pairs(|distance| in_ms(law.time(distance)));
    // The sum over cylinders differs from the integral by about their reciprocal.
    near("mean", mean, 20.0 * 8.0 / 15.0, 20.0 / f64::from(CYLINDERS));
    near(
        "third",
        in_ms(law.time(CYLINDERS / 3)) / mean,
        1.082_5,
        1e-3,
    );
}

/// Common practice: 1.0 + 18.4 sqrt(u) ms up to a quarter of the stroke, 5.6 + 18.4 u beyond. Derived:
/// knee 10.2, a third 11.7333, half 14.8, all 24.0, mean over all moves 11.369167 ms. This is the
/// curve of the shipped profiles; a third is rounded to a track.
#[test]
fn the_shipped_curve_takes_the_derived_times() {
    let text = Profile::built_in("control-5tb").unwrap();
    let law = SeekTimes::new(&Profile::from_toml("control", text).unwrap().platters);
    let stroke = law.full_stroke();
    for (share, ms) in [(4, 10.2), (3, 11.733_333), (2, 14.8), (1, 24.0)] {
        near("move", in_ms(law.time(stroke / share)), ms, 1e-4);
    }
    let all = u64::from(stroke) + 1;
    let (sum, pairs) = (1..=stroke).fold((0u128, 0u128), |(sum, pairs), distance| {
        let ways = u128::from(all - u64::from(distance));
        (sum + ways * u128::from(law.time(distance).0), pairs + ways)
    });
    let mean = Duration(u64::try_from(sum / pairs).unwrap());
    near("mean over all moves", in_ms(mean), 11.369_167, 1e-4);
}

/// Derived: of N requests anywhere on a line and an arm anywhere, the nearest is
/// (N + 3) / (2 (N + 1) (N + 2)) of the line away, and a sweep from its end takes N / (N + 1) of it.
/// A move costs so much that the platters' turn decides nothing. Tolerance: four standard errors; the
/// deviation of either is below its mean.
#[test]
fn the_nearest_of_several_requests_lies_at_the_derived_distance() {
    let tracks: u32 = 10_000;
    let step = 999_000;
    let curve = through(&[(1, step), (tracks - 1, step * u64::from(tracks - 1))]);
    let mut dice = Dice::new(4);
    for (requests, distance) in [
        (1, 0.333_33),
        (2, 0.208_33),
        (4, 0.116_67),
        (8, 0.061_11),
        (31, 0.016_098),
        (32, 0.015_597),
    ] {
        let mut profile = conventional(20_000_000, &[(tracks, 1)], curve.clone());
        profile.drive.command_overhead = Duration::from_ms(1);
        profile.drive.queue_order = QueueOrder::Nearest;
        let mut watch = stopwatch(&profile);
        let (trials, mut sum) = (2_000, 0.0);
        for _ in 0..trials {
            watch.closed_loop(1, [read(dice.below(u64::from(tracks)), 1)]);
            let wanted: Vec<_> = (0..requests)
                .map(|_| read(dice.below(u64::from(tracks)), 1))
                .collect();
            let done = watch.closed_loop(requests, wanted);
            sum += in_ms(done[0].breakdown.seek) / 0.999 / f64::from(tracks);
        }
        let error = distance / real(trials).sqrt();
        near("nearest", sum / real(trials), distance, 4.0 * error + 1e-4);
        profile.drive.queue_order = QueueOrder::Elevator;
        let mut sum = 0.0;
        for _ in 0..trials {
            let mut watch = stopwatch(&profile);
            let wanted: Vec<_> = (0..requests)
                .map(|_| read(dice.below(u64::from(tracks)), 1))
                .collect();
            let done = watch.closed_loop(requests, wanted);
            let all: f64 = done.iter().map(|answer| in_ms(answer.breakdown.seek)).sum();
            sum += all / 0.999 / f64::from(tracks);
        }
        let share = f64::from(u32::try_from(requests).unwrap());
        let error = 1.0 / (12.0 * real(trials)).sqrt();
        near(
            "sweep",
            sum / real(trials),
            share / (share + 1.0),
            4.0 * error + 1e-4,
        );
    }
}

/// Derived: of moves between places that have nothing to do with each other, two in a row share a
/// place, and their lengths are correlated by exactly 0.1. Four standard errors of 40,000 pairs.
#[test]
fn moves_one_after_another_are_correlated_by_a_tenth() {
    let tracks: u32 = 10_000;
    let curve = through(&[(1, 1_000), (tracks - 1, 1_000 * u64::from(tracks - 1))]);
    let mut watch = stopwatch(&conventional(20_000_000, &[(tracks, 8)], curve));
    let mut dice = Dice::new(10);
    let count = 40_000;
    let wanted = (0..count).map(|_| read(dice.below(u64::from(tracks)) * 8, 1));
    let done = watch.closed_loop(1, wanted);
    let moves: Vec<f64> = done
        .iter()
        .map(|answer| in_ms(answer.breakdown.seek))
        .collect();
    let (mean, variance) = moments(&moves[1..]);
    let both: f64 = moves[1..]
        .windows(2)
        .map(|pair| (pair[0] - mean) * (pair[1] - mean))
        .sum();
    let found = both / real(count - 2) / variance;
    near("correlation", found, 0.1, 4.0 / real(count).sqrt());
}
