//! Owns the file of events: every job of the arm, in compressed columns (Parquet).
//!
//! One row for each purpose of each job, in order of time; the columns are described in
//! `docs/events.md`. Same records, same bytes. Memory holds one group of rows.

use std::io::Write;

use parquet::errors::ParquetError;
use parquet::file::writer::SerializedFileWriter;

use super::columns::{self, Columns};
use crate::drive::job_record::JobRecord;

/// Rows of a group.
const GROUP_ROWS: usize = 1 << 17;

const SCHEMA: &str = "message jobs {
    REQUIRED INT64 job;
    REQUIRED INT64 start_ns;
    REQUIRED INT64 duration_ns;
    REQUIRED BYTE_ARRAY purpose (UTF8);
    REQUIRED INT64 bytes;
    REQUIRED INT32 cylinder;
    REQUIRED INT32 surface;
    OPTIONAL INT64 band;
    OPTIONAL INT64 cleaning_home_band;
    REQUIRED INT64 staging_slots_used;
    REQUIRED INT64 dirty_bands;
}";

/// The file of events cannot be written.
#[derive(Debug, thiserror::Error)]
#[error("cannot write the file of events")]
pub struct EventError(#[from] ParquetError);

/// Writes a file of events.
pub struct EventWriter<W: Write + Send> {
    file: SerializedFileWriter<W>,
    rows: Vec<JobRecord>,
}

impl<W: Write + Send> EventWriter<W> {
    /// A file of events that goes to `to`. `about`: what was run, kept in the file.
    pub fn new(to: W, about: &[(&str, String)]) -> Result<EventWriter<W>, EventError> {
        Ok(EventWriter {
            file: columns::begin(to, SCHEMA, about)?,
            rows: Vec::new(),
        })
    }

    /// Takes records, in order, and empties the list.
    pub fn take(&mut self, records: &mut Vec<JobRecord>) -> Result<(), EventError> {
        self.rows.append(records);
        if self.rows.len() >= GROUP_ROWS {
            self.write_group()?;
        }
        Ok(())
    }

    /// Writes what is left, and the end of the file.
    pub fn finish(mut self) -> Result<(), EventError> {
        if !self.rows.is_empty() {
            self.write_group()?;
        }
        self.file.close()?;
        Ok(())
    }

    fn write_group(&mut self) -> Result<(), EventError> {
        let mut columns = Columns::begin(&mut self.file, &self.rows)?;
        columns.long(|row| row.job.0)?;
        columns.long(|row| row.start.0)?;
        columns.long(|row| row.duration.0)?;
        columns.text(|row| row.purpose.word())?;
        columns.long(|row| row.bytes)?;
        columns.short(|row| row.cylinder)?;
        columns.short(|row| row.surface)?;
        columns.perhaps(|row| row.band.map(|band| u64::from(band.0)))?;
        columns.perhaps(|row| row.cleaning.map(|band| u64::from(band.0)))?;
        columns.long(|row| row.staging_slots_used)?;
        columns.long(|row| row.dirty_bands)?;
        columns.end()?;
        self.rows.clear();
        Ok(())
    }
}
