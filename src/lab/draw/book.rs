//! Owns the ranges from which a drive is drawn, as a TOML file states them.
//!
//! Always holds: every key is one of a profile's and every value that can be drawn is one of that key.
//! Whether values fit together is found out by drawing.

use serde::Deserialize;
use toml::Value;

use super::measure::{self, Measure};
use crate::profile::keys::Key;
use crate::profile::quantity::Unit;

/// What nobody can hide from a host, which is told it when it attaches the drive.
const PUBLIC: [&str; 7] = [
    "drive.name",
    "drive.capacity",
    "drive.personality",
    "drive.logical_sector",
    "write_cache.enabled",
    "trim.enabled",
    "trim.zeroes",
];

/// The ranges that are drawn from where none are given.
pub const DEFAULT: &str = include_str!("../../../configs/draw/default.toml");

/// Ranges that cannot be drawn from.
#[derive(Debug, thiserror::Error)]
#[error("{file} states no ranges to draw from:{}", list(.problems))]
pub struct BookError {
    /// Name of the file, for people.
    pub file: String,
    /// Everything that is wrong.
    pub problems: Vec<String>,
}

/// Problems one below the other.
pub(super) fn list(problems: &[String]) -> String {
    let lines: Vec<String> = problems
        .iter()
        .map(|problem| format!("\n  {problem}"))
        .collect();
    lines.concat()
}

/// Ranges by key.
#[derive(Clone, Debug)]
pub struct Book {
    /// The profile that everything else is as in.
    pub base: String,
    pub(super) ranges: Vec<Range>,
}

/// What a key may be.
#[derive(Clone, Debug)]
pub(super) struct Range {
    pub(super) key: &'static Key,
    pub(super) values: Values,
}

#[derive(Clone, Debug)]
pub(super) enum Values {
    /// From the first in so many steps of so much.
    Steps {
        unit: Unit,
        from: u64,
        step: u64,
        steps: u64,
    },
    /// One of these.
    OneOf(Vec<Value>),
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Raw {
    base: String,
    range: toml::Table,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawRange {
    from: Option<Value>,
    to: Option<Value>,
    step: Option<Value>,
    one_of: Option<Vec<Value>>,
}

impl Book {
    /// Reads the text of ranges.
    ///
    /// # Errors
    /// Everything that is wrong with it.
    pub fn parse(file: &str, text: &str) -> Result<Book, BookError> {
        let refused = |problems| BookError {
            file: file.to_owned(),
            problems,
        };
        let raw: Raw = toml::from_str(text).map_err(|error| {
            let told = error.to_string();
            refused(vec![told.trim_end().to_owned()])
        })?;
        let (mut ranges, mut problems) = (Vec::new(), Vec::new());
        for (path, value) in raw.range {
            match range(&path, value) {
                Ok(range) => ranges.push(range),
                Err(what) => problems.push(format!("{path}: {what}")),
            }
        }
        if ranges.is_empty() && problems.is_empty() {
            problems.push("there is no [range.\"KEY\"]".to_owned());
        }
        if !problems.is_empty() {
            return Err(refused(problems));
        }
        Ok(Book {
            base: raw.base,
            ranges,
        })
    }

    /// The keys that are drawn.
    pub fn keys(&self) -> Vec<String> {
        let keys = self.ranges.iter().map(|range| range.key.path.to_owned());
        keys.collect()
    }
}

fn range(path: &str, value: Value) -> Result<Range, String> {
    let key = measure::key(path).ok_or("no profile has this key")?;
    if PUBLIC.contains(&path) {
        let what = "a host sees it, so it cannot be hidden: set it in the profile that is the base";
        return Err(what.to_owned());
    }
    let raw: RawRange = value.try_into().map_err(|error| {
        let error: toml::de::Error = error;
        format!("give from, to and step, or one_of: {}", error.message())
    })?;
    let values = match raw {
        RawRange {
            from: Some(from),
            to: Some(to),
            step,
            one_of: None,
        } => steps(key, &from, &to, step.as_ref())?,
        RawRange {
            from: None,
            to: None,
            step: None,
            one_of: Some(all),
        } => one_of(key, all)?,
        _ => return Err("give from and to (and step), or one_of".to_owned()),
    };
    Ok(Range { key, values })
}

fn steps(key: &Key, from: &Value, to: &Value, step: Option<&Value>) -> Result<Values, String> {
    let unit = measure::unit(key)
        .ok_or_else(|| format!("it has no numbers; give one_of: {}", key.allowed()))?;
    let number = |value: &Value, measured: Option<Measure>| match measured {
        Some(Measure::Number(number)) => Ok(number),
        _ => Err(format!("{value} is none of it; it takes {}", key.allowed())),
    };
    let end = |value: &Value| number(value, measure::allowed(key, value));
    let (from, to) = (end(from)?, end(to)?);
    // A step may be shorter than anything that the key takes.
    let step = step.map_or(Ok(1), |step| number(step, measure::measure(key, step)))?;
    if from >= to || step == 0 {
        return Err(format!(
            "from {} to {} in steps of {} there is nothing to draw",
            unit.format(from),
            unit.format(to),
            unit.format(step)
        ));
    }
    Ok(Values::Steps {
        unit,
        from,
        step,
        steps: (to - from) / step + 1,
    })
}

fn one_of(key: &Key, all: Vec<Value>) -> Result<Values, String> {
    if all.is_empty() {
        return Err("one_of has nothing to choose from".to_owned());
    }
    match all
        .iter()
        .find(|value| measure::allowed(key, value).is_none())
    {
        Some(wrong) => Err(format!("{wrong} is none of it; it takes {}", key.allowed())),
        None => Ok(Values::OneOf(all)),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn the_default_ranges_can_be_read() {
        let book = Book::parse("default", DEFAULT).unwrap();
        assert_eq!(book.base, "desktop-5tb");
        assert!(book.keys().contains(&"cleaning.idle_delay".to_owned()));
    }

    #[test]
    fn what_a_host_sees_are_keys_that_there_are() {
        let unknown: Vec<&str> = PUBLIC
            .into_iter()
            .filter(|path| measure::key(path).is_none())
            .collect();
        assert_eq!(unknown, Vec::<&str>::new());
    }

    #[test]
    fn every_range_at_fault_is_told_by_its_key() {
        let text = "base = \"tiny\"\n\
            [range.\"platters.rpn\"]\none_of = [1]\n\
            [range.\"drive.capacity\"]\none_of = [\"1 GiB\"]\n\
            [range.\"write_cache.enabled\"]\none_of = [true, false]\n\
            [range.\"trim.enabled\"]\none_of = [true, false]\n\
            [range.\"trim.zeroes\"]\none_of = [\"deallocate\"]\n\
            [range.\"cleaning.style\"]\nfrom = 1\nto = 2\n\
            [range.\"cleaning.passes\"]\none_of = []\n\
            [range.\"staging.slots\"]\nfrom = 5\nto = 5\n\
            [range.\"platters.rpm\"]\nfrom = 5000\n\
            [range.\"cleaning.choice\"]\none_of = [\"newest\"]\n";
        let told = Book::parse("mine.toml", text).unwrap_err().to_string();
        for expected in [
            "platters.rpn: no profile has this key",
            "drive.capacity: a host sees it",
            "write_cache.enabled: a host sees it",
            "trim.enabled: a host sees it",
            "trim.zeroes: a host sees it",
            "cleaning.style: it has no numbers; give one_of",
            "cleaning.passes: one_of has nothing to choose from",
            "staging.slots: from 5 to 5 in steps of 1 there is nothing to draw",
            "platters.rpm: give from and to (and step), or one_of",
            "cleaning.choice: \"newest\" is none of it",
        ] {
            assert!(told.contains(expected), "{expected}: {told}");
        }
    }

    proptest! {
        #[test]
        fn no_text_makes_it_panic(text in "(base = \"a\"\n|\\[range|\\.\"platters.rpm\"|\\]|from = |to = |[0-9\"a\n]){0,12}") {
            let told = Book::parse("x", &text).map_err(|error| error.to_string());
            prop_assert!(told.is_ok() || told.is_err_and(|told| told.starts_with("x states no")));
        }
    }
}
