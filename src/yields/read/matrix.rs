//! Power matrices as plain CSV.
//!
//! Model: lines that begin with `#` are comments. The first other line names the columns, in any order:
//! `irradiance (W/m2)`, `temperature (degC)` and `power (W)`; others count for nothing. Each further line is
//! a point. `cresthold season --matrix` writes such files, and a laboratory's table of the points of IEC 61853-1
//! is soon made one.

use super::{Field, ReadError};
use crate::quantities::{Celsius, Irradiance, Watts};
use crate::yields::matrix::{Matrix, MatrixError};

/// The columns, with what a point may have.
pub const COLUMNS: [&str; 3] = ["irradiance (W/m2)", "temperature (degC)", "power (W)"];
const FIELDS: [Field; 3] = [
    Field { name: "irradiance", unit: Irradiance::UNIT, low: 10.0, high: 2000.0 },
    Field { name: "temperature", unit: Celsius::UNIT, low: -50.0, high: 150.0 },
    Field { name: "power", unit: Watts::UNIT, low: 1e-6, high: 1e6 },
];

/// Reads a power matrix.
///
/// ```
/// use cresthold::quantities::Watts;
/// use cresthold::yields::read::matrix;
/// let text = "# a module of the test yard\nirradiance (W/m2),temperature (degC),power (W),minutes\n\
///             1000,25,322.3,80\n1000,50,299.0,120\n200,25,61.1,75\n";
/// assert_eq!(matrix::read(text).unwrap().rated(), Watts(322.3));
/// let error = matrix::read("irradiance (W/m2),power (W)\n").unwrap_err();
/// assert_eq!(error.to_string(), "line 1: there is no column `temperature (degC)`");
/// ```
///
/// # Errors
/// [`ReadError`] names the line and what is wrong with it.
pub fn read(text: &str) -> Result<Matrix, ReadError> {
    let text = text.trim_start_matches('\u{feff}');
    let lines = (1..).zip(text.lines().map(str::trim));
    let mut lines = lines.filter(|(_, line)| !line.is_empty() && !line.starts_with('#'));
    let Some((head, names)) = lines.next() else {
        let what = format!("no power matrix: its columns are {}", COLUMNS.join(", "));
        return Err(ReadError::new(1, what));
    };
    let names: Vec<&str> = names.split(',').map(str::trim).collect();
    let mut places = [0; COLUMNS.len()];
    for (place, column) in places.iter_mut().zip(COLUMNS) {
        let found = names.iter().position(|name| *name == column);
        let missing = || ReadError::new(head, format!("there is no column `{column}`"));
        *place = found.ok_or_else(missing)?;
    }
    let mut points = Vec::new();
    for (line, text) in lines {
        let fields: Vec<&str> = text.split(',').collect();
        let mut values = [0.0; COLUMNS.len()];
        for ((value, place), field) in values.iter_mut().zip(places).zip(FIELDS) {
            *value = field.value(line, fields.get(place).copied().unwrap_or(""))?;
        }
        let point = (Irradiance(values[0]), Celsius(values[1]), Watts(values[2]));
        let same = |other: &(Irradiance, Celsius, Watts)| other.0 == point.0 && other.1 == point.1;
        if points.iter().any(same) {
            let twice = MatrixError::Twice { irradiance: point.0, module: point.1 };
            return Err(ReadError::new(line, twice.to_string()));
        }
        points.push(point);
    }
    Matrix::new(&points).map_err(|error| ReadError::new(head, error.to_string()))
}
