//! How a device's figures change over a campaign, from curves corrected to the same conditions.
//!
//! Model: for each figure mean, scatter, and a straight line over time by least squares with its standard
//! uncertainty, over the curves that are not graded poor and know their time. Rejected: the line for
//! curves that are not corrected (it would show the weather), and a yearly rate out of a few days.

use super::curve::{CurveReport, short};
use super::table::align;
use crate::curve::quality::Grade;
use serde_json::{Value, json};

/// Fewest curves: two more than a straight line has numbers.
const FEWEST: usize = 4;
/// Days below which no yearly rate is told: the weather of a few days would decide it.
const LONG_ENOUGH: f64 = 30.0;
const DAYS_PER_YEAR: f64 = 365.25;
const MICROS_PER_DAY: f64 = 86_400e6;
/// The figures looked at, by their place in the report: Isc, Voc, Pmp, FF.
const LOOKED_AT: [(usize, &str, &str); 4] =
    [(0, "Isc", "A"), (1, "Voc", "V"), (2, "Pmp", "W"), (5, "FF", "1")];

/// One figure over time.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Change {
    symbol: &'static str,
    unit: &'static str,
    mean: f64,
    /// Standard deviation about the line, share of the mean.
    scatter: f64,
    /// Share of the mean per year, and its standard uncertainty.
    rate: Option<(f64, f64)>,
}

/// Figures of corrected curves over time.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Changes {
    lines: Vec<Change>,
    curves: usize,
    days: f64,
}

impl Changes {
    /// None with too few curves that are corrected and know their time.
    pub(super) fn new(reports: &[CurveReport]) -> Option<Self> {
        let usable: Vec<(f64, &CurveReport)> = reports
            .iter()
            .filter(|report| report.corrected && report.quality.grade != Grade::Poor)
            .filter_map(|report| Some((day(report)?, report)))
            .collect();
        let days = usable.iter().map(|(day, _)| *day);
        let days =
            days.clone().fold(f64::NEG_INFINITY, f64::max) - days.fold(f64::INFINITY, f64::min);
        let lines: Vec<Change> = LOOKED_AT
            .into_iter()
            .filter_map(|(place, symbol, unit)| {
                let pairs = usable.iter().map(|(day, report)| (*day, report.figures[place]));
                let known = pairs.filter(|(_, value)| value.is_finite()).collect::<Vec<_>>();
                change(symbol, unit, &known)
            })
            .collect();
        (!lines.is_empty()).then_some(Self { lines, curves: usable.len(), days })
    }

    pub(super) fn table(&self) -> String {
        let percent = |share: f64| format!("{:+.3} %", 100.0 * share);
        let row = |c: &Change| {
            let long = c.rate.filter(|_| self.days >= LONG_ENOUGH);
            vec![
                c.symbol.to_owned(),
                format!("{:.4} {}", c.mean, c.unit),
                format!("{} %", short(100.0 * c.scatter)),
                long.map_or("-".to_owned(), |(rate, _)| percent(rate)),
                long.map_or("-".to_owned(), |(_, u)| {
                    if u.is_finite() {
                        format!("+-{} %", short(100.0 * u))
                    } else {
                        "unknown".to_owned()
                    }
                }),
            ]
        };
        let rows: Vec<Vec<String>> = self.lines.iter().map(row).collect();
        let head = format!("{} curves, not poor, over {:.1} days", self.curves, self.days);
        let header = [&head, "mean", "scatter", "change a year", "u (k = 1)"];
        let mut text = format!("\n{}", align(&header, &rows));
        if self.days < LONG_ENOUGH {
            text.push_str("a yearly change needs curves of 30 days and more\n");
        }
        text
    }

    pub(super) fn value(&self) -> Value {
        let entry = |c: &Change| {
            let long = c.rate.filter(|_| self.days >= LONG_ENOUGH);
            let entry = json!({
                "mean": c.mean, "unit": c.unit, "scatter_relative": c.scatter,
                "relative_change_per_year": long.map(|(rate, _)| rate),
                "standard_uncertainty": long.map(|(_, u)| u),
            });
            (c.symbol.to_owned(), entry)
        };
        let mut entries: serde_json::Map<String, Value> = self.lines.iter().map(entry).collect();
        entries.insert("curves".to_owned(), json!(self.curves));
        entries.insert("days".to_owned(), json!(self.days));
        Value::Object(entries)
    }
}

/// When a curve was taken (days since 1970), by its first point that knows.
fn day(report: &CurveReport) -> Option<f64> {
    let utc = report.curve.points().iter().find_map(|p| p.utc)?;
    Some(utc.as_micros() as f64 / MICROS_PER_DAY)
}

/// The straight line through `(day, value)`.
fn change(symbol: &'static str, unit: &'static str, pairs: &[(f64, f64)]) -> Option<Change> {
    if pairs.len() < FEWEST {
        return None;
    }
    let n = pairs.len() as f64;
    let mean = pairs.iter().map(|pair| pair.1).sum::<f64>() / n;
    let middle = pairs.iter().map(|pair| pair.0).sum::<f64>() / n;
    let years = |day: f64| (day - middle) / DAYS_PER_YEAR;
    let spread: f64 = pairs.iter().map(|(day, _)| years(*day).powi(2)).sum();
    let lean: f64 = pairs.iter().map(|(day, value)| years(*day) * (value - mean)).sum();
    let slope = if spread > 0.0 { lean / spread } else { 0.0 };
    let off = |(day, value): &(f64, f64)| value - mean - slope * years(*day);
    let variance = pairs.iter().map(|pair| off(pair).powi(2)).sum::<f64>() / (n - 2.0);
    let rate = (spread > 0.0).then(|| (slope / mean, (variance / spread).sqrt() / mean));
    Some(Change { symbol, unit, mean, scatter: variance.sqrt() / mean, rate })
}
