//! The simplest bench: a voltage source behind a resistor, for trying links and front ends.
//!
//! Model: with its input closed, a constant-voltage load at `V` draws `(V_source - V) / R` from
//! the source, never less than nothing and never more than its protection level.

use super::{LoadPort, Measured, SupplyPort};
use crate::quantities::{Amps, Ohms, Volts};
use std::time::Duration;

/// Largest setpoint of the virtual instruments (V).
const VOLTS_MAX: Volts = Volts(150.0);
/// Largest current of the virtual instruments (A).
const AMPS_MAX: Amps = Amps(30.0);

/// A source, a resistor and the load that draws from them.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ResistiveBench {
    /// The source's voltage (V).
    pub source: Volts,
    /// The resistor in series (ohm, more than 0).
    pub series: Ohms,
    /// How long a measurement takes.
    pub takes: Duration,
    volts: Volts,
    protection: Amps,
    input: bool,
}

impl ResistiveBench {
    /// A bench whose measurements take no time.
    #[must_use]
    pub fn new(source: Volts, series: Ohms) -> Self {
        Self {
            source,
            series,
            takes: Duration::ZERO,
            volts: VOLTS_MAX,
            protection: AMPS_MAX,
            input: false,
        }
    }
}

/// 40 V behind 2 ohm at 30 V gives 5 A:
///
/// ```
/// # use cresthold_sim::{quantities::{Amps, Ohms, Volts}, wire::{LoadPort, resistive::ResistiveBench}};
/// let mut bench = ResistiveBench::new(Volts(40.0), Ohms(2.0));
/// bench.set_volts(Volts(30.0));
/// bench.set_input(true);
/// assert_eq!(bench.measure().amps, Amps(5.0));
/// ```
impl LoadPort for ResistiveBench {
    fn set_volts(&mut self, volts: Volts) {
        self.volts = volts;
    }

    fn volts(&self) -> Volts {
        self.volts
    }

    fn volts_max(&self) -> Volts {
        VOLTS_MAX
    }

    fn set_protection(&mut self, amps: Amps) {
        self.protection = amps;
    }

    fn protection(&self) -> Amps {
        self.protection
    }

    fn amps_max(&self) -> Amps {
        AMPS_MAX
    }

    fn set_input(&mut self, on: bool) {
        self.input = on;
    }

    fn input(&self) -> bool {
        self.input
    }

    fn measure(&mut self) -> Measured {
        let amps = if self.input {
            ((self.source - self.volts) / self.series).max(Amps::ZERO).min(self.protection)
        } else {
            Amps::ZERO
        };
        Measured { volts: self.source - amps * self.series, amps, takes: self.takes }
    }
}

/// A supply on open terminals: it shows its voltage and carries no current.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct OpenSupply {
    volts: Volts,
    limit: Amps,
    output: bool,
    collapsed: bool,
}

impl SupplyPort for OpenSupply {
    fn set_volts(&mut self, volts: Volts) {
        self.volts = volts;
    }

    fn volts(&self) -> Volts {
        self.volts
    }

    fn volts_max(&self) -> Volts {
        VOLTS_MAX
    }

    fn set_limit(&mut self, amps: Amps) {
        self.limit = amps;
    }

    fn limit(&self) -> Amps {
        self.limit
    }

    fn amps_max(&self) -> Amps {
        AMPS_MAX
    }

    fn set_output(&mut self, on: bool) {
        self.output = on;
    }

    fn output(&self) -> bool {
        self.output
    }

    fn measure(&mut self) -> Measured {
        let volts = if self.output && !self.collapsed { self.volts } else { Volts::ZERO };
        Measured { volts, amps: Amps::ZERO, takes: Duration::ZERO }
    }

    fn set_collapsed(&mut self, collapsed: bool) {
        self.collapsed = collapsed;
    }
}
