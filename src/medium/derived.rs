//! Owns the figures that follow from a profile and its layout, for people who look at one.
//!
//! Nothing here decides anything; the drive does not know these figures.

use std::fmt;

use crate::mechanics::rotation::Rotation;
use crate::mechanics::seek::SeekTimes;
use crate::medium::area::{Area, AreaKind};
use crate::medium::arm::Arm;
use crate::medium::layout::Layout;
use crate::profile::Profile;
use crate::time::{Duration, Instant};
use crate::units::{BandId, Sectors};

/// Bands over which a sequential rate is measured.
const RATE_BANDS: u32 = 64;

/// Figures of a drive.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Derived {
    /// Bytes offered to the host.
    pub capacity_bytes: u64,
    /// Bytes of the image's address range.
    pub image_bytes: u64,
    /// Tracks of all surfaces.
    pub tracks: u64,
    /// Tracks between bands, of all bands.
    pub guard_tracks: u64,
    /// Home bands.
    pub home_bands: u32,
    /// Spare bands.
    pub spare_bands: u64,
    /// Bytes of the outermost data band.
    pub band_bytes_outer: u64,
    /// Bytes of the innermost data band.
    pub band_bytes_inner: u64,
    /// Staging regions.
    pub staging_regions: usize,
    /// Log slots usable: those there are, at most the profile's limit.
    pub staging_slots: u64,
    /// Payload bytes usable: what the slots hold, at most the profile's limit.
    pub staging_bytes: u64,
    /// Time of a revolution.
    pub rotation: Duration,
    /// Sequential rate at the outermost data band in bytes per second, track changes included.
    pub rate_outer_bytes_per_s: u64,
    /// The same at the innermost one.
    pub rate_inner_bytes_per_s: u64,
    /// Time of a move by one track.
    pub seek_track: Duration,
    /// Time of a move over a third of the stroke.
    pub seek_third: Duration,
    /// Time of a move over the full stroke.
    pub seek_full: Duration,
    /// Whether a transfer may begin with any of its sectors on a track.
    pub start_anywhere: bool,
}

impl Derived {
    /// The figures of a drive.
    pub fn of(profile: &Profile, layout: &Layout) -> Derived {
        let seek = SeekTimes::new(&profile.platters);
        let stroke = seek.full_stroke();
        let data: Vec<&Area> = (layout.areas().iter())
            .filter(|area| area.kind == AreaKind::Data)
            .collect();
        let (outer, inner) = match (data.first(), data.last()) {
            (Some(outer), Some(inner)) => (*outer, *inner),
            _ => unreachable!("there is always a data area"),
        };
        let guards = layout.areas().iter().filter(|area| area.on_tracks());
        let (staging_slots, staging_bytes) = staging_room(profile, layout);
        Derived {
            capacity_bytes: layout.capacity().bytes(),
            image_bytes: layout.total().bytes(),
            tracks: u64::from(layout.cylinders()) * u64::from(layout.surfaces()),
            guard_tracks: guards
                .map(|area| u64::from(area.bands) * u64::from(area.shape.guard_tracks))
                .sum(),
            home_bands: layout.home_bands(),
            spare_bands: data
                .iter()
                .map(|area| u64::from(area.bands - area.homes))
                .sum(),
            band_bytes_outer: outer.shape.sectors.bytes(),
            band_bytes_inner: inner.shape.sectors.bytes(),
            staging_regions: layout.regions().len(),
            staging_slots,
            staging_bytes,
            rotation: Rotation::new(profile.platters.rpm_milli).revolution(),
            rate_outer_bytes_per_s: rate(profile, layout, outer),
            rate_inner_bytes_per_s: rate(profile, layout, inner),
            seek_track: seek.time(1),
            seek_third: seek.time(stroke / 3),
            seek_full: seek.time(stroke),
            start_anywhere: profile.platters.start_anywhere,
        }
    }
}

/// Slots and payload bytes of all regions, at most the profile's limits.
fn staging_room(profile: &Profile, layout: &Layout) -> (u64, u64) {
    let Some(staging) = &profile.staging else {
        return (0, 0);
    };
    let (mut slots, mut sectors) = (0, 0);
    for area in layout.areas() {
        if matches!(area.kind, AreaKind::Staging { .. } | AreaKind::Flash) {
            let slot = layout.slot_sectors(BandId(area.first_band)).0;
            let of_area = u64::from(area.bands) * (area.shape.sectors.0 / slot);
            slots += of_area;
            sectors += of_area * slot;
        }
    }
    let bytes = Sectors(sectors).bytes();
    (slots.min(staging.slots), bytes.min(staging.bytes))
}

/// Sequential rate over some bands of an area, by letting an arm read them. The bands are read up
/// to the start of the next one, so that each counts with its own change.
fn rate(profile: &Profile, layout: &Layout, area: &Area) -> u64 {
    let mut arm = Arm::new(profile, layout);
    let bands = area.bands.min(RATE_BANDS);
    let band = area.shape.sectors;
    let mut now = Instant(0);
    let mut begun = None;
    let mut last = now;
    for number in 0..bands {
        let start = area.start + Sectors(u64::from(number) * band.0);
        let access = arm.transfer(layout, now, start, band, false);
        begun.get_or_insert(access.first_sector_begins);
        last = access.first_sector_begins;
        now = access.end;
    }
    let begun = begun.unwrap_or(last);
    // A single band has no next one to end at.
    let (passed, time) = if bands > 1 {
        (u64::from(bands - 1) * band.bytes(), last.since(begun))
    } else {
        (band.bytes(), now.since(begun))
    };
    let per_s = u128::from(passed) * 1_000_000_000 / u128::from(time.0.max(1));
    u64::try_from(per_s).unwrap_or(u64::MAX)
}

/// A table for people, one figure per line.
impl fmt::Display for Derived {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let mut line = |name: &str, value: &dyn fmt::Display| writeln!(f, "{name:<28}{value}");
        line("capacity", &Bytes(self.capacity_bytes))?;
        line("image (sparse)", &Bytes(self.image_bytes))?;
        line("tracks", &self.tracks)?;
        line("guard tracks", &self.guard_tracks)?;
        line("home bands", &self.home_bands)?;
        line("spare bands", &self.spare_bands)?;
        line("band, outermost", &Bytes(self.band_bytes_outer))?;
        line("band, innermost", &Bytes(self.band_bytes_inner))?;
        if self.staging_regions > 0 {
            line("staging regions", &self.staging_regions)?;
            line("staging slots", &self.staging_slots)?;
            line("staging payload", &Bytes(self.staging_bytes))?;
        }
        line("revolution", &Milliseconds(self.rotation))?;
        line(
            "sequential rate, outermost",
            &Rate(self.rate_outer_bytes_per_s),
        )?;
        line(
            "sequential rate, innermost",
            &Rate(self.rate_inner_bytes_per_s),
        )?;
        line("seek, one track", &Milliseconds(self.seek_track))?;
        line("seek, third of the stroke", &Milliseconds(self.seek_third))?;
        line("seek, full stroke", &Milliseconds(self.seek_full))?;
        let begins = if self.start_anywhere {
            "at any sector of a track"
        } else {
            "at its first sector"
        };
        line("a transfer begins", &begins)
    }
}

/// Bytes as people read them, in binary units, with the exact number.
struct Bytes(u64);

impl fmt::Display for Bytes {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let units = [
            (1u64 << 40, "TiB"),
            (1 << 30, "GiB"),
            (1 << 20, "MiB"),
            (1 << 10, "KiB"),
        ];
        match units.iter().find(|(unit, _)| self.0 >= *unit) {
            Some(&(unit, name)) => {
                let hundredths = u128::from(self.0) * 100 / u128::from(unit);
                let (whole, rest) = (hundredths / 100, hundredths % 100);
                write!(f, "{whole}.{rest:02} {name} ({} bytes)", self.0)
            }
            None => write!(f, "{} bytes", self.0),
        }
    }
}

/// Bytes per second in decimal megabytes.
struct Rate(u64);

impl fmt::Display for Rate {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}.{} MB/s", self.0 / 1_000_000, self.0 / 100_000 % 10)
    }
}

/// A time in milliseconds, to a tenth of a microsecond.
struct Milliseconds(Duration);

impl fmt::Display for Milliseconds {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let tenths = (self.0.0 + 50) / 100;
        write!(f, "{}.{:04} ms", tenths / 10_000, tenths % 10_000)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::medium::sample;

    fn derived(profile: &Profile) -> Derived {
        Derived::of(profile, &Layout::new(profile).unwrap())
    }

    /// Common practice: 424 sectors of 4 KiB at 5,900 rpm and 1 ms from track to track give 155
    /// MB/s outside and half of that inside.
    #[test]
    fn sequential_rates_are_those_of_the_trade() {
        let figures = derived(&sample::conventional(sample::large()));
        let outer = figures.rate_outer_bytes_per_s / 1_000_000;
        assert!((154..=156).contains(&outer), "{outer} MB/s");
        let inner = figures.rate_inner_bytes_per_s / 1_000_000;
        assert!((76..=84).contains(&inner), "{inner} MB/s");
    }

    #[test]
    fn figures_follow_from_the_profile() {
        let figures = derived(&sample::large());
        assert_eq!(figures.tracks, 8 * 480_000);
        assert_eq!(figures.band_bytes_outer, 24 * 424 * 4096);
        assert_eq!(figures.staging_slots, 33_744);
        assert!(figures.staging_bytes <= 29_300_000_000);
        assert!(figures.staging_bytes > 29_290_000_000);
        assert_eq!(figures.rotation, Duration(10_169_492));
        assert_eq!(figures.seek_full, Duration::from_ms(24));
        assert!(figures.seek_third.0.abs_diff(11_733_333) < 50);
        // One guard track in 25: 4 % of the tracks in use.
        assert!(figures.guard_tracks * 25 <= figures.tracks);
        assert!(figures.guard_tracks * 26 > figures.tracks);
    }

    #[test]
    fn a_table_says_where_transfers_begin() {
        let mut profile = sample::tiny();
        let table = derived(&profile).to_string();
        assert!(
            table.contains("begins           at its first sector"),
            "{table}"
        );
        profile.platters.start_anywhere = true;
        let table = derived(&profile).to_string();
        assert!(table.contains("begins           at any sector"), "{table}");
    }

    #[test]
    fn every_character_has_a_table() {
        for profile in sample::all() {
            let table = derived(&profile).to_string();
            let staged = profile.staging.is_some();
            assert_eq!(table.contains("staging slots"), staged);
            assert!(
                table.contains("revolution                  10.1695 ms"),
                "{table}"
            );
            assert!(!table.contains("0.0 MB/s"), "{table}");
        }
    }
}
