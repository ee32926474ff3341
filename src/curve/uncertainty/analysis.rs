//! The way from readings to figures, as one function of all its inputs.

use super::COMMON;
use crate::curve::parameters::{Method, Parameters, ParametersError, efficiency, parameters};
use crate::curve::points::{Conditions, Curve, Point};
use crate::curve::translate::{Procedure, SeriesAt, TranslateError, translate};
use crate::quantities::{Amps, Celsius, Irradiance, Ohms, Volts};

/// A correction to wanted conditions.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Correction {
    /// The procedure; its Isc and Voc are replaced by those of the curve itself.
    pub procedure: Procedure,
    /// Where to.
    pub to: Conditions,
}

/// How figures are made of readings.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Analysis {
    /// How a curve is summed up.
    pub method: Method,
    /// Series resistance (ohm) for the correction to the mean irradiance; without it points stay as
    /// they are.
    pub series: Option<Ohms>,
    /// Correction to wanted conditions, if any.
    pub correction: Option<Correction>,
    /// Area (m2), for the efficiency; a concentrator's aperture.
    pub area: Option<f64>,
    /// How late the irradiance is beside volts and amps (s): a sensor's lag. Each point then takes the
    /// irradiance told so much later.
    pub delay: f64,
}

impl Analysis {
    /// Readings as they are, and nothing but parameters.
    #[must_use]
    pub const fn plain(method: Method) -> Self {
        Self { method, series: None, correction: None, area: None, delay: 0.0 }
    }
}

/// A figure of a curve.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Quantity {
    /// Short-circuit current (A).
    Isc,
    /// Open-circuit voltage (V).
    Voc,
    /// Power at the crest (W).
    Pmp,
    /// Voltage at the crest (V).
    Vmp,
    /// Current at the crest (A).
    Imp,
    /// Fill factor (1).
    FillFactor,
    /// Efficiency (1).
    Efficiency,
}

impl Quantity {
    /// All, in the order of [`Figures`].
    pub const ALL: [Self; 7] =
        [Self::Isc, Self::Voc, Self::Pmp, Self::Vmp, Self::Imp, Self::FillFactor, Self::Efficiency];

    /// Symbol and unit.
    #[must_use]
    pub const fn symbol(self) -> (&'static str, &'static str) {
        match self {
            Self::Isc => ("Isc", Amps::UNIT),
            Self::Voc => ("Voc", Volts::UNIT),
            Self::Pmp => ("Pmp", "W"),
            Self::Vmp => ("Vmp", Volts::UNIT),
            Self::Imp => ("Imp", Amps::UNIT),
            Self::FillFactor => ("FF", "1"),
            Self::Efficiency => ("efficiency", "1"),
        }
    }
}

/// Numbers in the order of [`Quantity::ALL`], in SI units; NaN where there is none.
pub type Figures = [f64; Quantity::ALL.len()];

/// Errors of the common inputs.
#[derive(Clone, Copy, Debug)]
pub(super) struct Shift {
    /// In the order of [`COMMON`].
    pub(super) errors: [f64; COMMON.len()],
    /// As [`Inputs::raised`](super::Inputs::raised).
    pub(super) raised: f64,
}

impl Shift {
    /// No errors.
    pub(super) const NONE: Self = Self { errors: [0.0; COMMON.len()], raised: 0.0 };
}

impl Analysis {
    /// Figures of a curve as measured.
    ///
    /// # Errors
    /// [`ParametersError`] where the crest can't be found, [`TranslateError`] where the correction
    /// gives no curve.
    pub fn figures(&self, curve: &Curve) -> Result<Figures, AnalysisError> {
        self.shifted(curve.clone(), &Shift::NONE).map(|found| found.1)
    }

    /// The curve as it is summed up in the end.
    ///
    /// # Errors
    /// As [`Self::figures`].
    pub fn curve(&self, curve: &Curve) -> Result<Curve, AnalysisError> {
        self.shifted(curve.clone(), &Shift::NONE).map(|found| found.0)
    }

    /// The last curve and its figures, had the common inputs these errors.
    pub(super) fn shifted(
        &self,
        curve: Curve,
        shift: &Shift,
    ) -> Result<(Curve, Figures), AnalysisError> {
        let errors = &shift.errors;
        let mut curve = read(curve, shift);
        let delay = self.delay + errors[14];
        if delay != 0.0 {
            curve = on_time(curve, delay);
        }
        let mut lit = curve.mean_irradiance();
        if let (Some(series), Some(_)) = (self.series, lit) {
            let series = series * (1.0 + errors[9]);
            let isc = short_circuit(&curve);
            curve = curve.at_mean_irradiance(isc, series).map_err(TranslateError::from)?;
        }
        if let Some(correction) = &self.correction {
            let from = curve.conditions().ok_or(AnalysisError::NoConditions)?;
            let found = parameters(&curve, &self.method)?;
            ends_known(&correction.procedure, &found)?;
            let procedure = moved(&correction.procedure, &found, errors);
            curve = translate(&curve, from, correction.to, &procedure)?;
            lit = Some(correction.to.irradiance);
        }
        let found = parameters(&curve, &self.method)?;
        let area = self.area.map(|area| area * (1.0 + errors[11]));
        let share = lit.zip(area).and_then(|(lit, area)| efficiency(found.pmp, lit, area));
        let figures = [
            found.isc.value.map_or(f64::NAN, |isc| isc.0),
            found.voc.value.map_or(f64::NAN, |voc| voc.0),
            found.pmp.0,
            found.vmp.0,
            found.imp.0,
            found.ff.unwrap_or(f64::NAN),
            share.unwrap_or(f64::NAN),
        ];
        Ok((curve, figures))
    }
}

/// Why a curve has no figures.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum AnalysisError {
    /// No parameters.
    #[error(transparent)]
    Parameters(#[from] ParametersError),
    /// No corrected curve.
    #[error(transparent)]
    Translate(#[from] TranslateError),
    /// A correction needs to know where it starts.
    #[error(
        "correction: irradiance or cell temperature is not known at every point; add both columns \
         to the curve, or leave the correction out"
    )]
    NoConditions,
    /// A procedure needs an end that the curve does not reach.
    #[error(
        "correction: this procedure needs {end} of the curve itself, which is out of reach: sweep \
         nearer to that end, or take procedure 2 of 2021, which needs neither"
    )]
    NoEnd {
        /// `Isc` or `Voc`.
        end: &'static str,
    },
}

/// Whether the curve has the ends that its correction begins with.
fn ends_known(procedure: &Procedure, found: &Parameters) -> Result<(), AnalysisError> {
    let missing = match procedure {
        Procedure::One(_) | Procedure::Four(_) if found.isc.value.is_none() => Some("Isc"),
        Procedure::Two(_) if found.voc.value.is_none() => Some("Voc"),
        _ => None,
    };
    missing.map_or(Ok(()), |end| Err(AnalysisError::NoEnd { end }))
}

/// The readings, had the common inputs these errors.
fn read(curve: Curve, shift: &Shift) -> Curve {
    let errors = &shift.errors;
    let [v_gain, v_offset, i_gain, i_offset, g_gain, g_offset, warmer, ..] = *errors;
    if errors.iter().all(|error| *error == 0.0) {
        return curve;
    }
    let (above, leads) = (v_offset + v_gain * shift.raised + errors[12], Ohms(errors[13]));
    curve.each(|p| Point {
        volts: p.volts * (1.0 + v_gain) + Volts(above) + p.amps * leads,
        amps: p.amps * (1.0 + i_gain) + Amps(i_offset),
        irradiance: p.irradiance.map(|g| g * (1.0 + g_gain) + Irradiance(g_offset)),
        cell: p.cell.map(|t| t + Celsius(warmer)),
        ..*p
    })
}

/// Share of a curve's points whose straight line over time tells how the irradiance changes at a point:
/// of 100 points 25, which leaves 3 % of one reading's noise in the change from one to the next.
const TREND: usize = 4;

/// Each point with the irradiance `delay` (s) later: its own plus the delay times the slope of its
/// neighbours'. The curve as it is, where times or irradiances lack.
///
/// Rejected: the later points' own readings. At the end of a sweep, where Isc or Voc is, there are none.
fn on_time(curve: Curve, delay: f64) -> Curve {
    const MICROS: f64 = 1e6;
    let Some(first) = curve.points().first().and_then(|p| p.utc) else { return curve };
    #[expect(clippy::cast_precision_loss, reason = "the microseconds of a sweep")]
    let time = |p: &Point| Some(p.utc?.as_micros().saturating_sub(first.as_micros()) as f64);
    let told = |p: &Point| Some((time(p)? / MICROS, p.irradiance?.0));
    let Some(mut told) = curve.points().iter().map(told).collect::<Option<Vec<_>>>() else {
        return curve;
    };
    told.sort_by(|a, b| a.0.total_cmp(&b.0));
    let count = told.len() / TREND;
    let around = |time: f64| {
        let at = told.partition_point(|(earlier, _)| *earlier < time);
        let from = at.saturating_sub(count / 2).min(told.len() - count);
        slope(&told[from..from + count])
    };
    curve.each(|p| {
        let change = time(p).map_or(0.0, |time| delay * around(time / MICROS));
        Point { irradiance: p.irradiance.map(|g| g + Irradiance(change)), ..*p }
    })
}

/// Slope of the straight line through points; 0 where there is none.
fn slope(points: &[(f64, f64)]) -> f64 {
    let count = points.len() as f64;
    let middle = points.iter().map(|p| p.0).sum::<f64>() / count;
    let spread: f64 = points.iter().map(|p| (p.0 - middle).powi(2)).sum();
    let tilt: f64 = points.iter().map(|p| (p.0 - middle) * p.1).sum();
    if spread > 0.0 { tilt / spread } else { 0.0 }
}

/// Current (A) nearest to 0 V, brought to the mean irradiance.
fn short_circuit(curve: &Curve) -> Amps {
    let near = |a: &&Point, b: &&Point| a.volts.0.abs().total_cmp(&b.volts.0.abs());
    let Some(p) = curve.points().iter().min_by(near) else { return Amps(0.0) };
    match (p.irradiance, curve.mean_irradiance()) {
        (Some(own), Some(mean)) if own.0 > 0.0 => p.amps * (mean / own),
        _ => p.amps,
    }
}

/// The procedure with the curve's own ends, had its coefficients these relative errors.
fn moved(procedure: &Procedure, found: &Parameters, errors: &[f64; COMMON.len()]) -> Procedure {
    let [alpha, beta, ohms, kappa] = [7, 8, 9, 10].map(|k: usize| 1.0 + errors[k]);
    let series = |s: SeriesAt| SeriesAt { ohms: s.ohms * ohms, kappa: s.kappa * kappa, ..s };
    match *procedure {
        Procedure::One(mut one) => {
            one.isc = found.isc.value.unwrap_or(one.isc);
            one.alpha *= alpha;
            one.beta *= beta;
            one.series = series(one.series);
            Procedure::One(one)
        }
        Procedure::Two(mut two) => {
            two.voc = found.voc.value.unwrap_or(two.voc);
            two.alpha_rel *= alpha;
            two.beta_rel *= beta;
            two.series = series(two.series);
            Procedure::Two(two)
        }
        Procedure::Two2021(mut two) => {
            two.alpha_rel *= alpha;
            two.beta_rel *= beta;
            two.series = two.series * ohms;
            two.kappa *= kappa;
            Procedure::Two2021(two)
        }
        Procedure::Four(mut four) => {
            four.isc = found.isc.value.unwrap_or(four.isc);
            four.alpha *= alpha;
            four.series = four.series * ohms;
            Procedure::Four(four)
        }
    }
}
