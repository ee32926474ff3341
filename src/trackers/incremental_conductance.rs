//! Incremental conductance: at the crest dI/dV = -I/V.
//!
//! Method: Hussein, Muta, Hoshino & Osakada 1995, IEE Proc. Gener. Transm. Distrib. 142(1) 59-64
//! (from memory). dP/dV = I + V dI/dV is positive left of the crest and negative right of it; with
//! the voltage unchanged, rising current means that the crest moved up. Mathematically it is
//! perturb and observe written otherwise (Sera et al. 2013, IEEE JPV 3(3) 1070-1078, from memory).
//! The dead band keeps it still where the slope can't be told from noise.

use super::{Observation, Start, Tracker, Wish};
use crate::quantities::{Amps, Volts};

/// Settings of [`IncrementalConductance`].
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct IncrementalConductanceConfig {
    /// The step (V, 0.001..=50).
    pub step: Volts,
    /// Dead band of the relative power slope (dP/P) / (dV/V) (0..=0.5); 0 always steps.
    pub dead_band: f64,
}

/// Steps toward the voltage where conductance and incremental conductance cancel.
#[derive(Clone, Debug)]
pub struct IncrementalConductance {
    config: IncrementalConductanceConfig,
    before: Option<(Volts, Amps)>,
}

/// Voltage changes below this share of the step are noise, not a step.
const STILL_SHARE: f64 = 0.25;

impl IncrementalConductance {
    /// A tracker with these settings.
    #[must_use]
    pub fn new(config: IncrementalConductanceConfig) -> Self {
        Self { config, before: None }
    }

    /// Which way the crest lies: above zero toward higher voltage.
    fn direction(&self, seen: &Observation, (volts, amps): (Volts, Amps)) -> f64 {
        let rise = seen.volts - volts;
        let gain = seen.amps - amps;
        if rise.abs() < self.config.step * STILL_SHARE {
            // The current change that a slope at the band's edge would make over one step.
            let still = amps * (self.config.dead_band * (self.config.step / volts.max(seen.volts)));
            return if gain.abs() <= still.abs() { 0.0 } else { gain.0 };
        }
        let current = seen.amps.0.max(f64::MIN_POSITIVE);
        let slope = 1.0 + seen.volts.0 / current * (gain.0 / rise.0);
        if slope.abs() <= self.config.dead_band { 0.0 } else { slope }
    }
}

impl Tracker for IncrementalConductance {
    fn start(&mut self, from: &Start) -> Wish {
        self.before = None;
        Wish::Hold(from.foothold())
    }

    fn step(&mut self, seen: &Observation) -> Wish {
        let direction = self.before.map_or(1.0, |before| self.direction(seen, before));
        self.before = Some((seen.volts, seen.amps));
        let step = if direction > 0.0 {
            self.config.step
        } else if direction < 0.0 {
            -self.config.step
        } else {
            Volts::ZERO
        };
        Wish::Hold(seen.setpoint + step)
    }
}
