//! All files of a log as one: the current one, the months before it, those beside it.
//!
//! Model: each question is put to every file and the answers are put together in the order of the
//! wall clock. Boots and channels of the current file keep their numbers; those of the n-th other
//! file are n times 2^32 higher, and a channel is known by its name. A run that went on in another
//! file carried its day totals along: of these the newest counts, not their sum.

use super::{
    BootRow, ChannelRow, CurvePointRow, CurveRow, DayRow, Endless, EventRow, MinuteRow, Part,
    SampleRow, StoredChannel,
};
use crate::store::{StatedRow, StoreError, book};
use crate::time::Utc;
use std::collections::HashMap;
use std::path::Path;

/// Numbers of the n-th other file are n times so much higher.
const PART_SHIFT: u32 = 32;

/// Least growth of awake time that says that totals went on (s): less than nothing is rounding.
const ROUNDING: f64 = 1e-3;

/// The log, open for reading.
#[derive(Debug)]
pub struct Reader {
    parts: Vec<Part>,
}

/// A channel of all files, and its number in each.
struct Known {
    row: ChannelRow,
    local: Vec<Option<StoredChannel>>,
}

impl Reader {
    /// Opens an existing log with all its files. One of the other files that can't be read is passed
    /// over with a warning; so is the current one, if it is damaged or gone and there are others.
    ///
    /// # Errors
    /// No such file, not ours, or of another schema version.
    pub fn open(path: &Path) -> Result<Self, StoreError> {
        let first = Part::open(path);
        let others = book::others(path).into_iter().filter_map(|other| {
            Part::open(&other).inspect_err(|error| tracing::warn!("{error}; left out")).ok()
        });
        let mut parts: Vec<Part> = others.collect();
        match first {
            Ok(first) => parts.insert(0, first),
            Err(error)
                if !parts.is_empty()
                    && (error.is_of_the_disk() || matches!(error, StoreError::Missing { .. })) =>
            {
                tracing::warn!("{error}; left out");
            }
            Err(error) => return Err(error),
        }
        Ok(Self { parts })
    }

    /// All boots, oldest first within a file; those of the current file first.
    ///
    /// # Errors
    /// What SQLite reports.
    pub fn boots(&self) -> Result<Vec<BootRow>, StoreError> {
        self.each(|index, part| {
            let mut boots = part.boots()?;
            boots.iter_mut().for_each(|boot| boot.number = shifted(index, boot.number));
            Ok(boots)
        })
    }

    /// All channels ever logged, by number.
    ///
    /// # Errors
    /// What SQLite reports.
    pub fn channels(&self) -> Result<Vec<ChannelRow>, StoreError> {
        Ok(self.known()?.into_iter().map(|known| known.row).collect())
    }

    /// Totals of every channel on the dates `first..=last` (ISO 8601), summed over boots.
    ///
    /// # Errors
    /// What SQLite reports.
    pub fn day_totals(&self, first: &str, last: &str) -> Result<Vec<DayRow>, StoreError> {
        match self.parts.as_slice() {
            [only] if only.is_packed() => only.day_totals(first, last),
            parts => {
                let mut rows = Vec::new();
                for (index, part) in parts.iter().enumerate() {
                    rows.extend(part.steady(|| part.day_parts(index, first, last))?);
                }
                Ok(put_together(rows))
            }
        }
    }

    /// The one-minute records of a channel that begin within `from..until`, in time order; a
    /// minute that a stepped wall clock passed twice appears twice.
    ///
    /// # Errors
    /// What SQLite reports.
    pub fn minutes(
        &self,
        channel: StoredChannel,
        from: Utc,
        until: Utc,
    ) -> Result<Vec<MinuteRow>, StoreError> {
        let mut rows = self.of(channel, |index, part, channel| {
            let mut rows = part.minutes(channel, from, until)?;
            rows.iter_mut().for_each(|row| row.boot = shifted(index, row.boot));
            Ok(rows)
        })?;
        self.sort(&mut rows, |row| row.start);
        Ok(rows)
    }

    /// The samples of a channel within `from..until` of the wall clock, in the order in which
    /// they were taken.
    ///
    /// # Errors
    /// What SQLite reports.
    pub fn samples(
        &self,
        channel: StoredChannel,
        from: Utc,
        until: Utc,
    ) -> Result<Vec<SampleRow>, StoreError> {
        let mut rows = self.of(channel, |index, part, channel| {
            let mut rows = part.samples(channel, from, until)?;
            rows.iter_mut().for_each(|row| row.boot = shifted(index, row.boot));
            Ok(rows)
        })?;
        self.sort(&mut rows, |row| row.at.utc);
        Ok(rows)
    }

    /// The events within `from..until` of the wall clock, in the order of writing.
    ///
    /// # Errors
    /// What SQLite reports.
    pub fn events(&self, from: Utc, until: Utc) -> Result<Vec<EventRow>, StoreError> {
        let known = self.known()?;
        let mut rows = self.each(|index, part| {
            let mut rows = part.events(from, until)?;
            for row in &mut rows {
                row.boot = shifted(index, row.boot);
                row.id = shifted(index, row.id);
                row.channel = row.channel.and_then(|local| {
                    let here = |known: &&Known| known.local[index] == Some(local);
                    known.iter().find(here).map(|known| known.row.id)
                });
            }
            Ok(rows)
        })?;
        self.sort(&mut rows, |row| row.at.utc);
        Ok(rows)
    }

    /// The curves of a channel that began within `from..until` of the wall clock, broken-off ones
    /// too, in the order of the wall clock.
    ///
    /// # Errors
    /// What SQLite reports.
    pub fn curves(
        &self,
        channel: StoredChannel,
        from: Utc,
        until: Utc,
    ) -> Result<Vec<CurveRow>, StoreError> {
        let mut rows = self.of(channel, |index, part, channel| {
            let mut rows = part.curves(channel, from, until)?;
            rows.iter_mut().for_each(|row| row.boot = shifted(index, row.boot));
            Ok(rows)
        })?;
        self.sort(&mut rows, |row| row.began.utc);
        Ok(rows)
    }

    /// The curves of a channel that have points and no end, as a power cut or a curve under way leaves them, in
    /// the order of the wall clock.
    ///
    /// # Errors
    /// What SQLite reports.
    pub fn endless(&self, channel: StoredChannel) -> Result<Vec<Endless>, StoreError> {
        let mut found = self.of(channel, |index, part, channel| {
            let mut found = part.endless(channel)?;
            found.iter_mut().for_each(|one| one.boot = shifted(index, one.boot));
            Ok(found)
        })?;
        self.sort(&mut found, |one| one.began);
        Ok(found)
    }

    /// The points of one curve, in the order they were taken.
    ///
    /// # Errors
    /// What SQLite reports.
    pub fn curve_points(
        &self,
        channel: StoredChannel,
        boot: i64,
        curve: u32,
    ) -> Result<Vec<CurvePointRow>, StoreError> {
        self.of(channel, |index, part, channel| {
            let here = boot >> PART_SHIFT == shifted(index, 0) >> PART_SHIFT;
            let local = boot & ((1 << PART_SHIFT) - 1);
            if here { part.curve_points(channel, local, curve) } else { Ok(Vec::new()) }
        })
    }

    /// What the station of a boot states of a channel's instruments; nothing where it states nothing.
    ///
    /// # Errors
    /// What SQLite reports.
    pub fn stated(&self, channel: StoredChannel, boot: i64) -> Result<Vec<StatedRow>, StoreError> {
        self.of(channel, |index, part, channel| {
            let here = boot >> PART_SHIFT == shifted(index, 0) >> PART_SHIFT;
            let local = boot & ((1 << PART_SHIFT) - 1);
            if here { part.stated(channel, local) } else { Ok(Vec::new()) }
        })
    }

    /// The channels of all files, by name.
    fn known(&self) -> Result<Vec<Known>, StoreError> {
        let mut all: Vec<Known> = Vec::new();
        for (index, part) in self.parts.iter().enumerate() {
            for mut row in part.channels()? {
                let local = row.id;
                let at = all.iter().position(|known| known.row.name == row.name);
                let at = at.unwrap_or_else(|| {
                    row.id = StoredChannel(shifted(index, local.0));
                    all.push(Known { row, local: vec![None; self.parts.len()] });
                    all.len() - 1
                });
                all[at].local[index] = Some(local);
            }
        }
        Ok(all)
    }

    /// What every file says.
    pub(super) fn each<T>(
        &self,
        ask: impl Fn(usize, &Part) -> Result<Vec<T>, StoreError>,
    ) -> Result<Vec<T>, StoreError> {
        let mut rows = Vec::new();
        for (index, part) in self.parts.iter().enumerate() {
            rows.append(&mut part.steady(|| ask(index, part))?);
        }
        Ok(rows)
    }

    /// What every file says about a channel, given its number there.
    pub(super) fn of<T>(
        &self,
        channel: StoredChannel,
        ask: impl Fn(usize, &Part, StoredChannel) -> Result<Vec<T>, StoreError>,
    ) -> Result<Vec<T>, StoreError> {
        if let [only] = self.parts.as_slice() {
            return only.steady(|| ask(0, only, channel));
        }
        let known = self.known()?;
        let Some(known) = known.iter().find(|known| known.row.id == channel) else {
            return Ok(Vec::new());
        };
        self.each(|index, part| match known.local[index] {
            Some(local) => ask(index, part, local),
            None => Ok(Vec::new()),
        })
    }

    /// Puts rows of several files into the order of the wall clock; those of one have theirs.
    pub(super) fn sort<T, K: Ord>(&self, rows: &mut [T], key: impl Fn(&T) -> K) {
        if self.parts.len() > 1 {
            rows.sort_by_key(key);
        }
    }
}

/// The number of a row of the file at `index`, among all files.
pub(super) fn shifted(index: usize, number: i64) -> i64 {
    i64::try_from(index).map_or(number, |index| index << PART_SHIFT | number)
}

/// A row of the table `day`.
pub(super) struct DayPart {
    /// Which file, which run (when it began), and the place of the row within them.
    pub(super) file: usize,
    pub(super) began: i64,
    pub(super) mono: i64,
    /// When its book was begun (monotonic clock, us), which names it within its run; unknown in logs
    /// of before.
    pub(super) book: Option<i64>,
    pub(super) row: DayRow,
}

/// Sums up the rows of several files.
fn put_together(mut parts: Vec<DayPart>) -> Vec<DayRow> {
    let awake = |row: &DayRow| (row.covered + row.missing).as_secs_f64();
    keep_newest(&mut parts);
    parts.sort_by(|a, b| {
        let key = |part: &DayPart| (part.began, part.mono);
        (&a.row.date, &a.row.channel, key(a)).cmp(&(&b.row.date, &b.row.channel, key(b)))
    });
    let mut sums: Vec<DayRow> = Vec::new();
    let mut newest = i64::MIN;
    let mut parts = parts.into_iter().peekable();
    while let Some(part) = parts.next() {
        let went_on = parts.peek().is_some_and(|next| {
            (next.began, &next.row.date, &next.row.channel)
                == (part.began, &part.row.date, &part.row.channel)
                && next.file != part.file
                && (next.book.is_none() || part.book.is_none())
                && awake(&next.row) + ROUNDING >= awake(&part.row)
        });
        if went_on {
            continue;
        }
        let mut row = part.row;
        match sums.last_mut() {
            Some(sum) if (&sum.date, &sum.channel) == (&row.date, &row.channel) => {
                // Two books of one run are of one boot.
                row.boots = u32::from(newest != part.began);
                add(sum, &row);
            }
            _ => sums.push(row),
        }
        newest = part.began;
    }
    for sum in &mut sums {
        let all = awake(sum);
        sum.completeness = (all > 0.0).then(|| sum.covered.as_secs_f64() / all);
    }
    sums
}

/// Of a book that went on in another file only the newest totals stay.
fn keep_newest(parts: &mut Vec<DayPart>) {
    let mut newest: HashMap<(i64, String, i64), i64> = HashMap::new();
    let key = |part: &DayPart| part.book.map(|book| (part.began, part.row.channel.clone(), book));
    for part in parts.iter() {
        if let Some(key) = key(part) {
            let mono = newest.entry(key).or_insert(part.mono);
            *mono = part.mono.max(*mono);
        }
    }
    let stays = |part: &DayPart| key(part).is_none_or(|key| newest.get(&key) == Some(&part.mono));
    parts.retain(stays);
}

fn add(sum: &mut DayRow, row: &DayRow) {
    sum.energy += row.energy;
    sum.available = sum.available.zip(row.available).map(|(sum, more)| sum + more);
    sum.irradiation += row.irradiation;
    sum.peak.0 = sum.peak.0.max(row.peak.0);
    sum.tracking += row.tracking;
    sum.sweeping += row.sweeping;
    sum.sweep_missed += row.sweep_missed;
    sum.covered += row.covered;
    sum.missing += row.missing;
    sum.gaps += row.gaps;
    sum.boots += row.boots;
}
