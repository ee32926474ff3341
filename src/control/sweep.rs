//! The plan of a sweep: which device voltage comes next.
//!
//! Model: the first point is open circuit, whose voltage the reading tells. The others lie between it
//! and a little below short circuit, so that Isc is interpolated, at equal distances along the curve
//! ([`Placement`]); they are walked down, up, or down and up. A
//! plan only wishes: each voltage passes the guard. Where the load can't sink the short-circuit current
//! down to 0 V (there is no boost supply), the points lie above that; and where the guard holds one up
//! all the same, that leg has found its bottom. After a jump along the whole curve the load gets its
//! time to settle once more: five of its time constants leave 0.7 % of the step, a fortieth of that from
//! point to point, but 0.3 V after a jump over 40 V.

use super::curve::SweepDirection;
use super::placement::Placement;
use super::steadiness::Steady;
use crate::quantities::{Amps, Irradiance, Volts, Watts};
use std::time::Duration;

/// The fewest points of a curve: the two ends and a few between.
pub const MIN_SWEEP_POINTS: u16 = 5;
/// The most points of one leg of a curve.
pub const MAX_SWEEP_POINTS: u16 = 2000;
/// The most readings of one point: a hundred leave a tenth of the noise, and more take too long.
pub const MAX_SWEEP_READINGS: u16 = 100;

/// What a scheduled sweep waits for; one that a person asked for does not wait.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct SweepConditions {
    /// At least this irradiance (W/m2, 0..=1500).
    pub irradiance_min: Option<Irradiance>,
    /// Irradiance no less steady than this.
    pub steady: Option<Steady>,
    /// The sun at least this high (degrees, 0..=90).
    pub sun_min: Option<f64>,
}

/// How a sweep gets from point to point.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum SweepBy {
    /// One setpoint and one reading after the other, each judged before the next.
    #[default]
    Steps,
    /// By the load's own list, so many points at a time (1..=2000), which are judged when all of them
    /// are there.
    List(u16),
}

/// How a channel sweeps.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SweepConfig {
    /// How often while it tracks (s, longer than a sweep takes); none: only when asked.
    pub every: Option<Duration>,
    /// Points from open circuit to short circuit, both counted (5..=2000).
    pub points: u16,
    /// How long the load is left to settle at each point (s, less than the largest gap), from when the
    /// setpoint has taken effect to when a reading is asked for. No grid: a point follows as soon as
    /// the one before is over, and neighbours lie close.
    pub settle: Duration,
    /// Readings of which a point is the mean (1..=100).
    pub readings: u16,
    /// By steps or by list; a list has one reading a point.
    pub by: SweepBy,
    /// Which way.
    pub direction: SweepDirection,
    /// How far below 0 V it goes, so that Isc has points on both sides (V, 0..=10); never beyond the
    /// reverse allowance. A bypass diode begins to conduct at some 0.2 V of its own.
    pub beyond: Volts,
    /// What a scheduled one waits for.
    pub conditions: SweepConditions,
}

#[derive(Clone, Copy, Debug, PartialEq)]
enum Leg {
    Open,
    Down,
    Up,
}

/// A sweep under way.
#[derive(Clone, Copy, Debug)]
pub(super) struct Sweep {
    direction: SweepDirection,
    bottom: Volts,
    held: Option<(Volts, Amps)>,
    points: Placement,
    top: Volts,
    /// Short-circuit current, as far as the current at the crest tells (A).
    short: Amps,
    leg: Leg,
    /// Which of the points, from 0 at the top.
    step: u16,
    /// Whether the setpoint jumped and the next reading only waits for the load.
    jumped: bool,
    /// The device voltage wished for next; none when it is over.
    wish: Option<Volts>,
    best: Option<(Watts, Volts)>,
}

impl Sweep {
    /// A sweep that is looking at open circuit, of a device held at `held` (V, A) until now; `allowance`
    /// (V) is how far the envelope lets it into reverse.
    pub(super) fn new(config: &SweepConfig, allowance: Volts, held: Option<(Volts, Amps)>) -> Self {
        let points = config.points.clamp(MIN_SWEEP_POINTS, MAX_SWEEP_POINTS);
        Self {
            direction: config.direction,
            bottom: -config.beyond.min(allowance),
            held,
            points: Placement::new(Volts::ZERO, Volts::ZERO, points, None),
            top: Volts::ZERO,
            short: held.map_or(Amps::ZERO, |(_, amps)| amps),
            leg: Leg::Open,
            step: 0,
            jumped: true,
            wish: None,
            best: None,
        }
    }

    /// The open-circuit voltage it found (V).
    pub(super) fn open_circuit(&self) -> Volts {
        self.top
    }

    /// The voltage of the largest power so far (V).
    pub(super) fn crest(&self) -> Option<Volts> {
        self.best.map(|(_, volts)| volts)
    }

    /// The device voltage that comes next (V); none when it is over, or has not begun.
    pub(super) fn wish(&self) -> Option<Volts> {
        self.wish
    }

    /// The current that the device will deliver at that voltage (A), as far as the one at the crest
    /// tells.
    pub(super) fn expected(&self) -> Amps {
        self.wish.map_or(Amps::ZERO, |volts| self.points.amps(volts, self.short))
    }

    /// Whether the next point lies a jump along the whole curve away.
    pub(super) fn jumps(&self) -> bool {
        self.jumped
    }

    /// Whether a reading comes too soon after a jump to be a point; true at most once per jump.
    pub(super) fn is_settling(&mut self) -> bool {
        std::mem::take(&mut self.jumped)
    }

    /// Takes the reading of a point, whose device voltage asked for was `setpoint` after the guard,
    /// and wishes for the next (V); none when that was the last. `floor` is the lowest device voltage
    /// at which the load can sink a current.
    pub(super) fn next(
        &mut self,
        volts: Volts,
        watts: Watts,
        setpoint: Volts,
        floor: impl Fn(Amps) -> Volts,
    ) -> Option<Volts> {
        if self.best.is_none_or(|(most, _)| watts > most) {
            self.best = Some((watts, volts));
        }
        if self.leg == Leg::Open {
            self.place(volts, floor);
        }
        self.pass(setpoint)
    }

    /// Lays the points below the open-circuit voltage `top` (V).
    fn place(&mut self, top: Volts, floor: impl Fn(Amps) -> Volts) {
        let crest = self.held.map(|(volts, _)| volts);
        self.top = top;
        self.points = Placement::new(top, self.bottom, self.points.last() + 1, crest);
        if let Some((crest, amps)) = self.held {
            self.short = self.points.short_circuit(crest, amps);
            self.points = self.points.down_to(self.bottom.max(floor(self.short)));
        }
    }

    /// Goes on from the point that was asked for at `setpoint` (V) to the next, and wishes for that.
    pub(super) fn pass(&mut self, setpoint: Volts) -> Option<Volts> {
        self.wish = self.go_on(setpoint);
        self.wish
    }

    fn go_on(&mut self, setpoint: Volts) -> Option<Volts> {
        let held = (setpoint > self.points.volts(self.step)).then_some(setpoint);
        let last = self.points.last();
        match self.leg {
            Leg::Open => {
                self.jumped = self.direction == SweepDirection::Up;
                (self.leg, self.step) = match self.direction {
                    SweepDirection::Up => (Leg::Up, last),
                    SweepDirection::Down | SweepDirection::Both => (Leg::Down, 1),
                };
            }
            Leg::Down if self.step < last && held.is_none() => self.step += 1,
            Leg::Down if self.direction == SweepDirection::Both => {
                self.leg = Leg::Up;
                // It stands at the bottom already: on with the next above.
                self.step = self.above(held.unwrap_or(self.points.volts(last)))?;
            }
            Leg::Down => return None,
            Leg::Up if self.step == 0 => return None,
            Leg::Up => self.step = held.map_or(Some(self.step - 1), |held| self.above(held))?,
        }
        Some(self.points.volts(self.step))
    }

    /// The lowest step above `volts`, and above the one in force.
    fn above(&self, volts: Volts) -> Option<u16> {
        (0..self.step).rev().find(|&step| self.points.volts(step) > volts)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// What a linear device of 3.5 V and 3.5 A sees behind a guard that holds below `floor`.
    fn walk(direction: SweepDirection, floor: f64) -> Vec<f64> {
        let conditions = SweepConditions::default();
        let config = SweepConfig {
            every: None,
            points: 5,
            settle: Duration::ZERO,
            readings: 1,
            by: SweepBy::Steps,
            direction,
            beyond: Volts(0.2),
            conditions,
        };
        let mut sweep = Sweep::new(&config, Volts(0.5), Some((Volts(2.8), Amps(0.7))));
        let (mut wish, mut seen) = (Some(Volts(3.5)), vec![]);
        while let Some(asked) = wish {
            let volts = asked.max(Volts(floor));
            seen.push(volts.0);
            assert!(seen.len() < 20, "{seen:?}");
            wish = sweep.next(volts, Watts(volts.0 * (3.5 - volts.0)), volts, |_| Volts(-0.5));
        }
        assert_eq!(sweep.open_circuit(), Volts(3.5));
        let nearest = |v: &f64| (v - 1.75).abs();
        let best = seen.iter().min_by(|a, b| nearest(a).total_cmp(&nearest(b)));
        assert_eq!(sweep.crest(), best.copied().map(Volts));
        seen
    }

    fn at(volts: f64, stated: f64) -> bool {
        (volts - stated).abs() < 1e-12
    }

    fn falls(seen: &[f64]) -> bool {
        seen.windows(2).all(|two| two[1] < two[0])
    }

    fn rises(seen: &[f64]) -> bool {
        seen.windows(2).all(|two| two[1] > two[0])
    }

    #[test]
    fn each_direction_takes_every_point_once() {
        let down = walk(SweepDirection::Down, -0.5);
        assert!(falls(&down) && down.len() == 5 && at(down[4], -0.2), "{down:?}");
        let up = walk(SweepDirection::Up, -0.5);
        assert!(rises(&up[1..]), "{up:?}");
        assert_eq!(up[1..].iter().rev().copied().collect::<Vec<f64>>(), down);
        let both = walk(SweepDirection::Both, -0.5);
        assert_eq!((&both[..5], both.len()), (&down[..], 9));
        assert_eq!(both[4..].iter().rev().copied().collect::<Vec<f64>>(), down);
    }

    #[test]
    fn where_the_guard_holds_is_the_bottom() {
        let down = walk(SweepDirection::Down, 0.75);
        assert!(falls(&down) && down.last() == Some(&0.75), "{down:?}");
        let up = walk(SweepDirection::Up, 0.75);
        assert!(rises(&up[1..]) && at(up[1], 0.75), "{up:?}");
        let both = walk(SweepDirection::Both, 0.75);
        assert!(falls(&both[..down.len()]) && rises(&both[down.len() - 1..]), "{both:?}");
        assert_eq!(both.iter().filter(|volts| at(**volts, 0.75)).count(), 1);
    }
}
