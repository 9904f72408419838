//! A textbook's whole disk, with a linear seek law, and its elevator against first come, first served.
//!
//! "Database Systems: The Complete Book", chapter 13: 16 surfaces of 65,536 tracks, 256 sectors of
//! 4,096 bytes, 7,200 rpm, a move of 1 ms plus 1 ms per 4,000 cylinders (characteristics seen,
//! results from memory).

use imbrex::medium::arm::Arm;
use imbrex::medium::layout::Layout;
use imbrex::profile::{Profile, QueueOrder, SeekCurve};
use imbrex::time::{Duration, Instant};
use imbrex::units::{Lba, Pba, Sectors};

use crate::figures::{in_ms, near, ns};
use crate::mechanism::{conventional, cylinder, filled, read, stopwatch, through, turn};

const CYLINDERS: u32 = 65_536;
const SURFACES: u32 = 16;

/// 1 ms plus 1 ms per 4,000 cylinders.
fn law() -> SeekCurve {
    through(&[(1, 1_000_250), (CYLINDERS - 1, 17_383_750)])
}

fn disk() -> Profile {
    let mut profile = conventional(7_200_000, &[(CYLINDERS, 256)], law());
    profile.platters.surfaces = SURFACES;
    filled(profile)
}

/// First sector of a cylinder: tracks are numbered across the surfaces first.
fn lba(cylinder: u64) -> u64 {
    cylinder * u64::from(SURFACES) * 256
}

/// The gap between two sectors: a tenth of the circle has 256 of them.
const GAP_MS: f64 = 60_000.0 / 7_200.0 * 0.1 / 256.0;

/// Printed: 1.00025 ms to the next track, 17.38 ms across all, 6.46 ms across a third.
#[test]
fn the_moves_take_what_is_printed() {
    let profile = disk();
    for (cylinder, ns) in [(1, 1_000_250), (65_535, 17_383_750), (21_845, 6_461_250)] {
        let found = turn(&profile, 0, lba(cylinder), 1);
        near("seek", found.seek, f64::from(ns) / 1e6, 2e-6);
    }
}

/// A block is four sectors; the book lets it end before its last gap: 0.13 ms at least (exactly
/// 0.126953), 25.84 at most (25.84429), 10.76 on average (10.75495). Sectors of imbrex fill the
/// circle, so its block ends one gap, 3.3 us, later.
#[test]
fn a_block_takes_what_is_printed() {
    let profile = disk();
    let least = turn(&profile, lba(700) + 99, lba(700), 4);
    let spacing = 2.0 * least.grain;
    near("least", least.least, 0.126_953 + GAP_MS, spacing);
    near("least, printed", least.least, 0.13, 0.005);
    let most = turn(&profile, 0, lba(65_535), 4);
    near("most", most.most, 25.844_29 + GAP_MS, spacing);
    near("most, printed", most.most, 25.84, 0.005 + GAP_MS + spacing);
    let mean = turn(&profile, 0, lba(21_845), 4);
    near("mean", mean.all, 10.754_95 + GAP_MS, mean.grain + 1e-4);
    near("mean, printed", mean.all, 10.76, 0.005);
}

/// Requests of one sector each, in a schedule that a book prints.
struct Book {
    /// Cylinders.
    tracks: u32,
    rpm: u64,
    seek: SeekCurve,
    /// Where the arm is at first.
    head: u64,
    /// Cylinder and moment of each arrival in milliseconds, ascending.
    arrivals: Vec<(u64, u64)>,
    /// What a request waits for its sector, in microseconds.
    wait_us: u64,
    /// What it transfers, in microseconds.
    transfer_us: u64,
}

/// Sectors of a track of these disks: a third of a microsecond at 7,200 rpm.
const FINE: u32 = 25_000;

impl Book {
    /// Cylinders in the order in which they were served, and when, under `order`. The book gives
    /// every request the same wait for its sector; so each asks for the sector that comes by so much
    /// after the arm arrives, if the drive keeps to the schedule `printed`.
    fn served(&self, order: QueueOrder, printed: &[(u64, f64)]) -> Vec<(u64, f64)> {
        let mut profile = conventional(self.rpm * 1_000, &[(self.tracks, FINE)], self.seek.clone());
        profile.drive.queue_order = order;
        let layout = Layout::new(&profile).expect("it fits");
        let mut watch = stopwatch(&profile);
        let fine = u64::from(FINE);
        watch.closed_loop(1, [read(self.head * fine, 1)]);
        let start = Instant(1_000_000_000);
        let turn_ns = 60_000_000_000 / self.rpm;
        let sectors = self.transfer_us * 1_000 * fine / turn_ns;
        let arrivals = self.arrivals.iter().map(|&(cylinder, at_ms)| {
            let done_ms = printed
                .iter()
                .find(|(c, _)| *c == cylinder)
                .expect("served")
                .1;
            let there = ns(done_ms) - (self.wait_us + self.transfer_us) * 1_000;
            let there = start + Duration(there);
            let (home, _) = layout.home_of(Lba(cylinder * fine));
            let track = layout.band(layout.factory_place(home)).start;
            let first = until(&profile, &layout, track, there);
            let ahead = (self.wait_us * 1_000 + turn_ns - first.0) % turn_ns;
            let sector = (ahead * fine + turn_ns / 2) / turn_ns;
            // A request must not cross the end of its track.
            assert!(
                sector + sectors < fine,
                "sector {sector} of cylinder {cylinder}"
            );
            (
                start + Duration::from_ms(at_ms),
                read(cylinder * fine + sector, sectors),
            )
        });
        let done = watch.open_loop(arrivals.collect::<Vec<_>>());
        done.iter()
            .map(|answer| {
                let cylinder = cylinder(&layout, answer.offset / 4_096);
                (u64::from(cylinder), in_ms(answer.due.since(start)))
            })
            .collect()
    }

    fn check(&self, order: QueueOrder, printed: &[(u64, f64)]) {
        let served = self.served(order, printed);
        assert_eq!(served.len(), printed.len());
        for (found, printed) in served.iter().zip(printed) {
            assert_eq!(found.0, printed.0, "{order:?}: {served:?}");
            // Half of a fine sector, twice: its start and its end.
            near("completion", found.1, printed.1, 1e-3);
        }
    }
}

/// How long the first sector of a track takes to come by from `at`.
fn until(profile: &Profile, layout: &Layout, track: Pba, at: Instant) -> Duration {
    let mut arm = Arm::new(profile, layout);
    arm.transfer(layout, Instant(0), track, Sectors(1), false);
    arm.positioning(layout, at, track, false)
}

/// The chapter's example of the elevator: service after the move 4.3 ms (4.17 + 0.13), arm at 8,000.
/// Both columns from memory and derived again.
#[test]
fn the_elevator_and_its_rival_end_when_the_book_says() {
    let book = Book {
        tracks: CYLINDERS,
        rpm: 7_200,
        seek: law(),
        head: 8_000,
        arrivals: vec![
            (8_000, 0),
            (24_000, 0),
            (56_000, 0),
            (16_000, 10),
            (64_000, 20),
            (40_000, 30),
        ],
        wait_us: 4_170,
        transfer_us: 130,
    };
    book.check(
        QueueOrder::Elevator,
        &[
            (8_000, 4.3),
            (24_000, 13.6),
            (56_000, 26.9),
            (64_000, 34.2),
            (40_000, 45.5),
            (16_000, 56.8),
        ],
    );
    book.check(
        QueueOrder::Arrival,
        &[
            (8_000, 4.3),
            (24_000, 13.6),
            (56_000, 26.9),
            (16_000, 42.2),
            (64_000, 59.5),
            (40_000, 70.8),
        ],
    );
}

/// The same exercise in an older edition (solution sheet of a course, first four seen, the last
/// derived): a move of 1 ms plus 1 ms per 500 cylinders, 8.3 ms from the arm's arrival to the end,
/// arm at 4,000. How fast the platters turn is not said and does not matter.
#[test]
fn the_elevator_of_the_older_edition_ends_when_its_solution_says() {
    let book = Book {
        tracks: 8_192,
        rpm: 3_600,
        seek: through(&[(1, 1_002_000), (8_191, 17_382_000)]),
        head: 4_000,
        arrivals: vec![
            (4_000, 0),
            (6_000, 2),
            (1_000, 12),
            (7_000, 17),
            (3_000, 26),
        ],
        wait_us: 8_000,
        transfer_us: 300,
    };
    book.check(
        QueueOrder::Elevator,
        &[
            (4_000, 8.3),
            (6_000, 21.6),
            (7_000, 32.9),
            (3_000, 50.2),
            (1_000, 63.5),
        ],
    );
    book.check(
        QueueOrder::Arrival,
        &[
            (4_000, 8.3),
            (6_000, 21.6),
            (1_000, 40.9),
            (7_000, 62.2),
            (3_000, 79.5),
        ],
    );
}
