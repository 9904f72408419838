//! Seeded randomness: the same on every machine.

use rand_chacha::ChaCha8Rng;
use rand_core::{Rng, SeedableRng};

use crate::figures::ns;

/// A stream of random numbers.
pub(crate) struct Dice(ChaCha8Rng);

impl Dice {
    pub(crate) fn new(seed: u64) -> Dice {
        Dice(ChaCha8Rng::seed_from_u64(seed))
    }

    /// A whole number below `bound`; the bias of the remainder is far below what a test can see.
    pub(crate) fn below(&mut self, bound: u64) -> u64 {
        self.0.next_u64() % bound
    }

    /// An exponentially distributed time of this mean, in nanoseconds.
    pub(crate) fn exponential_ns(&mut self, mean_ms: f64) -> u64 {
        let uniform = (f64::from(self.0.next_u32()) + 0.5) / 4_294_967_296.0;
        ns(-uniform.ln() * mean_ms)
    }
}
