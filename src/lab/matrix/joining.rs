//! Owns how files of results of the parts of one matrix become one.

use std::collections::BTreeMap;

use super::results::{Found, Header, Line};

/// Parts put together.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Joined {
    /// Of all parts.
    pub header: Header,
    /// Every cell once, in the order of their numbers.
    pub lines: Vec<Line>,
    /// Cells that no part has.
    pub missing: Vec<u64>,
    /// Cells that several parts have, with the same result.
    pub double: Vec<u64>,
}

/// Why parts cannot be put together.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum JoinError {
    /// There are none.
    #[error("there is nothing to join")]
    Nothing,
    /// They are of different matrices.
    #[error(
        "{part} has results of the matrix {found}, and {first} of {expected}: only parts of one matrix can be joined"
    )]
    Another {
        /// The file.
        part: String,
        /// Name and fingerprint there.
        found: String,
        /// The first file.
        first: String,
        /// Name and fingerprint there.
        expected: String,
    },
    /// Two parts disagree.
    #[error(
        "cell {cell} is in {first} and again in {second}, with another result: leave one of the files out"
    )]
    Contradiction {
        /// Its number.
        cell: u64,
        /// The file that has it first.
        first: String,
        /// The other file.
        second: String,
    },
}

/// Puts parts together; each comes with the name of its file, for people.
///
/// # Errors
/// See [`JoinError`].
pub fn join(parts: &[(String, Found)]) -> Result<Joined, JoinError> {
    let (first, found) = parts.first().ok_or(JoinError::Nothing)?;
    let header = found.header.clone();
    let mut lines: BTreeMap<u64, (&str, &Line)> = BTreeMap::new();
    let mut double = Vec::new();
    for (part, found) in parts {
        if found.header != header {
            let shown = |header: &Header| format!("{} ({})", header.name, header.fingerprint);
            return Err(JoinError::Another {
                part: part.clone(),
                found: shown(&found.header),
                first: first.clone(),
                expected: shown(&header),
            });
        }
        for line in &found.lines {
            match lines.get(&line.cell) {
                None => {
                    lines.insert(line.cell, (part, line));
                }
                Some((_, known)) if known.timeless() == line.timeless() => double.push(line.cell),
                Some((known_in, _)) => {
                    return Err(JoinError::Contradiction {
                        cell: line.cell,
                        first: (*known_in).to_owned(),
                        second: part.clone(),
                    });
                }
            }
        }
    }
    let missing = (1..=header.cells).filter(|cell| !lines.contains_key(cell));
    Ok(Joined {
        missing: missing.collect(),
        lines: lines.into_values().map(|(_, line)| line.clone()).collect(),
        header,
        double,
    })
}
