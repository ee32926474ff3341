//! On which days there are rows, so that whoever reads all of a log can do so piece by piece.

use super::{Part, StoredChannel};
use crate::store::{Reader, StoreError};
use std::collections::BTreeSet;
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

impl Part {
    fn days(&self, sql: &str, params: impl rusqlite::Params) -> Result<Vec<i64>, StoreError> {
        self.list(sql, params, |row| row.get(0))
    }
}
