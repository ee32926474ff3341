//! Parquet: typed columns, compressed, in row groups.
//!
//! Model: rows gather column by column until a group is full, which is then written and forgotten, so
//! that memory doesn't grow with the log. Times are TIMESTAMP in microseconds of UTC, whatever zone
//! they are shown in; dates are DATE, numbers DOUBLE, whole numbers INT64, words UTF-8. Every column
//! may hold nulls: not known. Names have the units, as in CSV; the file's own metadata repeat them,
//! with the station and what was exported. The same rows give the same bytes.
//!
//! Rejected: arrays of Arrow in between (a large tree of packages for a conversion that a dozen lines
//! do), compressors written in C.

use super::ExportError;
use super::column::{Form, Heading, Sheet, Value};
use parquet::basic::{Compression, Encoding, LogicalType, Repetition, TimeUnit, Type as Physical};
use parquet::column::writer::ColumnWriter;
use parquet::data_type::ByteArray;
use parquet::errors::ParquetError;
use parquet::file::metadata::KeyValue;
use parquet::file::properties::WriterProperties;
use parquet::file::writer::{SerializedColumnWriter, SerializedFileWriter};
use parquet::schema::types::{ColumnPath, Type};
use std::fmt;
use std::io::Write;
use std::sync::Arc;

/// Rows of a group: some ten megabytes, and a day and a half at one a second.
const GROUP: usize = 131_072;

/// What the file says of itself, beside names and units of its columns.
#[derive(Clone, Debug, Default)]
pub struct About {
    /// Name of the station.
    pub station: String,
    /// Names of the channels that were asked for; empty for all.
    pub channels: Vec<String>,
    /// What a row is.
    pub rows: String,
    /// Version of the program that exported.
    pub version: String,
}

/// A table that becomes Parquet.
pub struct ParquetSheet<W: Write + Send> {
    out: SerializedFileWriter<W>,
    columns: Vec<Gathered>,
    column: usize,
    rows: usize,
}

impl<W: Write + Send> fmt::Debug for ParquetSheet<W> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("ParquetSheet").field("rows", &self.rows).finish_non_exhaustive()
    }
}

impl<W: Write + Send> ParquetSheet<W> {
    /// Begins a file.
    ///
    /// # Errors
    /// It can't be written.
    pub fn new(out: W, headings: &[Heading], about: &About) -> Result<Self, ExportError> {
        let mut properties = WriterProperties::builder();
        for heading in headings {
            let path = ColumnPath::new(vec![heading.label()]);
            if heading.is_time() {
                // No time comes twice: steps are shorter than a dictionary.
                properties = properties
                    .set_column_dictionary_enabled(path.clone(), false)
                    .set_column_encoding(path, Encoding::DELTA_BINARY_PACKED);
            }
        }
        let properties = properties
            .set_compression(Compression::SNAPPY)
            .set_created_by(format!("cresthold version {}", about.version))
            .set_key_value_metadata(Some(metadata(headings, about)))
            .build();
        let schema = schema(headings).map_err(failed)?;
        let out = SerializedFileWriter::new(out, Arc::new(schema), Arc::new(properties));
        let columns = headings.iter().map(|heading| Gathered::new(heading.form)).collect();
        Ok(Self { out: out.map_err(failed)?, columns, column: 0, rows: 0 })
    }

    /// Writes what is left, and the footer.
    ///
    /// # Errors
    /// It can't be written.
    pub fn finish(mut self) -> Result<W, ExportError> {
        self.end_group()?;
        self.out.into_inner().map_err(failed)
    }

    fn end_group(&mut self) -> Result<(), ExportError> {
        if self.rows == 0 {
            return Ok(());
        }
        let mut group = self.out.next_row_group().map_err(failed)?;
        for column in &mut self.columns {
            if let Some(out) = group.next_column().map_err(failed)? {
                column.write(out).map_err(failed)?;
            }
            column.clear();
        }
        group.close().map_err(failed)?;
        self.rows = 0;
        Ok(())
    }
}

impl<W: Write + Send> Sheet for ParquetSheet<W> {
    fn put(&mut self, value: Value<'_>) -> Result<(), ExportError> {
        self.columns[self.column].push(value);
        self.column += 1;
        Ok(())
    }

    fn end_row(&mut self) -> Result<(), ExportError> {
        self.column = 0;
        self.rows += 1;
        if self.rows == GROUP { self.end_group() } else { Ok(()) }
    }
}

/// Values of a column that wait for their group to be full: the known ones, and which these are.
struct Gathered {
    values: Values,
    /// 1 for known, 0 for not.
    known: Vec<i16>,
}

enum Values {
    Numbers(Vec<f64>),
    Wholes(Vec<i64>),
    Days(Vec<i32>),
    Truths(Vec<bool>),
    Texts(Vec<ByteArray>),
}

impl Gathered {
    fn new(form: Form) -> Self {
        let values = match form {
            Form::Number => Values::Numbers(Vec::new()),
            Form::Moment | Form::Minute | Form::Whole => Values::Wholes(Vec::new()),
            Form::Date => Values::Days(Vec::new()),
            Form::Truth => Values::Truths(Vec::new()),
            Form::Text => Values::Texts(Vec::new()),
        };
        Self { values, known: Vec::new() }
    }

    /// A value of another form than the column's is one not known; `column` doesn't make any.
    fn push(&mut self, value: Value<'_>) {
        let known = match (&mut self.values, value) {
            (Values::Numbers(all), Value::Number(number)) => {
                all.push(number);
                true
            }
            (Values::Wholes(all), Value::Whole(number)) => {
                all.push(number);
                true
            }
            (Values::Wholes(all), Value::Time(at)) => {
                all.push(at.as_micros());
                true
            }
            (Values::Days(all), Value::Date(date)) => {
                let days = date.since(jiff::civil::date(1970, 1, 1)).map(|span| span.get_days());
                let days = days.ok();
                all.extend(days);
                days.is_some()
            }
            (Values::Truths(all), Value::Truth(truth)) => {
                all.push(truth);
                true
            }
            (Values::Texts(all), Value::Text(text)) => {
                // Channel and activity are the same for long: one copy of the word is enough.
                let again = all.last().filter(|last| last.data() == text.as_bytes()).cloned();
                all.push(again.unwrap_or_else(|| ByteArray::from(text)));
                true
            }
            _ => false,
        };
        self.known.push(i16::from(known));
    }

    fn write(&self, mut out: SerializedColumnWriter<'_>) -> Result<(), ParquetError> {
        let known = Some(self.known.as_slice());
        match (&self.values, out.untyped()) {
            (Values::Numbers(all), ColumnWriter::DoubleColumnWriter(out)) => {
                out.write_batch(all, known, None)?
            }
            (Values::Wholes(all), ColumnWriter::Int64ColumnWriter(out)) => {
                out.write_batch(all, known, None)?
            }
            (Values::Days(all), ColumnWriter::Int32ColumnWriter(out)) => {
                out.write_batch(all, known, None)?
            }
            (Values::Truths(all), ColumnWriter::BoolColumnWriter(out)) => {
                out.write_batch(all, known, None)?
            }
            (Values::Texts(all), ColumnWriter::ByteArrayColumnWriter(out)) => {
                out.write_batch(all, known, None)?
            }
            _ => return Err(ParquetError::General("a column of another type".to_owned())),
        };
        out.close()
    }

    fn clear(&mut self) {
        match &mut self.values {
            Values::Numbers(all) => all.clear(),
            Values::Wholes(all) => all.clear(),
            Values::Days(all) => all.clear(),
            Values::Truths(all) => all.clear(),
            Values::Texts(all) => all.clear(),
        }
        self.known.clear();
    }
}

fn schema(headings: &[Heading]) -> Result<Type, ParquetError> {
    let column = |heading: &Heading| {
        let (physical, logical) = match heading.form {
            Form::Moment | Form::Minute => {
                (Physical::INT64, Some(LogicalType::timestamp(true, TimeUnit::MICROS)))
            }
            Form::Date => (Physical::INT32, Some(LogicalType::Date)),
            Form::Number => (Physical::DOUBLE, None),
            Form::Whole => (Physical::INT64, None),
            Form::Text => (Physical::BYTE_ARRAY, Some(LogicalType::String)),
            Form::Truth => (Physical::BOOLEAN, None),
        };
        Type::primitive_type_builder(&heading.label(), physical)
            .with_logical_type(logical)
            .with_repetition(Repetition::OPTIONAL)
            .build()
            .map(Arc::new)
    };
    let columns = headings.iter().map(column).collect::<Result<Vec<_>, _>>()?;
    Type::group_type_builder("row").with_fields(columns).build()
}

/// What `About` says, and the unit of each column that has one, as JSON.
fn metadata(headings: &[Heading], about: &About) -> Vec<KeyValue> {
    let unit = |heading: &Heading| (heading.label(), heading.unit.clone().into());
    let units: serde_json::Map<String, serde_json::Value> =
        headings.iter().filter(|heading| !heading.unit.is_empty()).map(unit).collect();
    let channels =
        if about.channels.is_empty() { "all".to_owned() } else { about.channels.join(", ") };
    let entry = |key: &str, value: String| KeyValue::new(key.to_owned(), value);
    vec![
        entry("station", about.station.clone()),
        entry("channel", channels),
        entry("rows", about.rows.clone()),
        entry("units", serde_json::Value::Object(units).to_string()),
        entry("time zone", "UTC".to_owned()),
        entry("version", about.version.clone()),
    ]
}

fn failed(error: ParquetError) -> ExportError {
    ExportError::Write(std::io::Error::other(error))
}
