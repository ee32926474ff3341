//! Many curves of one device: a line each, and what all of them together say.
//!
//! Model: [`Trend::new`] takes the reports of single curves. Those graded poor, fainter than
//! [`FAINTEST`], without known conditions or already corrected say nothing about coefficients and are left
//! out of them; how many were used is told. From the rest come the coefficients of a procedure of IEC
//! 60891 ([`campaign`]) and one single diode with De Soto's scaling ([`fit_several`]). Corrected curves tell
//! how the device changes over time instead. What can't be found is told with its reason.

use super::curve::{CurveReport, digits, known, short, spread};
use super::curve_change::Changes;
use super::table::align;
use crate::curve::fit::{FitError, Identified, Known, Lit, SeveralFit, fit_several};
use crate::curve::quality::Grade;
use crate::curve::translate::{Campaign, Coefficient, CoefficientError, FAINTEST, Form, campaign};
use crate::curve::{Conditions, Curve, Method};
use serde_json::{Value, json};
use std::fmt::Write;

/// What curves of one device say together.
#[derive(Clone, Debug)]
pub struct Trend<'a> {
    reports: &'a [CurveReport],
    /// Coefficients of a procedure; none where the curves are corrected already.
    pub coefficients: Option<Result<Campaign, CoefficientError>>,
    /// The single diode behind all curves, likewise.
    pub device: Option<Result<SeveralFit, FitError>>,
}

impl<'a> Trend<'a> {
    /// Looks at all curves, summed up with `method`; coefficients are for the procedure `form`.
    #[must_use]
    pub fn new(reports: &'a [CurveReport], method: &Method, form: Form) -> Self {
        if reports.iter().any(|report| report.corrected) {
            return Self { reports, coefficients: None, device: None };
        }
        let usable = usable(reports);
        let lit: Vec<Lit<'_>> =
            usable.iter().map(|&(curve, conditions)| Lit { curve, conditions }).collect();
        Self {
            reports,
            coefficients: Some(campaign(&usable, method, form)),
            device: Some(fit_several(&lit)),
        }
    }

    /// The tables for a terminal.
    #[must_use]
    pub fn table(&self) -> String {
        let mut text = lines(self.reports);
        if let Some(over) = self.reports.iter().find_map(CurveReport::over_back) {
            let _ = writeln!(text, "cells: {over}");
        }
        match &self.coefficients {
            Some(Ok(found)) => text.push_str(&coefficient_table(found, self.reports.len())),
            Some(Err(error)) => {
                let _ = write!(text, "\n{error}\n{}", self.left_out());
            }
            None => {
                let changes = Changes::new(self.reports);
                text.push_str(&changes.map_or(String::new(), |changes| changes.table()));
            }
        }
        match (&self.device, &self.coefficients) {
            (Some(Ok(fit)), _) => text.push_str(&device_table(fit)),
            // One reason is enough.
            (Some(Err(error)), Some(Ok(_))) => {
                let _ = write!(text, "\n{error}\n");
            }
            _ => {}
        }
        text
    }

    /// Which curves say nothing of coefficients, and why; empty where all do.
    #[must_use]
    pub fn left_out(&self) -> String {
        let of = self.reports.len();
        let mut counts = [0_usize; 3];
        for report in self.reports {
            match report.curve.conditions() {
                _ if report.quality.grade == Grade::Poor => counts[0] += 1,
                None => counts[1] += 1,
                Some(at) if at.irradiance < FAINTEST => counts[2] += 1,
                Some(_) => {}
            }
        }
        let [poor, unknown, faint] = counts;
        let why = [
            (poor, "are graded poor".to_owned()),
            (unknown, "lack irradiance or module temperature".to_owned()),
            (faint, format!("were taken in less than {FAINTEST:.0}")),
        ];
        let why: Vec<String> = why
            .into_iter()
            .filter(|(count, _)| *count > 0)
            .map(|(count, why)| format!("{count} {why}"))
            .collect();
        if why.is_empty() {
            return String::new();
        }
        format!(
            "of {of} curves {} say nothing of coefficients: {}\n",
            poor + unknown + faint,
            why.join(", ")
        )
    }

    /// Everything as JSON; what is not known is `null`, with its reason beside it.
    #[must_use]
    pub fn json(&self) -> String {
        let curves: Vec<Value> = self.reports.iter().map(CurveReport::value).collect();
        let found = self.coefficients.as_ref();
        let device = self.device.as_ref();
        json!({
            "curves": curves,
            "changes": Changes::new(self.reports).map(|changes| changes.value()),
            "coefficients": found.and_then(|found| found.as_ref().ok()).map(coefficient_json),
            "no_coefficients": found.and_then(|found| found.as_ref().err()).map(ToString::to_string),
            "device": device.and_then(|fit| fit.as_ref().ok()).map(device_json),
            "no_device": device.and_then(|fit| fit.as_ref().err()).map(ToString::to_string),
        })
        .to_string()
    }
}

/// Curves that say something about the device, with their conditions.
fn usable(reports: &[CurveReport]) -> Vec<(&Curve, Conditions)> {
    let good = reports.iter().filter(|report| report.quality.grade != Grade::Poor);
    let known = good.filter_map(|report| Some((&report.curve, report.curve.conditions()?)));
    known.filter(|(_, at)| at.irradiance >= FAINTEST).collect()
}

/// A line per curve.
fn lines(reports: &[CurveReport]) -> String {
    let stated = reports.iter().any(|report| report.figures[6].is_finite());
    let shown = |value: Option<f64>, after: usize| {
        value.map_or("-".to_owned(), |value| format!("{value:.after$}"))
    };
    let row = |(index, report): (usize, &CurveReport)| {
        let [isc, voc, pmp, vmp, _, ff, share] = report.figures.map(known);
        let fit = report.fit.as_ref().ok();
        let series = fit.map(|fit| &fit.series).filter(|rs| rs.identified != Identified::Not);
        let shunt = fit.map(|fit| &fit.shunt).filter(|rsh| rsh.identified != Identified::Not);
        let mut row = vec![
            format!("{:>3}  {}", index + 1, report.name),
            report.quality.grade.word().to_owned(),
            shown(report.curve.mean_irradiance().map(|g| g.0), 1),
            shown(report.curve.mean_cell().map(|t| t.0), 1),
            shown(isc, 4),
            shown(voc, 3),
            shown(pmp, 3),
            shown(vmp, 3),
            shown(ff, 4),
            shown(series.map(|rs| rs.value.0), 4),
            shown(shunt.map(|rsh| rsh.value.0), 0),
        ];
        if stated {
            row.push(shown(share.map(|share| 100.0 * share), 3));
        }
        row
    };
    let rows: Vec<Vec<String>> = reports.iter().enumerate().map(row).collect();
    let mut header = vec![
        " no  curve",
        "grade",
        "W/m2",
        "degC",
        "Isc (A)",
        "Voc (V)",
        "Pmp (W)",
        "Vmp (V)",
        "FF (1)",
        "Rs (ohm)",
        "Rsh (ohm)",
    ];
    if stated {
        header.push("eff. (%)");
    }
    align(&header, &rows)
}

/// Symbol, meaning, value, unit.
type Line = (&'static str, &'static str, Coefficient, &'static str);

/// The coefficients that the procedure takes, as its options name them.
fn coefficient_lines(found: &Campaign) -> Vec<Line> {
    let Campaign { plain, voltage, .. } = found;
    let mut lines = vec![
        ("isc-stc", "Isc at 1000 W/m2, 25 degC", plain.isc_stc, "A"),
        ("alpha", "change of Isc with temperature", plain.alpha, "A/K"),
        ("", "change of Isc/(G/1000) per 1000 W/m2", plain.bend, "A"),
    ];
    if found.form == Form::Two2021 {
        lines.extend([
            ("voc-stc", "Voc at 1000 W/m2, 25 degC", voltage.voc_stc, "V"),
            ("beta", "change of Voc with temperature", voltage.beta, "V/K"),
            ("b1", "fall of Voc with ln(1000/G)", voltage.b1, "1"),
            ("b2", "and with its square", voltage.b2, "1"),
        ]);
    } else {
        lines.extend([
            ("voc-stc", "Voc at 1000 W/m2, 25 degC", plain.voc_stc, "V"),
            ("beta", "change of Voc with temperature", plain.beta, "V/K"),
            ("a", "rise of Voc with ln(G)", plain.a, "1"),
        ]);
    }
    lines.push(("series", "series resistance at 25 degC", found.series, "ohm"));
    if let Some(kappa) = found.kappa {
        lines.push(("kappa", "its change with temperature", kappa, "ohm/K"));
    }
    lines.push(("", "Pmp at 1000 W/m2, 25 degC", found.pmp_stc, "W"));
    lines
}

/// The procedure's name, as people and the option write it.
const fn name(form: Form) -> &'static str {
    match form {
        Form::One => "1",
        Form::Two => "2-2009",
        Form::Two2021 => "2",
        Form::Four { .. } => "4",
    }
}

fn coefficient_table(found: &Campaign, of: usize) -> String {
    let row = |(option, meaning, value, unit): Line| {
        let option = if option.is_empty() { String::new() } else { format!("--{option}") };
        let spread = spread(value.uncertainty);
        vec![meaning.to_owned(), digits(value.value), spread, unit.to_owned(), option]
    };
    let rows: Vec<Vec<String>> = coefficient_lines(found).into_iter().map(row).collect();
    let head = format!("for procedure {} of IEC 60891", name(found.form));
    let table = align(&[&head, "value", "u (k = 1)", "unit", ""], &rows);
    let used = found.used;
    format!(
        "\n{used} of {of} curves (not poor, both ends, {:.0} W/m2 and more); u is of their scatter \
         alone\n{table}",
        FAINTEST.0
    )
}

fn coefficient_json(found: &Campaign) -> Value {
    let entry = |(option, meaning, value, unit): Line| {
        let name = match (option, unit) {
            ("", "W") => "pmp-stc",
            ("", _) => "isc-bend",
            _ => option,
        };
        let entry = json!({
            "value": known(value.value), "standard_uncertainty": known(value.uncertainty),
            "unit": unit, "meaning": meaning,
        });
        (name.to_owned(), entry)
    };
    let mut entries: serde_json::Map<String, Value> =
        coefficient_lines(found).into_iter().map(entry).collect();
    entries.insert("procedure".to_owned(), json!(name(found.form)));
    entries.insert("curves".to_owned(), json!(found.used));
    Value::Object(entries)
}

/// Name, value, standard uncertainty, unit, how well it is known.
type Part = (&'static str, f64, f64, &'static str, Identified);

fn parts(fit: &SeveralFit) -> [Part; 7] {
    let stc = fit.reference.stc();
    let values = [
        ("IL", stc.photocurrent().0, "A"),
        ("I0", stc.saturation().0, "A"),
        ("Rs", stc.series().0, "ohm"),
        ("Rsh", stc.shunt().0, "ohm"),
        ("a", stc.ideality().0, "V"),
    ];
    let of_stc = |k: usize| {
        let ((name, value, unit), (share, how)) = (values[k], fit.relative[k]);
        (name, value, value * share, unit, how)
    };
    let of = |name, Known { value, uncertainty, identified }: Known<f64>, unit| {
        (name, value, uncertainty, unit, identified)
    };
    [
        of_stc(0),
        of_stc(1),
        of_stc(2),
        of_stc(3),
        of_stc(4),
        of("alpha", fit.alpha, "A/K"),
        of("band gap", fit.gap, "eV"),
    ]
}

fn device_table(fit: &SeveralFit) -> String {
    let row = |(name, value, u, unit, how): Part| {
        let spread = spread(u);
        vec![name.to_owned(), digits(value), spread, unit.to_owned(), how.words().to_owned()]
    };
    let rows = parts(fit).map(row);
    let head = "one single diode for all, at 1000 W/m2, 25 degC";
    let table = align(&[head, "value", "u (k = 1)", "unit", ""], &rows);
    let (rmse, points) = (short(fit.rmse.0), fit.points);
    format!(
        "\n{table}scaled after De Soto 2006; residual of current {rmse} A (rms) of {points} points; \
         u is of how the curves differ\n"
    )
}

fn device_json(fit: &SeveralFit) -> Value {
    let entry = |(name, value, u, unit, how): Part| {
        let entry = json!({
            "value": known(value), "standard_uncertainty": known(u), "unit": unit,
            "identified": how.words(),
        });
        (name.replace(' ', "_"), entry)
    };
    let mut entries: serde_json::Map<String, Value> = parts(fit).into_iter().map(entry).collect();
    entries.insert("rmse_a".to_owned(), json!(fit.rmse.0));
    entries.insert("points".to_owned(), json!(fit.points));
    Value::Object(entries)
}
