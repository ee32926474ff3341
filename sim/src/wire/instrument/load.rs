//! The virtual electronic load's commands.
//!
//! Model: constant voltage is the mode that the bench behind the port implements. In constant
//! current the load wakes up at 0 A and there is no command to raise it, so its input draws nothing
//! even when on; a controller that forgets to choose the mode sees that, as it would in life.

use super::list::List;
use super::measuring::{MEASURE, Measuring, Meter};
use super::{Commands, FrontEnd, Setting, find};
use crate::quantities::{Amps, Volts};
use crate::scpi::{Params, Pattern, Resolved, ResponseWriter, StandardError, Unit};
use crate::wire::LoadPort;
use std::time::Duration;

/// A virtual load over any bench.
pub type VirtualLoad = FrontEnd<LoadCommands>;

/// Shortest and longest measurement window that can be set (s).
const WINDOW: (f64, f64) = (0.001, 1.0);

#[derive(Clone, Copy)]
enum Command {
    Mode,
    Volts,
    Protection,
    Range,
    Window,
    Input,
    Measure(Meter),
}

const TABLE: [(Pattern, Command); 8] = [
    (Pattern("[SOURce:]FUNCtion[:MODE]"), Command::Mode),
    (Pattern("[SOURce:]VOLTage[:LEVel][:IMMediate][:AMPLitude]"), Command::Volts),
    (Pattern("[SOURce:]CURRent:PROTection[:LEVel]"), Command::Protection),
    (Pattern("[SOURce:]CURRent:RANGe"), Command::Range),
    (Pattern("SENSe:APERture"), Command::Window),
    (Pattern("INPut[:STATe]"), Command::Input),
    (MEASURE[0], Command::Measure(Meter::Volts)),
    (MEASURE[1], Command::Measure(Meter::Amps)),
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
    measuring: Measuring,
    mode: Mode,
    input: bool,
    /// Something keeps the input from being switched on.
    tripped: bool,
    list: List,
    /// The window and the current range after power-on, where they can be changed.
    usual: (Option<Duration>, Option<Amps>),
}

impl std::fmt::Debug for LoadCommands {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("LoadCommands").field("input", &self.input).finish_non_exhaustive()
    }
}

impl FrontEnd<LoadCommands> {
    /// A load that was just switched on, over `port`; `identity` is its answer to `*IDN?`.
    #[must_use]
    pub fn load(identity: &str, port: Box<dyn LoadPort>) -> Self {
        let usual = (port.window(), port.range());
        Self::new(LoadCommands {
            port,
            measuring: Measuring::new(identity),
            mode: Mode::Current,
            input: false,
            tripped: false,
            list: List::default(),
            usual,
        })
    }
}

impl LoadCommands {
    pub(super) fn trip(&mut self, lasting: bool) {
        self.tripped = lasting;
        self.switch(false);
    }

    pub(super) fn untrip(&mut self) {
        self.tripped = false;
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

    fn set_input(&mut self, params: Params<'_>) -> Result<(), StandardError> {
        let on = params.only()?.boolean()?;
        if on && self.tripped {
            return Err(StandardError::HardwareError);
        }
        self.switch(on);
        Ok(())
    }

    fn switch(&mut self, on: bool) {
        self.input = on;
        self.port.set_input(on && self.mode == Mode::Voltage);
    }

    /// The numeric setting behind a command; -241 where the load has no such thing.
    fn setting(&self, command: Command) -> Result<Setting, StandardError> {
        let missing = StandardError::HardwareMissing;
        let amps_max = self.port.amps_max().0;
        let amps =
            |now| Setting { unit: Unit::Ampere, now, min: 0.0, max: amps_max, default: amps_max };
        Ok(match command {
            Command::Volts => {
                let max = self.port.volts_max().0;
                let now = self.port.volts().0;
                Setting { unit: Unit::Volt, now, min: 0.0, max, default: max }
            }
            Command::Protection => amps(self.port.protection().0),
            Command::Range => amps(self.port.range().ok_or(missing)?.0),
            Command::Window => {
                let now = self.port.window().ok_or(missing)?.as_secs_f64();
                let default = self.usual.0.ok_or(missing)?.as_secs_f64();
                let (min, max) = (WINDOW.0.min(default), WINDOW.1.max(default));
                Setting { unit: Unit::Second, now, min, max, default }
            }
            _ => return Err(StandardError::UndefinedHeader),
        })
    }

    fn set(&mut self, command: Command, params: Params<'_>) -> Result<(), StandardError> {
        match command {
            Command::Mode => return self.set_mode(params),
            Command::Input => return self.set_input(params),
            _ => {}
        }
        let wanted = self.setting(command)?.wanted(params)?;
        match command {
            Command::Volts => self.port.set_volts(Volts(wanted)),
            Command::Protection => self.port.set_protection(Amps(wanted)),
            Command::Range => self.port.set_range(Amps(wanted)),
            _ => self.port.set_window(Duration::from_secs_f64(wanted)),
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
            Command::Mode => {
                params.none()?;
                answer.unit().word(if self.mode == Mode::Voltage { "VOLT" } else { "CURR" });
            }
            Command::Input => {
                params.none()?;
                answer.unit().boolean(self.input);
            }
            Command::Measure(meter) => {
                params.none()?;
                self.measuring.answer(meter, || self.port.measure(), answer);
            }
            _ => return self.setting(command)?.answer(params, answer),
        }
        Ok(())
    }
}

impl Commands for LoadCommands {
    fn identity(&self) -> &str {
        &self.measuring.identity
    }

    fn reset(&mut self) {
        self.switch(false);
        self.mode = Mode::Current;
        // The safe end of constant voltage is the top: a device there is near open circuit.
        let (volts, amps) = (self.port.volts_max(), self.port.amps_max());
        self.port.set_volts(volts);
        self.port.set_protection(amps);
        self.list = List::default();
        let (window, range) = self.usual;
        if let Some(window) = window {
            self.port.set_window(window);
        }
        if let Some(range) = range {
            self.port.set_range(range);
        }
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
        match find(&TABLE, header) {
            Ok(command) if header.query => self.ask(command, params, answer),
            Ok(command) => self.set(command, params),
            Err(StandardError::UndefinedHeader) => {
                let takes = self.list.execute(header, params, answer, &mut *self.port)?;
                self.measuring.take(takes);
                Ok(())
            }
            Err(error) => Err(error),
        }
    }
}
