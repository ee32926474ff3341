//! One channel on its simulated bench.

use crate::control::record::{Record, Sample};
use crate::control::{
    Channel, Command, Found, Input, MAX_COMMANDS_PER_TURN, Observed, Outbox, Reading, Setpoint,
    Surroundings, SweepBy,
};
use crate::quantities::{Celsius, Irradiance, MetresPerSecond, WattHours, Watts};
use crate::time::{Instant, Stamp, Utc};
use cresthold_sim::bench::{Bench, Sensor, Truth};
use cresthold_sim::sky::plane::Mounting;
use cresthold_sim::sky::{Place, Sky};
use cresthold_sim::thermal::Thermal;
use std::time::Duration;

/// What a failed exchange costs on the simulated line.
const DEADLINE: Duration = Duration::from_millis(500);

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

/// A point that the load's own list has brought.
#[derive(Clone, Copy, Debug)]
struct Listed {
    reading: Reading,
    /// When it was over.
    at: Stamp,
    around: Surroundings,
    crest: Watts,
}

/// One channel on its simulated bench.
#[derive(Debug)]
pub struct Stand {
    parts: StandParts,
    light: Irradiance,
    air: Celsius,
    wind: MetresPerSecond,
    /// Height of the sun (degrees).
    sun: f64,
    /// The load's heat sink, and the dissipation last measured.
    heatsink: Option<Celsius>,
    dissipated: Watts,
    outage: Option<Outage>,
    /// Sum and count of the crest's power at the readings since the last sample.
    crests: (f64, u32),
    /// The crest's power at the newest reading.
    newest: Watts,
    /// The UTC day, and what had been available when it began.
    day: Option<(Utc, WattHours)>,
    /// The day before: which, and what was available in it.
    yesterday: Option<(Utc, WattHours)>,
    last: Option<Sample>,
    turns: u64,
    /// Setpoints and points of the list under way; their room is taken once.
    list: (Vec<Setpoint>, Vec<Listed>),
}

impl Stand {
    /// A stand from its parts.
    #[must_use]
    pub fn new(parts: StandParts) -> Self {
        let room = match parts.channel.config().sweep.by {
            SweepBy::Steps => 0,
            SweepBy::List(most) => usize::from(most),
        };
        Self {
            list: (Vec::with_capacity(room), Vec::with_capacity(room)),
            parts,
            light: Irradiance::ZERO,
            air: Celsius::ZERO,
            wind: MetresPerSecond::ZERO,
            sun: -90.0,
            heatsink: None,
            dissipated: Watts::ZERO,
            outage: None,
            crests: (0.0, 0),
            newest: Watts::ZERO,
            day: None,
            yesterday: None,
            last: None,
            turns: 0,
        }
    }

    /// The controller.
    #[must_use]
    pub fn channel(&self) -> &Channel {
        &self.parts.channel
    }

    /// What only the plant knows.
    #[must_use]
    pub fn truth(&self) -> Truth {
        self.parts.bench.truth()
    }

    /// What the device is exposed to: irradiance in its plane and temperature of its cells.
    #[must_use]
    pub fn exposure(&self) -> (Irradiance, Celsius) {
        (self.light, self.parts.thermal.cell())
    }

    /// The last sample told, if any.
    #[must_use]
    pub fn last_sample(&self) -> Option<&Sample> {
        self.last.as_ref()
    }

    /// How many turns there were.
    #[must_use]
    pub fn turns(&self) -> u64 {
        self.turns
    }

    /// When it wants to wake.
    #[must_use]
    pub fn next_wake(&self) -> Instant {
        self.parts.channel.next_wake()
    }

    /// Plans an outage of the line.
    pub fn plan_outage(&mut self, outage: Outage) {
        self.outage = Some(outage);
    }

    /// Asks for an I-V curve at the next turn at the crest.
    pub fn request_sweep(&mut self) {
        self.parts.channel.request_sweep();
    }

    /// One turn at `now`.
    pub(super) fn turn(&mut self, now: Stamp, sky: &mut impl Sky, log: &mut impl FnMut(Record)) {
        self.turns += 1;
        self.pass_to(now, sky);
        let surroundings = self.sense(now.mono);
        self.parts.channel.note_surroundings(surroundings);
        self.converse((now, Input::Wake), sky, log);
    }

    /// Stops the channel at `now`.
    pub(super) fn stop(&mut self, now: Stamp, sky: &mut impl Sky, log: &mut impl FnMut(Record)) {
        self.parts.bench.advance(now.mono);
        self.converse((now, Input::Stop), sky, log);
    }

    /// Lets the bench live until `now`, the sky moving on at least every [`REFRESH`].
    fn pass_to(&mut self, now: Stamp, sky: &mut impl Sky) {
        loop {
            let behind = now.mono.saturating_since(self.parts.bench.now());
            let rest = behind.saturating_sub(REFRESH);
            self.live(Stamp { mono: now.mono - rest, utc: now.utc - rest }, sky);
            if rest.is_zero() {
                break;
            }
        }
    }

    /// Lets the bench live until `now` under the old conditions, then sets the new ones.
    fn live(&mut self, now: Stamp, sky: &mut impl Sky) {
        let parts = &mut self.parts;
        let since = now.mono.saturating_since(parts.bench.now());
        parts.bench.advance(now.mono);
        let state = sky.state(now.utc, parts.place);
        self.light = parts.mounting.irradiance(&state);
        let cell = parts.thermal.step(since, self.light, state.air, state.wind);
        parts.bench.set_conditions(self.light, cell);
        (self.air, self.wind) = (state.air, state.wind);
        self.sun = 90.0 - state.sun.zenith_degrees();
        let sink = self.heatsink.get_or_insert(state.air);
        let target = state.air.0 + HEATSINK_RISE * self.dissipated.0;
        // The implicit step of a first-order lag: never overshoots, whatever the span.
        let span = since.as_secs_f64();
        sink.0 += (target - sink.0) * span / (HEATSINK_LAG + span);
        let day_start = now.utc.day_start();
        let available = parts.bench.truth().available;
        match self.day {
            Some((day, _)) if day == day_start => {}
            Some((day, begun)) => {
                self.yesterday = Some((day, available - begun));
                self.day = Some((day_start, available));
            }
            None => self.day = Some((day_start, available)),
        }
    }

    fn sense(&mut self, now: Instant) -> Surroundings {
        let parts = &mut self.parts;
        let light = self.light.0;
        let back = parts.thermal.back_of_module().0;
        let seen = |sensor: &mut Option<Sensor>, value| {
            sensor.as_mut().map(|sensor| sensor.look(now, value))
        };
        Surroundings {
            irradiance: seen(&mut parts.irradiance, light)
                .map(|value| Observed { value: Irradiance(value), at: now }),
            module_temperature: seen(&mut parts.thermometer, back)
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

    /// The conversation of one turn, each command taking its time.
    fn converse(
        &mut self,
        (mut now, first): (Stamp, Input),
        sky: &mut impl Sky,
        log: &mut impl FnMut(Record),
    ) {
        let mut input = first;
        for _ in 0..=MAX_COMMANDS_PER_TURN {
            let mut command = self.say(now, input, log);
            if command == Some(Command::RunList) && !self.is_out(now.mono) {
                now = self.run_list(now, sky);
                command = self.tell_list(now, log);
            }
            let Some(command) = command else {
                return;
            };
            let began = now.mono;
            let (outcome, ended) = self.carry_out(command, began);
            input = outcome;
            now = now.later(ended.saturating_since(began));
        }
    }

    /// One thing said to the channel, and its answer.
    fn say(&mut self, now: Stamp, input: Input, log: &mut impl FnMut(Record)) -> Option<Command> {
        let mut out = Outbox::new();
        let command = self.parts.channel.handle(now, input, &mut out);
        for record in out.drain(..) {
            log(self.with_truth(now, record));
        }
        command
    }

    /// The load steps through its list by itself, the sky moving on; when that is over.
    fn run_list(&mut self, began: Stamp, sky: &mut impl Sky) -> Stamp {
        let settle = self.parts.channel.config().sweep.settle;
        let (mut setpoints, mut listed) = std::mem::take(&mut self.list);
        setpoints.clear();
        listed.clear();
        setpoints.extend(self.parts.channel.list());
        let mut now = began.later(self.parts.bench.latency());
        self.live(now, sky);
        for setpoint in &setpoints {
            let reading = self.step(*setpoint, now.later(settle), sky);
            now = now.later(self.parts.bench.now().saturating_since(now.mono));
            let (around, crest) = (self.sense(now.mono), self.parts.bench.crest().watts);
            listed.push(Listed { reading, at: now, around, crest });
        }
        self.list = (setpoints, listed);
        now
    }

    /// One point of a list, measured at `at`.
    fn step(&mut self, setpoint: Setpoint, at: Stamp, sky: &mut impl Sky) -> Reading {
        self.parts.bench.set_volts(setpoint.load());
        self.live(at, sky);
        let bench = &mut self.parts.bench;
        let middle = bench.now() + bench.load().window / 2;
        let seen = bench.measure();
        self.dissipated = seen.load * seen.amps;
        Reading { at: middle, load: seen.load, amps: seen.amps, boost: None }
    }

    /// Tells what a list has brought, until there is something to do.
    fn tell_list(&mut self, now: Stamp, log: &mut impl FnMut(Record)) -> Option<Command> {
        for place in 0..self.list.1.len() {
            let Listed { reading, at, around, crest } = self.list.1[place];
            self.parts.channel.note_surroundings(around);
            self.note_crest(crest);
            let command = self.say(at, Input::Listed(reading), log);
            if command.is_some() {
                return command;
            }
        }
        self.say(now, Input::Done, log)
    }

    fn note_crest(&mut self, crest: Watts) {
        self.newest = crest;
        self.crests.0 += crest.0;
        self.crests.1 += 1;
    }

    /// Whether the simulated line is dead.
    fn is_out(&self, now: Instant) -> bool {
        self.outage.is_some_and(|outage| outage.from <= now && now < outage.until)
    }

    /// Carries a command out on the bench; its outcome and when it ended.
    fn carry_out(&mut self, command: Command, began: Instant) -> (Input, Instant) {
        if self.is_out(began) {
            return (Input::Failed, began + DEADLINE);
        }
        let bench = &mut self.parts.bench;
        bench.advance(began + bench.latency());
        match command {
            Command::Measure => {
                let middle = bench.now() + bench.load().window / 2;
                let seen = bench.measure();
                let (crest, ended) = (bench.crest().watts, bench.now());
                self.dissipated = seen.load * seen.amps;
                let boost =
                    (self.parts.boost_measured && bench.boost_is_on()).then_some(seen.boost);
                let reading = Reading { at: middle, load: seen.load, amps: seen.amps, boost };
                self.note_crest(crest);
                return (Input::Reading(reading), ended);
            }
            Command::SetVoltage(setpoint) => bench.set_volts(setpoint.load()),
            // Run where the sky is at hand.
            Command::RunList => {}
            Command::InputOn => bench.set_input(true),
            Command::InputOff => bench.set_input(false),
            Command::BoostOn => bench.set_boost(true),
            Command::BoostOff => bench.set_boost(false),
            Command::Prepare => {
                let seen = bench.operating();
                let found = Found {
                    input_on: Some(bench.input()),
                    load: Some(seen.load),
                    amps: Some(seen.amps),
                };
                bench.set_input(false);
                bench.set_boost(false);
                return (Input::Prepared(found), bench.now());
            }
        }
        (Input::Done, bench.now())
    }

    /// Adds to a record what only the plant knows.
    fn with_truth(&mut self, now: Stamp, record: Record) -> Record {
        let truth = self.parts.bench.truth();
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
