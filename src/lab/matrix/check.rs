//! Owns the step from what a TOML file says to a [`Matrix`] that is complete and valid in itself.
//!
//! Every problem is reported at once, by the reader that profiles are read with. Works and demands are
//! read by `work_check` and `demand_check`; here are the other axes and the names that tie them together.

use super::book::MATRIX;
use super::demand_check::demands;
use super::error::MatrixError;
use super::spec::{ChangeSet, DriveWords, Matrix, Pick, StartWords};
use super::work_check::works;
use crate::lab::start::Start;
use crate::profile::changed::Change;
use crate::profile::error::ProblemKind;
use crate::profile::quantity::Unit;
use crate::profile::raw::Document;
use crate::profile::reader::Reader;

/// Name of a set of changes that changes nothing.
const UNCHANGED: &str = "unchanged";
/// State of a drive where none is given.
const AS_IT_COMES: &str = "as-it-comes";

/// The names of all axes, for whoever refers to them.
#[derive(Debug, Default)]
pub(super) struct Names {
    drives: Vec<String>,
    changes: Vec<String>,
    starts: Vec<String>,
    works: Vec<String>,
}

impl Matrix {
    /// Reads a matrix from TOML. `file_name` is only used to tell people where the problems are.
    ///
    /// # Errors
    /// [`MatrixError::Syntax`] where the text is not TOML, else [`MatrixError::Invalid`] with every
    /// problem of the file.
    pub fn from_toml(file_name: &str, text: &str) -> Result<Matrix, MatrixError> {
        let document = Document::parse(text).map_err(|problems| MatrixError::Syntax {
            file: file_name.to_owned(),
            problems,
        })?;
        let mut reader = Reader::new(&document, &MATRIX);
        let name = reader.name("matrix.name");
        let seeds = seeds(&mut reader);
        let starts = starts(&mut reader);
        let drives = drives(&mut reader);
        let changes = changes(&mut reader);
        let works = works(&mut reader);
        let names = Names {
            drives: drives.iter().map(|drive| drive.name.clone()).collect(),
            changes: changes.iter().map(|change| change.name.clone()).collect(),
            starts: starts.iter().map(|start| start.words.clone()).collect(),
            works: works.iter().map(|work| work.name.clone()).collect(),
        };
        let matrix = Matrix {
            name,
            left_out: left_out(&mut reader, &names),
            demands: demands(&mut reader, &names),
            seeds,
            starts,
            drives,
            changes,
            works,
        };
        let problems = reader.finish();
        if problems.is_empty() {
            Ok(matrix)
        } else {
            Err(MatrixError::Invalid {
                file: file_name.to_owned(),
                problems,
            })
        }
    }
}

/// A value that does not go together with others.
pub(super) fn conflict(reader: &mut Reader<'_>, key: &str, allowed: &str, rule: &'static str) {
    let kind = ProblemKind::Conflict {
        rule,
        with: Vec::new(),
    };
    reader.report(key, allowed.to_owned(), kind);
}

/// The number at `key`, where there is one.
pub(super) fn optional(reader: &mut Reader<'_>, key: &str) -> Option<u64> {
    reader.has(key).then(|| reader.number(key))
}

/// Items of an axis that must have some.
pub(super) fn items(reader: &mut Reader<'_>, axis: &str) -> u64 {
    if reader.has(axis) {
        return reader.items(axis);
    }
    let allowed = format!("at least one [[{axis}]]");
    reader.report(axis, allowed, ProblemKind::Missing);
    0
}

/// Says of the item at `key` that its name is taken.
pub(super) fn check_name(reader: &mut Reader<'_>, key: &str, name: &str, taken: &[String]) {
    if !name.is_empty() && taken.iter().any(|other| other == name) {
        let allowed = format!("a name that is not {name:?}");
        conflict(reader, key, &allowed, "items are told apart by their names");
    }
}

fn seeds(reader: &mut Reader<'_>) -> Vec<u64> {
    let (list, count) = ("matrix.seeds", "matrix.seed_count");
    if reader.has(list) {
        let seeds = reader.numbers(list);
        for (at, seed) in seeds.iter().enumerate() {
            if seeds[..at].contains(seed) && !reader.has_failed(list) {
                let key = format!("{list}[{at}]");
                conflict(reader, &key, "each seed once", "it is there already");
            }
        }
        return seeds;
    }
    match optional(reader, count) {
        Some(count) => (1..=count).collect(),
        None => vec![1],
    }
}

fn starts(reader: &mut Reader<'_>) -> Vec<StartWords> {
    let list = "matrix.starts";
    let all = if reader.has(list) {
        reader.texts(list)
    } else {
        vec![AS_IT_COMES.to_owned()]
    };
    let mut starts: Vec<StartWords> = Vec::new();
    for (at, words) in all.into_iter().enumerate() {
        let key = format!("{list}[{at}]");
        let start = match Start::from_words(&words) {
            Ok(start) => start,
            Err(error) => {
                if !reader.has_failed(list) {
                    reader.tell(&key, error.to_string());
                }
                continue;
            }
        };
        let seeded = words.split(',').any(|part| part.trim().starts_with("seed"));
        if starts
            .iter()
            .any(|known| known.start == start && known.seeded == seeded)
        {
            conflict(reader, &key, "each start once", "it is there already");
        }
        starts.push(StartWords {
            words,
            start,
            seeded,
        });
    }
    starts
}

fn drives(reader: &mut Reader<'_>) -> Vec<DriveWords> {
    let mut drives = Vec::new();
    let mut taken = Vec::new();
    for at in 0..items(reader, "drive") {
        let profile = reader.name(&format!("drive[{at}].profile"));
        let capacity = optional(reader, &format!("drive[{at}].capacity"));
        let key = format!("drive[{at}].name");
        let name = if reader.has(&key) {
            reader.name(&key)
        } else {
            match capacity {
                Some(bytes) => format!("{profile} {}", Unit::Bytes.format(bytes)),
                None => profile.clone(),
            }
        };
        check_name(reader, &key, &name, &taken);
        taken.push(name.clone());
        drives.push(DriveWords {
            name,
            profile,
            capacity,
        });
    }
    drives
}

fn changes(reader: &mut Reader<'_>) -> Vec<ChangeSet> {
    if !reader.has("change") {
        return vec![ChangeSet {
            name: UNCHANGED.to_owned(),
            changes: Vec::new(),
        }];
    }
    let mut sets = Vec::new();
    let mut taken = Vec::new();
    for at in 0..reader.items("change") {
        let list = format!("change[{at}].set");
        let mut changes = Vec::new();
        for (item, words) in reader.texts(&list).iter().enumerate() {
            match Change::from_words(words) {
                Ok(change) => changes.push(change),
                Err(_) if words.is_empty() && reader.has_failed("change.set") => {}
                Err(told) => {
                    reader.tell(&format!("{list}[{item}]"), told);
                }
            }
        }
        let key = format!("change[{at}].name");
        let words: Vec<String> = changes.iter().map(Change::to_string).collect();
        let name = if reader.has(&key) {
            reader.name(&key)
        } else if words.is_empty() {
            UNCHANGED.to_owned()
        } else {
            words.join(", ")
        };
        check_name(reader, &key, &name, &taken);
        taken.push(name.clone());
        sets.push(ChangeSet { name, changes });
    }
    sets
}

fn left_out(reader: &mut Reader<'_>, names: &Names) -> Vec<Pick> {
    if !reader.has("leave_out") {
        return Vec::new();
    }
    let mut all = Vec::new();
    for at in 0..reader.items("leave_out") {
        let item = format!("leave_out[{at}]");
        let pick = names.pick(reader, &item);
        if pick == Pick::default() && !reader.has_failed("leave_out") {
            let allowed = "drives, changes, starts or works";
            conflict(reader, &item, allowed, "it would leave out every cell");
        }
        all.push(pick);
    }
    all
}

impl Names {
    /// The cells that the lists of `item` name.
    pub(super) fn pick(&self, reader: &mut Reader<'_>, item: &str) -> Pick {
        Pick {
            drives: named(reader, &format!("{item}.drives"), &self.drives),
            changes: named(reader, &format!("{item}.changes"), &self.changes),
            starts: named(reader, &format!("{item}.starts"), &self.starts),
            works: named(reader, &format!("{item}.works"), &self.works),
        }
    }
}

fn named(reader: &mut Reader<'_>, list: &str, known: &[String]) -> Option<Vec<usize>> {
    if !reader.has(list) {
        return None;
    }
    let mut places = Vec::new();
    for (item, name) in reader.texts(list).iter().enumerate() {
        let key = format!("{list}[{item}]");
        match known.iter().position(|other| other == name) {
            Some(place) => places.push(place),
            // What is no text was reported when it was read.
            None if name.is_empty() => {}
            None => {
                let allowed = format!("one of: {}", known.join(", "));
                conflict(reader, &key, &allowed, "nothing has this name");
            }
        }
    }
    Some(places)
}

#[cfg(test)]
mod tests;
