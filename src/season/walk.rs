//! Through the days of a record, minute by minute.

use super::degradation::{Degradation, NoRate, degradation};
use super::light::Lights;
use super::losses::{Known, Losses, Tracked};
use super::matrix::{Dimming, PowerMatrix, Steady, UNSTEADY};
use super::minute::{Minute, slept_before};
use super::quality::{Exclusion, Judged, MINUTE, Quantity, Reason, Rules, Runs, judge};
use super::totals::{PER_HOUR, Totals, minute_sums};
use crate::control::record::Activity;
use crate::quantities::{Celsius, Irradiance, STC_IRRADIANCE, STC_TEMPERATURE, WattHours, Watts};
use crate::time::Utc;
use crate::yields::OverBack;
use crate::yields::Sums;
use std::collections::BTreeMap;
use std::ops::Range;
use std::time::Duration;

/// From this irradiance on it is light (W/m2): where availability and completeness are counted. Common
/// practice, no source.
pub const LIGHT: Irradiance = Irradiance(50.0);
/// From this irradiance on a minute counts for the yearly change (W/m2): in low light ratios scatter. The
/// published method's own choice (from memory).
pub const BRIGHT: Irradiance = Irradiance(200.0);
/// A day without so many hours of bright minutes says nothing of the yearly change (h; an hour, less half a
/// minute for rounding): a glimpse between clouds is all edges.
const LEAST_BRIGHT: f64 = 59.5 / 60.0;
/// A minute that is covered less is not steady (share).
const STEADY: f64 = 0.99;
/// Between two minutes of light no further apart there is no night: up to 60 degrees of latitude light of
/// [`LIGHT`] fails for longer.
const NO_NIGHT: Duration = Duration::from_secs(4 * 3600);
const MICROS_PER_DAY: i64 = 86_400_000_000;
const MICROS_PER_MINUTE: i64 = 60_000_000;

/// What a log says of one channel.
#[derive(Clone, Copy, Debug)]
pub struct Record<'a> {
    /// Its minutes, [`merge`](super::merge)d.
    pub minutes: &'a [Minute],
    /// What sweeps cost, by when they began, in the order of time.
    pub sweeps: &'a [(Utc, WattHours)],
    /// Daylight in which no run held the device, as the log tells, in the order of time.
    pub without_run: &'a [(Utc, Utc)],
    /// Energy at the crest, by date, where it is known.
    pub crest: &'a BTreeMap<String, WattHours>,
    /// The share of the crest that the tracker takes, where curves tell it.
    pub tracked: Option<Tracked>,
    /// When the period begins.
    pub from: Utc,
    /// When it ends.
    pub until: Utc,
    /// What the time that days are counted by is ahead of UTC (us).
    pub ahead_micros: i64,
}

/// What is known of its device.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Device {
    /// Power at 1000 W/m2 and 25 degC.
    pub rated: Option<Watts>,
    /// Temperature coefficient of power (1/K), negative for most devices.
    pub gamma: Option<f64>,
    /// How warm its cells are where the log has the back of the module.
    pub over_back: OverBack,
}

/// One day.
#[derive(Clone, Debug, PartialEq)]
pub struct Day {
    /// Days from 1970-01-01.
    pub number: i64,
    /// Date, ISO 8601.
    pub date: String,
    /// Its sums.
    pub totals: Totals,
    /// Of its bright minutes in which the channel held the device throughout and the temperature is known,
    /// corrected to 25 degC: what the yearly change is found from.
    pub steady: Sums,
}

/// A month.
#[derive(Clone, Debug, PartialEq)]
pub struct Period {
    /// ISO 8601, as `2026-06`.
    pub name: String,
    /// Its sums.
    pub totals: Totals,
}

/// What a channel's record comes to.
#[derive(Clone, Debug)]
pub struct Season {
    /// Days that the period touches, also those without a record.
    pub days: Vec<Day>,
    /// Months.
    pub months: Vec<Period>,
    /// All of it.
    pub all: Totals,
    /// What does not count, by time.
    pub exclusions: Vec<Exclusion>,
    /// Whether irradiance was ever measured; without it there are no yields.
    pub has_irradiance: bool,
    /// Whether module temperature was.
    pub has_temperature: bool,
    /// The device's yearly change.
    pub degradation: Result<Degradation, NoRate>,
    /// Its power by irradiance and temperature.
    pub matrix: PowerMatrix,
}

/// Sums a record up.
///
/// `seed` is that of the yearly change's interval.
#[must_use]
pub fn evaluate(record: &Record<'_>, device: &Device, rules: &Rules, seed: u64) -> Season {
    let judged = judge(record.minutes, device.rated, rules);
    let mut walk = Walk::new(record, device, &judged);
    let matrix = PowerMatrix::of(&walk.steady());
    walk.dimming = Dimming::of(&matrix);
    let (days, gaps) = walk.days();
    let mut exclusions = judged.exclusions.clone();
    exclusions.retain(|one| one.from < record.until && one.until > record.from);
    exclusions.extend(gaps);
    exclusions.sort_by_key(|one| (one.from, one.quantity, one.reason));
    let (mut months, mut all): (Vec<Period>, Totals) = (Vec::new(), Totals::default());
    for day in &days {
        let name = day.date.get(..7).unwrap_or_default();
        if months.last().is_none_or(|month| month.name != name) {
            months.push(Period { name: name.to_owned(), totals: Totals::default() });
        }
        if let Some(month) = months.last_mut() {
            month.totals.add(&day.totals);
        }
        all.add(&day.totals);
    }
    let degradation = match device.gamma {
        None => Err(NoRate::NoGamma),
        // The rating falls out: the rate is relative to the first year.
        Some(_) => degradation(&ratios(&days, device.rated.unwrap_or(Watts(1.0))), seed),
    };
    Season {
        days,
        months,
        all,
        exclusions,
        has_irradiance: walk.has_irradiance,
        has_temperature: walk.has_temperature,
        degradation,
        matrix,
    }
}

/// Ratios of the days that say something.
fn ratios(days: &[Day], rated: Watts) -> Vec<(i64, f64)> {
    let good = days.iter().filter(|day| day.steady.hours >= LEAST_BRIGHT);
    good.filter_map(|day| Some((day.number, day.steady.performance_ratio(rated)?))).collect()
}

/// What of a minute counts.
struct Sound {
    irradiance: Option<f64>,
    cell: Option<f64>,
    energy: Option<WattHours>,
}

struct Walk<'a> {
    record: &'a Record<'a>,
    device: &'a Device,
    judged: &'a Judged,
    /// Minutes of each day, by its number.
    days: BTreeMap<i64, Range<usize>>,
    lights: Lights,
    /// Where it is light without a record, in the order of time; none overlaps another.
    unseen: Vec<(Utc, Utc)>,
    dimming: Option<Dimming>,
    has_irradiance: bool,
    has_temperature: bool,
}

/// The gaps of each kind.
struct Gaps([Runs; 4]);

impl<'a> Walk<'a> {
    fn new(record: &'a Record<'a>, device: &'a Device, judged: &'a Judged) -> Self {
        let mut walk = Self {
            record,
            device,
            judged,
            days: BTreeMap::new(),
            lights: Lights::default(),
            unseen: Vec::new(),
            dimming: None,
            has_irradiance: record.minutes.iter().any(|minute| minute.irradiance.is_some()),
            has_temperature: record.minutes.iter().any(|minute| minute.module.is_some()),
        };
        for (index, minute) in record.minutes.iter().enumerate() {
            let (day, slot) = walk.place(minute.start);
            let light = walk.sound(index).irradiance.is_some_and(|g| g >= LIGHT.0);
            walk.days.entry(day).or_insert(index..index).end = index + 1;
            walk.lights.note(day, slot, light);
        }
        walk.unseen = walk.unseen();
        walk
    }

    /// The light without a record that the log tells of, and what lies between two minutes of light.
    fn unseen(&self) -> Vec<(Utc, Utc)> {
        let lit = |index: usize| self.sound(index).irradiance.is_some_and(|g| g >= LIGHT.0);
        let between = |index: usize| {
            let (before, after) = (&self.record.minutes[index - 1], &self.record.minutes[index]);
            let gap = (before.start + MINUTE, after.start);
            let short = after.start.saturating_since(gap.0) <= NO_NIGHT;
            (gap.0 < gap.1 && short && lit(index - 1) && lit(index)).then_some(gap)
        };
        let told = self.record.without_run.iter().copied();
        let mut all: Vec<_> =
            told.chain((1..self.record.minutes.len()).filter_map(between)).collect();
        all.sort();
        all.dedup_by(|next, kept| {
            let overlaps = next.0 <= kept.1;
            kept.1 = if overlaps { kept.1.max(next.1) } else { kept.1 };
            overlaps
        });
        all
    }

    /// Whether it is light in a minute without a record, but for what other days say.
    fn is_unseen(&self, start: Utc) -> bool {
        let middle = start + MINUTE / 2;
        let before = self.unseen.partition_point(|span| span.0 <= middle);
        before.checked_sub(1).is_some_and(|index| middle < self.unseen[index].1)
    }

    /// Day and minute of the day.
    fn place(&self, utc: Utc) -> (i64, usize) {
        let local = utc.as_micros().saturating_add(self.record.ahead_micros);
        let slot = local.rem_euclid(MICROS_PER_DAY) / MICROS_PER_MINUTE;
        (local.div_euclid(MICROS_PER_DAY), usize::try_from(slot).unwrap_or(0))
    }

    /// The start of the UTC minute in a slot of a day.
    fn start(&self, day: i64, slot: usize) -> Utc {
        let local = day * MICROS_PER_DAY + slot as i64 * MICROS_PER_MINUTE;
        let utc = local - self.record.ahead_micros;
        let up = (-utc).rem_euclid(MICROS_PER_MINUTE);
        Utc::from_micros(utc + up)
    }

    fn sound(&self, index: usize) -> Sound {
        let minute = &self.record.minutes[index];
        let counts = |quantity| self.judged.counts(index, quantity);
        let irradiance = minute.irradiance.filter(|_| counts(Quantity::Irradiance));
        // At night sensors show their offset, which is no light.
        let irradiance = irradiance.map(|g| g.max(Irradiance::ZERO));
        let back = minute.module.filter(|_| counts(Quantity::Module));
        let over = self.device.over_back;
        Sound {
            irradiance: irradiance.map(|g| g.0),
            cell: back.zip(irradiance).map(|(back, light)| over.cell(back, light).0),
            energy: minute.energy.filter(|_| minute.watts.is_some() && counts(Quantity::Power)),
        }
    }

    /// Whole minutes at the crest in light that is as it was the minute before.
    fn steady(&self) -> Vec<Steady> {
        let minutes = self.record.minutes;
        let light = |index: usize| self.sound(index).irradiance;
        let steady = |index: &usize| {
            let minute = &minutes[*index];
            let within = minute.start >= self.record.from && minute.start < self.record.until;
            let held = minute.activity == Activity::Tracking && minute.share() >= STEADY;
            let next = minutes[index - 1].start + MINUTE == minute.start;
            let calm = || {
                let (before, now) = (light(*index - 1)?, light(*index)?);
                Some((now - before).abs() <= UNSTEADY * now)
            };
            within && held && next && calm().unwrap_or(false)
        };
        let told = |index: usize| {
            let Sound { irradiance, cell, energy } = self.sound(index);
            let watts = energy.and(minutes[index].watts)?;
            Some(Steady { irradiance: Irradiance(irradiance?), cell: Celsius(cell?), watts })
        };
        (1..minutes.len()).filter(steady).filter_map(told).collect()
    }

    fn days(&self) -> (Vec<Day>, Vec<Exclusion>) {
        let mut gaps = Gaps::new();
        let mut days = Vec::new();
        if self.record.from < self.record.until {
            let last = Utc::from_micros(self.record.until.as_micros() - 1);
            for number in self.place(self.record.from).0..=self.place(last).0 {
                days.push(self.day(number, &mut gaps));
            }
        }
        (days, gaps.0.into_iter().flat_map(|runs| runs.done).collect())
    }

    fn day(&self, number: i64, gaps: &mut Gaps) -> Day {
        let date = Utc::from_micros(number.saturating_mul(MICROS_PER_DAY)).date();
        let presumed = self.lights.presumed(number);
        let mut day = Day { number, date, totals: Totals::default(), steady: Sums::default() };
        let range = self.days.get(&number).cloned().unwrap_or(0..0);
        let tracked = self.tracked(range.clone(), &day.date);
        let mut minutes = range.peekable();
        for (slot, lit) in presumed.iter().copied().enumerate() {
            let start = self.start(number, slot);
            let index = minutes.next_if(|index| self.record.minutes[*index].start <= start);
            if start < self.record.from || start >= self.record.until {
                continue;
            }
            day.totals.hours += 1.0 / PER_HOUR;
            match index {
                Some(index) => self.minute((index, lit, tracked), &mut day, gaps),
                None if lit || self.is_unseen(start) => {
                    day.totals.light += 1;
                    day.totals.presumed += 1;
                    gaps.push(Quantity::Record, start);
                }
                None => {}
            }
        }
        day.totals.crest = self.record.crest.get(&day.date).copied();
        day
    }

    /// The share of the crest that the tracker took on a day, or takes as curves tell.
    fn tracked(&self, minutes: Range<usize>, date: &str) -> Option<f64> {
        let by_curves = || self.record.tracked.map(|tracked| tracked.share);
        let Some(crest) = self.record.crest.get(date) else { return by_curves() };
        let all = &self.record.minutes[minutes];
        let energy: WattHours = all.iter().filter_map(|minute| minute.energy).sum();
        let swept: WattHours = all.iter().map(|minute| self.swept(minute.start)).sum();
        let held = *crest - swept;
        (held > WattHours::ZERO && energy > WattHours::ZERO).then(|| energy / held)
    }

    fn minute(
        &self,
        (index, presumed, tracked): (usize, bool, Option<f64>),
        day: &mut Day,
        gaps: &mut Gaps,
    ) {
        let minute = &self.record.minutes[index];
        let sound = self.sound(index);
        let slept = slept_before(self.record.minutes, index);
        let totals = &mut day.totals;
        totals.energy += minute.energy.unwrap_or_default();
        let light = sound.irradiance.map_or(presumed, |g| g >= LIGHT.0);
        if light {
            totals.light += 1;
            totals.presumed += u32::from(sound.irradiance.is_none());
            if minute.working() {
                totals.worked += minute.share();
            }
            if sound.irradiance.is_some() && sound.energy.is_some() {
                totals.complete += minute.known(slept);
            }
            self.gaps_of(minute, gaps);
        }
        let (Some(irradiance), Some(energy)) = (sound.irradiance, sound.energy) else { return };
        let booked = minute.booked(slept);
        let irradiation = irradiance * booked / PER_HOUR;
        totals.counted.add(&minute_sums(booked, irradiation, energy));
        let correction = self
            .device
            .gamma
            .zip(sound.cell)
            .map(|(gamma, cell)| 1.0 + gamma * (cell - STC_TEMPERATURE.0));
        if let Some(correction) = correction {
            let sums = minute_sums(booked, irradiation * correction, energy);
            totals.corrected.get_or_insert_default().add(&sums);
            let steady = minute.working() && minute.share() >= STEADY;
            if steady && irradiance >= BRIGHT.0 {
                day.steady.add(&sums);
            }
        }
        if let Some(rated) = self.device.rated {
            let reference = rated.0 * irradiation / STC_IRRADIANCE.0;
            let swept = self.swept(minute.start);
            let dimming = self.dimming.as_ref();
            let efficiency = dimming.map(|dimming| dimming.efficiency(Irradiance(irradiance)));
            let known = Known { reference, booked, correction, efficiency, tracked };
            let losses = Losses::of(minute, &known, (energy, swept));
            totals.losses.get_or_insert_default().add(&losses);
        }
    }

    fn gaps_of(&self, minute: &Minute, gaps: &mut Gaps) {
        if minute.watts.is_none() && minute.irradiance.is_none() {
            gaps.push(Quantity::Record, minute.start);
            return;
        }
        if minute.watts.is_none() || minute.energy.is_none() {
            gaps.push(Quantity::Power, minute.start);
        }
        if minute.irradiance.is_none() && self.has_irradiance {
            gaps.push(Quantity::Irradiance, minute.start);
        }
        if minute.module.is_none() && self.has_temperature {
            gaps.push(Quantity::Module, minute.start);
        }
    }

    /// What the sweeps that began within a minute cost.
    fn swept(&self, start: Utc) -> WattHours {
        let sweeps = self.record.sweeps;
        let first = sweeps.partition_point(|sweep| sweep.0 < start);
        let within = sweeps[first..].iter().take_while(|sweep| sweep.0 < start + MINUTE);
        within.map(|sweep| sweep.1).sum()
    }
}

impl Gaps {
    fn new() -> Self {
        let kinds = [Quantity::Irradiance, Quantity::Module, Quantity::Power, Quantity::Record];
        Self(kinds.map(|quantity| Runs::new(quantity, Reason::Gap)))
    }

    fn push(&mut self, quantity: Quantity, start: Utc) {
        self.0[quantity as usize].push(start);
    }
}
