//! Owns the plain counts that follow from a profile: tracks, bands and bytes there are in all.
//!
//! These say how much there is and never where it lies: places are the layout's business. All
//! results are exact and fit in 64 bits for every value in range.

use crate::profile::{BandSize, Bands, Personality, Platters, Profile, RecordingZone};
use crate::units::SECTOR_BYTES;

impl Platters {
    /// Tracks of all zones on one surface; the full stroke is one less.
    pub fn tracks_per_surface(&self) -> u64 {
        self.zones.iter().map(|zone| u64::from(zone.tracks)).sum()
    }

    /// Sectors of the longest track.
    pub fn track_sectors_max(&self) -> u64 {
        let sectors = self.zones.iter().map(|zone| zone.sectors_per_track);
        sectors.max().map_or(0, u64::from)
    }
}

impl RecordingZone {
    /// Bytes of one track.
    pub fn track_bytes(&self) -> u64 {
        u64::from(self.sectors_per_track) * SECTOR_BYTES
    }
}

impl Bands {
    /// Tracks of a band in this zone, guard tracks left out.
    pub fn tracks_in(&self, zone: &RecordingZone) -> u64 {
        match self.size {
            BandSize::Tracks(tracks) => u64::from(tracks),
            BandSize::Bytes(bytes) => bytes.div_ceil(zone.track_bytes()),
        }
    }

    /// Tracks from the start of a band to the start of the next on the same surface.
    pub fn pitch_tracks(&self, zone: &RecordingZone) -> u64 {
        self.tracks_in(zone) + u64::from(self.guard_tracks)
    }

    /// Bytes that a band of this zone holds.
    pub fn bytes_in(&self, zone: &RecordingZone) -> u64 {
        match self.size {
            BandSize::Tracks(tracks) => u64::from(tracks) * zone.track_bytes(),
            BandSize::Bytes(bytes) => bytes,
        }
    }
}

impl Profile {
    /// Whole bands that a zone has room for, on all surfaces.
    pub fn bands_in(&self, zone: &RecordingZone) -> u64 {
        u64::from(zone.tracks) / self.bands.pitch_tracks(zone) * u64::from(self.platters.surfaces)
    }

    /// Bytes that there is room for in all: whole bands, or every track of a conventional drive.
    pub fn band_bytes(&self) -> u64 {
        let bytes = |zone: &RecordingZone| match self.drive.personality {
            Personality::DriveManaged => self.bands_in(zone) * self.bands.bytes_in(zone),
            Personality::Conventional => {
                u64::from(zone.tracks) * u64::from(self.platters.surfaces) * zone.track_bytes()
            }
        };
        self.platters.zones.iter().map(bytes).sum()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 40 MiB are 24.2 tracks of 424 sectors and 48.3 of 212: a band's last track is not used up.
    #[test]
    fn a_band_in_bytes_takes_every_track_that_it_touches() {
        let zone = |sectors_per_track| RecordingZone {
            tracks: 1_000,
            sectors_per_track,
        };
        let bands = Bands {
            size: BandSize::Bytes(40 << 20),
            guard_tracks: 2,
            overlap_tracks: 1,
            spares_per_zone: 1,
        };
        assert_eq!(bands.tracks_in(&zone(424)), 25);
        assert_eq!(bands.pitch_tracks(&zone(424)), 27);
        assert_eq!(bands.tracks_in(&zone(212)), 49);
        // 10,240 sectors are 20 tracks of 512 exactly.
        assert_eq!(bands.tracks_in(&zone(512)), 20);
    }
}
