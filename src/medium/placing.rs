//! Owns the decision which tracks and sectors each area gets.
//!
//! Reservations (staging regions, then the map) are placed along the radius first; data fills what
//! is left from the outer diameter inwards. An area never spans two recording zones. Runs once per
//! drive; what it decides is looked up in `layout`.

use crate::extent::LbaExtent;
use crate::medium::area::{Area, AreaKind, BandShape, Region};
use crate::medium::radius::{Piece, Radius, Reservation};
use crate::medium::reserving::{MapPlan, REGION_BANDS_MIN, place_map, place_staging};
use crate::profile::{Personality, Profile, Staging, StagingMedium};
use crate::units::{Lba, Pba, SECTOR_BYTES, Sectors, count, index};

/// Sectors of the system area.
const SYSTEM_SECTORS: u64 = 64;
/// Least sectors of the journal.
const JOURNAL_SECTORS_MIN: u64 = 256;
/// Most sectors of the journal.
const JOURNAL_SECTORS_MAX: u64 = (256 << 20) / SECTOR_BYTES;
/// Merges of the map that the journal has room for.
const JOURNAL_MERGES: u64 = 8;
/// Merges that each map half has room for beyond a full map: as many as fit, the first that does.
const MAP_MERGES: [u64; 4] = [8, 4, 2, 1];
/// Bytes of a record's header, and of each extent it names.
const RECORD_HEADER_BYTES: u64 = 64;
pub(super) const RECORD_EXTENT_BYTES: u64 = 32;
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
    let [most, fewer @ ..] = MAP_MERGES;
    fewer
        .into_iter()
        .fold(place_with(profile, most), |found, merges| {
            found.or_else(|_| place_with(profile, merges))
        })
}

/// The same with map halves that have room for so many merges.
fn place_with(profile: &Profile, merges: u64) -> Result<Placed, LayoutError> {
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
        let map = place_map(
            staging,
            profile,
            &radius,
            MapPlan {
                merges,
                reserved: &mut reserved,
            },
        )?;
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
    let wanted = JOURNAL_MERGES * u64::from(staging.merge_every_entries).saturating_mul(record);
    wanted.clamp(JOURNAL_SECTORS_MIN, JOURNAL_SECTORS_MAX)
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
