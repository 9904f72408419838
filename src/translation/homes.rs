//! Owns where each home band lies and how much of it was ever written.
//!
//! A drive has a hundred thousand bands and most are as the factory left them: only pages of the
//! table that differ take memory.

use crate::units::{BandId, HomeBand, Sectors, index};

const PAGE: u32 = 1024;

/// Where a home band lies.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Home {
    /// Its physical band; `None`: where the factory put it.
    pub moved_to: Option<BandId>,
    /// Sectors from its start that hold something; the rest was never written.
    pub written: Sectors,
}

/// The table of all home bands.
#[derive(Clone, Debug)]
pub struct Homes {
    pages: Vec<Option<Box<[Home]>>>,
    formatted: bool,
}

impl Homes {
    /// A table of `bands` bands; `formatted`: each counts as written in full.
    pub fn new(bands: u32, formatted: bool) -> Homes {
        let pages = bands.div_ceil(PAGE);
        Homes {
            pages: (0..pages).map(|_| None).collect(),
            formatted,
        }
    }

    /// The entry of `band`, whose size is `sectors`.
    pub fn get(&self, band: HomeBand, sectors: Sectors) -> Home {
        let entry = self.pages[index(u64::from(band.0 / PAGE))]
            .as_ref()
            .map_or(FACTORY, |page| page[index(u64::from(band.0 % PAGE))]);
        match entry.written {
            UNTOUCHED => Home {
                written: self.untouched(sectors),
                ..entry
            },
            _ => entry,
        }
    }

    /// Sets the entry of `band`.
    pub fn set(&mut self, band: HomeBand, home: Home) {
        let page = self.pages[index(u64::from(band.0 / PAGE))]
            .get_or_insert_with(|| vec![FACTORY; index(u64::from(PAGE))].into_boxed_slice());
        page[index(u64::from(band.0 % PAGE))] = home;
    }

    /// Every band that is not as the factory left it, in ascending order.
    pub fn changed(&self) -> impl Iterator<Item = (HomeBand, Home)> + '_ {
        (0u32..)
            .step_by(index(u64::from(PAGE)))
            .zip(&self.pages)
            .flat_map(|(first, page)| {
                let entries = page.iter().flat_map(|page| page.iter());
                (first..)
                    .zip(entries)
                    .filter(|(_, home)| **home != FACTORY)
                    .map(|(b, h)| (HomeBand(b), *h))
            })
    }

    fn untouched(&self, sectors: Sectors) -> Sectors {
        if self.formatted { sectors } else { Sectors(0) }
    }
}

/// Stands for "as the factory left it"; no band is that large.
const UNTOUCHED: Sectors = Sectors(u64::MAX);
const FACTORY: Home = Home {
    moved_to: None,
    written: UNTOUCHED,
};

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_what_changed_is_listed() {
        let mut homes = Homes::new(5000, false);
        assert_eq!(homes.get(HomeBand(4999), Sectors(7)).written, Sectors(0));
        let home = Home {
            moved_to: Some(BandId(9)),
            written: Sectors(3),
        };
        homes.set(HomeBand(2048), home);
        assert_eq!(homes.get(HomeBand(2048), Sectors(7)), home);
        assert_eq!(
            homes.changed().collect::<Vec<_>>(),
            vec![(HomeBand(2048), home)]
        );
    }

    #[test]
    fn a_formatted_drive_counts_every_band_as_written() {
        let homes = Homes::new(3, true);
        assert_eq!(homes.get(HomeBand(2), Sectors(7)).written, Sectors(7));
    }
}
