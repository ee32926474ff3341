//! Coefficients of the procedures, from curves of one device at different conditions.
//!
//! Model: temperature coefficients by least squares over all curves at once,
//! `Isc (1000/G) = I0 + alpha (T - 25)` and
//! `Voc = V0 (1 + b_rel (T - 25) + a ln(G/1000))`, with their standard uncertainties from the scatter.
//! Series resistance after IEC 60891 (from public code): the `Rs` for which curves of one temperature,
//! moved to one irradiance, have the same Pmp; `kappa` likewise from curves of one irradiance. The spread
//! of Pmp over `Rs` has one least value; it is found by golden section.

use super::{Procedure, SeriesAt, translate};
use crate::curve::linear::{Row, reduce};
use crate::curve::parameters::{Method, parameters};
use crate::curve::points::{Conditions, Curve};
use crate::quantities::{Amps, Ohms, STC_IRRADIANCE, STC_TEMPERATURE, Volts};

/// Fewest curves for a straight line with a scatter of its own.
const FEWEST: usize = 3;
/// Halvings of the golden section: to a millionth of the range.
const SECTIONS: usize = 30;
/// 1/golden ratio.
const GOLDEN: f64 = 0.618_033_988_749_894_9;

/// A curve's ends and the conditions it was measured at.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Observed {
    /// Irradiance and cell temperature.
    pub conditions: Conditions,
    /// Short-circuit current (A).
    pub isc: Amps,
    /// Open-circuit voltage (V).
    pub voc: Volts,
}

/// A coefficient and its standard uncertainty, in the same unit.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Coefficient {
    /// Best value.
    pub value: f64,
    /// Standard uncertainty from the scatter of the curves.
    pub uncertainty: f64,
}

/// What a set of curves says of a device.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Coefficients {
    /// Short-circuit current at standard conditions (A).
    pub isc_stc: Coefficient,
    /// Its temperature coefficient (A/K).
    pub alpha: Coefficient,
    /// Open-circuit voltage at standard conditions (V).
    pub voc_stc: Coefficient,
    /// Its temperature coefficient (V/K).
    pub beta: Coefficient,
    /// Irradiance correction factor `a` of Voc (1).
    pub a: Coefficient,
}

/// Why there are no coefficients.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum CoefficientError {
    /// Too few curves.
    #[error("coefficients: {found} curves, but at least {needed} are needed; add more")]
    TooFew {
        /// How many there are.
        found: usize,
        /// How many it takes.
        needed: usize,
    },
    /// Conditions don't differ.
    #[error(
        "coefficients: the curves don't differ enough in temperature or irradiance to tell their \
         influences apart; add curves of other hours"
    )]
    NotApart,
    /// Some curve can't be moved or has no crest.
    #[error(
        "coefficients: the Pmp of a moved curve can't be found for any value tried; look at each \
         curve's own parameters"
    )]
    NoCrest,
}

/// Temperature and irradiance coefficients of a device.
///
/// # Errors
/// [`CoefficientError`] where there are too few curves or they don't differ.
pub fn coefficients(curves: &[Observed]) -> Result<Coefficients, CoefficientError> {
    if curves.len() <= FEWEST {
        return Err(CoefficientError::TooFew { found: curves.len(), needed: FEWEST + 1 });
    }
    let above = |at: &Observed| (at.conditions.cell - STC_TEMPERATURE).0;
    let suns = |at: &Observed| at.conditions.irradiance / STC_IRRADIANCE;
    let current = |at: &Observed| ([1.0, above(at)], at.isc.0 / suns(at));
    let [isc_stc, alpha] = line(curves.iter().map(current).collect())?;
    let voltage = |at: &Observed| ([1.0, above(at), suns(at).ln()], at.voc.0);
    let [voc_stc, beta, change] = line(curves.iter().map(voltage).collect())?;
    let share = |c: Coefficient| Coefficient {
        value: c.value / voc_stc.value,
        uncertainty: c.uncertainty / voc_stc.value,
    };
    Ok(Coefficients { isc_stc, alpha, voc_stc, beta, a: share(change) })
}

/// `B1` and `B2` of procedure 2 (2021), from curves of about 25 degC at different irradiances:
/// `VocSTC/Voc = 1 + B1 ln(1000/G) + B2 ln^2(1000/G)`.
///
/// # Errors
/// [`CoefficientError`] where there are too few curves or they don't differ.
pub fn irradiance_factors(
    curves: &[Observed],
    voc_stc: Volts,
) -> Result<[Coefficient; 2], CoefficientError> {
    if curves.len() < FEWEST {
        return Err(CoefficientError::TooFew { found: curves.len(), needed: FEWEST });
    }
    let row = |at: &Observed| {
        let log = (STC_IRRADIANCE / at.conditions.irradiance).ln();
        ([log, log * log], voc_stc / at.voc - 1.0)
    };
    line(curves.iter().map(row).collect())
}

fn line<const N: usize>(mut rows: Vec<Row<N>>) -> Result<[Coefficient; N], CoefficientError> {
    let free = rows.len().saturating_sub(N).max(1) as f64;
    let triangle = reduce(&mut rows);
    let (Some(values), Some(inverse)) = (triangle.solve(), triangle.inverse_gram()) else {
        return Err(CoefficientError::NotApart);
    };
    let variance = triangle.rest / free;
    let mut found = [Coefficient { value: 0.0, uncertainty: 0.0 }; N];
    for (k, c) in found.iter_mut().enumerate() {
        *c = Coefficient { value: values[k], uncertainty: (variance * inverse[k][k]).sqrt() };
    }
    Ok(found)
}

/// The series resistance (ohm) for which curves of about one temperature agree in Pmp once they are
/// moved to the conditions of the first. `procedure` is asked for the procedure of each curve, given
/// its place and a trial of `Rs`.
///
/// # Errors
/// [`CoefficientError`] where there are fewer than two curves or a crest is missing.
pub fn series_resistance(
    curves: &[(&Curve, Conditions)],
    method: &Method,
    procedure: impl Fn(usize, SeriesAt) -> Procedure,
) -> Result<Ohms, CoefficientError> {
    let most = largest(curves, method)?;
    let at = curves.first().map(|(_, conditions)| conditions.cell);
    let series = |ohms: f64| SeriesAt { ohms: Ohms(ohms), kappa: 0.0, at };
    let spread = |ohms: f64| spread(curves, method, |k| procedure(k, series(ohms)));
    least(0.0, most, spread).map(Ohms)
}

/// The curve correction factor `kappa` (ohm/K) for which curves of about one irradiance agree in Pmp
/// once they are moved to the conditions of the first, `Rs` given.
///
/// # Errors
/// [`CoefficientError`] where there are fewer than two curves or a crest is missing.
pub fn curve_correction(
    curves: &[(&Curve, Conditions)],
    method: &Method,
    series: SeriesAt,
    procedure: impl Fn(usize, SeriesAt) -> Procedure,
) -> Result<f64, CoefficientError> {
    // Beyond a hundredth per kelvin of what is possible in all, no device is known.
    let most = 0.01 * largest(curves, method)?;
    let trial = |kappa: f64| SeriesAt { kappa, ..series };
    let spread = |kappa: f64| spread(curves, method, |k| procedure(k, trial(kappa)));
    least(-most, most, spread)
}

/// Series resistance (ohm) at which the crest of the first curve would reach open circuit.
fn largest(curves: &[(&Curve, Conditions)], method: &Method) -> Result<f64, CoefficientError> {
    let [(first, _), _, ..] = curves else {
        return Err(CoefficientError::TooFew { found: curves.len(), needed: 2 });
    };
    let found = parameters(first, method).map_err(|_| CoefficientError::NoCrest)?;
    let voc = found.voc.value.ok_or(CoefficientError::NoCrest)?;
    Ok(((voc - found.vmp) / found.imp.0).0)
}

/// Variance of Pmp over all curves, moved to the conditions of the first; infinite without one.
fn spread(
    curves: &[(&Curve, Conditions)],
    method: &Method,
    procedure: impl Fn(usize) -> Procedure,
) -> f64 {
    let to = curves[0].1;
    let mut powers = Vec::with_capacity(curves.len());
    for (k, (curve, from)) in curves.iter().enumerate() {
        let moved = translate(curve, *from, to, &procedure(k));
        match moved.ok().and_then(|moved| parameters(&moved, method).ok()) {
            Some(found) => powers.push(found.pmp.0),
            None => return f64::INFINITY,
        }
    }
    let mean = powers.iter().sum::<f64>() / powers.len() as f64;
    powers.iter().map(|p| (p - mean) * (p - mean)).sum()
}

fn least(low: f64, high: f64, f: impl Fn(f64) -> f64) -> Result<f64, CoefficientError> {
    let (mut low, mut high) = (low, high);
    let (mut a, mut b) = (high - GOLDEN * (high - low), low + GOLDEN * (high - low));
    let (mut fa, mut fb) = (f(a), f(b));
    for _ in 0..SECTIONS {
        // Where no crest is left, it lies too high: go down.
        if fa < fb || fb.is_infinite() {
            (high, b, fb) = (b, a, fa);
            a = high - GOLDEN * (high - low);
            fa = f(a);
        } else {
            (low, a, fa) = (a, b, fb);
            b = low + GOLDEN * (high - low);
            fb = f(b);
        }
    }
    if fa.is_finite() { Ok(0.5 * (low + high)) } else { Err(CoefficientError::NoCrest) }
}
