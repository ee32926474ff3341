//! What a calibration certificate says of a sensor.

use super::SensorId;
use crate::quantities::Celsius;

/// A temperature that a conversion or correction needs.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Reference {
    /// It is known and does not change.
    Fixed(Celsius),
    /// Another sensor of the station measures it.
    Sensor(SensorId),
}

/// A calibration: when, how certain, and how the response depends on temperature.
///
/// The response at temperature T is `S(T) = S_ref (1 + k (T - T_ref))`, so a value found with S_ref is
/// divided by `1 + k (T - T_ref)`. k in 1/K, small against 1 (thermopiles some 1e-4, crystalline
/// reference cells 5e-4 for the current).
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Calibration {
    /// When it was calibrated (ISO 8601 date), where stated.
    pub date: Option<String>,
    /// Expanded uncertainty of its values (%, k = 2, 0..=100), where stated.
    pub uncertainty_percent: Option<f64>,
    /// The temperature's share; none without.
    pub temperature: Option<Dependence>,
}

/// How the response depends on temperature.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Dependence {
    /// k (1/K, -0.05..=0.05).
    pub coefficient: f64,
    /// T_ref (degC).
    pub reference: Celsius,
    /// Where T comes from.
    pub from: SensorId,
}

impl Dependence {
    /// The corrected value; none where the correction makes no sense (the response would be nothing).
    #[must_use]
    pub fn correct(&self, value: f64, temperature: Celsius) -> Option<f64> {
        /// Least response that is a response (1).
        const LEAST: f64 = 0.1;
        let response = 1.0 + self.coefficient * (temperature.0 - self.reference.0);
        (response >= LEAST).then(|| value / response)
    }
}
