//! The load's list: setpoints that it runs through by itself, and the arrays it brings back.
//!
//! Model: after the LIST and TRIGger subsystems of SCPI-1999 volume 2 (from memory), of which it
//! has what a sweep needs: `LIST:VOLTage v,...`, `LIST:DWELl s`, `LIST:STATe ON`, `INITiate`, then
//! `FETCh:ARRay:VOLTage?` and `:CURRent?`. Each point is held for the dwell, then measured. A
//! message that comes meanwhile waits, as it does behind a measurement. At the end the load goes
//! back to the setpoint it had.

use super::measuring::Meter;
use super::{SETTING_DECIMALS, Setting, find};
use crate::quantities::Volts;
use crate::scpi::{
    Numeric, Params, Pattern, Request, Resolved, ResponseWriter, StandardError, Unit,
};
use crate::wire::{LoadPort, Measured};
use std::time::Duration;

/// Most points of a list; as many fit a message and a reply (invented).
const MOST_POINTS: usize = 100;
/// Shortest and longest dwell (s).
const DWELL: (f64, f64) = (0.001, 10.0);
/// Dwell after power-on (s): several time constants of a usual load.
const USUAL_DWELL: Duration = Duration::from_millis(100);

#[derive(Clone, Copy)]
enum Command {
    Volts,
    Points,
    Dwell,
    State,
    Start,
    Fetch(Meter),
}

const TABLE: [(Pattern, Command); 7] = [
    (Pattern("[SOURce:]LIST:VOLTage[:LEVel]"), Command::Volts),
    (Pattern("[SOURce:]LIST:VOLTage:POINts"), Command::Points),
    (Pattern("[SOURce:]LIST:DWELl"), Command::Dwell),
    (Pattern("[SOURce:]LIST:STATe"), Command::State),
    (Pattern("INITiate[:IMMediate]"), Command::Start),
    (Pattern("FETCh:ARRay:VOLTage[:DC]"), Command::Fetch(Meter::Volts)),
    (Pattern("FETCh:ARRay:CURRent[:DC]"), Command::Fetch(Meter::Amps)),
];

/// The list, and what its last run measured.
#[derive(Debug)]
pub(super) struct List {
    volts: Vec<f64>,
    dwell: Duration,
    measured: Vec<Measured>,
}

impl Default for List {
    fn default() -> Self {
        Self { volts: Vec::new(), dwell: USUAL_DWELL, measured: Vec::new() }
    }
}

impl List {
    /// Carries out a unit if it is one of the list's; answers how long that takes.
    ///
    /// # Errors
    /// -113 or -114 where it isn't; others of its own.
    pub(super) fn execute(
        &mut self,
        header: &Resolved<'_>,
        params: Params<'_>,
        answer: &mut ResponseWriter<'_>,
        port: &mut dyn LoadPort,
    ) -> Result<Duration, StandardError> {
        let command = find(&TABLE, header)?;
        if header.query {
            return self.ask(command, params, answer).map(|()| Duration::ZERO);
        }
        match command {
            Command::Volts => self.set_volts(params, port.volts_max().0)?,
            Command::Dwell => {
                self.dwell = Duration::from_secs_f64(self.dwell_setting().wanted(params)?);
            }
            Command::State if params.only()?.boolean()? => return self.run(port),
            Command::State => {}
            Command::Start => {
                params.none()?;
                return self.run(port);
            }
            Command::Points | Command::Fetch(_) => return Err(StandardError::UndefinedHeader),
        }
        Ok(Duration::ZERO)
    }

    fn dwell_setting(&self) -> Setting {
        Setting {
            unit: Unit::Second,
            now: self.dwell.as_secs_f64(),
            min: DWELL.0,
            max: DWELL.1,
            default: USUAL_DWELL.as_secs_f64(),
        }
    }

    fn set_volts(&mut self, params: Params<'_>, max: f64) -> Result<(), StandardError> {
        let mut volts = Vec::new();
        for param in params {
            match param?.numeric(Some(Unit::Volt))? {
                Request::Number(Numeric::Value(value)) if (0.0..=max).contains(&value) => {
                    volts.push(value);
                }
                _ => return Err(StandardError::DataOutOfRange),
            }
            if volts.len() > MOST_POINTS {
                return Err(StandardError::TooMuchData);
            }
        }
        if volts.is_empty() {
            return Err(StandardError::MissingParameter);
        }
        (self.volts, self.measured) = (volts, Vec::new());
        Ok(())
    }

    fn run(&mut self, port: &mut dyn LoadPort) -> Result<Duration, StandardError> {
        if self.volts.is_empty() {
            return Err(StandardError::SettingsConflict);
        }
        let before = port.volts();
        let dwell = self.dwell;
        self.measured = self.volts.iter().map(|volts| port.step(Volts(*volts), dwell)).collect();
        port.set_volts(before);
        Ok(self.measured.iter().map(|measured| measured.takes).sum())
    }

    fn ask(
        &self,
        command: Command,
        params: Params<'_>,
        answer: &mut ResponseWriter<'_>,
    ) -> Result<(), StandardError> {
        if let Command::Dwell = command {
            return self.dwell_setting().answer(params, answer);
        }
        params.none()?;
        match command {
            Command::Volts if self.volts.is_empty() => return Err(StandardError::DataStale),
            Command::Volts => {
                answer.unit();
                for volts in &self.volts {
                    answer.nr2((*volts).into(), SETTING_DECIMALS);
                }
            }
            Command::Points => {
                let count = i64::try_from(self.volts.len()).unwrap_or(i64::MAX);
                answer.unit().integer(count);
            }
            Command::State => {
                answer.unit().boolean(false);
            }
            Command::Fetch(_) if self.measured.is_empty() => return Err(StandardError::DataStale),
            Command::Fetch(meter) => {
                answer.unit();
                self.measured.iter().for_each(|measured| meter.answer(measured, answer));
            }
            Command::Dwell | Command::Start => return Err(StandardError::UndefinedHeader),
        }
        Ok(())
    }
}
