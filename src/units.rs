//! Owns the newtypes of every address space and the few conversions between them.
//!
//! Addresses are counted in physical sectors of [`SECTOR_BYTES`]; bytes appear only where the host
//! speaks. Nothing here knows what lies at an address.

use std::fmt;
use std::ops::{Add, AddAssign, Sub};

/// Bytes of one physical sector. Every internal address and length counts these.
pub const SECTOR_BYTES: u64 = 4096;

macro_rules! address {
    ($(#[$doc:meta])* $name:ident) => {
        $(#[$doc])*
        #[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
        pub struct $name(pub u64);

        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                fmt::Display::fmt(&self.0, f)
            }
        }

        impl Add<Sectors> for $name {
            type Output = $name;
            fn add(self, rhs: Sectors) -> $name {
                $name(self.0 + rhs.0)
            }
        }

        impl Sub for $name {
            type Output = Sectors;
            fn sub(self, rhs: $name) -> Sectors {
                Sectors(self.0 - rhs.0)
            }
        }
    };
}

address! {
    /// Host address: index of a physical sector as the host numbers them.
    Lba
}
address! {
    /// Place on the medium: index of a physical sector in layout order, over all areas.
    Pba
}

/// A count of physical sectors of [`SECTOR_BYTES`].
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Sectors(pub u64);

impl Sectors {
    /// Sectors needed to hold `bytes`, rounded up.
    pub fn holding(bytes: u64) -> Sectors {
        Sectors(bytes.div_ceil(SECTOR_BYTES))
    }

    /// The same length in bytes.
    pub fn bytes(self) -> u64 {
        self.0 * SECTOR_BYTES
    }
}

impl fmt::Display for Sectors {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Display::fmt(&self.0, f)
    }
}

impl Add for Sectors {
    type Output = Sectors;
    fn add(self, rhs: Sectors) -> Sectors {
        Sectors(self.0 + rhs.0)
    }
}

impl AddAssign for Sectors {
    fn add_assign(&mut self, rhs: Sectors) {
        self.0 += rhs.0;
    }
}

impl Sub for Sectors {
    type Output = Sectors;
    fn sub(self, rhs: Sectors) -> Sectors {
        Sectors(self.0 - rhs.0)
    }
}

/// Index of a physical band: a run of adjacent tracks written as one pass. Numbered over all
/// shingled areas (data, spare, staging, map) in layout order.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct BandId(pub u32);

impl fmt::Display for BandId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Display::fmt(&self.0, f)
    }
}

/// Index of a home band: the slice of host addresses that one data band holds, from LBA 0 up.
/// Which physical band that is can change (a spare takes its place).
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct HomeBand(pub u32);

impl fmt::Display for HomeBand {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Display::fmt(&self.0, f)
    }
}

/// Turns a 64-bit number into an index of memory.
///
/// # Panics
/// On a machine whose memory cannot be that large: imbrex supports 64-bit hosts only.
pub fn index(value: u64) -> usize {
    usize::try_from(value).expect("64-bit host")
}

/// Turns a length in memory into a 64-bit number.
pub fn count(value: usize) -> u64 {
    u64::try_from(value).expect("memory lengths fit in 64 bits")
}

/// How many of `parts` equal parts of `all` are `part`, to the nearest: of 1000, a share in thousandths.
pub fn nearest(part: u64, all: u64, parts: u64) -> u64 {
    let (part, all) = (u128::from(part), u128::from(all.max(1)));
    let found = (part * u128::from(parts) + all / 2) / all;
    u64::try_from(found).unwrap_or(u64::MAX)
}

/// How many hundredths of `all` are `part`, to the nearest; 100 of all only.
pub fn percent(part: u64, all: u64) -> u64 {
    let found = nearest(part, all, 100);
    if part < all { found.min(99) } else { found }
}

/// So many of something that has a plain plural, in words: `1 request`, `2 requests`, `2 entries`.
pub fn counted(number: u64, one: &str) -> String {
    format!("{number} {}", named(number, one))
}

/// The word for so many of something that has a plain plural: `request`, `requests`, `entries`, `flushes`.
pub fn named(number: u64, one: &str) -> String {
    let stem = one.strip_suffix('y');
    let stem = stem.filter(|stem| !stem.ends_with(['a', 'e', 'o', 'u']));
    match (number, stem) {
        (1, _) => one.to_owned(),
        (_, Some(stem)) => format!("{stem}ies"),
        (_, None) if one.ends_with("sh") => format!("{one}es"),
        (_, None) => format!("{one}s"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn shares_are_told_to_the_nearest_hundredth_and_100_of_all_only() {
        let check = |part, all, told| assert_eq!(percent(part, all), told, "{part} of {all}");
        check(3_710_925, 3_906_250, 95);
        check(1, 200, 1);
        check(1, 201, 0);
        check(0, 0, 0);
        check(999, 1_000, 99);
        check(1_000, 1_000, 100);
        check(u64::MAX, u64::MAX, 100);
        // An image may claim more than there is.
        check(3, 2, 150);
    }

    #[test]
    fn words_for_one_and_for_many_are_told_apart() {
        for (one, many) in [
            ("request", "requests"),
            ("entry", "entries"),
            ("way", "ways"),
            ("flush", "flushes"),
            ("log entry", "log entries"),
        ] {
            assert_eq!(counted(1, one), format!("1 {one}"));
            for number in [0, 2, u64::MAX] {
                assert_eq!(counted(number, one), format!("{number} {many}"));
            }
        }
    }
}
