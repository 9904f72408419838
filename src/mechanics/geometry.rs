//! Owns spots on the platters and the skews between neighbouring tracks.
//!
//! A spot is a physical place: which address lies there is the layout's business, not known here.

use crate::mechanics::rotation::{REVOLUTION, Rotation};
use crate::time::Duration;

/// A physical sector: where the arm, the head and the angle must be.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Spot {
    /// Radial position in tracks, 0 at the outer diameter.
    pub cylinder: u32,
    /// Recording surface.
    pub surface: u32,
    /// Sector on the track, as the track numbers them (skew not applied).
    pub sector: u32,
    /// Sectors of this track.
    pub sectors_per_track: u32,
}

/// Sectors that pass while `time` goes by, rounded up: how far the start of a track is turned
/// against the end of the one before, so that a transfer going on catches it (common practice).
pub fn skew_sectors(rotation: &Rotation, sectors_per_track: u32, time: Duration) -> u32 {
    let passed = u128::from(sectors_per_track) * u128::from(time.0) * u128::from(rotation.rate());
    let sectors = passed.div_ceil(u128::from(REVOLUTION)) % u128::from(sectors_per_track);
    u32::try_from(sectors).expect("below the sectors of a track")
}

/// How the tracks of bands of one shape are turned against each other.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Skew {
    sectors_per_track: u32,
    track: u32,
    band: u32,
}

/// What the skews of an area follow from.
#[derive(Clone, Copy, Debug)]
pub struct SkewRule {
    /// Sectors of each track.
    pub sectors_per_track: u32,
    /// Tracks of each band.
    pub band_tracks: u32,
    /// Sectors used on the last track of a band.
    pub last_track_sectors: u32,
    /// Time from the end of a track to the next one of the same band.
    pub track_change: Duration,
    /// Time from the end of a band to the start of the next one.
    pub band_change: Duration,
}

impl Skew {
    /// The skews of an area: each track of a band starts `track_change` after the end of the one
    /// before, each band `band_change` after the end of the one before.
    pub fn new(rotation: &Rotation, rule: &SkewRule) -> Skew {
        let per_track = rule.sectors_per_track;
        let track = skew_sectors(rotation, per_track, rule.track_change);
        let change = skew_sectors(rotation, per_track, rule.band_change);
        let within = u64::from(track) * u64::from(rule.band_tracks.saturating_sub(1));
        let band = within + u64::from(rule.last_track_sectors) + u64::from(change);
        Skew {
            sectors_per_track: per_track,
            track,
            band: below(band, per_track),
        }
    }

    /// Sectors between the end of a track and the start of the next.
    pub fn track(&self) -> u32 {
        self.track
    }

    /// Where on the circle a sector lies: its place among `sectors_per_track` equal parts, counted
    /// from the angle at model time 0.
    pub fn slot(&self, band_in_area: u32, track: u32, sector: u32) -> u32 {
        let turned = u64::from(band_in_area) * u64::from(self.band)
            + u64::from(track) * u64::from(self.track)
            + u64::from(sector);
        below(turned, self.sectors_per_track)
    }
}

fn below(value: u64, bound: u32) -> u32 {
    u32::try_from(value % u64::from(bound)).expect("below a 32-bit bound")
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Common practice: 1.0 ms at 5,900 rpm is 42, 32 and 21 sectors of 424, 318 and 212.
    #[test]
    fn the_skew_of_a_millisecond_is_as_tabled() {
        let rotation = Rotation::new(5_900_000);
        for (per_track, sectors) in [(424, 42), (318, 32), (212, 21)] {
            assert_eq!(
                skew_sectors(&rotation, per_track, Duration::from_ms(1)),
                sectors
            );
        }
    }

    /// The published parameters of a 1990s 4,002 rpm disk: switching tracks in 1.6 ms and moving by
    /// one cylinder in 3.64 ms are skews of 8 and 18 of 72 sectors.
    #[test]
    fn the_skews_of_a_published_disk_are_reproduced() {
        let rotation = Rotation::new(4_002_000);
        assert_eq!(skew_sectors(&rotation, 72, Duration::from_us(1_600)), 8);
        assert_eq!(skew_sectors(&rotation, 72, Duration::from_us(3_640)), 18);
    }

    #[test]
    fn tracks_and_bands_follow_the_end_of_the_one_before() {
        let rotation = Rotation::new(6_000_000);
        let rule = SkewRule {
            sectors_per_track: 100,
            band_tracks: 3,
            last_track_sectors: 40,
            track_change: Duration::from_us(950),
            band_change: Duration::from_us(1_200),
        };
        let skew = Skew::new(&rotation, &rule);
        // Ends at the angle where it began; 0.95 ms are 9.5 parts of 0.1 ms.
        assert_eq!(skew.slot(0, 1, 0), 10);
        assert_eq!(skew.slot(0, 2, 0), 20);
        // The band ends after sector 39 of its third track; 1.2 ms are 12 parts.
        assert_eq!(skew.slot(1, 0, 0), 20 + 40 + 12);
        assert_eq!(skew.slot(2, 1, 5), (72 * 2 + 10 + 5) % 100);
    }
}
