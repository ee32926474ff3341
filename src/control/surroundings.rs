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
    /// How high the sun stands over the station's horizon (degrees), as the shell computes it.
    pub sun: Option<Observed<f64>>,
}

impl Surroundings {
    /// What of it is fresh at `now`: no older than `max_age`, and a finite number.
    ///
    /// ```
    /// use cresthold::control::{Observed, Surroundings};
    /// use cresthold::quantities::{Celsius, Irradiance};
    /// use cresthold::time::Instant;
    /// use std::time::Duration;
    /// let at = Instant::ZERO;
    /// let seen = Surroundings {
    ///     irradiance: Some(Observed { value: Irradiance(812.0), at }),
    ///     air_temperature: Some(Observed { value: Celsius(f64::NAN), at }),
    ///     ..Surroundings::default()
    /// };
    /// let fresh = seen.fresh(at, Duration::from_secs(5));
    /// assert_eq!((fresh.irradiance, fresh.air_temperature), (Some(Irradiance(812.0)), None));
    /// ```
    #[must_use]
    pub fn fresh(&self, now: Instant, max_age: Duration) -> Fresh {
        let celsius = |seen: Option<Observed<Celsius>>| {
            seen.and_then(|seen| seen.fresh(now, max_age)).filter(|value| value.is_finite())
        };
        Fresh {
            irradiance: self
                .irradiance
                .and_then(|seen| seen.fresh(now, max_age))
                .filter(|value| value.is_finite()),
            module_temperature: celsius(self.module_temperature),
            heatsink_temperature: celsius(self.heatsink_temperature),
            air_temperature: celsius(self.air_temperature),
            pointing_error: self
                .pointing_error
                .and_then(|seen| seen.fresh(now, max_age))
                .filter(|value| value.is_finite()),
            on_sun: self.on_sun.and_then(|seen| seen.fresh(now, max_age)),
            sun: self.sun.and_then(|seen| seen.fresh(now, max_age)).filter(|sun| sun.is_finite()),
        }
    }
}

/// What of the [`Surroundings`] may be used now; absent is what is old or no number.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Fresh {
    /// Irradiance on the device (W/m2).
    pub irradiance: Option<Irradiance>,
    /// Back-of-module temperature (degC).
    pub module_temperature: Option<Celsius>,
    /// Temperature of the load's heat sink (degC).
    pub heatsink_temperature: Option<Celsius>,
    /// Air temperature (degC).
    pub air_temperature: Option<Celsius>,
    /// How far a sun-tracking mount points beside the sun (degrees).
    pub pointing_error: Option<f64>,
    /// Whether a sun-tracking mount says that it follows the sun.
    pub on_sun: Option<bool>,
    /// How high the sun stands (degrees).
    pub sun: Option<f64>,
}
