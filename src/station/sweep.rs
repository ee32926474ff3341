//! `[channel.sweep]`: how a channel takes I-V curves.

use super::reader::{Number, Section, Whole};
use super::rhythm::Rhythm;
use crate::control::record::SweepDirection;
use crate::control::{MAX_SWEEP_POINTS, MIN_SWEEP_POINTS, SweepConfig};
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
    low: 0.02,
    high: 60.0,
    unit: "s",
    hint: "state the time from point to point, at least the control period",
};
const POINTS: Whole = Whole {
    key: "points",
    low: MIN_SWEEP_POINTS as u64,
    high: MAX_SWEEP_POINTS as u64,
    hint: "state the points from open circuit to short circuit, 100 by default",
};
const DEFAULT_POINTS: u64 = 100;
/// A sweep takes at most this share of the time between two: the campaign is about the crest.
const MOST_SHARE: f64 = 0.5;

/// Reads `[channel.sweep]`.
pub(super) fn read(section: &mut Section<'_>, rhythm: &Rhythm) -> Option<SweepConfig> {
    let every = if section.has(EVERY.key) { section.seconds(&EVERY).map(Some) } else { Some(None) };
    let points = section.whole(&POINTS, Some(DEFAULT_POINTS));
    let dwell = if section.has(DWELL.key) { section.seconds(&DWELL) } else { rhythm.period };
    let place = section.choice("direction", &SweepDirection::NAMES, Some(0));
    let direction = place.map(|place| SweepDirection::ALL[place]);
    let config = SweepConfig {
        every: every?,
        points: u16::try_from(points?).ok()?,
        dwell: dwell?,
        direction: direction?,
    };
    judge(section, rhythm, &config);
    Some(config)
}

/// Notes what doesn't go together.
fn judge(section: &mut Section<'_>, rhythm: &Rhythm, config: &SweepConfig) {
    let dwell = config.dwell.as_secs_f64();
    if let Some(period) = rhythm.period.filter(|period| config.dwell < *period) {
        let text = format!(
            "{dwell} s is less than period_s ({} s), which the load needs to settle; state at \
             least the period",
            period.as_secs_f64()
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
