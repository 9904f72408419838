//! Owns the file of results: a header, then one JSON object a line for each cell that was run.
//!
//! Lines are only ever appended, each in one piece, so that whatever ends a run leaves at most one line
//! that is torn: the last. Reading drops it. What is read is checked like any other input.
//!
//! A cell that told nothing of its drive may stand there again, when it was run again: see [`Standing`].

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use super::mark;
use super::plan::{Cell, Plan};
use super::verdict::{Assertion, Outcome, Verdict};

/// What a file of results is.
pub const KIND: &str = "imbrex-matrix";
/// The version of its form.
pub const VERSION: u64 = 1;

/// The first line.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Header {
    /// [`KIND`].
    pub kind: String,
    /// [`VERSION`].
    pub version: u64,
    /// Name of the matrix.
    pub name: String,
    /// Its fingerprint.
    pub fingerprint: String,
    /// Its cells, whatever part of them this file is about.
    pub cells: u64,
}

/// A cell that was run.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Line {
    /// Its number, from 1.
    pub cell: u64,
    /// Name of the drive.
    pub profile: String,
    /// The [`mark`] of its profile, changed and scaled; files of older versions do not have it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub profile_mark: Option<String>,
    /// How the drive was when it began.
    pub start: String,
    /// Name of the work.
    pub workload: String,
    /// Start of everything that looked random.
    pub seed: u64,
    /// Changes of the profile.
    pub changes: Vec<String>,
    /// What became of it.
    pub outcome: Outcome,
    /// Why, where the assertions do not say it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub why: Option<String>,
    /// What was demanded.
    pub assertions: Vec<Assertion>,
    /// Figures by name, which ends in the unit.
    pub figures: BTreeMap<String, u64>,
    /// Real time that it took, in milliseconds.
    pub took_ms: u64,
}

/// What a file of results holds.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Found {
    /// The first line.
    pub header: Header,
    /// The others, each cell once, as they count.
    pub lines: Vec<Line>,
    /// Bytes up to the end of the last whole line.
    pub whole_bytes: usize,
}

/// Why a text is not a file of results.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum ResultsError {
    /// The first line is none of ours.
    #[error("its first line does not begin the results of a matrix")]
    NotOne,
    /// The form is another.
    #[error("its form has version {found}, and this imbrex reads version {VERSION}")]
    Version {
        /// The version found.
        found: u64,
    },
    /// A line in the middle makes no sense.
    #[error("line {line} is no result of a cell: {why}")]
    Line {
        /// Its number, from 1.
        line: u64,
        /// What is wrong.
        why: String,
    },
    /// A cell has two results.
    #[error(
        "line {line} has cell {cell} again, with another result than before: take one of the two lines out"
    )]
    Contradiction {
        /// Number of the later line, from 1.
        line: u64,
        /// Number of the cell.
        cell: u64,
    },
}

/// How a line stands to a later one of the same cell.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Standing {
    /// The earlier one counts: the later says the same, or nothing of the drive.
    Stays,
    /// The later one counts, as the earlier told nothing of the drive.
    GivesWay,
    /// Both tell of the drive, and not the same.
    Contradicted,
}

impl Header {
    /// The header for a plan's results.
    pub fn of(plan: &Plan) -> Header {
        Header {
            kind: KIND.to_owned(),
            version: VERSION,
            name: plan.matrix.name.clone(),
            fingerprint: plan.fingerprint.clone(),
            cells: crate::units::count(plan.cells.len()),
        }
    }

    /// The line, with its end.
    pub fn to_text(&self) -> String {
        text(self)
    }
}

impl Line {
    /// The line of a cell that was judged.
    pub fn of(plan: &Plan, cell: &Cell, verdict: Verdict, figures: BTreeMap<String, u64>) -> Line {
        Line {
            cell: cell.number,
            profile: plan.drive_name(cell).to_owned(),
            profile_mark: Some(mark::of(&cell.profile.to_toml())),
            start: cell.start.to_string(),
            workload: plan.work_name(cell).to_owned(),
            seed: cell.seed,
            changes: plan.change_words(cell),
            outcome: verdict.outcome,
            why: verdict.why,
            assertions: verdict.assertions,
            figures,
            took_ms: 0,
        }
    }

    /// The line, with its end.
    pub fn to_text(&self) -> String {
        text(self)
    }

    /// The same without what real time has to do with, and without the mark, which lines of older
    /// versions do not have and the fingerprint of the matrix covers.
    #[must_use]
    pub fn timeless(&self) -> Line {
        Line {
            took_ms: 0,
            profile_mark: None,
            ..self.clone()
        }
    }

    /// How it stands to a `later` line of the same cell.
    pub fn against(&self, later: &Line) -> Standing {
        if self.timeless() == later.timeless() {
            Standing::Stays
        } else if !self.outcome.tells() {
            Standing::GivesWay
        } else if later.outcome.tells() {
            Standing::Contradicted
        } else {
            Standing::Stays
        }
    }

    /// The cell in a line, for people.
    pub fn words(&self) -> String {
        let mut words = format!(
            "{}, {}, {}, seed {}",
            self.profile, self.start, self.workload, self.seed
        );
        for change in &self.changes {
            words.push_str(", ");
            words.push_str(change);
        }
        words
    }

    /// What did not hold, or why, for people.
    pub fn complaint(&self) -> String {
        let broken = self.assertions.iter().filter(|one| !one.holds);
        let broken = broken.map(|one| format!("{}: {}", one.what, one.measured));
        let all: Vec<String> = self.why.iter().cloned().chain(broken).collect();
        all.join("; ")
    }
}

fn text(value: &impl Serialize) -> String {
    let mut text = serde_json::to_string(value).expect("plain fields always make JSON");
    text.push('\n');
    text
}

/// Reads a file of results; a last line without its end is left out. `None`: not even the first line is
/// whole.
///
/// # Errors
/// See [`ResultsError`].
pub fn read(bytes: &[u8]) -> Result<Option<Found>, ResultsError> {
    let Some(end) = bytes.iter().rposition(|byte| *byte == b'\n') else {
        return Ok(None);
    };
    let whole = &bytes[..=end];
    let mut lines = whole.split_inclusive(|byte| *byte == b'\n');
    let first = lines.next().unwrap_or_default();
    let header: Header = serde_json::from_slice(first).map_err(|_| ResultsError::NotOne)?;
    if header.kind != KIND {
        return Err(ResultsError::NotOne);
    }
    if header.version != VERSION {
        return Err(ResultsError::Version {
            found: header.version,
        });
    }
    let mut found: Vec<Line> = Vec::new();
    let mut places: BTreeMap<u64, usize> = BTreeMap::new();
    for (line, number) in lines.zip(2..) {
        let read: Line = serde_json::from_slice(line).map_err(|error| ResultsError::Line {
            line: number,
            why: error.to_string(),
        })?;
        if read.cell == 0 || read.cell > header.cells {
            return Err(ResultsError::Line {
                line: number,
                why: format!("there is no cell {} of {}", read.cell, header.cells),
            });
        }
        let Some(&at) = places.get(&read.cell) else {
            places.insert(read.cell, found.len());
            found.push(read);
            continue;
        };
        match found[at].against(&read) {
            Standing::Stays => {}
            Standing::GivesWay => found[at] = read,
            Standing::Contradicted => {
                return Err(ResultsError::Contradiction {
                    line: number,
                    cell: read.cell,
                });
            }
        }
    }
    Ok(Some(Found {
        header,
        lines: found,
        whole_bytes: whole.len(),
    }))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn header(cells: u64) -> Header {
        Header {
            kind: KIND.to_owned(),
            version: VERSION,
            name: "of \"tests\"".to_owned(),
            fingerprint: "00ff".to_owned(),
            cells,
        }
    }

    fn line(cell: u64) -> Line {
        Line {
            cell,
            profile: "tiny".to_owned(),
            profile_mark: Some("17".to_owned()),
            start: "staging 95%, seed 1".to_owned(),
            workload: "a line\nand another".to_owned(),
            seed: 1,
            changes: vec!["staging.bytes=10GiB".to_owned()],
            outcome: Outcome::DriveFailed,
            why: Some("\u{b5}".to_owned()),
            assertions: vec![Assertion {
                what: "x".to_owned(),
                measured: "y".to_owned(),
                holds: false,
            }],
            figures: BTreeMap::from([("answered".to_owned(), cell)]),
            took_ms: 5,
        }
    }

    #[test]
    fn cut_anywhere_it_holds_exactly_the_lines_that_are_whole() {
        let lines: Vec<Line> = (1..=3).map(line).collect();
        let mut text = header(3).to_text();
        let mut ends = vec![text.len()];
        for line in &lines {
            text += &line.to_text();
            ends.push(text.len());
        }
        for cut in 0..=text.len() {
            let found = read(&text.as_bytes()[..cut]).unwrap();
            let whole = ends.iter().filter(|end| **end <= cut).count();
            match found {
                None => assert_eq!(whole, 0, "{cut}"),
                Some(found) => {
                    assert_eq!(found.header, header(3));
                    assert_eq!(found.lines, lines[..whole - 1], "{cut}");
                    assert_eq!(found.whole_bytes, ends[whole - 1]);
                }
            }
        }
    }

    #[test]
    fn of_a_cell_that_stands_there_twice_what_tells_of_the_drive_counts() {
        let told = |outcome, answered| Line {
            outcome,
            figures: BTreeMap::from([("answered".to_owned(), answered)]),
            ..line(1)
        };
        let counts = |lines: [Line; 2]| {
            let text = lines
                .iter()
                .fold(header(1).to_text(), |text, line| text + &line.to_text());
            read(text.as_bytes()).map(|found| found.expect("whole").lines)
        };
        for nothing in [Outcome::RigFault, Outcome::Invalid] {
            let (first, second) = (told(nothing, 1), told(nothing, 2));
            assert_eq!(counts([first.clone(), second.clone()]), Ok(vec![second]));
            for something in [Outcome::Passed, Outcome::Failed, Outcome::DriveFailed] {
                let result = told(something, 3);
                assert_eq!(
                    counts([first.clone(), result.clone()]),
                    Ok(vec![result.clone()])
                );
                assert_eq!(counts([result.clone(), first.clone()]), Ok(vec![result]));
            }
        }
        let passed = told(Outcome::Passed, 1);
        let slower = Line {
            took_ms: 99,
            ..passed.clone()
        };
        assert_eq!(counts([passed.clone(), slower]), Ok(vec![passed.clone()]));
        let refused = counts([passed, told(Outcome::Passed, 2)]);
        assert_eq!(
            refused,
            Err(ResultsError::Contradiction { line: 3, cell: 1 })
        );
    }

    #[test]
    fn what_is_not_a_file_of_results_is_refused() {
        let check = |text: &str, expected: &str| {
            let told = read(text.as_bytes()).unwrap_err().to_string();
            assert!(told.contains(expected), "{text}: {told}");
        };
        check("\n", "first line");
        check("{\"kind\":\"other\"}\n", "first line");
        let newer = Header {
            version: 2,
            ..header(1)
        };
        check(&newer.to_text(), "version 2");
        let whole = header(2).to_text();
        check(&format!("{whole}{{\"cell\":1\n"), "line 2");
        check(
            &format!("{whole}{}{}", line(1).to_text(), line(3).to_text()),
            "no cell 3 of 2",
        );
    }

    proptest::proptest! {
        #[test]
        fn no_bytes_make_it_panic(bytes in proptest::collection::vec(proptest::num::u8::ANY, 0..200)) {
            let mut text = header(1).to_text().into_bytes();
            text.extend(&bytes);
            if let Ok(Some(found)) = read(&text) {
                proptest::prop_assert!(found.whole_bytes <= text.len());
            }
        }
    }
}
