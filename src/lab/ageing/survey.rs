//! Owns what is known of a drive before it is aged: which of its home bands hold what, and which are to
//! be filled.
//!
//! It looks and changes nothing.

use super::bench::Bench;
use super::condition::{AgeError, FillOrder, Wanted};
use super::scatter::some_of;
use crate::drive::Drive;
use crate::drive::request::Whereabouts;
use crate::extent::LbaExtent;
use crate::lab::dice::Dice;
use crate::medium::layout::Layout;
use crate::units::{HomeBand, count, index};

/// Which bands hold what.
pub(super) struct Survey {
    /// Home bands by what is there.
    pub(super) bands: Vec<(HomeBand, LbaExtent, Holds)>,
}

/// What a band holds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Holds {
    /// Nothing.
    Nothing,
    /// Something, all of it at home.
    Data,
    /// Something staged.
    Staged,
}

impl Survey {
    /// Looks at all bands.
    pub(super) fn of(drive: &Drive) -> Survey {
        let layout = layout(drive);
        let bands = (0..layout.home_bands()).map(HomeBand).map(|band| {
            let extent = layout.home_extent(band);
            (band, extent, holds(drive, extent))
        });
        Survey {
            bands: bands.collect(),
        }
    }

    /// Bands that hold something.
    pub(super) fn filled(&self) -> u64 {
        let filled = self.bands.iter().filter(|band| band.2 != Holds::Nothing);
        count(filled.count())
    }

    /// The bands to be filled, in the order in which that is done.
    pub(super) fn to_fill(&self, wanted: &Wanted) -> Result<Vec<LbaExtent>, AgeError> {
        let Some(percent) = wanted.filled_percent else {
            return Ok(Vec::new());
        };
        let (home_bands, filled_bands) = (count(self.bands.len()), self.filled());
        let wanted_bands = (home_bands * percent).div_ceil(100);
        let Some(more) = wanted_bands.checked_sub(filled_bands) else {
            return Err(AgeError::FilledAlready {
                wanted: percent,
                wanted_bands,
                filled_bands,
                home_bands,
            });
        };
        let empty = self.bands.iter().filter(|band| band.2 == Holds::Nothing);
        let empty = empty.map(|band| band.1);
        Ok(match wanted.order {
            FillOrder::Sequential => empty.take(index(more)).collect(),
            FillOrder::Scattered => some_of(&mut Dice::new(wanted.seed), empty.collect(), more),
        })
    }
}

fn holds(drive: &Drive, extent: LbaExtent) -> Holds {
    let mut held = Holds::Nothing;
    let (mut at, mut left) = (Bench::byte_of(extent.start), extent.sectors.bytes());
    let end = drive.profile().drive.capacity_bytes;
    left = left.min(end - at);
    while left > 0 {
        for (bytes, place) in drive.whereabouts(at, left) {
            match place {
                Whereabouts::Staged | Whereabouts::Cached => return Holds::Staged,
                Whereabouts::Home => held = Holds::Data,
                Whereabouts::Nowhere => {}
            }
            (at, left) = (at + bytes, left - bytes);
        }
    }
    held
}

/// The layout of a drive that stages.
pub(super) fn layout(drive: &Drive) -> &Layout {
    let translation = drive.translation();
    translation.expect("it stages, so it translates").layout()
}
