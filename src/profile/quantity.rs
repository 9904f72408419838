//! Owns how quantities are written: sizes, rates, times, shares and plain numbers.
//!
//! A value is an exact integer in the base unit of its [`Unit`]; text that does not name a whole
//! number of base units is refused, never rounded, and what [`Unit::format`] writes [`Unit::parse`]
//! reads back. Nothing here knows which key a quantity belongs to or which range it may have.

use crate::units::index;

/// What a quantity counts, and so how it is written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Unit {
    /// Things, written as a bare whole number: `31`.
    Count,
    /// Thousandths of something, written as a bare number with up to three decimals: `5900.5`.
    Thousandths,
    /// Bytes: `"29.3 GB"`, `"36 MiB"`.
    Bytes,
    /// Bytes per second: `"155 MB/s"`.
    BytesPerSecond,
    /// Nanoseconds: `"10 ms"`, `"1.5 s"`, `"250 us"`.
    Nanoseconds,
    /// Whole percents: `"80%"`.
    Percent,
    /// Millionths, written as percents with up to four decimals: `"25%"`, `"12.5%"`.
    Millionths,
}

/// Why a text is not a quantity.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum QuantityError {
    /// It does not begin with a plain decimal number.
    #[error("it does not begin with a plain decimal number")]
    NotANumber,
    /// The number stands alone.
    #[error("the unit is missing (one of {known})")]
    NoUnit {
        /// Units there are.
        known: String,
    },
    /// What follows the number is not a unit of this kind.
    #[error("the unit \"{given}\" is not known here (one of {known})")]
    UnknownUnit {
        /// What follows the number.
        given: String,
        /// Units there are.
        known: String,
    },
    /// A fraction of the smallest unit.
    #[error("it is not a whole number of {smallest}")]
    TooFine {
        /// The smallest unit.
        smallest: &'static str,
    },
    /// More than fits in 64 bits of the smallest unit.
    #[error("it is too large to count")]
    TooLarge,
}

/// One way to write a unit: its name and how many base units it is worth.
type Scale = (&'static str, u64);

const BYTES: [Scale; 11] = [
    ("PiB", 1 << 50),
    ("PB", 1_000_000_000_000_000),
    ("TiB", 1 << 40),
    ("TB", 1_000_000_000_000),
    ("GiB", 1 << 30),
    ("GB", 1_000_000_000),
    ("MiB", 1 << 20),
    ("MB", 1_000_000),
    ("KiB", 1 << 10),
    ("kB", 1_000),
    ("B", 1),
];
const BYTES_PER_SECOND: [Scale; 9] = [
    ("TiB/s", 1 << 40),
    ("TB/s", 1_000_000_000_000),
    ("GiB/s", 1 << 30),
    ("GB/s", 1_000_000_000),
    ("MiB/s", 1 << 20),
    ("MB/s", 1_000_000),
    ("KiB/s", 1 << 10),
    ("kB/s", 1_000),
    ("B/s", 1),
];
const NANOSECONDS: [Scale; 6] = [
    ("h", 3_600_000_000_000),
    ("min", 60_000_000_000),
    ("s", 1_000_000_000),
    ("ms", 1_000_000),
    ("us", 1_000),
    ("ns", 1),
];
const PERCENT: [Scale; 1] = [("%", 1)];
const MILLIONTHS: [Scale; 1] = [("%", 10_000)];

/// Other spellings that people use for a unit.
const SYNONYMS: [(&str, &str); 6] = [
    ("KB", "kB"),
    ("kiB", "KiB"),
    ("KB/s", "kB/s"),
    ("kiB/s", "KiB/s"),
    ("\u{b5}s", "us"),
    ("\u{3bc}s", "us"),
];

/// Decimals that [`Unit::format`] writes at most where a unit has a name.
const DECIMALS: u32 = 3;

impl Unit {
    /// Reads a quantity; the answer counts base units (bytes, nanoseconds, thousandths, ...).
    pub fn parse(self, text: &str) -> Result<u64, QuantityError> {
        let text = text.trim();
        let split = text
            .find(|c: char| !c.is_ascii_digit() && c != '.')
            .unwrap_or(text.len());
        let (number, unit) = text.split_at(split);
        let number = Decimal::parse(number).ok_or(QuantityError::NotANumber)?;
        number.times(self.worth(&number, unit.trim())?, self.smallest())
    }

    /// Writes `value` base units in the shortest exact way.
    pub fn format(self, value: u64) -> String {
        match self {
            Unit::Count => value.to_string(),
            Unit::Thousandths => exactly(value, 1000, 3).expect("thousandths have three decimals"),
            Unit::Percent => format!("{value}%"),
            Unit::Millionths => {
                let percent = exactly(value, 10_000, 4).expect("millionths of a hundred fit");
                format!("{percent}%")
            }
            Unit::Bytes | Unit::BytesPerSecond | Unit::Nanoseconds => {
                // Shortest first; among equals the earlier, that is the larger, unit.
                self.scales()
                    .iter()
                    .filter(|(_, worth)| value >= *worth || *worth == 1)
                    .filter_map(|(name, worth)| {
                        Some(format!("{} {name}", exactly(value, *worth, DECIMALS)?))
                    })
                    .min_by_key(String::len)
                    .expect("the base unit is always exact")
            }
        }
    }

    /// Whether TOML writes it as a string (with its unit) or as a bare number.
    pub fn is_quoted(self) -> bool {
        !matches!(self, Unit::Count | Unit::Thousandths)
    }

    fn scales(self) -> &'static [Scale] {
        match self {
            Unit::Count | Unit::Thousandths => &[],
            Unit::Bytes => &BYTES,
            Unit::BytesPerSecond => &BYTES_PER_SECOND,
            Unit::Nanoseconds => &NANOSECONDS,
            Unit::Percent => &PERCENT,
            Unit::Millionths => &MILLIONTHS,
        }
    }

    fn smallest(self) -> &'static str {
        match self {
            Unit::Count => "one",
            Unit::Thousandths => "thousandths",
            Unit::Bytes => "bytes",
            Unit::BytesPerSecond => "bytes per second",
            Unit::Nanoseconds => "nanoseconds",
            Unit::Percent => "percents",
            Unit::Millionths => "ten-thousandths of a percent",
        }
    }

    /// Base units that the unit named `given` is worth.
    fn worth(self, number: &Decimal, given: &str) -> Result<u64, QuantityError> {
        let bare = match self {
            Unit::Count => Some(1),
            Unit::Thousandths => Some(1000),
            // Nothing is nothing in every unit.
            _ => (number.digits == 0).then_some(1),
        };
        let known = || {
            let names: Vec<&str> = self.scales().iter().rev().map(|(name, _)| *name).collect();
            if names.is_empty() {
                "none".to_owned()
            } else {
                names.join(", ")
            }
        };
        if given.is_empty() {
            return bare.ok_or_else(|| QuantityError::NoUnit { known: known() });
        }
        let name = SYNONYMS
            .iter()
            .find(|(other, _)| *other == given)
            .map_or(given, |(_, name)| name);
        self.scales()
            .iter()
            .find(|(known, _)| *known == name)
            .map(|(_, worth)| *worth)
            .ok_or_else(|| QuantityError::UnknownUnit {
                given: given.chars().take(20).collect(),
                known: known(),
            })
    }
}

/// A non-negative decimal number: `digits / 10^decimals`.
struct Decimal {
    digits: u128,
    decimals: u32,
}

impl Decimal {
    fn parse(text: &str) -> Option<Decimal> {
        let (whole, fraction) = match text.split_once('.') {
            Some((whole, fraction)) => (whole, Some(fraction)),
            None => (text, None),
        };
        if whole.is_empty() || fraction == Some("") || fraction.is_some_and(|f| f.contains('.')) {
            return None;
        }
        let whole = whole.trim_start_matches('0');
        let fraction = fraction.unwrap_or("").trim_end_matches('0');
        // 64 bits hold 20 digits and no unit needs more than 15 decimals; past these bounds any
        // value is too large or too fine alike, and within them nothing below can overflow.
        let digits = match (whole.len(), fraction.len()) {
            (21.., _) => u128::MAX,
            (_, 17..) => {
                return Some(Decimal {
                    digits: 1,
                    decimals: 30,
                });
            }
            _ => format!("0{whole}{fraction}").parse().ok()?,
        };
        let decimals = u32::try_from(fraction.len()).unwrap_or(0);
        Some(Decimal { digits, decimals })
    }

    fn times(&self, worth: u64, smallest: &'static str) -> Result<u64, QuantityError> {
        let product = self
            .digits
            .checked_mul(u128::from(worth))
            .ok_or(QuantityError::TooLarge)?;
        let divisor = 10_u128.pow(self.decimals.min(30));
        if !product.is_multiple_of(divisor) {
            return Err(QuantityError::TooFine { smallest });
        }
        u64::try_from(product / divisor).map_err(|_| QuantityError::TooLarge)
    }
}

/// `value / worth` with at most `decimals` decimals, if that is exact.
fn exactly(value: u64, worth: u64, decimals: u32) -> Option<String> {
    let power = 10_u128.pow(decimals);
    let scaled = u128::from(value) * power;
    let worth = u128::from(worth);
    if !scaled.is_multiple_of(worth) {
        return None;
    }
    let (whole, rest) = (scaled / worth / power, scaled / worth % power);
    let width = index(u64::from(decimals));
    let text = format!("{whole}.{rest:0width$}");
    Some(text.trim_end_matches('0').trim_end_matches('.').to_owned())
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const ALL: [Unit; 7] = [
        Unit::Count,
        Unit::Thousandths,
        Unit::Bytes,
        Unit::BytesPerSecond,
        Unit::Nanoseconds,
        Unit::Percent,
        Unit::Millionths,
    ];

    fn check(unit: Unit, text: &str, expected: u64) {
        assert_eq!(unit.parse(text), Ok(expected), "{text:?}");
    }

    #[test]
    fn quantities_are_read_as_people_write_them() {
        check(Unit::Bytes, "36 MiB", 37_748_736);
        check(Unit::Bytes, "29.3 GB", 29_300_000_000);
        check(Unit::Bytes, "5 TB", 5_000_000_000_000);
        check(Unit::Bytes, "5TB", 5_000_000_000_000);
        check(Unit::Bytes, "0.5 KiB", 512);
        check(Unit::Bytes, " 7 KB ", 7_000);
        check(Unit::Bytes, "0", 0);
        check(Unit::Nanoseconds, "10 ms", 10_000_000);
        check(Unit::Nanoseconds, "1.5 s", 1_500_000_000);
        check(Unit::Nanoseconds, "250 us", 250_000);
        check(Unit::Nanoseconds, "250 \u{b5}s", 250_000);
        check(Unit::BytesPerSecond, "155 MB/s", 155_000_000);
        check(Unit::Percent, "80%", 80);
        check(Unit::Percent, "80 %", 80);
        check(Unit::Millionths, "12.5%", 125_000);
        check(Unit::Thousandths, "5900.125", 5_900_125);
        check(Unit::Count, "31", 31);
        check(Unit::Count, "31.000", 31);
    }

    #[test]
    fn quantities_are_written_in_the_shortest_exact_way() {
        let written = |unit: Unit, value| unit.format(value);
        assert_eq!(written(Unit::Bytes, 5_000_000_000_000), "5 TB");
        assert_eq!(written(Unit::Bytes, 67_108_864), "64 MiB");
        assert_eq!(written(Unit::Bytes, 1_000), "1 kB");
        assert_eq!(written(Unit::Bytes, 0), "0 B");
        assert_eq!(written(Unit::Bytes, 1_234_567_891), "1234567891 B");
        assert_eq!(written(Unit::Nanoseconds, 1_500_000_000), "1.5 s");
        assert_eq!(written(Unit::Nanoseconds, 18_400_000), "18.4 ms");
        assert_eq!(written(Unit::Millionths, 250_000), "25%");
        assert_eq!(written(Unit::Thousandths, 5_900_000), "5900");
    }

    #[test]
    fn what_is_not_a_quantity_says_why() {
        let wrong = |unit: Unit, text: &str| unit.parse(text).expect_err(text);
        for text in ["", "MiB", "-3 MiB", ".5 s", "1. s", "1.2.3 s", "inf", "NaN"] {
            assert_eq!(
                wrong(Unit::Bytes, text),
                QuantityError::NotANumber,
                "{text}"
            );
        }
        assert!(matches!(
            wrong(Unit::Bytes, "5"),
            QuantityError::NoUnit { .. }
        ));
        let unknown = wrong(Unit::Bytes, "5 XB");
        assert!(matches!(&unknown, QuantityError::UnknownUnit { given, .. } if given == "XB"));
        assert!(matches!(
            wrong(Unit::Bytes, "5 ms"),
            QuantityError::UnknownUnit { .. }
        ));
        assert!(matches!(
            wrong(Unit::Bytes, "0.3 KiB"),
            QuantityError::TooFine { .. }
        ));
        assert!(matches!(
            wrong(Unit::Percent, "0.5%"),
            QuantityError::TooFine { .. }
        ));
        assert!(matches!(
            wrong(Unit::Count, "1.5"),
            QuantityError::TooFine { .. }
        ));
        assert_eq!(wrong(Unit::Bytes, "99999 PB"), QuantityError::TooLarge);
        assert_eq!(
            wrong(Unit::Bytes, &format!("{} B", "9".repeat(500))),
            QuantityError::TooLarge
        );
        let fine = format!("0.{}1 PB", "0".repeat(500));
        assert!(matches!(
            wrong(Unit::Bytes, &fine),
            QuantityError::TooFine { .. }
        ));
    }

    proptest! {
        #[test]
        fn what_is_written_is_read_back(value: u64, shift in 0_u32..64, which in 0..ALL.len()) {
            let (unit, value) = (ALL[which], value >> shift);
            let text = unit.format(value);
            prop_assert_eq!(unit.parse(&text), Ok(value), "{}", text);
        }

        #[test]
        fn round_values_stay_short(whole in 1_u64..1000, which in 0..BYTES.len()) {
            let (name, worth) = BYTES[which];
            let text = Unit::Bytes.format(whole * worth);
            prop_assert!(text.len() <= format!("{whole} {name}").len(), "{}", text);
        }

        #[test]
        fn no_text_panics(text: String, number in "[0-9.]{0,40}", tail in "[a-zA-Z/% ]{0,5}") {
            for unit in ALL {
                for text in [&text, &format!("{number}{tail}")] {
                    if let Ok(value) = unit.parse(text) {
                        prop_assert_eq!(unit.parse(&unit.format(value)), Ok(value));
                    }
                }
            }
        }
    }
}
