//! Owns what a value of a profile's key measures, so that values can be drawn and compared.
//!
//! It goes by the shape and the range that the list of keys gives; relations between keys are the profile's
//! business.

use toml::Value;

use crate::profile::Profile;
use crate::profile::keys::{BAND_BYTES_MAX, KEYS, Key, PROFILE, QUANTA_MAX, Shape, TRACKS_MAX};
use crate::profile::quantity::Unit;
use crate::units::SECTOR_BYTES;

/// What a value measures.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum Measure {
    /// Base units of the key.
    Number(u64),
    /// A size in tracks.
    Tracks(u64),
    /// A choice.
    Word(String),
}

/// The key of this dotted path.
pub(super) fn key(path: &str) -> Option<&'static Key> {
    KEYS.iter().find(|key| key.path == path)
}

/// The key that is nearest to a path which is none.
pub(super) fn nearest(path: &str) -> Option<&'static str> {
    PROFILE.nearest(path)
}

/// Whether the key measures anything, so that it can be drawn.
pub(super) fn is_drawn(key: &Key) -> bool {
    !matches!(
        key.shape,
        Shape::Name { .. } | Shape::Texts { .. } | Shape::Numbers { .. } | Shape::List { .. }
    )
}

/// The unit in which a key counts, if it counts.
pub(super) fn unit(key: &Key) -> Option<Unit> {
    match key.shape {
        Shape::Number { unit, .. } => Some(unit),
        Shape::OneOf(_) => Some(Unit::Count),
        _ => None,
    }
}

/// What `value` measures of `key`; `None`: it is no value of such a key.
pub(super) fn measure(key: &Key, value: &Value) -> Option<Measure> {
    match (key.shape, value) {
        (Shape::Number { .. } | Shape::OneOf(_), value) => {
            Some(Measure::Number(number(unit(key)?, value)?))
        }
        (Shape::BandSize, Value::String(text)) => match text
            .trim()
            .strip_suffix("tracks")
            .or(text.trim().strip_suffix("track"))
        {
            Some(tracks) => Some(Measure::Tracks(tracks.trim().parse().ok()?)),
            None => Some(Measure::Number(Unit::Bytes.parse(text).ok()?)),
        },
        (Shape::Flag, Value::Boolean(flag)) => Some(Measure::Word(flag.to_string())),
        (Shape::Word(words), Value::String(text)) => {
            let text = text.trim();
            words()
                .contains(&text)
                .then(|| Measure::Word(text.to_owned()))
        }
        (Shape::Quantum, Value::String(text)) => {
            let words: Vec<&str> = text.split_whitespace().collect();
            Some(Measure::Word(words.join(" ")))
        }
        _ => None,
    }
}

/// What `value` measures of `key`, if it is one of those that the key takes.
pub(super) fn allowed(key: &Key, value: &Value) -> Option<Measure> {
    let measured = measure(key, value)?;
    let fits = match (key.shape, &measured) {
        (
            Shape::Number {
                min, max, multiple, ..
            },
            Measure::Number(number),
        ) => (min..=max).contains(number) && number.is_multiple_of(multiple),
        (Shape::OneOf(values), Measure::Number(number)) => values.contains(number),
        (Shape::BandSize, Measure::Tracks(tracks)) => (1..=TRACKS_MAX).contains(tracks),
        (Shape::BandSize, Measure::Number(bytes)) => {
            (SECTOR_BYTES..=BAND_BYTES_MAX).contains(bytes) && bytes.is_multiple_of(SECTOR_BYTES)
        }
        (Shape::Quantum, Measure::Word(words)) => {
            let parts = words
                .strip_prefix("1/")
                .and_then(|rest| rest.strip_suffix(" track"));
            let parts = parts.and_then(|parts| parts.parse::<u64>().ok());
            words == "none"
                || words == "1 track"
                || parts.is_some_and(|parts| (1..=QUANTA_MAX).contains(&parts))
        }
        _ => true,
    };
    fits.then_some(measured)
}

fn number(unit: Unit, value: &Value) -> Option<u64> {
    match value {
        Value::Integer(number) if !unit.is_quoted() => unit.parse(&number.to_string()).ok(),
        Value::Float(number) if !unit.is_quoted() => unit.parse(&number.to_string()).ok(),
        Value::String(text) if unit.is_quoted() => unit.parse(text).ok(),
        _ => None,
    }
}

/// Base units of a key as a value of TOML.
pub(super) fn value(unit: Unit, number: u64) -> Value {
    let text = unit.format(number);
    if unit.is_quoted() {
        return Value::String(text);
    }
    let integer = text.parse().map(Value::Integer);
    let float = || text.parse().map(Value::Float);
    integer.or_else(|_| float()).unwrap_or(Value::String(text))
}

/// The value that a profile gives to a key.
pub(super) fn of_profile(profile: &Profile, path: &str) -> Option<Value> {
    let table: toml::Table = toml::from_str(&profile.to_toml()).ok()?;
    at(&table, path).cloned()
}

/// The value at a dotted path.
pub(super) fn at<'t>(table: &'t toml::Table, path: &str) -> Option<&'t Value> {
    match path.split_once('.') {
        None => table.get(path),
        Some((section, rest)) => at(table.get(section)?.as_table()?, rest),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_number_of_every_profile_is_measured_and_written_back() {
        let mut seen = 0;
        for name in Profile::built_in_names() {
            let profile = Profile::from_toml(name, Profile::built_in(name).unwrap()).unwrap();
            for key in KEYS {
                let Some(written) = of_profile(&profile, key.path) else {
                    continue;
                };
                let Some(Measure::Number(number)) = measure(key, &written) else {
                    continue;
                };
                let Some(unit) = unit(key) else { continue };
                let again = measure(key, &value(unit, number));
                assert_eq!(again, Some(Measure::Number(number)), "{name}: {}", key.path);
                seen += 1;
            }
        }
        assert!(seen > 100, "{seen}");
    }

    #[test]
    fn sizes_of_bands_are_tracks_or_bytes() {
        let size = key("bands.size").unwrap();
        let measured = |text: &str| measure(size, &Value::String(text.to_owned()));
        assert_eq!(measured("24 tracks"), Some(Measure::Tracks(24)));
        assert_eq!(measured("4 KiB"), Some(Measure::Number(4096)));
        assert_eq!(measured("many tracks"), None);
    }
}
