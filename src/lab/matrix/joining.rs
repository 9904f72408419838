//! Owns how files of results of the parts of one matrix become one.

use std::collections::BTreeMap;

use super::results::{Found, Header, Line, Standing};

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
            let Some((known_in, known)) = lines.get(&line.cell) else {
                lines.insert(line.cell, (part, line));
                continue;
            };
            if known.timeless() == line.timeless() {
                double.push(line.cell);
            }
            match known.against(line) {
                Standing::Stays => {}
                Standing::GivesWay => {
                    lines.insert(line.cell, (part, line));
                }
                Standing::Contradicted => {
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

#[cfg(test)]
mod tests {
    use std::collections::BTreeMap;

    use proptest::prelude::*;

    use super::*;
    use crate::lab::matrix::results::{KIND, VERSION};
    use crate::lab::matrix::verdict::Outcome;

    fn header(cells: u64) -> Header {
        Header {
            kind: KIND.to_owned(),
            version: VERSION,
            name: "m".to_owned(),
            fingerprint: "1".to_owned(),
            cells,
        }
    }

    fn line(cell: u64, answered: u64, took_ms: u64) -> Line {
        Line {
            cell,
            profile: String::new(),
            profile_mark: None,
            start: String::new(),
            workload: String::new(),
            seed: 0,
            changes: Vec::new(),
            outcome: Outcome::Passed,
            why: None,
            assertions: Vec::new(),
            figures: BTreeMap::from([("answered".to_owned(), answered)]),
            took_ms,
        }
    }

    fn part(name: &str, cells: u64, lines: Vec<Line>) -> (String, Found) {
        let found = Found {
            header: header(cells),
            lines,
            whole_bytes: 0,
        };
        (name.to_owned(), found)
    }

    proptest! {
        #[test]
        fn parts_in_any_order_make_the_whole(
            (cells, of) in (1_u64..20, 1_usize..5),
            order in proptest::collection::vec(0_usize..20, 20),
            lost in 0_u64..30,
        ) {
            let mut parts: Vec<Vec<Line>> = vec![Vec::new(); of];
            let mut whole = Vec::new();
            for cell in 1..=cells {
                if cell != lost {
                    let at = crate::units::index(cell) % of;
                    let place = order[crate::units::index(cell)] % (parts[at].len() + 1);
                    parts[at].insert(place, line(cell, cell, 0));
                    whole.push(line(cell, cell, 0));
                }
            }
            let parts: Vec<_> = parts.into_iter().map(|lines| part("p", cells, lines)).collect();
            let joined = join(&parts).unwrap();
            prop_assert_eq!(joined.lines, whole);
            let missing: Vec<u64> = (1..=cells).filter(|cell| *cell == lost).collect();
            prop_assert_eq!(joined.missing, missing);
        }
    }

    #[test]
    fn double_cells_are_told_and_contradictions_refused() {
        let first = part("a", 2, vec![line(1, 5, 10), line(2, 6, 10)]);
        let same = part("b", 2, vec![line(2, 6, 99)]);
        let joined = join(&[first.clone(), same]).unwrap();
        assert_eq!((joined.double, joined.lines.len()), (vec![2], 2));
        let other = part("c", 2, vec![line(2, 7, 10)]);
        let told = join(&[first.clone(), other]).unwrap_err().to_string();
        assert!(told.starts_with("cell 2 is in a and again in c"), "{told}");
        let nothing = Line {
            outcome: Outcome::RigFault,
            ..line(2, 0, 10)
        };
        let nothing = part("e", 2, vec![nothing]);
        for parts in [[first.clone(), nothing.clone()], [nothing, first.clone()]] {
            let joined = join(&parts).unwrap();
            assert_eq!(joined.lines, [line(1, 5, 10), line(2, 6, 10)]);
        }
        let (name, mut found) = part("d", 2, Vec::new());
        found.header.fingerprint = "2".to_owned();
        let told = join(&[first, (name, found)]).unwrap_err().to_string();
        assert!(
            told.starts_with("d has results of the matrix m (2), and a of m (1)"),
            "{told}"
        );
        assert_eq!(join(&[]), Err(JoinError::Nothing));
    }
}
