//! One channel on its simulated bench.

use super::wired::{WallClock, Wired, World};
use crate::control::record::{Record, Sample};
use crate::control::{Channel, DaySplit, Input, Observed, Surroundings};
use crate::quantities::{Celsius, Irradiance, MetresPerSecond, WattHours, Watts};
use crate::time::{Instant, Stamp, Utc};
use cresthold_sim::bench::{Bench, Measurement, Sensor, Truth};
use cresthold_sim::sky::plane::Mounting;
use cresthold_sim::sky::{Place, Sky};
use cresthold_sim::thermal::Thermal;
use std::time::Duration;

/// Conditions never hold still for longer, however long the channel sleeps.
const REFRESH: Duration = Duration::from_secs(1);

/// How much warmer than the air a load's heat sink gets (K/W): 24 K at 300 W (invented).
const HEATSINK_RISE: f64 = 0.08;
/// How slowly it follows (s): a fan-cooled load of this size takes some minutes (invented).
const HEATSINK_LAG: f64 = 300.0;

/// A span during which the simulated line is dead: every command fails.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Outage {
    /// It begins then.
    pub from: Instant,
    /// It has ended then.
    pub until: Instant,
}

/// A span during which something lies on the device or on its sensor.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Cover {
    /// It begins then.
    pub from: Instant,
    /// It has ended then.
    pub until: Instant,
    /// Share of the light that reaches the device (0..=1).
    pub device: f64,
    /// Share of the light that reaches the irradiance sensor (0..=1).
    pub sensor: f64,
}

/// What a stand is made of.
#[derive(Debug)]
pub struct StandParts {
    /// The controller.
    pub channel: Channel,
    /// Device, load and boost supply.
    pub bench: Bench,
    /// The device's temperature.
    pub thermal: Thermal,
    /// How it faces the sky.
    pub mounting: Mounting,
    /// Where it stands.
    pub place: Place,
    /// Its irradiance sensor, in the device's plane.
    pub irradiance: Option<Sensor>,
    /// Its thermometer.
    pub thermometer: Option<Sensor>,
    /// Whether the boost supply reports its voltage.
    pub boost_measured: bool,
}

/// One channel on its simulated bench.
#[derive(Debug)]
pub struct Stand {
    wired: Wired,
    life: Life,
    turns: u64,
}

/// What is around a stand's bench, and what is remembered of its turns.
#[derive(Debug)]
struct Life {
    thermal: Thermal,
    mounting: Mounting,
    place: Place,
    irradiance: Option<Sensor>,
    thermometer: Option<Sensor>,
    light: Irradiance,
    air: Celsius,
    wind: MetresPerSecond,
    /// Height of the sun (degrees).
    sun: f64,
    /// The load's heat sink, and the dissipation last measured.
    heatsink: Option<Celsius>,
    dissipated: Watts,
    outage: Option<Outage>,
    covers: Vec<Cover>,
    /// What the light is at the sensor.
    sensed: Irradiance,
    /// Sum and count of the crest's power at the readings since the last sample.
    crests: (f64, u32),
    /// The crest's power at the newest reading.
    newest: Watts,
    split: DaySplit,
    /// The day, and what had been available when it began.
    day: Option<(Utc, WattHours)>,
    /// The day before: which, and what was available in it.
    yesterday: Option<(Utc, WattHours)>,
    last: Option<Sample>,
}

impl Stand {
    /// A stand from its parts.
    #[must_use]
    pub fn new(parts: StandParts) -> Self {
        let life = Life {
            thermal: parts.thermal,
            mounting: parts.mounting,
            place: parts.place,
            irradiance: parts.irradiance,
            thermometer: parts.thermometer,
            light: Irradiance::ZERO,
            air: Celsius::ZERO,
            wind: MetresPerSecond::ZERO,
            sun: -90.0,
            heatsink: None,
            dissipated: Watts::ZERO,
            outage: None,
            covers: Vec::new(),
            sensed: Irradiance::ZERO,
            crests: (0.0, 0),
            newest: Watts::ZERO,
            split: parts.channel.config().day,
            day: None,
            yesterday: None,
            last: None,
        };
        Self { wired: Wired::new(parts.channel, parts.bench, parts.boost_measured), life, turns: 0 }
    }

    /// The controller.
    #[must_use]
    pub fn channel(&self) -> &Channel {
        &self.wired.channel
    }

    /// What only the plant knows.
    #[must_use]
    pub fn truth(&self) -> Truth {
        self.wired.bench.truth()
    }

    /// What the device is exposed to: irradiance in its plane and temperature of its cells.
    #[must_use]
    pub fn exposure(&self) -> (Irradiance, Celsius) {
        (self.life.light, self.life.thermal.cell())
    }

    /// The last sample told, if any.
    #[must_use]
    pub fn last_sample(&self) -> Option<&Sample> {
        self.life.last.as_ref()
    }

    /// How many turns there were.
    #[must_use]
    pub fn turns(&self) -> u64 {
        self.turns
    }

    /// When it wants to wake.
    #[must_use]
    pub fn next_wake(&self) -> Instant {
        self.wired.channel.next_wake()
    }

    /// Plans an outage of the line.
    pub fn plan_outage(&mut self, outage: Outage) {
        self.life.outage = Some(outage);
    }

    /// Plans that something lies on the device or its sensor.
    pub fn plan_cover(&mut self, cover: Cover) {
        self.life.covers.push(cover);
    }

    /// Gives the channel a wall clock that goes wrong, before its first turn, whose true time is `now`;
    /// no time before `earliest` is believed.
    pub fn set_wall_clock(&mut self, wall: WallClock, earliest: Utc, now: Stamp) {
        self.wired.set_wall_clock(wall, earliest, now);
    }

    /// Asks for an I-V curve at the next turn at the crest.
    pub fn request_sweep(&mut self) {
        self.wired.channel.request_sweep();
    }

    /// One turn at `now`.
    pub(super) fn turn(&mut self, now: Stamp, sky: &mut impl Sky, log: &mut impl FnMut(Record)) {
        self.turns += 1;
        self.pass_to(now, sky);
        let surroundings = self.life.surroundings(now.mono);
        self.wired.channel.note_surroundings(surroundings);
        let mut told = Told { life: &mut self.life, sky, log };
        self.wired.converse(now, Input::Wake, &mut told);
    }

    /// Stops the channel at `now`.
    pub(super) fn stop(&mut self, now: Stamp, sky: &mut impl Sky, log: &mut impl FnMut(Record)) {
        self.wired.bench.advance(now.mono);
        let mut told = Told { life: &mut self.life, sky, log };
        self.wired.converse(now, Input::Stop, &mut told);
    }

    /// Lets the bench live until `now`, the sky moving on at least every [`REFRESH`].
    fn pass_to(&mut self, now: Stamp, sky: &mut impl Sky) {
        loop {
            let bench = &mut self.wired.bench;
            let behind = now.mono.saturating_since(bench.now());
            let rest = behind.saturating_sub(REFRESH);
            self.life.live(bench, Stamp { mono: now.mono - rest, utc: now.utc - rest }, sky);
            if rest.is_zero() {
                break;
            }
        }
    }
}

impl Life {
    /// Lets the bench live until `now` under the old conditions, then sets the new ones.
    fn live(&mut self, bench: &mut Bench, now: Stamp, sky: &mut impl Sky) {
        let since = now.mono.saturating_since(bench.now());
        bench.advance(now.mono);
        let state = sky.state(now.utc, self.place);
        let open = self.mounting.irradiance(&state);
        let over = self.covers.iter().filter(|cover| (cover.from..cover.until).contains(&now.mono));
        let (device, sensor) =
            over.fold((1.0, 1.0), |(d, s), cover| (d * cover.device, s * cover.sensor));
        (self.light, self.sensed) = (open * device, open * sensor);
        let cell = self.thermal.step(since, self.light, state.air, state.wind);
        bench.set_conditions(self.light, cell);
        let available = bench.truth().available;
        (self.air, self.wind) = (state.air, state.wind);
        self.sun = 90.0 - state.sun.zenith_degrees();
        let sink = self.heatsink.get_or_insert(state.air);
        let target = state.air.0 + HEATSINK_RISE * self.dissipated.0;
        // The implicit step of a first-order lag: never overshoots, whatever the span.
        let span = since.as_secs_f64();
        sink.0 += (target - sink.0) * span / (HEATSINK_LAG + span);
        let day_start = self.split.day_of(now.utc);
        match self.day {
            Some((day, _)) if day == day_start => {}
            Some((day, begun)) => {
                self.yesterday = Some((day, available - begun));
                self.day = Some((day_start, available));
            }
            None => self.day = Some((day_start, available)),
        }
    }

    fn surroundings(&mut self, now: Instant) -> Surroundings {
        let light = self.sensed.0;
        let back = self.thermal.back_of_module().0;
        let seen = |sensor: &mut Option<Sensor>, value| {
            sensor.as_mut().map(|sensor| sensor.look(now, value))
        };
        Surroundings {
            irradiance: seen(&mut self.irradiance, light)
                .map(|value| Observed { value: Irradiance(value), at: now }),
            module_temperature: seen(&mut self.thermometer, back)
                .map(|value| Observed { value: Celsius(value), at: now }),
            heatsink_temperature: self.heatsink.map(|value| Observed { value, at: now }),
            air_temperature: Some(Observed { value: self.air, at: now }),
            wind: Some(Observed { value: self.wind, at: now }),
            // A simulated mount always faces the sun.
            pointing_error: Some(Observed { value: 0.0, at: now }),
            on_sun: Some(Observed { value: true, at: now }),
            sun: Some(Observed { value: self.sun, at: now }),
        }
    }
}

/// What is around a stand's conversation, and who hears of it.
struct Told<'a, S, F> {
    life: &'a mut Life,
    sky: &'a mut S,
    log: &'a mut F,
}

impl<S: Sky, F: FnMut(Record)> World for Told<'_, S, F> {
    fn pass_in_list(&mut self, bench: &mut Bench, to: Stamp) {
        self.life.live(bench, to, self.sky);
    }

    fn sense(&mut self, now: Instant) -> Option<Surroundings> {
        Some(self.life.surroundings(now))
    }

    fn answers(&self, at: Instant) -> bool {
        !self.life.outage.is_some_and(|outage| outage.from <= at && at < outage.until)
    }

    fn measured(&mut self, _bench: &Bench, seen: &Measurement) {
        self.life.dissipated = seen.load * seen.amps;
    }

    fn counted(&mut self, crest: Watts) {
        self.life.newest = crest;
        self.life.crests.0 += crest.0;
        self.life.crests.1 += 1;
    }

    fn tell(&mut self, bench: &Bench, now: Stamp, record: Record) {
        (self.log)(self.life.with_truth(bench.truth(), now, record));
    }
}

impl Life {
    /// Adds to a record what only the plant knows.
    fn with_truth(&mut self, truth: Truth, now: Stamp, record: Record) -> Record {
        match record {
            Record::Sample(mut sample) => {
                let (mut sum, mut count) = std::mem::take(&mut self.crests);
                if sample.at.mono < now.mono && count > sample.readings {
                    // Closed before the newest reading, which belongs to the next sample.
                    (sum, count) = (sum - self.newest.0, count - 1);
                    self.crests = (self.newest.0, 1);
                }
                sample.crest = (count > 0).then(|| Watts(sum / f64::from(count)));
                self.last = Some(sample);
                Record::Sample(sample)
            }
            Record::Day(mut total) => {
                let is_day = |known: &(Utc, WattHours)| known.0 == total.day;
                let today = self.day.filter(is_day).map(|(_, begun)| truth.available - begun);
                // The books of a day are closed by the first turn of the next.
                let before = self.yesterday.filter(is_day).map(|(_, available)| available);
                total.available = today.or(before);
                Record::Day(total)
            }
            other => other,
        }
    }
}
