//! Owns what an area, a band and a staging region are: plain values, filled in by the layout.
//!
//! An area is a run of sectors in layout order whose bands are all of one shape and lie in one
//! recording zone. Nothing here decides where an area lies.

use std::ops::Range;

use crate::extent::{LbaExtent, PbaExtent};
use crate::units::{BandId, Lba, Pba, Sectors};

/// What an area is for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum AreaKind {
    /// Superblocks and the profile's text. No plan of the drive touches it.
    System,
    /// Records of changes (out-of-band): on no particular track.
    Journal,
    /// One half of the map area: a single band.
    Map {
        /// 0 or 1.
        half: usize,
    },
    /// Staging tracks on the platters (all of a region, or what of it lies in one recording zone).
    Staging {
        /// Index into [`crate::medium::layout::Layout::regions`].
        region: usize,
    },
    /// Staging on flash; its segments are numbered as bands.
    Flash,
    /// Home bands, spare bands behind them.
    Data,
}

/// Shape of the bands of an area.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct BandShape {
    /// Sectors of a band. With bands sized in bytes the last track may hold unused sectors.
    pub sectors: Sectors,
    /// Tracks of a band, guard not counted; 0 on flash.
    pub tracks: u32,
    /// Unused tracks after it.
    pub guard_tracks: u32,
    /// Sectors of each track; 0 on flash.
    pub sectors_per_track: u32,
}

impl BandShape {
    /// Tracks from the start of a band to the start of the next one on the same surface.
    pub fn pitch(&self) -> u32 {
        self.tracks + self.guard_tracks
    }
}

/// A run of sectors in layout order for one use.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Area {
    /// What it is for.
    pub kind: AreaKind,
    /// First sector.
    pub start: Pba,
    /// How many.
    pub sectors: Sectors,
    /// Number of its first band.
    pub first_band: u32,
    /// How many bands, spare bands included; 0 for `System` and `Journal`.
    pub bands: u32,
    /// Their shape; meaningless without bands.
    pub shape: BandShape,
    /// Radial position of its first band.
    pub cylinder: u32,
    /// Surface of its first band.
    pub surface: u32,
    /// Number of its first home band (data areas).
    pub first_home: u32,
    /// How many home bands: the first bands of the area; the rest are spare (data areas, else 0).
    pub homes: u32,
    /// First host address of its first home band (data areas).
    pub lba: Lba,
}

impl Area {
    /// Its sectors.
    pub fn extent(&self) -> PbaExtent {
        PbaExtent::new(self.start, self.sectors)
    }

    /// Its bands.
    pub fn band_range(&self) -> Range<u32> {
        self.first_band..self.first_band + self.bands
    }

    /// Its spare bands (data areas; empty elsewhere).
    pub fn spares(&self) -> Range<u32> {
        match self.kind {
            AreaKind::Data => self.first_band + self.homes..self.first_band + self.bands,
            _ => self.first_band..self.first_band,
        }
    }

    /// Whether it lies on tracks that have a place.
    pub fn on_tracks(&self) -> bool {
        self.shape.sectors_per_track > 0
    }
}

/// What a band is for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum BandKind {
    /// Home of a slice of host addresses, or a spare.
    Data,
    /// Log of the staging area, on the platters.
    Staging {
        /// Which region.
        region: usize,
    },
    /// A half of the map area.
    Map {
        /// 0 or 1.
        half: usize,
    },
    /// A segment of the log on flash.
    Flash,
}

/// A physical band.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Band {
    /// Its number.
    pub id: BandId,
    /// First sector.
    pub start: Pba,
    /// How many.
    pub sectors: Sectors,
    /// What it is for.
    pub kind: BandKind,
    /// Index into [`crate::medium::layout::Layout::areas`].
    pub area: usize,
    /// Radial position of its first track; 0 on flash.
    pub cylinder: u32,
    /// Its surface; 0 on flash.
    pub surface: u32,
    /// Tracks, guard not counted; 0 on flash.
    pub tracks: u32,
    /// Sectors of each track; 0 on flash.
    pub sectors_per_track: u32,
    /// Whether its tracks overlap, so that the guard rule applies.
    pub guarded: bool,
}

impl Band {
    /// Its sectors.
    pub fn extent(&self) -> PbaExtent {
        PbaExtent::new(self.start, self.sectors)
    }

    /// First sector after it.
    pub fn end(&self) -> Pba {
        self.start + self.sectors
    }
}

/// A part of the staging area with a log of its own.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Region {
    /// Its bands, in the order in which the log fills them. There is one more than its share of
    /// the limits needs, because the band being filled anew holds nothing old.
    pub bands: Range<u32>,
    /// Log slots in all of its bands. The profile's own limit may be lower.
    pub slots: u64,
    /// The host addresses it serves: whole home bands.
    pub lba: LbaExtent,
}
