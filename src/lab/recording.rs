//! Owns the file of requests: every request that a drive was given, when, and how it was answered, in
//! compressed columns (Parquet). A served drive and a simulation write the same file.
//!
//! One row for each request, in the order of the answers; the columns are described in
//! `docs/events.md`. What is read back is checked like any other input: it may come from anywhere.

use std::io::Write;
use std::path::{Path, PathBuf};

use parquet::errors::ParquetError;
use parquet::file::metadata::KeyValue;
use parquet::file::reader::FileReader as _;
use parquet::file::writer::SerializedFileWriter;

use super::column;
use super::columns::{self, Columns};
use super::generator::Wanted;
use super::playback::Playback;
use crate::drive::request::{Completion, Operation};
use crate::host::recorder::{Answered, Held};
use crate::time::{Duration, Instant};

/// Rows of a group.
const GROUP_ROWS: usize = 1 << 16;

/// Key under which a recording holds its drive's profile.
pub const PROFILE: &str = "profile";
/// Key under which it says how the drive was when it began: [`NEW`] or something else.
pub const BEGAN: &str = "drive_began";
/// A drive that nothing was ever written to.
pub const NEW: &str = "new";
/// Another drive that is served.
pub const USED: &str = "used";
/// Key under which a recording of a served drive says what it holds ([`Held`] as JSON).
pub const HELD: &str = "held";
/// Key under which a recording says what it knows of how long requests took ([`Took`]).
pub const TOOK: &str = "took";

/// What a recording knows of how long its requests took, the most first.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, serde::Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Took {
    /// How long, and where the time went: of a drive of imbrex.
    #[default]
    Parts,
    /// How long, and not where the time went: of a trace that tells when requests were answered.
    Whole,
    /// Nothing: each seems to be answered in the moment in which it came.
    Unknown,
}

impl Took {
    /// What stands under [`TOOK`]; nothing where all is known.
    pub fn mark(self) -> Option<&'static str> {
        match self {
            Took::Parts => None,
            Took::Whole => Some("whole"),
            Took::Unknown => Some("unknown"),
        }
    }

    /// What a mark says. One that is not known here is of a later imbrex, and knows less than all: times that
    /// nobody vouches for are taken for none.
    pub fn of(mark: Option<&str>) -> Took {
        match mark {
            None => Took::Parts,
            Some("whole") => Took::Whole,
            Some(_) => Took::Unknown,
        }
    }
}

const SCHEMA: &str = "message requests {
    REQUIRED INT64 request;
    REQUIRED BYTE_ARRAY operation (UTF8);
    REQUIRED BOOLEAN fua;
    REQUIRED BOOLEAN may_deallocate;
    REQUIRED INT64 offset;
    REQUIRED INT64 bytes;
    REQUIRED INT64 arrived_ns;
    REQUIRED INT64 due_ns;
    REQUIRED INT64 lag_ns;
    REQUIRED INT64 queue_ns;
    REQUIRED INT64 cleaning_ns;
    REQUIRED INT64 room_ns;
    REQUIRED INT64 merge_ns;
    REQUIRED INT64 destage_ns;
    REQUIRED INT64 seek_ns;
    REQUIRED INT64 rotation_ns;
    REQUIRED INT64 transfer_ns;
    REQUIRED INT64 out_of_band_ns;
    REQUIRED INT64 overhead_ns;
    REQUIRED INT64 stalled_ns;
    REQUIRED INT64 slowed_ns;
    OPTIONAL INT64 cleaned_home_band;
    REQUIRED BYTE_ARRAY cause (UTF8);
}";

/// A recording cannot be written or read.
#[derive(Debug, thiserror::Error)]
pub enum RecordingError {
    /// Writing.
    #[error("cannot write the file of requests")]
    Write(#[source] ParquetError),
    /// The file cannot be opened.
    #[error("cannot open {}", .path.display())]
    Open {
        /// The file.
        path: PathBuf,
        /// Why.
        source: std::io::Error,
    },
    /// It is not a file of requests.
    #[error(
        "{} is not a recording of requests as `record`, `serve --record` and `simulate --record` write it (one that is not ended yet, or whose writer was killed, has no end and cannot be read)",
        .path.display()
    )]
    NotOne {
        /// The file.
        path: PathBuf,
        /// What is wrong.
        source: ParquetError,
    },
    /// A row makes no sense.
    #[error("request {request} of {} is not one: {what}", .path.display())]
    Row {
        /// The file.
        path: PathBuf,
        /// Its number.
        request: u64,
        /// What is wrong.
        what: String,
    },
}

/// Writes a recording.
pub struct RecordingWriter<W: Write + Send> {
    file: SerializedFileWriter<W>,
    rows: Vec<Answered>,
}

impl<W: Write + Send> RecordingWriter<W> {
    /// A recording that goes to `to`. `about`: what was run, kept in the file.
    pub fn new(to: W, about: &[(&str, String)]) -> Result<RecordingWriter<W>, RecordingError> {
        Ok(RecordingWriter {
            file: columns::begin(to, SCHEMA, about).map_err(RecordingError::Write)?,
            rows: Vec::new(),
        })
    }

    /// Takes answers, in order. Those that failed are left out.
    pub fn take(&mut self, answers: &[Answered]) -> Result<(), RecordingError> {
        let rows = answers
            .iter()
            .filter(|row| row.completion.failing.is_none());
        self.rows.extend(rows);
        if self.rows.len() >= GROUP_ROWS {
            self.write_group()?;
        }
        Ok(())
    }

    /// The same as [`RecordingWriter::finish`], with more to keep in the file about what was run.
    pub fn finish_with(mut self, about: &[(&str, String)]) -> Result<(), RecordingError> {
        for (key, value) in about {
            let pair = KeyValue::new((*key).to_owned(), value.clone());
            self.file.append_key_value_metadata(pair);
        }
        self.finish()
    }

    /// Writes what is left, and the end of the file.
    pub fn finish(mut self) -> Result<(), RecordingError> {
        if !self.rows.is_empty() {
            self.write_group()?;
        }
        self.file.close().map_err(RecordingError::Write)?;
        Ok(())
    }

    fn write_group(&mut self) -> Result<(), RecordingError> {
        write_columns(&mut self.file, &self.rows).map_err(RecordingError::Write)?;
        self.rows.clear();
        Ok(())
    }
}

fn write_columns<W: Write + Send>(
    file: &mut SerializedFileWriter<W>,
    rows: &[Answered],
) -> Result<(), ParquetError> {
    let mut columns = Columns::begin(file, rows)?;
    columns.long(|row| row.completion.request.0)?;
    columns.text(|row| row.completion.operation.word())?;
    columns.flag(|row| row.completion.operation.is_fua())?;
    columns.flag(|row| may_deallocate(row.completion.operation))?;
    columns.long(|row| row.completion.offset)?;
    columns.long(|row| row.completion.bytes)?;
    columns.long(|row| row.completion.arrived.0)?;
    columns.long(|row| row.completion.due.0)?;
    columns.long(|row| row.lag.0)?;
    columns.long(|row| row.completion.breakdown.queue.0)?;
    columns.long(|row| row.completion.breakdown.cleaning.0)?;
    columns.long(|row| row.completion.breakdown.room.0)?;
    columns.long(|row| row.completion.breakdown.merge.0)?;
    columns.long(|row| row.completion.breakdown.destage.0)?;
    columns.long(|row| row.completion.breakdown.seek.0)?;
    columns.long(|row| row.completion.breakdown.rotation.0)?;
    columns.long(|row| row.completion.breakdown.transfer.0)?;
    columns.long(|row| row.completion.breakdown.out_of_band.0)?;
    columns.long(|row| row.completion.breakdown.overhead.0)?;
    columns.long(|row| row.completion.breakdown.stalled.0)?;
    columns.long(|row| row.completion.breakdown.slowed.0)?;
    columns.perhaps(|row| cleaned(&row.completion))?;
    columns.text(|row| row.completion.cause())?;
    columns.end()
}

/// The band whose cleaning took longest of what a request waited for.
fn cleaned(completion: &Completion) -> Option<u64> {
    let parts = &completion.breakdown;
    let bands = if parts.room >= parts.cleaning {
        completion.room_by.or(completion.behind)
    } else {
        completion.behind.or(completion.room_by)
    };
    bands.map(|bands| u64::from(bands.longest.0))
}

fn may_deallocate(operation: Operation) -> bool {
    matches!(
        operation,
        Operation::WriteZeroes {
            may_deallocate: true,
            ..
        }
    )
}

/// A recording read back, in the order in which the drive was given the requests.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Recording {
    /// Its name, shown to people.
    pub name: String,
    /// The profile of the drive, as TOML.
    pub profile: Option<String>,
    /// Whether the drive was new when it began.
    pub began_new: bool,
    /// The requests.
    pub requests: Vec<Recorded>,
}

/// A request of a recording.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Recorded {
    /// Its number there.
    pub number: u64,
    /// What was asked.
    pub wanted: Wanted,
    /// When it arrived.
    pub arrived: Instant,
    /// When its answer was due.
    pub due: Instant,
    /// How much later than that it was given.
    pub lag: Duration,
}

impl Recording {
    /// Reads the recording at `path`; all of it is in memory then ([`Playback`] needs less).
    pub fn read(path: &Path) -> Result<Recording, RecordingError> {
        let playback = Playback::open(path)?;
        Ok(Recording {
            name: path.display().to_string(),
            requests: playback.all()?,
            began_new: playback.began_new,
            profile: playback.profile,
        })
    }
}

/// What the recording at `path` says it holds, if it says that.
///
/// # Errors
/// If there is no complete recording.
pub fn held(path: &Path) -> Result<Option<Held>, RecordingError> {
    let reader = column::reader(path)?;
    let about = reader.metadata().file_metadata().key_value_metadata();
    let found = about.and_then(|all| all.iter().find(|pair| pair.key == HELD));
    let text = found.and_then(|pair| pair.value.as_deref());
    Ok(text.and_then(|text| serde_json::from_str(text).ok()))
}
