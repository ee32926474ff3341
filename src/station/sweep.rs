//! `[channel.sweep]`: how a channel takes I-V curves.

use super::reader::{Number, Section, Whole};
use super::rhythm::{Rhythm, SETTLED_AFTER};
use super::spec::{Address, LoadSpec};
use crate::control::record::SweepDirection;
use crate::control::{
    MAX_SWEEP_POINTS, MAX_SWEEP_READINGS, Steady, SweepBy, SweepConditions, SweepConfig,
};
use crate::curve::FEWEST_POINTS;
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
    hint: "state the time of a point, at least what the load needs to settle and to measure",
};
const POINTS: Whole = Whole {
    key: "points",
    low: FEWEST_POINTS as u64,
    high: MAX_SWEEP_POINTS as u64,
    hint: "state the points from open circuit to short circuit, 100 by default",
};
const DEFAULT_POINTS: u64 = 100;
const READINGS: Whole = Whole {
    key: "readings",
    low: 1,
    high: MAX_SWEEP_READINGS as u64,
    hint: "state of how many readings a point is the mean, 1 by default",
};
const BY: &str = "by";
const BY_NAMES: [&str; 2] = ["steps", "list"];
/// How long a load may step by itself, while nobody judges what it measures: as long as a reply may be
/// late, twice.
const UNWATCHED: Duration = Duration::from_secs(2);
pub(super) const IRRADIANCE_MIN: Number = Number {
    key: "irradiance_min",
    low: 0.0,
    high: 1500.0,
    unit: "W/m2",
    hint: "state the least irradiance for a scheduled curve, or take the key out",
};
pub(super) const STEADY_PERCENT: Number = Number {
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
    let readings = section.whole(&READINGS, Some(1));
    let by = section.choice(BY, &BY_NAMES, Some(0));
    let place = section.choice("direction", &SweepDirection::NAMES, Some(0));
    let direction = place.map(|place| SweepDirection::ALL[place]);
    let beyond = section.number_or(&BEYOND, DEFAULT_BEYOND);
    let conditions = conditions(section);
    let plan = Plan { dwell: dwell?, points: points?, readings: readings?, list: by? == 1 };
    let config = SweepConfig {
        every: every?,
        points: u16::try_from(plan.points).ok()?,
        settle: plan.dwell.saturating_sub(load.map_or(Duration::ZERO, measuring)),
        readings: u16::try_from(plan.readings).ok()?,
        by: plan.by(load),
        direction: direction?,
        beyond: Volts(beyond?),
        conditions: conditions?,
    };
    judge(section, (rhythm, load), &plan, &config);
    if plan.list {
        judge_list(section, &plan, load);
    }
    Some(config)
}

/// What the section says of time.
struct Plan {
    dwell: Duration,
    points: u64,
    readings: u64,
    list: bool,
}

impl Plan {
    /// Steps, or the list of as many points as the load takes and may run unwatched.
    fn by(&self, load: Option<&LoadSpec>) -> SweepBy {
        let longest = load.and_then(|load| Some(load.commands.list.as_ref()?.longest));
        let unwatched = UNWATCHED.as_nanos() / self.dwell.as_nanos().max(1);
        let most = u16::try_from(unwatched).unwrap_or(MAX_SWEEP_POINTS).max(1);
        let longest = longest.and_then(|longest| u16::try_from(longest).ok());
        let most = most.min(longest.unwrap_or(MAX_SWEEP_POINTS)).min(MAX_SWEEP_POINTS);
        if self.list { SweepBy::List(most.max(1)) } else { SweepBy::Steps }
    }

    /// What `legs` legs take (s).
    fn takes(&self, load: Option<&LoadSpec>, legs: u32) -> f64 {
        let more = u32::try_from(self.readings).unwrap_or(u32::MAX).saturating_sub(1);
        let point = self.dwell + load.map_or(Duration::ZERO, measuring) * more;
        let points = u32::try_from(self.points).unwrap_or(u32::MAX);
        point.as_secs_f64() * f64::from(points) * f64::from(legs)
    }
}

/// What one measurement takes.
fn measuring(load: &LoadSpec) -> Duration {
    load.window + load.latency
}

/// Notes what a load can't do by list.
fn judge_list(section: &mut Section<'_>, plan: &Plan, load: Option<&LoadSpec>) {
    if load.is_some_and(|load| load.address != Address::Plant && load.commands.list.is_none()) {
        let text = "the load's words describe no list, so it can't step by itself; describe it in \
                    [commands.NAME] (list = {...}), or state \"steps\"";
        section.note(BY, text.to_owned());
    }
    if plan.readings > 1 {
        let text = format!(
            "a list has one reading a point, not {}; take the key out and state a longer window_s \
             of the load, or by = \"steps\"",
            plan.readings
        );
        section.note(READINGS.key, text);
    }
}

/// What a scheduled curve waits for.
fn conditions(section: &mut Section<'_>) -> Option<SweepConditions> {
    let scheduled = section.has(EVERY.key);
    let mut one = |what: &Number| {
        if section.has(what.key) && !scheduled {
            let text = "says nothing without every_s, since a curve that is asked for doesn't wait; \
                        state every_s, or take the key out";
            section.note(what.key, text);
        }
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
    (rhythm, load): (&Rhythm, Option<&LoadSpec>),
    plan: &Plan,
    config: &SweepConfig,
) {
    let dwell = plan.dwell.as_secs_f64();
    let needs = |load: &LoadSpec| load.settling * SETTLED_AFTER + measuring(load);
    if let Some(needed) = load.map(needs).filter(|needed| plan.dwell < *needed)
        // A period that is too short for the load is told where it is stated.
        && rhythm.period != Some(plan.dwell)
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
    if let Some(gap) = rhythm.max_gap.filter(|gap| plan.dwell >= *gap && !told(*gap)) {
        let text = format!(
            "{dwell} s is not less than max_gap_s ({} s), so every point would be a gap; state \
             less",
            gap.as_secs_f64()
        );
        section.note(DWELL.key, text);
    }
    let legs = if config.direction == SweepDirection::Both { 2 } else { 1 };
    let takes = plan.takes(load, legs);
    let fills = |every: &Duration| takes > every.as_secs_f64() * MOST_SHARE;
    if let Some(every) = config.every.filter(fills) {
        let every = every.as_secs_f64();
        let text = format!(
            "a sweep takes {takes} s, more than half of every_s ({every} s): the device would \
             hardly be at its crest; state at least {}, or fewer points",
            takes / MOST_SHARE
        );
        section.note(EVERY.key, text);
    }
}
