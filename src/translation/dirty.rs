//! Owns which home bands have staged sectors, and the orders in which they can be cleaned.
//!
//! Counts sectors only; the age of a band is a lower bound (the entry that first dirtied it), to
//! be checked against the map by whoever picks by age.

use std::collections::{BTreeMap, BTreeSet};

use crate::units::{HomeBand, Sectors};

#[derive(Clone, Copy, Debug, Default)]
struct Dirt {
    staged: u64,
    holes: u64,
    age: u64,
}

/// The dirty bands.
#[derive(Clone, Debug, Default)]
pub struct DirtyBands {
    bands: BTreeMap<HomeBand, Dirt>,
    by_age: BTreeSet<(u64, HomeBand)>,
}

impl DirtyBands {
    /// Bands with staged sectors.
    pub fn len(&self) -> u64 {
        crate::units::count(self.by_age.len())
    }

    /// Whether no band has staged sectors.
    pub fn is_empty(&self) -> bool {
        self.by_age.is_empty()
    }

    /// Counts `sectors` of `band` as staged by entry `sequence`.
    pub fn add(&mut self, band: HomeBand, sectors: Sectors, sequence: u64) {
        let dirt = self.bands.entry(band).or_default();
        if dirt.staged == 0 {
            dirt.age = sequence;
            self.by_age.insert((sequence, band));
        }
        dirt.staged += sectors.0;
    }

    /// Counts `sectors` of `band` as no longer staged.
    pub fn drop(&mut self, band: HomeBand, sectors: Sectors) {
        let dirt = self
            .bands
            .get_mut(&band)
            .expect("staged sectors were counted");
        dirt.staged -= sectors.0;
        if dirt.staged == 0 {
            self.by_age.remove(&(dirt.age, band));
            self.forget_if_clean(band);
        }
    }

    /// Counts `sectors` of `band` as discarded.
    pub fn add_hole(&mut self, band: HomeBand, sectors: Sectors) {
        self.bands.entry(band).or_default().holes += sectors.0;
    }

    /// Counts `sectors` of `band` as no longer discarded.
    pub fn drop_hole(&mut self, band: HomeBand, sectors: Sectors) {
        self.bands.get_mut(&band).expect("holes were counted").holes -= sectors.0;
        self.forget_if_clean(band);
    }

    /// States that the oldest staged entry of `band` is `age`.
    pub fn correct_age(&mut self, band: HomeBand, age: u64) {
        let dirt = self.bands.get_mut(&band).expect("the band is dirty");
        self.by_age.remove(&(dirt.age, band));
        dirt.age = age;
        self.by_age.insert((age, band));
    }

    /// Bands with staged sectors by age, oldest first.
    pub fn by_age(&self) -> impl Iterator<Item = (u64, HomeBand)> + '_ {
        self.by_age.iter().copied()
    }

    /// The band with the most staged sectors (the lowest of several).
    pub fn fullest(&self) -> Option<HomeBand> {
        let staged = self.bands.iter().filter(|(_, dirt)| dirt.staged > 0);
        staged
            .max_by_key(|(band, dirt)| (dirt.staged, std::cmp::Reverse(**band)))
            .map(|(b, _)| *b)
    }

    /// The first band with staged sectors at or after `from`, round and round.
    pub fn ascending(&self, from: HomeBand) -> Option<HomeBand> {
        let after = self.bands.range(from..).chain(self.bands.range(..from));
        after
            .filter(|(_, dirt)| dirt.staged > 0)
            .map(|(band, _)| *band)
            .next()
    }

    /// The band with the most discarded sectors among those that have nothing staged.
    pub fn most_holes(&self) -> Option<HomeBand> {
        let holes = self.bands.iter().filter(|(_, dirt)| dirt.holes > 0);
        holes
            .max_by_key(|(band, dirt)| (dirt.holes, std::cmp::Reverse(**band)))
            .map(|(b, _)| *b)
    }

    fn forget_if_clean(&mut self, band: HomeBand) {
        if self
            .bands
            .get(&band)
            .is_some_and(|dirt| dirt.staged == 0 && dirt.holes == 0)
        {
            self.bands.remove(&band);
        }
    }
}
