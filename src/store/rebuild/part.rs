//! Samples become a minute: spans of time, means, sums.

use crate::control::record::{Activity, ChannelId, DayTotal, Minute, Spread};
use crate::quantities::{Irradiation, WattHours, Watts};
use crate::store::reader::SampleRow;
use crate::store::rows;
use crate::time::{Instant, Stamp, Utc};
use std::time::Duration;

/// A sample that comes later than so many times what its readings take came after a gap.
const LATE: f64 = 2.0;
const MICROS_PER_SECOND: f64 = 1e6;
const HOUR_S: f64 = 3600.0;

pub(super) fn mono(sample: &SampleRow) -> i64 {
    rows::mono_us(sample.at.mono)
}

/// Whether the input was on.
fn works(activity: Activity) -> bool {
    matches!(activity, Activity::Tracking | Activity::Sweeping)
}

/// How long a reading usually takes (us), with the input on and off.
#[derive(Clone, Copy, Debug)]
pub(super) struct Usual {
    on: Option<f64>,
    off: Option<f64>,
}

/// What the time up to a sample is (us).
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Span {
    covered: i64,
    /// Of this, what the sample's power counts for.
    powered: i64,
    missing: i64,
}

impl Usual {
    /// The medians over neighbours of one kind.
    pub(super) fn of(samples: &[SampleRow]) -> Self {
        let median = |on: bool| {
            let alike = |sample: &SampleRow| {
                sample.activity != Activity::Asleep && works(sample.activity) == on
            };
            let mut all: Vec<f64> = samples
                .windows(2)
                .filter(|pair| pair.iter().all(alike) && pair[1].readings > 0)
                .map(|pair| (mono(&pair[1]) - mono(&pair[0])) as f64 / f64::from(pair[1].readings))
                .collect();
            all.sort_by(f64::total_cmp);
            all.get(all.len() / 2).copied()
        };
        Self { on: median(true), off: median(false) }
    }

    /// Of a reading with the input on.
    pub(super) fn reading_us(&self) -> i64 {
        self.on.unwrap_or_default().round() as i64
    }

    /// The time up to a sample that neither the one before it has nor what lies before `from`.
    pub(super) fn span(
        &self,
        sample: &SampleRow,
        (before, from): (Option<&SampleRow>, i64),
        lost: &[i64],
    ) -> Span {
        let usual = if works(sample.activity) { self.on } else { self.off }.unwrap_or_default();
        let own = (usual * f64::from(sample.readings)).round() as i64;
        let at = mono(sample);
        // At the beginning the first reading begins the time.
        let begin = before.map_or(at - own + usual.round() as i64, mono).max(from);
        let (span, own) = ((at - begin).max(0), own.min(at - begin).max(0));
        let asleep = |sample: &SampleRow| sample.activity == Activity::Asleep;
        let outage = lost.iter().any(|lost| (begin..=at).contains(lost));
        let slept = before.is_some_and(asleep);
        if asleep(sample) {
            // Nothing is booked of a night; but a channel that lost its line awake looks for light first.
            let missing = if outage && before.is_some() && !slept { span } else { 0 };
            return Span { missing, ..Span::default() };
        }
        if sample.watts.is_none() {
            return Span { missing: span, ..Span::default() };
        }
        let whole = !outage && span as f64 <= LATE * own as f64;
        match whole || slept && !outage {
            // On its way from sleep to the crest it delivers nothing.
            true => Span { covered: span, powered: if slept { own } else { span }, missing: 0 },
            false => Span { covered: own, powered: own, missing: span - own },
        }
    }
}

/// A minute on its way.
#[derive(Debug)]
pub(super) struct Part {
    pub(super) start: Utc,
    /// When its first sample was taken.
    began: Instant,
    at: Stamp,
    activity: Activity,
    pub(super) samples: u32,
    volts: Mean,
    amps: Mean,
    watts: Mean,
    irradiance: Mean,
    module_temperature: Mean,
    /// Wh, Wh/m2; Wh at the crest, as far as it is known for all.
    energy: f64,
    irradiation: f64,
    available: Option<f64>,
    /// us.
    covered: i64,
    missing: i64,
    tracking: i64,
    sweeping: i64,
    gaps: u32,
}

impl Part {
    pub(super) fn new(first: &SampleRow) -> Self {
        Self {
            start: first.at.utc.minute_start(),
            began: first.at.mono,
            at: first.at,
            activity: first.activity,
            samples: 0,
            volts: Mean::default(),
            amps: Mean::default(),
            watts: Mean::default(),
            irradiance: Mean::default(),
            module_temperature: Mean::default(),
            energy: 0.0,
            irradiation: 0.0,
            available: Some(0.0),
            covered: 0,
            missing: 0,
            tracking: 0,
            sweeping: 0,
            gaps: 0,
        }
    }

    pub(super) fn take(&mut self, sample: &SampleRow, span: Span) {
        let readings = sample.readings;
        self.volts.add(readings, sample.volts.map(|v| v.0));
        self.amps.add(readings, sample.amps.map(|v| v.0));
        self.watts.add(readings, sample.watts.map(|v| v.0));
        self.irradiance.add(readings, sample.irradiance.map(|v| v.0));
        self.module_temperature.add(readings, sample.module_temperature.map(|v| v.0));
        (self.at, self.activity) = (sample.at, sample.activity);
        self.samples += 1;
        self.covered += span.covered;
        self.missing += span.missing;
        self.gaps += u32::from(span.missing > 0);
        let hours = seconds(span.powered) / HOUR_S;
        if sample.activity != Activity::Asleep {
            let crest = sample.crest.map(|crest| crest.0 * hours);
            self.available = self.available.zip(crest).map(|(sum, more)| sum + more);
        }
        if !works(sample.activity) {
            return; // the input was off
        }
        self.energy += sample.watts.map_or(0.0, |watts| watts.0) * hours;
        self.irradiation += sample.irradiance.map_or(0.0, |light| light.0) * hours;
        match sample.activity {
            Activity::Sweeping => self.sweeping += span.covered,
            _ => self.tracking += span.covered,
        }
    }

    pub(super) fn minute(&self) -> Minute {
        Minute {
            channel: ChannelId(0), // its number in the log goes beside it
            start: self.start,
            at: self.at,
            activity: self.activity,
            volts: self.volts.spread(),
            amps: self.amps.spread(),
            watts: self.watts.spread(),
            irradiance: self.irradiance.spread(),
            module_temperature: self.module_temperature.spread(),
            energy: WattHours(self.energy),
            covered: time(self.covered),
            missing: time(self.missing),
        }
    }

    /// A day that no minute was told of yet.
    pub(super) fn fresh_day(&self, midnight: Utc) -> DayTotal {
        DayTotal { day: midnight, began: self.began, ..DayTotal::default() }
    }

    pub(super) fn add_to(&self, day: &mut DayTotal, minute: &Minute, missed: WattHours) {
        day.at = self.at;
        day.energy += minute.energy;
        day.available = day.available.zip(self.available).map(|(sum, more)| sum + WattHours(more));
        day.irradiation += Irradiation(self.irradiation);
        day.peak = day.peak.max(Watts(minute.watts.max));
        day.tracking += time(self.tracking);
        day.sweeping += time(self.sweeping);
        day.sweep_missed += missed;
        day.covered += minute.covered;
        day.missing += minute.missing;
        day.gaps += self.gaps;
    }
}

fn seconds(micros: i64) -> f64 {
    micros as f64 / MICROS_PER_SECOND
}

pub(super) fn time(micros: i64) -> Duration {
    Duration::from_micros(u64::try_from(micros).unwrap_or_default())
}

/// Mean of samples, each with the weight of its readings.
#[derive(Clone, Copy, Debug, Default)]
struct Mean {
    all: Spread,
    squares: f64,
}

impl Mean {
    fn add(&mut self, readings: u32, value: Option<f64>) {
        let Some(value) = value.filter(|_| readings > 0) else { return };
        let all = &mut self.all;
        if all.count == 0 {
            (all.min, all.max) = (value, value);
        }
        (all.min, all.max) = (all.min.min(value), all.max.max(value));
        all.count = all.count.saturating_add(readings);
        let step = value - all.mean;
        all.mean += step * f64::from(readings) / f64::from(all.count);
        self.squares += f64::from(readings) * step * (value - all.mean);
    }

    fn spread(&self) -> Spread {
        let others = f64::from(self.all.count.saturating_sub(1).max(1));
        Spread { deviation: (self.squares.max(0.0) / others).sqrt(), ..self.all }
    }
}
