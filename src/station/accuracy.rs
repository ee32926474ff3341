//! What data sheets and certificates say of the readings: for the uncertainty of I-V curves.
//!
//! Model: each table of an instrument may have a table `accuracy` of its own. Once that of the load is
//! stated, those of everything else that a figure hangs on are needed, too: an uncertainty that leaves
//! out the boost supply or the irradiance claims to know more than it does. Without the load's
//! nothing is stated at all.

use super::reader::{Number, Section};
use super::sensor::StationSensor;
use super::spec::{BoostSpec, ChannelSpec, LoadSpec, SensorSpec};
use crate::control::SweepConfig;
use crate::curve::uncertainty::{Instrument, Spec, Stated};
use crate::sensors::Quantity;

const HOW: &str = "write { limits = ... }, { expanded = ..., k = 2.0 } or { standard = ... }";
/// What the load's table is called, from a channel.
pub(super) const LOAD: &str = "[channel.load.accuracy]";

const fn error(key: &'static str, high: f64, unit: &'static str) -> Number {
    Number { key, low: 0.0, high, unit, hint: HOW }
}

const GAIN_VOLTS: Number = error("gain_volts", 0.1, "");
const OFFSET_VOLTS: Number = error("offset_volts", 10.0, "V");
const GAIN_AMPS: Number = error("gain_amps", 0.1, "");
const OFFSET_AMPS: Number = error("offset_amps", 10.0, "A");
const NOISE_VOLTS: Number = of_reading("noise_volts", 10.0, "V");
const RESOLUTION_VOLTS: Number = step("resolution_volts", 1.0, "V");
const NOISE_AMPS: Number = of_reading("noise_amps", 10.0, "A");
const RESOLUTION_AMPS: Number = step("resolution_amps", 1.0, "A");
const GAIN: Number = error("gain", 0.5, "");
const OFFSET: Number = error("offset", 100.0, "");
const NOISE: Number = of_reading("noise", 100.0, "");
const RESOLUTION: Number = step("resolution", 100.0, "");
const LAG: Number = Number {
    key: "lag_s",
    low: 0.0,
    high: 600.0,
    unit: "s",
    hint: "state the sensor's time constant",
};
const COVERAGE: Number = Number {
    key: "k",
    low: 1.0,
    high: 4.0,
    unit: "",
    hint: "state the certificate's coverage factor, usually 2",
};
const BOOST: Number = error("accuracy", 10.0, "V");
const LEADS: Number = error("lead_accuracy", 1.0, "ohm");
const AREA: Number = Number {
    key: "area_m2",
    low: 1e-6,
    high: 1000.0,
    unit: "m2",
    hint: "state the area that the efficiency refers to; of a concentrator the aperture's",
};
/// Errors of the device's own numbers, relative to them.
const DEVICE: [Number; 5] = [
    error("area", 0.5, ""),
    error("alpha", 2.0, ""),
    error("beta", 2.0, ""),
    error("series", 2.0, ""),
    error("kappa", 10.0, ""),
];
/// A calibration's expanded uncertainty has this coverage factor, where a sensor's table gives percent.
const PERCENT_COVERAGE: f64 = 2.0;
const HALF: f64 = 0.5;

const fn of_reading(key: &'static str, high: f64, unit: &'static str) -> Number {
    Number { key, low: 0.0, high, unit, hint: "state the standard deviation of one reading" }
}

const fn step(key: &'static str, high: f64, unit: &'static str) -> Number {
    Number { key, low: 0.0, high, unit, hint: "state the smallest step of readings" }
}

/// An error that must be stated.
fn needed(section: &mut Section<'_>, what: &Number) -> Option<Spec> {
    let hint = format!("{} ({})", what.hint, what.with_unit(format_args!("0..={}", what.high)));
    let value = section.needed(what.key, &hint)?;
    let mut inline = section.inline(what.key, value);
    value.get_ref().as_table()?;
    let number = |key| Number { key, ..*what };
    let found = match ["limits", "expanded", "standard"].map(|key| inline.has(key)) {
        [true, false, false] => inline.number(&number("limits")).map(Spec::Limits),
        [false, true, false] => {
            let (expanded, coverage) =
                (inline.number(&number("expanded")), inline.number(&COVERAGE));
            expanded
                .zip(coverage)
                .map(|(expanded, coverage)| Spec::Calibrated { expanded, coverage })
        }
        [false, false, true] => inline.number(&number("standard")).map(Spec::Standard),
        _ => {
            inline.has("k");
            inline.note("", format!("one of the three; {HOW}"));
            None
        }
    };
    inline.finish();
    found
}

/// An error that may be left out; the outer None when something is wrong.
fn stated(section: &mut Section<'_>, what: &Number) -> Option<Option<Spec>> {
    if section.has(what.key) { needed(section, what).map(Some) } else { Some(None) }
}

/// What is known of a load's voltmeter and ammeter.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Meters {
    /// Its voltmeter.
    pub volts: Instrument,
    /// Its ammeter.
    pub amps: Instrument,
}

/// Reads `[channel.load.accuracy]`. `own`: noise and step of volts, then of amps, that count unless
/// stated, as those of a simulated load do.
pub(super) fn meters(table: &mut Section<'_>, own: [f64; 4]) -> Option<Option<Meters>> {
    let Some(mut section) = table.table_if_any("accuracy") else { return Some(None) };
    let volts = (needed(&mut section, &GAIN_VOLTS), needed(&mut section, &OFFSET_VOLTS));
    let amps = (needed(&mut section, &GAIN_AMPS), needed(&mut section, &OFFSET_AMPS));
    let noise = section.number_or(&NOISE_VOLTS, own[0]);
    let step = section.number_or(&RESOLUTION_VOLTS, own[1]);
    let noise_amps = section.number_or(&NOISE_AMPS, own[2]);
    let step_amps = section.number_or(&RESOLUTION_AMPS, own[3]);
    section.finish();
    let made =
        |(gain, offset): (Option<Spec>, Option<Spec>), noise: Option<f64>, step: Option<f64>| {
            Some(Instrument { gain: gain?, offset: offset?, noise: noise?, resolution: step? })
        };
    let (volts, amps) = (made(volts, noise, step), made(amps, noise_amps, step_amps));
    Some(Some(Meters { volts: volts?, amps: amps? }))
}

/// What is known of a sensor's values, in its quantity's unit.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Accuracy {
    /// Its errors.
    pub meter: Instrument,
    /// Time constant of its lag (s, 0..=600).
    pub lag: f64,
}

/// Reads a sensor's `accuracy`; a calibration's percentage stands for the gain where that is left out. The
/// lag is asked for unless `lag` has it.
pub(super) fn sensor(
    section: &mut Section<'_>,
    percent: Option<f64>,
    lag: Option<f64>,
) -> Option<Option<Accuracy>> {
    let calibrated = percent
        .map(|percent| Spec::Calibrated { expanded: percent / 100.0, coverage: PERCENT_COVERAGE });
    let Some(mut table) = section.table_if_any("accuracy") else {
        let meter = |gain| Instrument { gain, ..Instrument::PERFECT };
        let lag = lag.unwrap_or(0.0);
        return Some(calibrated.map(|gain| Accuracy { meter: meter(gain), lag }));
    };
    let gain = stated(&mut table, &GAIN);
    let offset = stated(&mut table, &OFFSET);
    let noise = table.number_or(&NOISE, 0.0);
    let resolution = table.number_or(&RESOLUTION, 0.0);
    let lag = match lag {
        Some(lag) => Some(lag),
        None => table.number_or(&LAG, 0.0),
    };
    table.finish();
    let meter = Instrument {
        gain: gain?.or(calibrated).unwrap_or(Spec::NONE),
        offset: offset?.unwrap_or(Spec::NONE),
        noise: noise?,
        resolution: resolution?,
    };
    Some(Some(Accuracy { meter, lag: lag? }))
}

/// Reads the boost supply's `accuracy` (V).
pub(super) fn boost(table: &mut Section<'_>) -> Option<Option<Spec>> {
    stated(table, &BOOST)
}

/// What a channel's uncertainty is put together of, but for real sensors.
pub(super) struct Parts<'p> {
    /// None where something is wrong with it.
    pub(super) load: Option<&'p LoadSpec>,
    pub(super) boost: Option<&'p BoostSpec>,
    /// Whether leads count at all.
    pub(super) leads: bool,
    pub(super) irradiance: Option<SensorSpec>,
    pub(super) temperature: Option<SensorSpec>,
    /// None where something is wrong with it.
    pub(super) sweep: Option<&'p SweepConfig>,
}

/// Puts a channel's uncertainty together; the outer None when something is wrong.
pub(super) fn channel(section: &mut Section<'_>, parts: &Parts<'_>) -> Option<Option<Stated>> {
    let leads = stated(section, &LEADS);
    let device = section.table_if_any("analysis");
    let mut whole = Stated::NOTHING;
    let device =
        device.map_or(Some(false), |table| device_errors(table, &mut whole).map(|()| true));
    let (leads, device) = (leads?, device?);
    let (load, sweep) = (parts.load?, parts.sweep?);
    let Some(meters) = load.accuracy else {
        let why = format!("says nothing without {LOAD}; state that, or take this out");
        let boost = parts.boost.is_some_and(|boost| boost.accuracy.is_some());
        let light = parts.irradiance.is_some_and(|one| one.accuracy.is_some());
        let back = parts.temperature.is_some_and(|one| one.accuracy.is_some());
        for (said, key) in [
            (leads.is_some(), LEADS.key),
            (device, "analysis"),
            (boost, "boost"),
            (light, "irradiance"),
            (back, "module_temperature"),
        ] {
            if said {
                section.note(key, format!("its accuracy {why}"));
            }
        }
        return Some(None);
    };
    let inputs = &mut whole.inputs;
    // A point is the mean of so many readings.
    let quieter = f64::from(sweep.readings).sqrt();
    let mean = |one: Instrument| Instrument { noise: one.noise / quieter, ..one };
    (inputs.volts, inputs.amps) = (mean(meters.volts), mean(meters.amps));
    let missing = |key, lacks: bool, unit: &str| {
        if lacks {
            section.note(key, format!("its accuracy{unit} is missing beside {LOAD}; {HOW}"));
        }
    };
    missing(LEADS.key, parts.leads && leads.is_none(), " lead_accuracy (ohm)");
    inputs.leads = leads.unwrap_or(Spec::NONE);
    if let Some(boost) = parts.boost {
        missing("boost", boost.accuracy.is_none(), " (V)");
        inputs.raised = boost.volts.0;
        inputs.boost = boost.accuracy.unwrap_or(Spec::NONE);
    }
    if let Some(light) = parts.irradiance {
        missing("irradiance", light.accuracy.is_none(), "");
        inputs.irradiance = light.accuracy.map_or(Instrument::PERFECT, |known| known.meter);
        whole.delay = light.lag.as_secs_f64();
        // One that lags is looked at once a turn: it tells the light of half a turn before, or so.
        if whole.delay > 0.0 {
            let turn = sweep.settle + (load.window + load.latency) * u32::from(sweep.readings);
            inputs.delay = Spec::Limits(HALF * turn.as_secs_f64());
        }
    }
    inputs.cell = parts
        .temperature
        .and_then(|one| one.accuracy)
        .map_or(Spec::NONE, |known| known.meter.offset);
    Some(Some(whole))
}

/// Reads `[channel.analysis]`.
fn device_errors(mut table: Section<'_>, whole: &mut Stated) -> Option<()> {
    let area = if table.has(AREA.key) { table.number(&AREA).map(Some) } else { Some(None) };
    let errors = DEVICE.each_ref().map(|what| stated(&mut table, what));
    table.finish();
    whole.area = area?;
    let [area, alpha, beta, series, kappa] = errors;
    let inputs = &mut whole.inputs;
    inputs.area = area?.unwrap_or(Spec::NONE);
    inputs.alpha = alpha?.unwrap_or(Spec::NONE);
    inputs.beta = beta?.unwrap_or(Spec::NONE);
    inputs.series = series?.unwrap_or(Spec::NONE);
    inputs.kappa = kappa?.unwrap_or(Spec::NONE);
    Some(())
}

/// The sensor whose word on a quantity counts first for a channel.
fn first<'s>(
    channel: &ChannelSpec,
    sensors: impl Iterator<Item = &'s StationSensor>,
    wanted: fn(Quantity) -> bool,
) -> Option<&'s StationSensor> {
    let id = channel.control.id;
    let serves =
        |one: &&StationSensor| wanted(one.sensor.quantity) && one.sensor.channels.contains(&id);
    sensors.filter(serves).min_by_key(|one| one.sensor.rank)
}

/// The irradiance that a channel's uncertainty hangs on and of which nothing is known, as a problem.
pub(super) fn lacking<'s>(
    channel: &ChannelSpec,
    sensors: impl Iterator<Item = &'s StationSensor>,
) -> Option<(&'s StationSensor, String)> {
    channel.stated.as_ref()?;
    let one = first(channel, sensors, Quantity::is_irradiance)?;
    one.accuracy.is_none().then(|| {
        let text = format!(
            "missing: channel {} states {LOAD}, and this is its irradiance; state gain in \
             [sensor.accuracy], or uncertainty_percent in [sensor.calibration]",
            channel.name
        );
        (one, text)
    })
}

/// Puts a channel's real sensors in: the first in the order of trust of each quantity.
///
/// A value is asked for once a period and serves until the next: it is half a period late, give or take
/// as much, beside its lag.
pub(super) fn sensed(channel: &mut ChannelSpec, sensors: &[StationSensor]) {
    let light = first(channel, sensors.iter(), Quantity::is_irradiance);
    let back = first(channel, sensors.iter(), |quantity| quantity == Quantity::ModuleTemperature);
    let Some(whole) = &mut channel.stated else { return };
    if let Some((one, known)) = light.and_then(|one| Some((one, one.accuracy?))) {
        let late = HALF * one.sensor.period.as_secs_f64();
        whole.inputs.irradiance = known.meter;
        whole.delay = known.lag + late;
        whole.inputs.delay = Spec::Limits(late);
    }
    if let Some(known) = back.and_then(|one| one.accuracy) {
        whole.inputs.cell = known.meter.offset;
    }
}
