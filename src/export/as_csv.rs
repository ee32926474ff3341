//! CSV: a header line, then a line a row.
//!
//! Model: fields are separated by commas and quoted after RFC 4180 where they need it; lines end with
//! a line feed alone, as in the other tables of the house. Unknown is an empty field, yes and no are
//! `true` and `false`, numbers have a decimal point and no exponent. Every time bears its zone, and
//! the times of a column have the same number of digits, or readers that look at the first one stumble.

use super::column::{Form, Heading, Sheet, Value};
use super::{ExportError, Zone};
use std::fmt::Write as _;
use std::io::Write;

/// A table that becomes CSV.
#[derive(Debug)]
pub struct CsvSheet<W: Write> {
    out: csv::Writer<W>,
    zone: Zone,
    /// Digits of a second, by column.
    digits: Vec<usize>,
    column: usize,
    text: String,
}

impl<W: Write> CsvSheet<W> {
    /// Begins with the header.
    ///
    /// # Errors
    /// It can't be written.
    pub fn new(out: W, headings: &[Heading], zone: Zone) -> Result<Self, ExportError> {
        let mut out = csv::WriterBuilder::new().from_writer(out);
        let label = |heading: &Heading| match heading.is_time() {
            true => format!("{} ({zone})", heading.name),
            false => heading.label(),
        };
        out.write_record(headings.iter().map(label)).map_err(failed)?;
        let digits =
            headings.iter().map(|heading| if heading.form == Form::Minute { 0 } else { 6 });
        Ok(Self { out, zone, digits: digits.collect(), column: 0, text: String::new() })
    }

    /// Writes what is left.
    ///
    /// # Errors
    /// It can't be written.
    pub fn finish(self) -> Result<W, ExportError> {
        self.out.into_inner().map_err(|error| ExportError::Write(error.into_error()))
    }
}

impl<W: Write> Sheet for CsvSheet<W> {
    fn put(&mut self, value: Value<'_>) -> Result<(), ExportError> {
        self.text.clear();
        // A text takes whatever is written to it.
        let field = match value {
            Value::Text(text) => text,
            Value::Unknown => "",
            Value::Truth(true) => "true",
            Value::Truth(false) => "false",
            Value::Time(at) => {
                self.zone.write(&mut self.text, at, self.digits[self.column]);
                &self.text
            }
            Value::Date(date) => {
                let _ = write!(self.text, "{date}");
                &self.text
            }
            Value::Number(number) => {
                let _ = write!(self.text, "{number}");
                &self.text
            }
            Value::Whole(number) => {
                let _ = write!(self.text, "{number}");
                &self.text
            }
        };
        self.column += 1;
        self.out.write_field(field).map_err(failed)
    }

    fn end_row(&mut self) -> Result<(), ExportError> {
        self.column = 0;
        self.out.write_record(None::<&[u8]>).map_err(failed)
    }
}

fn failed(error: csv::Error) -> ExportError {
    ExportError::Write(match error.into_kind() {
        csv::ErrorKind::Io(error) => error,
        other => std::io::Error::other(format!("{other:?}")),
    })
}
