//! What a trial showed, counted second by second.

use crate::quantities::WattHours;
use crate::time::Instant;
use cresthold_sim::bench::Truth;
use std::time::Duration;

/// The grid that bad moments are looked for on (s).
const SECOND: Duration = Duration::from_secs(1);
/// Seconds that make a minute.
const MINUTE: u32 = 60;
/// Less energy at the crest (Wh) than a tenth of a milliwatt for a second has no efficiency.
const LEAST: f64 = 1e-4 / 3600.0;

/// How well a tracker held the crest in one trial, the setup not counted.
#[derive(Clone, Copy, Debug, Default, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Outcome {
    /// How long was counted (s).
    pub seconds: f64,
    /// Energy delivered (Wh).
    pub delivered_wh: f64,
    /// Energy at the crest (Wh).
    pub available_wh: f64,
    /// Efficiency of the worst second (0..=1).
    pub worst_second: f64,
    /// Efficiency of the worst minute; of all of it where it is shorter (0..=1).
    pub worst_minute: f64,
    /// How long the efficiency of a second lay below 0.99 (s).
    pub below_99_s: f64,
    /// How long it lay below 0.95 (s).
    pub below_95_s: f64,
    /// How often the guard let the device go, setup included.
    pub let_go: u32,
    /// How many wishes the guard held at its limits, setup included.
    pub held: u32,
    /// Turns of the channel, setup included.
    pub turns: u64,
}

impl Outcome {
    /// Tracking efficiency: energy delivered over energy at the crest (0..=1).
    #[must_use]
    pub fn eta(&self) -> f64 {
        if self.available_wh > 0.0 { self.delivered_wh / self.available_wh } else { 1.0 }
    }
}

/// Cuts the plant's truth into seconds and minutes.
#[derive(Debug)]
pub(super) struct Tally {
    counts_from: Instant,
    /// When the present second ends.
    mark: Instant,
    /// What had been delivered and available at the last mark, and when counting began.
    last: (WattHours, WattHours),
    began: Option<(WattHours, WattHours)>,
    /// Of the present minute, and how many seconds it has.
    minute: (f64, f64, u32),
    minutes: u32,
    outcome: Outcome,
}

impl Tally {
    pub(super) fn new(setup: Duration) -> Self {
        let counts_from = Instant::ZERO + setup;
        Self {
            counts_from,
            mark: counts_from,
            last: Default::default(),
            began: None,
            minute: (0.0, 0.0, 0),
            minutes: 0,
            outcome: Outcome { worst_second: 1.0, worst_minute: 1.0, ..Outcome::default() },
        }
    }

    /// When the next second ends: no piece of time should reach across it.
    pub(super) fn mark(&self) -> Instant {
        self.mark
    }

    /// Time has come to `now`, at or after the mark.
    pub(super) fn tick(&mut self, now: Instant, truth: &Truth) {
        let at = (truth.delivered, truth.available);
        if self.began.is_none() {
            self.began = Some(at);
        } else {
            let (delivered, available) = ((at.0 - self.last.0).0, (at.1 - self.last.1).0);
            self.second(delivered, available);
        }
        self.last = at;
        while self.mark <= now {
            self.mark += SECOND;
        }
    }

    fn second(&mut self, delivered: f64, available: f64) {
        if available > LEAST {
            let eta = delivered / available;
            let outcome = &mut self.outcome;
            outcome.worst_second = outcome.worst_second.min(eta);
            outcome.below_99_s += if eta < 0.99 { 1.0 } else { 0.0 };
            outcome.below_95_s += if eta < 0.95 { 1.0 } else { 0.0 };
        }
        self.minute.0 += delivered;
        self.minute.1 += available;
        self.minute.2 += 1;
        if self.minute.2 == MINUTE {
            let (delivered, available, _) = std::mem::take(&mut self.minute);
            self.minutes += 1;
            if available > LEAST * f64::from(MINUTE) {
                let eta = delivered / available;
                self.outcome.worst_minute = self.outcome.worst_minute.min(eta);
            }
        }
    }

    /// The end, at `now`.
    pub(super) fn close(mut self, now: Instant, truth: &Truth) -> Outcome {
        let began = self.began.unwrap_or((truth.delivered, truth.available));
        self.outcome.seconds = now.saturating_since(self.counts_from).as_secs_f64();
        self.outcome.delivered_wh = (truth.delivered - began.0).0;
        self.outcome.available_wh = (truth.available - began.1).0;
        if self.minutes == 0 {
            self.outcome.worst_minute = self.outcome.eta();
        }
        self.outcome
    }
}
