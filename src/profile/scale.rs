//! Owns scaling a profile down: a smaller drive of the same character.
//!
//! Bands, speed of rotation, seek curve by share of the stroke, entry timing, cleaning and caches
//! stay; tracks, staging area, map limits and, where they would crowd out the data, recording zones,
//! regions and the map area shrink. What was changed is said in words. The result is always valid.

use crate::profile::quantity::Unit;
use crate::profile::relations;
use crate::profile::{
    BandSize, Profile, RecordingZone, SeekCurve, SeekPoint, Staging, StagingMedium, StagingPlace,
};
use crate::units::{SECTOR_BYTES, count};

/// A scaled staging area is never smaller than this many bands (of the outermost zone).
const STAGING_BANDS_MIN: u64 = 4;
/// A scaled drive is never smaller than this many bands (of the outermost zone).
const CAPACITY_BANDS_MIN: u64 = 16;
/// Rows of bands that a recording zone of a scaled drive has at least: with fewer, rounding to whole
/// bands and the zone's spares would take up much of it.
const ZONE_ROWS_MIN: u64 = 3;
/// The map area of a scaled drive takes at most one part in so many of all tracks.
const MERGE_SHARE: u64 = 64;

/// Why a profile cannot be scaled to a capacity.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum ScaleError {
    /// Not a whole number of physical sectors.
    #[error(
        "{asked} bytes are not a multiple of 4096; the nearest capacity below is {below} bytes"
    )]
    Unaligned {
        /// Capacity asked for, in bytes.
        asked: u64,
        /// The nearest multiple of 4096 below, in bytes.
        below: u64,
    },
    /// Profiles are scaled down only.
    #[error(
        "{asked} bytes are more than the {whole} bytes of profile {name}, and a profile is only \
         scaled down; choose at most {whole} bytes or another profile"
    )]
    Larger {
        /// Name of the profile.
        name: String,
        /// Capacity asked for, in bytes.
        asked: u64,
        /// Capacity of the profile, in bytes.
        whole: u64,
    },
    /// Too small to behave like the profile.
    #[error(
        "{asked} bytes are too small for profile {name}: with bands of its size it takes at least \
         {smallest} bytes ({})", Unit::Bytes.format(*smallest)
    )]
    Smaller {
        /// Name of the profile.
        name: String,
        /// Capacity asked for, in bytes.
        asked: u64,
        /// The smallest capacity, in bytes.
        smallest: u64,
    },
    /// The proportions of this profile do not survive at that size.
    #[error(
        "profile {name} cannot be scaled to {asked} bytes: {rule} ({key}); choose a larger capacity"
    )]
    Unfit {
        /// Name of the profile.
        name: String,
        /// Capacity asked for, in bytes.
        asked: u64,
        /// The rule that would be broken.
        rule: &'static str,
        /// The key concerned.
        key: &'static str,
    },
}

impl Profile {
    /// The smallest capacity that [`Profile::scaled_to`] accepts, in bytes.
    pub fn capacity_bytes_min(&self) -> u64 {
        let least = CAPACITY_BANDS_MIN * self.outer_band_bytes();
        least.max(1 << 20).min(self.drive.capacity_bytes)
    }

    /// This profile for a drive of `capacity_bytes`, and what was changed, one sentence each.
    ///
    /// # Errors
    /// Where the capacity is no multiple of 4096, larger than the profile's, or too small.
    pub fn scaled_to(&self, capacity_bytes: u64) -> Result<(Profile, Vec<String>), ScaleError> {
        let (asked, whole) = (capacity_bytes, self.drive.capacity_bytes);
        let name = || self.name.clone();
        if !asked.is_multiple_of(SECTOR_BYTES) {
            let below = asked / SECTOR_BYTES * SECTOR_BYTES;
            return Err(ScaleError::Unaligned { asked, below });
        }
        if asked > whole {
            let name = name();
            return Err(ScaleError::Larger { name, asked, whole });
        }
        let smallest = self.capacity_bytes_min();
        if asked < smallest {
            let name = name();
            return Err(ScaleError::Smaller {
                name,
                asked,
                smallest,
            });
        }
        if asked == whole {
            return Ok((self.clone(), Vec::new()));
        }
        let scaled = self.shrunk(Share { part: asked, whole });
        if let Some(broken) = relations::broken(&scaled).first() {
            return Err(ScaleError::Unfit {
                name: name(),
                asked,
                rule: broken.rule,
                key: broken.key,
            });
        }
        let changes = self.changes_to(&scaled);
        Ok((scaled, changes))
    }

    fn outer_band_bytes(&self) -> u64 {
        self.bands.bytes_in(&self.platters.zones[0])
    }

    fn shrunk(&self, share: Share) -> Profile {
        let mut scaled = self.clone();
        scaled.drive.capacity_bytes = share.part;
        if let Some(staging) = &mut scaled.staging {
            shrink_staging(staging, share, STAGING_BANDS_MIN * self.outer_band_bytes());
        }
        let whole_tracks = self.platters.tracks_per_surface();
        let mut tracks = share.of(whole_tracks).max(2);
        loop {
            tracks = tracks.min(whole_tracks);
            scaled.platters.zones = self.zones_over(tracks, scaled.map_rows());
            if let (Some(staging), Some(old)) = (&mut scaled.staging, &self.staging) {
                let surfaces = u64::from(self.platters.surfaces);
                let most = (tracks * surfaces / MERGE_SHARE).max(1);
                let most = u32::try_from(most).unwrap_or(u32::MAX);
                staging.merge_tracks = old.merge_tracks.min(most);
            }
            scaled.limit_regions();
            let missing = scaled.missing_bytes();
            if missing == 0 || tracks == whole_tracks {
                break;
            }
            // Half of what is missing at a time: rounding to whole bands is not linear.
            let row = u64::from(self.platters.surfaces) * self.platters.zones[0].track_bytes();
            tracks += (missing / row / 2).max(1);
        }
        scaled.platters.seek = self.seek_over(tracks);
        scaled
    }

    /// The recording zones squeezed to `tracks` on each surface. Where they would hold too few rows
    /// of bands each, fewer zones of equal width stand for them.
    /// `least`: rows of tracks that each zone must be able to hold.
    fn zones_over(&self, tracks: u64, least: u64) -> Vec<RecordingZone> {
        let old = &self.platters.zones;
        let pitches = old.iter().map(|zone| self.bands.pitch_tracks(zone));
        let row = pitches.max().unwrap_or(1);
        let keep = (tracks / (row * ZONE_ROWS_MIN).max(2 * least)).max(1);
        let whole = self.platters.tracks_per_surface();
        let share = Share {
            part: tracks,
            whole,
        };
        let ends: Vec<u64> = if keep >= count(old.len()) {
            old.iter()
                .scan(0, |end, zone| {
                    *end += u64::from(zone.tracks);
                    Some(*end)
                })
                .collect()
        } else {
            (1..=keep).map(|zone| whole * zone / keep).collect()
        };
        let starts = std::iter::once(0).chain(ends.iter().copied());
        let zone = |(start, end): (u64, u64)| RecordingZone {
            tracks: u32::try_from(share.of(end) - share.of(start)).expect("no more than it was"),
            sectors_per_track: self.mean_sectors(start, end),
        };
        starts.zip(ends.iter().copied()).map(zone).collect()
    }

    /// Mean sectors per track over the tracks `start..end` of a surface, to the nearest.
    fn mean_sectors(&self, start: u64, end: u64) -> u32 {
        let mut at = 0;
        let mut sectors = 0;
        for zone in &self.platters.zones {
            let next = at + u64::from(zone.tracks);
            let common = end.min(next).saturating_sub(start.max(at));
            sectors += common * u64::from(zone.sectors_per_track);
            at = next;
        }
        let tracks = (end - start).max(1);
        u32::try_from((sectors + tracks / 2) / tracks).expect("a mean is no more than the most")
    }

    /// The seek curve with every length squeezed to `tracks` on each surface.
    fn seek_over(&self, tracks: u64) -> SeekCurve {
        let SeekCurve::Points(points) = &self.platters.seek else {
            return self.platters.seek.clone();
        };
        let stroke = tracks - 1;
        let share = Share {
            part: stroke,
            whole: self.platters.tracks_per_surface() - 1,
        };
        let mut squeezed: Vec<SeekPoint> = Vec::new();
        for point in points {
            let tracks = u32::try_from(share.of(u64::from(point.tracks)).max(1)).unwrap_or(1);
            match squeezed.last_mut() {
                // Of points that fall together the longest move counts, but for the first track.
                Some(last) if last.tracks == tracks && u64::from(tracks) == stroke => {
                    last.time = point.time;
                }
                Some(last) if last.tracks >= tracks => {}
                _ => squeezed.push(SeekPoint {
                    tracks,
                    time: point.time,
                }),
            }
        }
        SeekCurve::Points(squeezed)
    }

    /// A region of a spread staging area has at least two bands.
    fn limit_regions(&mut self) {
        let outer = self.outer_band_bytes();
        let Some(staging) = &mut self.staging else {
            return;
        };
        if let StagingMedium::Disk { place, .. } = &mut staging.medium
            && let StagingPlace::Spread(regions) = place
        {
            let most = (staging.bytes / (2 * outer)).max(2);
            *regions = u32::try_from(most).unwrap_or(u32::MAX).min(*regions);
        }
    }

    /// What differs in `scaled`, one sentence each.
    fn changes_to(&self, scaled: &Profile) -> Vec<String> {
        let mut said = Changes(Vec::new());
        let bytes = |value| Unit::Bytes.format(value);
        let capacity = |profile: &Profile| bytes(profile.drive.capacity_bytes);
        said.change("capacity", &capacity(self), &capacity(scaled));
        let tracks = |profile: &Profile| profile.platters.tracks_per_surface().to_string();
        said.change("tracks on each surface", &tracks(self), &tracks(scaled));
        let zones = |profile: &Profile| profile.platters.zones.len().to_string();
        said.change("recording zones", &zones(self), &zones(scaled));
        if let (Some(old), Some(new)) = (&self.staging, &scaled.staging) {
            said.change("staging area", &bytes(old.bytes), &bytes(new.bytes));
            said.count("staging slots", old.slots, new.slots);
            said.count("map extents", old.extents, new.extents);
            let (a, b) = (old.entry_bytes_max, new.entry_bytes_max);
            said.change("largest log entry", &bytes(a), &bytes(b));
            let (a, b) = (old.merge_tracks, new.merge_tracks);
            said.count("tracks of a map merge", u64::from(a), u64::from(b));
            let regions = |staging: &Staging| match staging.medium {
                StagingMedium::Disk {
                    place: StagingPlace::Spread(regions),
                    ..
                } => u64::from(regions),
                _ => 1,
            };
            said.count("staging regions", regions(old), regions(new));
        }
        let band = match self.bands.size {
            BandSize::Tracks(tracks) => format!("{tracks} tracks"),
            BandSize::Bytes(size) => bytes(size),
        };
        said.0.push(format!(
            "unchanged: bands of {band}, {} rpm, seek times by share of the stroke, entry timing, \
             cleaning and caches",
            Unit::Thousandths.format(self.platters.rpm_milli)
        ));
        said.0
    }
}

/// What was changed, in words.
struct Changes(Vec<String>);

impl Changes {
    fn change(&mut self, what: &str, old: &str, new: &str) {
        if old != new {
            self.0.push(format!("{what}: {old} -> {new}"));
        }
    }

    fn count(&mut self, what: &str, old: u64, new: u64) {
        self.change(what, &old.to_string(), &new.to_string());
    }
}

/// A share: `part` of `whole`, and no more than the whole.
#[derive(Clone, Copy)]
struct Share {
    part: u64,
    whole: u64,
}

impl Share {
    /// This share of `value`, rounded up.
    fn of(self, value: u64) -> u64 {
        let product = u128::from(value) * u128::from(self.part);
        let share = product.div_ceil(u128::from(self.whole.max(1)));
        u64::try_from(share).map_or(value, |share| share.min(value))
    }
}

/// Bytes, slots and extents shrink alike, so that the same one still runs out first.
fn shrink_staging(staging: &mut Staging, share: Share, bytes_min: u64) {
    let least = Share {
        part: bytes_min.min(staging.bytes),
        whole: staging.bytes,
    };
    let larger = u128::from(share.part) * u128::from(least.whole)
        >= u128::from(least.part) * u128::from(share.whole);
    let share = if larger { share } else { least };
    staging.bytes = share
        .of(staging.bytes)
        .next_multiple_of(SECTOR_BYTES)
        .min(staging.bytes);
    staging.slots = share.of(staging.slots).max(1);
    staging.extents = share.of(staging.extents).max(2);
    let entry_max = staging.bytes / 2 / SECTOR_BYTES * SECTOR_BYTES;
    staging.entry_bytes_max = staging.entry_bytes_max.min(entry_max.max(SECTOR_BYTES));
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn built_in(name: &str) -> Profile {
        let text = Profile::built_in(name).expect("it exists");
        Profile::from_toml(name, text).expect("it is valid")
    }

    fn names() -> Vec<&'static str> {
        Profile::built_in_names().collect()
    }

    /// A scaled profile must read back from its own text: nothing but a valid one does.
    fn assert_valid(profile: &Profile) {
        let read = Profile::from_toml("scaled", &profile.to_toml());
        assert_eq!(read.as_ref(), Ok(profile));
    }

    #[test]
    fn a_profile_scaled_to_its_own_capacity_is_unchanged() {
        for name in names() {
            let profile = built_in(name);
            let whole = profile.drive.capacity_bytes;
            assert_eq!(profile.scaled_to(whole), Ok((profile, Vec::new())));
        }
    }

    #[test]
    fn capacities_that_make_no_sense_are_refused() {
        let profile = built_in("desktop-5tb");
        let refused = |bytes| profile.scaled_to(bytes).expect_err("refused");
        assert!(matches!(
            refused(5_000_000_000_001),
            ScaleError::Unaligned { .. }
        ));
        assert!(matches!(
            refused(5_000_000_004_096),
            ScaleError::Larger { .. }
        ));
        let below = profile.capacity_bytes_min() - SECTOR_BYTES;
        assert!(matches!(refused(below), ScaleError::Smaller { .. }));
        assert!(matches!(refused(0), ScaleError::Smaller { .. }));
        assert!(refused(below).to_string().contains("desktop-5tb"));
    }

    #[test]
    fn every_profile_scales_down_to_its_smallest_capacity() {
        for name in names() {
            let profile = built_in(name);
            let (scaled, changes) = profile
                .scaled_to(profile.capacity_bytes_min())
                .expect("the smallest capacity is accepted");
            assert_valid(&scaled);
            assert_eq!(scaled.missing_bytes(), 0, "{name}: {changes:?}");
        }
    }

    #[test]
    fn a_hundredth_of_the_desktop_keeps_its_character() {
        let whole = built_in("desktop-5tb");
        let (scaled, changes) = whole
            .scaled_to(50_000_000_000 / 4096 * 4096)
            .expect("scales");
        let (old, new) = (
            whole.staging.expect("staged"),
            scaled.staging.expect("staged"),
        );
        // 1% of 29.3 GB is 293 MB: seven bands, above the least of four.
        assert_eq!(new.bytes.div_ceil(1_000_000), 294);
        assert_eq!(new.slots, 338);
        assert_eq!(new.medium, old.medium);
        assert_eq!(new.merge_tracks, old.merge_tracks);
        assert_eq!(scaled.bands, whole.bands);
        assert_eq!(scaled.platters.seek, whole.platters.seek);
        assert_eq!(scaled.cleaning, whole.cleaning);
        let tracks = |p: &crate::profile::Platters| p.tracks_per_surface();
        // 1 % of the tracks, the rows of the map area, and up to a row of 25 tracks for each of 16
        // zones: neither shrinks in proportion.
        let found = tracks(&scaled.platters);
        assert!((5_100..6_100).contains(&found), "{found} tracks");
        assert!(
            changes
                .iter()
                .any(|change| change.starts_with("capacity: 5 TB -> "))
        );
    }

    #[test]
    fn a_very_small_desktop_still_slows_down_inwards() {
        let whole = built_in("desktop-5tb");
        let (scaled, changes) = whole.scaled_to(1 << 30).expect("scales");
        let zones = &scaled.platters.zones;
        assert!((2..16).contains(&zones.len()), "{zones:?}");
        assert!(zones[0].sectors_per_track > zones[zones.len() - 1].sectors_per_track);
        assert!(
            changes
                .iter()
                .any(|change| change.starts_with("recording zones: 16 -> "))
        );
        let staging = scaled.staging.expect("staged");
        assert_eq!(staging.slots, 4 * 24 * 2);
    }

    #[test]
    fn points_of_a_seek_curve_keep_their_share_of_the_stroke() {
        let whole = built_in("inner-4tb");
        let (scaled, _) = whole
            .scaled_to(400_000_000_000 / 4096 * 4096)
            .expect("scales");
        let (SeekCurve::Points(old), SeekCurve::Points(new)) =
            (&whole.platters.seek, &scaled.platters.seek)
        else {
            panic!("both are points");
        };
        let stroke = scaled.platters.tracks_per_surface() - 1;
        assert_eq!(
            new.last().map(|p| (u64::from(p.tracks), p.time)),
            Some((stroke, old[5].time))
        );
        assert_eq!((new[0].tracks, new[0].time), (1, old[0].time));
        let half = new
            .iter()
            .find(|p| p.time == old[4].time)
            .expect("half a stroke is kept");
        assert!(u64::from(half.tracks).abs_diff(stroke / 2) <= 1);
    }

    proptest! {
        #[test]
        fn every_accepted_capacity_gives_a_valid_profile_with_room(
            which in 0..names().len(),
            part in 0_u64..=1_000_000,
            shift in 0_u32..12,
        ) {
            let profile = built_in(names()[which]);
            let (least, most) = (profile.capacity_bytes_min(), profile.drive.capacity_bytes);
            let span = u128::from((most - least) >> shift) * u128::from(part) / 1_000_000;
            let asked = least + u64::try_from(span).expect("within the span");
            let asked = asked / SECTOR_BYTES * SECTOR_BYTES;
            prop_assume!(asked >= least);
            let (scaled, _) = profile.scaled_to(asked).expect("it is in range");
            prop_assert_eq!(scaled.drive.capacity_bytes, asked);
            assert_valid(&scaled);
            let whole = scaled.platters.tracks_per_surface() == profile.platters.tracks_per_surface();
            prop_assert!(whole || scaled.missing_bytes() == 0);
        }
    }
}
