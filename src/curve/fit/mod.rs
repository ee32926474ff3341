//! The single diode behind a curve: five parameters by least squares, and how well they are known.
//!
//! Model: `I = IL - I0 (exp(x/a) - 1) - x/Rsh`, `x = V + I Rs` (see `cresthold_sim::device`). What is
//! minimised is stated by [`Residual`]: by default the true residual of current, the model's
//! current at the measured voltage less the measured one, in amps. The implicit one, which puts the
//! measured current into the right side, is cheaper and common in papers, but is no distance that
//! a measurement knows; its optimum differs (see the tests). Levenberg-Marquardt with the exact
//! derivatives, over `IL`, `ln(I0 exp(Voc/a))`, `Rs`, `1/Rsh`, `ln a`: in these the curve is nearly
//! linear, and neither sign nor size can run away. The start comes from a grid over `a` and `Rs`, for
//! which the implicit residual is linear in the rest: no guess from outside is needed.
//!
//! Rejected: global searches by chance (slower by four orders, and no better once the start is
//! right), fitting only Isc, Voc and the crest (throws the points away), two diodes (seven
//! parameters that one curve does not fix).

mod datasheet;
mod diode;
mod levenberg;
mod several;
mod start;

pub use datasheet::{DataSheet, DataSheetError, from_data_sheet};
pub use several::{Lit, SeveralFit, fit_several};

use super::points::{Curve, Point};
use crate::quantities::{Amps, Ohms, Volts};
use cresthold_sim::device::single_diode::SingleDiode;
use diode::{Theta, derivatives};
use levenberg::{Outcome, minimise};

/// Free parameters of a single diode.
pub(super) const FREE: usize = 5;
/// A parameter known better than this is known; relative standard uncertainty (1).
const KNOWN: f64 = 0.1;
/// A parameter known worse than this is not; a tenth of a sign, as it were (1).
const UNKNOWN: f64 = 1.0;
/// A parameter that stands for nothing measurable counts as known to this (1): rounding.
const ROUNDING: f64 = 1e-15;

/// What is minimised.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Residual {
    /// The model's current at the measured voltage, less the measured current (A).
    #[default]
    Current,
    /// The right side of the equation with the measured current in it, less the left side (A).
    Implicit,
}

/// How well a parameter is fixed by the points.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Identified {
    /// Relative standard uncertainty below 10 %.
    Well,
    /// Between 10 and 100 %: the order of magnitude only.
    Poorly,
    /// Any value fits, or the best one is at its physical bound.
    Not,
}

impl Identified {
    fn from_relative(share: f64) -> Self {
        match share {
            share if share < KNOWN => Self::Well,
            share if share < UNKNOWN => Self::Poorly,
            _ => Self::Not,
        }
    }

    /// As people write it.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::Well => "well known",
            Self::Poorly => "only its order of magnitude",
            Self::Not => "not fixed by these points",
        }
    }
}

/// One parameter of a fit.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Known<Q> {
    /// The best value.
    pub value: Q,
    /// Its standard uncertainty from the scatter of the points; infinite where they don't fix it.
    pub uncertainty: Q,
    /// The same in words.
    pub identified: Identified,
}

/// A single diode fitted to a curve.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Fit {
    /// The diode.
    pub diode: SingleDiode,
    /// Photocurrent (A).
    pub photocurrent: Known<Amps>,
    /// Saturation current (A).
    pub saturation: Known<Amps>,
    /// Series resistance (ohm).
    pub series: Known<Ohms>,
    /// Shunt resistance (ohm); infinite where no leak was seen.
    pub shunt: Known<Ohms>,
    /// Modified ideality `a = n Ns k T/q` (V).
    pub ideality: Known<Volts>,
    /// Correlation of `IL`, `I0`, `Rs`, `1/Rsh`, `a`, in this order; zero where not fixed.
    pub correlation: [[f64; FREE]; FREE],
    /// Root mean square of the chosen residual over the points (A).
    pub rmse: Amps,
    /// The largest residual, by size (A), and the voltage it is at.
    pub worst: (Amps, Volts),
    /// Correlation of neighbouring residuals: near 0 for noise; above about 0.5 the device is no
    /// single diode, or was not at rest.
    pub pattern: f64,
    /// What was minimised.
    pub residual: Residual,
    /// Points fitted to.
    pub points: usize,
    /// Steps taken.
    pub steps: usize,
}

/// Why no diode was found.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum FitError {
    /// No start: not the shape of a diode.
    #[error(
        "fit: no single diode comes near this curve; look at its quality first: steps of bypass \
         diodes, reversed sign, or a missing end"
    )]
    NoStart,
    /// The search did not come to rest.
    #[error(
        "fit: not at rest after {steps} steps; the points don't fix the parameters: measure \
         nearer to both ends, or with less noise"
    )]
    NotAtRest {
        /// Steps taken.
        steps: usize,
    },
}

/// Fits a single diode to all points of a curve.
///
/// ```
/// use cresthold::curve::{Curve, Point, fit::{Residual, fit}};
/// use cresthold::quantities::Volts;
/// use cresthold_sim::device::examples::crystalline_reference;
/// let module = *crystalline_reference().stc();
/// let at = |k: u32| { let v = Volts(0.4 * f64::from(k)); Point::new(v, module.current(v)) };
/// let curve = Curve::new((0..97).map(at).collect()).unwrap();
/// let found = fit(&curve, Residual::Current).unwrap();
/// assert!((found.series.value / module.series() - 1.0).abs() < 1e-6);
/// ```
///
/// # Errors
/// [`FitError`] where no diode fits or the search does not come to rest.
pub fn fit(curve: &Curve, residual: Residual) -> Result<Fit, FitError> {
    let points = curve.points();
    let anchor = start::open_circuit(points);
    let first = start::best_of_grid(points, anchor).ok_or(FitError::NoStart)?;
    let found = minimise(first.0, Theta::LEAST, |theta, rows| {
        let theta = Theta { values: *theta, anchor };
        let Some(diode) = theta.diode() else { return false };
        rows.clear();
        rows.extend(points.iter().map(|p| {
            let (model, slopes) = derivatives(&diode, &theta, p, residual);
            (slopes, p.amps.0 - model)
        }));
        true
    });
    let theta = Theta { values: found.theta, anchor };
    let diode = theta.diode().ok_or(FitError::NoStart)?;
    if !found.at_rest {
        return Err(FitError::NotAtRest { steps: found.steps });
    }
    Ok(told(points, &theta, diode, &found, residual))
}

/// The result in the parameters people know.
fn told(
    points: &[Point],
    theta: &Theta,
    diode: SingleDiode,
    found: &Outcome<FREE>,
    residual: Residual,
) -> Fit {
    let variance = found.squares / (points.len().saturating_sub(FREE).max(1)) as f64;
    let transform = theta.to_plain();
    let (spread, correlation) = spread(found, variance, &transform);
    let values = [diode.photocurrent().0, diode.saturation().0, diode.series().0];
    let leak = 1.0 / diode.shunt().0;
    let known = |value: f64, index: usize| {
        let uncertainty = spread[index].max(ROUNDING * value.abs());
        (uncertainty, Identified::from_relative(uncertainty / value.abs()))
    };
    let amps = |value: f64, index: usize| {
        let (u, identified) = known(value, index);
        Known { value: Amps(value), uncertainty: Amps(u), identified }
    };
    let (u_series, series) = known(values[2], 2);
    let (u_leak, shunt) = known(leak, 3);
    let a = diode.ideality();
    let (u_ideality, ideality) = known(a.0, 4);
    let errors = residuals(points, theta, &diode, residual);
    Fit {
        diode,
        photocurrent: amps(values[0], 0),
        saturation: amps(values[1], 1),
        series: Known { value: diode.series(), uncertainty: Ohms(u_series), identified: series },
        shunt: Known {
            value: diode.shunt(),
            // d(1/g) = dg/g^2.
            uncertainty: Ohms(if leak > 0.0 { u_leak / (leak * leak) } else { f64::INFINITY }),
            identified: shunt,
        },
        ideality: Known { value: a, uncertainty: Volts(u_ideality), identified: ideality },
        correlation,
        rmse: Amps((found.squares / points.len() as f64).sqrt()),
        worst: worst(points, &errors),
        pattern: neighbours(&errors),
        residual,
        points: points.len(),
        steps: found.steps,
    }
}

/// Standard deviations and correlations after a linear change of parameters.
fn spread(
    found: &Outcome<FREE>,
    variance: f64,
    transform: &[[f64; FREE]; FREE],
) -> ([f64; FREE], [[f64; FREE]; FREE]) {
    let mut covariance = [[0.0; FREE]; FREE];
    for (row, left) in covariance.iter_mut().zip(transform) {
        for (value, right) in row.iter_mut().zip(transform) {
            for (j, l) in left.iter().enumerate() {
                *value += l * right.iter().zip(&found.inverse[j]).map(|(r, c)| r * c).sum::<f64>();
            }
            *value *= variance;
        }
    }
    let mut deviations = [0.0; FREE];
    for (k, deviation) in deviations.iter_mut().enumerate() {
        *deviation = if found.fixed[k] { f64::INFINITY } else { covariance[k][k].max(0.0).sqrt() };
    }
    let mut correlation = [[0.0; FREE]; FREE];
    for (j, row) in correlation.iter_mut().enumerate() {
        for (k, value) in row.iter_mut().enumerate() {
            let scale = deviations[j] * deviations[k];
            if scale.is_finite() && scale > 0.0 {
                *value = (covariance[j][k] / scale).clamp(-1.0, 1.0);
            }
        }
    }
    (deviations, correlation)
}

/// Model less measured (A), point by point.
fn residuals(points: &[Point], theta: &Theta, diode: &SingleDiode, kind: Residual) -> Vec<f64> {
    points.iter().map(|p| derivatives(diode, theta, p, kind).0 - p.amps.0).collect()
}

fn worst(points: &[Point], errors: &[f64]) -> (Amps, Volts) {
    let pairs = points.iter().zip(errors);
    pairs.fold((Amps(0.0), Volts(0.0)), |worst, (p, error)| {
        if error.abs() > worst.0.0.abs() { (Amps(*error), p.volts) } else { worst }
    })
}

/// Correlation of each value with the next.
fn neighbours(errors: &[f64]) -> f64 {
    let squares: f64 = errors.iter().map(|e| e * e).sum();
    let products: f64 = errors.windows(2).map(|pair| pair[0] * pair[1]).sum();
    if squares > 0.0 { products / squares } else { 0.0 }
}
