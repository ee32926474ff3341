//! What a sensor's raw number means.

use super::super::reader::{Number, Section};
use super::Known;
use crate::quantities::{Celsius, Ohms};
use crate::sensors::{
    Calibration, Conversion, Dependence, Meaning, Quantity, Reference, Thermocouple,
};
use toml::de::DeValue;

const fn bare(key: &'static str, low: f64, high: f64, hint: &'static str) -> Number {
    Number { key, low, high, unit: "", hint }
}

const CONVERSIONS: [&str; 6] =
    ["linear", "pt100", "pt1000", "thermocouple-k", "thermocouple-t", "sensitivity"];
const SCALE: Number = bare("scale", -1e9, 1e9, "state the factor of the raw number");
const OFFSET: Number = bare("offset", -1e9, 1e9, "state what is added after the factor");
const VALID: Number = bare("valid", -1e6, 1e6, "state [least, largest] value that is believed");
const SENSITIVITY: Number = Number {
    key: "sensitivity_uv_per_w_m2",
    low: 0.01,
    high: 1e6,
    unit: "uV per W/m2",
    hint: "state the sensitivity of the certificate",
};
const COLD: Number = Number {
    key: "cold_junction_c",
    low: -60.0,
    high: 80.0,
    unit: "degC",
    hint: "state the terminals' temperature, or cold_junction with the sensor that measures it; 0 \
           where the instrument compensates to 0 degC",
};
const UNCERTAINTY: Number = Number {
    key: "uncertainty_percent",
    low: 0.0,
    high: 100.0,
    unit: "%",
    hint: "state the certificate's expanded uncertainty (k = 2)",
};
const COEFFICIENT: Number = Number {
    key: "coefficient_per_k",
    low: -0.05,
    high: 0.05,
    unit: "1/K",
    hint: "state how the response changes with temperature",
};
const REFERENCE: Number = Number {
    key: "reference_c",
    low: -60.0,
    high: 100.0,
    unit: "degC",
    hint: "state the temperature of the calibration",
};
/// Calibration temperature of photovoltaic reference devices (IEC 60904-3, from memory).
const STANDARD: f64 = 25.0;
const DATE: &str = "write a date, as 2026-05-04 without quotes";

pub(super) fn read(
    section: &mut Section<'_>,
    quantity: Option<Quantity>,
    known: &Known<'_>,
) -> Option<Meaning> {
    let scale = section.number_or(&SCALE, 1.0);
    if scale == Some(0.0) {
        section.note(SCALE.key, "a factor of zero leaves nothing; state another");
    }
    let offset = section.number_or(&OFFSET, 0.0);
    let conversion = conversion(section, quantity, known);
    let valid = valid(section, quantity);
    let calibration = calibration(section, known);
    Some(Meaning {
        scale: scale.filter(|scale| *scale != 0.0)?,
        offset: offset?,
        conversion: conversion?,
        valid: valid?,
        calibration: calibration?,
    })
}

fn conversion(
    section: &mut Section<'_>,
    quantity: Option<Quantity>,
    known: &Known<'_>,
) -> Option<Conversion> {
    let place = section.choice("conversion", &CONVERSIONS, Some(0));
    let name = CONVERSIONS[place.unwrap_or(0)];
    let couple = match name {
        "thermocouple-k" => Some(Thermocouple::K),
        "thermocouple-t" => Some(Thermocouple::T),
        _ => None,
    };
    let temperature = couple.is_some() || name.starts_with("pt");
    if let Some(quantity) = quantity
        && (temperature && !quantity.is_temperature()
            || name == "sensitivity" && !quantity.is_irradiance())
    {
        section.note("conversion", format!("{name} does not give {}", quantity.name()));
    }
    if couple.is_none() {
        section.forbid(&[COLD.key, "cold_junction"], "only a thermocouple has one; take it out");
    }
    if name != "sensitivity" {
        section.forbid(&[SENSITIVITY.key], "belongs to conversion = \"sensitivity\"");
    }
    place?;
    if let Some(kind) = couple {
        let reference = if section.has("cold_junction") {
            section
                .forbid(&[COLD.key], "cold_junction names a sensor already; take one of them out");
            known.temperature(section, "cold_junction").map(Reference::Sensor)
        } else {
            section.number(&COLD).map(|known| Reference::Fixed(Celsius(known)))
        };
        return reference.map(|reference| Conversion::Thermocouple(kind, reference));
    }
    match name {
        "pt100" => Some(Conversion::Platinum(Ohms(100.0))),
        "pt1000" => Some(Conversion::Platinum(Ohms(1000.0))),
        "sensitivity" => section.number(&SENSITIVITY).map(Conversion::Sensitivity),
        _ => Some(Conversion::Linear),
    }
}

fn valid(section: &mut Section<'_>, quantity: Option<Quantity>) -> Option<(f64, f64)> {
    let stated = section.numbers(&VALID)?;
    match stated[..] {
        [] => quantity.map(Quantity::plausible),
        [low, high] if low < high => Some((low, high)),
        _ => {
            section.note(VALID.key, "two numbers belong here, the lesser first");
            None
        }
    }
}

fn calibration(section: &mut Section<'_>, known: &Known<'_>) -> Option<Calibration> {
    let mut table = section.table_or_defaults("calibration");
    let date = match table.value("date") {
        None => Some(None),
        Some(value) => match value.get_ref() {
            DeValue::Datetime(date) if date.date.is_some() && date.time.is_none() => {
                Some(Some(date.to_string()))
            }
            _ => {
                table.note("date", DATE);
                None
            }
        },
    };
    let uncertainty = match table.has(UNCERTAINTY.key) {
        true => table.number(&UNCERTAINTY).map(Some),
        false => Some(None),
    };
    let temperature = if table.has(COEFFICIENT.key) {
        let coefficient = table.number(&COEFFICIENT);
        let reference = table.number_or(&REFERENCE, STANDARD);
        let from = known.temperature(&mut table, "temperature");
        match (coefficient, reference, from) {
            (Some(coefficient), Some(reference), Some(from)) => {
                Some(Some(Dependence { coefficient, reference: Celsius(reference), from }))
            }
            _ => None,
        }
    } else {
        table.forbid(&[REFERENCE.key, "temperature"], "belongs to coefficient_per_k");
        Some(None)
    };
    table.finish();
    Some(Calibration { date: date?, uncertainty_percent: uncertainty?, temperature: temperature? })
}
