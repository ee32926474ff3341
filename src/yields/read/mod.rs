//! Weather files: typical years in published open formats, and plain CSV. Power matrices as CSV ([`matrix`]).
//!
//! Model: the first line tells the format. `LOCATION,` begins an EPW file ([`epw`]), a `#` plain CSV
//! ([`plain`]); a second line that begins with `Date (` makes it a TMY3 file ([`tmy`]). Every error names the
//! line. A value that the format marks as missing, or a field left empty, is not known; a value out
//! of its physical range refuses the file, because whoever filed it meant another unit or column.
//!
//! Rejected: formats whose description isn't open, and guessing by the file's name.

pub mod epw;
pub mod matrix;
pub mod plain;
pub mod tmy;

use super::weather::Weather;
use crate::quantities::{Celsius, Irradiance, MetresPerSecond};
use crate::time::Utc;
use cresthold_sim::sky::sun::Site;
use jiff::civil::Date;

/// Why a text is not what it should be. Lines count from 1.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("line {line}: {what}")]
pub struct ReadError {
    /// Where.
    pub line: usize,
    /// What is wrong, and what to do.
    pub what: String,
}

impl ReadError {
    /// An error of `line`.
    fn new(line: usize, what: impl Into<String>) -> Self {
        Self { line, what: what.into() }
    }
}

/// Reads weather in any of the formats.
///
/// ```
/// use cresthold::yields::read::weather;
/// let text = "# latitude: 46.8\n# longitude: 6.9\n# elevation: 491\n\
///             start,global (W/m2),air (degC)\n\
///             2021-06-01T10:00:00+01:00,712,18.4\n2021-06-01T11:00:00+01:00,655,19.0\n";
/// let year = weather(text).unwrap();
/// assert_eq!((year.hours.len(), year.span.as_secs()), (2, 3600));
/// assert_eq!(year.hours[1].start.to_string(), "2021-06-01T10:00:00.000Z");
/// assert_eq!(weather("hello").unwrap_err().line, 1);
/// ```
///
/// # Errors
/// [`ReadError`] names the line and what is wrong with it.
pub fn weather(text: &str) -> Result<Weather, ReadError> {
    let text = text.trim_start_matches('\u{feff}');
    let mut lines = text.lines();
    let (first, second) = (lines.next().unwrap_or(""), lines.next().unwrap_or(""));
    if first.starts_with("LOCATION,") {
        epw::read(text)
    } else if second.to_ascii_lowercase().starts_with("date (") {
        tmy::read(text)
    } else if first.starts_with('#') {
        plain::read(text)
    } else {
        Err(ReadError::new(
            1,
            "no weather file: an EPW file begins with `LOCATION,`, a TMY3 file has `Date (MM/DD/YYYY)` \
             on its second line, plain CSV begins with `# latitude: ...`",
        ))
    }
}

/// A value with its range, as a file's reader takes it.
#[derive(Clone, Copy, Debug)]
struct Field {
    name: &'static str,
    unit: &'static str,
    low: f64,
    high: f64,
}

/// Irradiance: thermopiles read some W/m2 below zero at night; 1.5 suns is the brightest ever seen.
const LIGHT: Field = Field { name: "irradiance", unit: Irradiance::UNIT, low: -50.0, high: 2000.0 };
/// Air temperature: records of the earth are -89 and 57 degC.
const AIR: Field = Field { name: "air temperature", unit: Celsius::UNIT, low: -90.0, high: 65.0 };
/// Wind: means of an hour.
const WIND: Field = Field { name: "wind", unit: MetresPerSecond::UNIT, low: 0.0, high: 100.0 };
/// Precipitable water: 7 cm is a wet day in the tropics.
const WATER: Field = Field { name: "precipitable water", unit: "cm", low: 0.0, high: 15.0 };
/// Albedo.
const ALBEDO: Field = Field { name: "albedo", unit: "", low: 0.0, high: 1.0 };

impl Field {
    /// The value of `text`, in its range.
    fn value(&self, line: usize, text: &str) -> Result<f64, ReadError> {
        let Self { name, unit, low, high } = self;
        let unit = if unit.is_empty() { String::new() } else { format!(" {unit}") };
        let text = text.trim();
        let value: f64 = text.parse().map_err(|_| {
            ReadError::new(line, format!("{name} `{text}` is no number (decimal point, no unit)"))
        })?;
        if (*low..=*high).contains(&value) {
            Ok(value)
        } else {
            let what = format!("{name} {value}{unit} is out of range, {low}..={high}{unit}");
            Err(ReadError::new(line, what))
        }
    }
}

/// A site from three texts of `line`.
fn site(line: usize, texts: [&str; 3]) -> Result<Site, ReadError> {
    let mut numbers = [0.0; 3];
    for ((number, text), name) in
        numbers.iter_mut().zip(texts).zip(["latitude", "longitude", "elevation"])
    {
        *number = text
            .trim()
            .parse()
            .map_err(|_| ReadError::new(line, format!("{name} `{}` is no number", text.trim())))?;
    }
    Site::new(numbers[0], numbers[1], numbers[2])
        .map_err(|problem| ReadError::new(line, problem.to_string()))
}

/// A zone's offset (h) from a text of `line`.
fn zone(line: usize, text: &str) -> Result<f64, ReadError> {
    let hours: f64 = text.trim().parse().unwrap_or(f64::NAN);
    if (-14.0..=14.0).contains(&hours) {
        Ok(hours)
    } else {
        let what = format!("time zone `{}` is none: hours east of Greenwich", text.trim());
        Err(ReadError::new(line, what))
    }
}

/// The beginning of the hour `hour` (1..=24, named by its end) of a date in a zone (h).
#[expect(clippy::cast_possible_truncation, reason = "hours of a zone as seconds")]
fn hour_ending(date: Date, hour: u8, zone: f64) -> Utc {
    let midnight = date.at(0, 0, 0, 0);
    let seconds =
        jiff::tz::Offset::UTC.to_timestamp(midnight).map_or(0, jiff::Timestamp::as_second);
    let begun = seconds + 3600 * (i64::from(hour) - 1) - (zone * 3600.0).round() as i64;
    Utc::from_micros(begun * 1_000_000)
}

/// A date from year, month and day.
fn date(line: usize, year: &str, month: &str, day: &str) -> Result<Date, ReadError> {
    let number = |text: &str| text.trim().parse::<i16>().ok();
    let parts = number(year).zip(number(month)).zip(number(day));
    parts
        .and_then(|((year, month), day)| {
            Date::new(year, i8::try_from(month).ok()?, i8::try_from(day).ok()?).ok()
        })
        .ok_or_else(|| {
            ReadError::new(line, format!("`{year}`, `{month}`, `{day}` is no year, month and day"))
        })
}
