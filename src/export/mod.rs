//! The log as tables for other programs: CSV and Parquet.
//!
//! Model: an [`Export`] knows which rows are wanted, how many pieces of time they lie in, and what
//! stands above their columns. It reads piece by piece and hands each value to a [`Sheet`]; there is
//! one for CSV and one for Parquet, and neither knows the log. What columns a kind of row has is said
//! once (`tables`), for both. Values are those of [`Reader`], unrounded: CSV has the shortest decimal
//! that reads back to the same bits. Rows come channel after channel (or sensor after sensor), each in
//! the order of the wall clock; where that was set back, `since boot (s)` tells the order of taking.
//!
//! Rejected: comment lines above the header of a CSV file (common readers want the header first); a
//! second file that explains the columns (it gets lost; units are in the names); one wide table with a
//! column per channel (channels come and go within months); gaps filled with rows (NULL rows would
//! look like measured ones).

mod as_csv;
mod as_parquet;
mod column;
mod pieces;
mod tables;
mod zone;

pub use as_csv::CsvSheet;
pub use as_parquet::{About, ParquetSheet};
pub use column::{Form, Heading, Sheet, Value};
pub use zone::Zone;

use crate::store::{
    ChannelRow, Endless, EventRow, Reader, RowsOf, SensorRow, StoreError, StoredChannel,
};
use crate::time::Utc;
use column::Column;
use std::collections::HashMap;
use std::ops::Range;
use std::rc::Rc;
use tables::{Of, OfSensor, Point};

const HOUR_US: i64 = 3_600_000_000;
const DAY_US: i64 = 24 * HOUR_US;
/// The longest piece of time of each kind (us), so that some ten thousand rows are in memory at once:
/// an hour at 10 Hz, a week of minutes, a day of curves of a hundred points.
const LONGEST_OF_SAMPLES: i64 = HOUR_US;
const LONGEST_OF_MINUTES: i64 = 7 * 24 * HOUR_US;
const LONGEST_OF_POINTS: i64 = 24 * HOUR_US;
/// Events have no index by time: each piece is a look through all of them.
const LONGEST_OF_EVENTS: i64 = 31 * 24 * HOUR_US;

/// A time before and one after all that a log can hold.
const EVER: Range<Utc> = Utc::from_micros(i64::MIN / 4)..Utc::from_micros(i64::MAX / 4);

/// What a row of the table is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Rows {
    /// A sample of a channel.
    Samples,
    /// A one-minute record of a channel.
    Minutes,
    /// A channel's totals of a day.
    Days,
    /// An event.
    Events,
    /// An I-V curve and what it says.
    Curves,
    /// A point of an I-V curve, also of one that a power cut left without an end, which has no row of its own.
    Points,
    /// A one-minute record of a sensor.
    Sensors,
}

impl Rows {
    /// All of them.
    pub const ALL: [Self; 7] = [
        Self::Samples,
        Self::Minutes,
        Self::Days,
        Self::Events,
        Self::Curves,
        Self::Points,
        Self::Sensors,
    ];

    /// The word for it.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Samples => "samples",
            Self::Minutes => "minutes",
            Self::Days => "days",
            Self::Events => "events",
            Self::Curves => "curves",
            Self::Points => "points",
            Self::Sensors => "sensors",
        }
    }
}

/// Which rows are wanted.
#[derive(Clone, Debug)]
pub struct Wanted {
    /// What a row is.
    pub rows: Rows,
    /// Names of channels; none for all. Of sensors, those that serve one of them.
    pub channels: Vec<String>,
    /// The first moment; none for the log's beginning. It is when a row's minute, curve or day began.
    pub from: Option<Utc>,
    /// The moment after the last.
    pub until: Option<Utc>,
    /// The zone, for the day that `from` and `until` fall on.
    pub zone: Zone,
}

/// Why there is no table.
#[derive(Debug, thiserror::Error)]
pub enum ExportError {
    /// The log can't be read; its text names it.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// Nobody knows the channel.
    #[error("there is no channel `{name}`; there are: {known}")]
    NoSuchChannel {
        /// What was asked for.
        name: String,
        /// What there is.
        known: String,
    },
    /// The table can't be written.
    #[error(transparent)]
    Write(std::io::Error),
}

/// Whose rows: a channel's, a sensor's, or the whole station's.
#[derive(Clone, Debug)]
enum Source {
    Channel(StoredChannel, Rc<str>),
    Sensor(Rc<SensorRow>),
    Station,
}

/// Rows of a log, ready to be written.
#[derive(Debug)]
pub struct Export<'r> {
    reader: &'r Reader,
    wanted: Wanted,
    /// What a row's channel is called.
    names: HashMap<StoredChannel, Rc<str>>,
    pieces: Vec<(Source, Range<Utc>)>,
    /// The curves without an end, where points are wanted.
    endless: HashMap<StoredChannel, Vec<Endless>>,
    /// Which time dates are of.
    dates_of: String,
}

impl<'r> Export<'r> {
    /// Looks up what there is.
    ///
    /// # Errors
    /// No such channel; the log can't be read.
    pub fn new(reader: &'r Reader, wanted: Wanted) -> Result<Self, ExportError> {
        let channels = reader.channels()?;
        for name in &wanted.channels {
            if !channels.iter().any(|channel| channel.name == *name) {
                return Err(no_such_channel(name, &channels));
            }
        }
        let names = channels
            .iter()
            .filter(|one| wanted.channels.is_empty() || wanted.channels.contains(&one.name))
            .map(|one| (one.id, Rc::from(one.name.as_str())))
            .collect();
        let dates_of = dates_of(reader)?;
        let endless = HashMap::new();
        let mut export = Self { reader, wanted, names, pieces: Vec::new(), endless, dates_of };
        if export.wanted.rows == Rows::Points {
            for &id in export.names.keys() {
                export.endless.insert(id, reader.endless(id)?);
            }
        }
        for source in export.sources(&channels)? {
            let pieces = export.pieces_of(&source)?;
            export.pieces.extend(pieces.into_iter().map(|piece| (source.clone(), piece)));
        }
        Ok(export)
    }

    /// How many pieces there are to read.
    #[must_use]
    pub fn pieces(&self) -> usize {
        self.pieces.len()
    }

    /// What stands above the columns.
    #[must_use]
    pub fn headings(&self) -> Vec<Heading> {
        fn of<R>(columns: Vec<Column<R>>) -> Vec<Heading> {
            columns.into_iter().map(|column| column.heading).collect()
        }
        match self.wanted.rows {
            Rows::Samples => of(tables::samples()),
            Rows::Minutes => of(tables::minutes()),
            Rows::Days => of(tables::days(&self.dates_of)),
            Rows::Events => of(tables::events()),
            Rows::Curves => of(tables::curves()),
            Rows::Points => of(tables::points()),
            Rows::Sensors => of(tables::sensors()),
        }
    }

    /// Writes all rows to `sheet` and tells how many; `read` is called after each piece.
    ///
    /// # Errors
    /// The log can't be read, or the sheet can't be written.
    pub fn write(
        &self,
        sheet: &mut impl Sheet,
        read: &mut dyn FnMut(),
    ) -> Result<u64, ExportError> {
        let mut pour = Pour { export: self, sheet, read };
        let reader = self.reader;
        match self.wanted.rows {
            Rows::Samples => pour.channels(&tables::samples(), |channel, from, until| {
                let mut rows = reader.samples(channel, from, until)?;
                rows.sort_by_key(|row| row.at.utc);
                Ok(rows)
            }),
            Rows::Minutes => pour.channels(&tables::minutes(), |channel, from, until| {
                reader.minutes(channel, from, until)
            }),
            Rows::Curves => pour.channels(&tables::curves(), |channel, from, until| {
                reader.curves(channel, from, until)
            }),
            Rows::Points => pour.channels(&tables::points(), |channel, from, until| {
                let mut points = Vec::new();
                for (_, boot, curve) in self.curves_within(channel, &(from..until))? {
                    let rows = reader.curve_points(channel, boot, curve)?;
                    points.extend(rows.into_iter().map(|row| Point { boot, curve, row }));
                }
                Ok(points)
            }),
            Rows::Sensors => pour.sensors(),
            Rows::Days => pour.days(),
            Rows::Events => pour.events(),
        }
    }

    fn endless_of(&self, channel: StoredChannel) -> impl Iterator<Item = &Endless> {
        self.endless.get(&channel).into_iter().flatten()
    }

    /// All curves that began within a piece of time, with and without an end: when, boot and number.
    fn curves_within(
        &self,
        channel: StoredChannel,
        piece: &Range<Utc>,
    ) -> Result<Vec<(Utc, i64, u32)>, StoreError> {
        let ended = self.reader.curves(channel, piece.start, piece.end)?;
        let ended = ended.iter().map(|one| (one.began.utc, one.boot, one.curve));
        let endless = self.endless_of(channel).map(|one| (one.began, one.boot, one.curve));
        let mut all: Vec<_> =
            ended.chain(endless.filter(|(began, ..)| piece.contains(began))).collect();
        all.sort_by_key(|(began, ..)| *began);
        Ok(all)
    }

    fn within(&self) -> Range<Utc> {
        self.wanted.from.unwrap_or(EVER.start)..self.wanted.until.unwrap_or(EVER.end)
    }

    fn sources(&self, channels: &[ChannelRow]) -> Result<Vec<Source>, StoreError> {
        let named = |one: &ChannelRow| {
            self.names.get(&one.id).map(|name| Source::Channel(one.id, name.clone()))
        };
        Ok(match self.wanted.rows {
            Rows::Samples | Rows::Minutes | Rows::Curves | Rows::Points => {
                channels.iter().filter_map(named).collect()
            }
            Rows::Sensors => {
                let serves = |sensor: &SensorRow| {
                    let wanted = &self.wanted.channels;
                    wanted.is_empty() || sensor.channels.iter().any(|one| wanted.contains(one))
                };
                let sensors = self.reader.sensors()?.into_iter().filter(serves);
                sensors.map(|sensor| Source::Sensor(Rc::new(sensor))).collect()
            }
            Rows::Days | Rows::Events => vec![Source::Station],
        })
    }

    fn pieces_of(&self, source: &Source) -> Result<Vec<Range<Utc>>, StoreError> {
        let (of, longest) = match (self.wanted.rows, source) {
            (Rows::Samples, Source::Channel(id, _)) => (RowsOf::Samples(*id), LONGEST_OF_SAMPLES),
            (Rows::Points, Source::Channel(id, _)) => (RowsOf::Curves(*id), LONGEST_OF_POINTS),
            (Rows::Curves, Source::Channel(id, _)) => (RowsOf::Curves(*id), LONGEST_OF_MINUTES),
            (_, Source::Channel(id, _)) => (RowsOf::Minutes(*id), LONGEST_OF_MINUTES),
            (_, Source::Sensor(sensor)) => (RowsOf::Sensor(&sensor.name), LONGEST_OF_MINUTES),
            // A few rows a day, and one query for all of them.
            (Rows::Days, Source::Station) => return Ok(vec![self.within()]),
            (_, Source::Station) => (RowsOf::Events, LONGEST_OF_EVENTS),
        };
        let mut days = self.reader.days(of)?;
        if let Source::Channel(id, _) = source {
            days.extend(self.endless_of(*id).map(|one| one.began.as_micros().div_euclid(DAY_US)));
        }
        Ok(pieces::pieces(&days, longest, &self.within()))
    }
}

fn no_such_channel(name: &str, channels: &[ChannelRow]) -> ExportError {
    let known: Vec<_> = channels.iter().map(|channel| channel.name.as_str()).collect();
    let known = if known.is_empty() { "none".to_owned() } else { known.join(", ") };
    ExportError::NoSuchChannel { name: name.to_owned(), known }
}

/// The time that dates of day totals are of, where all runs agree.
fn dates_of(reader: &Reader) -> Result<String, StoreError> {
    let mut ahead: Vec<i64> = reader.boots()?.iter().map(|boot| boot.day_ahead_micros).collect();
    ahead.sort_unstable();
    ahead.dedup();
    Ok(match ahead.as_slice() {
        [] | [0] => "UTC".to_owned(),
        [ahead] => format!("UTC{:+.1} min", *ahead as f64 / 60e6),
        _ => String::new(),
    })
}

/// Rows on their way from the log to a sheet.
struct Pour<'a, 'r, S> {
    export: &'a Export<'r>,
    sheet: &'a mut S,
    read: &'a mut dyn FnMut(),
}

impl<S: Sheet> Pour<'_, '_, S> {
    /// One row after the other.
    fn rows<R>(
        &mut self,
        columns: &[Column<R>],
        rows: impl Iterator<Item = R>,
    ) -> Result<u64, ExportError> {
        let mut count = 0;
        for row in rows {
            for column in columns {
                self.sheet.put((column.get)(&row))?;
            }
            self.sheet.end_row()?;
            count += 1;
        }
        (self.read)();
        Ok(count)
    }

    /// Pieces of channels.
    fn channels<T>(
        &mut self,
        columns: &[Column<Of<T>>],
        ask: impl Fn(StoredChannel, Utc, Utc) -> Result<Vec<T>, StoreError>,
    ) -> Result<u64, ExportError> {
        let mut count = 0;
        for (source, piece) in &self.export.pieces {
            let Source::Channel(id, name) = source else { continue };
            let rows = ask(*id, piece.start, piece.end)?.into_iter();
            count += self.rows(columns, rows.map(|row| Of { channel: Some(name.clone()), row }))?;
        }
        Ok(count)
    }

    fn sensors(&mut self) -> Result<u64, ExportError> {
        let (columns, mut count) = (tables::sensors(), 0);
        for (source, piece) in &self.export.pieces {
            let Source::Sensor(sensor) = source else { continue };
            let rows = self.export.reader.sensor_minutes(&sensor.name, piece.start, piece.end)?;
            let rows = rows.into_iter().map(|row| OfSensor { sensor: sensor.clone(), row });
            count += self.rows(&columns, rows)?;
        }
        Ok(count)
    }

    fn days(&mut self) -> Result<u64, ExportError> {
        let Export { reader, wanted, names, dates_of, .. } = self.export;
        let rows = match pieces::dates(&self.export.within(), wanted.zone.seconds_ahead()) {
            Some((first, last)) => reader.day_totals(&first, &last)?,
            None => Vec::new(),
        };
        let mut rows: Vec<_> =
            rows.into_iter().filter(|row| names.values().any(|it| **it == *row.channel)).collect();
        // Channel after channel, as the others: the sort keeps the dates' order.
        rows.sort_by(|a, b| a.channel.cmp(&b.channel));
        self.rows(&tables::days(dates_of), rows.into_iter())
    }

    fn events(&mut self) -> Result<u64, ExportError> {
        let Export { reader, wanted, names, .. } = self.export;
        let (columns, mut count) = (tables::events(), 0);
        for (_, piece) in &self.export.pieces {
            let mut rows = reader.events(piece.start, piece.end)?;
            rows.sort_by_key(|row| row.at.utc);
            let name = |row: &EventRow| row.channel.and_then(|id| names.get(&id)).cloned();
            let rows = rows.into_iter().map(|row| Of { channel: name(&row), row });
            // The station's own events belong to no channel.
            let rows = rows.filter(|of| wanted.channels.is_empty() || of.channel.is_some());
            count += self.rows(&columns, rows)?;
        }
        Ok(count)
    }
}
