//! Owns where the staging regions and the map halves lie along the radius.
//!
//! Both are placed before the data: staging where the profile says, the map as near to its place as
//! the staging regions leave it. What is decided here are tracks; `placing` turns them into areas.

use crate::medium::area::BandShape;
use crate::medium::placing::{LayoutError, RECORD_EXTENT_BYTES, slot_sectors};
use crate::medium::radius::{Need, Piece, Radius, Reservation};
use crate::profile::{Place, Platters, Profile, Staging, StagingMedium, StagingPlace};
use crate::units::Sectors;

/// Bytes of a full map beside its extents and home bands.
const MAP_SPARE_BYTES: u64 = 64 << 10;
/// Fewest bands of a staging region: one that fills, one that drains, one between.
pub(super) const REGION_BANDS_MIN: u64 = 3;

/// The tracks of each staging region, outermost first; none on flash.
pub(super) fn place_staging(
    staging: &Staging,
    radius: &Radius,
) -> Result<Vec<Vec<Piece>>, LayoutError> {
    let StagingMedium::Disk {
        place,
        quanta_per_track,
        ..
    } = staging.medium
    else {
        return Ok(Vec::new());
    };
    let parts = match place {
        StagingPlace::One(_) => 1,
        StagingPlace::Spread(parts) => parts.max(1),
    };
    let need = Need {
        slots: staging.slots.div_ceil(u64::from(parts)),
        sectors: Sectors::holding(staging.bytes).0.div_ceil(u64::from(parts)),
        bands_min: REGION_BANDS_MIN,
        quanta_per_track,
    };
    let mut regions = Vec::new();
    let mut free_from = 0;
    for part in 0..parts {
        let wanted = match place {
            StagingPlace::One(Place::Outer) => Some(0),
            StagingPlace::One(Place::Middle) => Some(radius.centred(need, radius.total() / 2)),
            StagingPlace::One(Place::Inner) => None,
            StagingPlace::Spread(_) => {
                let middle =
                    u64::from(radius.total()) * (2 * u64::from(part) + 1) / (2 * u64::from(parts));
                let middle = u32::try_from(middle).expect("below the number of cylinders");
                Some(radius.centred(need, middle))
            }
        };
        let pieces = wanted
            .and_then(|first| radius.take_inward(need, first.max(free_from)))
            .or_else(|| radius.take_outward(need))
            .filter(|pieces| pieces.iter().all(|piece| piece.first >= free_from))
            .ok_or_else(|| LayoutError::NoRoom {
                area: "staging area",
                needed_tracks: radius.tracks_for(need) * u64::from(parts),
                available_tracks: radius.tracks(),
                change: "lower staging.bytes or staging.slots, or add tracks to platters.zones",
            })?;
        free_from = pieces
            .last()
            .map_or(free_from, |piece| piece.reservation().end);
        check_entry(staging, quanta_per_track, &pieces)?;
        regions.push(pieces);
    }
    Ok(regions)
}

/// The largest entry must fit in every staging band.
fn check_entry(staging: &Staging, quanta: u32, pieces: &[Piece]) -> Result<(), LayoutError> {
    for piece in pieces {
        let slot = slot_sectors(quanta, piece.shape.sectors_per_track).0;
        let entry_sectors = Sectors::holding(staging.entry_bytes_max)
            .0
            .next_multiple_of(slot);
        if entry_sectors > piece.shape.sectors.0 {
            return Err(LayoutError::EntryLargerThanBand {
                entry_sectors,
                band_sectors: piece.shape.sectors.0,
            });
        }
    }
    Ok(())
}

/// A half of the map: one band and the surface it lies on.
pub(super) struct MapHalf {
    /// The band and its tracks.
    pub(super) piece: Piece,
    /// Its surface.
    pub(super) surface: u32,
}

/// What the map area must keep to.
pub(super) struct MapPlan<'a> {
    /// Merges that each half has room for beyond a full map.
    pub(super) merges: u64,
    /// What is taken already; the halves are added.
    pub(super) reserved: &'a mut Vec<Reservation>,
}

/// Places both halves of the map in one recording zone, as near to the place asked for as the
/// reservations so far allow, and reserves their tracks.
pub(super) fn place_map(
    staging: &Staging,
    profile: &Profile,
    radius: &Radius,
    plan: MapPlan<'_>,
) -> Result<[MapHalf; 2], LayoutError> {
    let MapPlan { merges, reserved } = plan;
    let Platters { surfaces, .. } = profile.platters;
    let guard = profile.bands.guard_tracks;
    // An upper bound: how many home bands there are is known only once the map is placed.
    let homes = Sectors::holding(profile.drive.capacity_bytes)
        .0
        .div_ceil(radius.smallest_band().0);
    let map = Sectors::holding(
        RECORD_EXTENT_BYTES.saturating_mul(staging.extents.saturating_add(homes)) + MAP_SPARE_BYTES,
    );
    let tracks_at = |sectors_per_track: u32| {
        map.0.div_ceil(u64::from(sectors_per_track)) + merges * u64::from(staging.merge_tracks)
    };
    // On a single surface the second half lies behind the first.
    let side_by_side = surfaces > 1;
    let width_at = |sectors_per_track: u32| {
        let pitch = tracks_at(sectors_per_track) + u64::from(guard);
        if side_by_side { pitch } else { 2 * pitch }
    };
    reserved.sort_unstable_by_key(|reservation| reservation.first);
    let spot = radius.nearest_gap(staging.merge_place, reserved, width_at);
    let (first, sectors_per_track) = spot.ok_or_else(|| LayoutError::NoRoom {
        area: "map area",
        needed_tracks: width_at(radius.inner_sectors_per_track()) * u64::from(surfaces),
        available_tracks: radius.longest_gap(reserved) * u64::from(surfaces),
        change: "lower staging.extents or staging.merge_tracks, or add tracks to platters.zones (the map area must fit in one zone)",
    })?;
    let tracks = u32::try_from(tracks_at(sectors_per_track)).expect("it fits in a zone's tracks");
    let shape = BandShape {
        sectors: Sectors(u64::from(tracks) * u64::from(sectors_per_track)),
        tracks,
        guard_tracks: guard,
        sectors_per_track,
    };
    let half = |first, surface| MapHalf {
        piece: Piece {
            first,
            cylinders: shape.pitch(),
            bands: 1,
            shape,
        },
        surface,
    };
    let second = if side_by_side {
        half(first, 1)
    } else {
        half(first + shape.pitch(), 0)
    };
    let halves = [half(first, 0), second];
    reserved.extend(halves.iter().map(|half| half.piece.reservation()));
    Ok(halves)
}
