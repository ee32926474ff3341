//! The energy meter: trapezoids on the monotonic clock, never across a gap.
//!
//! Model: between two readings at most `max_gap` apart, energy is the trapezoid of their powers,
//! (P1 + P2) / 2 * (t2 - t1), and the span is *covered*. A longer span, or one that was told to be
//! absent (a lost link), is *missing*: it adds no energy and is counted. Covered plus missing is
//! the time the channel was awake.
//!
//! A setpoint goes out just behind a reading, so the time between two belongs to the second. While all spans
//! are equal the sum of the trapezoids is the same. Glances last for less than what is held: a glance's power
//! and that of the first reading after it are taken for their whole spans. What the load delivers on its way
//! there and back is not seen: where the power is less between two crests than at both, too much is booked,
//! some 0.07 time constants of it a way in the simulation's shade.
//!
//! Holding the last power across a gap was rejected: it invents
//! energy exactly when nobody was looking.

use crate::quantities::{Irradiance, Irradiation, WattHours, Watts};
use crate::time::Instant;
use std::time::Duration;

const SECONDS_PER_HOUR: f64 = 3600.0;

/// What one observation adds to the totals.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Increment {
    /// Energy delivered (Wh).
    pub energy: WattHours,
    /// Irradiation (Wh/m2), over spans with a fresh sensor at both ends.
    pub irradiation: Irradiation,
    /// Time covered by the integral.
    pub covered: Duration,
    /// Time missing from it.
    pub missing: Duration,
    /// Whether a gap began within it.
    pub gap_began: bool,
    /// How long the gap was that this observation ended.
    pub gap_ended: Option<Duration>,
}

#[derive(Clone, Copy, Debug)]
struct Last {
    watts: Watts,
    irradiance: Option<Irradiance>,
}

/// Integrates one channel's power and irradiance.
#[derive(Clone, Debug)]
pub struct EnergyMeter {
    max_gap: Duration,
    mark: Option<Instant>,
    last: Option<Last>,
    gap: Duration,
}

impl EnergyMeter {
    /// A meter that takes any span longer than `max_gap` for a gap.
    #[must_use]
    pub fn new(max_gap: Duration) -> Self {
        Self { max_gap, mark: None, last: None, gap: Duration::ZERO }
    }

    /// Takes a reading. One that is not later than the last adds nothing.
    ///
    /// ```
    /// use cresthold::control::EnergyMeter;
    /// use cresthold::quantities::Watts;
    /// use cresthold::time::Instant;
    /// use std::time::Duration;
    /// let mut meter = EnergyMeter::new(Duration::from_secs(2));
    /// meter.observe(Instant::ZERO, Watts(200.0), None);
    /// // 1.8 s between 200 W and 220 W: 210 W * 1.8 s = 378 J = 0.105 Wh.
    /// let step = meter.observe(Instant::ZERO + Duration::from_millis(1800), Watts(220.0), None);
    /// assert!((step.energy.0 - 0.105).abs() < 1e-15);
    /// // Ten minutes without a reading are a gap, not energy.
    /// let step = meter.observe(Instant::ZERO + Duration::from_secs(602), Watts(220.0), None);
    /// assert_eq!(step.energy.0, 0.0);
    /// assert_eq!(step.gap_ended, Some(Duration::from_millis(600_200)));
    /// ```
    pub fn observe(
        &mut self,
        at: Instant,
        watts: Watts,
        irradiance: Option<Irradiance>,
    ) -> Increment {
        self.take(at, (watts, irradiance), |last| (last + watts) * 0.5)
    }

    /// The same for a reading whose voltage was set just behind the last one, to stay for another span
    /// than usual: its power is that of the whole span. The irradiance takes no heed of that.
    ///
    /// ```
    /// use cresthold::control::EnergyMeter;
    /// use cresthold::quantities::Watts;
    /// use cresthold::time::Instant;
    /// use std::time::Duration;
    /// let mut meter = EnergyMeter::new(Duration::from_secs(2));
    /// let after = |millis| Instant::ZERO + Duration::from_millis(millis);
    /// meter.observe(after(0), Watts(200.0), None);
    /// // 0.3 s at 80 W and 1 s back at 200 W: 24 J and 200 J.
    /// let there = meter.arrive(after(300), Watts(80.0), None).energy;
    /// let back = meter.arrive(after(1300), Watts(200.0), None).energy;
    /// assert!(((there + back).0 * 3600.0 - 224.0).abs() < 1e-9);
    /// ```
    pub fn arrive(
        &mut self,
        at: Instant,
        watts: Watts,
        irradiance: Option<Irradiance>,
    ) -> Increment {
        self.take(at, (watts, irradiance), |_| watts)
    }

    /// A reading; `mean` tells the mean power since the last from that one's.
    fn take(
        &mut self,
        at: Instant,
        (watts, irradiance): (Watts, Option<Irradiance>),
        mean: impl FnOnce(Watts) -> Watts,
    ) -> Increment {
        let mut add = Increment::default();
        if let Some(mark) = self.mark {
            let span = at.saturating_since(mark);
            match self.last {
                Some(last) if span <= self.max_gap => {
                    let hours = span.as_secs_f64() / SECONDS_PER_HOUR;
                    add.covered = span;
                    add.energy = WattHours(mean(last.watts).0 * hours);
                    if let (Some(from), Some(to)) = (last.irradiance, irradiance) {
                        add.irradiation = Irradiation((from + to).0 * 0.5 * hours);
                    }
                }
                _ => self.miss(span, &mut add),
            }
        }
        self.end_gap(&mut add);
        self.mark = Some(self.mark.map_or(at, |mark| mark.max(at)));
        self.last = Some(Last { watts, irradiance });
        add
    }

    /// The channel is awake, but there is no reading: the time since the last is missing.
    pub fn absent(&mut self, at: Instant) -> Increment {
        let mut add = Increment::default();
        if let Some(mark) = self.mark {
            self.miss(at.saturating_since(mark), &mut add);
            self.mark = Some(mark.max(at));
        }
        self.last = None;
        add
    }

    /// The input is known to be off: the span since the last call is covered with zero power,
    /// however long it is.
    pub fn idle(&mut self, at: Instant) -> Increment {
        let mut add = Increment::default();
        if let Some(mark) = self.mark {
            add.covered = at.saturating_since(mark);
        }
        self.end_gap(&mut add);
        self.mark = Some(at);
        self.last = Some(Last { watts: Watts::ZERO, irradiance: None });
        add
    }

    /// The time since what was counted last.
    pub(super) fn unbooked(&self, at: Instant) -> Duration {
        self.mark.map_or(Duration::ZERO, |mark| at.saturating_since(mark))
    }

    /// The channel falls asleep: what follows is neither covered nor missing.
    pub fn pause(&mut self) {
        self.mark = None;
        self.last = None;
        self.gap = Duration::ZERO;
    }

    fn end_gap(&mut self, add: &mut Increment) {
        if !self.gap.is_zero() {
            add.gap_ended = Some(self.gap);
            self.gap = Duration::ZERO;
        }
    }

    fn miss(&mut self, span: Duration, add: &mut Increment) {
        add.gap_began = self.gap.is_zero() && !span.is_zero();
        add.missing = span;
        self.gap += span;
    }
}

/// A sum that does not lose small increments to a large total (Neumaier 1974, ZAMM 54, 39-51).
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Total {
    sum: f64,
    carry: f64,
}

impl Total {
    pub(super) fn add(&mut self, value: f64) {
        let sum = self.sum + value;
        self.carry += if self.sum.abs() >= value.abs() {
            (self.sum - sum) + value
        } else {
            (value - sum) + self.sum
        };
        self.sum = sum;
    }

    pub(super) fn value(self) -> f64 {
        self.sum + self.carry
    }
}
