//! From a raw number to a value.

use super::{Calibration, Reference, SensorId, Thermocouple, temperature_of};
use crate::quantities::{Celsius, Ohms};

/// What kind of sensor stands behind the raw number, after scale and offset.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Conversion {
    /// The number is the value.
    Linear,
    /// Ohms of a platinum thermometer with this resistance at 0 degC.
    Platinum(Ohms),
    /// Volts of a thermocouple whose terminals have that temperature.
    Thermocouple(Thermocouple, Reference),
    /// Volts of a pyranometer or pyrheliometer with this sensitivity (uV per W/m2).
    Sensitivity(f64),
}

/// What a sensor's raw number means: `conversion(raw * scale + offset)`, corrected and judged.
#[derive(Clone, Debug, PartialEq)]
pub struct Meaning {
    /// Factor of the raw number.
    pub scale: f64,
    /// Added after it.
    pub offset: f64,
    /// What stands behind it.
    pub conversion: Conversion,
    /// Least and largest value that are believed, in the quantity's unit.
    pub valid: (f64, f64),
    /// The calibration.
    pub calibration: Calibration,
}

/// Why a raw number gives no value.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum Unusable {
    /// It is no finite number: devices say "no reading" so.
    #[error("the answer is no number; check the sensor and its cable")]
    NotANumber,
    /// No such resistance or voltage belongs to a temperature.
    #[error("{raw} is beyond what such a sensor can give; check for a broken or shorted wire")]
    Beyond {
        /// The raw number, scaled.
        raw: f64,
    },
    /// The value is out of its valid range.
    #[error("{value:.3} is outside {low} to {high}; check the sensor, scale and register")]
    OutOfRange {
        /// The value.
        value: f64,
        /// Least that is believed.
        low: f64,
        /// Largest that is believed.
        high: f64,
    },
    /// The temperature it is corrected by isn't fresh.
    #[error("the temperature that it depends on is missing; look after that sensor first")]
    NoTemperature,
}

impl Meaning {
    /// A number that is its own value within `valid`.
    #[must_use]
    pub fn plain(valid: (f64, f64)) -> Self {
        let conversion = Conversion::Linear;
        Self { scale: 1.0, offset: 0.0, conversion, valid, calibration: Calibration::default() }
    }

    /// The value behind `raw`; `temperature` gives another sensor's fresh temperature.
    ///
    /// ```
    /// use cresthold::sensors::{Conversion, Meaning};
    /// // A pyranometer with 8.5 uV per W/m2 that gives 6.902 mV.
    /// let meaning =
    ///     Meaning { conversion: Conversion::Sensitivity(8.5), ..Meaning::plain((-20.0, 2000.0)) };
    /// assert!((meaning.value(6.902e-3, |_| None).unwrap() - 812.0).abs() < 1e-9);
    /// ```
    ///
    /// # Errors
    /// [`Unusable`] says why there is none.
    pub fn value(
        &self,
        raw: f64,
        temperature: impl Fn(SensorId) -> Option<Celsius>,
    ) -> Result<f64, Unusable> {
        const MICROVOLTS_PER_VOLT: f64 = 1e6;
        const MILLIVOLTS_PER_VOLT: f64 = 1e3;
        let raw = raw * self.scale + self.offset;
        if !raw.is_finite() {
            return Err(Unusable::NotANumber);
        }
        let beyond = Unusable::Beyond { raw };
        let mut value = match self.conversion {
            Conversion::Linear => raw,
            Conversion::Platinum(at_zero) => temperature_of(Ohms(raw), at_zero).ok_or(beyond)?.0,
            Conversion::Thermocouple(kind, cold) => {
                let cold = match cold {
                    Reference::Fixed(known) => known,
                    Reference::Sensor(other) => {
                        temperature(other).ok_or(Unusable::NoTemperature)?
                    }
                };
                kind.temperature(raw * MILLIVOLTS_PER_VOLT, cold).ok_or(beyond)?.0
            }
            Conversion::Sensitivity(sensitivity) => raw * MICROVOLTS_PER_VOLT / sensitivity,
        };
        if let Some(dependence) = &self.calibration.temperature {
            let temperature = temperature(dependence.from).ok_or(Unusable::NoTemperature)?;
            value = dependence.correct(value, temperature).ok_or(beyond)?;
        }
        let (low, high) = self.valid;
        if (low..=high).contains(&value) {
            Ok(value)
        } else {
            Err(Unusable::OutOfRange { value, low, high })
        }
    }

    /// The sensors whose temperature this one needs.
    pub fn needs(&self) -> impl Iterator<Item = SensorId> {
        let cold = match self.conversion {
            Conversion::Thermocouple(_, Reference::Sensor(other)) => Some(other),
            _ => None,
        };
        let correction = self.calibration.temperature.map(|dependence| dependence.from);
        cold.into_iter().chain(correction)
    }
}
