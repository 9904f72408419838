//! A full staging area under writes anywhere: how often a band is cleaned and how much each merges.
//!
//! Derived (a renewal argument, confirmed by simulation elsewhere): with N slots in a ring, B equal
//! bands and writes to a random band, cleaning the band at the tail, a band is clean for B writes on
//! average and then dirty for N. So there are B/(B+N) cleanings per write, each merges 1+N/B
//! entries, and BN/(B+N) bands are dirty. Filling up and cleaning everything would merge fewer.
//!
//! imbrex frees staging space by whole segments of S slots: the tail's go together, the oldest of
//! them N writes old and the youngest N-S+1. So the law's N lies between N-S+1 and N, on average at
//! N-(S-1)/2. Flash is cut into 64 segments: S is N/64, rounded up. Beyond that the tolerance is 1 %:
//! at least 13,000 cleanings are counted, and what each merges deviates by less than its mean, so one
//! standard error is below 0.9 %; and since nothing is merged that was not written and the area stays
//! full, the sums repeat better than that.

use imbrex::drive::request::Counters;
use imbrex::medium::movement::Purpose;
use imbrex::profile::{BandChoice, CleaningStyle};
use imbrex::time::Duration;

use crate::dice::Dice;
use crate::figures::{in_ms, near, real};
use crate::mechanism::stopwatch;
use crate::shingled::{Shingled, write};

const PER_TRACK: u32 = 1_024;
const BAND_TRACKS: u32 = 2;

fn check(bands: u32, slots: u64) {
    let disk = Shingled {
        zones: &[PER_TRACK],
        bands_per_zone: bands,
        band_tracks: BAND_TRACKS,
        slots,
    };
    let mut profile = disk.profile();
    profile.cleaning.choice = BandChoice::Oldest;
    let mut watch = stopwatch(&profile);
    let mut dice = Dice::new(slots);
    let sectors = u64::from(bands * BAND_TRACKS * PER_TRACK);
    let warm = 3 * slots + u64::from(bands);
    watch.closed_loop(1, (0..warm).map(|_| write(dice.below(sectors))));
    let before = watch.drive.status(watch.now).counters;
    let begun = watch.now;
    let (rounds, writes_per_round) = (100, (60_000 + 4 * slots) / 100);
    let mut dirty = 0;
    for _ in 0..rounds {
        watch.closed_loop(1, (0..writes_per_round).map(|_| write(dice.below(sectors))));
        dirty += watch.drive.status(watch.now).dirty_bands;
    }
    let counters = watch.drive.status(watch.now).counters;
    let cleaned = counters.bands_cleaned - before.bands_cleaned;
    let writes = real(rounds * writes_per_round);
    let band_count = f64::from(bands);
    let segment = slots.div_ceil(64);
    let ring = real(slots) - real(segment - 1) / 2.0;
    let cleanings = band_count / (band_count + ring);
    near(
        "cleanings per write",
        real(cleaned) / writes,
        cleanings,
        0.01 * cleanings,
    );
    let merged = 1.0 + ring / band_count;
    near(
        "entries per cleaning",
        writes / real(cleaned),
        merged,
        0.01 * merged,
    );
    let steady = Steady {
        writes,
        cleaned: real(cleaned),
        interval: in_ms(watch.now.since(begun)) / writes,
    };
    steady.check(&before, &counters);
    // The area is seen between a moment just after a segment was freed and one when it is full.
    let share = ring / (band_count + ring);
    let coarse = real(segment) / real(slots);
    near(
        "dirty share",
        real(dirty) / real(rounds) / band_count,
        share,
        share * (0.01 + coarse),
    );
    // Against the law of a ring of single slots, the coarseness is all that differs.
    let exact = band_count / (band_count + real(slots));
    near(
        "against single slots",
        real(cleaned) / writes,
        exact,
        exact * (0.01 + coarse),
    );
}

/// A time in which the staging area stays full.
struct Steady {
    writes: f64,
    cleaned: f64,
    /// Milliseconds from one write to the next.
    interval: f64,
}

impl Steady {
    /// Derived: (1 + N/B) / t writes in a second, t the time of a cleaning. A write's own time, 0.1 ms,
    /// is left out by the law and added here.
    fn check(&self, before: &Counters, after: &Counters) {
        let spent = |purpose: Purpose| {
            let at = Purpose::ALL.iter().position(|p| *p == purpose).unwrap();
            in_ms(Duration(after.medium_ns[at] - before.medium_ns[at]))
        };
        let cleaning = [
            Purpose::CleanRead,
            Purpose::CleanGather,
            Purpose::CleanCopy,
            Purpose::CleanVerify,
            Purpose::CleanWrite,
        ];
        let each = cleaning.map(spent).iter().sum::<f64>() / self.cleaned;
        let own = spent(Purpose::Stage) / self.writes;
        let expected = each * self.cleaned / self.writes + own;
        near("time per write", self.interval, expected, 0.01 * expected);
    }
}

#[test]
fn a_ring_of_a_fifth_of_the_bands_merges_1_2_entries() {
    check(1_000, 200);
}

#[test]
fn a_ring_of_as_many_slots_as_bands_merges_two_entries() {
    check(1_000, 1_000);
}

#[test]
fn a_ring_of_five_times_the_bands_merges_six_entries() {
    check(1_000, 5_000);
}

#[test]
fn a_ring_of_six_and_a_half_times_the_bands_merges_seven_and_a_half_entries() {
    check(500, 3_250);
}

/// Derived: filling the area and then cleaning all of it merges N / E[D(N)] writes in a cleaning, E[D]
/// after the law of occupied boxes: 1.103, 1.582, 5.034 and 6.510. Tolerance: four standard errors of
/// the number of bands, over ten fillings.
#[test]
fn filling_and_then_cleaning_everything_merges_fewer() {
    for (bands, slots, merged, deviation) in [
        (1_000, 200, 1.103, 0.015),
        (1_000, 1_000, 1.582, 0.016),
        (1_000, 5_000, 5.034, 0.003),
        (500, 3_250, 6.510, 0.001),
    ] {
        let disk = Shingled {
            zones: &[PER_TRACK],
            bands_per_zone: bands,
            band_tracks: BAND_TRACKS,
            slots,
        };
        let mut profile = disk.profile();
        profile.cleaning.style = CleaningStyle::Aggressive;
        let mut watch = stopwatch(&profile);
        let mut dice = Dice::new(slots + 1);
        let sectors = u64::from(bands * BAND_TRACKS * PER_TRACK);
        let rounds = 10;
        for _ in 0..rounds {
            watch.closed_loop(1, (0..slots).map(|_| write(dice.below(sectors))));
            // The idle delay and all of the cleaning.
            watch.pause(7_200_000_000_000);
            assert_eq!(watch.drive.status(watch.now).dirty_bands, 0);
        }
        let cleaned = watch.drive.status(watch.now).counters.bands_cleaned;
        let found = real(rounds * slots) / real(cleaned);
        let tolerance = 4.0 * deviation * merged / real(rounds).sqrt() + 5e-4;
        near("writes per cleaning", found, merged, tolerance);
    }
}
