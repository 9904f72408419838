//! Owns the file of events: every job of the arm, in compressed columns (Parquet).
//!
//! One row for each purpose of each job, in order of time; the columns are described in
//! `docs/events.md`. Same records, same bytes. Memory holds one group of rows.

use std::io::Write;
use std::sync::Arc;

use parquet::basic::{Compression, ZstdLevel};
use parquet::data_type::{ByteArray, ByteArrayType, Int32Type, Int64Type};
use parquet::errors::ParquetError;
use parquet::file::properties::WriterProperties;
use parquet::file::writer::{SerializedFileWriter, SerializedRowGroupWriter};
use parquet::schema::parser::parse_message_type;

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
        let about = about.iter().map(|(key, value)| {
            parquet::file::metadata::KeyValue::new((*key).to_owned(), value.clone())
        });
        let properties = WriterProperties::builder()
            .set_compression(Compression::ZSTD(ZstdLevel::default()))
            .set_created_by(format!("imbrex version {}", env!("CARGO_PKG_VERSION")))
            .set_key_value_metadata(Some(about.collect()))
            .build();
        let schema = Arc::new(parse_message_type(SCHEMA)?);
        Ok(EventWriter {
            file: SerializedFileWriter::new(to, schema, Arc::new(properties))?,
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
        let mut columns = Columns(self.file.next_row_group()?);
        let rows = &self.rows;
        columns.long(rows, |row| row.job.0)?;
        columns.long(rows, |row| row.start.0)?;
        columns.long(rows, |row| row.duration.0)?;
        columns.words(rows, |row| row.purpose.word())?;
        columns.long(rows, |row| row.bytes)?;
        columns.short(rows, |row| row.cylinder)?;
        columns.short(rows, |row| row.surface)?;
        columns.perhaps(rows, |row| row.band.map(|band| band.0))?;
        columns.perhaps(rows, |row| row.cleaning.map(|band| band.0))?;
        columns.long(rows, |row| row.staging_slots_used)?;
        columns.long(rows, |row| row.dirty_bands)?;
        columns.0.close()?;
        self.rows.clear();
        Ok(())
    }
}

/// The columns of a group, written one after the other in the order of the schema.
struct Columns<'a, W: Write + Send>(SerializedRowGroupWriter<'a, W>);

impl<W: Write + Send> Columns<'_, W> {
    fn long(&mut self, rows: &[JobRecord], of: fn(&JobRecord) -> u64) -> Result<(), EventError> {
        let values: Vec<i64> = rows.iter().map(|row| signed(of(row))).collect();
        self.write::<Int64Type>(&values, None)
    }

    fn short(&mut self, rows: &[JobRecord], of: fn(&JobRecord) -> u32) -> Result<(), EventError> {
        // The profile's limits keep both far below 2^31.
        let narrow = |value| i32::try_from(value).unwrap_or(i32::MAX);
        let values: Vec<i32> = rows.iter().map(|row| narrow(of(row))).collect();
        self.write::<Int32Type>(&values, None)
    }

    fn perhaps(
        &mut self,
        rows: &[JobRecord],
        of: fn(&JobRecord) -> Option<u32>,
    ) -> Result<(), EventError> {
        let there: Vec<i16> = rows
            .iter()
            .map(|row| i16::from(of(row).is_some()))
            .collect();
        let values: Vec<i64> = rows.iter().filter_map(of).map(i64::from).collect();
        self.write::<Int64Type>(&values, Some(&there))
    }

    fn words(
        &mut self,
        rows: &[JobRecord],
        of: fn(&JobRecord) -> &'static str,
    ) -> Result<(), EventError> {
        let values: Vec<ByteArray> = rows.iter().map(|row| ByteArray::from(of(row))).collect();
        self.write::<ByteArrayType>(&values, None)
    }

    fn write<T: parquet::data_type::DataType>(
        &mut self,
        values: &[T::T],
        there: Option<&[i16]>,
    ) -> Result<(), EventError> {
        let column = self.0.next_column()?;
        let mut column = column.expect("the schema has as many columns as are written");
        column.typed::<T>().write_batch(values, there, None)?;
        column.close()?;
        Ok(())
    }
}

/// Times and counts of a run stay below 2^63.
fn signed(value: u64) -> i64 {
    i64::try_from(value).unwrap_or(i64::MAX)
}
