//! Hill climbing with a step that grows with the slope of the power.
//!
//! Method: the adaptive steps of Piegari & Rizzo 2010, IET RPG 4(4) and of Kollimalla & Mishra 2014,
//! IEEE TEC (both from memory): large steps far from the crest, small ones on it. Here the step is a
//! share of Newton's: the relative slope s = (dP/P) / (dV/V) is -2 kappa x at the distance
//! x = (V - Vmp) / Vmp, so `GAIN` s V goes part of the way, held between a least and a largest step.
//! With the voltage unchanged there is no slope, and it steps the least step on.
//!
//! A ramp of the irradiance is taken for a slope, as by every plain climber, and even answered with
//! large steps: that is the method's known weakness, not this program's.

use super::{Observation, Start, Tracker, Wish};
use crate::quantities::{Volts, Watts};

/// Share of the relative slope that is stepped: 1 / (2 kappa) would be Newton's step, 0.05 to 0.16 for
/// kappa from 3 to 9; below the least of them it never overshoots.
const GAIN: f64 = 0.05;

/// Settings of [`VariableStep`].
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct VariableStepConfig {
    /// The largest step (V, 0.001..=50).
    pub largest: Volts,
    /// The least step (V, 0.001..=50), not above the largest.
    pub least: Volts,
}

/// Climbs in steps that follow the slope.
#[derive(Clone, Debug)]
pub struct VariableStep {
    config: VariableStepConfig,
    before: Option<(Volts, Watts)>,
    up: bool,
}

impl VariableStep {
    /// A tracker with these settings.
    #[must_use]
    pub fn new(config: VariableStepConfig) -> Self {
        Self { config, before: None, up: true }
    }

    /// How far to step, and which way: a signed relative slope, or none where it can't be told.
    fn slope(&self, seen: &Observation, (volts, watts): (Volts, Watts)) -> Option<f64> {
        let (rise, gain) = (seen.volts - volts, seen.watts() - watts);
        if rise.abs() < self.config.least * STILL_SHARE {
            return None;
        }
        let slope = (gain.0 / watts.0) / (rise.0 / seen.volts.0);
        slope.is_finite().then_some(slope)
    }
}

/// Voltage changes below this share of the least step are noise, not a step.
const STILL_SHARE: f64 = 0.25;

impl Tracker for VariableStep {
    fn start(&mut self, from: &Start) -> Wish {
        (self.before, self.up) = (None, true);
        Wish::Hold(from.foothold())
    }

    fn step(&mut self, seen: &Observation) -> Wish {
        let slope = self.before.and_then(|before| self.slope(seen, before));
        self.before = Some((seen.volts, seen.watts()));
        let VariableStepConfig { largest, least } = self.config;
        let size = slope.map_or(least, |slope| {
            self.up = slope > 0.0;
            (seen.volts * (GAIN * slope.abs())).max(least).min(largest)
        });
        Wish::Hold(seen.setpoint + if self.up { size } else { -size })
    }
}
