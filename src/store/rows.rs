//! One record, one row: how values are bound to columns.
//!
//! Model: samples are whole numbers of small units (1 uV, 1 uA, 1 uW, 1 mW/m2, 1 mdegC), which
//! lie far below what an electronic load resolves and take three to five bytes instead of eight;
//! the same rows measured 95 bytes as real numbers and 63 as whole ones. Minutes, days and events are rare and
//! stay real numbers. A value that is no number, or infinite, is stored as NULL, never as a
//! number: it must not enter an average.

use crate::control::record::{
    Activity, Curve, CurvePoint, DayTotal, Event, Happening, Minute, Sample, Spread,
};
use rusqlite::{Connection, Result, params};
use std::time::Duration;

/// Micro-units in one unit: samples of V, A, W are stored in uV, uA, uW.
pub(super) const MICRO: f64 = 1e6;
/// Milli-units in one unit: irradiance and temperature of samples are stored in mW/m2 and mdegC.
pub(super) const MILLI: f64 = 1e3;

/// The keys of a row that the log adds to a record.
#[derive(Clone, Copy, Debug)]
pub(super) struct Keys {
    /// Number of the boot.
    pub(super) boot: i64,
    /// Number of the channel in the log.
    pub(super) channel: i64,
}

/// Monotonic and wall clock (us) of a stamp.
pub(super) fn clocks(at: crate::time::Stamp) -> (i64, i64) {
    const NANOS_PER_MICRO: u64 = 1000;
    let mono = at.mono.as_nanos() / NANOS_PER_MICRO;
    (i64::try_from(mono).unwrap_or(i64::MAX), at.utc.as_micros())
}

/// `value` in whole small units; none where it is no finite number.
#[expect(clippy::cast_possible_truncation, reason = "the cast saturates")]
fn whole(value: f64, units: f64) -> Option<i64> {
    value.is_finite().then(|| (value * units).round() as i64)
}

fn finite(value: f64) -> Option<f64> {
    value.is_finite().then_some(value)
}

/// The code of an activity: its place in [`Activity::ALL`].
fn code(activity: Activity) -> i64 {
    (0..).zip(Activity::ALL).find(|&(_, other)| other == activity).map_or(0, |(code, _)| code)
}

pub(super) fn insert_sample(conn: &Connection, keys: Keys, s: &Sample) -> Result<()> {
    let (mono, utc) = clocks(s.at);
    let mut statement = conn
        .prepare_cached("INSERT INTO sample VALUES (?1,?2,?3,?4,?5,?6,?7,?8,?9,?10,?11,?12,?13)")?;
    statement.execute((
        keys.boot,
        mono,
        keys.channel,
        utc,
        code(s.activity),
        s.readings,
        whole(s.volts.0, MICRO),
        whole(s.amps.0, MICRO),
        whole(s.watts.0, MICRO),
        s.setpoint.and_then(|v| whole(v.0, MICRO)),
        s.irradiance.and_then(|v| whole(v.0, MILLI)),
        s.module_temperature.and_then(|v| whole(v.0, MILLI)),
        s.crest.and_then(|v| whole(v.0, MICRO)),
    ))?;
    Ok(())
}

pub(super) type SpreadRow = (Option<f64>, Option<f64>, Option<f64>, Option<f64>, u32);

/// Mean, least, largest, deviation, count; the first four absent where there was no value.
pub(super) fn spread(s: &Spread) -> SpreadRow {
    if s.count == 0 {
        return (None, None, None, None, 0);
    }
    (finite(s.mean), finite(s.min), finite(s.max), finite(s.deviation), s.count)
}

const INSERT_MINUTE: &str = "INSERT INTO minute VALUES (?1,?2,?3,?4,?5,?6, ?7,?8,?9,?10,?11, \
     ?12,?13,?14,?15,?16, ?17,?18,?19,?20,?21, ?22,?23,?24,?25,?26, ?27,?28,?29,?30,?31, \
     ?32,?33,?34)";

pub(super) fn insert_minute(conn: &Connection, keys: Keys, m: &Minute) -> Result<()> {
    const MICROS_PER_SECOND: i64 = 1_000_000;
    let (mono, utc) = clocks(m.at);
    let (v, i, p) = (spread(&m.volts), spread(&m.amps), spread(&m.watts));
    let (g, t) = (spread(&m.irradiance), spread(&m.module_temperature));
    #[rustfmt::skip]
    conn.prepare_cached(INSERT_MINUTE)?.execute(params![
        keys.channel, keys.boot, m.start.as_micros().div_euclid(MICROS_PER_SECOND), mono, utc,
        code(m.activity),
        v.0, v.1, v.2, v.3, v.4,
        i.0, i.1, i.2, i.3, i.4,
        p.0, p.1, p.2, p.3, p.4,
        g.0, g.1, g.2, g.3, g.4,
        t.0, t.1, t.2, t.3, t.4,
        finite(m.energy.0), m.covered.as_secs_f64(), m.missing.as_secs_f64(),
    ])?;
    Ok(())
}

/// The newest part of a date within a boot: its number, awake time (s) and monotonic time (us).
const NEWEST_PART: &str = "SELECT part, covered_s + missing_s, mono_us FROM day \
     WHERE channel = ?1 AND boot = ?2 AND date = ?3 ORDER BY part DESC LIMIT 1";

/// Least loss of awake time that says the totals began anew (s): beyond rounding, below a turn.
const BEGAN_ANEW: f64 = 1e-3;

/// Writes the newest totals of a date; totals that began anew within the boot start a new part.
pub(super) fn upsert_day(conn: &Connection, keys: Keys, d: &DayTotal) -> Result<()> {
    let (mono, utc) = clocks(d.at);
    let date = d.day.date();
    let newest = {
        let mut statement = conn.prepare_cached(NEWEST_PART)?;
        let mut rows = statement.query((keys.channel, keys.boot, &date))?;
        match rows.next()? {
            Some(row) => Some((row.get(0)?, row.get(1)?, row.get(2)?)),
            None => None,
        }
    };
    let awake = (d.covered + d.missing).as_secs_f64();
    let part: i64 = match newest {
        None => 0,
        Some((_, _, written)) if mono < written => return Ok(()), // older than what is there
        Some((part, had, _)) if awake + BEGAN_ANEW < had => part + 1,
        Some((part, _, _)) => part,
    };
    let mut statement = conn.prepare_cached(
        "INSERT OR REPLACE INTO day VALUES (?1,?2,?3,?4,?5,?6,?7,?8,?9,?10,?11,?12,?13,?14,?15, \
         ?16)",
    )?;
    statement.execute(params![
        keys.channel,
        keys.boot,
        date,
        part,
        mono,
        utc,
        finite(d.energy.0),
        d.available.and_then(|e| finite(e.0)),
        finite(d.irradiation.0),
        finite(d.peak.0),
        d.tracking.as_secs_f64(),
        d.covered.as_secs_f64(),
        d.missing.as_secs_f64(),
        d.gaps,
        d.sweeping.as_secs_f64(),
        finite(d.sweep_missed.0).unwrap_or_default(),
    ])?;
    Ok(())
}

pub(super) fn insert_curve_point(conn: &Connection, keys: Keys, p: &CurvePoint) -> Result<()> {
    let (mono, utc) = clocks(p.at);
    let mut statement =
        conn.prepare_cached("INSERT INTO curve_point VALUES (?1,?2,?3,?4,?5,?6,?7,?8,?9,?10,?11)")?;
    statement.execute((
        keys.boot,
        keys.channel,
        p.curve,
        p.index,
        mono,
        utc,
        whole(p.volts.0, MICRO),
        whole(p.amps.0, MICRO),
        whole(p.setpoint.0, MICRO),
        p.irradiance.and_then(|v| whole(v.0, MILLI)),
        p.module_temperature.and_then(|v| whole(v.0, MILLI)),
    ))?;
    Ok(())
}

pub(super) fn insert_curve(conn: &Connection, keys: Keys, c: &Curve) -> Result<()> {
    let (began_mono, began_utc) = clocks(c.began);
    let (mono, utc) = clocks(c.at);
    let mut statement =
        conn.prepare_cached("INSERT INTO curve VALUES (?1,?2,?3,?4,?5,?6,?7,?8,?9,?10,?11)")?;
    statement.execute((
        keys.boot,
        keys.channel,
        c.curve,
        began_mono,
        began_utc,
        mono,
        utc,
        c.points,
        c.direction.word(),
        c.end.word(),
        finite(c.missed.0),
    ))?;
    Ok(())
}

/// The columns of an event, text already put together.
#[derive(Clone, Copy, Debug)]
pub(super) struct EventRow<'a> {
    pub(super) boot: i64,
    pub(super) channel: Option<i64>,
    pub(super) at: crate::time::Stamp,
    pub(super) severity: &'a str,
    pub(super) code: &'a str,
    pub(super) text: &'a str,
    pub(super) detail: Option<&'a str>,
}

pub(super) fn insert_event(conn: &Connection, e: &EventRow<'_>) -> Result<()> {
    let (mono, utc) = clocks(e.at);
    let mut statement =
        conn.prepare_cached("INSERT INTO event VALUES (NULL,?1,?2,?3,?4,?5,?6,?7,?8)")?;
    statement.execute((e.boot, mono, utc, e.channel, e.severity, e.code, e.text, e.detail))?;
    Ok(())
}

pub(super) fn insert_happening(
    conn: &Connection,
    boot: i64,
    channel: Option<i64>,
    event: &Event,
) -> Result<()> {
    let text = event.what.to_string();
    let detail = detail(&event.what);
    let (severity, code) = (event.what.severity().word(), event.what.code());
    let detail = detail.as_deref();
    insert_event(
        conn,
        &EventRow { boot, channel, at: event.at, severity, code, text: &text, detail },
    )
}

/// A number in JSON, which has no NaN.
fn json(value: f64) -> String {
    if value.is_finite() { value.to_string() } else { "null".to_owned() }
}

fn json_seconds(span: Duration) -> String {
    json(span.as_secs_f64())
}

/// The numbers of a happening as JSON, so that `json_extract(detail, '$.value')` finds them.
fn detail(what: &Happening) -> Option<String> {
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
        Happening::LockedOff { times } | Happening::WishHeld { times } => {
            format!(r#"{{"times":{times}}}"#)
        }
        Happening::Gap { length } => format!(r#"{{"length_s":{}}}"#, json_seconds(length)),
        Happening::SamplesLeftOut { count } => format!(r#"{{"count":{count}}}"#),
        Happening::LastRunBrokeOff { last } => {
            format!(r#"{{"last_utc":"{last}","last_utc_us":{}}}"#, last.as_micros())
        }
        Happening::TurnsLate { due, late, latest } => {
            format!(r#"{{"due":{due},"late":{late},"latest_s":{}}}"#, json_seconds(latest))
        }
        Happening::TrackerFailed(trouble) | Happening::TrackerReplaced(trouble) => format!(
            r#"{{"what":"{}","line":{},"in_a_row":{}}}"#,
            trouble.fault.words(),
            trouble.line,
            trouble.replaced_after.max(1)
        ),
        Happening::RunBegan
        | Happening::RunEnded
        | Happening::Connected
        | Happening::TrackingBegan
        | Happening::FellAsleep
        | Happening::LinkLost
        | Happening::Stopped
        | Happening::StopUnconfirmed => return None,
    })
}
