//! One day of a log, gathered for drawing.
//!
//! Model: the one-minute records carry power and irradiance; the crest power is only in the
//! samples, and only of rehearsals, so its one-minute means are made here. Samples are read an hour
//! at a time: a day of fast samples at once would fill the memory of a small computer. Days are
//! found through the day totals; looking through all minutes of a log of years would take long.

use crate::control::record::Spread;
use crate::quantities::WattHours;
use crate::store::{BootRow, ChannelRow, Reader, StoreError};
use crate::time::Utc;
use std::collections::BTreeMap;
use std::time::Duration;
use thiserror::Error;

const DAY: Duration = Duration::from_secs(86_400);
const HOUR: Duration = Duration::from_secs(3600);
const MICROS_PER_HOUR: f64 = 3.6e9;
/// Half a minute (h): records stand at the middle of their minute.
const HALF_MINUTE: f64 = 0.5 / 60.0;
/// Irradiance below which it is night (W/m2): above the offset of a sensor, below dawn.
const DARK_IRRADIANCE: f64 = 5.0;
/// Power below which it is night, as a share of the day's peak: above what readings scatter by.
const DARK_POWER: f64 = 0.01;
/// More dates than this many are told by the first and the last (a month fits a screen).
const DATES_TOLD: usize = 31;

/// Why a day could not be gathered or drawn.
#[derive(Debug, Error)]
pub enum PictureError {
    /// The log can't be read.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// The log holds no one-minute record at all.
    #[error(
        "this log has no one-minute records yet; let the run go on for some minutes and try again"
    )]
    Empty,
    /// The log has none on this date.
    #[error("no one-minute records on {date}; this log has {dates}; name one of its dates")]
    NoSuchDate {
        /// The date asked for.
        date: String,
        /// The dates there are.
        dates: String,
    },
    /// The text asked for is no date.
    #[error("{text} is not a date; write it as 2026-06-21")]
    NotADate {
        /// The text.
        text: String,
    },
    /// The drawing itself failed.
    #[error("the picture can't be drawn: {why}; report this as a defect")]
    Drawing {
        /// Why.
        why: String,
    },
}

/// One minute of one channel, ready to be drawn.
#[derive(Clone, Copy, Debug)]
pub(super) struct Point {
    /// Middle of the minute (h from the day's begin).
    pub(super) hour: f64,
    /// Power (W).
    pub(super) watts: Spread,
    /// Mean irradiance (W/m2), where there was a fresh one.
    pub(super) irradiance: Option<f64>,
}

/// One channel's day.
#[derive(Clone, Debug)]
pub(super) struct ChannelDay {
    pub(super) name: String,
    pub(super) device: String,
    pub(super) energy: Option<WattHours>,
    pub(super) available: Option<WattHours>,
    pub(super) points: Vec<Point>,
    /// Crest power: (h from the day's begin, one-minute mean in W).
    pub(super) crest: Vec<(f64, f64)>,
}

impl ChannelDay {
    /// The hours at which there was light or power.
    fn lit(&self) -> impl Iterator<Item = f64> {
        let watts = |point: &Point| if point.watts.count > 0 { point.watts.max } else { 0.0 };
        let dark = DARK_POWER * self.points.iter().map(watts).fold(0.0, f64::max);
        let lit = move |point: &&Point| {
            watts(point) > dark || point.irradiance.is_some_and(|light| light > DARK_IRRADIANCE)
        };
        self.points.iter().filter(lit).map(|point| point.hour)
    }
}

/// One day of all channels that have rows.
#[derive(Clone, Debug)]
pub(super) struct Day {
    pub(super) station: String,
    pub(super) date: String,
    /// Whether its hours are those of the mean sun, not of UTC.
    pub(super) by_the_sun: bool,
    pub(super) channels: Vec<ChannelDay>,
}

impl Day {
    /// The day `date`, or the last one with rows.
    pub(super) fn gather(reader: &Reader, date: Option<&str>) -> Result<Self, PictureError> {
        if let Some(date) = date {
            let channels = channels_on(reader, date)?;
            if channels.is_empty() {
                let dates = told(&dates(reader)?).ok_or(PictureError::Empty)?;
                return Err(PictureError::NoSuchDate { date: date.to_owned(), dates });
            }
            return Self::with(reader, date, channels);
        }
        for date in dates(reader)?.iter().rev() {
            let channels = channels_on(reader, date)?;
            if !channels.is_empty() {
                return Self::with(reader, date, channels);
            }
        }
        Err(PictureError::Empty)
    }

    fn with(reader: &Reader, date: &str, channels: Vec<ChannelDay>) -> Result<Self, PictureError> {
        let boot = boot_of(reader, date)?;
        let by_the_sun = boot.as_ref().is_some_and(|boot| boot.day_ahead_micros != 0);
        let station = boot.map(|boot| boot.station).unwrap_or_default();
        Ok(Self { station, date: date.to_owned(), by_the_sun, channels })
    }

    /// The whole hours around the lit part of the day; all 24 for a dark one.
    pub(super) fn hours(&self) -> (f64, f64) {
        let hours = self.channels.iter().flat_map(ChannelDay::lit);
        let (first, last) =
            hours.fold((24.0_f64, 0.0_f64), |(a, b), hour| (a.min(hour), b.max(hour)));
        if first < last { (first.floor(), last.ceil()) } else { (0.0, 24.0) }
    }
}

/// The dates of the log, oldest first.
fn dates(reader: &Reader) -> Result<Vec<String>, PictureError> {
    let mut dates: Vec<String> =
        reader.day_totals("", "9999-12-31")?.into_iter().map(|row| row.date).collect();
    dates.dedup();
    Ok(dates)
}

fn told(dates: &[String]) -> Option<String> {
    let (first, last) = (dates.first()?, dates.last()?);
    Some(if dates.len() <= DATES_TOLD {
        dates.join(", ")
    } else {
        format!("{} dates from {first} to {last}", dates.len())
    })
}

/// The boot whose station holds for a date: as it was then, not as a later boot of the same log is.
fn boot_of(reader: &Reader, date: &str) -> Result<Option<BootRow>, StoreError> {
    let mut boots = reader.boots()?;
    boots.retain(|boot| moved(boot.began, boot.day_ahead_micros).date().as_str() <= date);
    Ok(boots.into_iter().max_by_key(|boot| boot.began))
}

const fn moved(utc: Utc, micros: i64) -> Utc {
    Utc::from_micros(utc.as_micros().saturating_add(micros))
}

fn channels_on(reader: &Reader, date: &str) -> Result<Vec<ChannelDay>, PictureError> {
    let midnight: Utc = format!("{date}T00:00:00Z")
        .parse()
        .map_err(|_| PictureError::NotADate { text: date.to_owned() })?;
    let ahead = boot_of(reader, date)?.map_or(0, |boot| boot.day_ahead_micros);
    let begin = moved(midnight, -ahead);
    let totals = reader.day_totals(date, date)?;
    let mut found = Vec::new();
    for channel in reader.channels()? {
        let points = points(reader, &channel, begin)?;
        if points.is_empty() {
            continue;
        }
        let total = totals.iter().find(|total| total.channel == channel.name);
        found.push(ChannelDay {
            energy: total.map(|total| total.energy).filter(|energy| energy.0.is_finite()),
            available: total.and_then(|total| total.available).filter(|wh| wh.0.is_finite()),
            crest: crest(reader, &channel, begin)?,
            points,
            name: channel.name,
            device: channel.device,
        });
    }
    Ok(found)
}

fn points(reader: &Reader, channel: &ChannelRow, begin: Utc) -> Result<Vec<Point>, StoreError> {
    let rows = reader.minutes(channel.id, begin, begin + DAY)?;
    Ok(rows
        .iter()
        .map(|row| Point {
            hour: hour(begin, row.start) + HALF_MINUTE,
            watts: row.watts,
            irradiance: Some(row.irradiance)
                .filter(|spread| spread.count > 0 && spread.mean.is_finite())
                .map(|spread| spread.mean),
        })
        .collect())
}

/// One-minute means of the crest power.
fn crest(reader: &Reader, channel: &ChannelRow, begin: Utc) -> Result<Vec<(f64, f64)>, StoreError> {
    let mut sums: BTreeMap<i64, (f64, f64)> = BTreeMap::new();
    for part in 0..24 {
        let from = begin + HOUR * part;
        for sample in reader.samples(channel.id, from, from + HOUR)? {
            if let Some(crest) = sample.crest {
                let (sum, count) =
                    sums.entry(sample.at.utc.minute_start().as_micros()).or_default();
                *sum += crest.0;
                *count += 1.0;
            }
        }
    }
    let middle = |micros| hour(begin, Utc::from_micros(micros)) + HALF_MINUTE;
    Ok(sums.into_iter().map(|(micros, (sum, count))| (middle(micros), sum / count)).collect())
}

/// Hours from `begin`.
fn hour(begin: Utc, utc: Utc) -> f64 {
    #[expect(clippy::cast_precision_loss, reason = "a day of microseconds is far below 2^53")]
    let micros = (utc.as_micros() - begin.as_micros()) as f64;
    micros / MICROS_PER_HOUR
}
