//! Curves moved to other irradiance and temperature: the procedures of IEC 60891.
//!
//! Model: procedures 1, 2 (forms of 2009 and of 2021), 3 and 4 of IEC 60891:2021, equations from
//! public academic code and from memory (the standard's text was not open to us). Subscript 1 is the
//! measured curve, 2 the wanted one; `dT = T2 - T1` (K).
//!
//! Each moves every point by itself. Where a coefficient depends on irradiance, the standard's own
//! words are followed: `alpha` of procedures 1 and 4 is the one at the wanted irradiance, here
//! `alpha G2/1000`. Where `Rs` was determined at a temperature of its own, it can be stated
//! ([`SeriesAt`]). The way back to the measured curve is a function of its own, [`translate_back`]:
//! the standard's equations are not all their own inverse.
//!
//! Rejected: a moved curve that keeps points beyond what was measured (nothing is extrapolated; the
//! ends of a curve moved to more light come out as far as they do), and silent defaults for
//! coefficients.

mod back;
mod between;
mod campaign;
mod coefficients;
mod equivalent;

pub use back::translate_back;
pub use between::{BetweenError, interpolate};
pub use campaign::{
    Agreement, Campaign, FAINTEST, Form, VoltageFactors, campaign, series_resistance,
    voltage_factors,
};
pub use coefficients::{Coefficient, CoefficientError, Coefficients, Observed, coefficients};
pub use equivalent::{cell_temperature, thermal_diode_factor};

use super::points::{Conditions, Curve, CurveError, Point};
use crate::quantities::{Amps, Ohms, STC_IRRADIANCE, STC_TEMPERATURE, Volts};

/// Voltage (V) per silicon cell at which the temperature's influence vanishes (procedure 4, public
/// code).
pub const EPSILON: f64 = 1.232;

/// A series resistance and the temperature it was found at.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SeriesAt {
    /// `Rs` (ohm).
    pub ohms: Ohms,
    /// Curve correction factor `kappa` (ohm/K).
    pub kappa: f64,
    /// Cell temperature (degC) at which `Rs` holds; elsewhere `Rs + kappa (T1 - T)` is taken. None: the
    /// standard's plain equation, `Rs` as it stands.
    pub at: Option<crate::quantities::Celsius>,
}

impl SeriesAt {
    /// `Rs` of a curve at `T1`.
    fn of(&self, first: &Conditions) -> f64 {
        self.ohms.0 + self.at.map_or(0.0, |at| self.kappa * (first.cell - at).0)
    }
}

/// Coefficients of procedure 1.
///
/// `I2 = I1 + Isc1 (G2/G1 - 1) + alpha (G2/1000) dT`;
/// `V2 = V1 - Rs (I2 - I1) - kappa I2 dT + beta dT`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Procedure1 {
    /// Short-circuit current of the measured curve (A).
    pub isc: Amps,
    /// Temperature coefficient of Isc at 1000 W/m2 (A/K).
    pub alpha: f64,
    /// Temperature coefficient of Voc (V/K).
    pub beta: f64,
    /// Series resistance and `kappa`.
    pub series: SeriesAt,
}

/// Coefficients of procedure 2 as of 2009.
///
/// `I2 = I1 (1 + a_rel dT) G2/G1`;
/// `V2 = V1 + Voc1 (b_rel dT + a ln(G2/G1)) - Rs (I2 - I1) - kappa I2 dT`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Procedure2 {
    /// Open-circuit voltage of the measured curve (V).
    pub voc: Volts,
    /// Relative temperature coefficient of Isc at 25 degC (1/K).
    pub alpha_rel: f64,
    /// Relative temperature coefficient of Voc at 25 degC (1/K).
    pub beta_rel: f64,
    /// Irradiance correction factor `a` of Voc (1).
    pub a: f64,
    /// Series resistance and `kappa`.
    pub series: SeriesAt,
}

/// Coefficients of procedure 2 as of 2021.
///
/// With `f(G) = B2 ln^2(1000/G) + B1 ln(1000/G) + 1`:
/// `I2 = I1 (G2/G1) (1 + a_rel (T2 - 25))/(1 + a_rel (T1 - 25))`; `V2 = V1 - Rs(T1) (I2 - I1) - kappa I2 dT + VocSTC (b_rel (f2 (T2 - 25) - f1 (T1 -
/// 25)) + 1/f2 - 1/f1)`, `Rs(T) = Rs + kappa (T - 25)`. Towards standard conditions this is the
/// standard's equation; the general one is inferred from it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Procedure2021 {
    /// Open-circuit voltage at standard conditions (V).
    pub voc_stc: Volts,
    /// Relative temperature coefficient of Isc at 25 degC (1/K).
    pub alpha_rel: f64,
    /// Relative temperature coefficient of Voc at 25 degC (1/K).
    pub beta_rel: f64,
    /// Irradiance correction factors of Voc, `B1` and `B2` (1).
    pub b1: f64,
    /// See `b1`.
    pub b2: f64,
    /// Series resistance at 25 degC (ohm).
    pub series: Ohms,
    /// Curve correction factor (ohm/K).
    pub kappa: f64,
}

/// Coefficients of procedure 4, for crystalline silicon.
///
/// Light first: `Ia = I1 + Isc1 (G2/G1 - 1)`, `Va = V1 - Rs (Ia - I1)`; then temperature:
/// `I2 = Ia + alpha (G2/1000) dT`, `V2 = Va + (dT/T1) (Va - epsilon N)`, T1 in kelvin.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Procedure4 {
    /// Short-circuit current of the measured curve (A).
    pub isc: Amps,
    /// Temperature coefficient of Isc at 1000 W/m2 (A/K).
    pub alpha: f64,
    /// Series resistance (ohm).
    pub series: Ohms,
    /// Cells in series.
    pub cells: u32,
}

/// A procedure with its coefficients.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Procedure {
    /// Procedure 1.
    One(Procedure1),
    /// Procedure 2 of 2009.
    Two(Procedure2),
    /// Procedure 2 of 2021.
    Two2021(Procedure2021),
    /// Procedure 4.
    Four(Procedure4),
}

/// Why a curve can't be moved.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum TranslateError {
    /// Irradiance must be above zero at both ends.
    #[error("correction: irradiance {irradiance} is not above 0 W/m2; state both irradiances")]
    Dark {
        /// The one found.
        irradiance: crate::quantities::Irradiance,
    },
    /// What came out is no curve.
    #[error("correction: the moved points are no curve; compare the coefficients' units: {0}")]
    NoCurve(#[from] CurveError),
}

/// Moves a curve from its conditions to others.
///
/// ```
/// use cresthold::curve::{Conditions, Curve, Point, translate::{Procedure, Procedure4, translate}};
/// use cresthold::quantities::{Amps, Celsius, Irradiance, Ohms, Volts};
/// let at = |k: u32| { let v = f64::from(k) / 20.0; Point::new(Volts(v), Amps(4.0 - v * v)) };
/// let curve = Curve::new((0..=40).map(at).collect()).unwrap();
/// let four = Procedure::Four(Procedure4 {
///     isc: Amps(4.0), alpha: 0.002, series: Ohms(0.1), cells: 3,
/// });
/// let warm = Conditions { irradiance: Irradiance(500.0), cell: Celsius(45.0) };
/// let stc = translate(&curve, warm, Conditions::STC, &four).unwrap();
/// // At short circuit 4 A more by light, 20 K less by temperature.
/// assert!((stc.points()[0].amps.0 - (8.0 - 20.0 * 0.002)).abs() < 1e-12);
/// ```
///
/// # Errors
/// [`TranslateError`] where irradiance is not above zero or no curve comes out.
pub fn translate(
    curve: &Curve,
    from: Conditions,
    to: Conditions,
    procedure: &Procedure,
) -> Result<Curve, TranslateError> {
    moved(curve, from, to, to, |v, i| match procedure {
        Procedure::One(one) => one.moved(v, i, &from, &to),
        Procedure::Two(two) => two.moved(v, i, &from, &to),
        Procedure::Two2021(two) => two.moved(v, i, &from, &to),
        Procedure::Four(four) => four.moved(v, i, &from, &to),
    })
}

/// Every point changed, of a curve that is then at conditions `at`; both ends must be lit.
fn moved(
    curve: &Curve,
    from: Conditions,
    to: Conditions,
    at: Conditions,
    change: impl Fn(f64, f64) -> (f64, f64),
) -> Result<Curve, TranslateError> {
    for irradiance in [from.irradiance, to.irradiance] {
        if !(irradiance.is_finite() && irradiance.0 > 0.0) {
            return Err(TranslateError::Dark { irradiance });
        }
    }
    let point = |point: &Point| {
        let (volts, amps) = change(point.volts.0, point.amps.0);
        Point {
            volts: Volts(volts),
            amps: Amps(amps),
            irradiance: Some(at.irradiance),
            cell: Some(at.cell),
            ..*point
        }
    };
    Ok(Curve::computed(curve.points().iter().map(point).collect())?)
}

impl Procedure1 {
    /// `I2 - I1` (A).
    fn change(&self, from: &Conditions, to: &Conditions) -> f64 {
        let light = self.isc.0 * (to.irradiance / from.irradiance - 1.0);
        light + self.alpha * (to.irradiance / STC_IRRADIANCE) * (to.cell - from.cell).0
    }

    fn moved(&self, v: f64, i: f64, from: &Conditions, to: &Conditions) -> (f64, f64) {
        let warmer = (to.cell - from.cell).0;
        let i2 = i + self.change(from, to);
        let kappa = self.series.kappa;
        let v2 = v - self.series.of(from) * (i2 - i) - kappa * i2 * warmer + self.beta * warmer;
        (v2, i2)
    }
}

impl Procedure2 {
    /// `I2/I1`.
    fn factor(&self, from: &Conditions, to: &Conditions) -> f64 {
        (1.0 + self.alpha_rel * (to.cell - from.cell).0) * (to.irradiance / from.irradiance)
    }

    /// Change of the open-circuit voltage (V).
    fn open(&self, from: &Conditions, to: &Conditions) -> f64 {
        let light = self.a * (to.irradiance / from.irradiance).ln();
        self.voc.0 * (self.beta_rel * (to.cell - from.cell).0 + light)
    }

    fn moved(&self, v: f64, i: f64, from: &Conditions, to: &Conditions) -> (f64, f64) {
        let i2 = i * self.factor(from, to);
        let warmer = (to.cell - from.cell).0;
        let series = self.series.of(from) * (i2 - i) + self.series.kappa * i2 * warmer;
        (v + self.open(from, to) - series, i2)
    }
}

impl Procedure2021 {
    /// `f(G)`.
    fn factor(&self, at: &Conditions) -> f64 {
        let log = (STC_IRRADIANCE / at.irradiance).ln();
        1.0 + log * (self.b1 + self.b2 * log)
    }

    fn moved(&self, v: f64, i: f64, from: &Conditions, to: &Conditions) -> (f64, f64) {
        let above = |at: &Conditions| (at.cell - STC_TEMPERATURE).0;
        let (t1, t2) = (above(from), above(to));
        let current = (1.0 + self.alpha_rel * t2) / (1.0 + self.alpha_rel * t1);
        let i2 = i * (to.irradiance / from.irradiance) * current;
        let (f1, f2) = (self.factor(from), self.factor(to));
        let open = self.voc_stc.0 * (self.beta_rel * (f2 * t2 - f1 * t1) + 1.0 / f2 - 1.0 / f1);
        let series = self.series.0 + self.kappa * t1;
        (v - series * (i2 - i) - self.kappa * i2 * (t2 - t1) + open, i2)
    }
}

impl Procedure4 {
    /// The voltage (V) at which the temperature's influence vanishes.
    fn vanishing(&self) -> f64 {
        EPSILON * f64::from(self.cells)
    }

    fn moved(&self, v: f64, i: f64, from: &Conditions, to: &Conditions) -> (f64, f64) {
        let light = self.isc.0 * (to.irradiance / from.irradiance - 1.0);
        let va = v - self.series.0 * light;
        let warmer = (to.cell - from.cell).0;
        let warmth = self.alpha * (to.irradiance / STC_IRRADIANCE) * warmer;
        let share = warmer / from.cell.kelvin();
        (va + share * (va - self.vanishing()), i + light + warmth)
    }
}
