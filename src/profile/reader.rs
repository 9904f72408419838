//! Owns the reading of single keys: from what was written to a number, word or flag in its range.
//!
//! A key that cannot be read is noted as a problem and stands in with the least value allowed, so
//! that reading goes on and every problem is found in one run. A [`Reader`] remembers which keys
//! were asked for; what nobody asked for is unknown or has no effect. How keys relate to each other
//! is not known here.

mod lists;

use std::collections::BTreeSet;

use crate::profile::BandSize;
use crate::profile::error::{Problem, ProblemKind};
use crate::profile::keys::{
    self, BAND_BYTES_MAX, Book, Key, QUANTA_MAX, Section, Shape, TRACKS_MAX,
};
use crate::profile::quantity::{QuantityError, Unit};
use crate::profile::raw::{Document, Given, Value};
use crate::profile::words::Words;
use crate::time::Duration;
use crate::units::SECTOR_BYTES;

/// Reads keys of a document and collects what is wrong with them.
pub(crate) struct Reader<'d> {
    document: &'d Document,
    book: &'static Book,
    asked: BTreeSet<String>,
    failed: BTreeSet<String>,
    problems: Vec<Problem>,
}

impl<'d> Reader<'d> {
    /// A reader that has asked for nothing yet. Missing sections are problems from the start.
    pub(crate) fn new(document: &'d Document, book: &'static Book) -> Reader<'d> {
        let mut reader = Reader {
            document,
            book,
            asked: BTreeSet::new(),
            failed: BTreeSet::new(),
            problems: Vec::new(),
        };
        for section in book.sections {
            reader.check_section(section);
        }
        reader
    }

    /// Whether the document has this key or section.
    pub(crate) fn has(&self, key: &str) -> bool {
        self.document.get(key).is_some()
    }

    /// The quantity at `key`, in base units of its unit.
    pub(crate) fn number(&mut self, key: &str) -> u64 {
        let Shape::Number {
            unit,
            min,
            max,
            multiple,
        } = self.listed(key).shape
        else {
            panic!("{key} is not listed as a number");
        };
        self.read(key, min.next_multiple_of(multiple), |value| {
            let text = match value {
                Value::Text(text) if unit.is_quoted() => text,
                Value::Number(text) if !unit.is_quoted() => text,
                _ => return Err(ProblemKind::WrongType),
            };
            let number = unit.parse(text).map_err(|why| match why {
                // A bare number is a number: what is wrong with it is its range.
                QuantityError::NotANumber | QuantityError::TooLarge if !unit.is_quoted() => {
                    ProblemKind::NotAllowed
                }
                why => ProblemKind::NotAQuantity(why),
            })?;
            if number.is_multiple_of(multiple) {
                within(number, min, max)
            } else {
                Err(ProblemKind::NotAllowed)
            }
        })
    }

    /// The quantity at `key`, whose listed range fits in 32 bits.
    pub(crate) fn small(&mut self, key: &str) -> u32 {
        u32::try_from(self.number(key)).expect("the listed range fits in 32 bits")
    }

    /// The time at `key`.
    pub(crate) fn time(&mut self, key: &str) -> Duration {
        Duration(self.number(key))
    }

    /// The whole number at `key`, one of few.
    pub(crate) fn one_of(&mut self, key: &str) -> u32 {
        let Shape::OneOf(allowed) = self.listed(key).shape else {
            panic!("{key} is not listed as one of few");
        };
        let number = self.read(key, allowed[0], |value| match value {
            Value::Number(text) => match text.parse() {
                Ok(number) if allowed.contains(&number) => Ok(number),
                _ => Err(ProblemKind::NotAllowed),
            },
            _ => Err(ProblemKind::WrongType),
        });
        u32::try_from(number).expect("the listed numbers fit in 32 bits")
    }

    /// The flag at `key`.
    pub(crate) fn flag(&mut self, key: &str) -> bool {
        self.read(key, false, |value| match value {
            Value::Flag(flag) => Ok(*flag),
            _ => Err(ProblemKind::WrongType),
        })
    }

    /// What the word at `key` stands for; the first of the table where it cannot be read.
    pub(crate) fn word<T: Copy>(&mut self, key: &str, table: &Words<T>) -> T {
        self.read(key, table[0].1, |value| match value {
            Value::Text(text) => {
                let found = table.iter().find(|(word, _)| word == text);
                found
                    .map(|(_, value)| *value)
                    .ok_or(ProblemKind::NotAllowed)
            }
            _ => Err(ProblemKind::WrongType),
        })
    }

    /// The line of text at `key`.
    pub(crate) fn name(&mut self, key: &str) -> String {
        let Shape::Name { chars_max } = self.listed(key).shape else {
            panic!("{key} is not listed as a name");
        };
        self.read(key, String::new(), |value| match value {
            Value::Text(text) => {
                let chars = text.chars().count();
                let printable = !text.chars().any(char::is_control) && !text.trim().is_empty();
                if printable && chars <= chars_max {
                    Ok(text.clone())
                } else {
                    Err(ProblemKind::NotAllowed)
                }
            }
            _ => Err(ProblemKind::WrongType),
        })
    }

    /// The size of a band at `key`.
    pub(crate) fn band_size(&mut self, key: &str) -> BandSize {
        self.read(key, BandSize::Tracks(1), |value| {
            let Value::Text(text) = value else {
                return Err(ProblemKind::WrongType);
            };
            let text = text.trim();
            if let Some(tracks) = text.strip_suffix("tracks").or(text.strip_suffix("track")) {
                let tracks = Unit::Count
                    .parse(tracks)
                    .map_err(ProblemKind::NotAQuantity)?;
                let tracks = within(tracks, 1, TRACKS_MAX)?;
                let tracks = u32::try_from(tracks).map_err(|_| ProblemKind::NotAllowed)?;
                return Ok(BandSize::Tracks(tracks));
            }
            let bytes = Unit::Bytes.parse(text).map_err(ProblemKind::NotAQuantity)?;
            if bytes.is_multiple_of(SECTOR_BYTES) {
                within(bytes, SECTOR_BYTES, BAND_BYTES_MAX).map(BandSize::Bytes)
            } else {
                Err(ProblemKind::NotAllowed)
            }
        })
    }

    /// Parts of a track at `key`; 0 for none.
    pub(crate) fn quantum(&mut self, key: &str) -> u32 {
        self.read(key, 0, |value| {
            let Value::Text(text) = value else {
                return Err(ProblemKind::WrongType);
            };
            let text = text.trim();
            if text == "none" {
                return Ok(0);
            }
            let part = text.strip_suffix("track").map(str::trim);
            let parts = match part.and_then(|part| part.split_once('/')) {
                Some(("1", parts)) => Unit::Count.parse(parts).ok(),
                None if part == Some("1") => Some(1),
                _ => None,
            };
            let parts = within(parts.unwrap_or(0), 1, QUANTA_MAX)?;
            u32::try_from(parts).map_err(|_| ProblemKind::NotAllowed)
        })
    }

    /// Whether `key`, or a key below it, could not be read.
    pub(crate) fn has_failed(&self, key: &str) -> bool {
        let below = format!("{key}.");
        self.failed
            .iter()
            .any(|failed| failed == key || failed.starts_with(&below))
    }

    /// Counts `key` as one that could not be read.
    pub(crate) fn fail(&mut self, key: &str) {
        self.failed.insert(keys::without_indices(key));
    }

    /// Takes `prefix` and all below it as asked for: whether they count cannot be told.
    pub(crate) fn pass_over(&mut self, prefix: &str) {
        let below = format!("{prefix}.");
        for (key, _) in self.document.iter() {
            if key == prefix || key.starts_with(&below) || key.starts_with(&format!("{prefix}[")) {
                self.asked.insert(key.to_owned());
            }
        }
    }

    /// Notes a problem with `key`.
    pub(crate) fn report(&mut self, key: &str, allowed: String, kind: ProblemKind) {
        let given = self.document.get(key);
        self.problems.push(Problem {
            line: given.map(|given| given.line),
            key: key.to_owned(),
            given: given.and_then(|given| shown(&given.value, &kind)),
            allowed,
            kind,
        });
    }

    /// Notes what is said of the value of `key` by whoever reads such values elsewhere, too.
    pub(crate) fn tell(&mut self, key: &str, told: String) {
        self.report(key, String::new(), ProblemKind::Told(told));
    }

    /// All problems in order of the file, those of keys that nobody asked for included.
    pub(crate) fn finish(mut self) -> Vec<Problem> {
        self.report_unasked();
        self.problems
            .sort_by_key(|problem| problem.line.unwrap_or(u64::MAX));
        self.problems
    }

    /// The entry of the list for a key that imbrex itself asks for.
    fn listed(&self, key: &str) -> &'static Key {
        let found = self.book.find(&keys::without_indices(key));
        found.expect("every key that is read is listed")
    }

    fn check_section(&mut self, section: &Section) {
        match self.document.get(section.path) {
            Some(given) if !matches!(given.value, Value::Table) => {
                let allowed = format!("the table [{}]", section.path);
                self.report(section.path, allowed, ProblemKind::WrongType);
            }
            None if section.required => {
                let allowed = self.book.leaves(section.path).join(", ");
                self.report(section.path, allowed, ProblemKind::MissingSection);
            }
            _ => {}
        }
    }

    /// Reads one key: missing, wrong and good all end here.
    fn read<T>(
        &mut self,
        key: &str,
        stand_in: T,
        parse: impl FnOnce(&Value) -> Result<T, ProblemKind>,
    ) -> T {
        self.asked.insert(key.to_owned());
        let kind = match self.document.get(key) {
            Some(given) => match parse(&given.value) {
                Ok(value) => return value,
                Err(kind) => Some(kind),
            },
            None => self
                .is_table(keys::split(key).0)
                .then_some(ProblemKind::Missing),
        };
        self.fail(key);
        if let Some(kind) = kind {
            self.report(key, self.listed(key).allowed(), kind);
        }
        stand_in
    }

    fn is_table(&self, path: &str) -> bool {
        let given = self.document.get(path);
        given.is_some_and(|given| matches!(given.value, Value::Table))
    }

    /// Reports every key that nobody asked for: unknown, or known but without effect.
    fn report_unasked(&mut self) {
        // Below a key that was already refused nothing more is said.
        let mut refused: BTreeSet<&str> = BTreeSet::new();
        for (path, given) in self.document.iter() {
            if ancestors(path).any(|ancestor| refused.contains(ancestor)) {
                continue;
            }
            let plain = keys::without_indices(path);
            let is_item = path.ends_with(']');
            if let Some(kind) = self.unasked(path, &plain, is_item, given) {
                let allowed = allowed_in_place_of(self.book, &plain, &kind);
                self.report(path, allowed, kind);
                refused.insert(path);
            } else if self.book.find_section(&plain).is_none()
                && !matches!(self.book.find(&plain), Some(key) if matches!(key.shape, Shape::List { .. }))
            {
                refused.insert(path);
            }
        }
    }

    fn unasked(
        &self,
        path: &str,
        plain: &str,
        is_item: bool,
        given: &Given,
    ) -> Option<ProblemKind> {
        if self.asked.contains(path) {
            return None;
        }
        let is_table = matches!(given.value, Value::Table);
        match self.book.find(plain) {
            Some(_) if is_item && is_table => None,
            Some(_) if is_item => Some(ProblemKind::WrongType),
            Some(key) => Some(ProblemKind::NoEffect {
                only: key.only.unwrap_or("in another place"),
            }),
            // A section that is no table was reported when the reader was made.
            None if self.book.find_section(plain).is_some() => None,
            None => Some(ProblemKind::Unknown {
                nearest: self.book.nearest(plain),
            }),
        }
    }
}

/// What was written, where it says something: that a table is one does only where none may be.
fn shown(value: &Value, kind: &ProblemKind) -> Option<String> {
    let says = !matches!(value, Value::Table) || matches!(kind, ProblemKind::WrongType);
    says.then(|| value.to_string())
}

fn within(value: u64, min: u64, max: u64) -> Result<u64, ProblemKind> {
    if (min..=max).contains(&value) {
        Ok(value)
    } else {
        Err(ProblemKind::NotAllowed)
    }
}

/// What to write instead of a key that nobody asked for.
fn allowed_in_place_of(book: &Book, plain: &str, kind: &ProblemKind) -> String {
    let home = keys::split(plain).0;
    match kind {
        ProblemKind::Unknown {
            nearest: Some(near),
        } => match book.find(near) {
            Some(key) => key.allowed(),
            None => format!("the table [{near}]"),
        },
        ProblemKind::Unknown { nearest: None }
            if book.leaves(home).is_empty() || home.is_empty() =>
        {
            let mut sections: Vec<&str> = book.sections.iter().map(|s| s.path).collect();
            sections.extend(book.leaves(""));
            format!("sections: {}", sections.join(", "))
        }
        ProblemKind::Unknown { nearest: None } => {
            format!("keys of {home}: {}", book.leaves(home).join(", "))
        }
        _ => "a table for each item".to_owned(),
    }
}

/// The paths of everything that `path` lies in, from the outside inwards.
fn ancestors(path: &str) -> impl Iterator<Item = &str> {
    path.char_indices()
        .filter(|(_, c)| *c == '.' || *c == '[')
        .map(|(at, _)| &path[..at])
}
