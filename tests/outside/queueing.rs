//! Open arrivals: the mean wait in front of the disk, by the formula for one server.
//!
//! Requests that come at random with rate l to a server whose service S is independent of them wait
//! l E[S^2] / (2 (1 - l E[S])) ("Introduction to Queueing Theory", 1981, page 189, as cited by an
//! article that was seen). imbrex's electronics work on a request while the arm is busy with the one
//! before, so a source's overhead that is part of the service is put into the moves here.

use imbrex::profile::{Place, Profile, Staging, StagingMedium};
use imbrex::time::{Duration, Instant};

use crate::classical_seek_curve;
use crate::dice::Dice;
use crate::figures::{in_ms, near, real};
use crate::mechanism::{conventional, read, stopwatch, through};
use crate::shingled::{Shingled, write};
use crate::stopwatch::{Stopwatch, Wanted};

/// Mean of the wait for other requests, and of all of a request's time, in milliseconds.
fn waits(
    watch: &mut Stopwatch,
    seed: u64,
    mean_ms: f64,
    count: u64,
    wanted: impl Fn(&mut Dice) -> Wanted,
) -> (f64, f64) {
    let mut dice = Dice::new(seed);
    let mut moment = Instant(watch.now.0 + 1_000_000_000);
    let arrivals = (0..count).map(|_| {
        moment += Duration(dice.exponential_ns(mean_ms));
        (moment, wanted(&mut dice))
    });
    let (mut queued, mut taken) = (Duration::ZERO, Duration::ZERO);
    for answer in watch.open_loop(arrivals) {
        queued += answer.breakdown.queue;
        taken += answer.due.since(answer.arrived);
    }
    (in_ms(queued) / real(count), in_ms(taken) / real(count))
}

/// The classical disk under random reads of 8 KiB, first come first served. E[S] 25.859759 ms, variance
/// 36.687336 (derived, with the 2.2 ms of overhead in every move; the one read in 1,962 that needs no
/// move lacks it, 0.004 %). Waits follow one another for a time that grows as the load does, so
/// the tolerance of 3 % is about three standard errors at the highest load, more at the others.
#[test]
fn random_reads_of_the_classical_disk_wait_as_the_formula_says() {
    let idle = stopwatch(&classical_seek_curve::disk(2_200_000));
    for (per_second, wait, response, count) in [
        (11.601, 5.845, 31.705, 100_000),
        (19.335, 13.639, 39.499, 100_000),
        (27.069, 31.825, 57.685, 200_000),
        (30.936, 54.557, 80.417, 400_000),
    ] {
        let mut watch = idle.clone();
        let wanted = classical_seek_curve::anywhere;
        let (queued, taken) = waits(&mut watch, 5, 1e3 / per_second, count, wanted);
        near("wait", queued, wait, 0.03 * wait);
        near("response", taken, response, 0.03 * response);
    }
}

/// Derived: with a constant number of requests under way, served in order of arrival, the disk is
/// never idle and answers one each 25.859759 ms however many there are. Four standard errors.
#[test]
fn a_closed_loop_answers_as_many_whatever_its_depth() {
    let idle = stopwatch(&classical_seek_curve::disk(2_200_000));
    for depth in [1, 4, 16] {
        let mut watch = idle.clone();
        let mut dice = Dice::new(6);
        let count = 20_000;
        let begun = watch.now;
        watch.closed_loop(
            depth,
            (0..count).map(|_| classical_seek_curve::anywhere(&mut dice)),
        );
        let each = in_ms(watch.now.since(begun)) / real(count);
        near(
            "interval",
            each,
            25.859_76,
            4.0 * (36.69 / real(count)).sqrt(),
        );
    }
}

/// A service of 5 to 20 ms, all equally likely: a move of 5 ms and a wait anywhere in a turn of 15 ms.
/// Derived waits 3.0, 10.5 and 28.0 ms at loads of 0.3, 0.6 and 0.8.
#[test]
fn a_uniform_service_waits_as_the_formula_says() {
    let curve = through(&[(1, 5_000_000), (9_999, 5_000_000)]);
    let idle = stopwatch(&conventional(4_000_000, &[(10_000, 10_000)], curve));
    for (load, wait, count) in [
        (0.3, 3.0, 100_000),
        (0.6, 10.5, 100_000),
        (0.8, 28.0, 300_000),
    ] {
        let wanted = |dice: &mut Dice| read(dice.below(100_000_000), 1);
        let (queued, _) = waits(&mut idle.clone(), 7, 12.5 / load, count, wanted);
        near("wait", queued, wait, 0.03 * wait);
    }
}

/// A drive-managed disk with 2,000 sectors staged on flash that takes 10 ms to start a read.
fn staged_on_flash() -> Stopwatch {
    let disk = Shingled {
        zones: &[512],
        bands_per_zone: 100,
        band_tracks: 2,
        slots: 4_000,
    };
    let mut profile: Profile = disk.profile();
    profile.staging = profile.staging.map(|staging| Staging {
        medium: StagingMedium::Flash {
            read_latency: Duration::from_ms(10),
            write_latency: Duration::from_ms(1),
            bytes_per_s: 100_000_000_000,
        },
        merge_place: Place::Inner,
        ..staging
    });
    let mut watch = stopwatch(&profile);
    // Apart and backwards, so that no read goes on where another ended.
    watch.closed_loop(1, (0..2_000).rev().map(|i| write(2 * i)));
    watch
}

/// A constant service of 10 ms. Derived waits 2.142857, 7.5 and 20.0 ms at loads of 0.3, 0.6 and
/// 0.8. One read in 2,000 follows the one before and starts at once: 0.05 % of the service, which
/// 0.3 % of the wait at the highest load.
#[test]
fn a_constant_service_waits_as_the_formula_says() {
    let idle = staged_on_flash();
    for (load, wait, count) in [
        (0.3, 2.142_857, 100_000),
        (0.6, 7.5, 100_000),
        (0.8, 20.0, 200_000),
    ] {
        let wanted = |dice: &mut Dice| read(2 * dice.below(2_000), 1);
        let (queued, _) = waits(&mut idle.clone(), 8, 10.0 / load, count, wanted);
        near("wait", queued, wait, 0.03 * wait);
    }
}

/// Common practice: the electronics take in commands while the arm works. So `drive.command_overhead`
/// is part of every request of a host that asks one at a time, and of a full queue only the first
/// request feels it. The overhead is one turn here, so that every sector comes by as if there were none
/// and the difference is exact.
#[test]
fn electronics_delay_every_lone_request_and_a_full_queue_once() {
    let curve = through(&[(1, 5_000_000), (99, 9_000_000)]);
    let plain = conventional(6_000_000, &[(100, 1_000)], curve);
    let mut slow = plain.clone();
    let turn = Duration::from_ms(10);
    slow.drive.command_overhead = turn;
    for depth in [1, 4] {
        let ends = |profile| {
            let mut dice = Dice::new(11);
            let wanted = (0..500).map(|_| read(dice.below(100) * 1_000 + dice.below(1_000), 1));
            stopwatch(profile).closed_loop(depth, wanted)
        };
        for (number, (without, with)) in (1..).zip(ends(&plain).iter().zip(ends(&slow))) {
            assert_eq!(without.offset, with.offset);
            let times = if depth == 1 { number } else { 1 };
            let delay = with.due.since(without.due);
            assert_eq!(
                delay,
                Duration(turn.0 * times),
                "request {number} of depth {depth}"
            );
            if depth == 1 {
                assert_eq!(with.breakdown.overhead, turn);
            }
        }
    }
}
