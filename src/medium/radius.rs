//! Owns the arithmetic of tracks along the radius: recording zones, gaps between reservations, and
//! how many bands fit in a run of cylinders.
//!
//! All cylinder numbers are over all zones, from 0 at the outer diameter. A piece never spans two
//! recording zones. It does not know what the pieces are for.

use crate::medium::area::BandShape;
use crate::medium::placing::slot_sectors;
use crate::profile::{BandSize, Bands, Place, Platters};
use crate::units::{SECTOR_BYTES, Sectors};

/// The recording zones and the band rule of a drive.
pub(super) struct Radius {
    zones: Vec<Gap>,
    surfaces: u32,
    bands: Bands,
}

/// A run of cylinders of one recording zone.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Gap {
    /// First cylinder.
    pub(super) first: u32,
    /// First cylinder after it.
    pub(super) last: u32,
    /// Sectors of each track.
    sectors_per_track: u32,
}

/// Cylinders that are taken.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Reservation {
    /// First cylinder.
    pub(super) first: u32,
    /// First cylinder after it.
    pub(super) end: u32,
}

/// Bands of one shape in a run of cylinders.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Piece {
    /// First cylinder.
    pub(super) first: u32,
    /// Cylinders it takes.
    pub(super) cylinders: u32,
    /// Bands in it.
    pub(super) bands: u64,
    /// Their shape.
    pub(super) shape: BandShape,
}

impl Piece {
    /// The cylinders it takes.
    pub(super) fn reservation(&self) -> Reservation {
        Reservation {
            first: self.first,
            end: self.first + self.cylinders,
        }
    }
}

/// What a staging region must hold: slots or sectors, whichever limit is reached first.
#[derive(Clone, Copy, Debug)]
pub(super) struct Need {
    /// Log slots.
    pub(super) slots: u64,
    /// Payload sectors.
    pub(super) sectors: u64,
    /// Fewest bands.
    pub(super) bands_min: u64,
    /// Rule for the size of a slot.
    pub(super) quanta_per_track: u32,
}

impl Need {
    /// Bands of one shape that cover the need: one more than the limits ask for, because the band
    /// that is being filled anew holds nothing old.
    fn bands(&self, shape: &BandShape) -> u64 {
        let (slots, sectors) = self.of_band(shape);
        let for_slots = self.slots.div_ceil(slots);
        let for_sectors = self.sectors.div_ceil(sectors);
        (for_slots.min(for_sectors) + 1).max(self.bands_min)
    }

    /// What is left once so many bands are there.
    fn after(&self, shape: &BandShape, bands: u64) -> Need {
        let (slots, sectors) = self.of_band(shape);
        Need {
            slots: self.slots.saturating_sub(bands.saturating_mul(slots)),
            sectors: self.sectors.saturating_sub(bands.saturating_mul(sectors)),
            bands_min: self.bands_min.saturating_sub(bands),
            ..*self
        }
    }

    /// Slots of a band, and the payload sectors they hold.
    fn of_band(&self, shape: &BandShape) -> (u64, u64) {
        let slot = slot_sectors(self.quanta_per_track, shape.sectors_per_track).0;
        let slots = (shape.sectors.0 / slot).max(1);
        (slots, slots * slot)
    }
}

impl Radius {
    /// Lays the zones of a mechanism side by side.
    pub(super) fn new(platters: &Platters, bands: Bands) -> Radius {
        let mut zones = Vec::with_capacity(platters.zones.len());
        let mut first = 0;
        for zone in &platters.zones {
            zones.push(Gap {
                first,
                last: first + zone.tracks,
                sectors_per_track: zone.sectors_per_track,
            });
            first += zone.tracks;
        }
        assert!(!zones.is_empty(), "a valid profile has recording zones");
        Radius {
            zones,
            surfaces: platters.surfaces,
            bands,
        }
    }

    /// Cylinders of all zones.
    pub(super) fn total(&self) -> u32 {
        self.zones.last().map_or(0, |zone| zone.last)
    }

    /// Recording surfaces.
    pub(super) fn surfaces(&self) -> u64 {
        u64::from(self.surfaces)
    }

    /// Tracks of all surfaces.
    pub(super) fn tracks(&self) -> u64 {
        u64::from(self.total()) * self.surfaces()
    }

    /// Shape of the bands of the innermost zone.
    pub(super) fn inner_shape(&self) -> BandShape {
        self.shape(self.inner_sectors_per_track())
    }

    /// Sectors of the innermost tracks.
    pub(super) fn inner_sectors_per_track(&self) -> u32 {
        self.zones.last().map_or(1, |zone| zone.sectors_per_track)
    }

    /// The fewest sectors that a band of any zone has.
    pub(super) fn smallest_band(&self) -> Sectors {
        let sectors = self
            .zones
            .iter()
            .map(|z| self.shape(z.sectors_per_track).sectors);
        sectors.min().expect("there are zones")
    }

    fn shape(&self, sectors_per_track: u32) -> BandShape {
        let (sectors, tracks) = match self.bands.size {
            BandSize::Tracks(tracks) => (u64::from(tracks) * u64::from(sectors_per_track), tracks),
            BandSize::Bytes(bytes) => {
                let sectors = bytes / SECTOR_BYTES;
                let tracks = sectors.div_ceil(u64::from(sectors_per_track));
                // A band of more tracks than can be numbered fits in no zone either way.
                (sectors, u32::try_from(tracks).unwrap_or(u32::MAX / 2))
            }
        };
        BandShape {
            sectors: Sectors(sectors),
            tracks,
            guard_tracks: self.bands.guard_tracks,
            sectors_per_track,
        }
    }

    /// As many bands as fit in a run of cylinders: whole rows over all surfaces.
    pub(super) fn fill(&self, gap: Gap) -> Piece {
        let shape = self.shape(gap.sectors_per_track);
        let rows = (gap.last - gap.first) / shape.pitch();
        Piece {
            first: gap.first,
            cylinders: rows * shape.pitch(),
            bands: u64::from(rows) * self.surfaces(),
            shape,
        }
    }

    /// Cylinders of whole rows that hold `bands` bands.
    fn cylinders(&self, shape: &BandShape, bands: u64) -> u64 {
        bands.div_ceil(self.surfaces()) * u64::from(shape.pitch())
    }

    /// Tracks over all surfaces that a need takes in the innermost zone.
    pub(super) fn tracks_for(&self, need: Need) -> u64 {
        let shape = self.inner_shape();
        self.cylinders(&shape, need.bands(&shape)) * self.surfaces()
    }

    /// First cylinder of a need's bands if they lie around a middle.
    pub(super) fn centred(&self, need: Need, middle: u32) -> u32 {
        let zone = self.zones.partition_point(|zone| zone.last <= middle);
        let zone = self
            .zones
            .get(zone)
            .or(self.zones.last())
            .expect("there are zones");
        let shape = self.shape(zone.sectors_per_track);
        let half = self.cylinders(&shape, need.bands(&shape)) / 2;
        middle.saturating_sub(u32::try_from(half).unwrap_or(u32::MAX))
    }

    /// Bands that cover a need from a cylinder inwards; `None` where the tracks run out.
    pub(super) fn take_inward(&self, mut need: Need, first: u32) -> Option<Vec<Piece>> {
        let mut pieces = Vec::new();
        for zone in self.zones.iter().filter(|zone| zone.last > first) {
            let whole = self.fill(Gap {
                first: zone.first.max(first),
                ..*zone
            });
            let wanted = need.bands(&whole.shape);
            let bands = wanted.min(whole.bands);
            if bands > 0 {
                pieces.push(self.cut(whole, bands));
            }
            if bands == wanted {
                return Some(pieces);
            }
            need = need.after(&whole.shape, bands);
        }
        None
    }

    /// Bands that cover a need and end at the inner diameter; `None` where the tracks run out.
    pub(super) fn take_outward(&self, mut need: Need) -> Option<Vec<Piece>> {
        let mut pieces = Vec::new();
        for zone in self.zones.iter().rev() {
            let whole = self.fill(*zone);
            let wanted = need.bands(&whole.shape);
            let bands = wanted.min(whole.bands);
            if bands > 0 {
                let cut = self.cut(whole, bands);
                pieces.push(Piece {
                    first: zone.last - cut.cylinders,
                    ..cut
                });
            }
            if bands == wanted {
                pieces.reverse();
                return Some(pieces);
            }
            need = need.after(&whole.shape, bands);
        }
        None
    }

    /// The first `bands` bands of a piece, with the rows they need.
    fn cut(&self, whole: Piece, bands: u64) -> Piece {
        let cylinders = self.cylinders(&whole.shape, bands);
        Piece {
            cylinders: u32::try_from(cylinders).expect("a part of the piece"),
            bands,
            ..whole
        }
    }

    /// What no reservation takes, cut at zone borders, from the outer diameter inwards.
    /// Reservations are in ascending order.
    pub(super) fn gaps(&self, reserved: &[Reservation]) -> Vec<Gap> {
        let mut gaps = Vec::new();
        for zone in &self.zones {
            let mut first = zone.first;
            for taken in reserved {
                let last = taken.first.min(zone.last);
                if first < last {
                    gaps.push(Gap {
                        first,
                        last,
                        ..*zone
                    });
                }
                first = first.max(taken.end);
            }
            if first < zone.last {
                gaps.push(Gap { first, ..*zone });
            }
        }
        gaps
    }

    /// Cylinders of the longest gap.
    pub(super) fn longest_gap(&self, reserved: &[Reservation]) -> u64 {
        let gaps = self.gaps(reserved);
        let longest = gaps.iter().map(|gap| gap.last - gap.first).max();
        longest.map_or(0, u64::from)
    }

    /// First cylinder, and sectors per track there, of a run that lies in one gap as near as
    /// possible to a place. `width_at` says how many cylinders it takes by sectors per track.
    pub(super) fn nearest_gap(
        &self,
        place: Place,
        reserved: &[Reservation],
        width_at: impl Fn(u32) -> u64,
    ) -> Option<(u32, u32)> {
        let mut best: Option<(u32, (u32, u32))> = None;
        for gap in self.gaps(reserved) {
            let width = match u32::try_from(width_at(gap.sectors_per_track)) {
                Ok(width) if width <= gap.last - gap.first => width,
                _ => continue,
            };
            let wanted = match place {
                Place::Outer => 0,
                Place::Middle => (self.total() - width) / 2,
                Place::Inner => self.total() - width,
            };
            let first = wanted.clamp(gap.first, gap.last - width);
            let distance = wanted.abs_diff(first);
            if best.is_none_or(|(least, _)| distance < least) {
                best = Some((distance, (first, gap.sectors_per_track)));
            }
        }
        best.map(|(_, found)| found)
    }
}
