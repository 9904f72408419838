//! Owns the way through the rows of a Parquet file, a stretch at a time: memory does not grow with it.
//!
//! Columns are found by name; numbers are whole, not below zero and within bounds, or the row is
//! refused. It does not know what the columns mean.

use std::fs::File;
use std::path::{Path, PathBuf};

use parquet::basic::Type;
use parquet::data_type::{ByteArrayType, Int32Type, Int64Type};
use parquet::errors::ParquetError;
use parquet::file::reader::{FileReader, SerializedFileReader};

use crate::lab::column::Column as Stretch;
use crate::report::error::ReportError;

/// Numbers stay below this: half of 2^63 ns are 146 years.
const NUMBER_END: u64 = 1 << 62;

/// A Parquet file that is open.
pub(in crate::report) struct Rows {
    path: PathBuf,
    kind: &'static str,
    file: SerializedFileReader<File>,
}

/// One row of the columns that were asked for.
pub(in crate::report) struct Row<'r> {
    columns: &'r [Column],
    at: usize,
}

impl Row<'_> {
    /// The number in a column, by its place in what was asked for.
    pub(in crate::report) fn number(&self, column: usize) -> Result<u64, String> {
        let column = &self.columns[column];
        let value = match &column.values {
            Values::Long(long) => long.values[self.at],
            Values::Short(short) => i64::from(short.values[self.at]),
            Values::Text(_) => return Err(format!("{} is text, not a number", column.name)),
        };
        match u64::try_from(value) {
            Ok(number) if number < NUMBER_END => Ok(number),
            _ => Err(format!(
                "{} is {value}, which is below 0 or beyond all bounds",
                column.name
            )),
        }
    }

    /// The text in a column.
    pub(in crate::report) fn text(&self, column: usize) -> Result<&str, String> {
        let column = &self.columns[column];
        match &column.values {
            Values::Text(text) => {
                let read = text.values[self.at].as_utf8();
                read.map_err(|_| format!("{} is no text", column.name))
            }
            Values::Long(_) | Values::Short(_) => Err(format!("{} is no text", column.name)),
        }
    }
}

impl Rows {
    /// Opens a file that is taken for `kind`.
    pub(in crate::report) fn open(path: &Path, kind: &'static str) -> Result<Rows, ReportError> {
        let file = File::open(path).map_err(|source| ReportError::Read {
            path: path.to_owned(),
            source,
        })?;
        let opened = SerializedFileReader::new(file);
        Ok(Rows {
            path: path.to_owned(),
            kind,
            file: opened.map_err(|source| ReportError::Columns {
                path: path.to_owned(),
                kind,
                source,
            })?,
        })
    }

    /// The same file, taken for `kind`.
    pub(in crate::report) fn taken_for(self, kind: &'static str) -> Rows {
        Rows { kind, ..self }
    }

    /// Where it lies.
    pub(in crate::report) fn path(&self) -> &Path {
        &self.path
    }

    /// Whether it has a column.
    pub(in crate::report) fn has(&self, name: &str) -> bool {
        let schema = self.file.metadata().file_metadata().schema_descr();
        let mut columns = schema.columns().iter();
        columns.any(|column| column.path().string() == name)
    }

    /// What it says about itself under `key`.
    pub(in crate::report) fn about(&self, key: &str) -> Option<String> {
        let all = self.file.metadata().file_metadata().key_value_metadata();
        let found = all?.iter().find(|pair| pair.key == key)?;
        found.value.clone()
    }

    /// Hands every row of the columns `names` to `take`, whose complaint names the row.
    pub(in crate::report) fn each(
        &self,
        names: &[&'static str],
        mut take: impl FnMut(&Row<'_>) -> Result<(), String>,
    ) -> Result<(), ReportError> {
        let broken = |source| ReportError::Columns {
            path: self.path.clone(),
            kind: self.kind,
            source,
        };
        let mut row = 0;
        for group in 0..self.file.num_row_groups() {
            let columns = names.iter().map(|name| Column::of(&self.file, group, name));
            let mut columns: Vec<Column> = columns.collect::<Result<_, _>>().map_err(broken)?;
            loop {
                let rows = next(&mut columns).map_err(broken)?;
                if rows == 0 {
                    break;
                }
                for at in 0..rows {
                    row += 1;
                    let taken = take(&Row {
                        columns: &columns,
                        at,
                    });
                    taken.map_err(|what| ReportError::Row {
                        path: self.path.clone(),
                        row,
                        what,
                    })?;
                }
            }
        }
        Ok(())
    }
}

/// Reads the next stretch of all columns; hands back how many rows it has.
fn next(columns: &mut [Column]) -> Result<usize, ParquetError> {
    let mut rows = None;
    for column in columns {
        let read = column.next()?;
        if *rows.get_or_insert(read) != read {
            let what = format!("column {} is shorter or longer than others", column.name);
            return Err(ParquetError::General(what));
        }
    }
    Ok(rows.unwrap_or(0))
}

struct Column {
    name: &'static str,
    values: Values,
}

/// The values of a stretch, by what the file holds.
enum Values {
    Long(Stretch<Int64Type>),
    Short(Stretch<Int32Type>),
    Text(Stretch<ByteArrayType>),
}

impl Column {
    fn of(
        file: &SerializedFileReader<File>,
        group: usize,
        name: &'static str,
    ) -> Result<Column, ParquetError> {
        let group = file.get_row_group(group)?;
        let columns = group.metadata().schema_descr().columns();
        let found = columns.iter().position(|column| {
            let required = column.max_def_level() == 0 && column.max_rep_level() == 0;
            required && column.path().string() == name
        });
        let missing = || ParquetError::General(format!("no column {name} of the type it has"));
        let at = found.ok_or_else(missing)?;
        let reader = group.get_column_reader(at)?;
        let values = match columns[at].physical_type() {
            Type::INT64 => Stretch::read_by(reader).map(Values::Long),
            Type::INT32 => Stretch::read_by(reader).map(Values::Short),
            Type::BYTE_ARRAY => Stretch::read_by(reader).map(Values::Text),
            _ => None,
        };
        Ok(Column {
            name,
            values: values.ok_or_else(missing)?,
        })
    }

    fn next(&mut self) -> Result<usize, ParquetError> {
        match &mut self.values {
            Values::Long(stretch) => stretch.next(),
            Values::Short(stretch) => stretch.next(),
            Values::Text(stretch) => stretch.next(),
        }
    }
}
