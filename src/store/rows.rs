//! One record, one row: how values become columns.
//!
//! Model: samples and minutes are whole numbers of small units (1 uV, 1 uA, 1 uW, 1 mW/m2,
//! 1 mdegC), which lie far below what an electronic load resolves and take three to five bytes
//! instead of eight. Of a minute's least, largest and deviation the distance from the mean is kept,
//! in coarser units, two bytes each; of its energy what is beyond mean power times time. Days, sensors' minutes and events are
//! rare and stay real numbers. A value that is no number, or infinite, is stored as NULL, never as
//! a number: it must not enter an average.

use super::op::{Kind, Op};
use crate::control::record::{
    Activity, Curve, CurvePoint, DayTotal, Event, Happening, Minute, Sample, Spread, Zero,
};
use crate::sensors::SensorMinute;
use crate::time::{Instant, Stamp, Utc};
use rusqlite::types::Value;
use std::time::Duration;

/// Micro-units in one unit: samples of V, A, W are stored in uV, uA, uW.
pub(super) const MICRO: f64 = 1e6;
/// Milli-units in one unit: irradiance and temperature are stored in mW/m2 and mdegC.
pub(super) const MILLI: f64 = 1e3;
/// How many units of the mean make one of its extremes' distance and one of its deviation.
#[derive(Clone, Copy, Debug)]
pub(super) struct Coarse {
    pub(super) extremes: i64,
    pub(super) deviation: i64,
}
/// Of volts and amps: 100 uV and 10 uV.
pub(super) const OF_LOAD: Coarse = Coarse { extremes: 100, deviation: 10 };
/// Of watts, which scatter more: 1 mW and 100 uW.
pub(super) const OF_WATTS: Coarse = Coarse { extremes: 1000, deviation: 100 };
/// Of irradiance and temperature: 10 mW/m2, 10 mdegC.
pub(super) const OF_SENSORS: Coarse = Coarse { extremes: 10, deviation: 10 };
/// Bits of each count among those that are fewer than of volts.
pub(super) const FEWER_BITS: u32 = 16;
/// Bits of an activity beside a minute's closing.
pub(super) const ACTIVITY_BITS: u32 = 4;
/// Bits of the time that a minute is short of, beside the missing time (ms).
pub(super) const SHORT_BITS: u32 = 22;
/// uW times ms in one uWh.
pub(super) const UW_MS_PER_UWH: i64 = 3_600_000;
/// A minute (s).
pub(super) const MINUTE_S: i64 = 60;
/// A minute (ms): what is short of it is stored.
pub(super) const MINUTE_MS: i64 = 60_000;

const MICROS_PER_SECOND: i64 = 1_000_000;

/// Monotonic clock (us).
pub(super) fn mono_us(at: Instant) -> i64 {
    const NANOS_PER_MICRO: u64 = 1000;
    i64::try_from(at.as_nanos() / NANOS_PER_MICRO).unwrap_or(i64::MAX)
}

/// Monotonic and wall clock (us) of a stamp.
pub(super) fn clocks(at: Stamp) -> (i64, i64) {
    (mono_us(at.mono), at.utc.as_micros())
}

/// Monotonic clock and what the wall clock has more (us), as rows to be carry them.
fn times(at: Stamp) -> [Value; 2] {
    let (mono, utc) = clocks(at);
    [Value::Integer(mono), Value::Integer(utc.wrapping_sub(mono))]
}

/// `value` in whole small units; none where it is no finite number.
#[expect(clippy::cast_possible_truncation, reason = "the cast saturates")]
fn whole(value: f64, units: f64) -> Option<i64> {
    value.is_finite().then(|| (value * units).round() as i64)
}

fn int(value: Option<i64>) -> Value {
    value.map_or(Value::Null, Value::Integer)
}

/// A real number; NULL where it is none.
fn real(value: f64) -> Value {
    if value.is_finite() { Value::Real(value) } else { Value::Null }
}

fn micros(value: f64) -> Value {
    int(whole(value, MICRO))
}

fn millis(value: f64) -> Value {
    int(whole(value, MILLI))
}

fn span_ms(span: Duration) -> i64 {
    whole(span.as_secs_f64(), MILLI).unwrap_or_default()
}

fn text(words: &str) -> Value {
    Value::Text(words.to_owned())
}

/// The code of an activity: its place in [`Activity::ALL`].
fn code(activity: Activity) -> i64 {
    (0..).zip(Activity::ALL).find(|&(_, other)| other == activity).map_or(0, |(code, _)| code)
}

pub(super) fn sample(channel: i64, s: &Sample) -> Op {
    let mut values = Vec::with_capacity(12);
    values.push(Value::Integer(channel));
    values.extend(times(s.at));
    values.extend([
        Value::Integer(code(s.activity)),
        Value::Integer(s.readings.into()),
        micros(s.volts.0),
        micros(s.amps.0),
        micros(s.watts.0),
        s.setpoint.map_or(Value::Null, |v| micros(v.0)),
        s.irradiance.map_or(Value::Null, |v| millis(v.0)),
        s.module_temperature.map_or(Value::Null, |v| millis(v.0)),
        s.crest.map_or(Value::Null, |v| micros(v.0)),
    ]);
    Op::new(Kind::Sample, values)
}

/// Mean in small units; least, largest and deviation from it in coarser ones.
#[expect(clippy::cast_precision_loss, reason = "ten to a thousand")]
fn spread_of(s: &Spread, units: f64, coarse: Coarse) -> [Value; 4] {
    if s.count == 0 {
        return [Value::Null, Value::Null, Value::Null, Value::Null];
    }
    let extremes = units / coarse.extremes as f64;
    let from_mean = |value: f64, sign: f64| whole((value - s.mean) * sign, extremes);
    [
        int(whole(s.mean, units)),
        int(from_mean(s.min, -1.0)),
        int(from_mean(s.max, 1.0)),
        int(whole(s.deviation, units / coarse.deviation as f64)),
    ]
}

/// Energy (uWh) of a mean power (uW) over a time (ms); as SQLite computes it.
#[expect(clippy::cast_possible_truncation, reason = "a million seconds of a terawatt fit")]
pub(super) fn mean_energy(watts_uw: i64, covered_ms: i64) -> i64 {
    (i128::from(watts_uw) * i128::from(covered_ms) / i128::from(UW_MS_PER_UWH)) as i64
}

/// How many values fewer than of volts the other quantities have, side by side.
fn fewer(m: &Minute) -> i64 {
    let others = [&m.amps, &m.watts, &m.irradiance, &m.module_temperature];
    (0..).zip(others).fold(0, |all, (place, other)| {
        let fewer = (i64::from(m.volts.count) - i64::from(other.count)) & ((1 << FEWER_BITS) - 1);
        all | fewer << (FEWER_BITS * place)
    })
}

pub(super) fn minute(channel: i64, m: &Minute) -> Op {
    let began = m.start.as_micros().div_euclid(MICROS_PER_SECOND);
    // A machine that stood still with the input off may cover hours in one: of time there is room for
    // 36 min, and the energy stays what it is.
    let most = (1 << (SHORT_BITS - 1)) + MINUTE_MS;
    let short = MINUTE_MS - span_ms(m.covered).min(most);
    let mut values = Vec::with_capacity(28);
    values.push(Value::Integer(channel));
    values.extend(times(m.at));
    values.extend([Value::Integer(began), Value::Integer(code(m.activity))]);
    values.extend([Value::Integer(m.volts.count.into()), Value::Integer(fewer(m))]);
    values.extend(spread_of(&m.volts, MICRO, OF_LOAD));
    values.extend(spread_of(&m.amps, MICRO, OF_LOAD));
    values.extend(spread_of(&m.watts, MICRO, OF_WATTS));
    values.extend(spread_of(&m.irradiance, MILLI, OF_SENSORS));
    values.extend(spread_of(&m.module_temperature, MILLI, OF_SENSORS));
    let mean = if m.watts.count == 0 { None } else { whole(m.watts.mean, MICRO) };
    let even = mean_energy(mean.unwrap_or_default(), MINUTE_MS - short);
    values.extend([
        int(whole(m.energy.0, MICRO).map(|energy| energy.wrapping_sub(even))),
        Value::Integer((span_ms(m.missing) << SHORT_BITS).wrapping_add(short)),
    ]);
    Op::new(Kind::Minute, values)
}

pub(super) fn sensor_minute(sensor: i64, m: &SensorMinute) -> Op {
    let mut values = vec![Value::Integer(sensor)];
    values.extend(times(m.at));
    values.push(Value::Integer(m.start.as_micros().div_euclid(MICROS_PER_SECOND)));
    let s = m.values;
    let of = |value: f64| if s.count == 0 { Value::Null } else { real(value) };
    values.extend([of(s.mean), of(s.min), of(s.max), of(s.deviation)]);
    values.extend([Value::Integer(s.count.into()), Value::Integer(m.wanted.into())]);
    Op::new(Kind::SensorMinute, values)
}

pub(super) fn day(channel: i64, d: &DayTotal) -> Op {
    let mut values = vec![Value::Integer(channel)];
    values.extend(times(d.at));
    values.extend([
        text(&d.day.date()),
        real(d.energy.0),
        d.available.map_or(Value::Null, |e| real(e.0)),
        real(d.irradiation.0),
        real(d.peak.0),
        Value::Real(d.tracking.as_secs_f64()),
        Value::Real(d.covered.as_secs_f64()),
        Value::Real(d.missing.as_secs_f64()),
        Value::Integer(d.gaps.into()),
        Value::Real(d.sweeping.as_secs_f64()),
        Value::Real(if d.sweep_missed.0.is_finite() { d.sweep_missed.0 } else { 0.0 }),
        Value::Integer(mono_us(d.began)),
    ]);
    Op::new(Kind::Day, values)
}

/// Daylight of a day in which no run held the channel's device: totals of a book of its own, which was begun before
/// this run.
pub(super) fn absent(channel: i64, at: Stamp, (from, until): (Utc, Utc), day: Utc) -> Op {
    let nothing =
        DayTotal { day, at, missing: until.saturating_since(from), gaps: 1, ..DayTotal::default() };
    let mut op = self::day(channel, &nothing);
    if let Some(began) = op.values.last_mut() {
        *began = Value::Integer(from.as_micros().saturating_sub(at.offset_micros()));
    }
    op
}

pub(super) fn curve_point(channel: i64, p: &CurvePoint) -> Op {
    let mut values = vec![Value::Integer(channel)];
    values.extend(times(p.at));
    values.extend([
        Value::Integer(p.curve.into()),
        Value::Integer(p.index.into()),
        micros(p.volts.0),
        micros(p.amps.0),
        micros(p.setpoint.0),
        p.irradiance.map_or(Value::Null, |v| millis(v.0)),
        p.module_temperature.map_or(Value::Null, |v| millis(v.0)),
    ]);
    Op::new(Kind::CurvePoint, values)
}

pub(super) fn curve(channel: i64, c: &Curve) -> Op {
    let mut values = vec![Value::Integer(channel)];
    values.extend(times(c.at));
    values.extend(times(c.began));
    values.extend([
        Value::Integer(c.curve.into()),
        Value::Integer(c.points.into()),
        text(c.direction.word()),
        text(c.end.word()),
        real(c.missed.0),
    ]);
    Op::new(Kind::Curve, values)
}

/// The columns of an event, text already put together.
#[derive(Clone, Copy, Debug)]
pub(super) struct EventRow<'a> {
    pub(super) channel: Option<i64>,
    pub(super) at: Stamp,
    pub(super) severity: &'a str,
    pub(super) code: &'a str,
    pub(super) text: &'a str,
    pub(super) detail: Option<&'a str>,
}

pub(super) fn event(e: &EventRow<'_>) -> Op {
    let mut values = vec![int(e.channel)];
    values.extend(times(e.at));
    values.extend([text(e.severity), text(e.code), text(e.text)]);
    values.push(e.detail.map_or(Value::Null, text));
    Op::new(Kind::Event, values)
}

pub(super) fn happening(channel: Option<i64>, e: &Event) -> Op {
    let (words, detail) = (e.what.to_string(), detail(&e.what));
    let (severity, code) = (e.what.severity().word(), e.what.code());
    event(&EventRow { channel, at: e.at, severity, code, text: &words, detail: detail.as_deref() })
}

/// The wall clock was set at a moment, by so much (us), which puts right what was labelled since.
pub(super) fn correction(at: Stamp, (since, shift): (Instant, i64)) -> Op {
    let mut values = vec![Value::Null];
    values.extend(times(at));
    values.extend([Value::Integer(mono_us(since)), Value::Integer(shift)]);
    Op::new(Kind::Correction, values)
}

/// Both clocks at one moment.
pub(super) fn clock(at: Stamp) -> Op {
    let mut values = vec![Value::Null];
    values.extend(times(at));
    Op::new(Kind::Clock, values)
}

/// A number in JSON, which has no NaN.
fn json(value: f64) -> String {
    if value.is_finite() { value.to_string() } else { "null".to_owned() }
}

#[expect(clippy::cast_precision_loss, reason = "53 bits of microseconds are 285 years")]
fn seconds_of(micros: i64) -> f64 {
    micros as f64 / MICRO
}

fn json_seconds(span: Duration) -> String {
    json(span.as_secs_f64())
}

fn zeros(zero: &Zero) -> String {
    format!(
        r#"{{"looks":{},"amps_a":{},"scatter_a":{},"volts_v":{},"irradiance_w_m2":{}}}"#,
        zero.looks,
        json(zero.amps.0),
        json(zero.scatter.0),
        json(zero.volts.0),
        json(zero.irradiance.map_or(f64::NAN, |seen| seen.0))
    )
}

/// The numbers of a happening as JSON, so that `json_extract(detail, '$.value')` finds them.
pub(super) fn detail(what: &Happening) -> Option<String> {
    Some(match *what {
        Happening::Woke { open_circuit } => {
            format!(r#"{{"open_circuit_v":{}}}"#, json(open_circuit.0))
        }
        Happening::FoundOn { load, amps } => format!(
            r#"{{"load_v":{},"amps_a":{}}}"#,
            json(load.map_or(f64::NAN, |volts| volts.0)),
            json(amps.map_or(f64::NAN, |amps| amps.0))
        ),
        Happening::LinkBack { after } => format!(r#"{{"after_s":{}}}"#, json_seconds(after)),
        Happening::HeldOff { limit, value, bound } => {
            let (words, unit) = limit.words();
            format!(
                r#"{{"limit":"{words}","unit":"{unit}","value":{},"bound":{}}}"#,
                json(value),
                json(bound)
            )
        }
        Happening::LetGo { limit, value, bound, rest } => {
            let (words, unit) = limit.words();
            format!(
                r#"{{"limit":"{words}","unit":"{unit}","value":{},"bound":{},"rest_s":{}}}"#,
                json(value),
                json(bound),
                json_seconds(rest)
            )
        }
        Happening::LockedOff { times, .. } | Happening::WishHeld { times } => {
            format!(r#"{{"times":{times}}}"#)
        }
        Happening::ZerosRead(zero) | Happening::ZerosOff(zero) => zeros(&zero),
        Happening::Gap { length } => format!(r#"{{"length_s":{}}}"#, json_seconds(length)),
        Happening::SamplesLeftOut { count } => format!(r#"{{"count":{count}}}"#),
        Happening::LastRunBrokeOff { last } => {
            format!(r#"{{"last_utc":"{last}","last_utc_us":{}}}"#, last.as_micros())
        }
        Happening::WithoutRun { from, until } => format!(
            r#"{{"from_utc_us":{},"until_utc_us":{},"length_s":{}}}"#,
            from.as_micros(),
            until.as_micros(),
            json_seconds(until.saturating_since(from))
        ),
        Happening::TurnsLate { due, late, latest } => {
            format!(r#"{{"due":{due},"late":{late},"latest_s":{}}}"#, json_seconds(latest))
        }
        Happening::TrackerFailed(trouble) | Happening::TrackerReplaced(trouble) => format!(
            r#"{{"what":"{}","line":{},"in_a_row":{}}}"#,
            trouble.fault.words(),
            trouble.line,
            trouble.replaced_after.max(1)
        ),
        Happening::ClockSet { by, corrects } => format!(
            r#"{{"by_s":{},"corrects_since_boot_s":{}}}"#,
            json(seconds_of(by)),
            corrects.map_or_else(|| "null".to_owned(), |since| json(since.as_secs_f64()))
        ),
        Happening::SensorDoubted { irradiance, watts } => {
            format!(r#"{{"irradiance_w_m2":{},"watts_w":{}}}"#, json(irradiance.0), json(watts.0))
        }
        Happening::ClockDoubted { by } => format!(r#"{{"by_s":{}}}"#, json(seconds_of(by))),
        Happening::RunBegan
        | Happening::RunEnded
        | Happening::Connected
        | Happening::TrackingBegan
        | Happening::FellAsleep
        | Happening::NoYield
        | Happening::LinkLost
        | Happening::Stopped
        | Happening::StopUnconfirmed => return None,
    })
}
