//! A one-minute record as this room sees it.

use super::quality::MINUTE;
use crate::control::record::Activity;
use crate::quantities::{Celsius, Irradiance, WattHours, Watts};
use crate::time::Utc;
use std::time::Duration;

/// Longer than a minute and what rounding may add: more was booked than a minute can hold.
const MORE_THAN_A_MINUTE: Duration = Duration::from_secs(61);

/// One minute of one channel. What is absent was not measured.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Minute {
    /// Start of the UTC minute.
    pub start: Utc,
    /// What the channel was doing when it ended.
    pub activity: Activity,
    /// Mean device power (W).
    pub watts: Option<Watts>,
    /// Mean irradiance (W/m2).
    pub irradiance: Option<Irradiance>,
    /// Mean module temperature (degC).
    pub module: Option<Celsius>,
    /// Energy delivered (Wh).
    pub energy: Option<WattHours>,
    /// Time covered by the energy integral.
    pub covered: Duration,
    /// Time missing from it.
    pub missing: Duration,
    /// Whether the wall clock passed it twice.
    pub twice: bool,
}

impl Minute {
    /// Whether the channel held the device.
    #[must_use]
    pub fn working(&self) -> bool {
        matches!(self.activity, Activity::Tracking | Activity::Sweeping)
    }

    /// The share of the minute that the energy integral covers (0..=1).
    #[must_use]
    pub fn share(&self) -> f64 {
        (self.covered.as_secs_f64() / 60.0).min(1.0)
    }

    /// What part of the minute is in the channel's books (1; 0 up): less than all of it where a run began or ended
    /// within. Power and light are means over that part, and count for so long. A channel that was `asleep`
    /// before the minute, or is at its end, keeps no books then, and its readings are of all of it. Where turns
    /// are long a minute has more than its own, and the next one less.
    pub(super) fn booked(&self, asleep: bool) -> f64 {
        /// Turns are a minute apart at most.
        const MOST: f64 = 2.0;
        let booked = (self.covered + self.missing).as_secs_f64() / 60.0;
        if asleep || self.activity == Activity::Asleep { 1.0 } else { booked.min(MOST) }
    }

    /// The share of the minute that is known (0..=1): neither missing nor without a record, as while the
    /// program was started again. A channel that was `asleep` before it, or is at its end, keeps no books then;
    /// that it delivered nothing is known.
    pub(super) fn known(&self, asleep: bool) -> f64 {
        let missing = self.missing.as_secs_f64() / 60.0;
        if asleep || self.activity == Activity::Asleep {
            (1.0 - missing).max(0.0)
        } else {
            self.share()
        }
    }

    /// Takes up another record of the same minute: a restart leaves two parts of it, a clock that was
    /// set back two whole ones.
    fn take_up(&mut self, other: &Self) {
        let part = |minute: &Self| (minute.covered + minute.missing).as_secs_f64();
        let (ours, theirs) = (part(self), part(other));
        let share = if ours + theirs > 0.0 { theirs / (ours + theirs) } else { 0.5 };
        let mean = |a: Option<f64>, b: Option<f64>| match (a, b) {
            (Some(a), Some(b)) => Some(a + (b - a) * share),
            (a, b) => a.or(b),
        };
        self.watts = mean(self.watts.map(|p| p.0), other.watts.map(|p| p.0)).map(Watts);
        let light = (self.irradiance.map(|g| g.0), other.irradiance.map(|g| g.0));
        self.irradiance = mean(light.0, light.1).map(Irradiance);
        self.module = mean(self.module.map(|t| t.0), other.module.map(|t| t.0)).map(Celsius);
        self.energy = match (self.energy, other.energy) {
            (Some(a), Some(b)) => Some(a + b),
            (a, b) => a.or(b),
        };
        self.covered += other.covered;
        self.missing += other.missing;
        self.activity = other.activity;
        self.twice = self.covered + self.missing > MORE_THAN_A_MINUTE;
    }
}

/// Whether the channel was asleep when the minute at `index` began.
pub(super) fn slept_before(minutes: &[Minute], index: usize) -> bool {
    let start = minutes[index].start;
    let before = index.checked_sub(1).map(|before| &minutes[before]);
    before.is_some_and(|one| one.start + MINUTE == start && one.activity == Activity::Asleep)
}

/// Puts minutes into the order of time, each once.
#[must_use]
pub fn merge(mut minutes: Vec<Minute>) -> Vec<Minute> {
    minutes.sort_by_key(|minute| minute.start);
    minutes.dedup_by(|next, kept| {
        let same = next.start == kept.start;
        if same {
            kept.take_up(next);
        }
        same
    });
    minutes
}
