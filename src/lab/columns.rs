//! Owns how rows become compressed columns of a Parquet file, and a file's own words about itself.
//!
//! Same rows, same bytes. It does not know what the columns mean.

use std::io::Write;
use std::sync::Arc;

use parquet::basic::{Compression, ZstdLevel};
use parquet::data_type::{BoolType, ByteArray, ByteArrayType, DataType, Int32Type, Int64Type};
use parquet::errors::ParquetError;
use parquet::file::metadata::KeyValue;
use parquet::file::properties::WriterProperties;
use parquet::file::writer::{SerializedFileWriter, SerializedRowGroupWriter};
use parquet::schema::parser::parse_message_type;

/// Begins a file of `schema` that goes to `to`. `about`: what is kept in the file about it.
pub(super) fn begin<W: Write + Send>(
    to: W,
    schema: &str,
    about: &[(&str, String)],
) -> Result<SerializedFileWriter<W>, ParquetError> {
    let about = about
        .iter()
        .map(|(key, value)| KeyValue::new((*key).to_owned(), value.clone()));
    let properties = WriterProperties::builder()
        .set_compression(Compression::ZSTD(ZstdLevel::default()))
        .set_created_by(format!("imbrex version {}", env!("CARGO_PKG_VERSION")))
        .set_key_value_metadata(Some(about.collect()))
        .build();
    let schema = Arc::new(parse_message_type(schema)?);
    SerializedFileWriter::new(to, schema, Arc::new(properties))
}

/// The columns of a group of rows, written one after the other in the order of the schema.
pub(super) struct Columns<'a, W: Write + Send, R> {
    group: SerializedRowGroupWriter<'a, W>,
    rows: &'a [R],
}

impl<'a, W: Write + Send, R> Columns<'a, W, R> {
    pub(super) fn begin(
        file: &'a mut SerializedFileWriter<W>,
        rows: &'a [R],
    ) -> Result<Columns<'a, W, R>, ParquetError> {
        let group = file.next_row_group()?;
        Ok(Columns { group, rows })
    }

    pub(super) fn long(&mut self, of: impl Fn(&R) -> u64) -> Result<(), ParquetError> {
        let values: Vec<i64> = self.rows.iter().map(|row| signed(of(row))).collect();
        self.write::<Int64Type>(&values, None)
    }

    pub(super) fn short(&mut self, of: impl Fn(&R) -> u32) -> Result<(), ParquetError> {
        // The profile's limits keep whatever is asked for here far below 2^31.
        let narrow = |value| i32::try_from(value).unwrap_or(i32::MAX);
        let values: Vec<i32> = self.rows.iter().map(|row| narrow(of(row))).collect();
        self.write::<Int32Type>(&values, None)
    }

    pub(super) fn perhaps(&mut self, of: impl Fn(&R) -> Option<u64>) -> Result<(), ParquetError> {
        let there: Vec<i16> = self
            .rows
            .iter()
            .map(|row| i16::from(of(row).is_some()))
            .collect();
        let values: Vec<i64> = self.rows.iter().filter_map(of).map(signed).collect();
        self.write::<Int64Type>(&values, Some(&there))
    }

    pub(super) fn flag(&mut self, of: impl Fn(&R) -> bool) -> Result<(), ParquetError> {
        let values: Vec<bool> = self.rows.iter().map(of).collect();
        self.write::<BoolType>(&values, None)
    }

    pub(super) fn text<T: Into<String>>(
        &mut self,
        of: impl Fn(&R) -> T,
    ) -> Result<(), ParquetError> {
        let bytes = |row| ByteArray::from(of(row).into().into_bytes());
        let values: Vec<ByteArray> = self.rows.iter().map(bytes).collect();
        self.write::<ByteArrayType>(&values, None)
    }

    pub(super) fn end(self) -> Result<(), ParquetError> {
        self.group.close()?;
        Ok(())
    }

    fn write<T: DataType>(
        &mut self,
        values: &[T::T],
        there: Option<&[i16]>,
    ) -> Result<(), ParquetError> {
        let column = self.group.next_column()?;
        let mut column = column.expect("the schema has as many columns as are written");
        column.typed::<T>().write_batch(values, there, None)?;
        column.close()
    }
}

/// Times and counts of a run stay below 2^63.
fn signed(value: u64) -> i64 {
    i64::try_from(value).unwrap_or(i64::MAX)
}
