//! The plan of a sweep: which device voltage comes next.
//!
//! Model: the first point is open circuit, whose voltage the reading tells. The others lie at even
//! spacing between it and the lowest voltage the envelope allows, walked down, up, or down and up. A
//! plan only wishes: each voltage passes the guard, and where the guard holds one up (the load can't
//! sink the current any lower), that leg has found its bottom. After a jump along the whole curve the
//! load gets a second dwell: five of its time constants leave 0.7 % of the step, a fortieth of that
//! from point to point, but 0.3 V after a jump over 40 V.

use super::curve::SweepDirection;
use crate::quantities::{Volts, Watts};
use std::time::Duration;

/// The fewest points of a curve: the two ends and a few between.
pub const MIN_SWEEP_POINTS: u16 = 5;
/// The most points of one leg of a curve.
pub const MAX_SWEEP_POINTS: u16 = 2000;

/// How a channel sweeps.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SweepConfig {
    /// How often while it tracks (s, longer than a sweep takes); none: only when asked.
    pub every: Option<Duration>,
    /// Points from open circuit to short circuit, both counted (5..=2000).
    pub points: u16,
    /// From one point to the next (s, at least the control period, less than the largest gap).
    pub dwell: Duration,
    /// Which way.
    pub direction: SweepDirection,
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
    points: u16,
    direction: SweepDirection,
    bottom: Volts,
    top: Volts,
    leg: Leg,
    /// Which of the evenly spaced voltages, from 0 at the top.
    step: u16,
    /// Whether the setpoint jumped and the next reading only waits for the load.
    jumped: bool,
    best: Option<(Watts, Volts)>,
}

impl Sweep {
    /// A sweep down to `bottom` (V) that is looking at open circuit.
    pub(super) fn new(config: &SweepConfig, bottom: Volts) -> Self {
        let points = config.points.clamp(MIN_SWEEP_POINTS, MAX_SWEEP_POINTS);
        let direction = config.direction;
        let (top, leg, step) = (Volts::ZERO, Leg::Open, 0);
        Self { points, direction, bottom, top, leg, step, jumped: true, best: None }
    }

    /// The open-circuit voltage it found (V).
    pub(super) fn open_circuit(&self) -> Volts {
        self.top
    }

    /// The voltage of the largest power so far (V).
    pub(super) fn crest(&self) -> Option<Volts> {
        self.best.map(|(_, volts)| volts)
    }

    /// Whether a reading comes too soon after a jump to be a point; true at most once per jump.
    pub(super) fn is_settling(&mut self) -> bool {
        std::mem::take(&mut self.jumped)
    }

    /// Takes the reading of a point, whose device voltage asked for was `setpoint` after the guard,
    /// and wishes for the next (V); none when that was the last.
    pub(super) fn next(&mut self, volts: Volts, watts: Watts, setpoint: Volts) -> Option<Volts> {
        let held = (setpoint > self.volts(self.step)).then_some(setpoint);
        if self.best.is_none_or(|(most, _)| watts > most) {
            self.best = Some((watts, volts));
        }
        let last = self.points - 1;
        match self.leg {
            Leg::Open => {
                self.top = volts;
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
                self.step = self.above(held.unwrap_or(self.bottom))?;
            }
            Leg::Down => return None,
            Leg::Up if self.step == 0 => return None,
            Leg::Up => self.step = held.map_or(Some(self.step - 1), |held| self.above(held))?,
        }
        Some(self.volts(self.step))
    }

    fn volts(&self, step: u16) -> Volts {
        let share = f64::from(step) / f64::from(self.points - 1);
        self.top + (self.bottom - self.top) * share
    }

    /// The lowest step above `volts`, and above the one in force.
    fn above(&self, volts: Volts) -> Option<u16> {
        (0..self.step).rev().find(|&step| self.volts(step) > volts)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn walk(direction: SweepDirection, floor: f64) -> Vec<f64> {
        let config = SweepConfig { every: None, points: 5, dwell: Duration::ZERO, direction };
        let mut sweep = Sweep::new(&config, Volts(-0.5));
        // A linear device of 3.5 V and 3.5 A behind a guard that holds below `floor`.
        let (mut wish, mut seen) = (Some(Volts(3.5)), vec![]);
        while let Some(asked) = wish {
            let volts = asked.max(Volts(floor));
            seen.push(volts.0);
            assert!(seen.len() < 20, "{seen:?}");
            wish = sweep.next(volts, Watts(volts.0 * (3.5 - volts.0)), volts);
        }
        assert_eq!(sweep.open_circuit(), Volts(3.5));
        assert_eq!(sweep.crest(), Some(Volts(1.5)));
        seen
    }

    #[test]
    fn each_direction_takes_every_point_once() {
        assert_eq!(walk(SweepDirection::Down, -0.5), [3.5, 2.5, 1.5, 0.5, -0.5]);
        assert_eq!(walk(SweepDirection::Up, -0.5), [3.5, -0.5, 0.5, 1.5, 2.5, 3.5]);
        let both = [3.5, 2.5, 1.5, 0.5, -0.5, 0.5, 1.5, 2.5, 3.5];
        assert_eq!(walk(SweepDirection::Both, -0.5), both);
    }

    #[test]
    fn where_the_guard_holds_is_the_bottom() {
        assert_eq!(walk(SweepDirection::Down, 0.75), [3.5, 2.5, 1.5, 0.75]);
        assert_eq!(walk(SweepDirection::Up, 0.75), [3.5, 0.75, 1.5, 2.5, 3.5]);
        assert_eq!(walk(SweepDirection::Both, 0.75), [3.5, 2.5, 1.5, 0.75, 1.5, 2.5, 3.5]);
    }
}
