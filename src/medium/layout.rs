//! Owns where everything lies: the one file in which offsets are computed.
//!
//! The global address is [`Pba`]; a place's byte offset in the image is `pba * 4096`. Areas follow
//! each other in the order system, journal, map halves, staging, data. Radially the staging and map
//! areas are placed first and data fills the remaining tracks from the outer diameter inwards.
//! Every lookup takes time logarithmic in the number of areas and there is no table of bands. A
//! layout follows from the profile alone and never changes; it does not know what is written.

use std::ops::Range;

use crate::extent::{LbaExtent, PbaExtent};
use crate::mechanics::geometry::Spot;
use crate::medium::area::{Area, AreaKind, Band, BandKind, Region};
use crate::medium::placing::{self, Placed};
use crate::profile::{Profile, StagingMedium};
use crate::units::{BandId, HomeBand, Lba, Pba, Sectors};

pub use crate::medium::placing::LayoutError;

/// Where everything lies.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Layout {
    areas: Vec<Area>,
    regions: Vec<Region>,
    /// Index of the first data area; all after it are data areas.
    data: usize,
    capacity: Sectors,
    home_bands: u32,
    surfaces: u32,
    cylinders: u32,
    overlap_tracks: u32,
    quanta_per_track: u32,
    formatted: bool,
}

/// A sector as the arm needs it: its spot, and where the track stands in its area.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct TrackPlace {
    /// The spot.
    pub spot: Spot,
    /// Index into [`Layout::areas`].
    pub area: usize,
    /// Index of the band within its area.
    pub band_in_area: u32,
    /// Index of the track within its band.
    pub track: u32,
    /// Sectors from this one to the end of the track or of the band, whichever comes first.
    pub left: Sectors,
}

impl Layout {
    /// Places every area of a drive.
    pub fn new(profile: &Profile) -> Result<Layout, LayoutError> {
        let Placed { areas, regions } = placing::place(profile)?;
        let data = areas.partition_point(|area| area.kind != AreaKind::Data);
        let last = areas.last().expect("there is always a data area");
        let quanta_per_track = match profile.staging.as_ref().map(|staging| staging.medium) {
            Some(StagingMedium::Disk {
                quanta_per_track, ..
            }) => quanta_per_track,
            _ => 0,
        };
        Ok(Layout {
            data,
            capacity: Sectors::holding(profile.drive.capacity_bytes),
            home_bands: last.first_home + last.homes,
            surfaces: profile.platters.surfaces,
            cylinders: profile.platters.zones.iter().map(|zone| zone.tracks).sum(),
            overlap_tracks: profile.bands.overlap_tracks,
            quanta_per_track,
            formatted: profile.drive.formatted,
            areas,
            regions,
        })
    }

    /// Sectors of the whole image.
    pub fn total(&self) -> Sectors {
        let last = self.areas.last().expect("there is always a data area");
        Sectors((last.start + last.sectors).0)
    }

    /// Sectors offered to the host.
    pub fn capacity(&self) -> Sectors {
        self.capacity
    }

    /// All areas in layout order.
    pub fn areas(&self) -> &[Area] {
        &self.areas
    }

    /// The area that holds a sector.
    ///
    /// # Panics
    /// If the sector lies past the end.
    pub fn area_at(&self, pba: Pba) -> &Area {
        &self.areas[self.area_index(pba)]
    }

    /// Index of the area that holds a sector.
    ///
    /// # Panics
    /// If the sector lies past the end.
    pub fn area_index(&self, pba: Pba) -> usize {
        let area = self.areas.partition_point(|area| area.start <= pba) - 1;
        let extent = self.areas[area].extent();
        assert!(extent.contains(pba), "sector {pba} lies past the end");
        area
    }

    /// Superblocks and the profile's text.
    pub fn system(&self) -> PbaExtent {
        self.areas[0].extent()
    }

    /// Records of changes.
    pub fn journal(&self) -> PbaExtent {
        self.areas[1].extent()
    }

    /// The band that is a half (0 or 1) of the map area.
    ///
    /// # Panics
    /// For a conventional drive: it has no map.
    pub fn map_half(&self, half: usize) -> BandId {
        assert!(half < 2, "the map area has two halves");
        let area = &self.areas[2 + half];
        assert_eq!(area.kind, AreaKind::Map { half }, "no map on this drive");
        BandId(area.first_band)
    }

    /// The staging regions, outermost first; empty for a conventional drive.
    pub fn regions(&self) -> &[Region] {
        &self.regions
    }

    /// Index of the staging region that serves a host address.
    ///
    /// # Panics
    /// If there is none (a conventional drive).
    pub fn region_of(&self, lba: Lba) -> usize {
        let after = self.regions.partition_point(|r| r.lba.start <= lba);
        after.checked_sub(1).expect("a drive with a staging area")
    }

    /// Sectors of a log slot in a staging band: what an entry's length is rounded up to.
    pub fn slot_sectors(&self, band: BandId) -> Sectors {
        let area = &self.areas[self.data_area_of(band)];
        placing::slot_sectors(self.quanta_per_track, area.shape.sectors_per_track)
    }

    /// How many home bands there are.
    pub fn home_bands(&self) -> u32 {
        self.home_bands
    }

    /// The home band that a host address belongs to, and its offset in that band.
    ///
    /// # Panics
    /// If the address lies past the capacity.
    pub fn home_of(&self, lba: Lba) -> (HomeBand, Sectors) {
        assert!(lba.0 < self.capacity.0, "address {lba} past the capacity");
        let after = self.areas[self.data..].partition_point(|area| area.lba <= lba);
        let area = &self.areas[self.data + after - 1];
        let offset = (lba - area.lba).0;
        let band = offset / area.shape.sectors.0;
        let within = Sectors(offset % area.shape.sectors.0);
        (HomeBand(area.first_home + narrow(band)), within)
    }

    /// The host addresses of a home band; the last one may have fewer than its band has sectors.
    pub fn home_extent(&self, home: HomeBand) -> LbaExtent {
        let area = &self.areas[self.area_of_home(home)];
        let start = area.lba + Sectors(u64::from(home.0 - area.first_home) * area.shape.sectors.0);
        let rest = Lba(self.capacity.0) - start;
        LbaExtent::new(start, area.shape.sectors.min(rest))
    }

    /// The physical band in which a home band lies on a new drive.
    pub fn factory_place(&self, home: HomeBand) -> BandId {
        let area = &self.areas[self.area_of_home(home)];
        BandId(area.first_band + (home.0 - area.first_home))
    }

    /// The spare bands of the data area in which a home band lies.
    pub fn spares_for(&self, home: HomeBand) -> Range<u32> {
        self.areas[self.area_of_home(home)].spares()
    }

    /// Index of the area that a band lies in.
    ///
    /// # Panics
    /// If there is no such band.
    pub fn data_area_of(&self, band: BandId) -> usize {
        assert!(band.0 < self.bands(), "there is no band {band}");
        // Areas without bands come first and share the number 0 with the first that has some.
        self.areas.partition_point(|area| area.first_band <= band.0) - 1
    }

    /// Whether two bands lie in the same area, so that one can take the other's place.
    pub fn same_area(&self, a: BandId, b: BandId) -> bool {
        self.data_area_of(a) == self.data_area_of(b)
    }

    /// How many physical bands there are, over all areas.
    pub fn bands(&self) -> u32 {
        self.areas.last().map_or(0, |area| area.band_range().end)
    }

    /// A band.
    ///
    /// # Panics
    /// If there is no such band.
    pub fn band(&self, id: BandId) -> Band {
        let index = self.data_area_of(id);
        let area = &self.areas[index];
        let within = id.0 - area.first_band;
        let (cylinder, surface) = self.origin(area, within);
        Band {
            id,
            start: area.start + Sectors(u64::from(within) * area.shape.sectors.0),
            sectors: area.shape.sectors,
            kind: match area.kind {
                AreaKind::Map { half } => BandKind::Map { half },
                AreaKind::Staging { region } => BandKind::Staging { region },
                AreaKind::Flash => BandKind::Flash,
                AreaKind::Data => BandKind::Data,
                AreaKind::System | AreaKind::Journal => unreachable!("no bands there"),
            },
            area: index,
            cylinder,
            surface,
            tracks: area.shape.tracks,
            sectors_per_track: area.shape.sectors_per_track,
            guarded: self.overlap_tracks > 0 && area.on_tracks(),
        }
    }

    /// The band that holds a sector; `None` in the system and journal areas.
    pub fn band_at(&self, pba: Pba) -> Option<BandId> {
        let area = self.area_at(pba);
        (area.bands > 0)
            .then(|| BandId(area.first_band + narrow((pba - area.start).0 / area.shape.sectors.0)))
    }

    /// The spot of a sector; `None` where it has none (system, journal, flash).
    pub fn spot(&self, pba: Pba) -> Option<Spot> {
        self.track_place(pba).map(|place| place.spot)
    }

    /// The spot of a sector and how its track goes on; `None` where it has none.
    pub fn track_place(&self, pba: Pba) -> Option<TrackPlace> {
        let index = self.area_index(pba);
        let area = &self.areas[index];
        if !area.on_tracks() {
            return None;
        }
        let offset = (pba - area.start).0;
        let band_in_area = narrow(offset / area.shape.sectors.0);
        let in_band = offset % area.shape.sectors.0;
        let per_track = u64::from(area.shape.sectors_per_track);
        let track = narrow(in_band / per_track);
        let sector = in_band % per_track;
        let (cylinder, surface) = self.origin(area, band_in_area);
        Some(TrackPlace {
            spot: Spot {
                cylinder: cylinder + track,
                surface,
                sector: narrow(sector),
                sectors_per_track: area.shape.sectors_per_track,
            },
            area: index,
            band_in_area,
            track,
            left: Sectors((per_track - sector).min(area.shape.sectors.0 - in_band)),
        })
    }

    /// Recording surfaces.
    pub fn surfaces(&self) -> u32 {
        self.surfaces
    }

    /// Tracks of a surface, guards and unused ones included.
    pub fn cylinders(&self) -> u32 {
        self.cylinders
    }

    /// Tracks after a written one that the write head destroys; 0 where tracks do not overlap.
    pub fn overlap_tracks(&self) -> u32 {
        self.overlap_tracks
    }

    /// Whether the home bands of a new drive count as written.
    pub fn formatted(&self) -> bool {
        self.formatted
    }

    fn area_of_home(&self, home: HomeBand) -> usize {
        assert!(home.0 < self.home_bands, "there is no home band {home}");
        self.data + self.areas[self.data..].partition_point(|area| area.first_home <= home.0) - 1
    }

    /// Cylinder and surface of the first track of an area's band: neighbours rotate across surfaces.
    fn origin(&self, area: &Area, band_in_area: u32) -> (u32, u32) {
        if !area.on_tracks() {
            return (0, 0);
        }
        let row = band_in_area / self.surfaces;
        let surface = (area.surface + band_in_area % self.surfaces) % self.surfaces;
        (area.cylinder + row * area.shape.pitch(), surface)
    }
}

/// Band, track and sector numbers are bounded by 32-bit counts of the profile.
fn narrow(value: u64) -> u32 {
    u32::try_from(value).expect("bounded by the layout's own 32-bit counts")
}

#[cfg(test)]
mod tests;
