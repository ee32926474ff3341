//! `[channel.sweep]`: how a channel takes I-V curves.

use super::reader::{Number, Section, Whole};
use super::rhythm::{Rhythm, SETTLED_AFTER};
use super::spec::LoadSpec;
use crate::control::record::SweepDirection;
use crate::control::{MAX_SWEEP_POINTS, MIN_SWEEP_POINTS, Steady, SweepConditions, SweepConfig};
use crate::quantities::{Irradiance, Volts};
use std::time::Duration;

const EVERY: Number = Number {
    key: "every_s",
    low: 1.0,
    high: 86_400.0,
    unit: "s",
    hint: "state how often a curve is taken, or take the key out for none unless asked",
};
const DWELL: Number = Number {
    key: "dwell_s",
    low: 0.001,
    high: 60.0,
    unit: "s",
    hint: "state the time from point to point, at least what the load needs to settle",
};
const POINTS: Whole = Whole {
    key: "points",
    low: MIN_SWEEP_POINTS as u64,
    high: MAX_SWEEP_POINTS as u64,
    hint: "state the points from open circuit to short circuit, 100 by default",
};
const DEFAULT_POINTS: u64 = 100;
const IRRADIANCE_MIN: Number = Number {
    key: "irradiance_min",
    low: 0.0,
    high: 1500.0,
    unit: "W/m2",
    hint: "state the least irradiance for a scheduled curve, or take the key out",
};
const STEADY_PERCENT: Number = Number {
    key: "steady_percent",
    low: 0.01,
    high: 100.0,
    unit: "%",
    hint: "state the largest change of irradiance before a scheduled curve, or take the key out",
};
const STEADY_OVER: Number = Number {
    key: "steady_s",
    low: 1.0,
    high: 3600.0,
    unit: "s",
    hint: "state over how long the irradiance must be steady",
};
const DEFAULT_STEADY_OVER: Duration = Duration::from_secs(30);
const SUN_MIN: Number = Number {
    key: "sun_min_degrees",
    low: 0.0,
    high: 90.0,
    unit: "degrees",
    hint: "state how high the sun must stand for a scheduled curve, or take the key out",
};
/// A tenth of a volt and a half: far above what leads and boost supply are known to, and below what
/// makes even a single Schottky bypass diode conduct a thousandth of a module's current.
const DEFAULT_BEYOND: f64 = 0.15;
const BEYOND: Number = Number {
    key: "beyond_volts",
    low: 0.0,
    high: 10.0,
    unit: "V",
    hint: "state how far below 0 V a curve goes, 0.15 by default",
};
/// A sweep takes at most this share of the time between two: the campaign is about the crest.
const MOST_SHARE: f64 = 0.5;

/// Reads `[channel.sweep]`.
pub(super) fn read(
    section: &mut Section<'_>,
    rhythm: &Rhythm,
    load: Option<&LoadSpec>,
) -> Option<SweepConfig> {
    let every = if section.has(EVERY.key) { section.seconds(&EVERY).map(Some) } else { Some(None) };
    let points = section.whole(&POINTS, Some(DEFAULT_POINTS));
    let dwell = if section.has(DWELL.key) { section.seconds(&DWELL) } else { rhythm.period };
    let place = section.choice("direction", &SweepDirection::NAMES, Some(0));
    let direction = place.map(|place| SweepDirection::ALL[place]);
    let beyond = section.number_or(&BEYOND, DEFAULT_BEYOND);
    let conditions = conditions(section);
    let config = SweepConfig {
        every: every?,
        points: u16::try_from(points?).ok()?,
        dwell: dwell?,
        direction: direction?,
        beyond: Volts(beyond?),
        conditions: conditions?,
    };
    judge(section, rhythm, load, &config);
    Some(config)
}

/// What a scheduled curve waits for.
fn conditions(section: &mut Section<'_>) -> Option<SweepConditions> {
    let mut one = |what: &Number| {
        if section.has(what.key) { section.number(what).map(Some) } else { Some(None) }
    };
    let (irradiance, percent, sun) = (one(&IRRADIANCE_MIN), one(&STEADY_PERCENT), one(&SUN_MIN));
    if section.has(STEADY_OVER.key) && !section.has(STEADY_PERCENT.key) {
        section.note(STEADY_OVER.key, "says nothing without steady_percent; state it".to_owned());
    }
    let over = section.seconds_or(&STEADY_OVER, DEFAULT_STEADY_OVER);
    Some(SweepConditions {
        irradiance_min: irradiance?.map(Irradiance),
        steady: percent?
            .zip(Some(over?))
            .map(|(percent, over)| Steady { change: percent / 100.0, over }),
        sun_min: sun?,
    })
}

/// Notes what doesn't go together.
fn judge(
    section: &mut Section<'_>,
    rhythm: &Rhythm,
    load: Option<&LoadSpec>,
    config: &SweepConfig,
) {
    let dwell = config.dwell.as_secs_f64();
    let needs = |load: &LoadSpec| load.settling * SETTLED_AFTER + load.window + load.latency;
    if let Some(needed) = load.map(needs).filter(|needed| config.dwell < *needed)
        // A period that is too short for the load is told where it is stated.
        && rhythm.period != Some(config.dwell)
    {
        let needed = needed.as_secs_f64();
        let text = format!(
            "{dwell} s is too short for the load: {SETTLED_AFTER} x settling_s + window_s + \
             latency_s = {needed} s; state at least {needed}"
        );
        section.note(DWELL.key, text);
    }
    // A gap that not even the period fits into is told already.
    let told = |gap: Duration| rhythm.period.is_some_and(|period| gap <= period);
    if let Some(gap) = rhythm.max_gap.filter(|gap| config.dwell >= *gap && !told(*gap)) {
        let text = format!(
            "{dwell} s is not less than max_gap_s ({} s), so every point would be a gap; state \
             less",
            gap.as_secs_f64()
        );
        section.note(DWELL.key, text);
    }
    let legs = if config.direction == SweepDirection::Both { 2 } else { 1 };
    let takes = config.dwell * u32::from(config.points) * legs;
    let fits = |every: &Duration| takes.as_secs_f64() > every.as_secs_f64() * MOST_SHARE;
    if let Some(every) = config.every.filter(fits) {
        let (takes, every) = (takes.as_secs_f64(), every.as_secs_f64());
        let text = format!(
            "a sweep takes {takes} s, more than half of every_s ({every} s): the device would \
             hardly be at its crest; state at least {}, or fewer points",
            takes / MOST_SHARE
        );
        section.note(EVERY.key, text);
    }
}
