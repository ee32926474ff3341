//! Rows to be become rows: how the values of an [`Op`] go into the tables.
//!
//! Model: the packer knows the boot and, for each channel, the stretch that its rows are numbered
//! in. It runs within a transaction of the caller's. What it remembers of stretches is only true if
//! that transaction is kept: [`Packer::forget`] after a rollback.

use super::correct::Correction;
use super::op::{Kind, Op};
use super::results::{self, Appraise};
use super::rows::{self, ACTIVITY_BITS, EventRow, MINUTE_S};
use crate::control::record::{ChannelId, Curve, CurveEnd, SweepDirection};
use crate::quantities::WattHours;
use crate::time::Stamp;
use rusqlite::types::Value;
use rusqlite::{Connection, Error, Result, ToSql, params, params_from_iter};
use std::collections::{HashMap, VecDeque};

/// Samples of a stretch are numbered by their milliseconds, in so many bits: 70 minutes.
pub(super) const STRETCH_BITS: u32 = 22;
/// Minutes by their seconds.
pub(super) const MINUTE_BITS: u32 = 13;

/// Change of the offset between the clocks that begins a new stretch (us): the resolution of the
/// rows' times.
const OFFSET_TOLERANCE: u64 = 1000;

/// Corrections that are remembered: the rows that come behind them do so within seconds.
const CORRECTIONS: usize = 4;

const MICROS_PER_MILLI: i64 = 1000;
const MICROS_PER_SECOND: i64 = 1_000_000;
const MILLIS_PER_SECOND: i64 = 1000;

/// A channel's stretch.
#[derive(Clone, Copy, Debug)]
struct Stretch {
    id: i64,
    mono: i64,
    offset: i64,
    /// The numbers last given to a sample and to a minute, -1 before the first: two that close within
    /// one millisecond, or one second, need a new stretch.
    sample: i64,
    minute: i64,
}

impl Stretch {
    fn last(&mut self, kind: Kind) -> &mut i64 {
        if kind == Kind::Minute { &mut self.minute } else { &mut self.sample }
    }
}

/// Keys of a curve's rows.
#[derive(Clone, Copy, Debug)]
pub(super) struct Keys {
    /// Number of the boot.
    pub(super) boot: i64,
    /// Number of the channel in the log.
    pub(super) channel: i64,
}

/// Puts rows into the tables.
#[derive(Debug)]
pub(super) struct Packer {
    pub(super) boot: i64,
    /// The channels' numbers in the log, in the order of [`ChannelId`].
    channels: Vec<i64>,
    pub(super) appraise: Option<Appraise>,
    stretches: HashMap<i64, Stretch>,
    /// The newest corrections: a sample that was taken before one may come behind it.
    corrections: VecDeque<Correction>,
}

impl Packer {
    pub(super) fn new(boot: i64, channels: Vec<i64>) -> Self {
        Self {
            boot,
            channels,
            appraise: None,
            stretches: HashMap::new(),
            corrections: VecDeque::new(),
        }
    }

    /// The transaction was given up, and with it the stretches it began.
    pub(super) fn forget(&mut self) {
        self.stretches.clear();
    }

    /// Writes one row.
    pub(super) fn write(&mut self, conn: &Connection, op: &Op) -> Result<()> {
        let [channel, mono, offset, rest @ ..] = op.values.as_slice() else {
            return Err(Error::InvalidQuery);
        };
        let (mono, mut offset) = (integer(mono)?, integer(offset)?);
        if matches!(op.kind, Kind::Sample | Kind::CurvePoint | Kind::Event | Kind::Clock) {
            let wrong = self.corrections.iter().find(|known| known.concerns(mono, offset));
            offset = offset.wrapping_add(wrong.map_or(0, |known| known.shift));
        }
        let utc = mono.wrapping_add(offset);
        match op.kind {
            Kind::Sample => {
                let at = (integer(channel)?, mono, offset);
                let (stretch, millis) = self.place(conn, Kind::Sample, at)?;
                let id = stretch.id << STRETCH_BITS | millis;
                let id: &dyn ToSql = &id;
                let values = std::iter::once(id).chain(rest.iter().map(|value| value as _));
                run(conn, INSERT_SAMPLE, values)
            }
            Kind::Minute => self.minute(conn, (integer(channel)?, mono, offset), rest),
            Kind::Day => upsert_day(conn, (self.boot, mono, utc), (channel, rest)),
            Kind::Event => {
                let mut values: Vec<&dyn ToSql> = vec![&self.boot, &mono, &utc, channel];
                values.extend(rest.iter().map(|value| value as &dyn ToSql));
                run(conn, INSERT_EVENT, values)
            }
            Kind::CurvePoint => {
                let [curve, index, rest @ ..] = rest else { return Err(Error::InvalidQuery) };
                let mut values: Vec<&dyn ToSql> =
                    vec![&self.boot, channel, curve, index, &mono, &utc];
                values.extend(rest.iter().map(|value| value as &dyn ToSql));
                run(conn, INSERT_POINT, values)
            }
            Kind::Curve => self.curve(conn, (integer(channel)?, mono, utc), rest),
            Kind::SensorMinute => {
                let [start, rest @ ..] = rest else { return Err(Error::InvalidQuery) };
                let mut values: Vec<&dyn ToSql> = vec![channel, &self.boot, start, &mono, &utc];
                values.extend(rest.iter().map(|value| value as &dyn ToSql));
                run(conn, INSERT_SENSOR_MINUTE, values)
            }
            Kind::Correction => {
                let [from, shift] = rest else { return Err(Error::InvalidQuery) };
                let (from, shift) = (integer(from)?, integer(shift)?);
                self.correct(conn, Correction { from, until: mono, offset, shift })
            }
            Kind::Clock => {
                let values: [&dyn ToSql; 3] = [&self.boot, &mono, &utc];
                run(conn, "INSERT OR REPLACE INTO clock VALUES (?1, ?2, ?3)", values)
            }
        }
    }

    /// Moves labels that the wrong clock made; rows to come are in stretches of their own.
    fn correct(&mut self, conn: &Connection, correction: Correction) -> Result<()> {
        correction.apply(conn, self.boot)?;
        self.stretches.clear();
        self.corrections.truncate(CORRECTIONS - 1);
        self.corrections.push_front(correction);
        Ok(())
    }

    /// The stretch of a channel's row and the row's number within: milliseconds of a sample, seconds of
    /// a minute. Begins one where none fits.
    fn place(
        &mut self,
        conn: &Connection,
        kind: Kind,
        (channel, mono, offset): (i64, i64, i64),
    ) -> Result<(Stretch, i64)> {
        let unit = if kind == Kind::Minute { MILLIS_PER_SECOND } else { 1 };
        let place = |stretch: &mut Stretch| {
            let millis = mono.checked_sub(stretch.mono)?.div_euclid(MICROS_PER_MILLI);
            let number = millis.div_euclid(unit);
            let fits = (0..1 << STRETCH_BITS).contains(&millis)
                && number > *stretch.last(kind)
                && stretch.offset.abs_diff(offset) < OFFSET_TOLERANCE;
            fits.then(|| {
                *stretch.last(kind) = number;
                (*stretch, number)
            })
        };
        if let Some(place) = self.stretches.get_mut(&channel).and_then(place) {
            return Ok(place);
        }
        let id = conn
            .prepare_cached("INSERT INTO stretch VALUES (NULL, ?1, ?2, ?3, ?4) RETURNING id")?
            .query_row((self.boot, channel, mono, mono.wrapping_add(offset)), |row| row.get(0))?;
        let mut stretch = Stretch { id, mono, offset, sample: -1, minute: -1 };
        *stretch.last(kind) = 0;
        self.stretches.insert(channel, stretch);
        Ok((stretch, 0))
    }

    /// Writes a minute; its closing is told from the second that its number stands for.
    fn minute(
        &mut self,
        conn: &Connection,
        (channel, mono, offset): (i64, i64, i64),
        rest: &[Value],
    ) -> Result<()> {
        let [start, activity, rest @ ..] = rest else { return Err(Error::InvalidQuery) };
        let (stretch, seconds) = self.place(conn, Kind::Minute, (channel, mono, offset))?;
        let id = stretch.id << MINUTE_BITS | seconds;
        let base = stretch.mono.wrapping_add(stretch.offset).div_euclid(MICROS_PER_SECOND);
        let late = (base + seconds).wrapping_sub(integer(start)?).wrapping_sub(MINUTE_S);
        let closing = (late << ACTIVITY_BITS).wrapping_add(integer(activity)?);
        let mut values: Vec<&dyn ToSql> = vec![&id, &closing];
        values.extend(rest.iter().map(|value| value as &dyn ToSql));
        run(conn, INSERT_MINUTE, values)
    }

    /// Writes a curve that ended, and what it says.
    fn curve(
        &self,
        conn: &Connection,
        (channel, mono, utc): (i64, i64, i64),
        rest: &[Value],
    ) -> Result<()> {
        let [began, began_offset, curve, points, direction, ending, missed] = rest else {
            return Err(Error::InvalidQuery);
        };
        let began = integer(began)?;
        let began_utc = began.wrapping_add(integer(began_offset)?);
        conn.prepare_cached("INSERT INTO curve VALUES (?1,?2,?3,?4,?5,?6,?7,?8,?9,?10,?11)")?
            .execute(params![
                self.boot, channel, curve, began, began_utc, mono, utc, points, direction, ending,
                missed,
            ])?;
        let Some(look) = &self.appraise else { return Ok(()) };
        let Some(direction) = SweepDirection::ALL
            .into_iter()
            .find(|known| matches!(direction, Value::Text(word) if word == known.word()))
        else {
            return Ok(());
        };
        if !matches!(ending, Value::Text(word) if word == CurveEnd::Whole.word()) {
            return Ok(());
        }
        let Some(known) = self.channels.iter().position(|known| *known == channel) else {
            return Ok(());
        };
        // Only its key, its points and its way are looked at.
        let curve = Curve {
            channel: ChannelId(u16::try_from(known).unwrap_or(u16::MAX)),
            curve: u32::try_from(integer(curve)?).unwrap_or_default(),
            began: Stamp::default(),
            at: Stamp::default(),
            points: u16::try_from(integer(points)?).unwrap_or_default(),
            direction,
            end: CurveEnd::Whole,
            missed: WattHours::ZERO,
        };
        results::appraise(conn, Keys { boot: self.boot, channel }, &curve, look)
    }
}

const INSERT_SAMPLE: &str = "INSERT INTO sample VALUES (?1,?2,?3,?4,?5,?6,?7,?8,?9,?10)";
const INSERT_MINUTE: &str = "INSERT INTO minute VALUES (?1,?2,?3,?4, ?5,?6,?7,?8, \
     ?9,?10,?11,?12, ?13,?14,?15,?16, ?17,?18,?19,?20, ?21,?22,?23,?24, ?25,?26)";
const INSERT_EVENT: &str = "INSERT INTO event VALUES (NULL,?1,?2,?3,?4,?5,?6,?7,?8)";
const INSERT_POINT: &str = "INSERT INTO curve_point VALUES (?1,?2,?3,?4,?5,?6,?7,?8,?9,?10,?11)";
const INSERT_SENSOR_MINUTE: &str =
    "INSERT INTO sensor_minute VALUES (?1,?2,?3,?4,?5,?6,?7,?8,?9,?10,?11)";

fn run<'a>(
    conn: &Connection,
    sql: &str,
    values: impl IntoIterator<Item = &'a dyn ToSql>,
) -> Result<()> {
    conn.prepare_cached(sql)?.execute(params_from_iter(values))?;
    Ok(())
}

/// A value that must be a whole number.
fn integer(value: &Value) -> Result<i64> {
    match value {
        Value::Integer(whole) => Ok(*whole),
        other => Err(Error::InvalidColumnType(0, "key".to_owned(), other.data_type())),
    }
}

/// Writes an event outside the stream of records.
pub(super) fn write_event(conn: &Connection, boot: i64, row: &EventRow<'_>) -> Result<()> {
    Packer::new(boot, Vec::new()).write(conn, &rows::event(row))
}

/// The newest part of a date within a boot: its number, awake time (s) and monotonic time (us).
const NEWEST_PART: &str = "SELECT part, covered_s + missing_s, mono_us FROM day \
     WHERE channel = ?1 AND boot = ?2 AND date = ?3 ORDER BY part DESC LIMIT 1";

/// The row of a book, whatever its date is now.
const BOOK: &str = "SELECT date, part, mono_us FROM day \
     WHERE channel = ?1 AND boot = ?2 AND began_mono_us = ?3";

/// Least loss of awake time that says the totals began anew (s): beyond rounding, below a turn.
const BEGAN_ANEW: f64 = 1e-3;

/// Values of a day behind those of schema 1 before its book's beginning was told.
const DAY_BEFORE_BOOKS: usize = 3;

/// Writes the newest totals of a day's book in place of the older ones.
fn upsert_day(
    conn: &Connection,
    (boot, mono, utc): (i64, i64, i64),
    (channel, rest): (&Value, &[Value]),
) -> Result<()> {
    let [date, energy, available, irradiation, peak, tracking, covered, missing, last @ ..] = rest
    else {
        return Err(Error::InvalidQuery);
    };
    let awake: f64 = [covered, missing]
        .into_iter()
        .map(|span| if let Value::Real(span) = span { *span } else { 0.0 })
        .sum();
    let (began, key) = (last.get(DAY_BEFORE_BOOKS), (channel, boot, date));
    let place = match began {
        Some(began) => part_of_book(conn, key, (mono, began))?,
        None => part_by_growth(conn, key, (mono, awake))?,
    };
    let Some(part) = place else { return Ok(()) };
    let mut values: Vec<&dyn ToSql> = vec![
        channel,
        &boot,
        date,
        &part,
        &mono,
        &utc,
        energy,
        available,
        irradiation,
        peak,
        tracking,
        covered,
        missing,
    ];
    values.extend(last.iter().map(|value| value as &dyn ToSql));
    if began.is_none() {
        values.push(&Value::Null);
    }
    let sql = "INSERT OR REPLACE INTO day VALUES (?1,?2,?3,?4,?5,?6,?7,?8,?9,?10,?11,?12,?13,?14, \
               ?15,?16,?17)";
    run(conn, sql, values)
}

type DayKey<'a> = (&'a Value, i64, &'a Value);

/// Where the totals of a book go; nowhere where newer ones are there. A row of the same book under
/// another date is taken away.
fn part_of_book(
    conn: &Connection,
    (channel, boot, date): DayKey<'_>,
    (mono, began): (i64, &Value),
) -> Result<Option<i64>> {
    let mut found: Option<(String, i64, i64)> = None;
    {
        let mut statement = conn.prepare_cached(BOOK)?;
        let mut rows = statement.query((channel, boot, began))?;
        if let Some(row) = rows.next()? {
            found = Some((row.get(0)?, row.get(1)?, row.get(2)?));
        }
    }
    match found {
        Some((_, _, written)) if mono < written => return Ok(None),
        Some((known, part, _)) if matches!(date, Value::Text(date) if *date == known) => {
            return Ok(Some(part));
        }
        Some((known, part, _)) => {
            let sql =
                "DELETE FROM day WHERE channel = ?1 AND boot = ?2 AND date = ?3 AND part = ?4";
            conn.prepare_cached(sql)?.execute((channel, boot, known, part))?;
        }
        None => {}
    }
    let mut statement = conn.prepare_cached(NEWEST_PART)?;
    let mut rows = statement.query((channel, boot, date))?;
    let newest: Option<i64> = rows.next()?.map(|row| row.get(0)).transpose()?;
    Ok(Some(newest.map_or(0, |part| part + 1)))
}

/// The same for totals that an older program told, which did not name its book: those that began anew
/// within the boot start a new part.
fn part_by_growth(
    conn: &Connection,
    (channel, boot, date): DayKey<'_>,
    (mono, awake): (i64, f64),
) -> Result<Option<i64>> {
    let mut statement = conn.prepare_cached(NEWEST_PART)?;
    let mut rows = statement.query((channel, boot, date))?;
    let newest: Option<(i64, f64, i64)> = match rows.next()? {
        Some(row) => Some((row.get(0)?, row.get(1)?, row.get(2)?)),
        None => None,
    };
    Ok(match newest {
        None => Some(0),
        Some((_, _, written)) if mono < written => None, // older than what is there
        Some((part, had, _)) if awake + BEGAN_ANEW < had => Some(part + 1),
        Some((part, _, _)) => Some(part),
    })
}
