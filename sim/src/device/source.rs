//! What a bench can load: a device made of substrings, or the standards' generator.

use super::error::{ParameterError, Range};
use super::row::Device;
use super::single_diode::Crest;
use super::standard::StandardGenerator;
use crate::quantities::{Amps, Celsius, Irradiance, Ohms, Volts};

/// A generator of the standards sees one irradiance.
const ONE_IRRADIANCE: Range =
    Range { name: "number of substring irradiances", unit: "", low: 1.0, high: 1.0 };

/// Anything that delivers power to a load.
#[derive(Clone, Debug)]
pub enum Source {
    /// Substrings in series.
    Row(Device),
    /// The standards' model.
    Standard(StandardGenerator),
}

impl From<Device> for Source {
    fn from(device: Device) -> Self {
        Self::Row(device)
    }
}

impl From<StandardGenerator> for Source {
    fn from(generator: StandardGenerator) -> Self {
        Self::Standard(generator)
    }
}

impl Source {
    /// The same irradiance (W/m2) and cell temperature (degC) everywhere.
    pub fn set_conditions(&mut self, irradiance: Irradiance, cell: Celsius) {
        match self {
            Self::Row(device) => device.set_conditions(irradiance, cell),
            Self::Standard(generator) => generator.set_conditions(irradiance, cell),
        }
    }

    /// An irradiance for each substring (W/m2) and one cell temperature (degC).
    ///
    /// # Errors
    /// [`ParameterError`] unless there is one irradiance per substring; the conditions then stay.
    pub fn set_substring_irradiances(
        &mut self,
        irradiances: &[Irradiance],
        cell: Celsius,
    ) -> Result<(), ParameterError> {
        match self {
            Self::Row(device) => device.set_substring_irradiances(irradiances, cell),
            Self::Standard(generator) => {
                ONE_IRRADIANCE.check(irradiances.len() as f64)?;
                generator.set_conditions(irradiances[0], cell);
                Ok(())
            }
        }
    }

    /// How many irradiances it takes.
    #[must_use]
    pub fn substrings(&self) -> usize {
        match self {
            Self::Row(device) => device.substrings().len(),
            Self::Standard(_) => 1,
        }
    }

    /// Current (A) at a voltage (V, any sign).
    #[must_use]
    pub fn current(&self, volts: Volts) -> Amps {
        match self {
            Self::Row(device) => device.current(volts),
            Self::Standard(generator) => generator.current(volts),
        }
    }

    /// Current (A) at the voltage (V, any sign) behind a resistance (ohm, 0 and above) in series.
    #[must_use]
    pub fn current_behind(&self, volts: Volts, lead: Ohms) -> Amps {
        match self {
            Self::Row(device) => device.current_behind(volts, lead),
            Self::Standard(generator) => generator.current_behind(volts, lead),
        }
    }

    /// Open-circuit voltage (V).
    #[must_use]
    pub fn open_circuit(&self) -> Volts {
        match self {
            Self::Row(device) => device.open_circuit(),
            Self::Standard(generator) => generator.open_circuit(),
        }
    }

    /// Short-circuit current (A).
    #[must_use]
    pub fn short_circuit(&self) -> Amps {
        self.current(Volts::ZERO)
    }

    /// The global crest; all zero in the dark.
    #[must_use]
    pub fn crest(&self) -> Crest {
        match self {
            Self::Row(device) => device.crest(),
            Self::Standard(generator) => generator.crest(),
        }
    }
}
