//! The virtual boost supply's commands.

use super::measuring::{MEASURE, Measuring, Meter};
use super::{Commands, FrontEnd, Setting, find};
use crate::quantities::{Amps, Volts};
use crate::scpi::{Params, Pattern, Resolved, ResponseWriter, StandardError, Unit};
use crate::wire::SupplyPort;
use std::time::Duration;

/// A virtual supply over any bench.
pub type VirtualSupply = FrontEnd<SupplyCommands>;

#[derive(Clone, Copy)]
enum Command {
    Volts,
    Limit,
    Output,
    Measure(Meter),
}

const TABLE: [(Pattern, Command); 5] = [
    (Pattern("[SOURce:]VOLTage[:LEVel][:IMMediate][:AMPLitude]"), Command::Volts),
    (Pattern("[SOURce:]CURRent[:LEVel][:IMMediate][:AMPLitude]"), Command::Limit),
    (Pattern("OUTPut[:STATe]"), Command::Output),
    (MEASURE[0], Command::Measure(Meter::Volts)),
    (MEASURE[1], Command::Measure(Meter::Amps)),
];

/// The supply's own commands over the bench behind them.
pub struct SupplyCommands {
    port: Box<dyn SupplyPort>,
    measuring: Measuring,
}

impl std::fmt::Debug for SupplyCommands {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("SupplyCommands").field("on", &self.port.output()).finish_non_exhaustive()
    }
}

impl FrontEnd<SupplyCommands> {
    /// A supply that was just switched on, over `port`; `identity` is its answer to `*IDN?`.
    #[must_use]
    pub fn supply(identity: &str, port: Box<dyn SupplyPort>) -> Self {
        Self::new(SupplyCommands { port, measuring: Measuring::new(identity) })
    }
}

impl SupplyCommands {
    pub(super) fn collapse(&mut self, collapsed: bool) {
        self.port.set_collapsed(collapsed);
    }

    fn volts(&self) -> Setting {
        let (now, max) = (self.port.volts().0, self.port.volts_max().0);
        Setting { unit: Unit::Volt, now, min: 0.0, max, default: 0.0 }
    }

    fn limit(&self) -> Setting {
        let (now, max) = (self.port.limit().0, self.port.amps_max().0);
        Setting { unit: Unit::Ampere, now, min: 0.0, max, default: 0.0 }
    }

    fn set(&mut self, command: Command, params: Params<'_>) -> Result<(), StandardError> {
        match command {
            Command::Volts => {
                let wanted = self.volts().wanted(params)?;
                self.port.set_volts(Volts(wanted));
            }
            Command::Limit => {
                let wanted = self.limit().wanted(params)?;
                self.port.set_limit(Amps(wanted));
            }
            Command::Output => {
                let on = params.only()?.boolean()?;
                self.port.set_output(on);
            }
            Command::Measure(_) => return Err(StandardError::UndefinedHeader),
        }
        Ok(())
    }

    fn ask(
        &mut self,
        command: Command,
        params: Params<'_>,
        answer: &mut ResponseWriter<'_>,
    ) -> Result<(), StandardError> {
        match command {
            Command::Volts => return self.volts().answer(params, answer),
            Command::Limit => return self.limit().answer(params, answer),
            Command::Output => {
                params.none()?;
                answer.unit().boolean(self.port.output());
            }
            Command::Measure(meter) => {
                params.none()?;
                self.measuring.answer(meter, || self.port.measure(), answer);
            }
        }
        Ok(())
    }
}

impl Commands for SupplyCommands {
    fn identity(&self) -> &str {
        &self.measuring.identity
    }

    fn reset(&mut self) {
        self.port.set_output(false);
        self.port.set_volts(Volts::ZERO);
        self.port.set_limit(Amps::ZERO);
    }

    fn begin(&mut self) {
        self.measuring.begin();
    }

    fn busy(&self) -> Duration {
        self.measuring.busy()
    }

    fn execute(
        &mut self,
        header: &Resolved<'_>,
        params: Params<'_>,
        answer: &mut ResponseWriter<'_>,
    ) -> Result<(), StandardError> {
        let command = find(&TABLE, header)?;
        if header.query { self.ask(command, params, answer) } else { self.set(command, params) }
    }
}
