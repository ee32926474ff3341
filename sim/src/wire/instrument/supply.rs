//! The virtual boost supply's commands.

use super::{Commands, FrontEnd, MEASURED_DECIMALS, Setting, find};
use crate::quantities::{Amps, Volts};
use crate::scpi::{Params, Pattern, Resolved, ResponseWriter, StandardError, Unit};
use crate::wire::{Measured, SupplyPort};
use std::time::Duration;

/// A virtual supply over any bench.
pub type VirtualSupply = FrontEnd<SupplyCommands>;

#[derive(Clone, Copy)]
enum Command {
    Volts,
    Limit,
    Output,
    MeasureVolts,
    MeasureAmps,
}

const TABLE: [(Pattern, Command); 5] = [
    (Pattern("[SOURce:]VOLTage[:LEVel][:IMMediate][:AMPLitude]"), Command::Volts),
    (Pattern("[SOURce:]CURRent[:LEVel][:IMMediate][:AMPLitude]"), Command::Limit),
    (Pattern("OUTPut[:STATe]"), Command::Output),
    (Pattern("MEASure[:SCALar]:VOLTage[:DC]"), Command::MeasureVolts),
    (Pattern("MEASure[:SCALar]:CURRent[:DC]"), Command::MeasureAmps),
];

/// The supply's own commands over the bench behind them.
pub struct SupplyCommands {
    port: Box<dyn SupplyPort>,
    identity: String,
    measured: Option<Measured>,
}

impl std::fmt::Debug for SupplyCommands {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("SupplyCommands").field("identity", &self.identity).finish_non_exhaustive()
    }
}

impl FrontEnd<SupplyCommands> {
    /// A supply that was just switched on, over `port`; `identity` is its answer to `*IDN?`.
    #[must_use]
    pub fn supply(identity: &str, port: Box<dyn SupplyPort>) -> Self {
        Self::new(SupplyCommands { port, identity: identity.to_owned(), measured: None })
    }
}

impl SupplyCommands {
    fn measured(&mut self) -> Measured {
        *self.measured.get_or_insert_with(|| self.port.measure())
    }

    fn volts(&self) -> Setting {
        let max = self.port.volts_max().0;
        Setting { unit: Unit::Volt, now: self.port.volts().0, max, default: 0.0 }
    }

    fn limit(&self) -> Setting {
        let max = self.port.amps_max().0;
        Setting { unit: Unit::Ampere, now: self.port.limit().0, max, default: 0.0 }
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
            Command::MeasureVolts | Command::MeasureAmps => {
                return Err(StandardError::UndefinedHeader);
            }
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
            _ => params.none()?,
        }
        match command {
            Command::Output => {
                answer.unit().boolean(self.port.output());
            }
            Command::MeasureAmps => {
                let amps = self.measured().amps.0;
                answer.unit().nr2(amps.into(), MEASURED_DECIMALS);
            }
            _ => {
                let volts = self.measured().volts.0;
                answer.unit().nr2(volts.into(), MEASURED_DECIMALS);
            }
        }
        Ok(())
    }
}

impl Commands for SupplyCommands {
    fn identity(&self) -> &str {
        &self.identity
    }

    fn reset(&mut self) {
        self.port.set_output(false);
        self.port.set_volts(Volts::ZERO);
        self.port.set_limit(Amps::ZERO);
    }

    fn begin(&mut self) {
        self.measured = None;
    }

    fn busy(&self) -> Duration {
        self.measured.map_or(Duration::ZERO, |measured| measured.takes)
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
