//! Fixed-step perturb and observe: step the voltage, keep the direction while power rises.
//!
//! Method: hill climbing on power; analysis of step and period by Femia, Petrone, Spagnuolo &
//! Vitelli 2005, IEEE TPEL 20(4) 963-973 (from memory): the period must exceed the settling of the
//! power response, and the step must outweigh what the irradiance changes within one period, or the
//! tracker drifts the wrong way on ramps. In the steady state it walks three levels around the
//! crest and loses about kappa e^2 / 2, with e the step over Vmp and
//! kappa = 0.5 |P''| Vmp^2 / Pmp.

use super::{Observation, Start, Tracker, Wish};
use crate::quantities::{Volts, Watts};

/// Settings of [`PerturbAndObserve`].
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PerturbAndObserveConfig {
    /// The step (V, 0.001..=50).
    pub step: Volts,
}

/// Climbs the power curve in fixed steps.
#[derive(Clone, Debug)]
pub struct PerturbAndObserve {
    config: PerturbAndObserveConfig,
    watts: Option<Watts>,
    up: bool,
}

impl PerturbAndObserve {
    /// A tracker with these settings.
    #[must_use]
    pub fn new(config: PerturbAndObserveConfig) -> Self {
        Self { config, watts: None, up: true }
    }
}

impl Tracker for PerturbAndObserve {
    fn start(&mut self, from: &Start) -> Wish {
        self.watts = None;
        self.up = true;
        Wish::Hold(from.foothold())
    }

    fn step(&mut self, seen: &Observation) -> Wish {
        let watts = seen.watts();
        if self.watts.is_some_and(|before| watts < before) {
            self.up = !self.up;
        }
        self.watts = Some(watts);
        let step = if self.up { self.config.step } else { -self.config.step };
        Wish::Hold(seen.setpoint + step)
    }
}
