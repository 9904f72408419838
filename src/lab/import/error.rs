//! Owns every reason not to import a trace, in words for whoever has the trace.

use super::hide::PIECES_MAX;
use super::importer::SENSELESS_BYTES_MAX;
use super::lines::PASSED_OVER_MAX;
use super::report::BadLine;
use crate::lab::recording::RecordingError;
use crate::profile::quantity::Unit;
use crate::units::counted;

/// Why a trace cannot be imported.
#[derive(Debug, thiserror::Error)]
pub enum ImportError {
    /// It cannot be read.
    #[error("the trace cannot be read after line {line}")]
    Read {
        /// The last line that could be.
        line: u64,
        /// What the system says.
        source: std::io::Error,
    },
    /// It is something else.
    #[error(
        "line {line} does not fit this kind of text: {why}; if it is of another kind, say which with --as"
    )]
    OtherText {
        /// Which line.
        line: u64,
        /// Why.
        why: String,
    },
    /// A line does not end.
    #[error("line {line} goes on for more than {} MiB: it is no text", PASSED_OVER_MAX >> 20)]
    Endless {
        /// Which.
        line: u64,
    },
    /// Nothing of a long beginning makes sense.
    #[error(
        "nothing in the first {} ({} MiB) makes sense as this kind of text{}; if it is of \
         another kind, say which with --as",
        counted(*.lines, "line"), SENSELESS_BYTES_MAX >> 20, first(.first_bad)
    )]
    Senseless {
        /// Lines read.
        lines: u64,
        /// The first of them.
        first_bad: Vec<BadLine>,
    },
    /// A line makes no sense, and that was to end it.
    #[error("line {}: {}: {}; --bad-lines skip counts such lines and goes on", .0.line, .0.why, .0.text)]
    BadLine(BadLine),
    /// Nothing is in it.
    #[error("there is no request{} in {}{}", of(.drive.as_deref(), .drives), counted(*.lines, "line"), first(.first_bad))]
    Empty {
        /// Lines read.
        lines: u64,
        /// The drive that was to be taken.
        drive: Option<String>,
        /// Those that the trace names.
        drives: Vec<String>,
        /// The first that made no sense.
        first_bad: Vec<BadLine>,
    },
    /// The drive cannot be cut into pieces like that.
    #[error(
        "a drive of {} cannot be hidden in pieces of {}: there would be {}, and 1 to {PIECES_MAX} are possible; \
         give --hide-offsets the size of the traced drive, and --piece that of a piece",
        size(*.drive_bytes), size(*.piece_bytes), drive_bytes.checked_div(*.piece_bytes).unwrap_or(0)
    )]
    Pieces {
        /// Bytes of the drive.
        drive_bytes: u64,
        /// Bytes of a piece.
        piece_bytes: u64,
    },
    /// The recording cannot be written.
    #[error(transparent)]
    Write(#[from] RecordingError),
}

fn size(bytes: u64) -> String {
    Unit::Bytes.format(bytes)
}

fn first(bad: &[BadLine]) -> String {
    bad.first().map_or_else(String::new, |bad| {
        format!("; line {}: {}: {}", bad.line, bad.why, bad.text)
    })
}

fn of(drive: Option<&str>, drives: &[String]) -> String {
    match drive {
        Some(drive) if !drives.iter().any(|known| known == drive) && !drives.is_empty() => {
            format!(" of the drive {drive} (there are {})", drives.join(", "))
        }
        _ => String::new(),
    }
}
