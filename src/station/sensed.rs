//! The envelope's limits that sensors check, and its tolerances.

use super::reader::{Number, Section, Whole};
use crate::control::{DeratedBy, Derating, DeratingError, DeratingPoint, SensedLimits, Tolerances};
use crate::quantities::{Celsius, Irradiance, Volts, Watts};
use std::time::Duration;

pub(super) const DEVICE_TEMPERATURE: Number = Number {
    key: "device_temperature_max_degc",
    low: -40.0,
    high: 300.0,
    unit: "degC",
    hint: "state the largest back-of-module temperature the device stands",
};
pub(super) const HEATSINK_TEMPERATURE: Number = Number {
    key: "heatsink_temperature_max_degc",
    low: -40.0,
    high: 200.0,
    unit: "degC",
    hint: "state the largest temperature the load's heat sink stands",
};
const HEATSINK_MARGIN: Number = Number {
    key: "heatsink_margin_k",
    low: 0.0,
    high: 50.0,
    unit: "K",
    hint: "state how far below its largest the heat sink must have cooled to begin, 5 by default",
};
/// Unless stated: minutes of cooling, so that a warm load isn't switched every few seconds (K).
const DEFAULT_MARGIN: f64 = 5.0;
pub(super) const IRRADIANCE: Number = Number {
    key: "irradiance_max",
    low: 50.0,
    high: 5000.0,
    unit: "W/m2",
    hint: "state the irradiance above which the device is let go, 1500 passes every cloud edge",
};
pub(super) const POINTING: Number = Number {
    key: "pointing_error_max_deg",
    low: 0.01,
    high: 90.0,
    unit: "degrees",
    hint: "state how far the mount may point beside the sun",
};
pub(super) const ON_SUN: &str = "needs_on_sun";
const BLIND_GRACE: Number = Number {
    key: "blind_grace_s",
    low: 0.0,
    high: 3600.0,
    unit: "s",
    hint: "state how long a limit may go unchecked when its sensor is silent",
};
pub(super) const OVER_HEATSINK: Number = Number {
    key: "load_watts_over_heatsink",
    low: -40.0,
    high: 1e5,
    unit: "",
    hint: "write [[watts, degC], ...] by rising temperature, as [[600, 40], [300, 70]]",
};
pub(super) const OVER_AIR: Number = Number { key: "load_watts_over_air", ..OVER_HEATSINK };

/// Reads the limits that sensors check; `max_sensor_age` is the grace unless one is stated.
pub(super) fn limits(
    section: &mut Section<'_>,
    max_sensor_age: Option<Duration>,
) -> Option<SensedLimits> {
    let device = optional(section, &DEVICE_TEMPERATURE);
    let heatsink = optional(section, &HEATSINK_TEMPERATURE);
    let heatsink_margin = section.number_or(&HEATSINK_MARGIN, DEFAULT_MARGIN);
    let irradiance = optional(section, &IRRADIANCE);
    let pointing = optional(section, &POINTING);
    let needs_on_sun = section.flag_or(ON_SUN, false);
    let derating = derating(section);
    let blind_grace =
        if section.has(BLIND_GRACE.key) { section.seconds(&BLIND_GRACE) } else { max_sensor_age };
    Some(SensedLimits {
        device_temperature_max: device?.map(Celsius),
        heatsink_temperature_max: heatsink?.map(Celsius),
        heatsink_margin: heatsink_margin?,
        irradiance_max: irradiance?.map(Irradiance),
        pointing_error_max: pointing?,
        needs_on_sun: needs_on_sun?,
        derating: derating?,
        blind_grace: blind_grace?,
    })
}

/// A number that may be left out; the outer None when it is wrong.
fn optional(section: &mut Section<'_>, what: &Number) -> Option<Option<f64>> {
    if section.has(what.key) { section.number(what).map(Some) } else { Some(None) }
}

fn derating(section: &mut Section<'_>) -> Option<Option<Derating>> {
    let (what, by) = match (section.has(OVER_HEATSINK.key), section.has(OVER_AIR.key)) {
        (false, false) => return Some(None),
        (true, false) => (&OVER_HEATSINK, DeratedBy::HeatSink),
        (false, true) => (&OVER_AIR, DeratedBy::Air),
        (true, true) => {
            let text = format!("the load is derated by {} already; state one", OVER_HEATSINK.key);
            section.note(OVER_AIR.key, text);
            return None;
        }
    };
    let value = section.value(what.key)?;
    let points: Vec<_> = section
        .pairs(what, value)?
        .into_iter()
        .map(|[watts, degc]| DeratingPoint { watts: Watts(watts), temperature: Celsius(degc) })
        .collect();
    let built = Derating::new(by, &points);
    if let Err(why) = &built {
        let items = value.get_ref().as_array();
        let at = match why {
            DeratingError::NotFalling { index } => items.and_then(|items| items.get(index - 1)),
            DeratingError::Empty | DeratingError::TooMany => None,
        };
        section.note_at(at.unwrap_or(value), what.key, format!("{why}; {}", what.hint));
    }
    built.ok().map(Some)
}

const BOOST_RISE: Number = Number {
    key: "boost_rise_s",
    low: 0.05,
    high: 30.0,
    unit: "s",
    hint: "state how long the boost supply takes to rise, 1 by default",
};
const BOOST_SHARE: Number = Number {
    key: "boost_tolerance",
    low: 0.0,
    high: 0.5,
    unit: "",
    hint: "state how far the boost voltage may lie off, as a share of it, 0.1 by default",
};
const BOOST_VOLTS: Number = Number {
    key: "boost_tolerance_volts",
    low: 0.01,
    high: 5.0,
    unit: "V",
    hint: "state how far the boost voltage may lie off beside that share, 0.3 by default",
};
const FOLLOW_SHARE: Number = Number {
    key: "follow_tolerance",
    low: 0.0,
    high: 0.2,
    unit: "",
    hint: "state how far the load may lie above its setpoint, as a share of it, 0.01 by default",
};
const FOLLOW_VOLTS: Number = Number {
    key: "follow_tolerance_volts",
    low: 0.01,
    high: 5.0,
    unit: "V",
    hint: "state how far the load may lie above its setpoint beside that share, 0.2 by default",
};
const FOLLOW_READINGS: Whole = Whole {
    key: "follow_readings",
    low: 1,
    high: 100,
    hint: "state how many readings in a row may not follow, 5 by default",
};

/// Reads the tolerances.
pub(super) fn tolerances(section: &mut Section<'_>) -> Option<Tolerances> {
    let usual = Tolerances::default();
    let boost_rise = section.seconds_or(&BOOST_RISE, usual.boost_rise);
    let boost_share = section.number_or(&BOOST_SHARE, usual.boost_share);
    let boost_volts = section.number_or(&BOOST_VOLTS, usual.boost_volts.0);
    let follow_share = section.number_or(&FOLLOW_SHARE, usual.follow_share);
    let follow_volts = section.number_or(&FOLLOW_VOLTS, usual.follow_volts.0);
    let readings = section.whole(&FOLLOW_READINGS, Some(usual.follow_readings.into()));
    Some(Tolerances {
        boost_rise: boost_rise?,
        boost_share: boost_share?,
        boost_volts: Volts(boost_volts?),
        follow_share: follow_share?,
        follow_volts: Volts(follow_volts?),
        follow_readings: u8::try_from(readings?).ok()?,
    })
}
