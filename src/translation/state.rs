//! Owns the durable state of the translation: the map, the places of the bands, the log's bands.
//!
//! The state changes only by [`State::apply`], in operation and in recovery alike. What can be
//! derived (live sectors, dirty bands, free spares) is kept beside what is durable and follows it.
//! Nothing here plans a movement or knows the time.

use std::collections::{BTreeMap, BTreeSet};

use super::change::Change;
use super::dirty::DirtyBands;
use super::homes::{Home, Homes};
use super::lifetime::Lifetime;
use super::target::Target;
use crate::extent::{Along, Extent, ExtentMap, LbaExtent};
use crate::medium::area::{Area, AreaKind};
use crate::medium::layout::Layout;
use crate::units::{BandId, HomeBand, Lba, Pba, Sectors};

/// A pass over a spare that will take the place of a home band.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Pass {
    /// The spare.
    pub spare: BandId,
    /// Sectors that the pass has written.
    pub upto: Sectors,
}

/// Where a region's log goes on.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Head {
    /// The staging band being filled.
    pub band: BandId,
    /// Next sector of it.
    pub next: Sectors,
}

/// A staging band that holds entries.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct StagingUse {
    /// Sequence number of its first entry.
    pub age: u64,
    /// Slots its entries take.
    pub slots: u64,
}

/// The durable state.
#[derive(Clone, Debug)]
pub struct State {
    pub(super) map: ExtentMap<Target>,
    pub(super) homes: Homes,
    pub(super) passes: BTreeMap<HomeBand, Pass>,
    pub(super) heads: Vec<Option<Head>>,
    pub(super) used: BTreeMap<BandId, StagingUse>,
    /// Live sectors in each staging band and each spare that a pass fills.
    pub(super) live: BTreeMap<BandId, u64>,
    pub(super) slots_used: u64,
    /// Live sectors in all staging bands.
    pub(super) staged_live: u64,
    pub(super) dirty: DirtyBands,
    /// Data bands that hold nothing.
    pub(super) free: BTreeSet<BandId>,
    pub(super) lifetime: Lifetime,
}

/// Where a run of host addresses is to be read.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Source {
    /// In its home band.
    Home(Pba),
    /// Elsewhere: staging area or a spare.
    Mapped(Pba),
    /// Nowhere: reads as zeroes.
    Nowhere,
}

impl State {
    /// A drive as the factory left it.
    pub fn new(layout: &Layout, formatted: bool) -> State {
        let homes = Homes::new(layout.home_bands(), formatted);
        State {
            map: ExtentMap::default(),
            homes,
            passes: BTreeMap::new(),
            heads: layout.regions().iter().map(|_| None).collect(),
            used: BTreeMap::new(),
            live: BTreeMap::new(),
            slots_used: 0,
            staged_live: 0,
            dirty: DirtyBands::default(),
            free: spare_bands(layout).collect(),
            lifetime: Lifetime::default(),
        }
    }

    /// Counts since the image was made.
    pub fn lifetime(&self) -> Lifetime {
        self.lifetime
    }

    /// Where `band` lies and how much of it was written.
    pub fn home(&self, layout: &Layout, band: HomeBand) -> (BandId, Sectors) {
        let home = self.homes.get(band, layout.home_extent(band).sectors);
        (
            home.moved_to.unwrap_or_else(|| layout.factory_place(band)),
            home.written,
        )
    }

    /// The pass over a spare that will take the place of `band`, if there is one.
    pub fn pass(&self, band: HomeBand) -> Option<Pass> {
        self.passes.get(&band).copied()
    }

    /// Where each part of `range` is to be read, in order.
    pub fn locate(&self, layout: &Layout, range: LbaExtent) -> Vec<(LbaExtent, Source)> {
        let mut parts = Vec::new();
        for piece in split_by_band(layout, range) {
            let (band, _) = layout.home_of(piece.start);
            for (part, target) in self.map.pieces(piece) {
                match target.map(Target::pba) {
                    Some(Some(pba)) => parts.push((part, Source::Mapped(pba))),
                    Some(None) => parts.push((part, Source::Nowhere)),
                    None => self.locate_home(layout, band, part, &mut parts),
                }
            }
        }
        parts
    }

    /// Where a single sector is to be read.
    pub fn source_at(&self, layout: &Layout, lba: Lba) -> Source {
        match self.map.at(lba).map(Target::pba) {
            Some(Some(pba)) => Source::Mapped(pba),
            Some(None) => Source::Nowhere,
            None => {
                let (band, offset) = layout.home_of(lba);
                let (place, written) = self.home(layout, band);
                if offset < written {
                    Source::Home(layout.band(place).start + offset)
                } else {
                    Source::Nowhere
                }
            }
        }
    }

    fn locate_home(
        &self,
        layout: &Layout,
        band: HomeBand,
        part: LbaExtent,
        parts: &mut Vec<(LbaExtent, Source)>,
    ) {
        let (place, written) = self.home(layout, band);
        let first = layout.home_extent(band).start;
        let end = first + written;
        if let Some(inside) = Extent::between(part.start, part.end().min(end)) {
            let pba = layout.band(place).start + (inside.start - first);
            parts.push((inside, Source::Home(pba)));
        }
        parts.extend(
            Extent::between(part.start.max(end), part.end()).map(|rest| (rest, Source::Nowhere)),
        );
    }

    /// Applies the change that record `sequence` states.
    pub fn apply(&mut self, layout: &Layout, sequence: u64, change: &Change) {
        self.lifetime.count(change);
        match change {
            Change::Stage {
                extents,
                at,
                slot_sectors,
            } => {
                self.take_slots(layout, sequence, *at, *slot_sectors);
                self.map_all(layout, sequence, extents, *at);
            }
            Change::Append { band, from, upto } => {
                let (place, _) = self.home(layout, *band);
                if let Some(range) = band_range(layout, *band, *from, *upto) {
                    self.unmap(layout, range);
                }
                self.set_home(layout, *band, place, *upto);
            }
            Change::Divert {
                band,
                spare,
                from,
                upto,
                keep,
            } => {
                self.free.remove(spare);
                self.passes.insert(
                    *band,
                    Pass {
                        spare: *spare,
                        upto: *upto,
                    },
                );
                if let Some(range) = band_range(layout, *band, *from, *upto) {
                    let start = layout.band(*spare).start + *from;
                    for part in without(range, keep) {
                        let target = Target::at(start + (part.start - range.start));
                        self.map_to(layout, sequence, part, target);
                    }
                }
            }
            Change::Trim { extent } => {
                for piece in split_by_band(layout, *extent) {
                    self.trim_in_band(layout, sequence, piece);
                }
            }
            Change::Cleaned {
                band,
                at,
                written,
                keep,
            } => {
                for part in without(layout.home_extent(*band), keep) {
                    self.unmap(layout, part);
                }
                self.free_pass(*band, *at);
                let (former, _) = self.home(layout, *band);
                if former != *at {
                    self.free.insert(former);
                }
                self.free.remove(at);
                self.set_home(layout, *band, *at, *written);
            }
        }
    }

    fn trim_in_band(&mut self, layout: &Layout, sequence: u64, piece: LbaExtent) {
        let (band, offset) = layout.home_of(piece.start);
        let (place, written) = self.home(layout, band);
        let whole = layout.home_extent(band);
        if piece == whole {
            self.unmap(layout, whole);
            self.free_pass(band, place);
            self.set_home(layout, band, place, Sectors(0));
            return;
        }
        let mut holes: Vec<LbaExtent> = self.map.overlapping(piece).map(|(part, _)| part).collect();
        if offset < written {
            holes.extend(Extent::between(
                piece.start,
                piece.end().min(whole.start + written),
            ));
        }
        for hole in holes {
            self.map_to(layout, sequence, hole, Target::HOLE);
        }
    }

    /// Forgets the pass of `band`, whose place is `at` from now on.
    fn free_pass(&mut self, band: HomeBand, at: BandId) {
        if let Some(pass) = self.passes.remove(&band)
            && pass.spare != at
        {
            self.free.insert(pass.spare);
        }
    }

    pub(super) fn set_home(
        &mut self,
        layout: &Layout,
        band: HomeBand,
        place: BandId,
        written: Sectors,
    ) {
        let moved_to = (place != layout.factory_place(band)).then_some(place);
        self.homes.set(band, Home { moved_to, written });
    }

    fn take_slots(&mut self, layout: &Layout, sequence: u64, at: Pba, slot_sectors: Sectors) {
        let id = layout.band_at(at).expect("entries lie in staging bands");
        let band = layout.band(id);
        let region = region_of_band(layout, id);
        if at == band.start {
            // A pass begins anew. That the band was given up before is in no record.
            self.release_staging(id);
        }
        let slots = slot_sectors.0.div_ceil(layout.slot_sectors(id).0);
        let entry = self.used.entry(id).or_insert(StagingUse {
            age: sequence,
            slots: 0,
        });
        entry.slots += slots;
        self.slots_used += slots;
        let next = (at - band.start) + slot_sectors;
        let former = self.heads[region].replace(Head { band: id, next });
        if let Some(former) = former
            && former.band != id
            && !self.live.contains_key(&former.band)
        {
            self.release_staging(former.band);
        }
    }

    fn release_staging(&mut self, band: BandId) {
        if let Some(used) = self.used.remove(&band) {
            self.slots_used -= used.slots;
        }
    }

    /// Maps extents to what lies from `pba` on, one behind the other.
    fn map_all(&mut self, layout: &Layout, sequence: u64, extents: &[LbaExtent], mut pba: Pba) {
        let mut pieces = Vec::with_capacity(extents.len());
        for extent in extents {
            for piece in split_by_band(layout, *extent) {
                pieces.push((piece, Target::at(pba)));
                pba = pba + piece.sectors;
            }
        }
        self.map_pieces(layout, sequence, &pieces);
    }

    pub(super) fn map_to(
        &mut self,
        layout: &Layout,
        sequence: u64,
        range: LbaExtent,
        target: Target,
    ) {
        let pieces = split_by_band(layout, range);
        let pieces = pieces.map(|piece| (piece, target.along(piece.start - range.start)));
        self.map_pieces(layout, sequence, &pieces.collect::<Vec<_>>());
    }

    /// Maps pieces that cross no border of a band.
    fn map_pieces(&mut self, layout: &Layout, sequence: u64, pieces: &[(LbaExtent, Target)]) {
        // The new targets count before the old ones go, so that a band which is in use all the time
        // never looks free in between.
        for (piece, target) in pieces {
            self.count(layout, sequence, *piece, *target);
        }
        let mut dropped = Vec::new();
        self.map
            .insert_all(pieces, |part, former| dropped.push((part, former)));
        self.uncount(layout, &dropped);
    }

    fn unmap(&mut self, layout: &Layout, range: LbaExtent) {
        for piece in split_by_band(layout, range) {
            let mut dropped = Vec::new();
            self.map
                .remove(piece, |part, former| dropped.push((part, former)));
            self.uncount(layout, &dropped);
        }
    }

    fn count(&mut self, layout: &Layout, sequence: u64, piece: LbaExtent, target: Target) {
        let (band, _) = layout.home_of(piece.start);
        let Some(pba) = target.pba() else {
            self.dirty.add_hole(band, piece.sectors);
            return;
        };
        self.dirty.add(band, piece.sectors, sequence);
        for (id, sectors) in split_by_place(layout, pba, piece.sectors) {
            *self.live.entry(id).or_insert(0) += sectors.0;
            if self.used.contains_key(&id) {
                self.staged_live += sectors.0;
            }
        }
    }

    /// Takes parts from the counts; none of them crosses a border of a band.
    fn uncount(&mut self, layout: &Layout, dropped: &[(LbaExtent, Target)]) {
        for &(LbaExtent { start, sectors }, target) in dropped {
            let (band, _) = layout.home_of(start);
            let Some(pba) = target.pba() else {
                self.dirty.drop_hole(band, sectors);
                continue;
            };
            self.dirty.drop(band, sectors);
            for (id, sectors) in split_by_place(layout, pba, sectors) {
                if self.used.contains_key(&id) {
                    self.staged_live -= sectors.0;
                }
                let live = self
                    .live
                    .get_mut(&id)
                    .expect("a mapped sector is counted as live");
                *live -= sectors.0;
                if *live == 0 {
                    self.live.remove(&id);
                    if !self.is_head(id) {
                        self.release_staging(id);
                    }
                }
            }
        }
    }

    /// Gives up the region's head where nothing in its band is live, so that the band is free.
    pub fn abandon_dead_head(&mut self, region: usize) {
        if let Some(head) = self.heads[region]
            && !self.live.contains_key(&head.band)
        {
            self.heads[region] = None;
            self.release_staging(head.band);
        }
    }

    /// Whether some region's log is being written to `band`.
    pub fn is_head(&self, band: BandId) -> bool {
        self.heads.iter().flatten().any(|head| head.band == band)
    }

    /// Sequence number of the oldest log entry that `band` still needs, or `None` when nothing of
    /// it is staged.
    pub fn oldest_entry(&self, layout: &Layout, band: HomeBand) -> Option<u64> {
        self.map
            .overlapping(layout.home_extent(band))
            .filter_map(|(_, target)| target.pba())
            .filter_map(|pba| self.used.get(&layout.band_at(pba)?))
            .map(|used| used.age)
            .min()
    }
}

/// The data bands that the factory left without a home.
pub(super) fn spare_bands(layout: &Layout) -> impl Iterator<Item = BandId> + '_ {
    let areas = layout
        .areas()
        .iter()
        .filter(|area| area.kind == AreaKind::Data);
    areas.flat_map(Area::spares).map(BandId)
}

fn region_of_band(layout: &Layout, band: BandId) -> usize {
    let mut regions = layout.regions().iter();
    regions
        .position(|region| region.bands.contains(&band.0))
        .expect("entries lie in staging bands")
}

/// Cuts a range at the borders of home bands.
pub fn split_by_band(layout: &Layout, range: LbaExtent) -> impl Iterator<Item = LbaExtent> + '_ {
    let mut rest = Some(range);
    std::iter::from_fn(move || {
        let range = rest?;
        let (band, _) = layout.home_of(range.start);
        let border = layout.home_extent(band).end();
        rest = Extent::between(border, range.end());
        Extent::between(range.start, border.min(range.end()))
    })
}

/// Cuts a run on the medium at the borders of physical bands.
pub(super) fn split_by_place(
    layout: &Layout,
    pba: Pba,
    sectors: Sectors,
) -> impl Iterator<Item = (BandId, Sectors)> + '_ {
    let end = pba + sectors;
    let mut at = pba;
    std::iter::from_fn(move || {
        if at >= end {
            return None;
        }
        let id = layout.band_at(at).expect("mapped sectors lie in bands");
        let band = layout.band(id);
        let upto = end.min(band.start + band.sectors);
        let sectors = upto - at;
        at = upto;
        Some((id, sectors))
    })
}

/// The host addresses of sectors `from..upto` of a band.
pub fn band_range(
    layout: &Layout,
    band: HomeBand,
    from: Sectors,
    upto: Sectors,
) -> Option<LbaExtent> {
    let start = layout.home_extent(band).start;
    Extent::between(start + from, start + upto)
}

/// What is left of `range` without the ranges in `keep`.
fn without(range: LbaExtent, keep: &[LbaExtent]) -> Vec<LbaExtent> {
    let mut left = Vec::new();
    let mut at: Lba = range.start;
    let mut kept: Vec<LbaExtent> = keep.iter().filter_map(|k| k.intersect(&range)).collect();
    kept.sort_unstable();
    for part in kept {
        left.extend(Extent::between(at, part.start));
        at = at.max(part.end());
    }
    left.extend(Extent::between(at, range.end()));
    left
}
