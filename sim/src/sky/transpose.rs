//! What a tilted plane receives, part by part, with a sky that is brighter in some places.
//!
//! Model: direct light by the cosine of incidence, light from the ground as in [`plane`](super::plane),
//! and the diffuse sky in one of three ways, by [`DiffuseSky`]:
//!
//! - `Isotropic`: equally bright everywhere (Liu and Jordan 1963), `Gd (1 + cos t)/2`.
//! - `HayDavies`: the share `A = Gb/E0` of the diffuse light comes from the sun's direction, the rest
//!   from everywhere: `Gd (A R + (1 - A)(1 + cos t)/2)`, `R = max(0, n.s)/max(cos z, 0.01745)`
//!   (J. E. Hay, J. A. Davies, "Calculations of the solar radiation incident on an inclined surface",
//!   Proc. First Canadian Solar Radiation Data Workshop, 59, 1980).
//! - `Perez`: a disk about the sun and a band at the horizon, whose brightness follows from the sky's
//!   clearness and brightness: `Gd ((1 - F1)(1 + cos t)/2 + F1 a/b + F2 sin t)`, `a = max(0, n.s)`,
//!   `b = max(cos z, cos 85)`; `F1 = max(0, f11 + f12 D + f13 z)`, `F2 = f21 + f22 D + f23 z`, `D = Gd m/E0`,
//!   z in radians, m the relative air mass; the coefficients by eight classes of
//!   `e = ((Gd + Gb)/Gd + 1.041 z^3)/(1 + 1.041 z^3)` (R. Perez, P. Ineichen, R. Seals, J. Michalsky,
//!   R. Stewart, "Modeling daylight availability and irradiance components from direct and global
//!   irradiance", Solar Energy 44(5), 271-289, 1990, table 6).
//!
//! The parts are told one by one, because glass takes each differently: see [`incidence`](super::incidence).
//! A plane that hides part of the sky behind a skyline is the caller's business.
//!
//! Rejected: the coefficients of single towns (1988), which fit those towns; continuous versions of
//! the classes (differences below the model's own error of some percent).

use super::SkyState;
use super::clear::air_mass;
use super::plane::Plane;
use crate::quantities::Irradiance;

/// How the diffuse light is spread over the sky.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum DiffuseSky {
    /// Equally bright everywhere.
    Isotropic,
    /// Brighter about the sun.
    HayDavies,
    /// Brighter about the sun, and brighter or darker at the horizon.
    #[default]
    Perez,
}

/// Irradiance on a plane by where it comes from (W/m2).
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Parts {
    /// From the sun's disk.
    pub direct: Irradiance,
    /// From the brighter sky about the sun, arriving as the direct light does.
    pub circumsolar: Irradiance,
    /// From the whole sky, evenly.
    pub isotropic: Irradiance,
    /// From the band at the horizon; negative where it is darker than the rest of the sky.
    pub horizon: Irradiance,
    /// From the ground.
    pub ground: Irradiance,
}

impl Parts {
    /// All diffuse light of the sky.
    #[must_use]
    pub fn sky(&self) -> Irradiance {
        self.circumsolar + self.isotropic + self.horizon
    }

    /// All light.
    #[must_use]
    pub fn total(&self) -> Irradiance {
        self.direct + self.sky() + self.ground
    }
}

/// Relative air mass is referred to this pressure (hPa).
const SEA_LEVEL: f64 = 1013.25;
/// Least cosine that the Hay-Davies ratio divides by: 89 degrees.
const HAY_LEAST: f64 = 0.01745;
/// Least cosine that the Perez ratio divides by: 85 degrees.
const PEREZ_LEAST: f64 = 0.087_155_742_747_658_17;
/// Weight of the zenith angle's cube in the clearness (1/rad^3).
const KAPPA: f64 = 1.041;
/// Clearness at which each class but the first begins.
const CLASSES: [f64; 7] = [1.065, 1.23, 1.5, 1.95, 2.8, 4.5, 6.2];
/// f11, f12, f13, f21, f22, f23 of each class, "all sites composite 1990".
const COEFFICIENTS: [[f64; 6]; 8] = [
    [-0.008, 0.588, -0.062, -0.06, 0.072, -0.022],
    [0.13, 0.683, -0.151, -0.019, 0.066, -0.029],
    [0.33, 0.487, -0.221, 0.055, -0.064, -0.026],
    [0.568, 0.187, -0.295, 0.109, -0.152, -0.014],
    [0.873, -0.392, -0.362, 0.226, -0.462, 0.001],
    [1.132, -1.237, -0.412, 0.288, -0.823, 0.056],
    [1.06, -1.6, -0.359, 0.264, -1.127, 0.131],
    [0.678, -0.327, -0.25, 0.156, -1.377, 0.251],
];

impl DiffuseSky {
    /// The names that people choose by, in the order of the variants.
    pub const NAMES: [&'static str; 3] = ["isotropic", "hay-davies", "perez"];

    /// The model of that name.
    #[must_use]
    pub fn from_name(name: &str) -> Option<Self> {
        let all = [Self::Isotropic, Self::HayDavies, Self::Perez];
        all.into_iter().zip(Self::NAMES).find_map(|(sky, known)| (known == name).then_some(sky))
    }

    /// Irradiance on `plane` under `state`, whose sun is refracted; `extra` is the irradiance outside
    /// the atmosphere on a plane that faces the sun. While the sun is below the horizon the
    /// diffuse sky is taken as isotropic, whatever the model.
    ///
    /// ```
    /// use cresthold_sim::quantities::{Celsius, Irradiance, MetresPerSecond};
    /// use cresthold_sim::sky::{SkyState, SunVector, plane::Plane, transpose::DiffuseSky};
    /// let state = SkyState {
    ///     global: Irradiance(500.0),
    ///     direct: Irradiance(700.0),
    ///     diffuse: Irradiance(150.0),
    ///     air: Celsius(20.0),
    ///     wind: MetresPerSecond(2.0),
    ///     sun: SunVector::from_degrees(60.0, 180.0),
    /// };
    /// let south = Plane::new(60.0, 180.0, 0.2).unwrap();
    /// // A = 0.5, R = 2: 150 (0.5 2 + 0.5 0.75) = 206.25; ground 0.2 500 0.25 = 25.
    /// let hay = DiffuseSky::HayDavies.on(&south, &state, Irradiance(1400.0));
    /// assert!((hay.sky().0 - 206.25).abs() < 1e-9 && (hay.total().0 - 931.25).abs() < 1e-9);
    /// // pvlib 0.16.1: perez(60, 180, 150, 700, 1400, 60, 180, 1.99429) = 216.4811.
    /// let perez = DiffuseSky::Perez.on(&south, &state, Irradiance(1400.0));
    /// assert!((perez.sky().0 - 216.4811).abs() < 1e-4);
    /// ```
    #[must_use]
    pub fn on(self, plane: &Plane, state: &SkyState, extra: Irradiance) -> Parts {
        let facing = plane.normal().dot(state.sun).max(0.0);
        let isotropic = state.diffuse * plane.sky_view();
        let flat = Parts {
            direct: state.direct * facing,
            isotropic,
            ground: state.global * plane.ground_share(),
            ..Parts::default()
        };
        if state.sun.up <= 0.0 {
            return flat;
        }
        match self {
            Self::Isotropic => flat,
            Self::HayDavies => {
                let share = state.direct / extra;
                let ratio = facing / state.sun.up.max(HAY_LEAST);
                Parts {
                    circumsolar: (state.diffuse * (share * ratio)).max(Irradiance::ZERO),
                    isotropic: (isotropic * (1.0 - share)).max(Irradiance::ZERO),
                    ..flat
                }
            }
            Self::Perez => perez(plane, state, extra, facing, flat),
        }
    }
}

/// The sky after Perez; `flat` has the other parts.
fn perez(plane: &Plane, state: &SkyState, extra: Irradiance, facing: f64, flat: Parts) -> Parts {
    let diffuse = state.diffuse.0;
    if diffuse <= 0.0 {
        return Parts { isotropic: Irradiance::ZERO, ..flat };
    }
    let degrees = state.sun.zenith_degrees();
    let zenith = degrees.to_radians();
    let cube = KAPPA * zenith * zenith * zenith;
    let clearness = ((diffuse + state.direct.0) / diffuse + cube) / (1.0 + cube);
    let class = CLASSES.iter().take_while(|from| **from <= clearness).count();
    let brightness = diffuse * air_mass(degrees, SEA_LEVEL) / extra.0;
    let f = &COEFFICIENTS[class];
    let about_sun = (f[0] + f[1] * brightness + f[2] * zenith).max(0.0);
    let at_horizon = f[3] + f[4] * brightness + f[5] * zenith;
    let isotropic = flat.isotropic * (1.0 - about_sun);
    let circumsolar = Irradiance(diffuse * about_sun * facing / state.sun.up.max(PEREZ_LEAST));
    let normal = plane.normal();
    let horizon = Irradiance(diffuse * at_horizon * normal.east.hypot(normal.north));
    if (isotropic + circumsolar + horizon).0 > 0.0 {
        Parts { isotropic, circumsolar, horizon, ..flat }
    } else {
        Parts { isotropic: Irradiance::ZERO, ..flat }
    }
}
