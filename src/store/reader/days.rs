//! On which days there are rows, so that whoever reads all of a log can do so piece by piece.

use super::{MINUTE_BITS, Part, STRETCH_BITS, StoredChannel};
use crate::control::record::Happening;
use crate::store::{Reader, StoreError};
use crate::time::Utc;
use rusqlite::Row;
use std::collections::{BTreeMap, BTreeSet};
use std::ops::RangeInclusive;

/// Rows of one kind.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum RowsOf<'a> {
    /// Samples of a channel.
    Samples(StoredChannel),
    /// One-minute records of a channel.
    Minutes(StoredChannel),
    /// I-V curves of a channel.
    Curves(StoredChannel),
    /// One-minute records of a sensor, by its name.
    Sensor(&'a str),
    /// Events.
    Events,
}

/// Days around the one that an index knows. It rounds toward 1970, so that the day before may be
/// meant; a stretch of samples may reach over midnight, and a minute is closed at most two days
/// after it began.
const OF_SAMPLES: RangeInclusive<i64> = -1..=1;
const OF_MINUTES: RangeInclusive<i64> = -3..=1;
const OF_OTHERS: RangeInclusive<i64> = -1..=0;

const STRETCHES: &str = "SELECT DISTINCT utc_us / 86400000000 FROM stretch WHERE channel = ?1";
const CURVES: &str = "SELECT DISTINCT began_utc_us / 86400000000 FROM curve WHERE channel = ?1";
const SENSOR: &str = "SELECT DISTINCT m.start_utc_s / 86400 FROM sensor AS s \
                      JOIN sensor_minute AS m ON m.sensor = s.id WHERE s.name = ?1";
/// Each channel's newest row, given the bits of samples and minutes.
pub(in crate::store) const LAST_SEEN: &str = "SELECT c.name, t.utc_us + max( \
                       coalesce((SELECT max(id) FROM sample WHERE id BETWEEN t.id << ?1 AND ((t.id + 1) << ?1) - 1) \
                                & (1 << ?1) - 1, 0) * 1000, \
                       coalesce((SELECT max(id) FROM minute WHERE id BETWEEN t.id << ?2 AND ((t.id + 1) << ?2) - 1) \
                                & (1 << ?2) - 1, 0) * 1000000) \
                   FROM channel AS c JOIN stretch AS t ON t.id = \
                       (SELECT id FROM stretch WHERE channel = c.id ORDER BY utc_us DESC LIMIT 1)";
const WITHOUT_RUN: &str = "SELECT json_extract(detail, '$.from_utc_us'), \
                           json_extract(detail, '$.until_utc_us') FROM event \
                           WHERE code = ?1 AND channel = ?2 AND json_valid(detail) ORDER BY id";
const EVENTS: &str = "SELECT DISTINCT utc_us / 86400000000 FROM event";

impl Reader {
    /// The days of UTC, counted from 1970-01-01, that rows may lie on: perhaps a few too many, never
    /// one too few.
    ///
    /// # Errors
    /// What SQLite reports.
    pub fn days(&self, of: RowsOf<'_>) -> Result<BTreeSet<i64>, StoreError> {
        let (days, around) = match of {
            RowsOf::Samples(channel) => (self.days_of(STRETCHES, channel)?, OF_SAMPLES),
            RowsOf::Minutes(channel) => (self.days_of(STRETCHES, channel)?, OF_MINUTES),
            RowsOf::Curves(channel) => (self.days_of(CURVES, channel)?, OF_OTHERS),
            RowsOf::Sensor(name) => (self.each(|_, part| part.days(SENSOR, [name]))?, OF_OTHERS),
            RowsOf::Events => (self.each(|_, part| part.days(EVENTS, []))?, OF_OTHERS),
        };
        Ok(days.into_iter().flat_map(|day| around.clone().map(move |by| day + by)).collect())
    }

    fn days_of(&self, sql: &str, channel: StoredChannel) -> Result<Vec<i64>, StoreError> {
        self.of(channel, |_, part, channel| part.days(sql, [channel.0]))
    }
}

impl Reader {
    /// The channels by name, each with the time of its newest row.
    ///
    /// # Errors
    /// What SQLite reports.
    pub fn last_seen(&self) -> Result<BTreeMap<String, Utc>, StoreError> {
        let mut newest = BTreeMap::new();
        for (name, at) in self.each(|_, part| part.last_seen())? {
            let known = newest.entry(name).or_insert(at);
            *known = at.max(*known);
        }
        Ok(newest)
    }

    /// Daylight in which no run held a channel's device, as the runs behind it told, in the order of time.
    ///
    /// # Errors
    /// What SQLite reports.
    pub fn without_run(&self, channel: StoredChannel) -> Result<Vec<(Utc, Utc)>, StoreError> {
        let mut spans = self.of(channel, |_, part, channel| {
            let from_until =
                |row: &Row<'_>| Ok((Utc::from_micros(row.get(0)?), Utc::from_micros(row.get(1)?)));
            part.list(WITHOUT_RUN, (Happening::WITHOUT_RUN, channel.0), from_until)
        })?;
        spans.sort();
        Ok(spans)
    }
}

impl Part {
    fn last_seen(&self) -> Result<Vec<(String, Utc)>, StoreError> {
        self.list(LAST_SEEN, (STRETCH_BITS, MINUTE_BITS), |row| {
            Ok((row.get(0)?, Utc::from_micros(row.get(1)?)))
        })
    }

    fn days(
        &self,
        sql: &str,
        params: impl rusqlite::Params + Clone,
    ) -> Result<Vec<i64>, StoreError> {
        self.list(sql, params, |row| row.get(0))
    }
}
