//! Owns the raw mirror of a profile's TOML: every key with its line and value, and nothing else.
//!
//! A [`Document`] holds what was written, in order of the dotted keys; items of a list are keys of
//! their own (`platters.zones[2].tracks`). It knows no key, no unit and no range, so whatever is
//! wrong in a file can be reported at once and not one finding per run.

use std::collections::BTreeMap;
use std::fmt;

use toml::Spanned;
use toml::de::{DeTable, DeValue};

use crate::profile::error::SyntaxProblem;
use crate::units::count;

/// What a TOML file says.
#[derive(Debug)]
pub(crate) struct Document {
    entries: BTreeMap<String, Given>,
}

/// A value and where it was written.
#[derive(Debug)]
pub(crate) struct Given {
    /// Line of the file, from 1.
    pub(crate) line: u64,
    /// The value.
    pub(crate) value: Value,
}

/// A value as TOML knows it.
#[derive(Debug)]
pub(crate) enum Value {
    /// A string.
    Text(String),
    /// An integer or float, in plain decimal notation where it has one.
    Number(String),
    /// `true` or `false`.
    Flag(bool),
    /// A table: its keys are entries of their own.
    Table,
    /// A list of so many items: each is an entry of its own.
    List(u64),
    /// A date or a time of day.
    Date(String),
}

impl Document {
    /// Mirrors `text`, or lists its mistakes in TOML itself.
    pub(crate) fn parse(text: &str) -> Result<Document, Vec<SyntaxProblem>> {
        let (table, mistakes) = DeTable::parse_recoverable(text);
        if !mistakes.is_empty() {
            let problem = |mistake: &toml::de::Error| SyntaxProblem {
                position: mistake.span().map(|span| Lines(text).position(span.start)),
                message: mistake.message().to_owned(),
            };
            return Err(mistakes.iter().map(problem).collect());
        }
        let mut document = Document {
            entries: BTreeMap::new(),
        };
        document.add_table("", table.get_ref(), &LineStarts::of(text));
        Ok(document)
    }

    /// What the dotted key was given.
    pub(crate) fn get(&self, key: &str) -> Option<&Given> {
        self.entries.get(key)
    }

    /// Every key in order, tables and lists included.
    pub(crate) fn iter(&self) -> impl Iterator<Item = (&str, &Given)> {
        self.entries
            .iter()
            .map(|(key, given)| (key.as_str(), given))
    }

    fn add_table(&mut self, prefix: &str, table: &DeTable<'_>, lines: &LineStarts) {
        for (key, value) in table {
            let line = lines.line(key.span().start);
            let key = quoted_where_needed(key.get_ref());
            let path = match prefix {
                "" => key,
                _ => format!("{prefix}.{key}"),
            };
            self.add(path, line, value, lines);
        }
    }

    fn add(&mut self, path: String, line: u64, value: &Spanned<DeValue<'_>>, lines: &LineStarts) {
        let mirrored = match value.get_ref() {
            DeValue::String(text) => Value::Text(text.to_string()),
            DeValue::Integer(number) => {
                let plain = i128::from_str_radix(number.as_str(), number.radix());
                Value::Number(plain.map_or_else(|_| number.to_string(), |n| n.to_string()))
            }
            DeValue::Float(number) => {
                let plain = number.as_str().parse::<f64>();
                Value::Number(plain.map_or_else(|_| number.to_string(), |n| n.to_string()))
            }
            DeValue::Boolean(flag) => Value::Flag(*flag),
            DeValue::Datetime(date) => Value::Date(date.to_string()),
            DeValue::Array(items) => {
                for (index, item) in items.iter().enumerate() {
                    let line = lines.line(item.span().start);
                    self.add(format!("{path}[{index}]"), line, item, lines);
                }
                Value::List(count(items.len()))
            }
            DeValue::Table(table) => {
                self.add_table(&path, table, lines);
                Value::Table
            }
        };
        let given = Given {
            line,
            value: mirrored,
        };
        self.entries.insert(path, given);
    }
}

/// Written as in the file, long text cut short.
impl fmt::Display for Value {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        const SHOWN: usize = 60;
        let cut = |text: &str| match text.chars().count() {
            0..=SHOWN => text.to_owned(),
            _ => text.chars().take(SHOWN).chain("...".chars()).collect(),
        };
        match self {
            Value::Text(text) => write!(f, "{:?}", cut(text)),
            Value::Number(text) | Value::Date(text) => f.write_str(&cut(text)),
            Value::Flag(flag) => write!(f, "{flag}"),
            Value::Table => f.write_str("a table"),
            Value::List(items) => write!(f, "a list of {items}"),
        }
    }
}

/// A key that is not a plain word keeps its quotes, so that `"a.b"` is not mistaken for `a.b`.
fn quoted_where_needed(key: &str) -> String {
    let plain = |c: char| c.is_ascii_alphanumeric() || c == '_' || c == '-';
    if !key.is_empty() && key.chars().all(plain) {
        key.to_owned()
    } else {
        format!("{key:?}")
    }
}

/// Byte offsets at which the lines of a text begin.
struct LineStarts(Vec<usize>);

impl LineStarts {
    fn of(text: &str) -> LineStarts {
        let ends = text.match_indices('\n').map(|(at, _)| at + 1);
        LineStarts(std::iter::once(0).chain(ends).collect())
    }

    /// Line of the byte at `offset`, from 1.
    fn line(&self, offset: usize) -> u64 {
        count(self.0.partition_point(|start| *start <= offset))
    }
}

/// A text of which a single position is asked.
struct Lines<'t>(&'t str);

impl Lines<'_> {
    /// Line and column (in characters) of the byte at `offset`, from 1.
    fn position(&self, offset: usize) -> (u64, u64) {
        let starts = LineStarts::of(self.0);
        let line = starts.line(offset);
        let start = starts.0[crate::units::index(line - 1)];
        let before = self
            .0
            .get(start..offset)
            .map_or(0, |text| text.chars().count());
        (line, count(before) + 1)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_key_keeps_its_line_and_value() {
        let text = "a = 1\n[b]\nc = \"x\"\nd = [{e = true},\n {e = 1.50}]\n\"f.g\" = 2020-01-01\n";
        let document = Document::parse(text).expect("valid");
        let seen: Vec<String> = document
            .iter()
            .map(|(key, given)| format!("{}: {key} = {}", given.line, given.value))
            .collect();
        let expected = [
            "1: a = 1",
            "2: b = a table",
            "6: b.\"f.g\" = 2020-01-01",
            "3: b.c = \"x\"",
            "4: b.d = a list of 2",
            "4: b.d[0] = a table",
            "4: b.d[0].e = true",
            "5: b.d[1] = a table",
            "5: b.d[1].e = 1.5",
        ];
        assert_eq!(seen, expected);
    }

    #[test]
    fn mistakes_in_toml_come_with_line_and_column() {
        let mistakes = Document::parse("a = 1\nb = \n[c\n").expect_err("two mistakes");
        let positions: Vec<_> = mistakes.iter().filter_map(|m| m.position).collect();
        assert!(positions.contains(&(2, 5)), "{mistakes:?}");
        assert!(positions.iter().any(|(line, _)| *line == 3), "{mistakes:?}");
    }

    #[test]
    fn deep_nesting_is_refused_and_not_followed() {
        let text = format!("a = {}{}", "[".repeat(100_000), "]".repeat(100_000));
        assert!(Document::parse(&text).is_err());
        let text = format!(
            "a{} = 1\n[b{}]\n",
            ".a".repeat(100_000),
            ".b".repeat(100_000)
        );
        assert!(Document::parse(&text).is_err());
    }
}
