//! Hold: one voltage, never moved. The null tracker.
//!
//! Method: constant voltage (common practice, no source). It is the baseline that every other
//! tracker must beat: at logger periods plain hill climbing can lose to it on fast ramps.

use super::{Observation, Start, Tracker, Wish};
use crate::quantities::Volts;

/// Settings of [`Hold`].
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum HoldConfig {
    /// A device voltage (V, inside the envelope).
    At(Volts),
    /// A share of the open-circuit voltage found at start (0.5..=0.95).
    Share(f64),
}

/// Holds one voltage.
#[derive(Clone, Debug)]
pub struct Hold {
    config: HoldConfig,
    volts: Volts,
}

impl Hold {
    /// A tracker with these settings.
    #[must_use]
    pub fn new(config: HoldConfig) -> Self {
        Self { config, volts: Volts::ZERO }
    }
}

impl Tracker for Hold {
    fn start(&mut self, from: &Start) -> Wish {
        self.volts = match self.config {
            HoldConfig::At(volts) => volts,
            HoldConfig::Share(share) => from.open_circuit * share,
        };
        Wish::Hold(self.volts)
    }

    fn step(&mut self, _seen: &Observation) -> Wish {
        Wish::Hold(self.volts)
    }
}
