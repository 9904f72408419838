//! Owns the decision which tracks and sectors each area gets.
//!
//! Reservations (staging regions, then the map) are placed along the radius first; data fills what
//! is left from the outer diameter inwards. An area never spans two recording zones. Runs once per
//! drive; what it decides is looked up in `layout`.

use crate::extent::LbaExtent;
use crate::medium::area::{Area, AreaKind, BandShape, Region};
use crate::medium::radius::{Need, Piece, Radius, Reservation};
use crate::profile::{Personality, Place, Platters, Profile, Staging, StagingMedium, StagingPlace};
use crate::units::{Lba, Pba, SECTOR_BYTES, Sectors, count, index};

/// Sectors of the system area.
const SYSTEM_SECTORS: u64 = 64;
/// Least sectors of the journal.
const JOURNAL_SECTORS_MIN: u64 = 256;
/// Most sectors of the journal.
const JOURNAL_SECTORS_MAX: u64 = (256 << 20) / SECTOR_BYTES;
/// Merges of the map that the journal and each map half have room for beyond the least.
const MERGES: u64 = 8;
/// Bytes of a record's header, and of each extent it names.
const RECORD_HEADER_BYTES: u64 = 64;
const RECORD_EXTENT_BYTES: u64 = 32;
/// Bytes of a full map beside its extents and home bands.
const MAP_SPARE_BYTES: u64 = 64 << 10;
/// Fewest bands of a staging region: one that fills, one that drains, one between.
const REGION_BANDS_MIN: u64 = 3;
/// Largest segment of the log on flash.
const SEGMENT_BYTES_MAX: u64 = 1 << 20;
/// Parts into which flash is cut at least.
const SEGMENTS_MIN: u64 = 64;

/// Why a profile's areas do not fit.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum LayoutError {
    /// Too few tracks.
    #[error(
        "the {area} does not fit on the platters: it needs {needed_tracks} tracks and {available_tracks} are left for it; {change}"
    )]
    NoRoom {
        /// Which area.
        area: &'static str,
        /// Tracks it needs over all surfaces, guard tracks included.
        needed_tracks: u64,
        /// Tracks there are for it over all surfaces, guard tracks included.
        available_tracks: u64,
        /// Which keys of the profile to change.
        change: &'static str,
    },
    /// A log entry would not fit in a staging band.
    #[error(
        "a log entry of {entry_sectors} sectors (staging.entry_bytes_max, rounded up to log slots) does not fit in a staging band of {band_sectors} sectors; lower staging.entry_bytes_max or raise bands.size"
    )]
    EntryLargerThanBand {
        /// Sectors of the largest entry.
        entry_sectors: u64,
        /// Sectors of the smallest staging band.
        band_sectors: u64,
    },
    /// A staging region would serve nothing.
    #[error(
        "{regions} staging regions need at least as many home bands, and the capacity makes only {home_bands}; lower the number of regions in staging.place or raise drive.capacity"
    )]
    RegionsWithoutBands {
        /// Regions asked for.
        regions: u64,
        /// Home bands there are.
        home_bands: u32,
    },
    /// More bands than can be numbered.
    #[error(
        "the drive would have {bands} bands and at most {most} can be numbered; raise bands.size or lower drive.capacity",
        most = u32::MAX
    )]
    TooManyBands {
        /// Bands there would be.
        bands: u64,
    },
}

/// What placing decides.
pub(super) struct Placed {
    /// Areas in layout order.
    pub(super) areas: Vec<Area>,
    /// Staging regions.
    pub(super) regions: Vec<Region>,
}

/// Sectors of a log slot on tracks of this length (0: flash).
pub(super) fn slot_sectors(quanta_per_track: u32, sectors_per_track: u32) -> Sectors {
    let quantum = sectors_per_track.checked_div(quanta_per_track).unwrap_or(1);
    Sectors(u64::from(quantum.max(1)))
}

/// Decides where everything lies.
pub(super) fn place(profile: &Profile) -> Result<Placed, LayoutError> {
    let radius = Radius::new(&profile.platters, profile.bands);
    let staging = match profile.drive.personality {
        Personality::DriveManaged => profile.staging.as_ref(),
        Personality::Conventional => None,
    };
    let mut line = Line::default();
    line.add_plain(AreaKind::System, SYSTEM_SECTORS);
    line.add_plain(AreaKind::Journal, journal_sectors(staging));
    let mut reserved = Vec::new();
    if let Some(staging) = staging {
        let regions = place_staging(staging, &radius)?;
        reserved.extend(regions.iter().flatten().map(Piece::reservation));
        let map = place_map(staging, profile, &radius, &mut reserved)?;
        for (half, piece) in map.into_iter().enumerate() {
            line.add_bands(AreaKind::Map { half }, piece.piece, piece.surface)?;
        }
        add_staging(&mut line, staging, &regions)?;
    }
    reserved.sort_unstable_by_key(|reservation| reservation.first);
    let data = line.areas.len();
    place_data(&mut line, profile, &radius, &reserved)?;
    let regions = match staging {
        Some(staging) => serve(&line.areas, data, staging, profile)?,
        None => Vec::new(),
    };
    Ok(Placed {
        areas: line.areas,
        regions,
    })
}

/// Areas one after another in layout order.
#[derive(Default)]
struct Line {
    areas: Vec<Area>,
    end: Pba,
    bands: u32,
}

impl Line {
    /// An area without bands.
    fn add_plain(&mut self, kind: AreaKind, sectors: u64) {
        let shape = BandShape {
            sectors: Sectors(sectors),
            tracks: 0,
            guard_tracks: 0,
            sectors_per_track: 0,
        };
        self.push(kind, shape, 0, (0, 0), Sectors(sectors));
    }

    /// An area of bands on tracks.
    fn add_bands(&mut self, kind: AreaKind, piece: Piece, surface: u32) -> Result<(), LayoutError> {
        let bands = self.room_for(piece.bands)?;
        let sectors = Sectors(piece.bands * piece.shape.sectors.0);
        self.push(kind, piece.shape, bands, (piece.first, surface), sectors);
        Ok(())
    }

    /// Checks that so many more bands can be numbered.
    fn room_for(&self, bands: u64) -> Result<u32, LayoutError> {
        let all = u64::from(self.bands) + bands;
        u32::try_from(all)
            .map(|all| all - self.bands)
            .map_err(|_| LayoutError::TooManyBands { bands: all })
    }

    fn push(
        &mut self,
        kind: AreaKind,
        shape: BandShape,
        bands: u32,
        (cylinder, surface): (u32, u32),
        sectors: Sectors,
    ) {
        self.areas.push(Area {
            kind,
            start: self.end,
            sectors,
            first_band: self.bands,
            bands,
            shape,
            cylinder,
            surface,
            first_home: 0,
            homes: 0,
            lba: Lba(0),
        });
        self.end = self.end + sectors;
        self.bands += bands;
    }
}

/// Sectors of the journal: records of several merge intervals, each as large as they come.
fn journal_sectors(staging: Option<&Staging>) -> u64 {
    let Some(staging) = staging else {
        return JOURNAL_SECTORS_MIN;
    };
    let extents = staging.entry_bytes_max.div_ceil(SECTOR_BYTES);
    let record = Sectors::holding(RECORD_HEADER_BYTES + RECORD_EXTENT_BYTES * extents).0;
    let wanted = MERGES * u64::from(staging.merge_every_entries).saturating_mul(record);
    wanted.clamp(JOURNAL_SECTORS_MIN, JOURNAL_SECTORS_MAX)
}

/// The tracks of each staging region, outermost first; none on flash.
fn place_staging(staging: &Staging, radius: &Radius) -> Result<Vec<Vec<Piece>>, LayoutError> {
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
struct MapHalf {
    piece: Piece,
    surface: u32,
}

/// Places both halves of the map in one recording zone, as near to the place asked for as the
/// reservations so far allow, and reserves their tracks.
fn place_map(
    staging: &Staging,
    profile: &Profile,
    radius: &Radius,
    reserved: &mut Vec<Reservation>,
) -> Result<[MapHalf; 2], LayoutError> {
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
        map.0.div_ceil(u64::from(sectors_per_track)) + MERGES * u64::from(staging.merge_tracks)
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

/// Adds the staging areas to the line.
fn add_staging(
    line: &mut Line,
    staging: &Staging,
    regions: &[Vec<Piece>],
) -> Result<(), LayoutError> {
    for (region, pieces) in regions.iter().enumerate() {
        for &piece in pieces {
            line.add_bands(AreaKind::Staging { region }, piece, 0)?;
        }
    }
    if matches!(staging.medium, StagingMedium::Flash { .. }) {
        let payload = Sectors::holding(staging.bytes).0.min(staging.slots).max(1);
        let segment = (SEGMENT_BYTES_MAX / SECTOR_BYTES)
            .min(payload.div_ceil(SEGMENTS_MIN))
            .max(Sectors::holding(staging.entry_bytes_max).0)
            .max(1);
        let segments = (payload.div_ceil(segment) + 1).max(REGION_BANDS_MIN);
        let bands = line.room_for(segments)?;
        let shape = BandShape {
            sectors: Sectors(segment),
            tracks: 0,
            guard_tracks: 0,
            sectors_per_track: 0,
        };
        let sectors = Sectors(segments * segment);
        line.push(AreaKind::Flash, shape, bands, (0, 0), sectors);
    }
    Ok(())
}

/// Fills the unreserved tracks with data bands until the capacity is reached.
fn place_data(
    line: &mut Line,
    profile: &Profile,
    radius: &Radius,
    reserved: &[Reservation],
) -> Result<(), LayoutError> {
    let capacity = Sectors::holding(profile.drive.capacity_bytes).0;
    let spares = u64::from(profile.bands.spares_per_zone);
    let (mut lba, mut home) = (0, 0);
    let mut tracks_there = 0;
    for gap in radius.gaps(reserved) {
        tracks_there += u64::from(gap.last - gap.first) * radius.surfaces();
        if lba >= capacity {
            break;
        }
        let whole = radius.fill(gap);
        let homes = whole
            .bands
            .saturating_sub(spares)
            .min((capacity - lba).div_ceil(whole.shape.sectors.0));
        if homes == 0 {
            continue;
        }
        let used = Piece {
            bands: homes + spares,
            ..whole
        };
        line.add_bands(AreaKind::Data, used, 0)?;
        let area = line.areas.last_mut().expect("just added");
        area.first_home = home;
        area.homes = u32::try_from(homes).expect("fewer than the bands just numbered");
        area.lba = Lba(lba);
        home += area.homes;
        lba += homes * whole.shape.sectors.0;
    }
    if lba >= capacity {
        return Ok(());
    }
    let shape = radius.inner_shape();
    let missing = (capacity - lba).div_ceil(shape.sectors.0) * u64::from(shape.pitch());
    Err(LayoutError::NoRoom {
        area: "data area",
        needed_tracks: tracks_there + missing,
        available_tracks: tracks_there,
        change: "lower drive.capacity, bands.guard_tracks or the staging area, or add tracks to platters.zones",
    })
}

/// Shares the home bands out to the staging regions.
fn serve(
    areas: &[Area],
    data: usize,
    staging: &Staging,
    profile: &Profile,
) -> Result<Vec<Region>, LayoutError> {
    let quanta = match staging.medium {
        StagingMedium::Disk {
            quanta_per_track, ..
        } => quanta_per_track,
        StagingMedium::Flash { .. } => 0,
    };
    let mut regions: Vec<Region> = Vec::new();
    let capacity = Lba(Sectors::holding(profile.drive.capacity_bytes).0);
    for area in &areas[..data] {
        let number = match area.kind {
            AreaKind::Staging { region } => region,
            AreaKind::Flash => 0,
            _ => continue,
        };
        let slot = slot_sectors(quanta, area.shape.sectors_per_track);
        let slots = u64::from(area.bands) * (area.shape.sectors.0 / slot.0);
        if let Some(region) = regions.get_mut(number) {
            region.bands.end = area.band_range().end;
            region.slots += slots;
        } else {
            regions.push(Region {
                bands: area.band_range(),
                slots,
                lba: LbaExtent::new(Lba(0), Sectors(capacity.0)),
            });
        }
    }
    let homes = areas.last().map_or(0, |area| area.first_home + area.homes);
    let parts = count(regions.len());
    if u64::from(homes) < parts {
        return Err(LayoutError::RegionsWithoutBands {
            regions: parts,
            home_bands: homes,
        });
    }
    let first_lba = |part: u64| {
        let home = u32::try_from(part * u64::from(homes) / parts).expect("below the home bands");
        let area = areas[data..].partition_point(|area| area.first_home <= home);
        let area = &areas[data + area - 1];
        let within = u64::from(home - area.first_home) * area.shape.sectors.0;
        area.lba + Sectors(within)
    };
    for part in 0..parts {
        let end = if part + 1 == parts {
            capacity
        } else {
            first_lba(part + 1)
        };
        regions[index(part)].lba =
            LbaExtent::between(first_lba(part), end).expect("each region serves a home band");
    }
    Ok(regions)
}
