//! The table of readings as Apache Parquet, for any analytics engine. The dictionary travels in the file's metadata.

use std::sync::Arc;

use jiff::civil::Date;
use parquet::basic::{Compression, LogicalType, Repetition, TimeUnit, Type as Physical};
use parquet::data_type::{BoolType, ByteArray, ByteArrayType, DataType, DoubleType, Int32Type, Int64Type};
use parquet::errors::ParquetError;
use parquet::file::metadata::KeyValue;
use parquet::file::properties::WriterProperties;
use parquet::file::writer::{SerializedColumnWriter, SerializedFileWriter};
use parquet::schema::types::Type;

use super::{Cell, Column, Kind, Row, columns, dictionary};
use crate::error::{Error, ErrorKind, Result};

/// Parquet counts days from here.
const DAY_ZERO: Date = Date::constant(1970, 1, 1);

/// The table as a Parquet file of one row group, Snappy compressed; every column may be null.
///
/// # Errors
/// [`ErrorKind::Invalid`] when it cannot be written.
pub fn parquet(rows: &[Row<'_>], identity: bool) -> Result<Vec<u8>> {
    let dictionary = dictionary()?;
    write(rows, &columns(identity), dictionary)
        .map_err(|e| Error::new(ErrorKind::Invalid, "the table cannot be written as Parquet").found(e.to_string()))
}

fn write(rows: &[Row<'_>], columns: &[&'static Column], dictionary: String) -> std::result::Result<Vec<u8>, ParquetError> {
    let fields = columns.iter().map(|c| field(c).map(Arc::new)).collect::<std::result::Result<Vec<_>, _>>()?;
    let schema = Type::group_type_builder("readings").with_fields(fields).build()?;
    let properties = WriterProperties::builder()
        .set_compression(Compression::SNAPPY)
        .set_created_by(format!("{} {}", env!("CARGO_PKG_NAME"), env!("CARGO_PKG_VERSION")))
        .set_key_value_metadata(Some(vec![KeyValue::new("dictionary.csv".to_owned(), dictionary)]))
        .build();
    let mut writer = SerializedFileWriter::new(Vec::new(), Arc::new(schema), Arc::new(properties))?;
    let mut group = writer.next_row_group()?;
    for column in columns {
        let Some(mut out) = group.next_column()? else { break };
        let cells: Vec<Cell> = rows.iter().map(column.of).collect();
        match column.kind {
            Kind::Text => put::<ByteArrayType>(&mut out, &cells, |c| match c {
                Cell::Text(t) => Some(ByteArray::from(t.as_str())),
                _ => None,
            })?,
            Kind::Number => put::<DoubleType>(&mut out, &cells, |c| match c {
                Cell::Number(n) => Some(*n),
                _ => None,
            })?,
            Kind::Whole => put::<Int64Type>(&mut out, &cells, |c| match c {
                Cell::Whole(n) => Some(*n),
                _ => None,
            })?,
            Kind::Flag => put::<BoolType>(&mut out, &cells, |c| match c {
                Cell::Flag(f) => Some(*f),
                _ => None,
            })?,
            Kind::Day => put::<Int32Type>(&mut out, &cells, |c| match c {
                Cell::Day(d) => Some((*d - DAY_ZERO).get_days()),
                _ => None,
            })?,
            Kind::Moment => put::<Int64Type>(&mut out, &cells, |c| match c {
                Cell::Moment(t) => Some(t.as_microsecond()),
                _ => None,
            })?,
        }
        out.close()?;
    }
    group.close()?;
    writer.into_inner()
}

/// A column's type. Engines show the unit with the name, which carries it.
fn field(column: &Column) -> std::result::Result<Type, ParquetError> {
    let (physical, logical) = match column.kind {
        Kind::Text => (Physical::BYTE_ARRAY, Some(LogicalType::String)),
        Kind::Number => (Physical::DOUBLE, None),
        Kind::Whole => (Physical::INT64, None),
        Kind::Flag => (Physical::BOOLEAN, None),
        Kind::Day => (Physical::INT32, Some(LogicalType::Date)),
        Kind::Moment => (Physical::INT64, Some(LogicalType::timestamp(true, TimeUnit::MICROS))),
    };
    Type::primitive_type_builder(column.name, physical).with_repetition(Repetition::OPTIONAL).with_logical_type(logical).build()
}

/// Writes the values that are there; a definition level of 0 stands for one that is not.
fn put<T: DataType>(
    out: &mut SerializedColumnWriter<'_>,
    cells: &[Cell],
    value: impl Fn(&Cell) -> Option<T::T>,
) -> std::result::Result<(), ParquetError> {
    let values: Vec<Option<T::T>> = cells.iter().map(value).collect();
    let levels: Vec<i16> = values.iter().map(|v| i16::from(v.is_some())).collect();
    let there: Vec<T::T> = values.into_iter().flatten().collect();
    out.typed::<T>().write_batch(&there, Some(&levels), None)?;
    Ok(())
}
