//! How fast a channel turns: `[control]`, and what a channel states for itself.

use super::reader::{Number, Section};
use super::spec::LoadSpec;
use std::ops::RangeInclusive;
use std::time::Duration;

const fn seconds(key: &'static str, low: f64, high: f64, hint: &'static str) -> Number {
    Number { key, low, high, unit: "s", hint }
}

/// Control periods that a station may state (s).
pub const PERIODS_S: RangeInclusive<f64> = 0.02..=60.0;

const PERIOD: Number =
    seconds("period_s", *PERIODS_S.start(), *PERIODS_S.end(), "state the control period");
const SAMPLE_EVERY: Number =
    seconds("sample_every_s", 0.02, 3600.0, "state how often a row is kept, at least period_s");
const MAX_GAP: Number = seconds(
    "max_gap_s",
    0.02,
    3600.0,
    "state the longest span between readings that is no gap, several periods",
);
const MAX_SENSOR_AGE: Number =
    seconds("max_sensor_age_s", 0.1, 3600.0, "state when a sensor value is too old");
const COMMIT_EVERY: Number =
    seconds("commit_every_s", 0.1, 60.0, "state what a power cut may cost of the log");

/// How many time constants a load is given to settle: e^-5 leaves 0.7 % of the step.
pub const SETTLED_AFTER: u32 = 5;

/// The durations of [`crate::control::ChannelConfig`]; None where one is wrong and noted.
#[derive(Clone, Copy)]
pub(super) struct Rhythm {
    pub(super) period: Option<Duration>,
    pub(super) sample_every: Option<Duration>,
    pub(super) max_gap: Option<Duration>,
    pub(super) max_sensor_age: Option<Duration>,
}

/// The lines of `[control]` for a period (s, within [`PERIODS_S`]): with those keys that a longer one needs, and
/// whose usual values a station would refuse.
#[must_use]
pub fn control_lines(period_s: f64) -> String {
    /// Periods until readings that are missing make a gap.
    const GAP: f64 = 10.0;
    let usual = |span: Option<Duration>| span.map_or(f64::INFINITY, |span| span.as_secs_f64());
    let mut lines = format!("[control]\nperiod_s = {period_s}\n");
    if period_s > usual(Rhythm::DEFAULT.sample_every) {
        lines.push_str(&format!("sample_every_s = {period_s}\n"));
    }
    let gap = (period_s * GAP * 1e9).round() / 1e9;
    if gap > usual(Rhythm::DEFAULT.max_gap) {
        lines.push_str(&format!("max_gap_s = {gap}\n"));
    }
    let age = Rhythm::DEFAULT.max_sensor_age.map_or(0.0, |age| age.as_secs_f64());
    if period_s * 2.0 > age {
        lines.push_str(&format!("max_sensor_age_s = {}\n", (period_s * 2e9).round() / 1e9));
    }
    lines
}

impl Rhythm {
    /// What holds where the file says nothing.
    pub(super) const DEFAULT: Self = Self {
        period: Some(Duration::from_millis(100)),
        sample_every: Some(Duration::from_secs(1)),
        max_gap: Some(Duration::from_secs(5)),
        max_sensor_age: Some(Duration::from_secs(10)),
    };

    /// Reads the four keys, each `otherwise` where it isn't stated.
    pub(super) fn read(section: &mut Section<'_>, otherwise: Self) -> Self {
        let mut one = |what: &Number, otherwise: Option<Duration>| {
            if section.has(what.key) { section.seconds(what) } else { otherwise }
        };
        let rhythm = Self {
            period: one(&PERIOD, otherwise.period),
            sample_every: one(&SAMPLE_EVERY, otherwise.sample_every),
            max_gap: one(&MAX_GAP, otherwise.max_gap),
            max_sensor_age: one(&MAX_SENSOR_AGE, otherwise.max_sensor_age),
        };
        if [&PERIOD, &SAMPLE_EVERY, &MAX_GAP].into_iter().any(|what| section.has(what.key)) {
            rhythm.judge(section);
        }
        rhythm
    }

    /// Notes what doesn't go together.
    fn judge(&self, section: &mut Section<'_>) {
        let Some(period) = self.period else { return };
        let seconds = period.as_secs_f64();
        if let Some(sample) = self.sample_every.filter(|sample| *sample < period) {
            let key = if section.has(SAMPLE_EVERY.key) { SAMPLE_EVERY.key } else { PERIOD.key };
            let sample = sample.as_secs_f64();
            let text = format!(
                "sample_every_s ({sample} s) is less than period_s ({seconds} s); state at least \
                 the period"
            );
            section.note(key, text);
        }
        if let Some(gap) = self.max_gap.filter(|gap| *gap <= period) {
            let key = if section.has(MAX_GAP.key) { MAX_GAP.key } else { PERIOD.key };
            let gap = gap.as_secs_f64();
            let text = format!(
                "max_gap_s ({gap} s) is not more than period_s ({seconds} s), so every period \
                 would be a gap; state several periods"
            );
            section.note(key, text);
        }
    }

    /// Notes a period too short for the load.
    pub(super) fn judge_load(&self, section: &mut Section<'_>, at: PeriodAt<'_>, load: &LoadSpec) {
        let Some(period) = self.period else { return };
        let needed = load.settling * SETTLED_AFTER + load.window + load.latency;
        if period >= needed {
            return;
        }
        let (seconds, needed) = (period.as_secs_f64(), needed.as_secs_f64());
        let text = format!(
            "{seconds} s is too short for {}: {SETTLED_AFTER} x settling_s + window_s + latency_s \
             = {needed} s; state at least {needed}",
            section.path_of("load")
        );
        if section.has(PERIOD.key) {
            section.note(PERIOD.key, text);
        } else {
            at.0.note(PERIOD.key, text);
        }
    }
}

/// The table that states the period of channels which don't.
#[derive(Clone, Copy)]
pub(super) struct PeriodAt<'a>(pub(super) &'a Section<'a>);

/// Reads `day`: whether days end by UTC or by the sun over the station.
pub(super) fn by_the_sun(section: &mut Section<'_>) -> Option<bool> {
    const DAY: &str = "write \"utc\" or \"solar\"";
    match section.text_if_any("day", DAY) {
        None | Some("utc") => Some(false),
        Some("solar") => Some(true),
        Some(other) => {
            section.note("day", format!("{other:?} is neither; {DAY}"));
            None
        }
    }
}

/// Reads `commit_every_s`.
pub(super) fn commit_every(section: &mut Section<'_>) -> Option<Duration> {
    /// Unless stated: what a power cut may cost.
    const DEFAULT: Duration = Duration::from_secs(2);
    section.seconds_or(&COMMIT_EVERY, DEFAULT)
}
