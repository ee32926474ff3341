//! One device from several curves: De Soto's coefficients by least squares over all points at once.
//!
//! Model: the device at standard conditions and its scaling as in `cresthold_sim::device::desoto`;
//! seven free numbers, `IL`, `I0`, `Rs`, `Rsh`, `a` at 1000 W/m2 and 25 degC, `alpha` (A/K), and the
//! band gap (eV) with silicon's slope. Every point counts alike, in amps; the residual is the true
//! one of current. Curves of one temperature don't fix `alpha` and the gap: that is told. The points of
//! a curve share its temperature and irradiance and err together, so the uncertainties come from how
//! the curves differ, not from the number of points.

use super::diode::{Theta, derivatives};
use super::levenberg::minimise;
use super::{FitError, Identified, Known, Residual};
use crate::curve::linear::Row;
use crate::curve::points::{Conditions, Curve};
use crate::quantities::{Amps, STC_IRRADIANCE, STC_TEMPERATURE};
use cresthold_sim::device::desoto::{BandGap, Reference};
use cresthold_sim::device::single_diode::SingleDiode;

/// `IL`, `c`, `Rs`, `1/Rsh`, `ln a`, `alpha`, gap.
const ALL: usize = 7;
type Square = [[f64; ALL]; ALL];
/// Boltzmann's constant (eV/K), exact quotient of the SI's k and e.
const BOLTZMANN_EV: f64 = 1.380_649e-23 / 1.602_176_634e-19;

/// A curve with the conditions it was measured at.
#[derive(Clone, Copy, Debug)]
pub struct Lit<'a> {
    /// The points.
    pub curve: &'a Curve,
    /// Their irradiance and cell temperature.
    pub conditions: Conditions,
}

/// A device fitted to several curves.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SeveralFit {
    /// The device at standard conditions, ready for any others.
    pub reference: Reference,
    /// Relative standard uncertainty of `IL`, `I0`, `Rs`, `1/Rsh`, `a` at standard conditions, each
    /// with what it means.
    pub relative: [(f64, Identified); 5],
    /// Temperature coefficient of the short-circuit current (A/K).
    pub alpha: Known<f64>,
    /// Band gap at 25 degC (eV); an effective one for anything but silicon.
    pub gap: Known<f64>,
    /// Root mean square of the residuals of current (A).
    pub rmse: Amps,
    /// Points of all curves.
    pub points: usize,
    /// Steps taken.
    pub steps: usize,
}

/// Fits one device to curves at different conditions.
///
/// # Errors
/// [`FitError`] where no start is found, or the search does not come to rest.
pub fn fit_several(curves: &[Lit<'_>]) -> Result<SeveralFit, FitError> {
    let (start, anchor) = start(curves)?;
    let mut least = [f64::NEG_INFINITY; ALL];
    least[..5].copy_from_slice(&Theta::LEAST);
    let found = minimise(start, least, |theta, rows| fill(curves, theta, anchor, rows));
    let reference = reference(&found.theta, anchor).ok_or(FitError::NoStart)?;
    if !found.at_rest {
        return Err(FitError::NotAtRest { steps: found.steps });
    }
    let points: usize = curves.iter().map(|lit| lit.curve.points().len()).sum();
    let variance = found.squares / points.saturating_sub(ALL).max(1) as f64;
    let [il, _, rs, leak, ln_a, alpha, gap] = found.theta;
    let plain = found.inverse.map(|row| row.map(|value| variance * value));
    let by_curve = clustered(curves, &found.theta, anchor, &found.inverse);
    let spread = |k: usize| {
        let spread = plain[k][k].max(by_curve[k][k]).sqrt();
        if found.fixed[k] { f64::INFINITY } else { spread }
    };
    // d ln I0 = dc + anchor/a d ln a.
    let lever = anchor / ln_a.exp();
    let form = |m: &Square| m[1][1] + lever * (2.0 * m[1][4] + lever * m[4][4]);
    let i0 = form(&plain).max(form(&by_curve)).max(0.0).sqrt();
    let i0 = if found.fixed[1] { f64::INFINITY } else { i0 };
    let relative = [spread(0) / il, i0, spread(2) / rs, spread(3) / leak, spread(4)]
        .map(|share| (share, Identified::from_relative(share)));
    let known = |value: f64, k: usize| {
        let identified = Identified::from_relative((spread(k) / value).abs());
        Known { value, uncertainty: spread(k), identified }
    };
    Ok(SeveralFit {
        reference,
        relative,
        alpha: known(alpha, 5),
        gap: known(gap, 6),
        rmse: Amps((found.squares / points as f64).sqrt()),
        points,
        steps: found.steps,
    })
}

/// Covariance where the points of a curve err together, as by its temperature or irradiance:
/// `H S H C/(C - 1)`, `H = (J^T J)^-1`, `S` the sum over the `C` curves of `s s^T`, `s` the sum of a curve's
/// own `J^T r` (Liang and Zeger 1986, Biometrika 73, 13-22, from memory). Too small with few curves, so
/// that it never replaces the plain one where that is larger.
fn clustered(curves: &[Lit<'_>], theta: &[f64; ALL], anchor: f64, inverse: &Square) -> Square {
    let mut rows = Vec::new();
    let mut covariance = [[0.0; ALL]; ALL];
    if curves.len() < 2 || !fill(curves, theta, anchor, &mut rows) {
        return covariance;
    }
    let correction = curves.len() as f64 / (curves.len() - 1) as f64;
    let mut rest = rows.as_slice();
    for lit in curves {
        let (own, others) = rest.split_at(lit.curve.points().len());
        rest = others;
        let mut score = [0.0; ALL];
        for (slopes, error) in own {
            for (sum, slope) in score.iter_mut().zip(slopes) {
                *sum += slope * error;
            }
        }
        // H s: what this curve alone would change.
        let pull = inverse.map(|row| row.iter().zip(&score).map(|(h, s)| h * s).sum::<f64>());
        for (row, a) in covariance.iter_mut().zip(pull) {
            for (value, b) in row.iter_mut().zip(pull) {
                *value += correction * a * b;
            }
        }
    }
    covariance
}

/// The curve nearest to standard conditions, fitted alone and scaled there.
fn start(curves: &[Lit<'_>]) -> Result<([f64; ALL], f64), FitError> {
    let distance = |lit: &Lit<'_>| {
        let suns = (lit.conditions.irradiance / STC_IRRADIANCE).ln().abs();
        suns + (lit.conditions.cell - STC_TEMPERATURE).0.abs() / STC_TEMPERATURE.kelvin()
    };
    let nearest = curves.iter().min_by(|a, b| distance(a).total_cmp(&distance(b)));
    let lit = nearest.ok_or(FitError::NoStart)?;
    let alone = super::fit(lit.curve, Residual::Current)?.diode;
    let suns = lit.conditions.irradiance / STC_IRRADIANCE;
    let above = lit.conditions.cell - STC_TEMPERATURE;
    let (ratio, lever) = (lit.conditions.cell.kelvin() / STC_TEMPERATURE.kelvin(), lever(above.0));
    let gap = BandGap::SILICON.ev;
    let a = alone.ideality().0 / ratio;
    let ln_i0 = alone.saturation().0.ln() - 3.0 * ratio.ln() - gap * lever;
    let anchor = alone.open_circuit().0;
    let leak = 1.0 / alone.shunt().0 / suns;
    let il = alone.photocurrent().0 / suns;
    Ok(([il, ln_i0 + anchor / a, alone.series().0, leak, a.ln(), 0.0, gap], anchor))
}

/// What a band gap (eV) is multiplied by in `ln I0`, `above` kelvin over 25 degC.
fn lever(above: f64) -> f64 {
    let reference = STC_TEMPERATURE.kelvin();
    above / (reference + above) / BOLTZMANN_EV * (1.0 / reference - BandGap::SILICON.per_kelvin)
}

fn reference(theta: &[f64; ALL], anchor: f64) -> Option<Reference> {
    let [il, c, rs, leak, ln_a, alpha, ev] = *theta;
    let stc: SingleDiode = Theta { values: [il, c, rs, leak, ln_a], anchor }.diode()?;
    Reference::new(stc, alpha, BandGap { ev, ..BandGap::SILICON }).ok()
}

/// A row per point of every curve: the diode's own derivatives, by the chain rule of the scaling.
fn fill(curves: &[Lit<'_>], theta: &[f64; ALL], anchor: f64, rows: &mut Vec<Row<ALL>>) -> bool {
    let Some(reference) = reference(theta, anchor) else { return false };
    rows.clear();
    for lit in curves {
        let Conditions { irradiance, cell } = lit.conditions;
        let diode = reference.at(irradiance, cell);
        let (suns, above) = (irradiance / STC_IRRADIANCE, (cell - STC_TEMPERATURE).0);
        let lever = lever(above);
        // With anchor zero, the second value of `here` is ln I0 itself.
        let a = diode.ideality().0;
        let values = [
            diode.photocurrent().0,
            diode.saturation().0.ln(),
            diode.series().0,
            1.0 / diode.shunt().0,
            a.ln(),
        ];
        let here = Theta { values, anchor: 0.0 };
        // d ln I0 / d ln a at a constant current at the anchor.
        let tilt = anchor / theta[4].exp();
        for point in lit.curve.points() {
            let (model, slopes) = derivatives(&diode, &here, point, Residual::Current);
            let [il, ln_i0, rs, leak, ln_a] = slopes;
            let ln_a = ln_a + ln_i0 * tilt;
            let row = [il * suns, ln_i0, rs, leak * suns, ln_a, il * suns * above, ln_i0 * lever];
            rows.push((row, point.amps.0 - model));
        }
    }
    true
}
