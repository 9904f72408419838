//! Owns what the map says of a run of host addresses: a place on the medium, or a hole.

use crate::extent::{Along, Run};
use crate::units::{Lba, Pba, Sectors};

/// Bits of an address; no drive is that large.
const ADDRESS_BITS: u32 = 40;
/// The highest, and what stands for a hole.
const HIGHEST: u64 = (1 << ADDRESS_BITS) - 1;

/// Where a mapped run lives.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Target(u64);

impl Target {
    /// Discarded: the run reads as zeroes whatever its home holds.
    pub const HOLE: Target = Target(HIGHEST);

    /// A run on the medium from `pba` on.
    pub fn at(pba: Pba) -> Target {
        assert!(pba.0 < HIGHEST, "no medium is that large");
        Target(pba.0)
    }

    /// The place, unless it is a hole.
    pub fn pba(self) -> Option<Pba> {
        (self != Target::HOLE).then_some(Pba(self.0))
    }
}

impl Along for Target {
    /// Two addresses of 40 bits and a length in the 48 that are left of 128: the map holds millions.
    type Kept = [u64; 2];

    fn along(self, by: Sectors) -> Target {
        match self.pba() {
            Some(pba) => Target::at(pba + by),
            None => self,
        }
    }

    fn keep(run: Run<Target>) -> [u64; 2] {
        let Run {
            start,
            sectors,
            value,
        } = run;
        assert!(
            start.0 <= HIGHEST && sectors.0 <= HIGHEST,
            "no drive is that large"
        );
        let high = sectors.0 >> (u64::BITS - ADDRESS_BITS);
        [
            start.0 | sectors.0 << ADDRESS_BITS,
            value.0 | high << ADDRESS_BITS,
        ]
    }

    fn kept([low, high]: [u64; 2]) -> Run<Target> {
        let sectors = low >> ADDRESS_BITS | (high >> ADDRESS_BITS) << (u64::BITS - ADDRESS_BITS);
        Run {
            start: Lba(low & HIGHEST),
            sectors: Sectors(sectors),
            value: Target(high & HIGHEST),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn a_run_is_what_was_kept_of_it(start in 0..=HIGHEST, sectors in 1..=HIGHEST, pba in 0..=HIGHEST) {
            let value = if pba == HIGHEST { Target::HOLE } else { Target::at(Pba(pba)) };
            let run = Run { start: Lba(start), sectors: Sectors(sectors), value };
            prop_assert_eq!(Target::kept(Target::keep(run)), run);
        }
    }
}
