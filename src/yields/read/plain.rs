//! Weather as plain CSV.
//!
//! Model: lines that begin with `#` hold `name: value`; `latitude` (degrees north), `longitude` (degrees
//! east) and `elevation` (m) must be there, `name` may be; others count for nothing. The first other
//! line names the columns, in any order:
//!
//! | column | needed |
//! |---|---|
//! | `start` | yes; when the span begins, ISO 8601 with zone, `2021-06-01T10:00:00+01:00` |
//! | `global (W/m2)` | yes, but for a concentrator |
//! | `direct (W/m2)` | no; direct normal |
//! | `diffuse (W/m2)` | no; diffuse horizontal |
//! | `air (degC)` | yes |
//! | `wind (m/s)` | no |
//! | `albedo` | no |
//! | `water (cm)` | no; precipitable water |
//!
//! Each further line is a span of means; an empty field is not known. All spans are as long as the first
//! two starts are apart, from a minute to an hour. Gaps and jumps are allowed, as typical years have them;
//! a span that begins as the one before does is refused.

use super::{AIR, ALBEDO, Field, LIGHT, ReadError, WATER, WIND, site};
use crate::quantities::{Celsius, Irradiance, MetresPerSecond};
use crate::time::Utc;
use crate::yields::weather::{Hour, Weather};
use std::time::Duration;

/// The columns.
const COLUMNS: [&str; 8] = [
    "start",
    "global (W/m2)",
    "direct (W/m2)",
    "diffuse (W/m2)",
    "air (degC)",
    "wind (m/s)",
    "albedo",
    "water (cm)",
];

/// What the comments say.
#[derive(Default)]
struct Head<'a> {
    name: &'a str,
    place: [Option<&'a str>; 3],
}

/// Reads plain CSV.
///
/// # Errors
/// [`ReadError`] names the line and what is wrong with it.
pub fn read(text: &str) -> Result<Weather, ReadError> {
    let mut head = Head::default();
    let mut places: Option<[Option<usize>; COLUMNS.len()]> = None;
    let mut hours: Vec<Hour> = Vec::new();
    let mut span = None;
    let mut last = 1;
    for (line, text) in (1..).zip(text.lines().map(str::trim)) {
        last = line;
        if let Some(comment) = text.strip_prefix('#') {
            head.note(comment);
        } else if let Some(places) = &places {
            if text.is_empty() {
                continue;
            }
            let hour = hour(line, text, places)?;
            if let Some(before) = hours.last() {
                if before.start == hour.start {
                    return Err(ReadError::new(line, "this span begins as the one before does"));
                }
                if span.is_none() {
                    span = Some(length(line, before.start, hour.start)?);
                }
            }
            hours.push(hour);
        } else if !text.is_empty() {
            places = Some(columns(line, text)?);
        }
    }
    let Some(span) = span else {
        return Err(ReadError::new(last, "the file ends with fewer than two spans of weather"));
    };
    let [Some(latitude), Some(longitude), Some(height)] = head.place else {
        let what = "`# latitude: ...`, `# longitude: ...` and `# elevation: ...` must all be there";
        return Err(ReadError::new(1, what));
    };
    let site = site(1, [latitude, longitude, height])?;
    Ok(Weather { name: head.name.to_owned(), site, span, hours })
}

impl<'a> Head<'a> {
    fn note(&mut self, comment: &'a str) {
        let Some((name, value)) = comment.split_once(':') else { return };
        let value = value.trim();
        match name.trim() {
            "name" => self.name = value,
            "latitude" => self.place[0] = Some(value),
            "longitude" => self.place[1] = Some(value),
            "elevation" => self.place[2] = Some(value),
            _ => {}
        }
    }
}

/// How long the spans are.
fn length(line: usize, first: Utc, second: Utc) -> Result<Duration, ReadError> {
    let span = second.saturating_since(first);
    if (Duration::from_secs(60)..=Duration::from_secs(3600)).contains(&span) {
        Ok(span)
    } else {
        let what = "the first two spans must begin a minute to an hour apart, in order";
        Err(ReadError::new(line, what))
    }
}

fn columns(line: usize, text: &str) -> Result<[Option<usize>; COLUMNS.len()], ReadError> {
    let mut places = [None; COLUMNS.len()];
    for (at, name) in text.split(',').map(str::trim).enumerate() {
        let Some(column) = COLUMNS.iter().position(|known| *known == name) else {
            let what = format!("there is no column `{name}`; known are {}", COLUMNS.join(", "));
            return Err(ReadError::new(line, what));
        };
        if places[column].replace(at).is_some() {
            return Err(ReadError::new(line, format!("the column `{name}` comes twice")));
        }
    }
    for needed in [0, 4] {
        if places[needed].is_none() {
            let what = format!("there is no column `{}`", COLUMNS[needed]);
            return Err(ReadError::new(line, what));
        }
    }
    Ok(places)
}

fn hour(
    line: usize,
    text: &str,
    places: &[Option<usize>; COLUMNS.len()],
) -> Result<Hour, ReadError> {
    let fields: Vec<&str> = text.split(',').collect();
    let field =
        |column: usize| places[column].and_then(|at| fields.get(at)).map_or("", |text| text.trim());
    let known = |column: usize, range: &Field| -> Result<Option<f64>, ReadError> {
        let text = field(column);
        if text.is_empty() { Ok(None) } else { range.value(line, text).map(Some) }
    };
    let when = field(0);
    let start = when.parse::<Utc>().map_err(|_| {
        let what = format!("start `{when}` is no time; write it as 2021-06-01T10:00:00+01:00");
        ReadError::new(line, what)
    })?;
    // The local calendar's month, as written: a parsed time begins with year and month.
    let month =
        when.get(5..7).and_then(|month| month.parse().ok()).filter(|m| (1..=12).contains(m));
    let Some(month) = month else {
        return Err(ReadError::new(
            line,
            format!("start `{when}` must begin with a year of four digits"),
        ));
    };
    let Some(air) = known(4, &AIR)? else {
        return Err(ReadError::new(line, "air temperature is missing"));
    };
    Ok(Hour {
        start,
        month,
        global: known(1, &LIGHT)?.map(Irradiance),
        direct: known(2, &LIGHT)?.map(Irradiance),
        diffuse: known(3, &LIGHT)?.map(Irradiance),
        air: Celsius(air),
        wind: known(5, &WIND)?.map(MetresPerSecond),
        albedo: known(6, &ALBEDO)?,
        water: known(7, &WATER)?,
    })
}
