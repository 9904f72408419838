//! Drive-managed disks whose staging area counts single sectors, for laws about bands.

use imbrex::profile::{
    BandSize, CleaningStep, Personality, Place, Profile, RecordingZone, SeekCurve, Staging,
    StagingMedium,
};
use imbrex::time::Duration;
use imbrex::units::SECTOR_BYTES;

use crate::mechanism::{conventional, through};
use crate::stopwatch::{WRITE, Wanted};

/// Unused tracks after a band.
const GUARD_TRACKS: u32 = 1;

/// A disk of one surface with a home band and a spare in each of `zones`, given by their sectors per
/// track, or more than one; `slots` sectors of staging on flash.
pub(crate) struct Shingled<'a> {
    pub(crate) zones: &'a [u32],
    pub(crate) bands_per_zone: u32,
    pub(crate) band_tracks: u32,
    pub(crate) slots: u64,
}

impl Shingled<'_> {
    /// The profile: no volatile cache, idle cleaning never.
    pub(crate) fn profile(&self) -> Profile {
        let pitch = self.band_tracks + GUARD_TRACKS;
        let mut zones: Vec<RecordingZone> = self
            .zones
            .iter()
            .map(|&sectors_per_track| RecordingZone {
                tracks: (self.bands_per_zone + 1) * pitch,
                sectors_per_track,
            })
            .collect();
        let sectors: u64 = self
            .zones
            .iter()
            .map(|&per_track| u64::from(per_track))
            .sum();
        let sectors = sectors * u64::from(self.band_tracks * self.bands_per_zone);
        let extents = 2 * self.slots + 1_000;
        // The map lies behind all data: both halves, and room for merges.
        let innermost = self.zones[self.zones.len() - 1];
        let map = 32 * (extents + sectors / u64::from(innermost)) + (1 << 17);
        let tracks = u32::try_from(map / (u64::from(innermost) * SECTOR_BYTES)).unwrap();
        zones.push(RecordingZone {
            tracks: 2 * tracks + 60,
            sectors_per_track: innermost,
        });
        let all: u32 = zones.iter().map(|zone| zone.tracks).sum();
        let mut profile = conventional(6_000_000, &[(1, 1)], flat_seek(all));
        profile.platters.zones = zones;
        profile.drive.personality = Personality::DriveManaged;
        profile.drive.capacity_bytes = sectors * SECTOR_BYTES;
        profile.drive.formatted = false;
        profile.bands.size = BandSize::Tracks(self.band_tracks);
        (profile.bands.guard_tracks, profile.bands.overlap_tracks) = (GUARD_TRACKS, 1);
        profile.bands.spares_per_zone = 1;
        profile.cleaning.idle_delay = Duration::from_s(3_600);
        profile.cleaning.step = CleaningStep::Track;
        profile.staging = Some(Staging {
            medium: StagingMedium::Flash {
                read_latency: Duration::from_us(100),
                write_latency: Duration::from_us(100),
                bytes_per_s: 1_000_000_000,
            },
            bytes: self.slots * SECTOR_BYTES,
            slots: self.slots,
            extents,
            entry_bytes_max: SECTOR_BYTES,
            merge_every_entries: 1_000_000,
            merge_tracks: 1,
            merge_place: Place::Inner,
        });
        profile
    }
}

/// Every move takes 5 ms.
pub(crate) fn flat_seek(tracks: u32) -> SeekCurve {
    through(&[(1, 5_000_000), (tracks - 1, 5_000_000)])
}

/// A write of one sector.
pub(crate) fn write(lba: u64) -> Wanted {
    (WRITE, lba * SECTOR_BYTES, SECTOR_BYTES)
}
