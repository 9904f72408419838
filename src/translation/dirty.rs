//! Owns which home bands have staged sectors, and the orders in which they can be cleaned.
//!
//! Counts sectors only; the age of a band is a lower bound (the entry that first dirtied it), to
//! be checked against the map by whoever picks by age.

use std::collections::BTreeSet;

use crate::units::{HomeBand, Sectors, index};

/// Bands whose dirt is kept together.
const PAGE: u32 = 1024;

#[derive(Clone, Copy, Debug, Default)]
struct Dirt {
    staged: u64,
    holes: u64,
    age: u64,
}

/// The dirty bands.
#[derive(Clone, Debug, Default)]
pub struct DirtyBands {
    /// By band; `None` where no band of the page was ever dirty.
    pages: Vec<Option<Box<[Dirt]>>>,
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
        let dirt = self.at(band);
        let was_clean = dirt.staged == 0;
        dirt.staged += sectors.0;
        if was_clean {
            dirt.age = sequence;
            self.by_age.insert((sequence, band));
        }
    }

    /// Counts `sectors` of `band` as no longer staged.
    pub fn drop(&mut self, band: HomeBand, sectors: Sectors) {
        let dirt = self.at(band);
        dirt.staged -= sectors.0;
        if dirt.staged == 0 {
            let age = dirt.age;
            self.by_age.remove(&(age, band));
        }
    }

    /// Counts `sectors` of `band` as discarded.
    pub fn add_hole(&mut self, band: HomeBand, sectors: Sectors) {
        self.at(band).holes += sectors.0;
    }

    /// Counts `sectors` of `band` as no longer discarded.
    pub fn drop_hole(&mut self, band: HomeBand, sectors: Sectors) {
        self.at(band).holes -= sectors.0;
    }

    /// States that the oldest staged entry of `band` is `age`.
    pub fn correct_age(&mut self, band: HomeBand, age: u64) {
        let former = std::mem::replace(&mut self.at(band).age, age);
        self.by_age.remove(&(former, band));
        self.by_age.insert((age, band));
    }

    /// Bands with staged sectors by age, oldest first.
    pub fn by_age(&self) -> impl Iterator<Item = (u64, HomeBand)> + '_ {
        self.by_age.iter().copied()
    }

    /// The band with the most staged sectors (the lowest of several).
    pub fn fullest(&self) -> Option<HomeBand> {
        self.from(HomeBand(0))
            .filter(|(_, dirt)| dirt.staged > 0)
            .max_by_key(|(band, dirt)| (dirt.staged, std::cmp::Reverse(*band)))
            .map(|(band, _)| band)
    }

    /// The first band with staged sectors at or after `from`, round and round.
    pub fn ascending(&self, from: HomeBand) -> Option<HomeBand> {
        if self.is_empty() {
            return None;
        }
        self.from(from)
            .chain(self.from(HomeBand(0)))
            .find(|(_, dirt)| dirt.staged > 0)
            .map(|(band, _)| band)
    }

    /// The band with the most discarded sectors among those that have nothing staged.
    pub fn most_holes(&self) -> Option<HomeBand> {
        self.from(HomeBand(0))
            .filter(|(_, dirt)| dirt.holes > 0)
            .max_by_key(|(band, dirt)| (dirt.holes, std::cmp::Reverse(*band)))
            .map(|(band, _)| band)
    }

    fn at(&mut self, band: HomeBand) -> &mut Dirt {
        let page = index(u64::from(band.0 / PAGE));
        if page >= self.pages.len() {
            self.pages.resize(page + 1, None);
        }
        let page = self.pages[page].get_or_insert_with(|| {
            vec![Dirt::default(); index(u64::from(PAGE))].into_boxed_slice()
        });
        &mut page[index(u64::from(band.0 % PAGE))]
    }

    /// The bands of all pages there are, from `first` on, in ascending order.
    fn from(&self, first: HomeBand) -> impl Iterator<Item = (HomeBand, Dirt)> + '_ {
        let begun = first.0 / PAGE;
        let pages = self.pages.iter().skip(index(u64::from(begun)));
        let dirt = (begun..).zip(pages).flat_map(|(page, dirt)| {
            let dirt = dirt.iter().flat_map(|dirt| dirt.iter().copied());
            (page * PAGE..).map(HomeBand).zip(dirt)
        });
        dirt.skip_while(move |(band, _)| *band < first)
    }
}
