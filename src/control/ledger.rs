//! A channel's books: from readings to samples, one-minute records and day totals.
//!
//! Model: every reading goes through the energy meter once; what the meter adds is booked to the
//! open minute and the open day, and both are closed when the wall clock has left them. Only labels
//! come from the wall clock; sums and spans come from the monotonic one.
//!
//! A glance's reading counts for the energy alone. Samples and minutes tell of the voltage that is held: a
//! mean of both would be true of neither, and weighed by readings it would give glances too much. So the mean
//! power of a minute with glances is a little above its energy over the time covered.
//!
//! The wall clock may step. A day's book is known by when it was begun on the monotonic clock, and the
//! newest two are kept. A step back over midnight goes on in the book of the day before. One that puts
//! all of the open day into another, or is large (a board that started in the past is told the time, or
//! loses it), renames the books: no run skips a day. So a day is never split or counted twice. A
//! computer that is suspended looks as if its clock were set; it is not to be suspended.
//!
//! Rejected: beginning anew after each step (the day's row would be what was left of it), booking to
//! days by the monotonic clock alone (its drift would move midnight by minutes over a campaign).

use super::config::{ChannelConfig, DaySplit};
use super::conversation::Outbox;
use super::energy::{EnergyMeter, Increment, Total};
use super::record::{
    Activity, ChannelId, DayTotal, Event, Happening, Minute, Record, Sample, Spread,
};
use super::spread::Tally;
use super::timekeeper::{STEP, began_by_now};
use crate::quantities::{Amps, Celsius, Irradiance, Irradiation, Volts, WattHours, Watts};
use crate::time::{Instant, Stamp, Utc};
use crate::trackers::Wish;
use std::time::Duration;

/// What the setpoint in force at the crest is for.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) enum Stay {
    /// To be held for a period.
    #[default]
    Period,
    /// One reading as soon as the load has settled.
    Glance,
    /// The first to be held after a glance.
    Back,
}

impl Stay {
    /// What the next one is for.
    pub(super) fn then(self, wish: &Wish) -> Self {
        match (wish, self) {
            (Wish::Glance(_), _) => Self::Glance,
            (_, Self::Glance) => Self::Back,
            _ => Self::Period,
        }
    }
}

/// One judged look at the device.
#[derive(Clone, Copy, Debug)]
pub(super) struct Look {
    pub(super) at: Instant,
    pub(super) volts: Volts,
    pub(super) amps: Amps,
    pub(super) setpoint: Option<Volts>,
    pub(super) stay: Stay,
    pub(super) irradiance: Option<Irradiance>,
    pub(super) module_temperature: Option<Celsius>,
}

#[derive(Clone, Copy, Debug, Default)]
struct Tallies {
    volts: Tally,
    amps: Tally,
    watts: Tally,
    irradiance: Tally,
    module_temperature: Tally,
}

impl Tallies {
    fn push(&mut self, look: &Look) {
        self.volts.push(look.volts.0);
        self.amps.push(look.amps.0);
        self.watts.push((look.volts * look.amps).0);
        if let Some(irradiance) = look.irradiance {
            self.irradiance.push(irradiance.0);
        }
        if let Some(temperature) = look.module_temperature {
            self.module_temperature.push(temperature.0);
        }
    }
}

#[derive(Clone, Copy, Debug, Default)]
struct MinuteBook {
    start: Utc,
    /// What the wall clock was ahead when it was opened (us).
    offset: i64,
    tallies: Tallies,
    energy: f64,
    covered: Duration,
    missing: Duration,
}

#[derive(Clone, Copy, Debug, Default)]
struct DayBook {
    day: Utc,
    /// When it was begun, which it is known by.
    began: Instant,
    energy: Total,
    irradiation: Total,
    peak: Watts,
    tracking: Duration,
    sweeping: Duration,
    sweep_missed: Total,
    covered: Duration,
    missing: Duration,
    gaps: u32,
}

/// Switching off takes so long at most on sound lines (s): a command and a look each for the load
/// and the boost supply, 0.1 s each at 9600 baud.
const LOOSE_END: Duration = Duration::from_millis(500);

/// A step of the wall clock of so much (us, 12 h) or more renames the open day wherever it began: a
/// board that is told the time steps by days to decades; what a person or a wrong zone does is less.
const RENAMING_STEP: u64 = 12 * 3_600_000_000;

/// The books of one channel.
#[derive(Clone, Debug)]
pub(super) struct Ledger {
    channel: ChannelId,
    split: DaySplit,
    sample_every: Duration,
    /// A sample that is due within this is due: half a period, so that the jitter of readings never
    /// puts two of them into one sample, or none.
    slack: Duration,
    /// A sample that is overdue by more ends without the next reading: a mean of readings from both
    /// sides of an outage would be true of neither.
    overdue: Duration,
    meter: EnergyMeter,
    sample: Tallies,
    /// What the channel was doing at the sample's readings, and when the last of them was taken.
    sampled: Option<(Activity, Stamp)>,
    sample_due: Instant,
    setpoint: Option<Volts>,
    minute: Option<MinuteBook>,
    day: Option<DayBook>,
    /// The day's book that was open before, in case the clock steps back.
    before: Option<DayBook>,
    /// What the wall clock was ahead of the monotonic one when last booked (us).
    offset: Option<i64>,
}

impl Ledger {
    pub(super) fn new(config: &ChannelConfig) -> Self {
        Self {
            channel: config.id,
            split: config.day,
            sample_every: config.sample_every,
            slack: config.period / 2,
            overdue: config.max_gap,
            meter: EnergyMeter::new(config.max_gap),
            sample: Tallies::default(),
            sampled: None,
            sample_due: Instant::ZERO,
            setpoint: None,
            minute: None,
            day: None,
            before: None,
            offset: None,
        }
    }

    /// A reading while the input is on; returns what it added to the books.
    pub(super) fn working(
        &mut self,
        now: Stamp,
        doing: Activity,
        look: &Look,
        out: &mut Outbox,
    ) -> Increment {
        let watts = look.volts * look.amps;
        let add = match look.stay {
            Stay::Period => self.meter.observe(look.at, watts, look.irradiance),
            Stay::Glance | Stay::Back => self.meter.arrive(look.at, watts, look.irradiance),
        };
        self.book(now, doing, &add, out);
        if look.stay != Stay::Glance {
            self.keep(now, doing, look, out);
        }
        add
    }

    /// A curve ended that cost so much energy.
    pub(super) fn missed_by_sweep(&mut self, energy: WattHours) {
        if let Some(day) = &mut self.day {
            day.sweep_missed.add(energy.0);
        }
    }

    /// A reading while the input is off; `awake` when the channel would rather be working.
    pub(super) fn idling(
        &mut self,
        now: Stamp,
        doing: Activity,
        (look, awake): (&Look, bool),
        out: &mut Outbox,
    ) {
        if awake {
            let add = self.meter.idle(look.at);
            self.book(now, doing, &add, out);
        } else {
            self.meter.pause();
            self.book(now, doing, &Increment::default(), out);
        }
        self.keep(now, doing, look, out);
    }

    /// The input was off until now: a trapezoid from the last reading would invent the energy of the
    /// time that the boost supply took to rise.
    pub(super) fn off_until(&mut self, now: Stamp, doing: Activity, out: &mut Outbox) {
        let add = self.meter.idle(now.mono);
        self.book(now, doing, &add, out);
    }

    /// No reading; `awake` when the channel would be working if it could.
    pub(super) fn blind(&mut self, now: Stamp, doing: Activity, awake: bool, out: &mut Outbox) {
        let add = if awake { self.meter.absent(now.mono) } else { Increment::default() };
        self.book(now, doing, &add, out);
    }

    /// The input is known to have been off until now, though there is no reading of now.
    pub(super) fn resting(&mut self, now: Stamp, doing: Activity, out: &mut Outbox) {
        let add = self.meter.idle(now.mono);
        self.book(now, doing, &add, out);
    }

    /// Closes all books. What has passed since the last reading of a channel that was `awake` is
    /// missing, unless it is only what an end takes.
    pub(super) fn close(&mut self, now: Stamp, doing: Activity, awake: bool, out: &mut Outbox) {
        self.close_sample(out);
        if self.meter.unbooked(now.mono) > self.slack * 2 + LOOSE_END {
            self.blind(now, doing, awake, out);
        }
        self.close_minute(now, doing, out);
        self.tell_day(now, out);
    }

    /// Books what the meter added to the open minute and day, opening and closing them as the wall
    /// clock demands.
    fn book(&mut self, now: Stamp, doing: Activity, add: &Increment, out: &mut Outbox) {
        let start = now.utc.minute_start();
        if self.minute.is_some_and(|minute| minute.start != start) {
            self.close_minute(now, doing, out);
            self.tell_day(now, out);
        }
        self.open_day(now, out);
        let minute = self.minute.get_or_insert(MinuteBook {
            start,
            offset: now.offset_micros(),
            ..MinuteBook::default()
        });
        minute.energy += add.energy.0;
        minute.covered += add.covered;
        minute.missing += add.missing;
        let fresh =
            DayBook { day: self.split.day_of(now.utc), began: now.mono, ..DayBook::default() };
        let day = self.day.get_or_insert(fresh);
        day.energy.add(add.energy.0);
        day.irradiation.add(add.irradiation.0);
        day.covered += add.covered;
        day.missing += add.missing;
        day.gaps += u32::from(add.gap_began);
        match doing {
            Activity::Tracking => day.tracking += add.covered,
            Activity::Sweeping => day.sweeping += add.covered,
            _ => {}
        }
        if let Some(length) = add.gap_ended {
            let what = Happening::Gap { length };
            out.push(Record::Event(Event { channel: Some(self.channel), at: now, what }));
        }
    }

    /// Opens the day that `now` lies in, unless it is open; a step of the wall clock may rename the
    /// newest two instead.
    fn open_day(&mut self, now: Stamp, out: &mut Outbox) {
        let offset = now.offset_micros();
        let step = offset.saturating_sub(self.offset.replace(offset).unwrap_or(offset));
        let (date, split) = (self.split.day_of(now.utc), self.split);
        let Some(day) = self.day.as_mut().filter(|day| day.day != date) else {
            return;
        };
        let back = self.before.is_some_and(|before| before.day == date);
        let shown = |mono: Instant| now.utc - now.mono.saturating_since(mono);
        let large = step.unsigned_abs() >= RENAMING_STEP;
        let whole = step.unsigned_abs() >= STEP && split.day_of(shown(day.began)) == date;
        if !back && (large || whole) {
            // Each is of the date on which the middle of its time lies now.
            let middle = |from: Instant, to: Instant| {
                split.day_of(shown(from + to.saturating_since(from) / 2))
            };
            day.day = middle(day.began, now.mono);
            if let Some(before) = &mut self.before {
                before.day = middle(before.began, day.began);
            }
            if let Some(before) = &self.before {
                self.tell_total(before, now, out);
            }
            self.tell_day(now, out);
        }
        if self.day.is_some_and(|day| day.day != date) {
            // Back in the day before, or on to the next.
            let known = self.before.take_if(|before| before.day == date);
            self.before = std::mem::replace(&mut self.day, known);
        }
    }

    /// Keeps a reading for the sample and the minute.
    fn keep(&mut self, now: Stamp, doing: Activity, look: &Look, out: &mut Outbox) {
        // A sample tells of one activity: a sweep's readings are no tracking.
        let other = self.sampled.is_some_and(|(before, _)| before != doing);
        if other || now.mono > self.sample_due + self.overdue {
            self.close_sample(out);
        }
        self.sampled = Some((doing, now));
        self.sample.push(look);
        self.setpoint = look.setpoint;
        if let Some(minute) = &mut self.minute {
            minute.tallies.push(look);
        }
        if let Some(day) = &mut self.day {
            day.peak = day.peak.max(look.volts * look.amps);
        }
        if now.mono + self.slack >= self.sample_due {
            self.close_sample(out);
            let next = self.sample_due + self.sample_every;
            self.sample_due = if next > now.mono { next } else { now.mono + self.sample_every };
        }
    }

    fn close_sample(&mut self, out: &mut Outbox) {
        let Some((activity, at)) = self.sampled.take() else {
            return;
        };
        let tallies = std::mem::take(&mut self.sample);
        let mean = |tally: &Tally| tally.spread().mean;
        out.push(Record::Sample(Sample {
            channel: self.channel,
            at,
            activity,
            readings: tallies.volts.count(),
            volts: Volts(mean(&tallies.volts)),
            amps: Amps(mean(&tallies.amps)),
            watts: Watts(mean(&tallies.watts)),
            setpoint: self.setpoint,
            irradiance: tallies.irradiance.mean().map(Irradiance),
            module_temperature: tallies.module_temperature.mean().map(Celsius),
            crest: None,
        }));
    }

    fn close_minute(&mut self, at: Stamp, activity: Activity, out: &mut Outbox) {
        let Some(minute) = self.minute.take() else {
            return;
        };
        let spread = |tally: &Tally| -> Spread { tally.spread() };
        out.push(Record::Minute(Minute {
            channel: self.channel,
            start: began_by_now(minute.start, minute.offset, at),
            at,
            activity,
            volts: spread(&minute.tallies.volts),
            amps: spread(&minute.tallies.amps),
            watts: spread(&minute.tallies.watts),
            irradiance: spread(&minute.tallies.irradiance),
            module_temperature: spread(&minute.tallies.module_temperature),
            energy: WattHours(minute.energy),
            covered: minute.covered,
            missing: minute.missing,
        }));
    }

    fn tell_day(&self, at: Stamp, out: &mut Outbox) {
        if let Some(day) = &self.day {
            self.tell_total(day, at, out);
        }
    }

    fn tell_total(&self, day: &DayBook, at: Stamp, out: &mut Outbox) {
        out.push(Record::Day(DayTotal {
            channel: self.channel,
            day: day.day,
            began: day.began,
            at,
            energy: WattHours(day.energy.value()),
            available: None,
            irradiation: Irradiation(day.irradiation.value()),
            peak: day.peak,
            tracking: day.tracking,
            sweeping: day.sweeping,
            sweep_missed: WattHours(day.sweep_missed.value()),
            covered: day.covered,
            missing: day.missing,
            gaps: day.gaps,
        }));
    }
}
