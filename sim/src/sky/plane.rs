//! What a tilted surface, or one that follows the sun, receives of the sky.
//!
//! Model: direct light by the cosine of incidence, diffuse light as if the sky were equally bright
//! everywhere, and light from the ground as if it were a matt plane without horizon (B. Y. H. Liu,
//! R. C. Jordan, "The long-term average performance of flat-plate solar-energy collectors", Solar
//! Energy 7(2), 1963):
//!
//! G = Gb max(0, n.s) + Gd (1 + cos t)/2 + rho Gh (1 - cos t)/2
//!
//! with Gb direct normal, Gd diffuse horizontal, Gh global horizontal (W/m2), n the plane's normal,
//! s the sun, t the tilt, rho the albedo. No trigonometry per call: millions of calls are made.
//!
//! Rejected here: anisotropic diffuse models. They gain a few percent on yearly sums, and cost
//! trigonometry; what a tracker meets is ruled by the direct component. Where energy is reckoned,
//! [`transpose`](super::transpose) has them.

use super::{SkyState, SunVector};
use crate::quantities::Irradiance;

/// Albedo of grass (T. Muneer, "Solar Radiation and Daylight Models", from memory: 0.20..=0.25).
pub const GRASS_ALBEDO: f64 = 0.2;

/// A fixed plane.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Plane {
    normal: SunVector,
    sky_view: f64,
    ground_share: f64,
}

/// Why a [`Plane`] was refused.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum PlaneError {
    /// Tilt outside 0..=180.
    #[error("tilt {0} is no tilt: give degrees from horizontal, 0..=180 (a wall has 90)")]
    Tilt(f64),
    /// Azimuth outside 0..=360.
    #[error("azimuth {0} is no direction: give degrees clockwise from north, 0..=360")]
    Azimuth(f64),
    /// Albedo outside 0..=1.
    #[error("albedo {0} is no share: give what the ground reflects, 0..=1 (grass has 0.2)")]
    Albedo(f64),
}

impl Plane {
    /// A plane with `tilt` from horizontal (degrees, 0..=180), facing `azimuth` clockwise from
    /// north (degrees, 0..=360), over ground that reflects the share `albedo` (0..=1).
    ///
    /// # Errors
    /// [`PlaneError`] names the first number that lies outside its range or is no number.
    pub fn new(tilt: f64, azimuth: f64, albedo: f64) -> Result<Self, PlaneError> {
        if !(0.0..=180.0).contains(&tilt) {
            return Err(PlaneError::Tilt(tilt));
        }
        if !(0.0..=360.0).contains(&azimuth) {
            return Err(PlaneError::Azimuth(azimuth));
        }
        Self::facing(SunVector::from_degrees(tilt, azimuth), albedo)
    }

    /// A plane with this unit vector as its normal, over ground that reflects the share `albedo`
    /// (0..=1).
    ///
    /// # Errors
    /// [`PlaneError::Albedo`] if that is no share.
    pub fn facing(normal: SunVector, albedo: f64) -> Result<Self, PlaneError> {
        if !(0.0..=1.0).contains(&albedo) {
            return Err(PlaneError::Albedo(albedo));
        }
        Ok(Self {
            normal,
            sky_view: 0.5 * (1.0 + normal.up),
            ground_share: 0.5 * albedo * (1.0 - normal.up),
        })
    }

    /// A horizontal plane: it receives the global irradiance, but for a record that doesn't close.
    #[must_use]
    pub const fn horizontal() -> Self {
        Self {
            normal: SunVector { east: 0.0, north: 0.0, up: 1.0 },
            sky_view: 1.0,
            ground_share: 0.0,
        }
    }

    /// The plane's normal.
    #[must_use]
    pub const fn normal(&self) -> SunVector {
        self.normal
    }

    /// Share of the sky that the plane sees, (1 + cos t)/2 (0..=1).
    #[must_use]
    pub const fn sky_view(&self) -> f64 {
        self.sky_view
    }

    /// Share of the global irradiance that reaches it from the ground, rho (1 - cos t)/2 (0..=1).
    #[must_use]
    pub const fn ground_share(&self) -> f64 {
        self.ground_share
    }

    /// Irradiance on the plane (module documentation: the equation).
    ///
    /// ```
    /// use cresthold_sim::quantities::{Celsius, Irradiance, MetresPerSecond};
    /// use cresthold_sim::sky::{SkyState, SunVector, plane::Plane};
    /// let state = SkyState {
    ///     global: Irradiance(500.0),
    ///     direct: Irradiance(800.0),
    ///     diffuse: Irradiance(100.0),
    ///     air: Celsius(20.0),
    ///     wind: MetresPerSecond(2.0),
    ///     sun: SunVector::from_degrees(60.0, 180.0),
    /// };
    /// let south = Plane::new(60.0, 180.0, 0.2).unwrap();
    /// // Facing the sun: 800 + 100 (1 + 0.5)/2 + 0.2 500 (1 - 0.5)/2 = 800 + 75 + 25.
    /// assert!((south.irradiance(&state).0 - 900.0).abs() < 1e-9);
    /// let north = Plane::new(60.0, 0.0, 0.2).unwrap();
    /// assert!((north.irradiance(&state).0 - 100.0).abs() < 1e-9); // the sun is behind it
    /// ```
    #[must_use]
    #[inline]
    pub fn irradiance(&self, state: &SkyState) -> Irradiance {
        let direct = state.direct.0 * self.normal.dot(state.sun).max(0.0);
        Irradiance(direct + state.diffuse.0 * self.sky_view + state.global.0 * self.ground_share)
    }
}

/// A concentrator's mount: it faces the sun and its optics take the direct light alone.
///
/// ```
/// use cresthold_sim::quantities::{Celsius, Irradiance, MetresPerSecond};
/// use cresthold_sim::sky::{SkyState, SunVector, plane::Aim};
/// let state = SkyState {
///     global: Irradiance(500.0),
///     direct: Irradiance(800.0),
///     diffuse: Irradiance(100.0),
///     air: Celsius(20.0),
///     wind: MetresPerSecond(2.0),
///     sun: SunVector::from_degrees(60.0, 180.0),
/// };
/// assert_eq!(Aim.irradiance(&state), Irradiance(800.0));
/// ```
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Aim;

impl Aim {
    /// Direct normal irradiance while the sun is up, else none.
    #[must_use]
    #[inline]
    pub fn irradiance(&self, state: &SkyState) -> Irradiance {
        if state.sun.up > 0.0 { state.direct } else { Irradiance::ZERO }
    }
}

/// How the device faces the sky.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Mounting {
    /// On a fixed plane.
    Fixed(Plane),
    /// Aimed at the sun in two axes; sees direct irradiance only.
    TwoAxis,
}

impl Mounting {
    /// Irradiance on the device (W/m2).
    #[must_use]
    pub fn irradiance(&self, state: &SkyState) -> Irradiance {
        match self {
            Self::Fixed(plane) => plane.irradiance(state),
            Self::TwoAxis => Aim.irradiance(state),
        }
    }
}
