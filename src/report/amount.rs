//! Owns amounts as people read them on a page: times up to days, bytes, rates, counts, shares.
//!
//! Rounded to three digits, since a page is looked at; the data behind it is exact. The way from whole
//! numbers to positions in a figure is here as well.

use crate::time::Duration;
use crate::units::named;

const MINUTE_NS: u64 = 60_000_000_000;
const HOUR_NS: u64 = 60 * MINUTE_NS;
const DAY_NS: u64 = 24 * HOUR_NS;

/// A length of time: `310 µs`, `1.14 s`, `12 min 5 s`, `3 h 20 min`, `2 d 4 h`.
pub(super) fn time(ns: u64) -> String {
    let two = |large: u64, large_word, small: u64, small_word| {
        let (whole, rest) = (ns / large, ns % large / small);
        if rest == 0 {
            format!("{whole} {large_word}")
        } else {
            format!("{whole} {large_word} {rest} {small_word}")
        }
    };
    match ns {
        0 => "0 s".to_owned(),
        DAY_NS.. => two(DAY_NS, "d", HOUR_NS, "h"),
        HOUR_NS.. => two(HOUR_NS, "h", MINUTE_NS, "min"),
        MINUTE_NS.. => two(MINUTE_NS, "min", 1_000_000_000, "s"),
        _ => Duration(ns).to_string(),
    }
}

const DECIMAL: [(&str, u64); 7] = [
    ("EB", 1_000_000_000_000_000_000),
    ("PB", 1_000_000_000_000_000),
    ("TB", 1_000_000_000_000),
    ("GB", 1_000_000_000),
    ("MB", 1_000_000),
    ("kB", 1_000),
    ("B", 1),
];

const BINARY: [(&str, u64); 5] = [
    ("TiB", 1 << 40),
    ("GiB", 1 << 30),
    ("MiB", 1 << 20),
    ("KiB", 1 << 10),
    ("B", 1),
];

/// Bytes in all, or per second: `1.23 GB`.
pub(super) fn bytes(value: u64) -> String {
    let found = DECIMAL.iter().find(|(_, worth)| value >= *worth);
    let (unit, worth) = found.copied().unwrap_or(("B", 1));
    format!("{} {unit}", three_digits(value, worth))
}

/// The size of a request, which is a power of two more often than not: `64 KiB`.
pub(super) fn size(value: u64) -> String {
    let mut fits = BINARY.iter();
    match fits.find(|(_, worth)| value >= *worth && value.is_multiple_of(*worth)) {
        Some((unit, worth)) if value / worth < 10_000 => format!("{} {unit}", value / worth),
        _ => bytes(value),
    }
}

/// Bytes per second, of `amount` in `ns`.
pub(super) fn rate(amount: u64, ns: u64) -> String {
    format!("{}/s", bytes(per_second(amount, ns)))
}

/// How many there are in a second, of `amount` in `ns`.
pub(super) fn per_second(amount: u64, ns: u64) -> u64 {
    let exact = u128::from(amount) * 1_000_000_000;
    let second = exact.checked_div(u128::from(ns)).unwrap_or(0);
    u64::try_from(second).unwrap_or(u64::MAX)
}

/// A count with its thousands apart: `1,234,567`.
pub(super) fn grouped(value: u64) -> String {
    let digits = value.to_string();
    let mut text = String::new();
    for (at, digit) in digits.chars().enumerate() {
        if at > 0 && (digits.len() - at).is_multiple_of(3) {
            text.push(',');
        }
        text.push(digit);
    }
    text
}

/// So many of something, its thousands apart: `1 request`, `1,234 requests`.
pub(super) fn counted(value: u64, one: &str) -> String {
    format!("{} {}", grouped(value), named(value, one))
}

/// A share: `12.3 %`, `below 0.1 %`.
pub(super) fn share(part: u64, whole: u64) -> String {
    let exact = u128::from(part) * 1000;
    match exact.checked_div(u128::from(whole)) {
        None => "0 %".to_owned(),
        Some(0) if part > 0 => "below 0.1 %".to_owned(),
        Some(milli) if milli.is_multiple_of(10) => format!("{} %", milli / 10),
        Some(milli) => format!("{}.{} %", milli / 10, milli % 10),
    }
}

/// Thousandths as a number with two decimals: `1.24`.
pub(super) fn thousandths(milli: u64) -> String {
    let hundredths = milli / 10 + u64::from(milli % 10 >= 5);
    format!("{}.{:02}", hundredths / 100, hundredths % 100)
}

/// `value / worth`, rounded to three digits.
fn three_digits(value: u64, worth: u64) -> String {
    let rounded = |parts: u64| {
        let exact =
            (u128::from(value) * u128::from(parts) + u128::from(worth / 2)) / u128::from(worth);
        u64::try_from(exact).unwrap_or(u64::MAX)
    };
    let (hundredths, tenths) = (rounded(100), rounded(10));
    if hundredths.is_multiple_of(100) || tenths >= 1000 {
        rounded(1).to_string()
    } else if hundredths < 1000 {
        let text = format!("{}.{:02}", hundredths / 100, hundredths % 100);
        text.trim_end_matches('0').to_owned()
    } else if tenths.is_multiple_of(10) {
        (tenths / 10).to_string()
    } else {
        format!("{}.{}", tenths / 10, tenths % 10)
    }
}

/// A whole number as a position; what a figure cannot show of it is lost.
pub(super) fn float(value: u64) -> f64 {
    let low = u32::try_from(value & u64::from(u32::MAX)).expect("the upper half was cut off");
    let high = u32::try_from(value >> 32).expect("half of 64 bits are 32");
    f64::from(high) * 4_294_967_296.0 + f64::from(low)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn times_are_read_in_units_of_people() {
        let check = |ns, expected: &str| assert_eq!(time(ns), expected);
        check(0, "0 s");
        check(310_000, "310 µs");
        check(59_900_000_000, "59.9 s");
        check(60_000_000_000, "1 min");
        check(725_400_000_000, "12 min 5 s");
        check(12_000_000_000_000, "3 h 20 min");
        check(187_200_000_000_000, "2 d 4 h");
    }

    #[test]
    fn sizes_are_binary_where_they_are_exact() {
        assert_eq!(size(512), "512 B");
        assert_eq!(size(65_536), "64 KiB");
        assert_eq!(size(65_537), "65.5 kB");
        assert_eq!(bytes(65_536), "65.5 kB");
        assert_eq!(bytes(5_000_000_000_000), "5 TB");
        assert_eq!(bytes(1_234_567_890), "1.23 GB");
        assert_eq!(bytes(999_999), "1000 kB");
        assert_eq!(bytes(0), "0 B");
    }

    #[test]
    fn shares_and_rates_survive_what_is_nothing_and_what_is_huge() {
        assert_eq!(share(0, 0), "0 %");
        assert_eq!(share(1, 8), "12.5 %");
        assert_eq!(share(1, 100_000), "below 0.1 %");
        assert_eq!(share(u64::MAX, u64::MAX), "100 %");
        assert_eq!(rate(1_000_000, 500_000_000), "2 MB/s");
        assert_eq!(rate(7, 0), "0 B/s");
        assert_eq!(per_second(u64::MAX, 1), u64::MAX);
        assert_eq!(thousandths(1_235), "1.24");
    }

    #[test]
    fn thousands_are_apart() {
        assert_eq!(grouped(0), "0");
        assert_eq!(grouped(999), "999");
        assert_eq!(grouped(1_234_567), "1,234,567");
    }

    #[test]
    fn positions_are_exact_as_far_as_floating_point_is() {
        for value in [0, 1, 4_294_967_295, 4_294_967_296, 1 << 53, (1 << 53) - 1] {
            let text = format!("{:.0}", float(value));
            assert_eq!(text, value.to_string());
        }
    }
}
