//! Perturb and observe that tells a ramp of the irradiance from its own step.
//!
//! Method: "dP-P&O" of Sera, Teodorescu, Hantschel & Knoll 2008, IEEE TIE 55(7) 2629-2637 (from
//! memory). Each step is looked at twice, half a step's time apart: from before the step to its
//! middle the power changes by the step and half of the drift, from the middle to the end by the
//! other half alone. So
//!
//! dP = (`P_mid` - `P_before`) - (`P_end` - `P_mid`) = 2 `P_mid` - `P_end` - `P_before`
//!
//! is what the step did, whatever the ramp, as long as the ramp is straight. A step lasts two control
//! periods here, since there is one reading in each. In the steady state it walks like plain
//! perturb and observe, half as fast.
//!
//! Rejected: the paper's second pair of thresholds, which chooses among larger and smaller steps by
//! the size of the drift: it needs to be tuned for each device.

use super::{Observation, Start, Tracker, Wish};
use crate::quantities::{Volts, Watts};

/// Settings of [`RampSeparating`].
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct RampSeparatingConfig {
    /// The step (V, 0.001..=50).
    pub step: Volts,
}

/// Climbs the power curve in fixed steps, each looked at twice.
#[derive(Clone, Debug)]
pub struct RampSeparating {
    config: RampSeparatingConfig,
    before: Option<Watts>,
    middle: Option<Watts>,
    up: bool,
}

impl RampSeparating {
    /// A tracker with these settings.
    #[must_use]
    pub fn new(config: RampSeparatingConfig) -> Self {
        Self { config, before: None, middle: None, up: true }
    }
}

impl Tracker for RampSeparating {
    fn start(&mut self, from: &Start) -> Wish {
        *self = Self::new(self.config);
        Wish::Hold(from.foothold())
    }

    fn step(&mut self, seen: &Observation) -> Wish {
        let watts = seen.watts();
        if let (Some(before), Some(middle)) = (self.before, self.middle) {
            let by_step = middle * 2.0 - watts - before;
            if by_step < Watts::ZERO {
                self.up = !self.up;
            }
        } else if self.before.is_some() {
            self.middle = Some(watts);
            return Wish::Hold(seen.setpoint);
        }
        (self.before, self.middle) = (Some(watts), None);
        let step = if self.up { self.config.step } else { -self.config.step };
        Wish::Hold(seen.setpoint + step)
    }
}
