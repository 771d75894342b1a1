//! A table as a Parquet file (Apache Parquet format specification), pages compressed
//! with Snappy.
//!
//! Numbers are DOUBLE, whole numbers INT64, text BYTE_ARRAY with the logical type
//! STRING; every column is optional, a list is a required LIST of three levels with
//! optional elements. The file's key-value metadata hold, under `spanhold.columns`, the
//! unit and the meaning of each column as JSON. The same table gives the same bytes.

use std::sync::Arc;

use parquet::basic::{Compression, LogicalType, Repetition, Type as PhysicalType};
use parquet::column::writer::ColumnWriter;
use parquet::data_type::ByteArray;
use parquet::errors::{ParquetError, Result};
use parquet::file::metadata::KeyValue;
use parquet::file::properties::WriterProperties;
use parquet::file::writer::SerializedFileWriter;
use parquet::schema::types::Type;
use serde_json::json;

use super::ExportError;
use super::table::{Column, Table, Values};

/// The bytes of a Parquet file with one row group, of a table without rows none.
///
/// # Errors
/// Where the columns do not make a table.
pub fn parquet(table: &Table) -> std::result::Result<Vec<u8>, ExportError> {
    write(table).map_err(|error| ExportError(error.to_string()))
}

fn write(table: &Table) -> Result<Vec<u8>> {
    let fields = table.columns.iter().map(field);
    let schema = Type::group_type_builder(table.name)
        .with_fields(fields.collect::<Result<_>>()?)
        .build()?;
    let columns: serde_json::Map<String, serde_json::Value> = table
        .columns
        .iter()
        .map(|column| {
            let said = json!({ "unit": column.unit, "meaning": column.meaning.trim() });
            (column.name.clone(), said)
        })
        .collect();
    let name = env!("CARGO_PKG_NAME");
    let properties = WriterProperties::builder()
        .set_compression(Compression::SNAPPY)
        .set_created_by(format!("{name} {}", env!("CARGO_PKG_VERSION")))
        .set_key_value_metadata(Some(vec![KeyValue::new(
            format!("{name}.columns"),
            serde_json::Value::Object(columns).to_string(),
        )]))
        .build();
    let mut file = SerializedFileWriter::new(Vec::new(), Arc::new(schema), Arc::new(properties))?;
    let rows = table
        .columns
        .first()
        .map_or(0, |column| column.values.len());
    if rows > 0 {
        let mut group = file.next_row_group()?;
        for column in &table.columns {
            if column.values.len() != rows {
                return Err(ParquetError::General(format!(
                    "column {} has {} rows of {rows}",
                    column.name,
                    column.values.len()
                )));
            }
            let missing = || ParquetError::General(format!("no place for {}", column.name));
            let mut writer = group.next_column()?.ok_or_else(missing)?;
            fill(writer.untyped(), &column.values)?;
            writer.close()?;
        }
        group.close()?;
    }
    file.into_inner()
}

fn field(column: &Column) -> Result<Arc<Type>> {
    let primitive = |name: &str| {
        let physical = match column.values {
            Values::Numbers(_) | Values::NumberLists(_) => PhysicalType::DOUBLE,
            Values::Counts(_) => PhysicalType::INT64,
            Values::Words(_) | Values::WordLists(_) => PhysicalType::BYTE_ARRAY,
        };
        let text = (physical == PhysicalType::BYTE_ARRAY).then_some(LogicalType::String);
        Type::primitive_type_builder(name, physical)
            .with_repetition(Repetition::OPTIONAL)
            .with_logical_type(text)
            .build()
            .map(Arc::new)
    };
    match column.values {
        Values::Numbers(_) | Values::Counts(_) | Values::Words(_) => primitive(&column.name),
        Values::NumberLists(_) | Values::WordLists(_) => {
            let list = Type::group_type_builder("list")
                .with_repetition(Repetition::REPEATED)
                .with_fields(vec![primitive("element")?])
                .build()?;
            let outer = Type::group_type_builder(&column.name)
                .with_repetition(Repetition::REQUIRED)
                .with_logical_type(Some(LogicalType::List))
                .with_fields(vec![Arc::new(list)])
                .build()?;
            Ok(Arc::new(outer))
        }
    }
}

fn fill(writer: &mut ColumnWriter, values: &Values) -> Result<()> {
    match (writer, values) {
        (ColumnWriter::DoubleColumnWriter(writer), Values::Numbers(values)) => {
            let (present, levels) = flat(values, |value| *value);
            writer.write_batch(&present, Some(&levels), None)
        }
        (ColumnWriter::Int64ColumnWriter(writer), Values::Counts(values)) => {
            let (present, levels) = flat(values, |value| *value);
            writer.write_batch(&present, Some(&levels), None)
        }
        (ColumnWriter::ByteArrayColumnWriter(writer), Values::Words(values)) => {
            let (present, levels) = flat(values, |text| ByteArray::from(text.as_str()));
            writer.write_batch(&present, Some(&levels), None)
        }
        (ColumnWriter::DoubleColumnWriter(writer), Values::NumberLists(lists)) => {
            let (present, levels, repeated) = nested(lists, |value| *value);
            writer.write_batch(&present, Some(&levels), Some(&repeated))
        }
        (ColumnWriter::ByteArrayColumnWriter(writer), Values::WordLists(lists)) => {
            let (present, levels, repeated) = nested(lists, |text| ByteArray::from(text.as_str()));
            writer.write_batch(&present, Some(&levels), Some(&repeated))
        }
        _ => Err(ParquetError::General("a column of another type".to_owned())),
    }
    .map(|_| ())
}

/// The values that are there, and for each row whether there is one (definition level 1).
fn flat<T, V>(values: &[Option<T>], as_stored: impl Fn(&T) -> V) -> (Vec<V>, Vec<i16>) {
    let levels = values.iter().map(|value| i16::from(value.is_some()));
    let present = values.iter().flatten().map(as_stored);
    (present.collect(), levels.collect())
}

/// The same of lists: definition level 0 is an empty list, 1 an absent element, 2 a value;
/// repetition level 0 begins a list, 1 goes on with it.
fn nested<T, V>(
    lists: &[Vec<Option<T>>],
    as_stored: impl Fn(&T) -> V,
) -> (Vec<V>, Vec<i16>, Vec<i16>) {
    let (mut present, mut levels, mut repeated) = (Vec::new(), Vec::new(), Vec::new());
    for list in lists {
        if list.is_empty() {
            levels.push(0);
            repeated.push(0);
        }
        for (place, element) in list.iter().enumerate() {
            levels.push(if element.is_some() { 2 } else { 1 });
            repeated.push(i16::from(place > 0));
            present.extend(element.as_ref().map(&as_stored));
        }
    }
    (present, levels, repeated)
}
