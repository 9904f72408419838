//! Owns which sectors lie outside of their homes, and, for each home band, who put sectors there since
//! the band was last clean.
//!
//! Always holds: the bands that have an entry here are those that the drive counts as dirty. It follows
//! the changes that the drive reports and knows nothing of time.

use std::collections::BTreeMap;

use super::shares::Shares;
use crate::drive::Drive;
use crate::extent::{Extent, ExtentSet, LbaExtent};
use crate::lab::ranges::{OwnerId, Ranges};
use crate::medium::layout::Layout;
use crate::translation::change::Change;
use crate::translation::state::Source;
use crate::units::{HomeBand, SECTOR_BYTES, Sectors};

/// What weighs in a share.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, serde::Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Weigh {
    /// Bytes that came to lie outside of their home.
    #[default]
    Bytes,
    /// Pieces: unbroken runs of a log entry (or a direct write) in one band and range.
    Pieces,
}

/// Who put sectors of a band outside of it.
#[derive(Clone, Debug, Default)]
struct Entry {
    /// Since it was last clean, up to the beginning of a cleaning that is under way.
    weights: BTreeMap<OwnerId, u64>,
    /// Since that began.
    meanwhile: BTreeMap<OwnerId, u64>,
}

/// The ledger of a drive.
#[derive(Debug)]
pub(super) struct Ledger {
    layout: Layout,
    weigh: Weigh,
    outside: ExtentSet,
    bands: BTreeMap<HomeBand, Entry>,
    cleaned: Option<HomeBand>,
}

impl Ledger {
    /// What a drive begins with, put there by `before`; `None` for a conventional drive.
    pub(super) fn of(drive: &Drive, weigh: Weigh, before: OwnerId) -> Option<Ledger> {
        let translation = drive.translation()?;
        let layout = translation.layout().clone();
        let mut ledger = Ledger {
            layout,
            weigh,
            outside: ExtentSet::default(),
            bands: BTreeMap::new(),
            cleaned: None,
        };
        for band in (0..ledger.layout.home_bands()).map(HomeBand) {
            for (part, source) in translation.locate(ledger.layout.home_extent(band)) {
                if matches!(source, Source::Mapped(_)) {
                    ledger.outside.insert(part, (), |_, ()| {});
                    let weight = ledger.weight(part.sectors.bytes());
                    ledger.note(band, before, weight);
                }
            }
        }
        Some(ledger)
    }

    /// Bands with sectors outside of them.
    #[cfg(test)]
    pub(super) fn dirty_bands(&self) -> u64 {
        crate::units::count(self.bands.len())
    }

    /// A cleaning of `band` begins: who has a share in it. What is written from now on has none.
    pub(super) fn begin(&mut self, band: HomeBand) -> Shares {
        self.give_up();
        self.cleaned = Some(band);
        let entry = self.bands.get(&band);
        entry.map_or_else(Vec::new, |entry| {
            let weights = entry.weights.iter();
            weights.map(|(owner, weight)| (*owner, *weight)).collect()
        })
    }

    /// The cleaning under way does not come to its end.
    pub(super) fn give_up(&mut self) {
        let former = self.cleaned.take();
        if let Some(entry) = former.and_then(|band| self.bands.get_mut(&band)) {
            for (owner, weight) in std::mem::take(&mut entry.meanwhile) {
                *entry.weights.entry(owner).or_insert(0) += weight;
            }
        }
    }

    /// Follows a change. `by_host`: it is not a step of a cleaning. The extents that the host wrote by
    /// it, wherever to, are handed to `each`, with the part of each owner.
    pub(super) fn apply(
        &mut self,
        change: &Change,
        by_host: bool,
        ranges: &Ranges,
        mut each: impl FnMut(OwnerId, u64),
    ) {
        match change {
            Change::Stage { extents, .. } => {
                for extent in extents {
                    self.put(*extent, by_host, ranges, &mut each);
                }
            }
            Change::Append { band, from, upto } => {
                if let Some(range) = self.part(*band, *from, *upto) {
                    hand_on(range, ranges, &mut each);
                    self.take(range);
                }
            }
            Change::Divert {
                band,
                from,
                upto,
                keep,
                ..
            } => {
                let range = self.part(*band, *from, *upto);
                for part in range.into_iter().flat_map(|range| without(range, keep)) {
                    self.put(part, by_host, ranges, &mut each);
                }
            }
            Change::Trim { extent } => {
                if by_host {
                    hand_on(*extent, ranges, &mut each);
                }
                self.take(*extent);
            }
            Change::Cleaned { band, keep, .. } => {
                for part in without(self.layout.home_extent(*band), keep) {
                    self.take(part);
                }
                if self.cleaned == Some(*band) {
                    self.cleaned = None;
                    if let Some(entry) = self.bands.get_mut(band) {
                        entry.weights = std::mem::take(&mut entry.meanwhile);
                    }
                }
            }
        }
    }

    /// The sectors lie outside of their homes now.
    fn put(
        &mut self,
        extent: LbaExtent,
        by_host: bool,
        ranges: &Ranges,
        each: &mut impl FnMut(OwnerId, u64),
    ) {
        self.outside.insert(extent, (), |_, ()| {});
        if !by_host {
            return;
        }
        let (band, _) = self.layout.home_of(extent.start);
        ranges.split(
            extent.start.0 * SECTOR_BYTES,
            extent.sectors.bytes(),
            |owner, bytes| {
                each(owner, bytes);
                let weight = self.weight(bytes);
                self.note(band, owner, weight);
            },
        );
    }

    /// The sectors lie at home again, or nowhere.
    fn take(&mut self, range: LbaExtent) {
        self.outside.remove(range, |_, ()| {});
        let (first, _) = self.layout.home_of(range.start);
        let touched = self.bands.range(first..);
        let layout = &self.layout;
        let clean: Vec<HomeBand> = touched
            .map(|(band, _)| *band)
            .take_while(|band| layout.home_extent(*band).start < range.end())
            .filter(|band| !self.outside.overlaps(layout.home_extent(*band)))
            .collect();
        for band in clean {
            self.bands.remove(&band);
        }
    }

    fn note(&mut self, band: HomeBand, owner: OwnerId, weight: u64) {
        let entry = self.bands.entry(band).or_default();
        let weights = if self.cleaned == Some(band) {
            &mut entry.meanwhile
        } else {
            &mut entry.weights
        };
        *weights.entry(owner).or_insert(0) += weight;
    }

    fn weight(&self, bytes: u64) -> u64 {
        match self.weigh {
            Weigh::Bytes => bytes,
            Weigh::Pieces => 1,
        }
    }

    fn part(&self, band: HomeBand, from: Sectors, upto: Sectors) -> Option<LbaExtent> {
        let start = self.layout.home_extent(band).start;
        Extent::between(start + from, start + upto)
    }
}

fn hand_on(range: LbaExtent, ranges: &Ranges, each: &mut impl FnMut(OwnerId, u64)) {
    ranges.split(range.start.0 * SECTOR_BYTES, range.sectors.bytes(), each);
}

/// What of `range` is in none of `parts`.
fn without(range: LbaExtent, parts: &[LbaExtent]) -> Vec<LbaExtent> {
    let mut kept = ExtentSet::default();
    for part in parts {
        kept.insert(*part, (), |_, ()| {});
    }
    let pieces = kept.pieces(range).into_iter();
    pieces
        .filter(|(_, kept)| kept.is_none())
        .map(|(part, _)| part)
        .collect()
}
