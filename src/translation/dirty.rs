//! Owns which home bands have staged sectors, and the orders in which they can be cleaned.
//!
//! Counts sectors only; the age of a band is a lower bound (the entry that first dirtied it), to
//! be checked against the map by whoever picks by age.

use std::cmp::Reverse;
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

/// Neighbouring bands.
#[derive(Clone, Debug)]
struct Page {
    dirt: Box<[Dirt]>,
    /// The band with the most staged sectors, the lowest of several.
    fullest: Fullest,
}

/// What is known of the fullest band of a page.
#[derive(Clone, Copy, Debug)]
enum Fullest {
    /// So many sectors, and how many bands of the page the reverse order has behind it.
    Is(u64, Reverse<usize>),
    /// It has lost some: whoever wants to know looks again.
    Unknown,
}

impl Page {
    fn new() -> Page {
        Page {
            dirt: vec![Dirt::default(); index(u64::from(PAGE))].into_boxed_slice(),
            fullest: Fullest::Unknown,
        }
    }

    fn note_more(&mut self, at: usize) {
        let now = (self.dirt[at].staged, Reverse(at));
        if let Fullest::Is(staged, band) = self.fullest
            && now > (staged, band)
        {
            self.fullest = Fullest::Is(now.0, now.1);
        }
    }

    fn note_less(&mut self, at: usize) {
        if matches!(self.fullest, Fullest::Is(_, band) if band == Reverse(at)) {
            self.fullest = Fullest::Unknown;
        }
    }

    fn fullest(&mut self) -> (u64, Reverse<usize>) {
        if let Fullest::Is(staged, band) = self.fullest {
            return (staged, band);
        }
        let staged = self.dirt.iter().map(|dirt| dirt.staged);
        let all = staged.zip((0..).map(Reverse));
        let (staged, band) = all.max().expect("a page has bands");
        self.fullest = Fullest::Is(staged, band);
        (staged, band)
    }
}

/// The dirty bands.
#[derive(Clone, Debug, Default)]
pub struct DirtyBands {
    /// By band; `None` where no band of the page was ever dirty.
    pages: Vec<Option<Page>>,
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
        let (page, at) = self.page(band);
        let dirt = &mut page.dirt[at];
        let was_clean = dirt.staged == 0;
        dirt.staged += sectors.0;
        if was_clean {
            dirt.age = sequence;
        }
        page.note_more(at);
        if was_clean {
            self.by_age.insert((sequence, band));
        }
    }

    /// Counts `sectors` of `band` as no longer staged.
    pub fn drop(&mut self, band: HomeBand, sectors: Sectors) {
        let (page, at) = self.page(band);
        let dirt = &mut page.dirt[at];
        dirt.staged -= sectors.0;
        let (left, age) = (dirt.staged, dirt.age);
        page.note_less(at);
        if left == 0 {
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
    pub fn fullest(&mut self) -> Option<HomeBand> {
        let pages = self.pages.iter_mut().enumerate();
        let known = pages.filter_map(|(number, page)| {
            let (staged, Reverse(at)) = page.as_mut()?.fullest();
            Some((staged, Reverse((number, at))))
        });
        let (_, Reverse((number, at))) = known.max().filter(|(staged, _)| *staged > 0)?;
        let band = number * index(u64::from(PAGE)) + at;
        Some(HomeBand(
            u32::try_from(band).expect("bands are counted in 32 bits"),
        ))
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
            .max_by_key(|(band, dirt)| (dirt.holes, Reverse(*band)))
            .map(|(band, _)| band)
    }

    fn at(&mut self, band: HomeBand) -> &mut Dirt {
        let (page, at) = self.page(band);
        &mut page.dirt[at]
    }

    fn page(&mut self, band: HomeBand) -> (&mut Page, usize) {
        let page = index(u64::from(band.0 / PAGE));
        if page >= self.pages.len() {
            self.pages.resize(page + 1, None);
        }
        let page = self.pages[page].get_or_insert_with(Page::new);
        (page, index(u64::from(band.0 % PAGE)))
    }

    /// The bands of all pages there are, from `first` on, in ascending order.
    fn from(&self, first: HomeBand) -> impl Iterator<Item = (HomeBand, Dirt)> + '_ {
        let begun = first.0 / PAGE;
        let pages = self.pages.iter().skip(index(u64::from(begun)));
        let dirt = (begun..).zip(pages).flat_map(|(page, dirt)| {
            let dirt = dirt.iter().flat_map(|page| page.dirt.iter().copied());
            (page * PAGE..).map(HomeBand).zip(dirt)
        });
        dirt.skip_while(move |(band, _)| *band < first)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn the_fullest_band_is_the_one_that_a_look_at_all_finds(
            acts in prop::collection::vec((0..40u32, 1..9u64, any::<bool>(), any::<bool>()), 1..200)
        ) {
            let mut dirty = DirtyBands::default();
            let mut plain = std::collections::BTreeMap::new();
            for (band, sectors, far, more) in acts {
                let band = HomeBand(if far { 5 * PAGE + band } else { band });
                let held = plain.entry(band).or_insert(0);
                let sectors = if more { sectors } else { sectors.min(*held) };
                if more {
                    *held += sectors;
                    dirty.add(band, Sectors(sectors), 1);
                } else if sectors > 0 {
                    *held -= sectors;
                    dirty.drop(band, Sectors(sectors));
                }
                let most = plain.values().copied().max().filter(|most| *most > 0);
                let wanted = most.and_then(|most| plain.iter().find(|(_, held)| **held == most));
                prop_assert_eq!(dirty.fullest(), wanted.map(|(band, _)| *band));
                let staged = plain.values().filter(|held| **held > 0).count();
                prop_assert_eq!(dirty.len(), crate::units::count(staged));
            }
        }
    }
}
