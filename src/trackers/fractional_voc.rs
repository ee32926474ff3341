//! Fractional open-circuit voltage: V = k Voc, with Voc measured now and then.
//!
//! Method: the crest lies near a fixed share of the open-circuit voltage, k = 0.71 to 0.78 by
//! Esram & Chapman 2007, IEEE TEC 22(2) 439-449 (from memory); each look at Voc costs one control
//! period of power. On the generator model of EN 50530 the share is the same at every irradiance,
//! which makes this tracker look exact there; a real diode with series resistance tells otherwise.

use super::{Observation, Start, Tracker, Wish};
use crate::quantities::Volts;
use crate::time::Instant;
use std::time::Duration;

/// Settings of [`FractionalVoc`].
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct FractionalVocConfig {
    /// The share k (0.5..=0.95).
    pub share: f64,
    /// How often Voc is measured anew (s, 1..=3600).
    pub look_every: Duration,
}

/// Holds a share of the open-circuit voltage.
#[derive(Clone, Debug)]
pub struct FractionalVoc {
    config: FractionalVocConfig,
    open_circuit: Volts,
    looked: Instant,
    looking: bool,
}

impl FractionalVoc {
    /// A tracker with these settings.
    #[must_use]
    pub fn new(config: FractionalVocConfig) -> Self {
        Self { config, open_circuit: Volts::ZERO, looked: Instant::ZERO, looking: false }
    }

    fn wish(&self) -> Wish {
        Wish::Hold(self.open_circuit * self.config.share)
    }
}

impl Tracker for FractionalVoc {
    fn start(&mut self, from: &Start) -> Wish {
        self.open_circuit = from.open_circuit;
        self.looked = from.at;
        self.looking = false;
        self.wish()
    }

    fn step(&mut self, seen: &Observation) -> Wish {
        if self.looking {
            self.looking = false;
            self.open_circuit = seen.volts;
            self.looked = seen.at;
        } else if seen.at.saturating_since(self.looked) >= self.config.look_every {
            self.looking = true;
            return Wish::OpenCircuit;
        }
        self.wish()
    }
}
