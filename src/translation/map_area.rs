//! Owns the two halves of the map area: which one is current and what the next map record is.
//!
//! A half begins with a full map and goes on with deltas. When the next delta does not fit, a full
//! map goes to the other half, so the halves are alternating roots. Bytes are rendered only where
//! somebody will carry them.

use super::change::Change;
use super::codec::map_record::{MapHeader, delta_sectors, encode_delta, encode_full, full_sectors};
use super::codec::map_state::{
    BandAge, BandPlace, MapCounts, MapTables, RegionHead, SparePass, Target as Coded,
};
use super::journal::Journal;
use super::state::State;
use super::target::Target;
use crate::medium::layout::Layout;
use crate::units::{BandId, Pba, Sectors, index};

/// The map area.
#[derive(Clone, Debug)]
pub struct MapArea {
    halves: [BandId; 2],
    half: usize,
    next: Sectors,
    pub(super) generation: u64,
    deltas: u64,
    /// Tracks that one merge passes over at least.
    merge_tracks: u32,
    pending: Vec<Change>,
    /// Newest record that a map covers.
    pub(super) sequence: u64,
}

/// A map record that is due.
#[derive(Clone, Debug)]
pub struct DueMap {
    /// First sector.
    pub at: Pba,
    /// Sectors that the head passes over.
    pub sectors: Sectors,
    /// The rendered record; empty in a simulation.
    pub bytes: Vec<u8>,
}

impl MapArea {
    /// A map area whose newest map, of `generation`, lies in half `half`; the next one is full and
    /// goes to the other half.
    pub fn new(layout: &Layout, merge_tracks: u32, half: usize, generation: u64) -> MapArea {
        let halves = [layout.map_half(0), layout.map_half(1)];
        let next = layout.band(halves[half]).sectors;
        MapArea {
            halves,
            half,
            next,
            generation,
            deltas: 0,
            merge_tracks,
            pending: Vec::new(),
            sequence: 0,
        }
    }

    /// Notes changes that the next map must cover.
    pub fn note(&mut self, changes: &[Change]) {
        self.pending.extend_from_slice(changes);
    }

    /// The record that merges everything noted so far, and takes its place.
    pub fn merge(
        &mut self,
        layout: &Layout,
        state: &State,
        journal: &Journal,
        render: bool,
    ) -> DueMap {
        let half = layout.band(self.halves[self.half]);
        let floor = Sectors(u64::from(self.merge_tracks) * u64::from(half.sectors_per_track));
        let delta = delta_sectors(&self.pending).max(floor);
        self.sequence = journal.sequence;
        let due = if self.next + delta <= half.sectors {
            self.delta(half.start + self.next, delta, journal, render)
        } else {
            self.half = 1 - self.half;
            self.next = Sectors(0);
            self.full(layout, floor, state, journal, render)
        };
        self.next += due.sectors;
        self.pending.clear();
        due
    }

    fn delta(&mut self, at: Pba, sectors: Sectors, journal: &Journal, render: bool) -> DueMap {
        let header = self.header(at, journal);
        let bytes = if render {
            encode_delta(&header, self.deltas, &self.pending)
        } else {
            Vec::new()
        };
        self.deltas += 1;
        DueMap { at, sectors, bytes }
    }

    fn full(
        &mut self,
        layout: &Layout,
        floor: Sectors,
        state: &State,
        journal: &Journal,
        render: bool,
    ) -> DueMap {
        let half = layout.band(self.halves[self.half]);
        self.generation += 1;
        self.deltas = 0;
        let tables = SmallTables::of(state);
        let counts = MapCounts {
            extents: index(state.map.len()),
            band_places: state.homes.changed().count(),
            passes: tables.passes.len(),
            heads: tables.heads.len(),
            ages: tables.ages.len(),
        };
        let sectors = full_sectors(&counts);
        assert!(
            sectors <= half.sectors,
            "a map of {sectors} sectors does not fit its half of {}",
            half.sectors
        );
        let header = self.header(half.start, journal);
        let bytes = if render {
            render_full(layout, state, &header, &counts, &tables)
        } else {
            Vec::new()
        };
        DueMap {
            at: half.start,
            sectors: sectors.max(floor).min(half.sectors),
            bytes,
        }
    }

    fn header(&self, at: Pba, journal: &Journal) -> MapHeader {
        MapHeader {
            epoch: journal.epoch,
            generation: self.generation,
            sequence: journal.sequence,
            journal_position: journal.position(),
            at,
        }
    }
}

/// The tables of a full map that are short.
struct SmallTables {
    passes: Vec<SparePass>,
    heads: Vec<RegionHead>,
    ages: Vec<BandAge>,
}

impl SmallTables {
    fn of(state: &State) -> SmallTables {
        let passes = state.passes.iter();
        let heads = state.heads.iter().flatten();
        let ages = state.used.iter();
        SmallTables {
            passes: passes
                .map(|(&band, p)| SparePass {
                    band,
                    spare: p.spare,
                    upto: p.upto,
                })
                .collect(),
            heads: heads
                .map(|head| RegionHead {
                    band: head.band,
                    next: head.next,
                })
                .collect(),
            ages: ages
                .map(|(&band, used)| BandAge {
                    band,
                    age: used.age,
                })
                .collect(),
        }
    }
}

fn render_full(
    layout: &Layout,
    state: &State,
    header: &MapHeader,
    counts: &MapCounts,
    small: &SmallTables,
) -> Vec<u8> {
    let extents = state
        .map
        .iter()
        .map(|(extent, target)| (extent, coded(target)));
    let band_places = state.homes.changed().map(|(band, _)| {
        let (at, written) = state.home(layout, band);
        BandPlace { band, at, written }
    });
    let tables = MapTables {
        extents,
        band_places,
        passes: &small.passes,
        heads: &small.heads,
        ages: &small.ages,
        lifetime: state.lifetime,
    };
    encode_full(header, counts, tables)
}

fn coded(target: Target) -> Coded {
    target.pba().map_or(Coded::Hole, Coded::At)
}
