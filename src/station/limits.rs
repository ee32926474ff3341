//! The envelope's, the daylight's and the retries' tables.

use super::reader::{Number, Section};
use super::sensed;
use super::spec::BoostSpec;
use crate::control::{
    Capability, CapabilityError, CapabilityPoint, Daylight, Envelope, Retry, ZeroLimits,
};
use crate::quantities::{Amps, Irradiance, Volts, Watts};
use std::time::Duration;

/// Most volts anywhere (V): device voltages of strings stay below, loads carry some more.
const MOST_DEVICE_VOLTS: f64 = 600.0;

pub(super) const DEVICE_VOLTS: Number = Number {
    key: "device_volts_max",
    low: 1.0,
    high: MOST_DEVICE_VOLTS,
    unit: "V",
    hint: "state the largest open-circuit voltage plus a margin",
};
const REVERSE: Number = Number {
    key: "reverse_allowance_volts",
    low: 0.0,
    high: 5.0,
    unit: "V",
    hint: "state how far below 0 V the device may be driven, 0.5 is plenty",
};
pub(super) const DEVICE_AMPS: Number = Number {
    key: "device_amps_max",
    low: 0.001,
    high: 1000.0,
    unit: "A",
    hint: "state the short-circuit current at 1500 W/m2 (cloud edges) plus a margin",
};
const DEVICE_WATTS: Number = Number {
    key: "device_watts_max",
    low: 0.001,
    high: 1e5,
    unit: "W",
    hint: "state the largest power at 1500 W/m2 (cloud edges) plus a margin",
};
const LOAD_VOLTS: Number = Number {
    key: "load_volts_max",
    low: 1.0,
    high: 1000.0,
    unit: "V",
    hint: "state the load's voltage rating, at least device_volts_max plus the boost voltage",
};
const LOAD_WATTS: Number = Number {
    key: "load_watts_max",
    low: 0.001,
    high: 1e5,
    unit: "W",
    hint: "state what the load can dissipate for hours, at least device_watts_max",
};
const CAPABILITY: Number = Number {
    key: "capability",
    low: 0.0,
    high: 1000.0,
    unit: "",
    hint: "write [[volts, amps], ...] from low to high, as [[0.0, 0.0], [2.0, 20.0]]",
};

/// Reads `[channel.envelope]`. `boost` is None where there is a supply whose table is wrong;
/// `max_sensor_age` where it is.
pub(super) fn envelope(
    section: &mut Section<'_>,
    boost: Option<Option<&BoostSpec>>,
    max_sensor_age: Option<Duration>,
) -> Option<Envelope> {
    let device_volts = section.number(&DEVICE_VOLTS);
    let reverse = section.number_or(&REVERSE, 0.0);
    let device_amps = section.number(&DEVICE_AMPS);
    let device_watts = section.number(&DEVICE_WATTS);
    let load_volts = section.number(&LOAD_VOLTS);
    let load_watts = section.number(&LOAD_WATTS);
    let capability = capability(section);
    let sensed = sensed::limits(section, max_sensor_age);
    let tolerances = sensed::tolerances(section);
    if let Some(boost) = boost {
        let volts = boost.map_or(0.0, |boost| boost.volts.0);
        fits_the_load(section, device_volts, load_volts, volts);
        if let Some(reverse) = reverse.filter(|reverse| *reverse > volts) {
            let text = format!(
                "{reverse} V below zero can't be reached with {volts} V of boost; state at most \
                 {volts}"
            );
            section.note(REVERSE.key, text);
        }
    }
    if let (Some(device), Some(load)) = (device_watts, load_watts)
        && load < device
    {
        let text =
            format!("{load} W is less than device_watts_max ({device} W); {}", LOAD_WATTS.hint);
        section.note(LOAD_WATTS.key, text);
    }
    if let (Some(capability), Some(amps)) = (&capability, device_amps)
        && capability.volts_for(Amps(amps)).is_none()
    {
        let text = format!(
            "the load never sinks device_amps_max ({amps} A); let the last point reach it, or \
             lower device_amps_max"
        );
        section.note(CAPABILITY.key, text);
    }
    Some(Envelope {
        device_volts_max: Volts(device_volts?),
        reverse_allowance: Volts(reverse?),
        device_amps_max: Amps(device_amps?),
        device_watts_max: Watts(device_watts?),
        load_volts_max: Volts(load_volts?),
        load_watts_max: Watts(load_watts?),
        boost_amps_max: boost?.map(|boost| boost.amps),
        capability: capability?,
        sensed: sensed?,
        tolerances: tolerances?,
    })
}

fn fits_the_load(section: &Section<'_>, device: Option<f64>, load: Option<f64>, boost: f64) {
    let (Some(device), Some(load)) = (device, load) else { return };
    let sum = device + boost;
    if sum > load {
        let text = format!(
            "{load} V is less than device_volts_max plus the boost voltage ({device} V + {boost} V \
             = {sum} V); {}",
            LOAD_VOLTS.hint
        );
        section.note(LOAD_VOLTS.key, text);
    }
}

fn capability(section: &mut Section<'_>) -> Option<Capability> {
    let value = section.needed(CAPABILITY.key, CAPABILITY.hint)?;
    let points: Vec<_> = section
        .pairs(&CAPABILITY, value)?
        .into_iter()
        .map(|[volts, amps]| CapabilityPoint { volts: Volts(volts), amps: Amps(amps) })
        .collect();
    let built = Capability::new(&points);
    if let Err(why) = &built {
        let at = match why {
            CapabilityError::NotRising { index } => {
                value.get_ref().as_array().and_then(|items| items.get(index - 1))
            }
            CapabilityError::Empty | CapabilityError::TooMany => None,
        };
        section.note_at(at.unwrap_or(value), CAPABILITY.key, why.to_string());
    }
    built.ok()
}

const WAKE: Number = Number {
    key: "wake",
    low: 1.0,
    high: 200.0,
    unit: "W/m2",
    hint: "state the irradiance to wake above, 20 by default",
};
const SLEEP: Number = Number {
    key: "sleep",
    low: 0.0,
    high: 200.0,
    unit: "W/m2",
    hint: "state the irradiance to sleep below, less than wake, 10 by default",
};
const WAKE_VOLTS: Number = Number {
    key: "wake_volts",
    low: 0.0,
    high: MOST_DEVICE_VOLTS,
    unit: "V",
    hint: "state the open-circuit voltage to wake above, about half of that in full sun",
};
const SLEEP_WATTS: Number = Number {
    key: "sleep_watts",
    low: 0.0,
    high: 1e4,
    unit: "W",
    hint: "state the power below which the device yields nothing, 0.5 by default",
};
const DUSK_DELAY: Number = Number {
    key: "dusk_delay_s",
    low: 1.0,
    high: 3600.0,
    unit: "s",
    hint: "state how long it must be dark, 60 by default",
};
const LOOK_EVERY: Number = Number {
    key: "look_every_s",
    low: 0.1,
    high: 600.0,
    unit: "s",
    hint: "state how often a channel that isn't tracking looks up, 10 by default",
};
const ZERO_AMPS: Number = Number {
    key: "zero_amps",
    low: 1e-6,
    high: 10.0,
    unit: "A",
    hint: "state what the load may show with its input off, 0.1 % of device_amps_max by default",
};
const ZERO_IRRADIANCE: Number = Number {
    key: "zero_irradiance",
    low: 0.1,
    high: 100.0,
    unit: "W/m2",
    hint: "state what the irradiance sensor may show at night, 15 by default",
};
const DEFAULT_WAKE: f64 = 20.0;
const DEFAULT_SLEEP: f64 = 10.0;
const DEFAULT_SLEEP_WATTS: f64 = 0.5;
const DEFAULT_DUSK_DELAY: Duration = Duration::from_secs(60);
const DEFAULT_LOOK_EVERY: Duration = Duration::from_secs(10);

/// Reads `[channel.daylight]`; the envelope is known when it is right.
pub(super) fn daylight(section: &mut Section<'_>, envelope: Option<&Envelope>) -> Option<Daylight> {
    let device_volts_max = envelope.map(|envelope| envelope.device_volts_max.0);
    let usual = ZeroLimits::usual(envelope.map_or(Amps::ZERO, |envelope| envelope.device_amps_max));
    let zero_amps = section.number_or(&ZERO_AMPS, usual.amps.0);
    let zero_irradiance = section.number_or(&ZERO_IRRADIANCE, usual.irradiance.0);
    let wake = section.number_or(&WAKE, DEFAULT_WAKE);
    let sleep = section.number_or(&SLEEP, DEFAULT_SLEEP);
    let wake_volts = section.number(&WAKE_VOLTS);
    let sleep_watts = section.number_or(&SLEEP_WATTS, DEFAULT_SLEEP_WATTS);
    let dusk_delay = section.seconds_or(&DUSK_DELAY, DEFAULT_DUSK_DELAY);
    let look_every = section.seconds_or(&LOOK_EVERY, DEFAULT_LOOK_EVERY);
    if let (Some(wake), Some(sleep)) = (wake, sleep)
        && sleep >= wake
    {
        // Whichever of the two is written is the one to look at.
        let key = if section.has(SLEEP.key) { SLEEP.key } else { WAKE.key };
        let text = format!(
            "sleep ({sleep} W/m2) must lie below wake ({wake} W/m2), or the channel flutters at \
             dusk; state half of wake"
        );
        section.note(key, text);
    }
    if let (Some(volts), Some(max)) = (wake_volts, device_volts_max)
        && volts >= max
    {
        let text = format!(
            "{volts} V is not below device_volts_max ({max} V), so the channel would never wake; {}",
            WAKE_VOLTS.hint
        );
        section.note(WAKE_VOLTS.key, text);
    }
    Some(Daylight {
        wake_irradiance: Irradiance(wake?),
        sleep_irradiance: Irradiance(sleep?),
        wake_volts: Volts(wake_volts?),
        sleep_watts: Watts(sleep_watts?),
        dusk_delay: dusk_delay?,
        look_every: look_every?,
        zeros: ZeroLimits { amps: Amps(zero_amps?), irradiance: Irradiance(zero_irradiance?) },
    })
}

const FIRST: Number =
    Number { key: "first_s", low: 0.1, high: 3600.0, unit: "s", hint: "state the first wait" };
const LONGEST: Number = Number {
    key: "longest_s",
    low: 0.1,
    high: 86_400.0,
    unit: "s",
    hint: "state the longest wait, at least first_s",
};
const TIMES: super::reader::Whole = super::reader::Whole {
    key: "times",
    low: 1,
    high: 1000,
    hint: "state after how many failures the channel is locked off",
};
const DEFAULT_FIRST: Duration = Duration::from_secs(5);
const DEFAULT_LONGEST: Duration = Duration::from_secs(600);
const ANEW: &str = "anew_each_day";
const DEFAULT_TIMES: u64 = 6;

/// Reads `[channel.retry]`.
pub(super) fn retry(section: &mut Section<'_>) -> Option<Retry> {
    let first = section.seconds_or(&FIRST, DEFAULT_FIRST);
    let longest = section.seconds_or(&LONGEST, DEFAULT_LONGEST);
    let times = section.whole(&TIMES, Some(DEFAULT_TIMES));
    let anew = section.flag_or(ANEW, false);
    let (first, longest, times) = (first?, longest?, times?);
    if longest < first {
        let (first, longest) = (first.as_secs_f64(), longest.as_secs_f64());
        let key = if section.has(LONGEST.key) { LONGEST.key } else { FIRST.key };
        section.note(key, format!("longest_s ({longest} s) is less than first_s ({first} s)"));
    }
    Some(Retry { first, longest, times: u32::try_from(times).ok()?, anew_each_day: anew? })
}
