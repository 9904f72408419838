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

use imbrex::profile::BandChoice;

use crate::dice::Dice;
use crate::figures::{near, real};
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
    let before = watch.drive.status(watch.now).counters.bands_cleaned;
    let (rounds, writes_per_round) = (100, (60_000 + 4 * slots) / 100);
    let mut dirty = 0;
    for _ in 0..rounds {
        watch.closed_loop(1, (0..writes_per_round).map(|_| write(dice.below(sectors))));
        dirty += watch.drive.status(watch.now).dirty_bands;
    }
    let cleaned = watch.drive.status(watch.now).counters.bands_cleaned - before;
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
