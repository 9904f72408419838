//! Owns an estimate, on the safe side, of the room that the parts of a drive take on its platters.
//!
//! The layout has the last word on what fits; it lies above and is not asked here.

use crate::profile::{Personality, Profile, RecordingZone, Staging, StagingMedium, StagingPlace};
use crate::units::{SECTOR_BYTES, count};

/// Bytes of a full map for each extent and home band, and for its fixed parts: what the layout
/// sets aside.
const MAP_BYTES_PER_ENTRY: u64 = 32;
const MAP_SPARE_BYTES: u64 = 64 << 10;

impl Profile {
    /// Bytes by which the platters are too small for data, staging, map and spare bands, with a
    /// hundredth to spare. An estimate on the safe side: the layout has the last word.
    pub(super) fn missing_bytes(&self) -> u64 {
        let capacity = self.drive.capacity_bytes;
        let mut needed = capacity + capacity / 100;
        let outer = &self.platters.zones[0];
        // Each staging region and the map cut an area of data bands in two. Each area has spares
        // and may leave a row of bands unfinished. Where the room is counted in whole bands, what
        // the end of a zone leaves is not in it.
        let cuts = self.regions() + 1;
        let areas = count(self.platters.zones.len()) + cuts;
        let unfinished = match self.drive.personality {
            Personality::DriveManaged => cuts,
            Personality::Conventional => areas,
        };
        let mut bands = areas * u64::from(self.bands.spares_per_zone)
            + unfinished * u64::from(self.platters.surfaces);
        if let Some(staging) = &self.staging {
            needed += self.map_rows() * u64::from(self.platters.surfaces) * outer.track_bytes();
            bands += self.staging_bands(staging) + 1;
        }
        needed += bands * self.bands.bytes_in(outer);
        needed.saturating_sub(self.band_bytes())
    }

    /// Tracks of each surface that the map area takes at least: a full map and one merge, in each
    /// of two halves on neighbouring surfaces (one behind the other where there is only one).
    pub(super) fn map_rows(&self) -> u64 {
        let Some(staging) = &self.staging else {
            return 0;
        };
        let inner = self
            .platters
            .zones
            .last()
            .map_or(1, RecordingZone::track_bytes)
            .max(1);
        let homes = self.drive.capacity_bytes
            / self
                .platters
                .zones
                .iter()
                .map(|zone| self.bands.bytes_in(zone))
                .min()
                .unwrap_or(1)
                .max(1);
        let map = MAP_BYTES_PER_ENTRY * (staging.extents + homes + 1) + MAP_SPARE_BYTES;
        let half = map.div_ceil(inner)
            + u64::from(staging.merge_tracks)
            + u64::from(self.bands.guard_tracks)
            + 1;
        if self.platters.surfaces > 1 {
            half
        } else {
            2 * half
        }
    }

    /// Bands that the staging area takes: enough for its bytes and for its slots.
    fn staging_bands(&self, staging: &Staging) -> u64 {
        let StagingMedium::Disk {
            quanta_per_track, ..
        } = staging.medium
        else {
            return 0;
        };
        let outer = &self.platters.zones[0];
        let band = self.bands.bytes_in(outer);
        let by_slots = match quanta_per_track {
            0 => staging.slots.div_ceil(band / SECTOR_BYTES),
            parts => staging
                .slots
                .div_ceil(self.bands.tracks_in(outer) * u64::from(parts)),
        };
        let unfinished = u64::from(self.platters.surfaces);
        staging.bytes.div_ceil(band).max(by_slots) + self.regions() * unfinished
    }

    /// Regions of a staging area on the platters.
    fn regions(&self) -> u64 {
        match self.staging.as_ref().map(|staging| staging.medium) {
            Some(StagingMedium::Disk {
                place: StagingPlace::Spread(regions),
                ..
            }) => u64::from(regions),
            Some(StagingMedium::Disk { .. }) => 1,
            Some(StagingMedium::Flash { .. }) | None => 0,
        }
    }
}
