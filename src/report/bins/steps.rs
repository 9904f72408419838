//! Owns equal steps with round bounds along an axis of whole numbers: time or addresses.
//!
//! Always holds: every value from the beginning to the end of what was asked for has a step, steps
//! follow one another without gaps, and there are no more than asked for (one more where the
//! beginning is not a multiple of the width).

use crate::units::{count, index};

/// Steps of equal width.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(in crate::report) struct Steps {
    start: u64,
    width: u64,
    count: u64,
}

const SECOND: u64 = 1_000_000_000;
const MINUTE: u64 = 60 * SECOND;
const HOUR: u64 = 60 * MINUTE;
/// Round times beyond a second; below it, powers of ten with 1, 2 and 5.
const ROUND_TIMES: [u64; 17] = [
    SECOND,
    2 * SECOND,
    5 * SECOND,
    10 * SECOND,
    20 * SECOND,
    30 * SECOND,
    MINUTE,
    2 * MINUTE,
    5 * MINUTE,
    10 * MINUTE,
    20 * MINUTE,
    30 * MINUTE,
    HOUR,
    2 * HOUR,
    4 * HOUR,
    12 * HOUR,
    24 * HOUR,
];

/// The smallest round time that is no shorter than `ns`.
pub(in crate::report) fn round_time(ns: u64) -> u64 {
    if ns <= SECOND / 2 {
        return round(ns);
    }
    let found = ROUND_TIMES.into_iter().find(|time| *time >= ns);
    found.unwrap_or_else(|| round(ns.div_ceil(24 * HOUR)).saturating_mul(24 * HOUR))
}

/// The smallest of 1, 2 and 5 times a power of ten that is no smaller than `value`.
pub(in crate::report) fn round(value: u64) -> u64 {
    let mut power: u64 = 1;
    loop {
        for factor in [1, 2, 5] {
            let candidate = power.saturating_mul(factor);
            if candidate >= value {
                return candidate;
            }
        }
        power = power.saturating_mul(10);
    }
}

impl Steps {
    /// Steps of a round time that cover `from..=to`, about `most` at most.
    pub(in crate::report) fn of_time(from: u64, to: u64, most: u64) -> Steps {
        let span = to.saturating_sub(from).saturating_add(1);
        Steps::with_width(from, to, round_time(span.div_ceil(most)))
    }

    /// Steps of a round number that cover `0..end`, `most` at most.
    pub(in crate::report) fn of_addresses(end: u64, most: u64) -> Steps {
        let end = end.max(1);
        Steps::with_width(0, end - 1, round(end.div_ceil(most)))
    }

    /// Steps of `width` that cover `from..=to`.
    pub(in crate::report) fn with_width(from: u64, to: u64, width: u64) -> Steps {
        let width = width.max(1);
        let start = from / width * width;
        Steps {
            start,
            width,
            count: (to.max(from) - start) / width + 1,
        }
    }

    /// How many there are.
    pub(in crate::report) fn len(&self) -> usize {
        index(self.count)
    }

    /// How wide each is.
    pub(in crate::report) fn width(&self) -> u64 {
        self.width
    }

    /// The step of a value; one outside belongs to the first or last.
    pub(in crate::report) fn at(&self, value: u64) -> usize {
        index((value.saturating_sub(self.start) / self.width).min(self.count - 1))
    }

    /// Where step `at` begins; for the number of steps, where the last one ends.
    pub(in crate::report) fn bound(&self, at: usize) -> u64 {
        self.start
            .saturating_add(count(at).saturating_mul(self.width))
    }

    /// Where the first begins.
    pub(in crate::report) fn start(&self) -> u64 {
        self.start
    }

    /// Where the last ends.
    pub(in crate::report) fn end(&self) -> u64 {
        self.bound(self.len())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn round_numbers_are_1_2_and_5_times_powers_of_ten() {
        for (value, expected) in [
            (0, 1),
            (1, 1),
            (3, 5),
            (6, 10),
            (11, 20),
            (21, 50),
            (51, 100),
        ] {
            assert_eq!(round(value), expected, "{value}");
        }
    }

    #[test]
    fn round_times_are_those_of_a_clock() {
        for (seconds, expected) in [
            (1, 1),
            (3, 5),
            (31, 60),
            (61, 120),
            (1801, 3600),
            (50_000, 86_400),
        ] {
            assert_eq!(round_time(seconds * SECOND), expected * SECOND, "{seconds}");
        }
        assert_eq!(round_time(30), 50);
        assert_eq!(round_time(600_000_000), SECOND);
        assert_eq!(round_time(3 * 24 * HOUR), 5 * 24 * HOUR);
    }

    proptest! {
        #[test]
        fn every_value_lies_in_its_step(
            from in 0_u64..1 << 62, span in 0_u64..1 << 62, most in 1_u64..500, part in 0_u64..1000,
        ) {
            let to = from + span;
            let steps = Steps::of_time(from, to, most);
            prop_assert!(count(steps.len()) <= most + 1);
            let inside = from + span / 1000 * part;
            for value in [from, to, inside] {
                let at = steps.at(value);
                prop_assert!(steps.bound(at) <= value);
                prop_assert!(value < steps.bound(at + 1));
                prop_assert!(at < steps.len());
            }
        }

        #[test]
        fn addresses_begin_at_nothing(end in 0_u64..1 << 62, most in 1_u64..500) {
            let steps = Steps::of_addresses(end, most);
            prop_assert_eq!(steps.start(), 0);
            prop_assert!(count(steps.len()) <= most);
            prop_assert!(steps.end() >= end);
        }
    }
}
