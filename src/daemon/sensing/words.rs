//! What each sensor is, in words, for the log.

use crate::sensors::{Calibration, Conversion, Meaning, Reference, Sensor, SensorId};
use crate::station::{SensorSource, Station};
use crate::store::SensorFacts;

/// The sensors in words, in the order of [`SensorId`].
pub(crate) fn facts(station: &Station) -> Vec<SensorFacts> {
    let name_of = |id: SensorId| {
        let found = station.sensors.get(usize::from(id.0));
        found.map_or("?", |each| each.sensor.name.as_str())
    };
    let channel = |place: u16| {
        let found = station.channels.get(usize::from(place));
        found.map_or("?", |spec| spec.name.as_str())
    };
    let one = |sensor: &Sensor, source: &SensorSource| {
        let names: Vec<&str> = sensor.channels.iter().map(|id| channel(id.0)).collect();
        SensorFacts {
            name: sensor.name.clone(),
            quantity: sensor.quantity.name().to_owned(),
            unit: sensor.quantity.unit().to_owned(),
            channels: names.join(", "),
            rank: sensor.rank,
            link: match source {
                SensorSource::Modbus { address, request, format, .. } => {
                    let unit = request.unit();
                    format!("Modbus {address}, unit {unit}, {:?}, {format:?}", request.function())
                }
                SensorSource::Meter { address, identity, query, .. } => {
                    format!("meter {address} ({identity}), {query}")
                }
                SensorSource::Channel(id) => format!("current of channel {}", channel(id.0)),
            },
            conversion: conversion(&sensor.meaning, name_of),
            calibration: calibration(&sensor.meaning.calibration, name_of),
        }
    };
    station.sensors.iter().map(|each| one(&each.sensor, &each.source)).collect()
}

fn conversion<'a>(meaning: &Meaning, name_of: impl Fn(SensorId) -> &'a str) -> String {
    let kind = match meaning.conversion {
        Conversion::Linear => "linear".to_owned(),
        Conversion::Platinum(at_zero) => format!("IEC 60751, {at_zero} at 0 degC"),
        Conversion::Thermocouple(kind, Reference::Fixed(cold)) => {
            format!("ITS-90 type {kind:?}, terminals at {cold}")
        }
        Conversion::Thermocouple(kind, Reference::Sensor(cold)) => {
            format!("ITS-90 type {kind:?}, terminals' temperature from {}", name_of(cold))
        }
        Conversion::Sensitivity(sensitivity) => format!("{sensitivity} uV per W/m2"),
    };
    let (low, high) = meaning.valid;
    format!("raw * {} + {}; {kind}; valid {low} to {high}", meaning.scale, meaning.offset)
}

fn calibration<'a>(found: &Calibration, name_of: impl Fn(SensorId) -> &'a str) -> String {
    let mut words = vec![];
    words.extend(found.date.clone());
    words.extend(found.uncertainty_percent.map(|percent| format!("{percent} % (k = 2)")));
    words.extend(found.temperature.map(|dependence| {
        format!(
            "{} /K against {}, temperature from {}",
            dependence.coefficient,
            dependence.reference,
            name_of(dependence.from)
        )
    }));
    if words.is_empty() { "not stated".to_owned() } else { words.join("; ") }
}
