//! Owns what the map says of a run of host addresses: a place on the medium, or a hole.

use crate::extent::Along;
use crate::units::{Pba, Sectors};

/// Where a mapped run lives, in eight bytes: the map holds millions of these.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Target(u64);

impl Target {
    /// Discarded: the run reads as zeroes whatever its home holds.
    pub const HOLE: Target = Target(u64::MAX);

    /// A run on the medium from `pba` on.
    pub fn at(pba: Pba) -> Target {
        assert!(pba.0 != u64::MAX, "no medium is that large");
        Target(pba.0)
    }

    /// The place, unless it is a hole.
    pub fn pba(self) -> Option<Pba> {
        (self != Target::HOLE).then_some(Pba(self.0))
    }
}

impl Along for Target {
    fn along(self, by: Sectors) -> Target {
        match self.pba() {
            Some(pba) => Target::at(pba + by),
            None => self,
        }
    }
}
