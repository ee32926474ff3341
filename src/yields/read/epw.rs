//! Typical years as EPW files.
//!
//! Model: comma-separated, as described openly in the EnergyPlus documentation ("Auxiliary Programs",
//! chapter on weather files). The line `LOCATION` has name, latitude, longitude, zone (h) and elevation
//! (m) as its fields 2 and 7 to 10; data follow the line `DATA PERIODS`. Of a data line the fields (from 1)
//! 1 year, 2 month, 3 day, 4 hour (1 to 24, named by its end, local standard time), 7 air (degC, 99.9
//! missing), 14 global, 15 direct, 16 diffuse (Wh/m2 of the hour, 9999 missing), 22 wind (m/s, 999
//! missing), 29 precipitable water (mm, 999 missing), 33 albedo (999, and 0 by custom, missing) are read. Files with more than one line an hour
//! are refused.

use super::{AIR, ALBEDO, Field, LIGHT, ReadError, WATER, WIND, date, hour_ending, site, zone};
use crate::quantities::{Celsius, Irradiance, MetresPerSecond};
use crate::yields::weather::{Hour, Weather};
use std::time::Duration;

/// Precipitable water as these files have it.
const MILLIMETRES: Field = Field { unit: "mm", high: 10.0 * WATER.high, ..WATER };
/// Fields that a data line must have, to the wind.
const LEAST_FIELDS: usize = 22;

/// Reads an EPW file.
///
/// # Errors
/// [`ReadError`] names the line and what is wrong with it.
pub fn read(text: &str) -> Result<Weather, ReadError> {
    let mut lines = (1..).zip(text.lines());
    let head: Vec<&str> =
        lines.next().map(|(_, line)| line.split(',').collect()).unwrap_or_default();
    let [name, latitude, longitude, hours, height] =
        [1, 6, 7, 8, 9].map(|k| head.get(k).copied().unwrap_or(""));
    let site = site(1, [latitude, longitude, height])?;
    let zone = zone(1, hours)?;
    let mut last = 1;
    let period = lines.by_ref().inspect(|(line, _)| last = *line);
    let Some((line, period)) =
        period.into_iter().find(|(_, line)| line.starts_with("DATA PERIODS,"))
    else {
        return Err(ReadError::new(last, "the file ends without a line `DATA PERIODS`"));
    };
    let an_hour = period.split(',').nth(2).unwrap_or("").trim();
    if an_hour != "1" {
        let what = format!("`{an_hour}` lines an hour: only hourly files are read");
        return Err(ReadError::new(line, what));
    }
    let data = lines.filter(|(_, line)| !line.trim().is_empty());
    let hours: Vec<Hour> =
        data.map(|(line, text)| hour(line, text, zone)).collect::<Result<_, _>>()?;
    if hours.is_empty() {
        return Err(ReadError::new(line, "no hour follows this line"));
    }
    Ok(Weather { name: name.trim().to_owned(), site, span: Duration::from_secs(3600), hours })
}

fn hour(line: usize, text: &str, zone: f64) -> Result<Hour, ReadError> {
    let fields: Vec<&str> = text.split(',').collect();
    if fields.len() < LEAST_FIELDS {
        let what = format!("{} fields, at least {LEAST_FIELDS} are needed", fields.len());
        return Err(ReadError::new(line, what));
    }
    let day = date(line, fields[0], fields[1], fields[2])?;
    let ending: u8 = fields[3].trim().parse().unwrap_or(0);
    if !(1..=24).contains(&ending) {
        let what = format!("hour `{}` is none of 1..=24", fields[3].trim());
        return Err(ReadError::new(line, what));
    }
    let known = |at: usize, missing: f64, field: &Field| -> Result<Option<f64>, ReadError> {
        let Some(text) = fields.get(at).map(|text| text.trim()).filter(|text| !text.is_empty())
        else {
            return Ok(None);
        };
        // Missing is written as nines, with or without decimals, or as more.
        if text.parse::<f64>().is_ok_and(|value| value >= missing) {
            return Ok(None);
        }
        field.value(line, text).map(Some)
    };
    let Some(air) = known(6, 99.9, &AIR)? else {
        return Err(ReadError::new(line, "air temperature is missing"));
    };
    Ok(Hour {
        start: hour_ending(day, ending, zone),
        month: day.month().unsigned_abs(),
        global: known(13, 9999.0, &LIGHT)?.map(Irradiance),
        direct: known(14, 9999.0, &LIGHT)?.map(Irradiance),
        diffuse: known(15, 9999.0, &LIGHT)?.map(Irradiance),
        air: Celsius(air),
        wind: known(21, 999.0, &WIND)?.map(MetresPerSecond),
        albedo: known(32, 2.0, &ALBEDO)?.filter(|albedo| *albedo > 0.0),
        water: known(28, 999.0, &MILLIMETRES)?
            .filter(|water| *water > 0.0)
            .map(|water| water / 10.0),
    })
}
