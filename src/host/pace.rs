//! Owns the form in which people write a pace: `real`, `off`, or a factor such as `10x`.

use std::num::NonZeroU32;

use crate::host::clock::Pace;
use crate::profile::quantity::Unit;

const FORM: &str = "give real, off, or a factor such as 10x or 0.5x";

/// Reads a pace.
///
/// # Errors
/// What is wrong with it, for people.
pub fn parse(text: &str) -> Result<Pace, String> {
    match text {
        "real" => return Ok(Pace::Real),
        "off" => return Ok(Pace::Off),
        _ => {}
    }
    let number = text.strip_suffix('x').ok_or(FORM)?;
    let thousandths = Unit::Thousandths
        .parse(number)
        .map_err(|error| format!("{error}; {FORM}"))?;
    let model = u32::try_from(thousandths).ok().and_then(NonZeroU32::new);
    match (model, NonZeroU32::new(1000)) {
        (Some(model), Some(real)) => Ok(Pace::Factor { model, real }),
        _ => Err(format!("a factor lies between 0.001 and 4 million; {FORM}")),
    }
}

/// A pace as [`parse`] reads it.
pub fn key(pace: Pace) -> String {
    match pace {
        Pace::Real => "real".to_owned(),
        Pace::Off => "off".to_owned(),
        Pace::Factor { model, real } => {
            let thousandths = u64::from(model.get()) * 1000 / u64::from(real.get());
            format!("{}x", Unit::Thousandths.format(thousandths))
        }
    }
}

/// A pace in words.
pub fn words(pace: Pace) -> String {
    match pace {
        Pace::Real => "real time".to_owned(),
        Pace::Off => "as fast as this machine goes (pace off)".to_owned(),
        Pace::Factor { model, real } => {
            let thousandths = u64::from(model.get()) * 1000 / u64::from(real.get());
            format!("{} times real time", Unit::Thousandths.format(thousandths))
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_factor_says_how_much_model_time_passes_in_real_time() {
        let ratio = |text: &str| match parse(text) {
            Ok(Pace::Factor { model, real }) => Some((model.get(), real.get())),
            _ => None,
        };
        assert_eq!(ratio("10x"), Some((10_000, 1000)));
        assert_eq!(ratio("0.5x"), Some((500, 1000)));
        for wrong in ["10", "x", "-1x", "0x", "0.0001x", "99999999x", "fast"] {
            assert!(parse(wrong).is_err(), "{wrong}");
        }
        assert_eq!(
            (parse("real"), parse("off")),
            (Ok(Pace::Real), Ok(Pace::Off))
        );
    }

    #[test]
    fn a_key_reads_back() {
        for text in ["real", "off", "10x", "0.5x"] {
            assert_eq!(key(parse(text).expect("valid")), text);
        }
    }

    #[test]
    fn words_tell_the_factor() {
        let words_of = |text: &str| words(parse(text).expect("valid"));
        assert!(
            words_of("2.5x").starts_with("2.5 times"),
            "{}",
            words_of("2.5x")
        );
    }
}
