//! What glass lets through of slanting light, against light that falls on it squarely.
//!
//! Model: the incidence-angle modifier, a factor (0..=1) on each part of the irradiance; theta is
//! the angle between light and normal. By [`Glass`]:
//!
//! - `Bare`: no loss, as for a reference cell of the same make.
//! - `Ashrae`: `1 - b (1/cos theta - 1)`, not below zero (A. F. Souka, H. H. Safwat, "Determination of
//!   the optimum orientations for the double-exposure, flat-plate collector and its reflectors", Solar
//!   Energy 10, 170-174, 1966; ASHRAE standard 93-77).
//! - `Physical`: Fresnel's reflection at one surface and absorption in the pane, after W. De Soto, S. A.
//!   Klein, W. A. Beckman, Solar Energy 80, 78-88, 2006, section 5: `t(theta)/t(0)`, `t = exp(-K L/cos r)
//!   (1 - (rs + rp)/2)`, r the refracted angle, rs and rp the reflectances of both polarisations.
//! - `MartinRuiz`: `(1 - exp(-cos theta/a)) / (1 - exp(-1/a))` (N. Martin, J. M. Ruiz, "Calculation of the
//!   PV modules angular losses under field conditions by means of an analytical model", Solar Energy
//!   Materials and Solar Cells 70, 25-38, 2001); IEC 61853-2 has the same form (from memory).
//!
//! Diffuse light comes from everywhere. Martin and Ruiz integrate it themselves (corrigendum to their
//! work, Progress in Photovoltaics 21, 2013); for the two others the light of the sky and of the
//! ground is taken as if it came at one angle each: `59.7 - 0.1388 t + 0.001497 t^2` and
//! `90 - 0.5788 t + 0.002693 t^2` degrees at the tilt t (M. J. Brandemuehl, W. A. Beckman, Solar Energy
//! 24, 511-513, 1980; Duffie and Beckman, "Solar Engineering of Thermal Processes", section 5.4; from
//! memory).
//!
//! Rejected: integration over the sky at every hour (a thousand times the work; both forms come
//! within half a percent of it, of a loss of four); two surfaces and coatings (no data sheet has them).

/// What covers the cells.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Glass {
    /// Nothing that loses light at any angle.
    Bare,
    /// One parameter, from a measurement at 60 degrees.
    Ashrae {
        /// Loss factor (0..=1); 0.05 for common glass.
        b: f64,
    },
    /// A pane of known glass.
    Physical {
        /// Refractive index (1 exclusive..=3); 1.526 for common glass.
        index: f64,
        /// Extinction (1/m, 0..=100); 4 for "water white" glass.
        extinction: f64,
        /// Thickness (m, 0..=0.1).
        thickness: f64,
    },
    /// One parameter, from a measurement of the angular losses.
    MartinRuiz {
        /// Angular losses coefficient (0.01..=1); 0.16 for common glass.
        a: f64,
    },
}

/// Common glass in De Soto's form.
impl Default for Glass {
    fn default() -> Self {
        Self::Physical { index: 1.526, extinction: 4.0, thickness: 0.002 }
    }
}

/// Why a [`Glass`] was refused.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
#[error("{name} {value} is out of range: give {low}..={high}")]
pub struct GlassError {
    name: &'static str,
    value: f64,
    low: f64,
    high: f64,
}

/// Modifiers of the diffuse light, which depend on the tilt alone.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct DiffuseModifiers {
    /// On the light of the sky (0..=1).
    pub sky: f64,
    /// On the light of the ground (0..=1).
    pub ground: f64,
}

impl Glass {
    /// Whether the parameters lie in their ranges.
    ///
    /// # Errors
    /// [`GlassError`] names the first that doesn't.
    pub fn check(self) -> Result<Self, GlassError> {
        let within = |name, value: f64, low, high| {
            if (low..=high).contains(&value) {
                Ok(())
            } else {
                Err(GlassError { name, value, low, high })
            }
        };
        match self {
            Self::Bare => {}
            Self::Ashrae { b } => within("loss factor", b, 0.0, 1.0)?,
            Self::Physical { index, extinction, thickness } => {
                within("refractive index", index, 1.001, 3.0)?;
                within("extinction per metre", extinction, 0.0, 100.0)?;
                within("thickness of the glass in metres", thickness, 0.0, 0.1)?;
            }
            Self::MartinRuiz { a } => within("angular losses coefficient", a, 0.01, 1.0)?,
        }
        Ok(self)
    }

    /// Modifier (0..=1) of light whose angle to the normal has this cosine; none from behind.
    ///
    /// ```
    /// use cresthold_sim::sky::incidence::Glass;
    /// let at = |glass: Glass, degrees: f64| glass.beam(degrees.to_radians().cos());
    /// // pvlib 0.16.1, martin_ruiz with a_r = 0.16: 60 degrees 0.957912, 75 degrees 0.803180.
    /// let martin = Glass::MartinRuiz { a: 0.16 };
    /// assert!((at(martin, 60.0) - 0.957912).abs() < 1e-6);
    /// assert!((at(martin, 75.0) - 0.803180).abs() < 1e-6);
    /// assert!((at(Glass::Ashrae { b: 0.05 }, 60.0) - 0.95).abs() < 1e-12);
    /// assert_eq!(Glass::default().beam(1.0), 1.0);
    /// assert_eq!(Glass::default().beam(-0.1), 0.0);
    /// ```
    #[must_use]
    pub fn beam(self, cosine: f64) -> f64 {
        if cosine.is_nan() || cosine <= 0.0 {
            return 0.0;
        }
        let cosine = cosine.min(1.0);
        match self {
            Self::Bare => 1.0,
            Self::Ashrae { b } => (1.0 - b * (1.0 / cosine - 1.0)).max(0.0),
            Self::Physical { index, extinction, thickness } => {
                let squarely = (index - 1.0) / (index + 1.0);
                let through = (1.0 - squarely * squarely) * (-extinction * thickness).exp();
                pane(cosine, index, extinction * thickness) / through
            }
            Self::MartinRuiz { a } => (-cosine / a).exp_m1() / (-1.0 / a).exp_m1(),
        }
    }

    /// Modifiers of the light of sky and ground on a plane of this tilt (degrees, 0..=180).
    ///
    /// ```
    /// use cresthold_sim::sky::incidence::Glass;
    /// // pvlib 0.16.1: martin_ruiz_diffuse(30) = 0.954974, 0.794443.
    /// let diffuse = Glass::MartinRuiz { a: 0.16 }.diffuse(30.0);
    /// assert!((diffuse.sky - 0.954974).abs() < 1e-6 && (diffuse.ground - 0.794443).abs() < 1e-6);
    /// assert_eq!(Glass::Bare.diffuse(30.0).ground, 1.0);
    /// ```
    #[must_use]
    pub fn diffuse(self, tilt: f64) -> DiffuseModifiers {
        let tilt = tilt.clamp(0.0, 180.0);
        if let Self::MartinRuiz { a } = self {
            return martin_ruiz_diffuse(tilt, a);
        }
        let sky = 59.7 + tilt * (-0.1388 + tilt * 0.001497);
        let ground = 90.0 + tilt * (-0.5788 + tilt * 0.002693);
        let at = |degrees: f64| match self {
            Self::Bare => 1.0,
            _ => self.beam(degrees.to_radians().cos()),
        };
        DiffuseModifiers { sky: at(sky), ground: at(ground) }
    }
}

/// Share of light that passes surface and pane, `depth` its extinction times thickness.
fn pane(cosine: f64, index: f64, depth: f64) -> f64 {
    let sine = (1.0 - cosine * cosine).max(0.0).sqrt() / index;
    let inside = (1.0 - sine * sine).sqrt();
    let across = (cosine - index * inside) / (cosine + index * inside);
    let along = (inside - index * cosine) / (inside + index * cosine);
    (1.0 - 0.5 * (across * across + along * along)) * (-depth / inside).exp()
}

/// Martin and Ruiz's integrals: `1 - exp(-(c1 + c2 s) s/a)`, `c1 = 4/(3 pi)` rounded as printed,
/// `c2 = a/2 - 0.154`; for the sky `s = sin t + (pi - t - sin t)/(1 + cos t)`, for the ground
/// `s = sin t + (t - sin t)/(1 - cos t)`.
fn martin_ruiz_diffuse(tilt: f64, a: f64) -> DiffuseModifiers {
    // Both forms are 0/0 at one end.
    const AWAY_FROM_FLAT: f64 = 1e-6;
    let tilt = tilt.clamp(AWAY_FROM_FLAT, 180.0 - AWAY_FROM_FLAT);
    let angle = tilt.to_radians();
    let (sin, cos) = angle.sin_cos();
    let second = 0.5 * a - 0.154;
    let modifier = |s: f64| -(-(0.4244 + second * s) * s / a).exp_m1();
    DiffuseModifiers {
        sky: modifier(sin + (std::f64::consts::PI - angle - sin) / (1.0 + cos)),
        ground: modifier(sin + (angle - sin) / (1.0 - cos)),
    }
}
