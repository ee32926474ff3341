//! What a curve says, for the log: grade and parameters at the mean irradiance.
//!
//! Model: the grade is of the curve as measured; the parameters are of the curve moved to its mean
//! irradiance point by point, where it has one. What can't be found is absent, with the reason in
//! words.

use super::curve::{CurveReport, Wanted};
use super::curve_log::point;
use crate::control::record::SweepDirection;
use crate::curve::quality::{Grade, Reason};
use crate::curve::{Curve, CurveError, Method, Origin, Point};
use crate::quantities::{Celsius, Irradiance};
use crate::store::{CurvePointRow, CurveResult};

/// Points of the line through short circuit: with points placed along the curve, fifteen reach over a
/// quarter of Voc, where a curve is straight, and leave half the noise of one.
const SHORT_POINTS: usize = 15;
/// How far above the device's voltage the setpoint of an open load lies at least (1): a load that
/// regulates keeps to it ten times better.
const OPEN: f64 = 0.05;
/// How logged curves are summed up.
pub const METHOD: Method = Method { short_points: SHORT_POINTS, ..Method::FIELD };

/// Looks at the points of a whole curve, in the order they were taken: what
/// [`Log::with_appraisal`](crate::store::Log::with_appraisal) wants.
#[must_use]
pub fn appraise(direction: SweepDirection, rows: &[CurvePointRow]) -> CurveResult {
    let mean = |value: fn(&CurvePointRow) -> Option<f64>| {
        let all: Option<Vec<f64>> = rows.iter().map(value).collect();
        all.filter(|all| !all.is_empty()).map(|all| all.iter().sum::<f64>() / all.len() as f64)
    };
    let nothing = CurveResult {
        grade: Grade::Poor.word().to_owned(),
        reasons: String::new(),
        isc: None,
        isc_origin: None,
        voc: None,
        pmp: None,
        vmp: None,
        imp: None,
        ff: None,
        irradiance: mean(|row| row.irradiance.map(|g| g.0)).map(Irradiance),
        module_temperature: mean(|row| row.module_temperature.map(|t| t.0)).map(Celsius),
    };
    let report = match report("", direction, rows) {
        Ok(report) => report,
        Err(reasons) => return CurveResult { reasons, ..nothing },
    };
    let found = report.parameters;
    let reasons: Vec<String> = report.quality.reasons.iter().map(|(_, why)| why.text()).collect();
    CurveResult {
        grade: report.quality.grade.word().to_owned(),
        reasons: reasons.join("; "),
        isc: found.isc.value,
        isc_origin: Some(found.isc.origin.word().to_owned()),
        voc: found.voc.value,
        pmp: Some(found.pmp),
        vmp: Some(found.vmp),
        imp: Some(found.imp),
        ff: found.ff,
        ..nothing
    }
}

/// All that can be said about a logged curve without knowing its instruments.
///
/// # Errors
/// A sentence that tells why the points are no usable curve.
pub fn report(
    name: &str,
    direction: SweepDirection,
    rows: &[CurvePointRow],
) -> Result<CurveReport, String> {
    let wanted = Wanted { method: METHOD, correction: None, area: None, inputs: None };
    let (curve, back) = legs(direction, rows).map_err(|error| error.to_string())?;
    let mut report = CurveReport::new(name, &curve, back.as_ref(), &wanted)
        .map_err(|error| error.to_string())?;
    if rows.first().is_some_and(is_open) {
        opened(&mut report);
    }
    Ok(report)
}

/// Whether a point was taken at open circuit: the load asked for far more than the device gave, so it
/// drew nothing, whatever zero its ammeter has.
fn is_open(row: &CurvePointRow) -> bool {
    row.setpoint.zip(row.volts).is_some_and(|(asked, seen)| asked > seen * (1.0 + OPEN))
}

/// A sweep's first point is open circuit itself: an ammeter whose zero is a little high must not make an
/// extrapolation of it.
fn opened(report: &mut CurveReport) {
    if report.parameters.voc.origin == Origin::Extrapolated {
        report.parameters.voc.origin = Origin::Measured;
    }
    let quality = &mut report.quality;
    quality.reasons.retain(|(_, why)| *why != Reason::OpenCircuit(Origin::Extrapolated));
    quality.grade = quality.reasons.first().map_or(Grade::Good, |worst| worst.0);
}

/// The curve down (or up), and the one back up. Readings of neighbours jitter, so they are sorted.
fn legs(
    direction: SweepDirection,
    rows: &[CurvePointRow],
) -> Result<(Curve, Option<Curve>), CurveError> {
    let curve = |rows: &[CurvePointRow]| {
        let mut points: Vec<Point> = rows.iter().filter_map(point).collect();
        points.sort_by(|a, b| a.volts.0.total_cmp(&b.volts.0));
        points.dedup_by(|a, b| a.volts == b.volts);
        Curve::new(points)
    };
    let lowest = |row: &CurvePointRow| row.setpoint.map_or(f64::INFINITY, |volts| volts.0);
    let places = rows.iter().enumerate();
    let turn = places.min_by(|a, b| lowest(a.1).total_cmp(&lowest(b.1))).map_or(0, |(at, _)| at);
    match direction {
        SweepDirection::Down => Ok((curve(rows)?, None)),
        SweepDirection::Up => Ok((curve(rows.get(1..).unwrap_or_default())?, None)),
        SweepDirection::Both => Ok((curve(&rows[..=turn])?, Some(curve(&rows[turn..])?))),
    }
}
