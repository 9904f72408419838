//! Owns an answer with the parts of its time, from a run under way or a recording.
//!
//! Always holds: the parts add up to the moment of the answer less that of the request, unless it is of a
//! recording that does not know them; then they are 0.

use std::path::Path;

use parquet::data_type::{BoolType, ByteArrayType, Int64Type};
use parquet::errors::ParquetError;
use parquet::file::reader::FileReader;

use crate::drive::request::Operation;
use crate::host::recorder::Answered;
use crate::lab::column::{Column, not_one, reader};
use crate::lab::recording::{Recorded, RecordingError, Took};
use crate::lab::recording_row::Raw;
use crate::time::Duration;

/// Parts of a breakdown: the columns of a recording without `_ns`.
pub const PARTS: [&str; 12] = [
    "queue",
    "cleaning",
    "room",
    "merge",
    "destage",
    "seek",
    "rotation",
    "transfer",
    "out_of_band",
    "overhead",
    "stalled",
    "slowed",
];

/// A request and how it was answered.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Answer {
    /// What was asked.
    pub operation: Operation,
    /// First byte; nothing for a flush.
    pub offset: Option<u64>,
    /// Bytes that it is about.
    pub bytes: u64,
    /// When it came, in nanoseconds.
    pub arrived_ns: u64,
    /// When the drive was done.
    pub due_ns: u64,
    /// How much later than that the machine answered.
    pub lag: Duration,
    /// Nanoseconds of each part, in the order of [`PARTS`].
    pub parts: [u64; 12],
}

impl Answer {
    /// How long the drive took, in nanoseconds.
    pub fn took_ns(&self) -> u64 {
        self.due_ns - self.arrived_ns
    }

    /// Bytes that the host read or wrote, as the account and `blame` count them: a zeroing writes what it
    /// is about, a discard nothing.
    pub fn host_bytes(&self) -> u64 {
        match self.operation {
            Operation::Read | Operation::Write { .. } | Operation::WriteZeroes { .. } => self.bytes,
            Operation::Flush | Operation::Trim => 0,
        }
    }

    fn of(recorded: &Recorded, parts: [u64; 12]) -> Answer {
        let wanted = &recorded.wanted;
        Answer {
            operation: wanted.operation,
            offset: (wanted.bytes > 0).then_some(wanted.offset),
            bytes: wanted.bytes,
            arrived_ns: recorded.arrived.0,
            due_ns: recorded.due.0,
            lag: recorded.lag,
            parts,
        }
    }
}

impl From<&Answered> for Answer {
    fn from(answered: &Answered) -> Answer {
        let completion = &answered.completion;
        let parts = &completion.breakdown;
        Answer {
            operation: completion.operation,
            offset: (completion.bytes > 0).then_some(completion.offset),
            bytes: completion.bytes,
            arrived_ns: completion.arrived.0,
            due_ns: completion.due.0,
            lag: answered.lag,
            parts: [
                parts.queue.0,
                parts.cleaning.0,
                parts.room.0,
                parts.merge.0,
                parts.destage.0,
                parts.seek.0,
                parts.rotation.0,
                parts.transfer.0,
                parts.out_of_band.0,
                parts.overhead.0,
                parts.stalled.0,
                parts.slowed.0,
            ],
        }
    }
}

/// Reads the answers of a recording in the order in which they were given. `took`: what it knows of their
/// times.
///
/// # Errors
/// If it cannot be read, or a row makes no sense.
pub fn read(path: &Path, took: Took, mut each: impl FnMut(&Answer)) -> Result<(), RecordingError> {
    let file = reader(path)?;
    for group in 0..file.num_row_groups() {
        let mut columns = Columns::of(&file, group).map_err(|source| not_one(path, source))?;
        while columns.next().map_err(|source| not_one(path, source))? {
            for at in 0..columns.request.values.len() {
                let raw = columns.raw(at).map_err(|source| not_one(path, source))?;
                let checked = raw.check().and_then(|recorded| {
                    let whole = recorded.due.since(recorded.arrived);
                    let parts = match took {
                        Took::Parts => columns.parts(at, whole)?,
                        Took::Whole | Took::Unknown => [0; PARTS.len()],
                    };
                    Ok(Answer::of(&recorded, parts))
                });
                let answer = checked.map_err(|what| RecordingError::Row {
                    path: path.to_owned(),
                    request: raw.number,
                    what,
                })?;
                each(&answer);
            }
        }
    }
    Ok(())
}

struct Columns {
    request: Column<Int64Type>,
    operation: Column<ByteArrayType>,
    fua: Column<BoolType>,
    may_deallocate: Column<BoolType>,
    numbers: Vec<Column<Int64Type>>,
    parts: Vec<Column<Int64Type>>,
}

type File = parquet::file::reader::SerializedFileReader<std::fs::File>;

impl Columns {
    fn of(file: &File, group: usize) -> Result<Columns, ParquetError> {
        let long = |name: &str| Column::of(file, group, name);
        let numbers = ["offset", "bytes", "arrived_ns", "due_ns", "lag_ns"];
        Ok(Columns {
            request: long("request")?,
            operation: Column::of(file, group, "operation")?,
            fua: Column::of(file, group, "fua")?,
            may_deallocate: Column::of(file, group, "may_deallocate")?,
            numbers: numbers.into_iter().map(long).collect::<Result<_, _>>()?,
            parts: PARTS
                .into_iter()
                .map(|part| long(&format!("{part}_ns")))
                .collect::<Result<_, _>>()?,
        })
    }

    /// Whether there was a stretch.
    fn next(&mut self) -> Result<bool, ParquetError> {
        let rows = self.request.next()?;
        let mut same = self.operation.next()? == rows;
        same &= self.fua.next()? == rows && self.may_deallocate.next()? == rows;
        for column in self.numbers.iter_mut().chain(&mut self.parts) {
            same &= column.next()? == rows;
        }
        if same {
            return Ok(rows > 0);
        }
        let what = "columns of different length".to_owned();
        Err(ParquetError::General(what))
    }

    fn raw(&self, at: usize) -> Result<Raw<'_>, ParquetError> {
        Ok(Raw {
            number: u64::try_from(self.request.values[at]).unwrap_or(0),
            operation: self.operation.values[at].as_utf8()?,
            fua: self.fua.values[at],
            may_deallocate: self.may_deallocate.values[at],
            numbers: std::array::from_fn(|column| self.numbers[column].values[at]),
        })
    }

    /// The parts of a time that took `whole`.
    fn parts(&self, at: usize, whole: Duration) -> Result<[u64; 12], String> {
        let parts: [Option<u64>; 12] =
            std::array::from_fn(|part| u64::try_from(self.parts[part].values[at]).ok());
        let sum = parts
            .iter()
            .try_fold(0_u64, |sum, part| sum.checked_add((*part)?));
        if sum != Some(whole.0) {
            return Err(format!(
                "the parts of its time do not add up to the {} ns that it took",
                whole.0
            ));
        }
        Ok(parts.map(|part| part.unwrap_or(0)))
    }
}
