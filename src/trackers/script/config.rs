//! Which script, with its settings.

use super::call::{Failure, Run};
use super::{Script, ScriptError, Values};
use crate::quantities::{Amps, Celsius, Irradiance, Volts};
use crate::time::Instant;
use crate::trackers::{Observation, Start, Wish};
use std::sync::Arc;
use std::time::Duration;

/// Settings of [`Scripted`](super::Scripted): cheap to clone, the script is shared.
#[derive(Clone, Debug)]
pub struct ScriptConfig {
    script: Arc<Script>,
    values: Values,
}

/// Equal when text and settings are.
impl PartialEq for ScriptConfig {
    fn eq(&self, other: &Self) -> bool {
        self.script.text() == other.script.text() && self.values == other.values
    }
}

impl ScriptConfig {
    /// The script with its own defaults.
    #[must_use]
    pub fn new(script: Arc<Script>) -> Self {
        Self { values: script.defaults.clone(), script }
    }

    /// The same with another value of one setting; none when the script has no such setting, or the
    /// value isn't finite.
    #[must_use]
    pub fn with(mut self, name: &str, value: f64) -> Option<Self> {
        let place = self.script.names().position(|known| known == name)?;
        *self.values.get_mut(place).filter(|_| value.is_finite())? = value;
        Some(self)
    }

    /// The script.
    #[must_use]
    pub fn script(&self) -> &Arc<Script> {
        &self.script
    }

    /// Its settings, by name.
    pub fn settings(&self) -> impl Iterator<Item = (&str, f64)> {
        self.script.names().zip(self.values.iter().copied())
    }

    /// Runs it for some minutes on a made-up device of up to `top` volts: with and without sensors,
    /// in steady and in failing light, in the dark, begun anew after a sweep. What goes wrong here is
    /// better told before anything moves.
    ///
    /// # Errors
    /// [`ScriptError`] with the first thing that goes wrong.
    pub fn try_out(&self, top: Volts) -> Result<(), ScriptError> {
        /// Steps of each of the trial's parts.
        const STEPS: u32 = 300;
        const PERIOD: Duration = Duration::from_millis(100);
        let told = |function| move |failure: Failure| failure.tell(self.script.file(), function);
        let mut run = Run::new(self);
        let open_circuit = top * 0.8;
        for (part, crest) in [None, Some(open_circuit * 0.8)].into_iter().enumerate() {
            let from = Start { at: Instant::ZERO, open_circuit, crest };
            let mut wish = run.start(&from).map_err(told("start"))?;
            for turn in 0..STEPS {
                // Full light, then ever less, then none.
                let light = (1.5 - f64::from(turn) / 160.0).clamp(0.0, 1.0);
                let setpoint = match wish {
                    Wish::Hold(volts) | Wish::Glance(volts) => volts.max(Volts::ZERO).min(top),
                    Wish::OpenCircuit => open_circuit,
                };
                let amps = 8.0 * light * (1.0 - (setpoint / open_circuit).powi(8));
                let sensed = part == 1;
                let seen = Observation {
                    at: Instant::ZERO + PERIOD * (turn + 1),
                    volts: setpoint,
                    amps: Amps(amps.max(0.0)),
                    setpoint,
                    irradiance: sensed.then_some(Irradiance(1000.0 * light)),
                    module_temperature: sensed.then_some(Celsius(45.0)),
                };
                wish = run.step(&seen).map_err(told("step"))?;
            }
        }
        Ok(())
    }
}
