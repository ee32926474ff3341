//! The uncertainty budget for people, laid out as JCGM 100 does in its example H.1 (from memory).
//!
//! Model: one table shows every input's contribution to every figure, in percent of the figure; a table
//! for one figure shows for each input its standard uncertainty, how that was found, its distribution,
//! its sensitivity coefficient and its contribution, in the figure's unit.

use super::curve::{digits, known, short};
use super::table::align;
use crate::curve::uncertainty::{Budget, Figures, Kind, Line, PROBABILITY, Quantity, Shape};
use serde_json::{Value, json};
use std::fmt::Write;

/// Figures whose errors' correlation is told: those that come from points of their own.
const PAIRS: [(Quantity, Quantity); 3] = [
    (Quantity::Isc, Quantity::Pmp),
    (Quantity::Voc, Quantity::Pmp),
    (Quantity::Isc, Quantity::Voc),
];

const fn kind(line: &Line) -> &'static str {
    match line.kind {
        Kind::A => "A",
        Kind::B => "B",
    }
}

const fn shape(line: &Line) -> &'static str {
    match line.shape {
        Shape::Normal => "normal",
        Shape::Rectangular => "rectangular",
    }
}

/// Contributions in percent of each figure.
pub(super) fn table(budget: &Budget) -> String {
    let shares = |of: &Figures| {
        let cell = |(u, value): (&f64, &f64)| match 100.0 * u / value {
            percent if percent.is_finite() => format!("{percent:.4}"),
            _ => "-".to_owned(),
        };
        of.iter().zip(&budget.values).map(cell).collect::<Vec<_>>()
    };
    let row = |first: [String; 3], cells: Vec<String>| [&first[..], &cells].concat();
    let last = |name: &str, cells| row([name.to_owned(), String::new(), String::new()], cells);
    let of_line = |line: &Line| {
        let standard = format!("{} {}", short(line.standard), line.unit);
        row([line.input.to_owned(), standard, kind(line).to_owned()], shares(&line.contributions))
    };
    let mut rows: Vec<Vec<String>> = budget.lines.iter().map(of_line).collect();
    rows.push(last("combined, u", shares(&budget.combined)));
    let factor = |k: f64| if k.is_finite() { format!("{k:.2}") } else { "-".to_owned() };
    rows.push(last("coverage factor, k", budget.coverage.map(factor).to_vec()));
    let mut expanded = budget.combined;
    for (u, k) in expanded.iter_mut().zip(budget.coverage) {
        *u *= k;
    }
    rows.push(last("expanded, U = k u", shares(&expanded)));
    let mut header = vec!["contribution in %", "u of the input", "type"];
    header.extend(Quantity::ALL.map(|quantity| quantity.symbol().0));
    format!("{}{}", align(&header, &rows), notes(budget))
}

/// What the numbers rest on, in sentences.
fn notes(budget: &Budget) -> String {
    let pair = |(one, other): (Quantity, Quantity)| {
        let r = budget.correlation(one, other);
        let (one, other) = (one.symbol().0, other.symbol().0);
        r.is_finite().then(|| format!("{one} and {other} {r:+.2}"))
    };
    let pairs: Vec<String> = PAIRS.into_iter().filter_map(pair).collect();
    let mut text = format!(
        "U holds {:.0} %; k is that of all the inputs' distributions together. Noise and resolution are \
         new\nat each point; each other instrument's error is one for all points, thus fully \
         correlated\nbetween them; different inputs count as independent.\n",
        100.0 * PROBABILITY
    );
    if !pairs.is_empty() {
        let _ = writeln!(text, "correlation of the errors: {}", pairs.join(", "));
    }
    text
}

/// The budget of one figure; none where it has no value or nothing is uncertain.
#[must_use]
pub fn of_figure(budget: &Budget, quantity: Quantity) -> Option<String> {
    let at = quantity as usize;
    let (value, expanded) = budget.expanded(quantity)?;
    let (symbol, unit) = quantity.symbol();
    let combined = budget.combined[at];
    let per = |line: &Line| match (unit, line.unit) {
        (unit, of) if unit == of => "1".to_owned(),
        (unit, "1") => unit.to_owned(),
        (unit, of) if of.contains('/') => format!("{unit}/({of})"),
        (unit, of) => format!("{unit}/{of}"),
    };
    let row = |line: &Line| {
        let u = line.contributions[at];
        vec![
            line.input.to_owned(),
            kind(line).to_owned(),
            shape(line).to_owned(),
            format!("{} {}", short(line.standard), line.unit),
            format!("{} {}", short(line.sensitivities()[at]), per(line)),
            format!("{} {unit}", short(u.abs())),
            format!("{:.1} %", 100.0 * (u / combined).powi(2)),
        ]
    };
    let acts = |line: &&Line| line.contributions[at] != 0.0;
    let rows: Vec<Vec<String>> = budget.lines.iter().filter(acts).map(row).collect();
    let header =
        ["input x", "type", "distribution", "u(x)", "c = d/dx", "|c| u(x)", "of the variance"];
    let mut text = align(&header, &rows);
    let _ = writeln!(
        text,
        "{symbol} = {} {unit}: u = {} {unit}, k = {:.2}, U = {} {unit} ({:.0} %)",
        digits(value),
        short(combined),
        budget.coverage[at],
        short(expanded),
        100.0 * PROBABILITY
    );
    Some(text)
}

/// Everything as JSON.
pub(super) fn json(budget: &Budget) -> Value {
    let of_line = |line: &Line| {
        json!({
            "input": line.input,
            "type": kind(line),
            "distribution": shape(line),
            "common_to_all_points": line.common,
            "standard_uncertainty": line.standard,
            "unit": line.unit,
            "sensitivities": line.sensitivities().map(known),
            "contributions": line.contributions.map(known),
        })
    };
    let lines: Vec<Value> = budget.lines.iter().map(of_line).collect();
    let correlation = |(a, b): (Quantity, Quantity)| {
        let name = format!("{}-{}", a.symbol().0, b.symbol().0);
        (name, json!(known(budget.correlation(a, b))))
    };
    let correlations: serde_json::Map<String, Value> = PAIRS.into_iter().map(correlation).collect();
    json!({
        "order": Quantity::ALL.map(|quantity| quantity.symbol().0),
        "lines": lines,
        "combined": budget.combined.map(known),
        "coverage_factors": budget.coverage.map(known),
        "correlations": correlations,
    })
}
