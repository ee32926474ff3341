//! The sky above the array: sun position, clear sky, recorded days, moving clouds.
//!
//! Model: a [`Sky`] is asked for the [`SkyState`] at a point of time and at a place in the array
//! and answers with the three horizontal and normal components, the air and the sun's direction.
//! A [`Plane`](plane::Plane) turns that into irradiance on a tilted surface.

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
