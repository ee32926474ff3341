//! All coefficients of a procedure from the curves of a campaign, at whatever conditions they were
//! taken.
//!
//! Model: a laboratory keeps temperature or irradiance still and changes the other; outdoors both
//! change, so all coefficients come from all curves at once:
//!
//! 1. `Isc`, `Voc` of each curve, then [`coefficients`] and, for procedure 2 of 2021, its own `Voc`:
//!    `Voc = VocSTC (1/f(G) + b_rel f(G) (T - 25))`, `f = 1 + B1 ln(1000/G) + B2 ln^2(1000/G)`;
//! 2. `Rs` and `kappa` as the standard defines them, as those for which the curves, moved to one
//!    irradiance and temperature, agree best in Pmp: least squares over both, the slopes of Pmp by
//!    differences, each curve with the weight `G/1000` (moving it to 1000 W/m2 magnifies its errors by
//!    the inverse).
//!
//! The uncertainties are of the curves' scatter: an error common to all curves, as that of the
//! thermometer's place, is not in them. Rejected: picking pairs of like temperature out of the campaign (throws
//! most curves away, and what counts as alike decides the result).

use super::coefficients::{Coefficient, CoefficientError, Coefficients, FEWEST, Observed, line};
use super::{
    Procedure, Procedure1, Procedure2, Procedure4, Procedure2021, SeriesAt, coefficients, translate,
};
use crate::curve::linear::Row;
use crate::curve::parameters::{Method, parameters};
use crate::curve::points::{Conditions, Curve};
use crate::quantities::{Amps, Irradiance, Ohms, STC_IRRADIANCE, STC_TEMPERATURE, Volts};

/// Fainter curves are left out: the lowest irradiance of IEC 61853-1, down to which the
/// procedures are used.
pub const FAINTEST: Irradiance = Irradiance(100.0);
/// Steps of Gauss and Newton: what they look for is almost a straight line, and six leave rounding.
const STEPS: usize = 6;
/// Step of `Rs` for the slope of Pmp, as a share of Voc/Isc: large against the jumps that points make
/// which enter or leave the crest's window.
const SERIES_STEP: f64 = 0.01;
/// Step of `kappa` likewise, a share of Voc/Isc per kelvin.
const KAPPA_STEP: f64 = 1e-4;

/// Which procedure the coefficients are for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Form {
    /// Procedure 1.
    One,
    /// Procedure 2 of 2009.
    Two,
    /// Procedure 2 of 2021.
    Two2021,
    /// Procedure 4, with the number of cells in series.
    Four {
        /// Cells in series.
        cells: u32,
    },
}

/// How Voc depends on irradiance and temperature, for procedure 2 of 2021.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct VoltageFactors {
    /// Open-circuit voltage at standard conditions (V).
    pub voc_stc: Coefficient,
    /// Its temperature coefficient (V/K).
    pub beta: Coefficient,
    /// Irradiance correction factor `B1` (1).
    pub b1: Coefficient,
    /// Irradiance correction factor `B2` (1).
    pub b2: Coefficient,
}

/// What the curves of a campaign say of a device.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Campaign {
    /// Which procedure `series` and `kappa` are for.
    pub form: Form,
    /// Isc, Voc and their coefficients, as procedures 1 and 2 (2009) take them.
    pub plain: Coefficients,
    /// Voc and its coefficients as procedure 2 (2021) takes them.
    pub voltage: VoltageFactors,
    /// Series resistance at 25 degC (ohm).
    pub series: Coefficient,
    /// Curve correction factor (ohm/K); none in procedure 4, or where all curves have one temperature.
    pub kappa: Option<Coefficient>,
    /// Power of the crest at standard conditions (W), the mean of all moved curves.
    pub pmp_stc: Coefficient,
    /// Curves with both ends, brighter than [`FAINTEST`].
    pub used: usize,
}

impl Campaign {
    /// The procedure with these coefficients, for a curve with these ends.
    #[must_use]
    pub fn procedure(&self, isc: Amps, voc: Volts) -> Procedure {
        let kappa = self.kappa.map_or(0.0, |kappa| kappa.value);
        let series = SeriesAt { ohms: Ohms(self.series.value), kappa, at: Some(STC_TEMPERATURE) };
        with(self.form, &self.plain, &self.voltage, (isc, voc), series)
    }
}

/// Finds all coefficients of a procedure from curves at different conditions.
///
/// # Errors
/// [`CoefficientError`] where fewer than four curves can be used, or their conditions don't differ.
pub fn campaign(
    curves: &[(&Curve, Conditions)],
    method: &Method,
    form: Form,
) -> Result<Campaign, CoefficientError> {
    let mut used = Vec::new();
    let mut seen = Vec::new();
    for &(curve, conditions) in curves.iter().filter(|(_, at)| at.irradiance >= FAINTEST) {
        let Ok(found) = parameters(curve, method) else { continue };
        if let (Some(isc), Some(voc)) = (found.isc.value, found.voc.value) {
            used.push((curve, conditions));
            seen.push(Observed { conditions, isc, voc });
        }
    }
    let plain = coefficients(&seen)?;
    let voltage = voltage_factors(&seen, &plain)?;
    let make = |k: usize, series: SeriesAt| {
        with(form, &plain, &voltage, (seen[k].isc, seen[k].voc), series)
    };
    let found = series_resistance(&used, method, Conditions::STC, make)?;
    let Agreement { series, kappa, pmp } = found;
    Ok(Campaign { form, plain, voltage, series, kappa, pmp_stc: pmp, used: used.len() })
}

fn with(
    form: Form,
    plain: &Coefficients,
    voltage: &VoltageFactors,
    (isc, voc): (Amps, Volts),
    series: SeriesAt,
) -> Procedure {
    let (alpha, beta) = (plain.alpha.value, plain.beta.value);
    let alpha_rel = alpha / plain.isc_stc.value;
    match form {
        Form::One => Procedure::One(Procedure1 { isc, alpha, beta, series }),
        Form::Two => Procedure::Two(Procedure2 {
            voc,
            alpha_rel,
            beta_rel: beta / plain.voc_stc.value,
            a: plain.a.value,
            series,
        }),
        Form::Two2021 => Procedure::Two2021(Procedure2021 {
            voc_stc: Volts(voltage.voc_stc.value),
            alpha_rel,
            beta_rel: voltage.beta.value / voltage.voc_stc.value,
            b1: voltage.b1.value,
            b2: voltage.b2.value,
            series: series.ohms,
            kappa: series.kappa,
        }),
        Form::Four { cells } => {
            Procedure::Four(Procedure4 { isc, alpha, series: series.ohms, cells })
        }
    }
}

/// The four numbers of Voc that procedure 2 of 2021 needs, from curves at any conditions; `plain` is
/// where the search begins.
///
/// # Errors
/// [`CoefficientError::NotApart`] where the curves don't differ in both irradiance and temperature.
pub fn voltage_factors(
    curves: &[Observed],
    plain: &Coefficients,
) -> Result<VoltageFactors, CoefficientError> {
    let mut theta = [plain.voc_stc.value, plain.beta.value, plain.a.value, 0.0];
    let mut found = [Coefficient { value: 0.0, uncertainty: 0.0 }; 4];
    for _ in 0..STEPS {
        let [voc_stc, beta, b1, b2] = theta;
        let row = |at: &Observed| -> Row<4> {
            let log = (STC_IRRADIANCE / at.conditions.irradiance).ln();
            let above = (at.conditions.cell - STC_TEMPERATURE).0;
            let f = 1.0 + log * (b1 + b2 * log);
            let by_f = beta * above - voc_stc / (f * f);
            let model = voc_stc / f + beta * f * above;
            ([1.0 / f, f * above, by_f * log, by_f * log * log], at.voc.0 - model)
        };
        found = line(&curves.iter().map(row).collect::<Vec<_>>())?;
        for (value, step) in theta.iter_mut().zip(&mut found) {
            *value += step.value;
            step.value = *value;
        }
    }
    let [voc_stc, beta, b1, b2] = found;
    Ok(VoltageFactors { voc_stc, beta, b1, b2 })
}

/// What makes moved curves agree, and in which power.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Agreement {
    /// Series resistance at 25 degC (ohm).
    pub series: Coefficient,
    /// Curve correction factor (ohm/K), where it has an influence.
    pub kappa: Option<Coefficient>,
    /// Pmp at the conditions they were moved to (W).
    pub pmp: Coefficient,
}

/// The series resistance and `kappa` for which curves agree best in Pmp once they are moved to `to`
/// (IEC 60891, from public code). `procedure` is asked for the procedure of each curve, given its
/// place and a trial of both.
///
/// # Errors
/// [`CoefficientError`] where fewer than four curves can be moved, or they don't differ in irradiance.
pub fn series_resistance(
    curves: &[(&Curve, Conditions)],
    method: &Method,
    to: Conditions,
    procedure: impl Fn(usize, SeriesAt) -> Procedure,
) -> Result<Agreement, CoefficientError> {
    let (first, _) = curves.first().ok_or(CoefficientError::TooFew { found: 0, needed: FEWEST })?;
    let scale = resistance(first, method)?;
    let (h, h_kappa) = (SERIES_STEP * scale, KAPPA_STEP * scale);
    let power = |k: usize, series: f64, kappa: f64| {
        let series = SeriesAt { ohms: Ohms(series), kappa, at: Some(STC_TEMPERATURE) };
        let (curve, from) = curves[k];
        let moved = translate(curve, from, to, &procedure(k, series)).ok()?;
        Some(parameters(&moved, method).ok()?.pmp.0)
    };
    let (mut series, mut kappa) = (0.0, 0.0);
    let mut found = Err(CoefficientError::NoCrest);
    for _ in 0..STEPS {
        let row = |k: usize| -> Option<Row<3>> {
            let here = power(k, series, kappa)?;
            let by_series = power(k, series + h, kappa)? - here;
            let by_kappa = power(k, series, kappa + h_kappa)? - here;
            let weight = curves[k].1.irradiance / STC_IRRADIANCE;
            Some(([weight, -by_series * weight, -by_kappa * weight], here * weight))
        };
        let rows: Vec<Row<3>> = (0..curves.len()).filter_map(row).collect();
        let (pmp, by_series, by_kappa) = step(&rows)?;
        let times = |c: Coefficient, unit: f64, before: f64| Coefficient {
            value: before + unit * c.value,
            uncertainty: unit * c.uncertainty,
        };
        let found_series = times(by_series, h, series);
        let found_kappa = by_kappa.map(|c| times(c, h_kappa, kappa));
        series = found_series.value;
        kappa = found_kappa.map_or(0.0, |kappa| kappa.value);
        found = Ok(Agreement { series: found_series, kappa: found_kappa, pmp });
    }
    found
}

/// One step: Pmp, and how many steps of `Rs` and `kappa` to go.
fn step(
    rows: &[Row<3>],
) -> Result<(Coefficient, Coefficient, Option<Coefficient>), CoefficientError> {
    if rows.len() <= FEWEST {
        return Err(CoefficientError::TooFew { found: rows.len(), needed: FEWEST + 1 });
    }
    if rows.iter().all(|(row, _)| row[2] == 0.0) {
        let two = |(row, right): &Row<3>| ([row[0], row[1]], *right);
        let [pmp, series] = line(&rows.iter().map(two).collect::<Vec<_>>())?;
        return Ok((pmp, series, None));
    }
    let [pmp, series, kappa] = line(rows)?;
    Ok((pmp, series, Some(kappa)))
}

/// Voc over Isc (ohm): the size of what is looked for.
fn resistance(curve: &Curve, method: &Method) -> Result<f64, CoefficientError> {
    let found = parameters(curve, method).map_err(|_| CoefficientError::NoCrest)?;
    Ok(found.vmp.0 / found.imp.0)
}
