//! Owns the way from a file of requests back to requests, in the order in which the drive was given
//! them and in bounded memory.
//!
//! Rows stand in the order of answers. A first look at the numbers alone tells, for each stretch of
//! rows, the lowest number that comes later: what is below it can be handed on. A second look checks
//! every row, so that nothing is found wrong in the middle of a run.

use std::collections::BTreeMap;
use std::fs::File;
use std::path::{Path, PathBuf};

use parquet::data_type::{BoolType, ByteArray, ByteArrayType, Int64Type};
use parquet::errors::ParquetError;
use parquet::file::reader::{FileReader, SerializedFileReader};

use super::column::{Column, not_one, reader};
use super::recording::{BEGAN, NEW, PROFILE, Recorded, RecordingError, TOOK, Took};
use super::recording_row::Raw;
use crate::time::Instant;

/// A recording that was looked through and makes sense.
#[derive(Debug)]
pub struct Playback {
    path: PathBuf,
    /// The lowest number of all stretches after each.
    later: Vec<u64>,
    /// The profile of the drive, as TOML.
    pub profile: Option<String>,
    /// Whether the drive was new when it began.
    pub began_new: bool,
    /// How it was then, as the recording says; nothing where it does not.
    pub began: Option<String>,
    /// What it knows of how long requests took.
    pub took: Took,
    /// Requests in it.
    pub requests: u64,
    /// One past the last byte that is asked for.
    pub end_bytes: u64,
}

impl Playback {
    /// Looks through the recording at `path`.
    ///
    /// # Errors
    /// If it cannot be read, is not a recording, or a row makes no sense.
    pub fn open(path: &Path) -> Result<Playback, RecordingError> {
        let reader = reader(path)?;
        let about = |key: &str| {
            let all = reader.metadata().file_metadata().key_value_metadata();
            let found = all?.iter().find(|pair| pair.key == key)?;
            found.value.clone()
        };
        let mut playback = Playback {
            path: path.to_owned(),
            later: lowest_later(&reader).map_err(|source| not_one(path, source))?,
            profile: about(PROFILE),
            began_new: about(BEGAN).is_some_and(|began| began == NEW),
            began: about(BEGAN),
            took: Took::of(about(TOOK).as_deref()),
            requests: 0,
            end_bytes: 0,
        };
        let (mut requests, mut end_bytes) = (0, 0);
        for request in playback.read()? {
            let wanted = request?.wanted;
            requests += 1;
            end_bytes = end_bytes.max(wanted.offset + wanted.bytes);
        }
        (playback.requests, playback.end_bytes) = (requests, end_bytes);
        Ok(playback)
    }

    /// Its name, shown to people.
    pub fn name(&self) -> String {
        self.path.display().to_string()
    }

    /// All of its requests, in memory.
    ///
    /// # Errors
    /// If the file changed since it was looked through.
    pub fn all(&self) -> Result<Vec<Recorded>, RecordingError> {
        self.read()?.collect()
    }

    /// Its requests, in the order of their numbers.
    ///
    /// # Errors
    /// If the file cannot be opened any more.
    pub fn read(&self) -> Result<Requests<'_>, RecordingError> {
        Ok(Requests {
            path: &self.path,
            later: &self.later,
            reader: reader(&self.path)?,
            groups: 0,
            columns: None,
            stretches: 0,
            held: BTreeMap::new(),
            below: 0,
            last: None,
        })
    }
}

/// For each stretch the lowest number of those after it.
fn lowest_later(reader: &SerializedFileReader<File>) -> Result<Vec<u64>, ParquetError> {
    let mut lowest = Vec::new();
    for group in 0..reader.num_row_groups() {
        let mut numbers = Column::<Int64Type>::of(reader, group, "request")?;
        while numbers.next()? > 0 {
            let least = numbers.values.iter().min().copied().unwrap_or(0);
            lowest.push(u64::try_from(least).unwrap_or(0));
        }
    }
    let mut later = vec![u64::MAX; lowest.len()];
    for at in (1..lowest.len()).rev() {
        later[at - 1] = later[at].min(lowest[at]);
    }
    Ok(later)
}

/// Requests of a recording. Ends after an error.
pub struct Requests<'p> {
    path: &'p Path,
    later: &'p [u64],
    reader: SerializedFileReader<File>,
    /// Groups of rows that were begun.
    groups: usize,
    columns: Option<Columns>,
    /// Stretches that were read.
    stretches: usize,
    /// By number.
    held: BTreeMap<u64, Recorded>,
    /// What has a lower number can be handed on.
    below: u64,
    last: Option<(u64, Instant)>,
}

impl Iterator for Requests<'_> {
    type Item = Result<Recorded, RecordingError>;

    fn next(&mut self) -> Option<Self::Item> {
        loop {
            if let Some(first) = self.held.first_entry()
                && *first.key() < self.below
            {
                let request = first.remove();
                let fault = self.out_of_order(&request);
                return Some(fault.map_or(Ok(request), Err));
            }
            match self.read_stretch() {
                Ok(true) => {}
                Ok(false) => return None,
                Err(error) => {
                    self.groups = usize::MAX;
                    self.columns = None;
                    self.held.clear();
                    return Some(Err(error));
                }
            }
        }
    }
}

impl Requests<'_> {
    /// Nobody arrives before one with a lower number.
    fn out_of_order(&mut self, request: &Recorded) -> Option<RecordingError> {
        let last = self.last.replace((request.number, request.arrived));
        let (before, arrived) = last?;
        let what = format!("it arrives before request {before}, which was there earlier");
        (arrived > request.arrived).then(|| self.row(request.number, what))
    }

    fn row(&self, request: u64, what: String) -> RecordingError {
        RecordingError::Row {
            path: self.path.to_owned(),
            request,
            what,
        }
    }

    /// Whether there was one more.
    fn read_stretch(&mut self) -> Result<bool, RecordingError> {
        let not_one = |source| not_one(self.path, source);
        loop {
            if let Some(columns) = &mut self.columns {
                if columns.next().map_err(not_one)? {
                    break;
                }
                self.columns = None;
            }
            if self.groups >= self.reader.num_row_groups() {
                return Ok(false);
            }
            let columns = Columns::of(&self.reader, self.groups).map_err(not_one)?;
            self.columns = Some(columns);
            self.groups += 1;
        }
        let columns = self.columns.take().expect("a stretch of it was just read");
        for at in 0..columns.request.values.len() {
            let raw = columns.raw(at).map_err(not_one)?;
            let recorded = raw.check().map_err(|what| self.row(raw.number, what))?;
            let number = recorded.number;
            // One that was handed on already is there twice as well.
            let known = self.last.is_some_and(|(last, _)| number <= last);
            if known || self.held.insert(number, recorded).is_some() {
                return Err(self.row(number, "its number occurs twice".to_owned()));
            }
        }
        self.columns = Some(columns);
        let below = self.later.get(self.stretches).copied();
        self.below = below.unwrap_or(u64::MAX);
        self.stretches += 1;
        Ok(true)
    }
}

/// What a replay reads of a group of rows.
struct Columns {
    request: Column<Int64Type>,
    operation: Column<ByteArrayType>,
    fua: Column<BoolType>,
    may_deallocate: Column<BoolType>,
    numbers: [Column<Int64Type>; 5],
}

impl Columns {
    fn of(file: &SerializedFileReader<File>, group: usize) -> Result<Columns, ParquetError> {
        let long = |name| Column::of(file, group, name);
        Ok(Columns {
            request: long("request")?,
            operation: Column::of(file, group, "operation")?,
            fua: Column::of(file, group, "fua")?,
            may_deallocate: Column::of(file, group, "may_deallocate")?,
            numbers: [
                long("offset")?,
                long("bytes")?,
                long("arrived_ns")?,
                long("due_ns")?,
                long("lag_ns")?,
            ],
        })
    }

    /// Whether there was a stretch.
    fn next(&mut self) -> Result<bool, ParquetError> {
        let rows = self.request.next()?;
        let mut same = self.operation.next()? == rows;
        same &= self.fua.next()? == rows && self.may_deallocate.next()? == rows;
        for column in &mut self.numbers {
            same &= column.next()? == rows;
        }
        if same {
            Ok(rows > 0)
        } else {
            let what = "columns of different length".to_owned();
            Err(ParquetError::General(what))
        }
    }

    fn raw(&self, at: usize) -> Result<Raw<'_>, ParquetError> {
        let word: &ByteArray = &self.operation.values[at];
        Ok(Raw {
            number: u64::try_from(self.request.values[at]).unwrap_or(0),
            operation: word.as_utf8()?,
            fua: self.fua.values[at],
            may_deallocate: self.may_deallocate.values[at],
            numbers: [0, 1, 2, 3, 4].map(|column: usize| self.numbers[column].values[at]),
        })
    }
}
