//! Virtual instruments on real lines: pseudo-terminals and TCP sockets.
//!
//! An [`Instrument`](instrument::Instrument) parses program messages and answers them; what it
//! controls is behind one of the two small port traits below, so that the same front end serves any
//! bench. A server runs one instrument on one line, in a thread of its own.

pub mod fault;
pub mod instrument;
pub mod modbus;
pub mod plant;
pub mod resistive;
pub mod sensing;
pub mod serve;

use crate::quantities::{Amps, Volts};
use std::time::Duration;

/// What a virtual electronic load's front end asks of the bench behind it.
pub trait LoadPort: Send {
    /// Sets the constant-voltage setpoint at the load's terminals (V).
    fn set_volts(&mut self, volts: Volts);
    /// The constant-voltage setpoint (V).
    fn volts(&self) -> Volts;
    /// The largest setpoint the load accepts (V).
    fn volts_max(&self) -> Volts;
    /// Sets the current protection level (A).
    fn set_protection(&mut self, amps: Amps);
    /// The current protection level (A).
    fn protection(&self) -> Amps;
    /// The largest protection level the load accepts (A).
    fn amps_max(&self) -> Amps;
    /// Closes (`true`) or opens the load's input.
    fn set_input(&mut self, on: bool);
    /// Whether the input is closed.
    fn input(&self) -> bool;
    /// Measures volts and amps at the terminals over one measurement window. The front end waits
    /// the returned time before it answers.
    fn measure(&mut self) -> Measured;
    /// Holds one setpoint for `dwell`, then measures: a step of a list that the load runs by
    /// itself. It takes both times.
    fn step(&mut self, volts: Volts, dwell: Duration) -> Measured {
        self.set_volts(volts);
        let measured = self.measure();
        Measured { takes: dwell + measured.takes, ..measured }
    }
    /// The measurement window (s); none where it can't be changed.
    fn window(&self) -> Option<Duration> {
        None
    }
    /// Changes the measurement window.
    fn set_window(&mut self, _window: Duration) {}
    /// The full scale of the current range in use (A); none where there is one range only.
    fn range(&self) -> Option<Amps> {
        None
    }
    /// Chooses the smallest current range that holds `amps`.
    fn set_range(&mut self, _amps: Amps) {}
}

/// What a virtual boost supply's front end asks of the bench behind it.
pub trait SupplyPort: Send {
    /// Sets the output voltage (V).
    fn set_volts(&mut self, volts: Volts);
    /// The output voltage setpoint (V).
    fn volts(&self) -> Volts;
    /// The largest voltage setpoint (V).
    fn volts_max(&self) -> Volts;
    /// Sets the current limit (A).
    fn set_limit(&mut self, amps: Amps);
    /// The current limit (A).
    fn limit(&self) -> Amps;
    /// The largest current limit (A).
    fn amps_max(&self) -> Amps;
    /// Switches the output.
    fn set_output(&mut self, on: bool);
    /// Whether the output is on.
    fn output(&self) -> bool;
    /// Measures volts and amps at the terminals.
    fn measure(&mut self) -> Measured;
    /// Lets the voltage fall to nothing while the output stays on, or ends that; a bench without
    /// such a fault ignores it.
    fn set_collapsed(&mut self, _collapsed: bool) {}
}

/// One measurement of a virtual instrument, and how long it took.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Measured {
    /// Terminal voltage (V).
    pub volts: Volts,
    /// Terminal current (A).
    pub amps: Amps,
    /// How long the measurement takes (latency and window).
    pub takes: Duration,
}
