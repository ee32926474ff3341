//! The sky above the array: sun position, clear sky, recorded days, moving clouds.
//!
//! Model: a [`Sky`] is asked for the [`SkyState`] at a point of time and at a place in the array
//! and answers with the three horizontal and normal components, the air and the sun's direction.
//! A [`Plane`](plane::Plane) turns that into irradiance on a tilted surface.
//!
//! For energy over years: [`decompose`] makes direct and diffuse of global light, [`transpose`] brings
//! them to a plane part by part, [`incidence`] takes off what glass reflects, [`spectrum`] says how the light's
//! colour suits the device.

pub mod almanac;
pub mod clear;
pub mod clouds;
pub mod decompose;
pub mod incidence;
pub mod plane;
pub mod recorded;
pub mod spectrum;
pub mod sun;
pub mod transpose;

use crate::quantities::{Celsius, Irradiance, MetresPerSecond};
use crate::time::Utc;

/// A place in the array, metres east and north of the station's mast.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Place {
    /// Metres east of the mast.
    pub east: f64,
    /// Metres north of the mast.
    pub north: f64,
}

/// Direction of the sun as a unit vector (east, north, up); `up` is the cosine of the zenith angle.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SunVector {
    /// Eastward component.
    pub east: f64,
    /// Northward component.
    pub north: f64,
    /// Upward component, the cosine of the zenith angle; negative below the horizon.
    pub up: f64,
}

impl SunVector {
    /// The vector for a zenith angle and an azimuth clockwise from north (both in degrees).
    ///
    /// ```
    /// use cresthold_sim::sky::SunVector;
    /// let east = SunVector::from_degrees(60.0, 90.0);
    /// assert!((east.up - 0.5).abs() < 1e-15 && (east.east - 0.75_f64.sqrt()).abs() < 1e-15);
    /// assert!((east.zenith_degrees() - 60.0).abs() < 1e-12);
    /// assert!((east.azimuth_degrees() - 90.0).abs() < 1e-12);
    /// ```
    #[must_use]
    pub fn from_degrees(zenith: f64, azimuth: f64) -> Self {
        let (sin_zenith, up) = zenith.to_radians().sin_cos();
        let (sin_azimuth, cos_azimuth) = azimuth.to_radians().sin_cos();
        Self { east: sin_zenith * sin_azimuth, north: sin_zenith * cos_azimuth, up }
    }

    /// Angle from the vertical (degrees, 0..=180).
    #[must_use]
    pub fn zenith_degrees(self) -> f64 {
        self.east.hypot(self.north).atan2(self.up).to_degrees()
    }

    /// Angle clockwise from north (degrees, 0..360); zero for a sun in the zenith.
    #[must_use]
    pub fn azimuth_degrees(self) -> f64 {
        self.east.atan2(self.north).to_degrees().rem_euclid(360.0)
    }

    /// Scalar product of two directions: the cosine of the angle between them.
    #[must_use]
    pub fn dot(self, other: Self) -> f64 {
        self.east * other.east + self.north * other.north + self.up * other.up
    }

    /// The direction at `share` (0..=1) of the way from `self` to `other`, along the great circle.
    ///
    /// The chord is divided linearly and made a unit vector again. Over one minute of the sun's
    /// travel (0.25 degrees) the direction is wrong by less than 1e-4 degrees, most of it because
    /// the sun's path is no great circle: (0.25 degrees)^2 / 8 tan 23.4 degrees.
    #[must_use]
    pub fn towards(self, other: Self, share: f64) -> Self {
        let east = self.east + share * (other.east - self.east);
        let north = self.north + share * (other.north - self.north);
        let up = self.up + share * (other.up - self.up);
        let scale = 1.0 / (east * east + north * north + up * up).sqrt();
        Self { east: east * scale, north: north * scale, up: up * scale }
    }
}

/// What the sky offers at one moment and place.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SkyState {
    /// Global horizontal irradiance (W/m2).
    pub global: Irradiance,
    /// Direct normal irradiance (W/m2).
    pub direct: Irradiance,
    /// Diffuse horizontal irradiance (W/m2).
    pub diffuse: Irradiance,
    /// Air temperature (degC).
    pub air: Celsius,
    /// Wind speed at module height (m/s).
    pub wind: MetresPerSecond,
    /// Where the sun stands.
    pub sun: SunVector,
}

/// A source of skies. The same seed and the same calls give the same bits; time may not go back by
/// more than the implementation states.
pub trait Sky: Send {
    /// The state at wall time `at` and at `place`.
    fn state(&mut self, at: Utc, place: Place) -> SkyState;
}
