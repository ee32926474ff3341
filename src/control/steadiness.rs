//! How steady the light has been of late.
//!
//! Model: the last span is cut into slots of equal length, of which each keeps the least and the
//! largest irradiance seen in it; the change is the largest less the least over their mean. The span
//! that counts is at least the stated one and at most a slot longer. Keeping every value was rejected:
//! how many there are depends on a sensor's rhythm, and the core's room is fixed.

use crate::quantities::Irradiance;
use crate::time::Instant;
use std::time::Duration;

/// Slots of the span: an old value counts at most a sixteenth of the span longer than it should.
const SLOTS: usize = 16;
/// A slot without a value.
const EMPTY: (f64, f64) = (f64::INFINITY, f64::NEG_INFINITY);

/// A demand on the light.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Steady {
    /// The largest relative change of irradiance (1, 0.0001..=1).
    pub change: f64,
    /// Over the last so long (s, 1..=3600).
    pub over: Duration,
}

/// Watches the irradiance.
#[derive(Clone, Debug)]
pub(super) struct Steadiness {
    slot: Duration,
    over: Duration,
    /// One more than the span is long: the newest is only partly over.
    slots: [(f64, f64); SLOTS + 1],
    /// When the unbroken watch began, and its newest value.
    watched: Option<(Instant, Instant)>,
}

impl Steadiness {
    pub(super) fn new(over: Duration) -> Self {
        let slot = (over / SLOTS as u32).max(Duration::from_nanos(1));
        Self { slot, over, slots: [EMPTY; SLOTS + 1], watched: None }
    }

    /// Takes a value. After a hole longer than the span the watch begins anew.
    pub(super) fn note(&mut self, at: Instant, irradiance: Irradiance) {
        let Some((began, last)) = self.watched else {
            return self.begin(at, irradiance);
        };
        if !irradiance.is_finite() || at < last {
            return;
        }
        if at.saturating_since(last) > self.over {
            return self.begin(at, irradiance);
        }
        let (from, to) = (self.number(last), self.number(at));
        for number in from + 1..=to {
            self.slots[place(number)] = EMPTY;
        }
        self.enter(to, irradiance);
        self.watched = Some((began, at));
    }

    /// Whether the light has been watched for the whole span up to `now` and changed by no more than
    /// `change`.
    pub(super) fn is_steady(&self, now: Instant, change: f64) -> bool {
        let Some((began, last)) = self.watched else {
            return false;
        };
        if now.saturating_since(began) < self.over || now.saturating_since(last) > self.over {
            return false;
        }
        let fold = |sum: (f64, f64), slot: &(f64, f64)| (sum.0.min(slot.0), sum.1.max(slot.1));
        let (least, largest) = self.slots.iter().fold(EMPTY, fold);
        largest - least <= change * 0.5 * (largest + least)
    }

    fn begin(&mut self, at: Instant, irradiance: Irradiance) {
        if irradiance.is_finite() {
            self.slots = [EMPTY; SLOTS + 1];
            self.watched = Some((at, at));
            self.enter(self.number(at), irradiance);
        }
    }

    fn enter(&mut self, number: u128, irradiance: Irradiance) {
        let slot = &mut self.slots[place(number)];
        *slot = (slot.0.min(irradiance.0), slot.1.max(irradiance.0));
    }

    fn number(&self, at: Instant) -> u128 {
        at.saturating_since(Instant::ZERO).as_nanos() / self.slot.as_nanos()
    }
}

fn place(number: u128) -> usize {
    (number % (SLOTS as u128 + 1)) as usize
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(seconds: f64) -> Instant {
        Instant::ZERO + Duration::from_secs_f64(seconds)
    }

    #[test]
    fn a_cloud_counts_for_the_span_and_no_longer() {
        let mut light = Steadiness::new(Duration::from_secs(30));
        let mut steady = Vec::new();
        for second in 0..120 {
            let cloud = second == 50;
            light.note(at(f64::from(second)), Irradiance(if cloud { 900.0 } else { 1000.0 }));
            steady.push(light.is_steady(at(f64::from(second)), 0.02));
        }
        assert!(!steady[29] && steady[30] && steady[49], "not before it was watched for the span");
        assert!(steady[50..=80].iter().all(|steady| !steady));
        assert!(steady[83..].iter().all(|steady| *steady), "a slot is 1.9 s");
    }

    #[test]
    fn a_hole_or_a_slope_is_not_steady() {
        let mut light = Steadiness::new(Duration::from_secs(30));
        for second in 0..40 {
            light.note(at(f64::from(second)), Irradiance(1000.0 + f64::from(second)));
        }
        assert!(!light.is_steady(at(39.0), 0.02) && light.is_steady(at(39.0), 0.04));
        light.note(at(100.0), Irradiance(1000.0));
        light.note(at(101.0), Irradiance(f64::NAN));
        assert!(!light.is_steady(at(101.0), 0.02));
    }
}
