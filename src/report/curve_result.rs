//! What a curve says, for the log: grade, parameters at the mean irradiance, their uncertainties.
//!
//! Model: the grade is of the curve as measured, and a sweep that began at open circuit has reached it;
//! the parameters are of the curve moved to its mean irradiance point by point, where it has one. What
//! can't be found is absent, with the reason in words. An uncertainty is of a figure at the sweep's true mean irradiance and at the cell temperature
//! of the moment in which the figure's own points were taken; it is there where the station states
//! what is known of the instruments.

use super::curve::{CurveReport, Wanted};
use super::curve_log::point;
use crate::control::record::SweepDirection;
use crate::curve::quality::{Grade, Reason};
use crate::curve::uncertainty::{Quantity, Row, Stated, UnknownRow};
use crate::curve::{Curve, CurveError, Method, Origin, Point};
use crate::quantities::{Celsius, Irradiance};
use crate::station::Station;
use crate::store::{Appraise, CurvePointRow, CurveResult, Expanded, StatedRow, UNCERTAIN};
use crate::yields::OverBack;

/// Points of the line through short circuit: with points placed along the curve, fifteen reach over a
/// quarter of Voc, where a curve is straight, and leave half the noise of one.
const SHORT_POINTS: usize = 15;
/// How far above the device's voltage the setpoint of an open load lies at least (1): a load that
/// regulates keeps to it ten times better.
const OPEN: f64 = 0.05;
/// How logged curves are summed up.
pub const METHOD: Method = Method { short_points: SHORT_POINTS, ..Method::FIELD };

/// With so many points a sweep of any of the plant's devices has the six at the crest that [`METHOD`] takes, in
/// 200 W/m2 and more: with 60 every seventh curve lacks them, with 40 all do (seen on a rehearsed day of clouds).
pub const ENOUGH_POINTS: u16 = 80;

/// Looks at a station's whole curves: what
/// [`Log::with_appraisal`](crate::store::Log::with_appraisal) wants.
pub fn appraiser(station: &Station) -> Appraise {
    let stated: Vec<_> = station.channels.iter().map(|channel| channel.stated).collect();
    Appraise::new(move |channel, direction, rows| {
        let stated = stated.get(usize::from(channel.0)).and_then(Option::as_ref);
        appraise(direction, rows, stated)
    })
}

/// What is stated of each channel's instruments, for the log.
#[must_use]
pub fn stated_rows(station: &Station) -> Vec<Vec<StatedRow>> {
    let row = |Row { input, known, value, coverage, unit }| StatedRow {
        input,
        known,
        value,
        coverage,
        unit,
    };
    let of = |stated: &Stated| stated.rows().into_iter().map(row).collect();
    station.channels.iter().map(|channel| channel.stated.as_ref().map_or(vec![], of)).collect()
}

/// The same out of the log; none where nothing is stated.
///
/// # Errors
/// [`UnknownRow`] where a newer program wrote it.
pub fn stated_of(rows: Vec<StatedRow>) -> Result<Option<Stated>, UnknownRow> {
    if rows.is_empty() {
        return Ok(None);
    }
    let row = |StatedRow { input, known, value, coverage, unit }| Row {
        input,
        known,
        value,
        coverage,
        unit,
    };
    Stated::from_rows(&rows.into_iter().map(row).collect::<Vec<_>>()).map(Some)
}

/// Looks at the points of a whole curve, in the order they were taken.
#[must_use]
pub fn appraise(
    direction: SweepDirection,
    rows: &[CurvePointRow],
    stated: Option<&Stated>,
) -> CurveResult {
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
        voc_origin: None,
        efficiency: None,
        expanded: [None; UNCERTAIN],
    };
    let report = match report("", direction, rows, stated) {
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
        voc_origin: Some(found.voc.origin.word().to_owned()),
        efficiency: report.figures.last().copied().filter(|share| share.is_finite()),
        expanded: Quantity::ALL.map(|quantity| {
            let budget = report.budget.as_ref()?;
            let (_, value) = budget.expanded(quantity)?;
            Some(Expanded { value, coverage: budget.factor(quantity) })
        }),
        ..nothing
    }
}

/// All that can be said about a logged curve.
///
/// # Errors
/// A sentence that tells why the points are no usable curve.
pub fn report(
    name: &str,
    direction: SweepDirection,
    rows: &[CurvePointRow],
    stated: Option<&Stated>,
) -> Result<CurveReport, String> {
    let wanted = Wanted::of(METHOD, stated);
    let (curve, back) = legs(direction, rows).map_err(|error| error.to_string())?;
    let mut report = CurveReport::new(name, &curve, back.as_ref(), &wanted)
        .map_err(|error| error.to_string())?;
    report.over_back = Some(OverBack::default());
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

/// A sweep's first point is open circuit itself: that an ammeter's zero is a little high, so that no current
/// seems to cross 0 A, is no lack of the curve. Voc still comes from a parabola on to 0 A, and is told as
/// extrapolated, as its uncertainty has it.
fn opened(report: &mut CurveReport) {
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
        let mut points: Vec<Point> =
            rows.iter().filter_map(|row| point(row, OverBack::default())).collect();
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
