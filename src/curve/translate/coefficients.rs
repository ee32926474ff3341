//! Coefficients of the procedures, from curves of one device at different conditions.
//!
//! Model: temperature coefficients by least squares over all curves at once,
//! `Isc = G/1000 (I0 + alpha (T - 25) + c (G/1000 - 1))` and
//! `Voc = V0 (1 + b_rel (T - 25) + a ln(G/1000))`, with their standard uncertainties from the scatter.
//!
//! `c` is there because outdoors bright hours are warm ones: `Isc/G` of a real device falls with `G`, by
//! `Rs/Rsh` (0.24 % per 1000 W/m2 of a common module), and without `c` that would pass for temperature
//! (12 % of alpha in the campaign of tests/curve_campaign.rs).

use crate::curve::linear::{Row, reduce};
use crate::curve::points::Conditions;
use crate::quantities::{Amps, STC_IRRADIANCE, STC_TEMPERATURE, Volts};

/// With this many curves the plane through them has no scatter of its own; it takes one more.
pub(super) const FEWEST: usize = 3;

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
    /// How `Isc/(G/1000)` departs from a constant, per 1000 W/m2 (A).
    pub bend: Coefficient,
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
    #[error(
        "coefficients: {found} curves say something of them, but at least {needed} are needed; add more"
    )]
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
    // Divided by suns, Isc would count the more the fainter the light.
    let current = |at: &Observed| {
        let suns = suns(at);
        ([suns, suns * above(at), suns * (suns - 1.0)], at.isc.0)
    };
    let [isc_stc, alpha, bend] = line(&curves.iter().map(current).collect::<Vec<_>>())?;
    let voltage = |at: &Observed| ([1.0, above(at), suns(at).ln()], at.voc.0);
    let [voc_stc, beta, change] = line(&curves.iter().map(voltage).collect::<Vec<_>>())?;
    let share = |c: Coefficient| Coefficient {
        value: c.value / voc_stc.value,
        uncertainty: c.uncertainty / voc_stc.value,
    };
    Ok(Coefficients { isc_stc, alpha, bend, voc_stc, beta, a: share(change) })
}

/// Residuals beyond so many standard deviations count less: Huber's choice, which has 95 % of least
/// squares' efficiency where the errors are normal (Huber 1981, Robust Statistics; from memory).
const HUBER: f64 = 1.345;
/// The standard deviation of normal errors over the median of their magnitudes.
const MEDIAN_TO_DEVIATION: f64 = 1.4826;
/// With fewer rows for each unknown, the median residual says little about the scatter.
const ROWS_EACH: usize = 4;
/// Rounds of new weights: each takes away most of what is left of an outlier's pull.
const ROUNDS: usize = 20;

/// Least squares that a few outliers can't bend, with the standard uncertainties that the scatter gives.
///
/// A cloud's edge in one of a hundred curves moves a temperature coefficient by a fifth in plain least
/// squares. Weights after Huber (1964, Annals of Mathematical Statistics 35, 73-101) take its pull away,
/// by least squares again and again; the covariance is that of Huber's proposal (1973, Annals of
/// Statistics 1, 799-821). Both from memory; `tests/curve_translate.rs` holds them by their promises.
pub(super) fn line<const N: usize>(rows: &[Row<N>]) -> Result<[Coefficient; N], CoefficientError> {
    let triangle = reduce(&mut rows.to_vec());
    let (Some(mut values), Some(inverse)) = (triangle.solve(), triangle.inverse_gram()) else {
        return Err(CoefficientError::NotApart);
    };
    let free = rows.len().saturating_sub(N).max(1) as f64;
    let mut variance = triangle.rest / free;
    if rows.len() >= ROWS_EACH * N {
        for _ in 0..ROUNDS {
            let rest: Vec<f64> = rows.iter().map(|row| residual(row, &values)).collect();
            let bound = HUBER * MEDIAN_TO_DEVIATION * median_magnitude(&rest);
            if bound <= 0.0 {
                break;
            }
            let within = rest.iter().filter(|rest| rest.abs() <= bound).count() as f64;
            let held: f64 = rest.iter().map(|rest| rest.abs().min(bound).powi(2)).sum();
            variance = held / free * (rest.len() as f64 / within).powi(2);
            let weighted = |(row, rest): (&Row<N>, &f64)| {
                let weight = (bound / rest.abs()).min(1.0).sqrt();
                (row.0.map(|c| c * weight), row.1 * weight)
            };
            let mut weighted: Vec<Row<N>> = rows.iter().zip(&rest).map(weighted).collect();
            values = reduce(&mut weighted).solve().ok_or(CoefficientError::NotApart)?;
        }
    }
    let mut found = [Coefficient { value: 0.0, uncertainty: 0.0 }; N];
    for (k, c) in found.iter_mut().enumerate() {
        *c = Coefficient { value: values[k], uncertainty: (variance * inverse[k][k]).sqrt() };
    }
    Ok(found)
}

fn residual<const N: usize>((row, right): &Row<N>, values: &[f64; N]) -> f64 {
    right - row.iter().zip(values).map(|(c, value)| c * value).sum::<f64>()
}

fn median_magnitude(rest: &[f64]) -> f64 {
    let mut sizes: Vec<f64> = rest.iter().map(|rest| rest.abs()).collect();
    sizes.sort_by(f64::total_cmp);
    sizes[sizes.len() / 2]
}
