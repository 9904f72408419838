//! Owns model time: integer nanoseconds since the drive was switched on.
//!
//! Model time has no relation to the host's clock; `host` maps one to the other. Nothing here
//! reads a clock.

use std::fmt;
use std::ops::{Add, AddAssign, Sub};

/// A moment of model time in nanoseconds since the drive was switched on.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Instant(pub u64);

/// A length of model time in nanoseconds.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Duration(pub u64);

impl Duration {
    /// No time at all.
    pub const ZERO: Duration = Duration(0);

    /// `value` microseconds.
    pub const fn from_us(value: u64) -> Duration {
        Duration(value * 1_000)
    }

    /// `value` milliseconds.
    pub const fn from_ms(value: u64) -> Duration {
        Duration(value * 1_000_000)
    }

    /// `value` seconds.
    pub const fn from_s(value: u64) -> Duration {
        Duration(value * 1_000_000_000)
    }

    /// The difference, or nothing where `rhs` is longer.
    #[must_use]
    pub fn saturating_sub(self, rhs: Duration) -> Duration {
        Duration(self.0.saturating_sub(rhs.0))
    }
}

impl Instant {
    /// Time since `earlier`, or nothing where `earlier` is later.
    pub fn since(self, earlier: Instant) -> Duration {
        Duration(self.0.saturating_sub(earlier.0))
    }
}

impl Add<Duration> for Instant {
    type Output = Instant;
    fn add(self, rhs: Duration) -> Instant {
        Instant(self.0 + rhs.0)
    }
}

impl AddAssign<Duration> for Instant {
    fn add_assign(&mut self, rhs: Duration) {
        self.0 += rhs.0;
    }
}

impl Add for Duration {
    type Output = Duration;
    fn add(self, rhs: Duration) -> Duration {
        Duration(self.0 + rhs.0)
    }
}

impl AddAssign for Duration {
    fn add_assign(&mut self, rhs: Duration) {
        self.0 += rhs.0;
    }
}

impl Sub for Duration {
    type Output = Duration;
    fn sub(self, rhs: Duration) -> Duration {
        Duration(self.0 - rhs.0)
    }
}

/// Written as people read it: `1.14 s`, `25.4 ms`, `310 µs`, `40 ns`.
impl fmt::Display for Duration {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let (unit_ns, unit) = match self.0 {
            1_000_000_000.. => (1_000_000_000_u128, "s"),
            1_000_000.. => (1_000_000, "ms"),
            1_000.. => (1_000, "µs"),
            _ => return write!(f, "{} ns", self.0),
        };
        // Rounded once, to three digits.
        let rounded = |parts: u128| (u128::from(self.0) * parts + unit_ns / 2) / unit_ns;
        let (hundredths, tenths) = (rounded(100), rounded(10));
        match (hundredths / 100, hundredths % 100) {
            (whole, 0) => write!(f, "{whole} {unit}"),
            (whole @ 0..10, rest) => write!(f, "{whole}.{rest:02} {unit}"),
            _ if tenths < 1000 && tenths % 10 != 0 => {
                write!(f, "{}.{} {unit}", tenths / 10, tenths % 10)
            }
            _ => write!(f, "{} {unit}", rounded(1)),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::Duration;

    #[test]
    fn durations_read_with_three_digits_at_most() {
        let check = |ns: u64, expected: &str| assert_eq!(Duration(ns).to_string(), expected);
        check(40, "40 ns");
        check(310_000, "310 µs");
        check(1_140_000_000, "1.14 s");
        check(25_440_000, "25.4 ms");
        check(42_970_000, "43 ms");
        check(48_960_000, "49 ms");
        check(99_960_000, "100 ms");
        check(216_400_000, "216 ms");
        check(9_996_000, "10 ms");
        // Sums over many requests are long.
        check(u64::MAX, "18446744074 s");
    }
}
