//! What can be in the way of a report: files that are none of those that it is made from, and rows
//! of them that make no sense.

use std::path::PathBuf;

use parquet::errors::ParquetError;

/// A report cannot be made.
#[derive(Debug, thiserror::Error)]
pub enum ReportError {
    /// A file cannot be read.
    #[error("cannot read {}", .path.display())]
    Read {
        /// The file.
        path: PathBuf,
        /// Why.
        source: std::io::Error,
    },
    /// It is nothing that a report is made from.
    #[error(
        "{} is none of what a report is made from: a recording of requests (`record`, `--record`, `import`), \
         a file of events (`--events`), a summary (`simulate --json`) or results of a matrix: {what}",
        .path.display()
    )]
    Unknown {
        /// The file.
        path: PathBuf,
        /// What it is instead.
        what: String,
    },
    /// It has columns, but cannot be read to its end.
    #[error(
        "{} cannot be read as {kind} (one whose writer was killed has no end and cannot be read)",
        .path.display()
    )]
    Columns {
        /// The file.
        path: PathBuf,
        /// What it is taken for.
        kind: &'static str,
        /// What is wrong.
        source: ParquetError,
    },
    /// A row makes no sense.
    #[error("row {row} of {} makes no sense: {what}", .path.display())]
    Row {
        /// The file.
        path: PathBuf,
        /// Which, from 1.
        row: u64,
        /// What is wrong.
        what: String,
    },
    /// A summary or a line of a matrix's results is not as it should be.
    #[error("line {line} of {} cannot be understood", .path.display())]
    Json {
        /// The file.
        path: PathBuf,
        /// Which, from 1.
        line: usize,
        /// What is wrong.
        source: serde_json::Error,
    },
    /// Two files of one kind.
    #[error(
        "{} and {} are both {kind}: a report is of one run; make one report for each",
        .first.display(), .second.display()
    )]
    Twice {
        /// The kind.
        kind: &'static str,
        /// The one.
        first: PathBuf,
        /// The other.
        second: PathBuf,
    },
    /// A run that is of no cell of a matrix.
    #[error(
        "{} is of no cell of {}: {why}; make one report for each, or the files of a cell with `imbrex matrix \
         rerun BUNDLE --record FILE --events FILE`",
        .run.display(), .matrix.display()
    )]
    NoCell {
        /// A file of the run.
        run: PathBuf,
        /// The results.
        matrix: PathBuf,
        /// What does not fit.
        why: String,
    },
    /// Two files of different runs.
    #[error(
        "{} and {} are not of one run: the {what} of the first is {of_first}, of the second {of_second}; \
         make one report for each",
        .first.display(), .second.display()
    )]
    DifferentRuns {
        /// What differs.
        what: &'static str,
        /// The one.
        first: PathBuf,
        /// The other.
        second: PathBuf,
        /// What the one says.
        of_first: String,
        /// What the other says.
        of_second: String,
    },
}
