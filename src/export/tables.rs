//! Which columns each kind of row has: the one description that headers and values come from.
//!
//! Names are those of the nomenclature (DEVELOPERS.md), units beside them; a column without a unit is
//! a word, a count or a pure number.

use super::column::{Column, date, minute, moment, number, spread, text, truth, whole};
use crate::quantities::{Amps, Celsius, Irradiance, Irradiation, Volts, WattHours, Watts};
use crate::store::{
    CurvePointRow, CurveResult, CurveRow, DayRow, EventRow, MinuteRow, SampleRow, SensorMinuteRow,
    SensorRow,
};
use crate::time::Stamp;
use std::rc::Rc;
use std::time::Duration;

const VOLTAGE: (&str, &str) = ("voltage", Volts::UNIT);
const CURRENT: (&str, &str) = ("current", Amps::UNIT);
const POWER: (&str, &str) = ("power", Watts::UNIT);
const SETPOINT: (&str, &str) = ("setpoint", Volts::UNIT);
const IRRADIANCE: (&str, &str) = ("irradiance", Irradiance::UNIT);
const MODULE: (&str, &str) = ("module temperature", Celsius::UNIT);
const ENERGY: (&str, &str) = ("energy", WattHours::UNIT);
/// The monotonic clock: it tells the order of rows where the wall clock was set.
const SINCE_BOOT: (&str, &str) = ("since boot", "s");

/// A row and the name of its channel.
pub(super) struct Of<T> {
    pub(super) channel: Option<Rc<str>>,
    pub(super) row: T,
}

/// A point and the curve it belongs to.
pub(super) struct Point {
    pub(super) boot: i64,
    pub(super) curve: u32,
    pub(super) row: CurvePointRow,
}

/// A sensor's minute and the sensor.
pub(super) struct OfSensor {
    pub(super) sensor: Rc<SensorRow>,
    pub(super) row: SensorMinuteRow,
}

fn channel<T>() -> Column<Of<T>> {
    text("channel", |of: &Of<T>| of.channel.as_deref())
}

fn seconds(span: Duration) -> Option<f64> {
    Some(span.as_secs_f64())
}

/// Whole microseconds, so that the number is as short as it can be.
fn since_boot(at: Stamp) -> Option<f64> {
    Some((at.mono.as_nanos() / 1000) as f64 / 1e6)
}

/// One sample a row.
pub(super) fn samples() -> Vec<Column<Of<SampleRow>>> {
    vec![
        moment(|of: &Of<SampleRow>| of.row.at.utc),
        channel(),
        text("activity", |of: &Of<SampleRow>| Some(of.row.activity.word())),
        number(VOLTAGE, |of: &Of<SampleRow>| of.row.volts.map(|it| it.0)),
        number(CURRENT, |of: &Of<SampleRow>| of.row.amps.map(|it| it.0)),
        number(POWER, |of: &Of<SampleRow>| of.row.watts.map(|it| it.0)),
        number(SETPOINT, |of: &Of<SampleRow>| of.row.setpoint.map(|it| it.0)),
        number(IRRADIANCE, |of: &Of<SampleRow>| of.row.irradiance.map(|it| it.0)),
        number(MODULE, |of: &Of<SampleRow>| of.row.module_temperature.map(|it| it.0)),
        number(("crest power", Watts::UNIT), |of: &Of<SampleRow>| of.row.crest.map(|it| it.0)),
        whole("readings", |of: &Of<SampleRow>| i64::from(of.row.readings)),
        whole("boot", |of: &Of<SampleRow>| of.row.boot),
        number(SINCE_BOOT, |of: &Of<SampleRow>| since_boot(of.row.at)),
    ]
}

/// One minute of a channel a row.
pub(super) fn minutes() -> Vec<Column<Of<MinuteRow>>> {
    let mut columns = vec![
        minute(|of: &Of<MinuteRow>| of.row.start),
        channel(),
        text("activity", |of: &Of<MinuteRow>| Some(of.row.activity.word())),
        number(ENERGY, |of: &Of<MinuteRow>| Some(of.row.energy.0)),
        number(("covered", "s"), |of: &Of<MinuteRow>| seconds(of.row.covered)),
        number(("missing", "s"), |of: &Of<MinuteRow>| seconds(of.row.missing)),
    ];
    columns.extend(spread(VOLTAGE, |of: &Of<MinuteRow>| of.row.volts));
    columns.extend(spread(CURRENT, |of: &Of<MinuteRow>| of.row.amps));
    columns.extend(spread(POWER, |of: &Of<MinuteRow>| of.row.watts));
    columns.extend(spread(IRRADIANCE, |of: &Of<MinuteRow>| of.row.irradiance));
    columns.extend(spread(MODULE, |of: &Of<MinuteRow>| of.row.module_temperature));
    columns.push(whole("boot", |of: &Of<MinuteRow>| of.row.boot));
    columns
}

/// One day of a channel a row; `by` says which time the dates are of.
pub(super) fn days(by: &str) -> Vec<Column<DayRow>> {
    vec![
        date(by, |row: &DayRow| &row.date),
        text("channel", |row: &DayRow| Some(&row.channel)),
        number(ENERGY, |row: &DayRow| Some(row.energy.0)),
        number(("available energy", WattHours::UNIT), |row: &DayRow| row.available.map(|it| it.0)),
        number(("irradiation", Irradiation::UNIT), |row: &DayRow| Some(row.irradiation.0)),
        number(("largest power", Watts::UNIT), |row: &DayRow| Some(row.peak.0)),
        number(("tracking", "s"), |row: &DayRow| seconds(row.tracking)),
        number(("sweeping", "s"), |row: &DayRow| seconds(row.sweeping)),
        number(("missed by sweeping", WattHours::UNIT), |row: &DayRow| Some(row.sweep_missed.0)),
        number(("covered", "s"), |row: &DayRow| seconds(row.covered)),
        number(("missing", "s"), |row: &DayRow| seconds(row.missing)),
        whole("gaps", |row: &DayRow| i64::from(row.gaps)),
        number(("completeness", "1"), |row: &DayRow| row.completeness),
        whole("boots", |row: &DayRow| i64::from(row.boots)),
    ]
}

/// One event a row.
pub(super) fn events() -> Vec<Column<Of<EventRow>>> {
    vec![
        moment(|of: &Of<EventRow>| of.row.at.utc),
        channel(),
        text("severity", |of: &Of<EventRow>| Some(&of.row.severity)),
        text("code", |of: &Of<EventRow>| Some(&of.row.code)),
        text("text", |of: &Of<EventRow>| Some(&of.row.text)),
        text("detail", |of: &Of<EventRow>| of.row.detail.as_deref()),
        whole("boot", |of: &Of<EventRow>| of.row.boot),
        number(SINCE_BOOT, |of: &Of<EventRow>| since_boot(of.row.at)),
    ]
}

/// One I-V curve a row; the time is when it began.
pub(super) fn curves() -> Vec<Column<Of<CurveRow>>> {
    let mut columns = vec![
        moment(|of: &Of<CurveRow>| of.row.began.utc),
        channel(),
        whole("curve", |of: &Of<CurveRow>| i64::from(of.row.curve)),
        text("direction", |of: &Of<CurveRow>| Some(&of.row.direction)),
        text("ending", |of: &Of<CurveRow>| Some(&of.row.ending)),
        whole("points", |of: &Of<CurveRow>| i64::from(of.row.points)),
        number(("took", "s"), |of: &Of<CurveRow>| {
            seconds(of.row.at.mono.saturating_since(of.row.began.mono))
        }),
        truth("whole", |of: &Of<CurveRow>| of.row.whole),
        number(("missed energy", WattHours::UNIT), |of: &Of<CurveRow>| {
            of.row.missed.map(|it| it.0)
        }),
        words("grade", |it| Some(&it.grade)),
        words("reasons", |it| Some(&it.reasons)),
        figure(("mean irradiance", Irradiance::UNIT), |it| it.irradiance.map(|it| it.0)),
        figure(("mean module temperature", Celsius::UNIT), |it| {
            it.module_temperature.map(|it| it.0)
        }),
        words("Isc origin", |it| it.isc_origin.as_deref()),
        words("Voc origin", |it| it.voc_origin.as_deref()),
    ];
    columns.extend(uncertain(("Isc", Amps::UNIT), 0, |it| it.isc.map(|it| it.0)));
    columns.extend(uncertain(("Voc", Volts::UNIT), 1, |it| it.voc.map(|it| it.0)));
    columns.extend(uncertain(("Pmp", Watts::UNIT), 2, |it| it.pmp.map(|it| it.0)));
    columns.extend(uncertain(("Vmp", Volts::UNIT), 3, |it| it.vmp.map(|it| it.0)));
    columns.extend(uncertain(("Imp", Amps::UNIT), 4, |it| it.imp.map(|it| it.0)));
    columns.extend(uncertain(("FF", "1"), 5, |it| it.ff));
    columns.extend(uncertain(("efficiency", "1"), 6, |it| it.efficiency));
    columns.push(whole("boot", |of: &Of<CurveRow>| of.row.boot));
    columns
}

fn words(name: &str, get: fn(&CurveResult) -> Option<&str>) -> Column<Of<CurveRow>> {
    text(name, move |of: &Of<CurveRow>| of.row.result.as_ref().and_then(get))
}

fn figure(
    heading: (&str, &str),
    get: impl Fn(&CurveResult) -> Option<f64> + 'static,
) -> Column<Of<CurveRow>> {
    number(heading, move |of: &Of<CurveRow>| of.row.result.as_ref().and_then(&get))
}

/// A figure, its expanded uncertainty and the coverage factor, the `place`-th of those that have one.
fn uncertain(
    (name, unit): (&str, &str),
    place: usize,
    get: impl Fn(&CurveResult) -> Option<f64> + 'static,
) -> [Column<Of<CurveRow>>; 3] {
    let expanded = move |it: &CurveResult| it.expanded[place];
    [
        figure((name, unit), get),
        figure((&format!("{name} uncertainty"), unit), move |it| expanded(it).map(|it| it.value)),
        figure((&format!("{name} coverage factor"), "1"), move |it| {
            expanded(it).map(|it| it.coverage)
        }),
    ]
}

/// One point of an I-V curve a row.
pub(super) fn points() -> Vec<Column<Of<Point>>> {
    vec![
        moment(|of: &Of<Point>| of.row.row.at.utc),
        channel(),
        whole("curve", |of: &Of<Point>| i64::from(of.row.curve)),
        whole("point", |of: &Of<Point>| i64::from(of.row.row.point)),
        number(VOLTAGE, |of: &Of<Point>| of.row.row.volts.map(|it| it.0)),
        number(CURRENT, |of: &Of<Point>| of.row.row.amps.map(|it| it.0)),
        number(SETPOINT, |of: &Of<Point>| of.row.row.setpoint.map(|it| it.0)),
        number(IRRADIANCE, |of: &Of<Point>| of.row.row.irradiance.map(|it| it.0)),
        number(MODULE, |of: &Of<Point>| of.row.row.module_temperature.map(|it| it.0)),
        whole("boot", |of: &Of<Point>| of.row.boot),
        number(SINCE_BOOT, |of: &Of<Point>| since_boot(of.row.row.at)),
    ]
}

/// One minute of a sensor a row; each sensor has its own unit, in a column of its own.
pub(super) fn sensors() -> Vec<Column<OfSensor>> {
    let mut columns = vec![
        minute(|of: &OfSensor| of.row.start),
        text("sensor", |of: &OfSensor| Some(&of.sensor.name)),
        text("quantity", |of: &OfSensor| Some(&of.sensor.quantity)),
        text("unit", |of: &OfSensor| Some(&of.sensor.unit)),
    ];
    columns.extend(spread(("", ""), |of: &OfSensor| of.row.values));
    columns.push(whole("values wanted", |of: &OfSensor| i64::from(of.row.wanted)));
    columns.push(whole("boot", |of: &OfSensor| of.row.boot));
    columns
}
