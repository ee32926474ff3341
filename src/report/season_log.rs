//! A channel's minutes, sweeps and curves out of a log, as the season's room wants them.

use super::curve_result::stated_of;
use super::season_doubts::{Leverage, SeasonDoubts};
use crate::control::record::{Activity, Spread};
use crate::curve::quality::Grade;
use crate::quantities::{Celsius, Irradiance, STC_IRRADIANCE, STC_TEMPERATURE, WattHours, Watts};
use crate::season::{BRIGHT, Minute, Record, Tracked, merge};
use crate::store::{ChannelRow, CurveRow, DayRow, MinuteRow, Reader, StoreError};
use crate::time::Utc;
use crate::yields::OverBack;
use std::collections::{BTreeMap, BTreeSet};
use std::ops::RangeInclusive;
use std::time::Duration;

const MICROS_PER_DAY: i64 = 86_400_000_000;
const MINUTE: Duration = Duration::from_secs(60);
/// Light in which a curve's crest is near enough in proportion to it (W/m2): IEC 60891 wants corrections
/// of no more than 20 % (the edition of 1987, from memory).
const STRONG: RangeInclusive<f64> = 800.0..=1200.0;
/// The minute before a curve is set beside it where the light differs by no more (share), and the channel held
/// the device for so much of it: half a percent of curve and fraction of a kelvin are left.
const CALM: f64 = 0.02;
const HELD: f64 = 0.99;
/// How far from 25 degC cells may be whose temperature can't be corrected (K): with -0.4 %/K half a
/// percent and a bit.
const NEAR: f64 = 2.0;

/// The part of a log that is asked for, by its own dates (ISO 8601).
#[derive(Clone, Debug, Default)]
pub struct Dates {
    /// From this date on.
    pub from: Option<String>,
    /// Up to and with this one.
    pub to: Option<String>,
}

/// One channel of a log.
#[derive(Clone, Debug)]
pub struct LoggedSeason {
    /// The channel.
    pub channel: ChannelRow,
    minutes: Vec<Minute>,
    sweeps: Vec<(Utc, WattHours)>,
    without_run: Vec<(Utc, Utc)>,
    crest: BTreeMap<String, WattHours>,
    curves: Vec<CurveRow>,
    tracked: Option<Tracked>,
    doubts: Option<SeasonDoubts>,
    from: Utc,
    until: Utc,
    ahead_micros: i64,
}

/// A rating, and where it is from.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Rating {
    /// Power at 1000 W/m2 and 25 degC.
    pub watts: Watts,
    /// The curves that it is the median of; 0 where it was stated.
    pub curves: usize,
}

impl LoggedSeason {
    /// Reads a channel; none where the log has no record of it on these dates. `progress` is told days read,
    /// and how many there are.
    ///
    /// # Errors
    /// The log can't be read.
    pub fn read(
        reader: &Reader,
        channel: ChannelRow,
        dates: &Dates,
        mut progress: impl FnMut(usize, usize),
    ) -> Result<Option<Self>, StoreError> {
        let newest = reader.boots()?.into_iter().max_by_key(|boot| boot.began);
        let ahead_micros = newest.as_ref().map_or(0, |boot| boot.day_ahead_micros);
        let stated = match newest {
            Some(boot) => stated_of(reader.stated(channel.id, boot.number)?).ok().flatten(),
            None => None,
        };
        let (first, last) = (dates.from.as_deref(), dates.to.as_deref());
        let mut totals = reader.day_totals("", "9999-12-31")?;
        totals.retain(|total| total.channel == channel.name);
        let asked = (first.and_then(day_of), last.and_then(day_of));
        let days = days(&totals, asked);
        let begin = |day: i64| Utc::from_micros(day * MICROS_PER_DAY - ahead_micros);
        let (mut rows, mut leverage) = (Vec::new(), Leverage::default());
        for (index, day) in days.iter().enumerate() {
            let minutes = reader.minutes(channel.id, begin(*day), begin(day + 1))?;
            minutes.iter().for_each(|minute| leverage.add(minute));
            rows.extend(minutes.iter().map(minute));
            progress(index + 1, days.len());
        }
        let minutes = merge(rows);
        let Some((oldest, newest)) = minutes.first().zip(minutes.last()) else { return Ok(None) };
        // Before its first and after its last day the log says nothing, whatever is asked.
        let known = (totals.first(), totals.last());
        let known =
            (known.0.and_then(|row| day_of(&row.date)), known.1.and_then(|row| day_of(&row.date)));
        let later = asked.0.filter(|day| known.0.is_some_and(|first| first < *day));
        let earlier = asked.1.filter(|day| known.1.is_some_and(|last| *day < last));
        let from = later.map_or(oldest.start, begin);
        let until = earlier.map_or(newest.start + MINUTE, |day| begin(day + 1));
        let curves = reader.curves(channel.id, from, until)?;
        let sweeps = curves.iter().filter_map(|one| Some((one.began.utc, one.missed?))).collect();
        let crest = totals.into_iter().filter_map(|total| Some((total.date, total.available?)));
        let crest = crest.filter(|(_, crest)| crest.is_finite()).collect();
        let tracked = Tracked::of(shares_of_crest(&minutes, &curves));
        let without_run = reader.without_run(channel.id)?;
        Ok(Some(Self {
            channel,
            minutes,
            sweeps,
            without_run,
            crest,
            curves,
            tracked,
            doubts: stated.and_then(|stated| leverage.doubts(&stated.inputs)),
            from,
            until,
            ahead_micros,
        }))
    }

    /// What the season's room wants.
    #[must_use]
    pub fn record(&self) -> Record<'_> {
        Record {
            minutes: &self.minutes,
            sweeps: &self.sweeps,
            without_run: &self.without_run,
            crest: &self.crest,
            tracked: self.tracked,
            from: self.from,
            until: self.until,
            ahead_micros: self.ahead_micros,
        }
    }

    /// Its curves, broken-off ones too, in the order of time.
    #[must_use]
    pub fn curves(&self) -> &[CurveRow] {
        &self.curves
    }

    /// The share of the crest that the tracker takes, as its good curves show it.
    #[must_use]
    pub const fn tracked(&self) -> Option<Tracked> {
        self.tracked
    }

    /// How sure energy and irradiation are, where the newest run's station states its instruments.
    #[must_use]
    pub const fn doubts(&self) -> Option<SeasonDoubts> {
        self.doubts
    }

    /// The minutes of a day (days from 1970-01-01, as the log counts them): hour of the day, mean power (W), mean
    /// irradiance (W/m2).
    pub fn minutes_of(
        &self,
        day: i64,
    ) -> impl Iterator<Item = (f64, Option<f64>, Option<f64>)> + '_ {
        let begin = day * MICROS_PER_DAY - self.ahead_micros;
        let at = move |utc: Utc| utc.as_micros() - begin;
        let within = move |minute: &&Minute| (0..MICROS_PER_DAY).contains(&at(minute.start));
        self.minutes.iter().filter(within).map(move |minute| {
            let hour = at(minute.start) as f64 / 3600e6;
            (hour, minute.watts.map(|watts| watts.0), minute.irradiance.map(|light| light.0))
        })
    }

    /// The largest mean power of a minute (W); 0 where none is known.
    #[must_use]
    pub fn largest_watts(&self) -> Watts {
        self.minutes.iter().filter_map(|minute| minute.watts).fold(Watts::ZERO, Watts::max)
    }

    /// The rating that the channel's good curves in strong light show, their median: of all temperatures
    /// where `gamma` (1/K) corrects for it, else of those near 25 degC; the cells' temperature is by `over`.
    #[must_use]
    pub fn rating(&self, gamma: Option<f64>, over: OverBack) -> Option<Rating> {
        let watts = |curve| Self::standard_watts(curve, gamma, over);
        let mut found: Vec<f64> = self.curves.iter().filter_map(watts).collect();
        found.sort_by(f64::total_cmp);
        let middle = found.get(found.len() / 2)?;
        Some(Rating { watts: Watts(*middle), curves: found.len() })
    }

    /// What a curve's crest would be at standard conditions (W), of a good one in strong light.
    #[must_use]
    pub fn standard_watts(curve: &CurveRow, gamma: Option<f64>, over: OverBack) -> Option<f64> {
        let result = curve.result.as_ref().filter(|result| result.grade == Grade::Good.word())?;
        let light = result.irradiance?;
        let warmer = (over.cell(result.module_temperature?, light) - STC_TEMPERATURE).0;
        let near = gamma.is_some() || warmer.abs() <= NEAR;
        if !curve.whole || !STRONG.contains(&light.0) || !near {
            return None;
        }
        let correction = 1.0 + gamma.unwrap_or(0.0) * warmer;
        Some(result.pmp?.0 * (STC_IRRADIANCE / light) / correction)
    }
}

/// What the tracker made of the light in the minute before each good curve, over what the curve's crest makes of
/// its: each a share of the crest.
fn shares_of_crest(minutes: &[Minute], curves: &[CurveRow]) -> Vec<f64> {
    let minute_before = |curve: &CurveRow| {
        let micros = curve.began.utc.as_micros();
        let length = MINUTE.as_micros() as i64;
        let start = Utc::from_micros(micros - micros.rem_euclid(length) - length);
        let at = minutes.binary_search_by_key(&start, |minute| minute.start).ok()?;
        Some(minutes[at]).filter(|one| one.activity == Activity::Tracking && one.share() >= HELD)
    };
    let share = |curve: &CurveRow| {
        let result = curve.result.as_ref().filter(|one| one.grade == Grade::Good.word())?;
        let (light, crest) = (result.irradiance?, result.pmp?);
        let before = minute_before(curve).filter(|_| curve.whole)?;
        let (then, watts) = (before.irradiance?, before.watts?);
        let calm = (then - light).abs() <= light * CALM && light >= BRIGHT;
        calm.then(|| (watts / crest) * (light / then))
    };
    curves.iter().filter_map(share).collect()
}

/// The days to read: those with totals and their neighbours (a station may have counted its days
/// otherwise before), within what is asked.
fn days(totals: &[DayRow], (from, to): (Option<i64>, Option<i64>)) -> BTreeSet<i64> {
    let known = totals.iter().filter_map(|total| day_of(&total.date));
    let mut days: BTreeSet<i64> = known.flat_map(|day| day - 1..=day + 1).collect();
    days.retain(|day| from.is_none_or(|from| from <= *day) && to.is_none_or(|to| *day <= to));
    days
}

/// Days from 1970-01-01 to an ISO 8601 date.
fn day_of(date: &str) -> Option<i64> {
    let midnight: Utc = format!("{date}T00:00:00Z").parse().ok()?;
    Some(midnight.as_micros().div_euclid(MICROS_PER_DAY))
}

fn minute(row: &MinuteRow) -> Minute {
    let mean =
        |spread: &Spread| Some(spread.mean).filter(|mean| spread.count > 0 && mean.is_finite());
    Minute {
        start: row.start,
        activity: row.activity,
        watts: mean(&row.watts).map(Watts),
        irradiance: mean(&row.irradiance).map(Irradiance),
        module: mean(&row.module_temperature).map(Celsius),
        energy: Some(row.energy).filter(|energy| energy.is_finite()),
        covered: row.covered,
        missing: row.missing,
        twice: false,
    }
}
