//! Typical years as TMY3 files.
//!
//! Model: comma-separated, after S. Wilcox, W. Marion, "Users manual for TMY3 data sets", NREL/TP-581-43156,
//! 2008. The first line ends with zone (h), latitude, longitude and elevation (m), its second field is
//! the name; the second line names the columns. Read are the columns below, found by name; -9900 is
//! missing, and an albedo or a water of 0. Times are local standard time and name the hour by its end, 01:00 to 24:00.

use super::{AIR, ALBEDO, Field, LIGHT, ReadError, WATER, WIND, date, hour_ending, site, zone};
use crate::quantities::{Celsius, Irradiance, MetresPerSecond};
use crate::yields::weather::{Hour, Weather};
use std::time::Duration;

/// The columns that are read; those marked must be there.
const COLUMNS: [(&str, bool); 9] = [
    ("Date (MM/DD/YYYY)", true),
    ("Time (HH:MM)", true),
    ("GHI (W/m^2)", true),
    ("DNI (W/m^2)", false),
    ("DHI (W/m^2)", false),
    ("Dry-bulb (C)", true),
    ("Wspd (m/s)", false),
    ("Alb (unitless)", false),
    ("Pwat (cm)", false),
];
/// Values at or below this are missing.
const MISSING: f64 = -9900.0;

/// Reads a TMY3 file.
///
/// # Errors
/// [`ReadError`] names the line and what is wrong with it.
pub fn read(text: &str) -> Result<Weather, ReadError> {
    let mut lines = (1..).zip(text.lines());
    let first = lines.next().map_or("", |(_, line)| line);
    // From the end, because a name in quotes may hold commas.
    let mut tail = first.rsplitn(5, ',');
    let [height, longitude, latitude, hours] = [(); 4].map(|()| tail.next().unwrap_or(""));
    let site = site(1, [latitude, longitude, height])?;
    let zone = zone(1, hours)?;
    // What is left: number, name, state.
    let named = tail.next().and_then(|head| head.rsplit_once(',')).map_or("", |(head, _)| head);
    let name = named.split_once(',').map_or("", |(_, name)| name);
    let name: String = name.chars().filter(|letter| *letter != '"').collect();
    let names: Vec<&str> =
        lines.next().map(|(_, line)| line.split(',').collect()).unwrap_or_default();
    let mut places = [None; COLUMNS.len()];
    for (place, (column, needed)) in places.iter_mut().zip(COLUMNS) {
        *place = names.iter().position(|name| name.trim().eq_ignore_ascii_case(column));
        if place.is_none() && needed {
            return Err(ReadError::new(2, format!("there is no column `{column}`")));
        }
    }
    let data = lines.filter(|(_, line)| !line.trim().is_empty());
    let hours: Vec<Hour> =
        data.map(|(line, text)| hour(line, text, &places, zone)).collect::<Result<_, _>>()?;
    if hours.is_empty() {
        return Err(ReadError::new(2, "no hour follows this line"));
    }
    Ok(Weather { name, site, span: Duration::from_secs(3600), hours })
}

fn hour(
    line: usize,
    text: &str,
    places: &[Option<usize>; COLUMNS.len()],
    zone: f64,
) -> Result<Hour, ReadError> {
    let fields: Vec<&str> = text.split(',').collect();
    let field =
        |column: usize| places[column].and_then(|at| fields.get(at)).map_or("", |text| text.trim());
    let mut parts = field(0).splitn(3, '/');
    let [month, day, year] = [(); 3].map(|()| parts.next().unwrap_or(""));
    let day = date(line, year, month, day)?;
    let ending = field(1).strip_suffix(":00").and_then(|hour| hour.parse::<u8>().ok());
    let Some(ending) = ending.filter(|hour| (1..=24).contains(hour)) else {
        let what = format!("time `{}` is no full hour of 01:00..=24:00", field(1));
        return Err(ReadError::new(line, what));
    };
    let known = |column: usize, range: &Field| -> Result<Option<f64>, ReadError> {
        let text = field(column);
        if text.is_empty() || text.parse::<f64>().is_ok_and(|value| value <= MISSING) {
            return Ok(None);
        }
        range.value(line, text).map(Some)
    };
    let Some(air) = known(5, &AIR)? else {
        return Err(ReadError::new(line, "air temperature is missing"));
    };
    Ok(Hour {
        start: hour_ending(day, ending, zone),
        month: day.month().unsigned_abs(),
        global: known(2, &LIGHT)?.map(Irradiance),
        direct: known(3, &LIGHT)?.map(Irradiance),
        diffuse: known(4, &LIGHT)?.map(Irradiance),
        air: Celsius(air),
        wind: known(6, &WIND)?.map(MetresPerSecond),
        albedo: known(7, &ALBEDO)?.filter(|albedo| *albedo > 0.0),
        water: known(8, &WATER)?.filter(|water| *water > 0.0),
    })
}
