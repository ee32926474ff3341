//! The virtual electronic load's commands.
//!
//! Model: constant voltage is the mode that the bench behind the port implements. In constant
//! current the load wakes up at 0 A and there is no command to raise it, so its input draws nothing
//! even when on; a controller that forgets to choose the mode sees that, as it would in life.

use super::{Commands, FrontEnd, MEASURED_DECIMALS, Setting, find};
use crate::quantities::{Amps, Volts};
use crate::scpi::{Params, Pattern, Resolved, ResponseWriter, StandardError, Unit};
use crate::wire::{LoadPort, Measured};
use std::time::Duration;

/// A virtual load over any bench.
pub type VirtualLoad = FrontEnd<LoadCommands>;

#[derive(Clone, Copy)]
enum Command {
    Mode,
    Volts,
    Protection,
    Input,
    MeasureVolts,
    MeasureAmps,
}

const TABLE: [(Pattern, Command); 6] = [
    (Pattern("[SOURce:]FUNCtion[:MODE]"), Command::Mode),
    (Pattern("[SOURce:]VOLTage[:LEVel][:IMMediate][:AMPLitude]"), Command::Volts),
    (Pattern("[SOURce:]CURRent:PROTection[:LEVel]"), Command::Protection),
    (Pattern("INPut[:STATe]"), Command::Input),
    (Pattern("MEASure[:SCALar]:VOLTage[:DC]"), Command::MeasureVolts),
    (Pattern("MEASure[:SCALar]:CURRent[:DC]"), Command::MeasureAmps),
];

const MODES: [&str; 2] = ["CURRent", "VOLTage"];

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Mode {
    Current,
    Voltage,
}

/// The load's own commands over the bench behind them.
pub struct LoadCommands {
    port: Box<dyn LoadPort>,
    identity: String,
    mode: Mode,
    input: bool,
    measured: Option<Measured>,
}

impl std::fmt::Debug for LoadCommands {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("LoadCommands").field("identity", &self.identity).finish_non_exhaustive()
    }
}

impl FrontEnd<LoadCommands> {
    /// A load that was just switched on, over `port`; `identity` is its answer to `*IDN?`.
    #[must_use]
    pub fn load(identity: &str, port: Box<dyn LoadPort>) -> Self {
        Self::new(LoadCommands {
            port,
            identity: identity.to_owned(),
            mode: Mode::Current,
            input: false,
            measured: None,
        })
    }
}

impl LoadCommands {
    fn measured(&mut self) -> Measured {
        *self.measured.get_or_insert_with(|| self.port.measure())
    }

    fn set_mode(&mut self, params: Params<'_>) -> Result<(), StandardError> {
        let mode = match params.only()?.choice(&MODES)? {
            0 => Mode::Current,
            _ => Mode::Voltage,
        };
        if self.input && mode != self.mode {
            return Err(StandardError::SettingsConflict);
        }
        self.mode = mode;
        Ok(())
    }

    fn set_input(&mut self, on: bool) {
        self.input = on;
        self.port.set_input(on && self.mode == Mode::Voltage);
    }

    fn volts(&self) -> Setting {
        let max = self.port.volts_max().0;
        Setting { unit: Unit::Volt, now: self.port.volts().0, max, default: max }
    }

    fn protection(&self) -> Setting {
        let max = self.port.amps_max().0;
        Setting { unit: Unit::Ampere, now: self.port.protection().0, max, default: max }
    }

    fn set(&mut self, command: Command, params: Params<'_>) -> Result<(), StandardError> {
        match command {
            Command::Mode => self.set_mode(params)?,
            Command::Volts => {
                let wanted = self.volts().wanted(params)?;
                self.port.set_volts(Volts(wanted));
            }
            Command::Protection => {
                let wanted = self.protection().wanted(params)?;
                self.port.set_protection(Amps(wanted));
            }
            Command::Input => {
                let on = params.only()?.boolean()?;
                self.set_input(on);
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
            Command::Protection => return self.protection().answer(params, answer),
            _ => params.none()?,
        }
        match command {
            Command::Mode => {
                answer.unit().word(if self.mode == Mode::Voltage { "VOLT" } else { "CURR" });
            }
            Command::Input => {
                answer.unit().boolean(self.input);
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

impl Commands for LoadCommands {
    fn identity(&self) -> &str {
        &self.identity
    }

    fn reset(&mut self) {
        self.set_input(false);
        self.mode = Mode::Current;
        // The safe end of constant voltage is the top: a device there is near open circuit.
        let (volts, amps) = (self.port.volts_max(), self.port.amps_max());
        self.port.set_volts(volts);
        self.port.set_protection(amps);
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
