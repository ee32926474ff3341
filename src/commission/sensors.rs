//! What one answer of each of the station's sensors tells before a campaign: that it answers, and
//! with something that can be.

use super::check::{Check, Figure, Reason};
use crate::station::StationSensor;

/// What a sensor said.
#[derive(Clone, Debug, PartialEq)]
pub enum SensorFound {
    /// A value in its quantity's unit.
    Value(f64),
    /// Nothing: why.
    Silent(String),
    /// Something that makes no value: why.
    Unusable(String),
    /// It is read through a channel that holds it, and channels are off.
    Held,
}

/// The check of each sensor; `night` where the sun is surely down.
#[must_use]
pub fn sensors(stated: &[StationSensor], found: &[SensorFound], night: bool) -> Vec<Check> {
    stated.iter().zip(found).map(|(stated, found)| one(stated, found, night)).collect()
}

fn one(stated: &StationSensor, found: &SensorFound, night: bool) -> Check {
    let sensor = &stated.sensor;
    let (low, high) = sensor.meaning.valid;
    let unit = sensor.quantity.unit();
    let status = unit == "1";
    let what = format!("sensor {}: {}", sensor.name, sensor.quantity.name());
    let limit = if status { "answers".to_owned() } else { format!("{low} to {high} {unit}") };
    let reached = stated.source.address().map_or_else(String::new, |at| format!(" on {at}"));
    match found {
        SensorFound::Held => {
            Check::skipped(what, "read through its channel, which is off; the first sample tells")
        }
        SensorFound::Silent(why) => {
            let says = format!("it doesn't answer{reached}: {why}");
            Check::passed(what, None, limit).failed(Reason::Sensor, says)
        }
        SensorFound::Unusable(why) => {
            Check::passed(what, None, limit).failed(Reason::Sensor, why.clone())
        }
        SensorFound::Value(value) if status => {
            let says = if *value > 0.5 { "it says yes" } else { "it says no" };
            Check { says: says.to_owned(), ..Check::passed(what, None, limit) }
        }
        SensorFound::Value(value) => {
            let figure = Some(Figure::of(*value, unit));
            if night && sensor.quantity.is_irradiance() {
                let says = "its zero at night; a pyranometer that looks into a clear sky shows some \
                            W/m2 below zero by thermal radiation";
                return Check::told(what, figure, says);
            }
            Check::passed(what, figure, limit)
        }
    }
}
