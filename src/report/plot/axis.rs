//! Owns axes: from where to where, and ticks whose labels people read (ms, s, h, MiB, GB).
//!
//! Always holds: ticks ascend, lie on the axis, and are at most a dozen; a label says its unit. An axis
//! in powers of ten has its positions as logarithms.

use crate::report::amount::{self, float};
use crate::report::bins::steps::{round, round_time};
use crate::units::count;

/// An axis.
#[derive(Clone, Debug, PartialEq)]
pub(in crate::report) struct Axis {
    /// What it shows, written along it.
    pub(in crate::report) name: String,
    /// Where it begins and ends.
    pub(in crate::report) ends: (f64, f64),
    /// Positions and labels.
    pub(in crate::report) ticks: Vec<(f64, String)>,
    /// Whether a line runs through the panel from each tick.
    pub(in crate::report) ruled: bool,
}

/// Ticks of an axis, about.
const ACROSS: u64 = 9;
const UP: u64 = 4;

/// The position of a number on an axis in powers of ten.
pub(in crate::report) fn logarithm(value: u64) -> f64 {
    float(value.max(1)).log10()
}

impl Axis {
    /// Moments from left to right.
    pub(in crate::report) fn time(from_ns: u64, to_ns: u64) -> Axis {
        let to_ns = to_ns.max(from_ns.saturating_add(1));
        let step = round_time((to_ns - from_ns).div_ceil(ACROSS));
        let first = from_ns.div_ceil(step);
        let ticks = (first..=to_ns / step).map(|at| (float(at * step), amount::time(at * step)));
        Axis {
            name: "model time".to_owned(),
            ends: (float(from_ns), float(to_ns)),
            ticks: ticks.collect(),
            ruled: true,
        }
    }

    /// From nothing up to `most` of something.
    pub(in crate::report) fn up_to(name: &str, most: u64, label: fn(u64) -> String) -> Axis {
        Axis::between(name, (0, most.max(1)), UP, label)
    }

    /// Numbers of things from one to another.
    pub(in crate::report) fn between(
        name: &str,
        (from, to): (u64, u64),
        most: u64,
        label: fn(u64) -> String,
    ) -> Axis {
        let to = to.max(from.saturating_add(1));
        let step = round((to - from).div_ceil(most));
        let first = from.div_ceil(step);
        let ticks = (first..=to / step).map(|at| (float(at * step), label(at * step)));
        Axis {
            name: name.to_owned(),
            ends: (float(from), float(to)),
            ticks: ticks.collect(),
            ruled: true,
        }
    }

    /// Lengths of time in powers of ten, from below the shortest to above the longest.
    pub(in crate::report) fn log_time(name: &str, shortest_ns: u64, longest_ns: u64) -> Axis {
        let low = shortest_ns.max(1).ilog10();
        let most = longest_ns.max(2);
        let mut high = most.ilog10();
        if 10_u64.checked_pow(high).is_some_and(|power| power < most) {
            high += 1;
        }
        let high = high.max(low + 1);
        let powers = (low..=high).map(|power| {
            let ns = 10_u64.saturating_pow(power);
            // In powers of ten, 100 s are read more easily than a minute and 40 s.
            let label = match power {
                9.. => format!("{} s", ns / 1_000_000_000),
                _ => amount::time(ns),
            };
            (f64::from(power), label)
        });
        Axis {
            name: name.to_owned(),
            ends: (f64::from(low), f64::from(high)),
            ticks: powers.collect(),
            ruled: true,
        }
    }

    /// Sizes from one power of two to another, both included, with positions in powers of two.
    pub(in crate::report) fn log_size(name: &str, low: u32, high: u32) -> Axis {
        let every = usize::try_from((high + 1 - low).div_ceil(14)).unwrap_or(1);
        let powers = (low..=high + 1).step_by(every);
        let ticks = powers.map(|power| {
            let bytes = 2_u64.checked_pow(power).unwrap_or(u64::MAX);
            (f64::from(power), amount::size(bytes))
        });
        Axis {
            name: name.to_owned(),
            ends: (f64::from(low), f64::from(high + 1)),
            ticks: ticks.collect(),
            ruled: true,
        }
    }

    /// One row for each word, the first at the top.
    pub(in crate::report) fn words(words: &[&str]) -> Axis {
        let rows = count(words.len());
        let positions = (0..rows).map(|row| float(rows - 1 - row) + 0.5);
        Axis {
            name: String::new(),
            ends: (0.0, float(rows)),
            ticks: positions
                .zip(words.iter().map(|word| (*word).to_owned()))
                .collect(),
            ruled: false,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn labels(axis: &Axis) -> Vec<&str> {
        axis.ticks.iter().map(|(_, label)| label.as_str()).collect()
    }

    #[test]
    fn hours_are_told_in_hours_and_milliseconds_in_milliseconds() {
        let hours = Axis::time(0, 8 * 3_600_000_000_000);
        assert_eq!(labels(&hours)[..3], ["0 s", "1 h", "2 h"]);
        let short = Axis::time(0, 9_000_000);
        assert_eq!(labels(&short)[..3], ["0 s", "1 ms", "2 ms"]);
    }

    #[test]
    fn powers_of_ten_lie_around_what_is_shown() {
        let axis = Axis::log_time("latency", 120_000, 1_000_000_000);
        assert_eq!(labels(&axis), ["100 µs", "1 ms", "10 ms", "100 ms", "1 s"]);
        let axis = Axis::log_time("latency", 0, 0);
        assert_eq!(labels(&axis), ["1 ns", "10 ns"]);
    }

    proptest! {
        #[test]
        fn ticks_ascend_on_their_axis_and_are_few(from in 0_u64..1 << 60, span in 0_u64..1 << 60) {
            let axes = [
                Axis::time(from, from + span),
                Axis::up_to("x", span, amount::bytes),
                Axis::log_time("x", from, from + span),
                Axis::log_size("x", from.max(1).ilog2(), (from + span).max(1).ilog2()),
            ];
            for axis in axes {
                prop_assert!(axis.ends.0 < axis.ends.1);
                prop_assert!(axis.ticks.len() <= 20, "{axis:?}");
                prop_assert!(axis.ticks.is_sorted_by(|a, b| a.0 < b.0));
                let inside = |at: f64| axis.ends.0 <= at && at <= axis.ends.1;
                prop_assert!(axis.ticks.iter().all(|(at, _)| inside(*at)));
            }
        }
    }
}
