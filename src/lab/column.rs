//! Owns how single columns of a file of requests are read, in stretches of bounded length.
//!
//! Always holds: a column that is read is there, has the type that is asked for and no gaps. What it
//! means is not known here.

use std::fs::File;
use std::path::Path;

use parquet::column::reader::{ColumnReader, ColumnReaderImpl};
use parquet::data_type::DataType;
use parquet::errors::ParquetError;
use parquet::file::reader::{FileReader, SerializedFileReader};

use super::recording::RecordingError;

/// Rows of a stretch.
const STRETCH: usize = 1 << 13;

/// Opens a file of columns.
pub(super) fn reader(path: &Path) -> Result<SerializedFileReader<File>, RecordingError> {
    let file = File::open(path).map_err(|source| RecordingError::Open {
        path: path.to_owned(),
        source,
    })?;
    SerializedFileReader::new(file).map_err(|source| not_one(path, source))
}

/// The error of a file that is no recording.
pub(super) fn not_one(path: &Path, source: ParquetError) -> RecordingError {
    RecordingError::NotOne {
        path: path.to_owned(),
        source,
    }
}

/// A column of a group of rows, and the values of a stretch.
pub(crate) struct Column<T: DataType> {
    reader: ColumnReaderImpl<T>,
    pub(crate) values: Vec<T::T>,
}

impl<T: DataType> Column<T> {
    pub(super) fn of(
        file: &SerializedFileReader<File>,
        group: usize,
        name: &str,
    ) -> Result<Column<T>, ParquetError> {
        let group = file.get_row_group(group)?;
        let columns = group.metadata().schema_descr().columns();
        let found = columns.iter().position(|column| {
            let required = column.max_def_level() == 0 && column.max_rep_level() == 0;
            required && column.path().string() == name
        });
        let missing = || ParquetError::General(format!("no column {name} of the type it has"));
        let column = group.get_column_reader(found.ok_or_else(missing)?)?;
        Column::read_by(column).ok_or_else(missing)
    }

    /// The column that `reader` reads, if it is of this type.
    pub(crate) fn read_by(reader: ColumnReader) -> Option<Column<T>> {
        Some(Column {
            reader: T::get_column_reader(reader)?,
            values: Vec::new(),
        })
    }

    /// Reads the next stretch; hands back how many rows it has.
    pub(crate) fn next(&mut self) -> Result<usize, ParquetError> {
        self.values.clear();
        let mut rows = 0;
        // A call ends where a page does.
        while rows < STRETCH {
            let left = STRETCH - rows;
            let (read, _, _) = self
                .reader
                .read_records(left, None, None, &mut self.values)?;
            if read == 0 {
                break;
            }
            rows += read;
        }
        Ok(rows)
    }
}
