//! Owns how people say amounts to `imbrex tell`, and what the protocol makes of them: bytes, nanoseconds,
//! percent, numbers of commands.

use crate::drive::fault::{Lasts, SLOW_PERCENT_MAX};
use crate::medium::movement::Purpose;
use crate::profile::quantity::Unit;

/// How long a stall lasts in nanoseconds; nothing: until it is lifted.
#[derive(Clone, Copy, Debug)]
pub(super) struct StallTime(pub(super) Option<u64>);

/// Bytes: a plain number, or a size such as 1MiB.
pub(super) fn bytes(text: &str) -> Result<u64, String> {
    if let Ok(bytes) = text.parse() {
        return Ok(bytes);
    }
    let bytes = Unit::Bytes.parse(text);
    bytes.map_err(|error| format!("{error}; give a number of bytes, or a size such as 1MiB"))
}

/// Nanoseconds of a time such as 40s.
pub(super) fn time(text: &str) -> Result<u64, String> {
    let time = Unit::Nanoseconds.parse(text);
    time.map_err(|error| format!("{error}; give a time such as 40s or 10ms"))
}

/// A time, or `forever`.
pub(super) fn stall_time(text: &str) -> Result<StallTime, String> {
    match text {
        "forever" => Ok(StallTime(None)),
        _ => match time(text) {
            Ok(ns) => Ok(StallTime(Some(ns))),
            Err(told) => Err(format!("{told}, or forever")),
        },
    }
}

/// A factor in percent.
pub(super) fn factor(text: &str) -> Result<u64, String> {
    let number = text
        .strip_suffix('x')
        .ok_or("give a factor such as 3x or 1.5x")?;
    let thousandths = Unit::Thousandths.parse(number);
    let thousandths =
        thousandths.map_err(|error| format!("{error}; give one such as 3x or 1.5x"))?;
    let percent = thousandths / 10;
    if !(100..=SLOW_PERCENT_MAX).contains(&percent) {
        return Err(format!("it must be 1x to {}x", SLOW_PERCENT_MAX / 100));
    }
    Ok(percent)
}

/// A purpose by its word.
pub(super) fn purpose(text: &str) -> Result<Purpose, String> {
    let found = Purpose::ALL.into_iter().find(|each| each.word() == text);
    found.ok_or_else(|| format!("there are {}", Purpose::ALL.map(Purpose::word).join(", ")))
}

/// For how long an error lasts.
pub(super) fn lasts(text: &str) -> Result<Lasts, String> {
    match text {
        "once" => Ok(Lasts::Once),
        "until-rewritten" => Ok(Lasts::UntilRewritten),
        "permanent" => Ok(Lasts::Permanent),
        number => number.parse().map(Lasts::Times).map_err(|_| {
            "give once, a number of commands, until-rewritten or permanent".to_owned()
        }),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn words_of_people_become_numbers_of_the_protocol() {
        assert_eq!(factor("3x"), Ok(300));
        assert_eq!(factor("1.5x"), Ok(150));
        assert!(factor("3").is_err());
        assert_eq!(bytes("4096"), Ok(4096));
        assert_eq!(bytes("1MiB"), Ok(1 << 20));
        assert!(bytes("a lot").is_err());
        assert_eq!(lasts("17"), Ok(Lasts::Times(17)));
        assert!(lasts("twice").is_err());
        assert!(matches!(
            stall_time("40s"),
            Ok(StallTime(Some(40_000_000_000)))
        ));
        assert!(matches!(stall_time("forever"), Ok(StallTime(None))));
        for (told, example) in [
            (time("1").unwrap_err(), "40s"),
            (stall_time("1").unwrap_err(), "40s or 10ms, or forever"),
            (bytes("a lot").unwrap_err(), "1MiB"),
            (factor("ax").unwrap_err(), "1.5x"),
        ] {
            assert!(told.contains(example), "{told}");
        }
        assert_eq!(purpose("stage"), Ok(Purpose::Stage));
        assert!(purpose("fun").is_err());
    }
}
