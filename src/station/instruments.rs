//! The load's, the boost supply's and the sensors' tables.

use super::accuracy;
use super::commands::CommandSets;
use super::link::Links;
use super::reader::{Number, Section};
use super::spec::{Address, BoostSpec, LoadSpec, SensorSpec};
use crate::instruments::link::SHORTEST_USBTMC_DEADLINE;
use crate::instruments::{LoadCommands, SupplyCommands};
use crate::quantities::{Amps, Volts};
use std::time::Duration;

const fn seconds(key: &'static str, low: f64, high: f64, hint: &'static str) -> Number {
    Number { key, low, high, unit: "s", hint }
}

const DEADLINE: Number =
    seconds("deadline_s", 0.02, 30.0, "state when a reply counts as lost, 1 by default");
const SETTLING: Number =
    seconds("settling_s", 0.0, 10.0, "state the time constant after a step of the setpoint");
const WINDOW: Number = seconds("window_s", 0.0, 10.0, "state the length of the measurement window");
const LATENCY: Number =
    seconds("latency_s", 0.0, 10.0, "state the time from the request to the measurement");
const DEFAULT_DEADLINE: Duration = Duration::from_secs(1);

pub(super) const PROTECTION: Number = Number {
    key: "current_protection_amps",
    low: 0.001,
    high: 1000.0,
    unit: "A",
    hint: "state the current where the load itself lets go, at least device_amps_max",
};

const RANGE: Number = Number {
    key: "range_amps",
    low: 0.001,
    high: 1000.0,
    unit: "A",
    hint: "state the current range that the load works in, at least current_protection_amps",
};

const fn error(key: &'static str, limit: f64, unit: &'static str, hint: &'static str) -> Number {
    Number { key, low: -limit, high: limit, unit, hint }
}

const fn size(key: &'static str, high: f64, unit: &'static str, hint: &'static str) -> Number {
    Number { key, low: 0.0, high, unit, hint }
}

/// What a simulated load does wrong.
const NOISE_VOLTS: Number = size("noise_volts", 10.0, "V", "state a standard deviation");
const NOISE_AMPS: Number = size("noise_amps", 10.0, "A", "state a standard deviation");
const RESOLUTION_VOLTS: Number = size("resolution_volts", 1.0, "V", "state the step of readings");
const RESOLUTION_AMPS: Number = size("resolution_amps", 1.0, "A", "state the step of readings");
const GAIN_VOLTS: Number = error("gain_volts", 0.1, "", "state a relative error");
const GAIN_AMPS: Number = error("gain_amps", 0.1, "", "state a relative error");
const OFFSET_VOLTS: Number = error("offset_volts", 1.0, "V", "state a constant error");
const OFFSET_AMPS: Number = error("offset_amps", 1.0, "A", "state a constant error");
const ERRORS: [&str; 8] = [
    NOISE_VOLTS.key,
    NOISE_AMPS.key,
    RESOLUTION_VOLTS.key,
    RESOLUTION_AMPS.key,
    GAIN_VOLTS.key,
    GAIN_AMPS.key,
    OFFSET_VOLTS.key,
    OFFSET_AMPS.key,
];

const BOOST_VOLTS: Number =
    Number { key: "volts", low: 0.5, high: 60.0, unit: "V", hint: "state its output voltage" };
pub(super) const BOOST_AMPS: Number = Number {
    key: "amps",
    low: 0.001,
    high: 1000.0,
    unit: "A",
    hint: "state its current rating, at least device_amps_max: it carries the whole device current",
};

const LAG: Number = seconds("lag_s", 0.0, 600.0, "state the sensor's time constant");
const SENSOR_GAIN: Number = error("gain", 0.2, "", "state a relative error");

/// Notes a description of words where nobody would speak them.
fn judge_commands(section: &mut Section<'_>, address: Option<&Address>) {
    let why = match address {
        Some(Address::Plant) => "a simulated instrument has no words; take the key out",
        None => "nothing is said to an instrument without a link; take the key out",
        Some(_) => return,
    };
    section.forbid(&["commands"], why);
}

/// Reads `[channel.load]`.
pub(super) fn load(
    section: &mut Section<'_>,
    links: &Links,
    sets: &CommandSets,
) -> Option<LoadSpec> {
    let address = links.needed(section);
    let identity = links.identity(section, address.as_ref());
    let commands = match &address {
        Some(Address::Plant) => {
            judge_commands(section, address.as_ref());
            LoadCommands::default()
        }
        _ => sets.of_load(section),
    };
    let range = if section.has(RANGE.key) { section.number(&RANGE).map(Some) } else { Some(None) };
    let deadline = section.seconds_or(&DEADLINE, DEFAULT_DEADLINE);
    let settling = section.seconds(&SETTLING);
    let window = section.seconds(&WINDOW);
    let latency = section.seconds(&LATENCY);
    let protection = section.number(&PROTECTION);
    if address.as_ref().is_some_and(|address| *address != Address::Plant) {
        let why = "describes a simulated load, and this one is real; take the key out";
        section.forbid(&ERRORS, why);
    }
    let noise = (section.number_or(&NOISE_VOLTS, 0.0), section.number_or(&NOISE_AMPS, 0.0));
    let step =
        (section.number_or(&RESOLUTION_VOLTS, 0.0), section.number_or(&RESOLUTION_AMPS, 0.0));
    let gain = (section.number_or(&GAIN_VOLTS, 0.0), section.number_or(&GAIN_AMPS, 0.0));
    let offset = (section.number_or(&OFFSET_VOLTS, 0.0), section.number_or(&OFFSET_AMPS, 0.0));
    let own = [noise.0, step.0, noise.1, step.1].map(|own| own.unwrap_or(0.0));
    let accuracy = accuracy::meters(section, own);
    let spec = LoadSpec {
        address: address?,
        identity,
        commands,
        range: range?.map(Amps),
        deadline: deadline?,
        settling: settling?,
        window: window?,
        latency: latency?,
        current_protection: Amps(protection?),
        noise_volts: Volts(noise.0?),
        noise_amps: Amps(noise.1?),
        resolution_volts: Volts(step.0?),
        resolution_amps: Amps(step.1?),
        gain_volts: gain.0?,
        gain_amps: gain.1?,
        offset_volts: Volts(offset.0?),
        offset_amps: Amps(offset.1?),
        accuracy: accuracy?,
    };
    judge_load(section, &spec);
    Some(spec)
}

fn judge_load(section: &Section<'_>, spec: &LoadSpec) {
    let deadline = spec.deadline.as_secs_f64();
    let busy = (spec.window + spec.latency).as_secs_f64();
    if deadline <= busy {
        let text = format!(
            "{deadline} s is over before a reading is made; state more than window_s and latency_s \
             together ({busy} s)"
        );
        section.note(DEADLINE.key, text);
    } else if matches!(spec.address, Address::UsbTmc { .. })
        && spec.deadline < SHORTEST_USBTMC_DEADLINE
    {
        let shortest = SHORTEST_USBTMC_DEADLINE.as_secs_f64();
        let text = format!(
            "{deadline} s is shorter than a USB-TMC driver can wait; state at least {shortest}"
        );
        section.note(DEADLINE.key, text);
    }
    if let Some(range) = spec.range.filter(|range| *range < spec.current_protection) {
        let text = format!(
            "{range} is less than {} ({}); {}",
            PROTECTION.key, spec.current_protection, RANGE.hint
        );
        section.note(RANGE.key, text);
    }
}

/// Reads `[channel.boost]`.
pub(super) fn boost(
    section: &mut Section<'_>,
    links: &Links,
    sets: &CommandSets,
) -> Option<BoostSpec> {
    let volts = section.number(&BOOST_VOLTS);
    let amps = section.number(&BOOST_AMPS);
    let linked = section.has("link");
    let address = links.if_any(section);
    let identity = links.identity(section, address.as_ref());
    let real = address.as_ref().is_some_and(|address| *address != Address::Plant);
    let commands = if real {
        sets.of_supply(section)
    } else {
        if address.is_some() || !linked {
            judge_commands(section, address.as_ref());
        }
        SupplyCommands::default()
    };
    let measured = section.flag_or("measured", linked);
    let accuracy = accuracy::boost(section);
    if !linked {
        if measured == Some(true) {
            let text = "a supply without a link can't report its voltage; state its link, or false";
            section.note("measured", text);
        }
        if identity.is_some() {
            section.note("identity", "a supply without a link can't be asked; state its link");
        }
    } else if address.is_none() {
        return None;
    }
    Some(BoostSpec {
        volts: Volts(volts?),
        amps: Amps(amps?),
        address,
        identity,
        commands,
        measured: measured?,
        accuracy: accuracy?,
    })
}

/// Reads the table of a sensor, which only a plant has.
pub(super) fn sensor(
    channel: &mut Section<'_>,
    key: &'static str,
    plant: bool,
) -> Option<SensorSpec> {
    let mut section = channel.table_if_any(key)?;
    if !plant {
        section.note("", "sensors are read on a plant only; take the table out");
    }
    let lag = section.seconds_or(&LAG, Duration::ZERO);
    let gain = section.number_or(&SENSOR_GAIN, 0.0);
    let own = lag.map_or(0.0, |lag| lag.as_secs_f64());
    let accuracy = accuracy::sensor(&mut section, None, Some(own));
    section.finish();
    Some(SensorSpec { lag: lag?, gain: gain?, accuracy: accuracy? })
}
