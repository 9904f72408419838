//! Owns the numbers that look random: the same from the same seed on every machine.
//!
//! Integers only: no rounding of a floating-point unit can reach an experiment.

use rand_chacha::ChaCha8Rng;
use rand_core::{Rng, SeedableRng};

/// A seeded source of numbers.
#[derive(Clone, Debug)]
pub struct Dice(ChaCha8Rng);

impl Dice {
    /// The numbers that follow from `seed`.
    pub fn new(seed: u64) -> Dice {
        Dice(ChaCha8Rng::seed_from_u64(seed))
    }

    /// Numbers from the same seed that have nothing to do with those of another `stream`.
    #[must_use]
    pub fn of_stream(seed: u64, stream: u64) -> Dice {
        let mut generator = ChaCha8Rng::seed_from_u64(seed);
        generator.set_stream(stream);
        Dice(generator)
    }

    /// A number below `bound`, each as likely as any other (to one part in 2^64 / `bound`).
    pub fn below(&mut self, bound: u64) -> u64 {
        let wide = u128::from(self.0.next_u64()) * u128::from(bound);
        u64::try_from(wide >> 64).expect("below the bound")
    }

    /// A number of exponential distribution with mean 1, in units of 2^-64.
    ///
    /// By comparisons alone (common practice): draw a number and go on while each draw is smaller
    /// than the one before. After an odd number of draws the first is the fraction; after an even
    /// number one more whole is counted, and again.
    pub fn exponential(&mut self) -> u128 {
        let mut whole: u128 = 0;
        loop {
            let first = self.0.next_u64();
            let (mut last, mut draws) = (first, 1_u32);
            loop {
                let next = self.0.next_u64();
                if next >= last {
                    break;
                }
                (last, draws) = (next, draws + 1);
            }
            if draws % 2 == 1 {
                return (whole << 64) | u128::from(first);
            }
            whole += 1;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const DRAWS: u32 = 40_000;

    /// Share of exponential draws above `limit` (in units of the mean), in thousandths.
    fn above_milli(limit: f64) -> f64 {
        let mut dice = Dice::new(5);
        let one = 2_f64.powi(64);
        let above = (0..DRAWS)
            .map(|_| dice.exponential())
            .filter(|value| {
                let whole = u32::try_from(value >> 64).expect("few wholes");
                let rest = u32::try_from((value >> 32) & u128::from(u32::MAX)).expect("32 bits");
                let value = f64::from(whole) + f64::from(rest) * 2_f64.powi(32) / one;
                value > limit
            })
            .count();
        f64::from(u32::try_from(above).expect("few")) * 1000.0 / f64::from(DRAWS)
    }

    #[test]
    fn waits_have_the_exponential_distribution() {
        for limit in [0.1_f64, 0.5, 1.0, 2.0, 3.0] {
            let expected = (-limit).exp() * 1000.0;
            let found = above_milli(limit);
            // Four standard deviations of a share of one half.
            assert!(
                (found - expected).abs() < 10.0,
                "{limit}: {found} {expected}"
            );
        }
    }

    #[test]
    fn every_number_below_the_bound_is_as_likely() {
        let mut dice = Dice::new(6);
        let mut counts = [0_u32; 7];
        for _ in 0..7_000 {
            let drawn = dice.below(7);
            counts[usize::try_from(drawn).expect("below seven")] += 1;
        }
        assert!(
            counts.iter().all(|count| (850..1150).contains(count)),
            "{counts:?}"
        );
    }
}
