//! Owns half-open ranges of addresses and the map from ranges to values.
//!
//! An [`Extent`] is never empty. An [`ExtentMap`] holds disjoint extents in ascending order and
//! splits, cuts and joins them; it does not know what its values mean beyond how to move them along.

use crate::units::{Lba, Pba, Sectors};

/// A half-open, non-empty run of sectors from `start` on.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Extent<A> {
    /// First sector.
    pub start: A,
    /// How many.
    pub sectors: Sectors,
}

/// A run of host addresses.
pub type LbaExtent = Extent<Lba>;
/// A run of places on the medium.
pub type PbaExtent = Extent<Pba>;

impl<A: Copy + Ord + std::ops::Add<Sectors, Output = A> + std::ops::Sub<A, Output = Sectors>>
    Extent<A>
{
    /// The run of `sectors` from `start` on.
    ///
    /// # Panics
    /// If it would be empty.
    pub fn new(start: A, sectors: Sectors) -> Self {
        assert!(sectors.0 > 0, "empty extent");
        Extent { start, sectors }
    }

    /// The run from `start` up to but excluding `end`; `None` where there is nothing between.
    pub fn between(start: A, end: A) -> Option<Self> {
        (start < end).then(|| Extent {
            start,
            sectors: end - start,
        })
    }

    /// First address after the run.
    pub fn end(&self) -> A {
        self.start + self.sectors
    }

    /// Whether `address` lies in the run.
    pub fn contains(&self, address: A) -> bool {
        self.start <= address && address < self.end()
    }

    /// The part that both runs share.
    pub fn intersect(&self, other: &Self) -> Option<Self> {
        Extent::between(self.start.max(other.start), self.end().min(other.end()))
    }
}
