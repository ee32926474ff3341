//! Curves as text: comma-separated values with the units in the header.
//!
//! Model: lines that begin with `#` and empty lines count for nothing. The first other line names the
//! columns, each with its unit in brackets, in any order:
//!
//! | column | needed |
//! |---|---|
//! | `voltage (V)` | yes |
//! | `current (A)` | yes |
//! | `irradiance (W/m2)` | no |
//! | `cell temperature (degC)` | no |
//! | `time (UTC)` | no; ISO 8601 with zone, `2026-06-21T10:00:00Z` |
//!
//! Each further line is a point, in the order measured; an empty field of a column that is not needed
//! is a value not known. Numbers have a decimal point. Writing and reading again gives the same
//! points to the last bit. Rejected: guessing units, decimal commas (a comma separates), columns
//! without a name.

use super::points::Point;
use crate::quantities::{Amps, Celsius, Irradiance, Volts};
use crate::time::Utc;
use std::fmt::Write;

/// A column of the table.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Column {
    Voltage,
    Current,
    Irradiance,
    Cell,
    Time,
}

impl Column {
    const ALL: [Self; 5] = [Self::Voltage, Self::Current, Self::Irradiance, Self::Cell, Self::Time];

    /// Name and unit.
    const fn name(self) -> (&'static str, &'static str) {
        match self {
            Self::Voltage => ("voltage", Volts::UNIT),
            Self::Current => ("current", Amps::UNIT),
            Self::Irradiance => ("irradiance", Irradiance::UNIT),
            Self::Cell => ("cell temperature", Celsius::UNIT),
            Self::Time => ("time", "UTC"),
        }
    }
}

/// Why a text is no table of points. Lines count from 1.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum CsvError {
    /// No header.
    #[error("no header: the first line must name the columns, as in `voltage (V),current (A)`")]
    NoHeader,
    /// A column nobody knows.
    #[error(
        "line {line}: there is no column `{name}`; known are voltage, current, irradiance, cell \
         temperature and time, each with its unit in brackets"
    )]
    UnknownColumn {
        /// Where.
        line: usize,
        /// As it stands there.
        name: String,
    },
    /// A known column with another unit, or none.
    #[error(
        "line {line}: `{name}` must be in {expected}, and the header says {found}; convert the \
         values and write `{name} ({expected})`"
    )]
    WrongUnit {
        /// Where.
        line: usize,
        /// The column.
        name: &'static str,
        /// The unit it must have.
        expected: &'static str,
        /// What the header says.
        found: String,
    },
    /// Twice the same column, or a needed one is missing.
    #[error("line {line}: the column `{name}` must be there once; it is there {count} times")]
    Columns {
        /// Where.
        line: usize,
        /// The column.
        name: &'static str,
        /// How often it is there.
        count: usize,
    },
    /// Too few or too many fields.
    #[error("line {line}: {found} fields under {expected} columns; write decimals with a point")]
    Fields {
        /// Where.
        line: usize,
        /// Fields found.
        found: usize,
        /// Columns.
        expected: usize,
    },
    /// A field that can't be read.
    #[error("line {line}: `{text}` is no {what}; correct it or leave the point out")]
    Field {
        /// Where.
        line: usize,
        /// As it stands there.
        text: String,
        /// What was expected.
        what: &'static str,
    },
}

/// Points of a table, in its order.
///
/// ```
/// use cresthold::curve::csv::{CsvError, read, write};
/// let points = read("voltage (V),current (A)\n0.5,8.1\n").unwrap();
/// assert_eq!(read(&write(&points)).unwrap(), points);
/// let error = read("voltage (mV),current (A)\n500,8.1\n").unwrap_err();
/// assert!(matches!(error, CsvError::WrongUnit { line: 1, .. }));
/// ```
///
/// # Errors
/// [`CsvError`] names the line and what is wrong with it.
pub fn read(text: &str) -> Result<Vec<Point>, CsvError> {
    // A byte-order mark is no part of the first name.
    let text = text.trim_start_matches('\u{feff}');
    let mut lines = text
        .lines()
        .enumerate()
        .map(|(index, line)| (index + 1, line.trim()))
        .filter(|(_, line)| !line.is_empty() && !line.starts_with('#'));
    let (number, header) = lines.next().ok_or(CsvError::NoHeader)?;
    let columns = columns(number, header)?;
    lines.map(|(number, line)| point(number, line, &columns)).collect()
}

fn columns(line: usize, header: &str) -> Result<Vec<Column>, CsvError> {
    let mut columns = Vec::new();
    for title in header.split(',') {
        let title = title.trim();
        let (name, unit) = match title.split_once('(') {
            Some((name, unit)) => (name.trim(), Some(unit.trim_end_matches(')').trim())),
            None => (title, None),
        };
        let known = |column: &Column| column.name().0.eq_ignore_ascii_case(name);
        let Some(column) = Column::ALL.into_iter().find(known) else {
            return Err(CsvError::UnknownColumn { line, name: title.to_owned() });
        };
        let (name, expected) = column.name();
        if unit != Some(expected) {
            let found = unit.unwrap_or("no unit").to_owned();
            return Err(CsvError::WrongUnit { line, name, expected, found });
        }
        columns.push(column);
    }
    for column in Column::ALL {
        let count = columns.iter().filter(|other| **other == column).count();
        let needed = matches!(column, Column::Voltage | Column::Current);
        if count > 1 || (needed && count == 0) {
            return Err(CsvError::Columns { line, name: column.name().0, count });
        }
    }
    Ok(columns)
}

fn point(line: usize, text: &str, columns: &[Column]) -> Result<Point, CsvError> {
    let fields: Vec<&str> = text.split(',').map(str::trim).collect();
    if fields.len() != columns.len() {
        return Err(CsvError::Fields { line, found: fields.len(), expected: columns.len() });
    }
    let mut point = Point::default();
    for (field, column) in fields.into_iter().zip(columns) {
        let wrong = |what| CsvError::Field { line, text: field.to_owned(), what };
        let number = || field.parse::<f64>().map_err(|_| wrong("number"));
        let known = !field.is_empty();
        match column {
            Column::Voltage => point.volts = Volts(number()?),
            Column::Current => point.amps = Amps(number()?),
            Column::Irradiance if known => point.irradiance = Some(Irradiance(number()?)),
            Column::Cell if known => point.cell = Some(Celsius(number()?)),
            Column::Time if known => {
                let time = field.parse::<Utc>();
                point.utc = Some(time.map_err(|_| wrong("time such as 2026-06-21T10:00:00Z"))?);
            }
            _ => {}
        }
    }
    Ok(point)
}

/// The points as a table, with the columns that at least one of them knows.
#[must_use]
pub fn write(points: &[Point]) -> String {
    let known = |column: &Column| match column {
        Column::Voltage | Column::Current => true,
        Column::Irradiance => points.iter().any(|p| p.irradiance.is_some()),
        Column::Cell => points.iter().any(|p| p.cell.is_some()),
        Column::Time => points.iter().any(|p| p.utc.is_some()),
    };
    let columns: Vec<Column> = Column::ALL.into_iter().filter(known).collect();
    let mut text = String::new();
    let mut separator = "";
    for column in &columns {
        let (name, unit) = column.name();
        let _ = write!(text, "{separator}{name} ({unit})");
        separator = ",";
    }
    text.push('\n');
    for p in points {
        for (index, column) in columns.iter().enumerate() {
            if index > 0 {
                text.push(',');
            }
            let _ = match column {
                Column::Voltage => write!(text, "{}", p.volts.0),
                Column::Current => write!(text, "{}", p.amps.0),
                Column::Irradiance => p.irradiance.map_or(Ok(()), |g| write!(text, "{}", g.0)),
                Column::Cell => p.cell.map_or(Ok(()), |t| write!(text, "{}", t.0)),
                Column::Time => p.utc.map_or(Ok(()), |at| write!(text, "{at}")),
            };
        }
        text.push('\n');
    }
    text
}
