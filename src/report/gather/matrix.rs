//! Owns the results of a matrix as they are read back: a head and a line of JSON for each cell.
//!
//! Whatever figures a cell has are kept. Where the last line has no end, its writer was killed: the cells
//! before it count, and that there was one is said.

use std::io::BufRead;
use std::path::Path;

use serde::Deserialize;
use serde_json::{Map, Value};

use crate::report::error::ReportError;

/// The word that a head carries as its `kind`.
pub(super) const KIND: &str = "imbrex-matrix";

/// A matrix's results.
#[derive(Clone, Debug, Default)]
pub(in crate::report) struct Matrix {
    /// What the head says.
    pub(in crate::report) head: Map<String, Value>,
    /// The cells, in the order of their numbers; the file has them as they ended.
    pub(in crate::report) cells: Vec<Cell>,
    /// Whether the last line is cut off.
    pub(in crate::report) cut: bool,
}

/// A cell.
#[derive(Clone, Debug, Default, Deserialize)]
pub(in crate::report) struct Cell {
    /// Its number.
    #[serde(default, rename = "cell")]
    pub(in crate::report) number: u64,
    /// The profile.
    #[serde(default)]
    pub(in crate::report) profile: String,
    /// The mark of its profile.
    #[serde(default)]
    pub(in crate::report) profile_mark: Option<String>,
    /// The state of the drive at the beginning.
    #[serde(default)]
    pub(in crate::report) start: String,
    /// The workload.
    #[serde(default)]
    pub(in crate::report) workload: String,
    /// Start of everything that looks random.
    #[serde(default)]
    pub(in crate::report) seed: Option<u64>,
    /// Keys of the profile that were set anew.
    #[serde(default)]
    pub(in crate::report) changes: Vec<String>,
    /// How it ended.
    pub(in crate::report) outcome: String,
    /// What was to hold.
    #[serde(default)]
    pub(in crate::report) assertions: Vec<Assertion>,
    /// What was measured.
    #[serde(default)]
    pub(in crate::report) figures: Map<String, Value>,
    /// Real time that it took, in milliseconds.
    #[serde(default)]
    pub(in crate::report) took_ms: Option<u64>,
    /// Why it is invalid or failed, where there is more to say.
    #[serde(default, alias = "error", alias = "why")]
    pub(in crate::report) reason: Option<String>,
}

/// What was to hold.
#[derive(Clone, Debug, Default, Deserialize)]
pub(in crate::report) struct Assertion {
    /// In words.
    #[serde(default)]
    pub(in crate::report) what: String,
    /// What was measured.
    #[serde(default)]
    pub(in crate::report) measured: String,
    /// Whether it holds.
    pub(in crate::report) holds: bool,
}

impl Matrix {
    /// A cell that told nothing of its drive may have been run again; then the other line counts.
    fn take(&mut self, cell: Cell) {
        let mut known = self.cells.iter_mut();
        match known.find(|known| known.number == cell.number && cell.number > 0) {
            Some(known) if known.tells() => {}
            Some(known) => *known = cell,
            None => self.cells.push(cell),
        }
    }
}

impl Cell {
    fn tells(&self) -> bool {
        !["rig-fault", "invalid"].contains(&self.outcome.as_str())
    }
}

/// Whether a first line is the head of a matrix's results.
pub(super) fn is_head(line: &str) -> bool {
    let head: Result<Map<String, Value>, _> = serde_json::from_str(line);
    head.is_ok_and(|head| head.get("kind").and_then(Value::as_str) == Some(KIND))
}

/// Reads the results in `from`, which lies at `path`.
pub(super) fn read(path: &Path, mut from: impl BufRead) -> Result<Matrix, ReportError> {
    let mut matrix = Matrix::default();
    let mut text = String::new();
    let mut line = 0;
    loop {
        text.clear();
        let read = from.read_line(&mut text);
        if read.map_err(|source| ReportError::Read {
            path: path.to_owned(),
            source,
        })? == 0
        {
            matrix.cells.sort_by_key(|cell| cell.number);
            return Ok(matrix);
        }
        line += 1;
        if text.trim().is_empty() {
            continue;
        }
        let wrong = |source| ReportError::Json {
            path: path.to_owned(),
            line,
            source,
        };
        if line == 1 {
            matrix.head = serde_json::from_str(&text).map_err(wrong)?;
            continue;
        }
        match serde_json::from_str(&text) {
            Ok(cell) => matrix.take(cell),
            Err(_) if !text.ends_with('\n') => matrix.cut = true,
            Err(source) => return Err(wrong(source)),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const HEAD: &str = "{\"kind\":\"imbrex-matrix\",\"version\":1,\"name\":\"m\"}\n";

    fn read(text: &str) -> Result<Matrix, ReportError> {
        super::read(Path::new("m.jsonl"), text.as_bytes())
    }

    #[test]
    fn only_a_head_of_its_kind_is_one() {
        assert!(is_head(HEAD));
        assert!(!is_head("{\"kind\":\"imbrex-summary\"}"));
        assert!(!is_head("{\"profile\":\"tiny\"}"));
        assert!(!is_head("imbrex-matrix"));
    }

    #[test]
    fn figures_that_nobody_knows_are_kept() {
        let cell = "{\"cell\":3,\"outcome\":\"passed\",\"figures\":{\"new_ns\":7},\"more\":[]}\n";
        let matrix = read(&format!("{HEAD}{cell}")).expect("it is one");
        assert_eq!(matrix.cells[0].figures["new_ns"], 7);
        assert_eq!(matrix.cells[0].number, 3);
        assert!(!matrix.cut);
    }

    #[test]
    fn cells_come_in_the_order_of_their_numbers() {
        let cell = |number| format!("{{\"cell\":{number},\"outcome\":\"passed\"}}\n");
        let matrix = read(&format!("{HEAD}{}{}{}", cell(2), cell(3), cell(1))).expect("it is one");
        let numbers: Vec<u64> = matrix.cells.iter().map(|cell| cell.number).collect();
        assert_eq!(numbers, [1, 2, 3]);
    }

    #[test]
    fn a_cut_last_line_is_no_cell_and_is_known() {
        let cell = "{\"cell\":3,\"outcome\":\"passed\"}\n";
        let matrix = read(&format!("{HEAD}{cell}{}", &cell[..12])).expect("it is one");
        assert_eq!(matrix.cells.len(), 1);
        assert!(matrix.cut);
    }

    #[test]
    fn a_line_without_sense_is_refused_with_its_number() {
        let error = read(&format!("{HEAD}{{\"cell\":3}}\n")).expect_err("no outcome");
        assert!(
            error.to_string().starts_with("line 2 of m.jsonl"),
            "{error}"
        );
    }
}
