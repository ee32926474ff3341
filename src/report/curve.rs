//! A curve for people: table in the terminal, JSON, and what a picture is drawn of.
//!
//! Model: [`CurveReport::new`] runs the curve room's steps in their order (quality of the curve as
//! measured, correction to the mean irradiance with the fit's `Rs`, correction to wanted conditions,
//! parameters, fit, budget) and keeps what each of them said, errors included: what can't be known is
//! told as such, never left out in silence.

use super::curve_budget;
use super::table::align;
use crate::curve::fit::{Fit, FitError, Identified, Residual, fit};
use crate::curve::quality::{Grade, Quality, Reason, quality};
use crate::curve::uncertainty::{
    Analysis, AnalysisError, Budget, Correction, Figures, Inputs, PROBABILITY, Quantity, Spec,
    Stated, budget,
};
use crate::curve::{Curve, Method, Parameters, other_windows, parameters};
use crate::yields::OverBack;
use serde_json::{Value, json};
use std::fmt::Write;

/// Correlation of neighbouring residuals above which they are no noise; a hundred points of noise
/// stay below 0.3.
const PATTERN: f64 = 0.5;

/// What is told in place of a budget.
const UNSTEADY: &str =
    "\nno uncertainty is stated: the irradiance changed by more than can be made good\n";

/// Whether the light moved so much that the instruments' errors are the smaller part: an uncertainty
/// made of those would cover the truth half of the time (tests/sweep_clouds.rs).
fn is_unsteady(quality: &Quality) -> bool {
    let moved =
        |(grade, why): &(Grade, Reason)| *grade == Grade::Poor && matches!(why, Reason::Drift(_));
    quality.reasons.iter().any(moved)
}

/// What is wanted of a curve.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Wanted {
    /// How it is summed up.
    pub method: Method,
    /// Correction to other conditions.
    pub correction: Option<Correction>,
    /// Area (m2).
    pub area: Option<f64>,
    /// What is known of the instruments; without it no uncertainty is stated.
    pub inputs: Option<Inputs>,
    /// How late the irradiance is (s).
    pub delay: f64,
}

impl Wanted {
    /// Parameters of the curve, with the uncertainties that follow from what is stated of the bench.
    #[must_use]
    pub fn of(method: Method, stated: Option<&Stated>) -> Self {
        let Stated { delay, area, .. } = *stated.unwrap_or(&Stated::NOTHING);
        Self { method, correction: None, area, inputs: stated.map(|stated| stated.inputs), delay }
    }
}

/// A curve and all that is said about it.
#[derive(Clone, Debug)]
pub struct CurveReport {
    /// What it is called.
    pub name: String,
    /// The points that were summed up: corrected, where that was possible or wanted.
    pub curve: Curve,
    /// Whether the points were moved to their mean irradiance.
    pub levelled: bool,
    /// Whether the points were moved to wanted conditions.
    pub corrected: bool,
    /// Grade of the curve as measured.
    pub quality: Quality,
    /// Its parameters.
    pub parameters: Parameters,
    /// The single diode behind it.
    pub fit: Result<Fit, FitError>,
    /// Uncertainties.
    pub budget: Option<Budget>,
    /// What they were made of.
    pub stated: Option<Stated>,
    /// Figures in the order of [`Quantity::ALL`].
    pub figures: Figures,
    /// How warm the cells were taken to be, where a log has the back of the module.
    pub over_back: Option<OverBack>,
}

impl CurveReport {
    /// Looks at a curve; `back` is the other direction of the sweep, if there was one.
    ///
    /// # Errors
    /// [`AnalysisError`] where the curve has no crest or can't be moved to the wanted conditions.
    pub fn new(
        name: &str,
        curve: &Curve,
        back: Option<&Curve>,
        wanted: &Wanted,
    ) -> Result<Self, AnalysisError> {
        let quality = quality(curve, back);
        let lit = curve.mean_irradiance().is_some_and(|g| g.0 > 0.0);
        // Levelling needs a series resistance: that of the fit, if there is one.
        let first = fit(curve, Residual::Current);
        let series = first.as_ref().ok().map(|fit| fit.series.value).filter(|_| lit);
        let Wanted { method, correction, area, inputs, delay } = *wanted;
        let analysis = Analysis { method, series, correction, area, delay };
        let last = analysis.curve(curve)?;
        let parameters = parameters(&last, &method)?;
        // Levelling is as good as the fit's Rs, unless somebody states how good that is.
        let of_fit = first.as_ref().ok().filter(|_| correction.is_none());
        let inputs = inputs.filter(|_| !is_unsteady(&quality));
        let inputs = inputs.map(|inputs| match of_fit {
            Some(fit) if inputs.series == Spec::NONE => {
                let share = fit.series.uncertainty.0 / fit.series.value.0;
                // Not fixed by the points: it may be anything up to twice the value.
                let share = if share.is_finite() { share.min(1.0) } else { 1.0 };
                Inputs { series: Spec::Standard(share), ..inputs }
            }
            _ => inputs,
        });
        let budget = inputs.map(|inputs| budget(curve, &analysis, &inputs)).transpose()?;
        // The points come out with the light of their own time.
        let stated = inputs.map(|inputs| Stated { inputs, delay: 0.0, area });
        let figures = analysis.figures(curve)?;
        let fit = fit(&last, Residual::Current);
        Ok(Self {
            name: name.to_owned(),
            levelled: series.is_some(),
            corrected: correction.is_some(),
            quality,
            parameters,
            fit,
            budget,
            stated,
            figures,
            over_back: None,
            curve: last,
        })
    }

    /// The tables for a terminal.
    #[must_use]
    pub fn table(&self) -> String {
        let mut text = format!("{}: {} curve\n", self.name, self.quality.grade.word());
        for (grade, reason) in &self.quality.reasons {
            let _ = writeln!(text, "  {}: {}", grade.word(), reason.text());
        }
        let _ = writeln!(text, "{}", self.conditions());
        if let Some(over) = self.over_back() {
            let _ = writeln!(text, "cells: {over}");
        }
        text.push('\n');
        text.push_str(&self.figure_table());
        text.push('\n');
        text.push_str(&self.fit_table());
        if is_unsteady(&self.quality) {
            text.push_str(UNSTEADY);
        }
        if let Some(budget) = &self.budget {
            text.push('\n');
            text.push_str(&curve_budget::table(budget));
        }
        text
    }

    /// How warm the cells were taken to be, where that made their temperature.
    pub(super) fn over_back(&self) -> Option<OverBack> {
        self.over_back.filter(|_| self.curve.mean_cell().is_some())
    }

    fn conditions(&self) -> String {
        let points = self.curve.points().len();
        let at = match (self.curve.mean_irradiance(), self.curve.mean_cell()) {
            (Some(g), Some(t)) => format!("{g:.1}, {t:.1}"),
            (Some(g), None) => format!("{g:.1}, cell temperature unknown"),
            (None, Some(t)) => format!("irradiance unknown, {t:.1}"),
            (None, None) => "irradiance and cell temperature unknown".to_owned(),
        };
        let how = match (self.corrected, self.levelled) {
            (true, _) => "corrected to",
            (false, true) => "each point corrected to the mean of",
            (false, false) => "as measured at",
        };
        format!("{points} points, {how} {at}")
    }

    fn figure_table(&self) -> String {
        let p = &self.parameters;
        let mut rows = Vec::new();
        for (quantity, value) in Quantity::ALL.into_iter().zip(self.figures) {
            let (symbol, unit) = quantity.symbol();
            let note = match quantity {
                Quantity::Isc => p.isc.origin.word().to_owned(),
                Quantity::Voc => p.voc.origin.word().to_owned(),
                Quantity::Pmp => self.window_note(),
                _ => String::new(),
            };
            if value.is_nan() && quantity == Quantity::Efficiency {
                continue;
            }
            let shown = if value.is_nan() { "unknown".to_owned() } else { digits(value) };
            let budget = self.budget.as_ref();
            let known = budget.and_then(|b| Some((b.expanded(quantity)?.1, b.factor(quantity))));
            let [expanded, k] = known
                .map_or([String::new(), String::new()], |(u, k)| [spread(u), format!("{k:.2}")]);
            rows.push(vec![symbol.to_owned(), shown, expanded, k, unit.to_owned(), note]);
        }
        let slope = |name: &str, slope: Option<crate::quantities::Ohms>| {
            let value = slope.map_or("flat".to_owned(), |ohms| digits(ohms.0));
            let none = String::new;
            vec![name.to_owned(), value, none(), none(), "ohm".to_owned(), none()]
        };
        rows.push(slope("-dV/dI at Isc", p.isc.slope));
        rows.push(slope("-dV/dI at Voc", p.voc.slope));
        let [uncertainty, k] = if self.budget.is_some() { ["U (95 %)", "k"] } else { ["", ""] };
        align(&["figure", "value", uncertainty, k, "unit", ""], &rows)
    }

    /// How much of Pmp hangs on the window.
    fn window_note(&self) -> String {
        let pmp = self.parameters.pmp;
        let others = other_windows(&self.curve);
        let shares = others.iter().filter_map(|o| o.pmp).map(|other| 100.0 * (other / pmp - 1.0));
        let (low, high) =
            shares.fold((0.0_f64, 0.0_f64), |range, x| (range.0.min(x), range.1.max(x)));
        format!("{low:+.3} to {high:+.3} % by other windows")
    }

    fn fit_table(&self) -> String {
        let fit = match &self.fit {
            Ok(fit) => fit,
            Err(error) => return format!("{error}\n"),
        };
        let row = |name: &str, (value, u): (f64, f64), unit: &str, how: Identified| {
            let cells = [name, &digits(value), &spread(u), unit, how.words()];
            cells.map(str::to_owned).to_vec()
        };
        let (il, i0, rs) = (&fit.photocurrent, &fit.saturation, &fit.series);
        let (rsh, a) = (&fit.shunt, &fit.ideality);
        let rows = [
            row("IL", (il.value.0, il.uncertainty.0), "A", il.identified),
            row("I0", (i0.value.0, i0.uncertainty.0), "A", i0.identified),
            row("Rs", (rs.value.0, rs.uncertainty.0), "ohm", rs.identified),
            row("Rsh", (rsh.value.0, rsh.uncertainty.0), "ohm", rsh.identified),
            row("a", (a.value.0, a.uncertainty.0), "V", a.identified),
        ];
        let mut text = align(&["single diode", "value", "u (k = 1)", "unit", ""], &rows);
        let (worst, at) = fit.worst;
        let (rmse, worst) = (short(fit.rmse.0), short(worst.0.abs()));
        let _ = writeln!(text, "residual of current {rmse} A (rms), at most {worst} A at {at:.2}");
        if fit.pattern > PATTERN {
            text.push_str("the residual follows a pattern: no single diode, or not at rest\n");
        }
        text
    }

    /// What is known of the instruments, as comments for a table of the points; says so where it is
    /// nothing.
    #[must_use]
    pub fn stated_comment(&self) -> String {
        let stated = self.stated.map(|stated| stated.to_comment()).filter(|text| !text.is_empty());
        stated.unwrap_or_else(|| "# nothing is stated of the instruments' errors\n".to_owned())
    }

    /// Everything as JSON; what is not known is `null`.
    #[must_use]
    pub fn json(&self) -> String {
        self.value().to_string()
    }

    pub(super) fn value(&self) -> Value {
        let figures: serde_json::Map<String, Value> = Quantity::ALL
            .into_iter()
            .zip(self.figures)
            .map(|(quantity, value)| {
                let (symbol, unit) = quantity.symbol();
                let expanded = self.budget.as_ref().and_then(|b| b.expanded(quantity));
                let k = self.budget.as_ref().map(|b| b.factor(quantity));
                let entry = json!({
                    "value": known(value), "unit": unit, "expanded": expanded.map(|(_, u)| u),
                    "coverage_factor": expanded.and(k),
                });
                (symbol.to_owned(), entry)
            })
            .collect();
        let reasons: Vec<Value> = self
            .quality
            .reasons
            .iter()
            .map(|(grade, reason)| json!({ "grade": grade.word(), "reason": reason.text() }))
            .collect();
        let p = &self.parameters;
        let windows = other_windows(&self.curve).map(|other| {
            let pmp = other.pmp.map(|pmp| pmp.0);
            json!({ "low": other.window.low, "high": other.window.high, "pmp_w": pmp })
        });
        json!({
            "name": self.name,
            "points": self.curve.points().len(),
            "irradiance_w_m2": self.curve.mean_irradiance().map(|g| g.0),
            "cell_temperature_degc": self.curve.mean_cell().map(|t| t.0),
            "cell_over_back_k": self.over_back().map(OverBack::kelvin),
            "at_mean_irradiance": self.levelled,
            "corrected": self.corrected,
            "grade": self.quality.grade.word(),
            "reasons": reasons,
            "figures": figures,
            "coverage_probability": self.budget.as_ref().map(|_| PROBABILITY),
            "isc_origin": p.isc.origin.word(),
            "voc_origin": p.voc.origin.word(),
            "slope_at_isc_ohm": p.isc.slope.map(|ohms| ohms.0),
            "slope_at_voc_ohm": p.voc.slope.map(|ohms| ohms.0),
            "pmp_by_other_windows": windows,
            "fit": self.fit.as_ref().ok().map(fit_json),
            "no_fit": self.fit.as_ref().err().map(ToString::to_string),
            "budget": self.budget.as_ref().map(curve_budget::json),
        })
    }
}

/// A number or nothing: JSON has no NaN and no infinity.
pub(super) fn known(value: f64) -> Option<f64> {
    value.is_finite().then_some(value)
}

fn fit_json(fit: &Fit) -> Value {
    let entry = |value: f64, u: f64, how: &str| json!({ "value": known(value), "standard_uncertainty": known(u), "identified": how });
    let (il, i0, rs) = (&fit.photocurrent, &fit.saturation, &fit.series);
    let (rsh, a) = (&fit.shunt, &fit.ideality);
    json!({
        "residual": "current",
        "photocurrent_a": entry(il.value.0, il.uncertainty.0, il.identified.words()),
        "saturation_current_a": entry(i0.value.0, i0.uncertainty.0, i0.identified.words()),
        "series_resistance_ohm": entry(rs.value.0, rs.uncertainty.0, rs.identified.words()),
        "shunt_resistance_ohm": entry(rsh.value.0, rsh.uncertainty.0, rsh.identified.words()),
        "modified_ideality_v": entry(a.value.0, a.uncertainty.0, a.identified.words()),
        "correlation": fit.correlation,
        "rmse_a": fit.rmse.0,
        "largest_residual_a": fit.worst.0.0,
        "largest_residual_at_v": fit.worst.1.0,
        "pattern": fit.pattern,
    })
}

/// Six significant digits; small numbers with an exponent.
pub(super) fn digits(value: f64) -> String {
    if value == 0.0 || !value.is_finite() {
        return value.to_string();
    }
    if value.abs() < 1e-3 || value.abs() >= 1e6 {
        return format!("{value:.5e}");
    }
    let before = value.abs().log10().floor();
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "0 to 8")]
    let after = (5.0 - before).clamp(0.0, 8.0) as usize;
    format!("{value:.after$}")
}

/// A standard uncertainty; one without a bound is not known.
pub(super) fn spread(u: f64) -> String {
    if u.is_finite() { format!("+-{}", short(u)) } else { "unknown".to_owned() }
}

/// Two significant digits.
pub(super) fn short(value: f64) -> String {
    if value == 0.0 || !value.is_finite() {
        return value.to_string();
    }
    if value.abs() < 1e-4 || value.abs() >= 1e4 {
        return format!("{value:.1e}");
    }
    let before = value.abs().log10().floor();
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "0 to 5")]
    let after = (1.0 - before).clamp(0.0, 5.0) as usize;
    format!("{value:.after$}")
}
