//! What the station's sensors say about a channel's surroundings, each value with its age.
//!
//! A sensor that has fallen silent must not look like one that reads the same value again and
//! again, so a value can only be had together with the question how old it may be.

use crate::quantities::{Celsius, Irradiance, MetresPerSecond};
use crate::time::Instant;
use std::time::Duration;

/// A value and when it was observed.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Observed<T> {
    /// The value.
    pub value: T,
    /// When it was observed.
    pub at: Instant,
}

impl<T: Copy> Observed<T> {
    /// The value, unless it is older than `max_age` at `now`.
    ///
    /// ```
    /// use cresthold::control::Observed;
    /// use cresthold::quantities::Irradiance;
    /// use cresthold::time::Instant;
    /// use std::time::Duration;
    /// let seen = Observed { value: Irradiance(812.0), at: Instant::ZERO };
    /// let max_age = Duration::from_secs(5);
    /// assert!(seen.fresh(Instant::ZERO + Duration::from_secs(5), max_age).is_some());
    /// assert!(seen.fresh(Instant::ZERO + Duration::from_secs(6), max_age).is_none());
    /// ```
    #[must_use]
    pub fn fresh(&self, now: Instant, max_age: Duration) -> Option<T> {
        (now.saturating_since(self.at) <= max_age).then_some(self.value)
    }
}

/// The latest word of the sensors that concern a channel.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Surroundings {
    /// Irradiance on the device: plane-of-array, or direct for a concentrator (W/m2).
    pub irradiance: Option<Observed<Irradiance>>,
    /// Back-of-module temperature (degC).
    pub module_temperature: Option<Observed<Celsius>>,
    /// Temperature of the load's heat sink (degC).
    pub heatsink_temperature: Option<Observed<Celsius>>,
    /// Air temperature (degC).
    pub air_temperature: Option<Observed<Celsius>>,
    /// Wind speed (m/s).
    pub wind: Option<Observed<MetresPerSecond>>,
    /// How far a sun-tracking mount points beside the sun (degrees).
    pub pointing_error: Option<Observed<f64>>,
    /// Whether a sun-tracking mount says that it follows the sun.
    pub on_sun: Option<Observed<bool>>,
}
