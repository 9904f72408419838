//! Owns a ladder of bounds for what spans many powers of two: four rungs from each to the next.
//!
//! Always holds: bounds are whole numbers, every number has one rung, and rungs ascend with numbers.

/// Rungs between two powers of two.
const PER_OCTAVE: u32 = 4;
const SHIFT: u32 = PER_OCTAVE.ilog2();

/// The rung of a number.
pub(in crate::report) fn rung(value: u64) -> u32 {
    if value < u64::from(PER_OCTAVE) {
        return u32::try_from(value).expect("below four");
    }
    let octave = value.ilog2();
    let within = u32::try_from(value >> (octave - SHIFT)).expect("its three highest bits");
    PER_OCTAVE * (octave - SHIFT) + within
}

/// The least number of a rung.
pub(in crate::report) fn bound(rung: u32) -> u64 {
    if rung < 2 * PER_OCTAVE {
        return u64::from(rung);
    }
    let octaves = rung / PER_OCTAVE - 1;
    let within = u128::from(PER_OCTAVE + rung % PER_OCTAVE);
    u64::try_from(within << octaves.min(100)).unwrap_or(u64::MAX)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn the_first_rungs_are_the_numbers_themselves() {
        for value in 0..8 {
            assert_eq!(u64::from(rung(value)), value);
            assert_eq!(bound(rung(value)), value);
        }
        assert_eq!((bound(8), bound(9), bound(12)), (8, 10, 16));
    }

    proptest! {
        #[test]
        fn a_number_lies_between_its_bound_and_the_next(value in any::<u64>()) {
            let rung = rung(value);
            prop_assert!(bound(rung) <= value);
            prop_assert!(value < bound(rung + 1) || bound(rung + 1) == u64::MAX);
        }
    }
}
