//! Owns how numbers of traces are read: exactly, in whole units, without rounding through floats.

/// What a time of a trace counts.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum TimeUnit {
    /// Nanoseconds.
    Nanoseconds,
    /// Units of 100 ns.
    HundredNanoseconds,
    /// Microseconds.
    Microseconds,
    /// Milliseconds.
    Milliseconds,
    /// Seconds.
    Seconds,
}

impl TimeUnit {
    /// Words for them, as options and columns name them.
    pub const WORDS: [(&'static str, TimeUnit); 5] = [
        ("ns", TimeUnit::Nanoseconds),
        ("100ns", TimeUnit::HundredNanoseconds),
        ("us", TimeUnit::Microseconds),
        ("ms", TimeUnit::Milliseconds),
        ("s", TimeUnit::Seconds),
    ];

    /// The unit with this word.
    pub fn of(word: &str) -> Option<TimeUnit> {
        let found = TimeUnit::WORDS.iter().find(|(known, _)| *known == word);
        found.map(|(_, unit)| *unit)
    }

    /// Its word.
    pub fn word(self) -> &'static str {
        let found = TimeUnit::WORDS.iter().find(|(_, unit)| *unit == self);
        found.map_or("", |(word, _)| word)
    }

    fn ns(self) -> u64 {
        match self {
            TimeUnit::Nanoseconds => 1,
            TimeUnit::HundredNanoseconds => 100,
            TimeUnit::Microseconds => 1_000,
            TimeUnit::Milliseconds => 1_000_000,
            TimeUnit::Seconds => 1_000_000_000,
        }
    }

    /// A time as written, in nanoseconds; finer digits are left out.
    pub(super) fn read(self, text: &str) -> Option<u64> {
        decimal(text, self.ns())
    }
}

/// A decimal number of things worth `worth` each, rounded down.
pub(super) fn decimal(text: &str, worth: u64) -> Option<u64> {
    let (whole, part) = text.split_once('.').unwrap_or((text, ""));
    let digits = |text: &str| text.bytes().all(|byte| byte.is_ascii_digit());
    if whole.is_empty() || !digits(part) {
        return None;
    }
    let whole = whole_number(whole)?.checked_mul(worth)?;
    let mut rest = 0;
    let mut place = worth;
    for digit in part.bytes() {
        place /= 10;
        rest += u64::from(digit - b'0') * place;
    }
    whole.checked_add(rest)
}

/// A plain whole number.
pub(super) fn whole_number(text: &str) -> Option<u64> {
    // `parse` takes a sign, too.
    text.as_bytes()
        .first()
        .filter(|byte| byte.is_ascii_digit())?;
    text.parse().ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn times_are_read_exactly() {
        assert_eq!(TimeUnit::Seconds.read("0.000272196"), Some(272_196));
        assert_eq!(
            TimeUnit::Seconds.read("1600000099"),
            Some(1_600_000_099_000_000_000)
        );
        assert_eq!(TimeUnit::Milliseconds.read("12.5"), Some(12_500_000));
        assert_eq!(TimeUnit::Nanoseconds.read("7.9"), Some(7));
        assert_eq!(
            TimeUnit::HundredNanoseconds.read("131000000000000005"),
            Some(13_100_000_000_000_000_500)
        );
        for wrong in [
            "",
            ".5",
            "-1",
            "+1",
            "1e3",
            "1.2.3",
            "x",
            "99999999999999999999",
        ] {
            assert_eq!(TimeUnit::Seconds.read(wrong), None, "{wrong}");
        }
    }
}
