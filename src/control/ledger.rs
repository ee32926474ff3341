//! A channel's books: from readings to samples, one-minute records and day totals.
//!
//! Model: every reading goes through the energy meter once; what the meter adds is booked to the
//! open minute and the open day, and both are closed when the wall clock has left them. Only labels
//! come from the wall clock; sums and spans come from the monotonic one.

use super::config::ChannelConfig;
use super::conversation::Outbox;
use super::energy::{EnergyMeter, Increment, Total};
use super::record::{
    Activity, ChannelId, DayTotal, Event, Happening, Minute, Record, Sample, Spread,
};
use super::spread::Tally;
use crate::quantities::{Amps, Celsius, Irradiance, Irradiation, Volts, WattHours, Watts};
use crate::time::{Instant, Stamp, Utc};
use std::time::Duration;

/// One judged look at the device.
#[derive(Clone, Copy, Debug)]
pub(super) struct Look {
    pub(super) at: Instant,
    pub(super) volts: Volts,
    pub(super) amps: Amps,
    pub(super) setpoint: Option<Volts>,
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
    tallies: Tallies,
    energy: f64,
    covered: Duration,
    missing: Duration,
}

#[derive(Clone, Copy, Debug, Default)]
struct DayBook {
    day: Utc,
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

/// The books of one channel.
#[derive(Clone, Debug)]
pub(super) struct Ledger {
    channel: ChannelId,
    sample_every: Duration,
    /// A sample that is due within this is due: half a period, so that the jitter of readings never
    /// puts two of them into one sample, or none.
    slack: Duration,
    meter: EnergyMeter,
    sample: Tallies,
    /// What the channel was doing at the sample's readings, and when the last of them was taken.
    sampled: Option<(Activity, Stamp)>,
    sample_due: Instant,
    setpoint: Option<Volts>,
    minute: Option<MinuteBook>,
    day: Option<DayBook>,
}

impl Ledger {
    pub(super) fn new(config: &ChannelConfig) -> Self {
        Self {
            channel: config.id,
            sample_every: config.sample_every,
            slack: config.period / 2,
            meter: EnergyMeter::new(config.max_gap),
            sample: Tallies::default(),
            sampled: None,
            sample_due: Instant::ZERO,
            setpoint: None,
            minute: None,
            day: None,
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
        let add = self.meter.observe(look.at, look.volts * look.amps, look.irradiance);
        self.book(now, doing, &add, out);
        self.keep(now, doing, look, out);
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
        let day_start = now.utc.day_start();
        if self.day.is_some_and(|day| day.day != day_start) {
            self.day = None;
        }
        let minute = self.minute.get_or_insert(MinuteBook { start, ..MinuteBook::default() });
        minute.energy += add.energy.0;
        minute.covered += add.covered;
        minute.missing += add.missing;
        let day = self.day.get_or_insert(DayBook { day: day_start, ..DayBook::default() });
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

    /// Keeps a reading for the sample and the minute.
    fn keep(&mut self, now: Stamp, doing: Activity, look: &Look, out: &mut Outbox) {
        // A sample tells of one activity: a sweep's readings are no tracking.
        if self.sampled.is_some_and(|(before, _)| before != doing) {
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
            start: minute.start,
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

    fn tell_day(&mut self, at: Stamp, out: &mut Outbox) {
        let Some(day) = &self.day else {
            return;
        };
        out.push(Record::Day(DayTotal {
            channel: self.channel,
            day: day.day,
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
