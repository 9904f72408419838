//! What cleaning writes for each byte of the host.
//!
//! Derived: a band of S bytes rewritten p times for k entries of w bytes costs p S / (k w) bytes
//! beside the staged one. S = 32 MiB and w = 4 KiB with k = 1: 8,193 times what the host wrote when
//! the band is rewritten once, 16,385 with a safe copy before. imbrex never copies a live entry
//! forward in its log and never rewrites the tail of a band only, so the laws about those do not
//! apply (`docs/timing-model.md`).

use imbrex::medium::movement::Purpose;
use imbrex::profile::{BandChoice, CleaningStyle};
use imbrex::time::Duration;

use crate::figures::{near, real};
use crate::mechanism::stopwatch;
use crate::shingled::{Shingled, write};

/// Bytes written on the medium for each byte of the host, with `entries` writes to each of `bands`
/// bands of 32 MiB on a drive that was filled once, and cleaned after.
fn amplification(passes: u32, entries: u64, bands: u64) -> f64 {
    let band_sectors = (32 << 20) / 4_096;
    let disk = Shingled {
        zones: &[4_096],
        bands_per_zone: 40,
        band_tracks: 2,
        slots: 1_000,
    };
    let mut profile = disk.profile();
    profile.drive.formatted = true;
    profile.cleaning.style = CleaningStyle::Aggressive;
    profile.cleaning.choice = BandChoice::Oldest;
    profile.cleaning.passes = passes;
    profile.cleaning.idle_delay = Duration::from_s(1);
    let mut watch = stopwatch(&profile);
    let wanted = (0..entries * bands).map(|i| write(i % bands * band_sectors + i / bands * 100));
    watch.closed_loop(1, wanted);
    watch.pause(200_000_000_000);
    let status = watch.drive.status(watch.now);
    assert_eq!(
        (status.counters.bands_cleaned, status.dirty_bands),
        (bands, 0)
    );
    let written = [Purpose::Stage, Purpose::CleanCopy, Purpose::CleanWrite];
    let bytes = Purpose::ALL.iter().zip(status.counters.medium_bytes);
    let all: u64 = bytes
        .filter(|(purpose, _)| written.contains(purpose))
        .map(|(_, bytes)| bytes)
        .sum();
    real(all / 4_096) / real(status.counters.host_written_bytes / 4_096)
}

#[test]
fn one_sector_in_a_band_of_32_mib_costs_what_was_derived() {
    near("one pass", amplification(2, 1, 10), 8_193.0, 1e-9);
    near("with a safe copy", amplification(3, 1, 10), 16_385.0, 1e-9);
    near("read back too", amplification(4, 1, 10), 16_385.0, 1e-9);
}

#[test]
fn entries_that_are_merged_share_the_cost() {
    near("seven", amplification(2, 7, 10), 1.0 + 8_192.0 / 7.0, 1e-9);
    near(
        "eight",
        amplification(3, 8, 10),
        1.0 + 2.0 * 8_192.0 / 8.0,
        1e-9,
    );
}
