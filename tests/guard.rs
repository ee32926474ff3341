//! The guard under 100,000 random sequences: whatever trackers wish, instruments answer and sensors
//! tell, nothing outside the envelope is ever asked for, and every breach ends in input off, boost
//! off.
//!
//! Model: a loop over seeds rather than a property-testing crate, which at this number spends its
//! time on bookkeeping. A failure names its seed: `sequence(seed)` plays it again.
#![allow(clippy::unwrap_used, reason = "a test: what is not there fails it")]

mod support;

use cresthold::control::record::{Activity, Event, Happening, Limit, Record, Sense};
use cresthold::control::{
    Channel, ChannelConfig, Command, DeratedBy, Derating, DeratingPoint, Found, Guard, Input,
    MAX_COMMANDS_PER_TURN, Observed, Outbox, Reading, SensedLimits, SeriesPath, Setpoint,
    Surroundings, SweepBy,
};
use cresthold::quantities::{Amps, Celsius, Irradiance, Ohms, Volts, Watts};
use cresthold::time::{Instant, Stamp, Utc};
use cresthold::trackers::{
    FractionalVocConfig, HoldConfig, IncrementalConductanceConfig, PerturbAndObserveConfig, Script,
    ScriptConfig, TrackerConfig,
};
use cresthold_sim::sky::recorded::{RecordedSky, embedded_payerne};
use std::sync::{Arc, OnceLock};
use std::time::Duration;
use support::{BOOST, channel_config, crystalline_stand, perturb_and_observe};

const SEQUENCES: u64 = 100_000;
const TURNS: u32 = 24;
const VOC: f64 = 37.0;

/// SplitMix64 (Steele, Lea & Flood 2014, OOPSLA, from memory): plenty for choosing test values.
struct Dice(u64);

impl Dice {
    fn roll(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }

    fn one_in(&mut self, n: u64) -> bool {
        self.roll().is_multiple_of(n)
    }

    #[allow(clippy::cast_precision_loss, reason = "a random share")]
    fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * (self.roll() >> 11) as f64 / (1_u64 << 53) as f64
    }

    /// `usual`, or something no instrument should say.
    fn twist(&mut self, usual: f64, rarely: u64) -> f64 {
        if !self.one_in(rarely) {
            return usual;
        }
        match self.roll() % 8 {
            0 => f64::NAN,
            1 => f64::INFINITY,
            2 => f64::NEG_INFINITY,
            3 => -usual,
            4 => f64::from_bits(self.roll()),
            5 => usual * 3.0,
            6 => 0.0,
            _ => self.between(-100.0, 100.0),
        }
    }
}

fn limits() -> SensedLimits {
    let point = |watts, degc| DeratingPoint { watts: Watts(watts), temperature: Celsius(degc) };
    SensedLimits {
        device_temperature_max: Some(Celsius(90.0)),
        heatsink_temperature_max: Some(Celsius(80.0)),
        heatsink_margin: 5.0,
        irradiance_max: Some(Irradiance(1500.0)),
        pointing_error_max: Some(1.0),
        needs_on_sun: true,
        derating: Some(
            Derating::new(DeratedBy::HeatSink, &[point(600.0, 40.0), point(200.0, 75.0)]).unwrap(),
        ),
        blind_grace: Duration::from_secs(2),
    }
}

/// A tracker from outside that wishes, in turn, for the absurd, for nothing, and for what can't be.
fn wild_script() -> ScriptConfig {
    static SCRIPT: OnceLock<ScriptConfig> = OnceLock::new();
    let text = "fn settings() { #{ volts: 1e9 } }
        fn start(from, set) { set.volts }
        fn step(seen, set) {
            let wild = [set.volts, -5.0, 28.0, -1e300, 0.0 / 0.0, 47.9, \"x\", open_circuit()];
            wild[to_int(seen.time * 10.0) % 9] // the ninth isn't there
        }";
    let new = || ScriptConfig::new(Arc::new(Script::new("wild.rhai", text).unwrap()));
    SCRIPT.get_or_init(new).clone()
}

fn config(dice: &mut Dice) -> ChannelConfig {
    let volts = Volts(dice.twist(30.0, 2));
    let tracker = match dice.roll() % 6 {
        0 => TrackerConfig::Hold(HoldConfig::At(volts)),
        1 => TrackerConfig::PerturbAndObserve(PerturbAndObserveConfig { step: volts }),
        2 => TrackerConfig::IncrementalConductance(IncrementalConductanceConfig {
            step: volts,
            dead_band: dice.twist(0.01, 2),
        }),
        3 => TrackerConfig::FractionalVoc(FractionalVocConfig {
            share: dice.twist(0.8, 2),
            look_every: Duration::from_secs(1),
        }),
        4 => TrackerConfig::Script(
            wild_script().with("volts", dice.twist(1e9, 1)).unwrap_or(wild_script()),
        ),
        _ => perturb_and_observe(0.5),
    };
    let mut config = channel_config(tracker);
    config.envelope.sensed = limits();
    // Low enough to be passed before the device's own limits are.
    config.envelope.load_watts_max = Watts(330.0);
    config.path.lead = Ohms(dice.between(0.0, 0.3));
    config.sweep.points = 8;
    config.sweep.readings = if dice.one_in(3) { 3 } else { 1 };
    config.sweep.by = if dice.one_in(2) { SweepBy::List(3) } else { SweepBy::Steps };
    config.sweep.every = dice.one_in(2).then_some(Duration::from_secs(1));
    config.retry.times = 3;
    config
}

/// What the world shows in one turn.
#[derive(Clone, Copy)]
struct World {
    seen: Surroundings,
    boost: Option<Volts>,
    weird: u64,
}

fn surroundings(dice: &mut Dice, now: Instant, weird: u64) -> Surroundings {
    let at = |dice: &mut Dice| {
        if dice.one_in(weird) { now - Duration::from_secs(dice.roll() % 30) } else { now }
    };
    let degc = |dice: &mut Dice, usual: f64| {
        let value = Celsius(dice.twist(usual, weird));
        (!dice.one_in(weird)).then(|| Observed { value, at: at(dice) })
    };
    Surroundings {
        module_temperature: degc(dice, 50.0),
        heatsink_temperature: degc(dice, 45.0),
        air_temperature: degc(dice, 20.0),
        irradiance: Some(Observed { value: Irradiance(dice.twist(800.0, weird)), at: at(dice) }),
        wind: None,
        pointing_error: Some(Observed { value: dice.twist(0.2, weird), at: at(dice) }),
        on_sun: Some(Observed { value: !dice.one_in(weird), at: at(dice) }),
        sun: None,
    }
}

/// A channel, the test's own idea of its bench, and what was found out about both.
struct Play {
    seed: u64,
    dice: Dice,
    channel: Channel,
    now: Stamp,
    world: World,
    input: bool,
    boost_on: bool,
    /// Whether a reading since the boost supply was switched on proved its voltage.
    verified: bool,
    locked: bool,
    setpoint: Volts,
    tallies: [u32; 4],
}

impl Play {
    fn new(seed: u64) -> Self {
        let mut dice = Dice(seed);
        let channel = Channel::new(config(&mut dice));
        let began: Utc = "2016-06-15T10:00:00Z".parse().unwrap();
        let now = Stamp { mono: Instant::ZERO, utc: began };
        let seen = Surroundings::default();
        Self {
            seed,
            dice,
            channel,
            now,
            world: World { seen, boost: None, weird: 1000 },
            input: false,
            boost_on: false,
            verified: false,
            locked: false,
            setpoint: Volts::ZERO,
            tallies: [0; 4],
        }
    }

    /// Bench readings: mostly what a device of 37 V and 8 A shows.
    fn reading(&mut self) -> Reading {
        let boost = if self.boost_on { BOOST.0 } else { 0.0 };
        let weird = self.world.weird;
        let device = if self.input { (self.setpoint.0 - boost).clamp(-1.0, VOC) } else { VOC };
        let amps = if self.input { 8.0 * (1.0 - (device / VOC).powi(8)) } else { 0.0 };
        let measured = self.dice.twist(boost, weird);
        self.world.boost = (self.boost_on && self.dice.one_in(2)).then_some(Volts(measured));
        Reading {
            at: self.now.mono,
            load: Volts(self.dice.twist(device + boost, weird)),
            amps: Amps(self.dice.twist(amps, weird)),
            boost: self.world.boost,
        }
    }

    /// Whether the envelope, read by somebody who never saw the guard, forbids to go on.
    fn forbidden(&self, reading: &Reading) -> bool {
        let (load, amps) = (reading.load.0, reading.amps.0);
        let boost = reading.boost.map_or(BOOST.0, |volts| volts.0);
        let device = load - boost + amps * self.channel.config().path.lead.0;
        let numbers = load.is_finite() && amps.is_finite() && boost.is_finite();
        let seen = &self.world.seen;
        let fresh = |at: Instant| self.now.mono.saturating_since(at) <= Duration::from_secs(5);
        let hot = |seen: Option<Observed<Celsius>>, most: f64| {
            seen.is_some_and(|seen| fresh(seen.at) && seen.value.is_finite() && seen.value.0 > most)
        };
        let bright = seen
            .irradiance
            .is_some_and(|seen| fresh(seen.at) && seen.value.is_finite() && seen.value.0 > 1500.0);
        let off_sun = seen.on_sun.is_some_and(|seen| fresh(seen.at) && !seen.value);
        let beside = seen
            .pointing_error
            .is_some_and(|seen| fresh(seen.at) && seen.value.is_finite() && seen.value.abs() > 1.0);
        let electric = amps.abs() > 16.0
            || device * amps > 450.0
            || load * amps > 330.0
            || load > 60.0
            || !(-1.2..=48.0).contains(&device)
            || (boost - BOOST.0).abs() > 0.9 + 1e-9;
        !numbers
            || electric
            || hot(seen.module_temperature, 90.0)
            || hot(seen.heatsink_temperature, 80.0)
            || bright
            || off_sun
            || beside
    }

    fn check(&mut self, command: Option<Command>, forbidden: bool, events: &[Happening]) {
        let seed = self.seed;
        if forbidden && self.input {
            assert_eq!(command, Some(Command::InputOff), "seed {seed}: a limit was passed");
        }
        if events.iter().any(|what| matches!(what, Happening::LetGo { .. })) {
            assert_eq!(command, Some(Command::InputOff), "seed {seed}: let go");
            self.tallies[1] += 1;
        }
        self.locked |= events.iter().any(|what| matches!(what, Happening::LockedOff { .. }));
        match command {
            Some(Command::SetVoltage(setpoint)) => self.set(setpoint),
            Some(Command::InputOn) => {
                assert!(self.boost_on && self.verified, "seed {seed}: boost not verified");
                assert!(!self.locked, "seed {seed}: on though locked off");
            }
            _ => {}
        }
    }

    fn set(&mut self, setpoint: Setpoint) {
        let (seed, device, load) = (self.seed, setpoint.device(), setpoint.load());
        assert!(device.is_finite() && load.is_finite(), "seed {seed}");
        assert!(device >= Volts(-1.0) && device <= Volts(48.0), "seed {seed}: {device}");
        assert!(load >= Volts::ZERO && load <= Volts(60.0), "seed {seed}: {load}");
        self.setpoint = load;
        self.tallies[0] += 1;
    }

    /// The load's own list: every setpoint is admissible before it starts, and every reading is judged.
    fn run_list(&mut self) -> Option<Command> {
        let setpoints: arrayvec::ArrayVec<Setpoint, 3> = self.channel.list().collect();
        assert!(!setpoints.is_empty(), "seed {}: a list of nothing", self.seed);
        for setpoint in setpoints {
            self.set(setpoint);
            self.now = self.now.later(Duration::from_millis(20));
            let reading = Reading { boost: None, ..self.reading() };
            let command = self.say(Input::Listed(reading));
            if command.is_some() {
                return command;
            }
        }
        self.say(Input::Done)
    }

    fn say(&mut self, input: Input) -> Option<Command> {
        let mut out = Outbox::new();
        let forbidden = matches!(
            &input, Input::Reading(reading) | Input::Listed(reading) if self.forbidden(reading)
        );
        if let Input::Reading(reading) = &input
            && self.boost_on
        {
            let found = reading.boost.map_or(reading.load.0 - VOC, |volts| volts.0);
            // Voc was read through the lead with no current, at most a twisted 37 V.
            self.verified |= reading.boost.is_none() || (found - BOOST.0).abs() < 0.9 + 1e-9;
        }
        let command = self.channel.handle(self.now, input, &mut out);
        let mut events = arrayvec::ArrayVec::<Happening, 12>::new();
        for record in out {
            if let Record::Event(Event { what, .. }) = record {
                events.push(what);
            }
        }
        self.check(command, forbidden, &events);
        if self.channel.activity() == Activity::Sweeping {
            self.tallies[2] += 1;
        }
        command
    }

    /// One turn, from waking to no command.
    fn turn(&mut self) {
        let late = Duration::from_millis(self.dice.roll() % 50);
        let wake = self.channel.next_wake().saturating_since(self.now.mono) + late;
        self.now = self.now.later(wake);
        self.world.weird = if self.dice.one_in(4) { 6 } else { 1000 };
        self.world.seen = surroundings(&mut self.dice, self.now.mono, self.world.weird);
        self.channel.note_surroundings(self.world.seen);
        if self.dice.one_in(20) {
            self.channel.request_sweep();
        }
        let mut letting_go = false;
        let mut command = self.say(Input::Wake);
        for count in 0.. {
            let Some(asked) = command else {
                assert!(!letting_go, "seed {}: not let go to the end", self.seed);
                return;
            };
            assert!(count < MAX_COMMANDS_PER_TURN, "seed {}: {asked:?}", self.seed);
            if letting_go {
                assert_eq!(asked, Command::BoostOff, "seed {}: between the two", self.seed);
            }
            if self.dice.one_in(60) {
                letting_go = false;
                command = self.say(Input::Failed);
                continue;
            }
            letting_go = asked == Command::InputOff;
            command = if asked == Command::RunList {
                self.run_list()
            } else {
                let outcome = self.carry_out(asked);
                self.say(outcome)
            };
        }
    }

    fn carry_out(&mut self, asked: Command) -> Input {
        match asked {
            Command::Measure => return Input::Reading(self.reading()),
            Command::Prepare => {
                let found = Found { input_on: Some(self.input), ..Found::default() };
                (self.input, self.boost_on, self.verified) = (false, false, false);
                return Input::Prepared(found);
            }
            Command::InputOn => self.input = true,
            Command::InputOff => self.input = false,
            Command::BoostOn => (self.boost_on, self.verified) = (true, false),
            Command::BoostOff => {
                assert!(!self.input, "seed {}: boost off under load", self.seed);
                (self.boost_on, self.verified) = (false, false);
            }
            Command::SetVoltage(_) | Command::RunList => {}
        }
        Input::Done
    }
}

fn sequence(seed: u64) -> [u32; 4] {
    let mut play = Play::new(seed);
    for _ in 0..TURNS {
        play.turn();
    }
    play.tallies[3] = u32::from(play.locked);
    play.tallies
}

#[test]
fn no_sequence_passes_the_guard() {
    let mut sums = [0_u64; 4];
    for seed in 0..SEQUENCES {
        for (sum, count) in sums.iter_mut().zip(sequence(seed)) {
            *sum += u64::from(count);
        }
    }
    let [setpoints, let_go, sweeping, locked] = sums;
    println!(
        "{SEQUENCES} sequences of {TURNS} turns, seeds 0..{SEQUENCES}: {setpoints} setpoints, let go \
         {let_go} times, {sweeping} answers while sweeping, {locked} locked off"
    );
    // The sequences reach what they are about.
    assert!(setpoints > 500_000 && let_go > 50_000 && sweeping > 100_000 && locked > 1000);
}

/// The guard alone, with wishes and readings that no tracker or load of ours makes.
#[test]
fn no_wish_passes_the_guard_alone() {
    let mut dice = Dice(7);
    let guard = Guard::new(support::envelope());
    for wish in 0..2_000_000 {
        let usual = dice.between(-10.0, 60.0);
        let volts = Volts(dice.twist(usual, 4));
        let usual = dice.between(-2.0, 18.0);
        let amps = Amps(dice.twist(usual, 4));
        let path =
            SeriesPath { boost: Volts(dice.twist(6.0, 50)), lead: Ohms(dice.between(0.0, 0.5)) };
        let setpoint = guard.admit(volts, amps, &path);
        let (device, load) = (setpoint.device().0, setpoint.load().0);
        assert!((0.0..=60.0).contains(&load), "wish {wish}: {volts} {amps} {path:?}");
        if path.boost == Volts(6.0) && amps.is_finite() {
            assert!(device <= 48.0, "wish {wish}: {device}");
            if amps <= Amps(20.0) {
                assert!(device >= -1.0, "wish {wish}: {device}");
                let sinks = guard.envelope().capability.amps_at(setpoint.load()).0;
                assert!(sinks >= amps.0 - 1e-6, "wish {wish}: {volts} {amps}");
            }
            if amps <= Amps(16.0) {
                let ahead = guard.admit_ahead(volts, amps, &path);
                let sinks = guard.envelope().capability.amps_at(ahead.load()).0;
                assert!(ahead.device() >= Volts(-1.0) && sinks >= 16.0 - 1e-6, "wish {wish}");
            }
        }
    }
}

/// A channel at the crest with the sensed limits, the test playing bench and sensors.
struct Yard {
    channel: Channel,
    now: Stamp,
    seen: Surroundings,
    events: Vec<Happening>,
    input: bool,
    boost: f64,
    silent: bool,
}

impl Yard {
    fn new(change: impl FnOnce(&mut SensedLimits)) -> Self {
        let mut config = channel_config(perturb_and_observe(0.25));
        config.envelope.sensed =
            SensedLimits { blind_grace: Duration::from_secs(2), ..SensedLimits::default() };
        change(&mut config.envelope.sensed);
        let began: Utc = "2016-06-15T10:00:00Z".parse().unwrap();
        let now = Stamp { mono: Instant::ZERO, utc: began };
        let at = now.mono;
        let degc = |value| Some(Observed { value: Celsius(value), at });
        let seen = Surroundings {
            irradiance: Some(Observed { value: Irradiance(800.0), at }),
            module_temperature: degc(50.0),
            heatsink_temperature: degc(45.0),
            air_temperature: degc(20.0),
            wind: None,
            pointing_error: Some(Observed { value: 0.1, at }),
            on_sun: Some(Observed { value: true, at }),
            sun: None,
        };
        let channel = Channel::new(config);
        Self { channel, now, seen, events: vec![], input: false, boost: 0.0, silent: false }
    }

    fn turn(&mut self) {
        self.now = self.now.later(self.channel.next_wake().saturating_since(self.now.mono));
        if !self.silent {
            let at = self.now.mono;
            let celsius = |seen: &mut Option<Observed<Celsius>>| {
                *seen = seen.map(|seen| Observed { at, ..seen });
            };
            celsius(&mut self.seen.module_temperature);
            celsius(&mut self.seen.heatsink_temperature);
            celsius(&mut self.seen.air_temperature);
            self.seen.irradiance = self.seen.irradiance.map(|seen| Observed { at, ..seen });
            self.seen.pointing_error = self.seen.pointing_error.map(|seen| Observed { at, ..seen });
            self.seen.on_sun = self.seen.on_sun.map(|seen| Observed { at, ..seen });
        }
        self.channel.note_surroundings(self.seen);
        let mut input = Input::Wake;
        loop {
            let mut out = Outbox::new();
            let command = self.channel.handle(self.now, input, &mut out);
            self.events.extend(out.iter().filter_map(|record| match record {
                Record::Event(event) => Some(event.what),
                _ => None,
            }));
            input = match command {
                None => return,
                Some(Command::Measure) => {
                    let (device, amps) = if self.input { (30.0, 8.0) } else { (VOC, 0.0) };
                    let load = Volts(device + self.boost);
                    let amps = Amps(amps);
                    Input::Reading(Reading { at: self.now.mono, load, amps, boost: None })
                }
                Some(Command::Prepare) => Input::Prepared(Found::default()),
                Some(command) => {
                    match command {
                        Command::InputOn => self.input = true,
                        Command::InputOff => self.input = false,
                        Command::BoostOn => self.boost = BOOST.0,
                        Command::BoostOff => self.boost = 0.0,
                        _ => {}
                    }
                    Input::Done
                }
            };
        }
    }

    fn track(&mut self) {
        for _ in 0..200 {
            if self.channel.activity() == Activity::Tracking {
                return;
            }
            self.turn();
        }
        assert_eq!(self.channel.activity(), Activity::Tracking, "{:?}", self.events);
    }

    fn let_go(&self) -> Vec<Limit> {
        let limit = |what: &Happening| match what {
            Happening::LetGo { limit, .. } => Some(*limit),
            _ => None,
        };
        self.events.iter().filter_map(limit).collect()
    }
}

type Change = fn(&mut SensedLimits);
type Turn = fn(&mut Surroundings);

#[test]
fn each_sensed_limit_lets_go_in_the_same_turn_and_begins_again_when_it_has_passed() {
    fn value<T>(seen: &mut Option<Observed<T>>, value: T) {
        seen.as_mut().unwrap().value = value;
    }
    let cases: [(Limit, Change, Turn, Turn); 6] = [
        (
            Limit::DeviceTemperature,
            |limits| limits.device_temperature_max = Some(Celsius(90.0)),
            |seen| value(&mut seen.module_temperature, Celsius(90.1)),
            |seen| value(&mut seen.module_temperature, Celsius(89.9)),
        ),
        (
            Limit::HeatsinkTemperature,
            |limits| limits.heatsink_temperature_max = Some(Celsius(80.0)),
            |seen| value(&mut seen.heatsink_temperature, Celsius(81.0)),
            |seen| value(&mut seen.heatsink_temperature, Celsius(60.0)),
        ),
        (
            Limit::Irradiance,
            |limits| limits.irradiance_max = Some(Irradiance(1200.0)),
            |seen| value(&mut seen.irradiance, Irradiance(1201.0)),
            |seen| value(&mut seen.irradiance, Irradiance(900.0)),
        ),
        (
            Limit::PointingError,
            |limits| limits.pointing_error_max = Some(0.5),
            |seen| value(&mut seen.pointing_error, -0.6),
            |seen| value(&mut seen.pointing_error, 0.0),
        ),
        (
            Limit::OffSun,
            |limits| limits.needs_on_sun = true,
            |seen| value(&mut seen.on_sun, false),
            |seen| value(&mut seen.on_sun, true),
        ),
        (
            // 36 V and 8 A at the load are 288 W; the line from 500 W at 20 to 200 W at 50 degC
            // crosses that at 41.2 degC.
            Limit::LoadDerated,
            |limits| {
                let point =
                    |watts, degc| DeratingPoint { watts: Watts(watts), temperature: Celsius(degc) };
                let points = [point(500.0, 20.0), point(200.0, 50.0)];
                limits.derating = Derating::new(DeratedBy::Air, &points).ok();
            },
            |seen| value(&mut seen.air_temperature, Celsius(41.3)),
            |seen| value(&mut seen.air_temperature, Celsius(41.1)),
        ),
    ];
    for (limit, change, wrong, right) in cases {
        let mut yard = Yard::new(change);
        yard.track();
        wrong(&mut yard.seen);
        yard.turn();
        assert!(!yard.input && yard.boost == 0.0, "{limit:?}");
        assert_eq!(yard.let_go(), [limit]);
        assert_eq!(yard.channel.activity(), Activity::Resting);
        // As long as it lasts: not begun and not counted, but for a load that is only too warm for
        // what it then sinks.
        if limit != Limit::LoadDerated {
            (0..100).for_each(|_| yard.turn());
            assert_eq!(yard.let_go(), [limit], "{limit:?}");
            let held = yard.events.iter().filter(|what| matches!(what, Happening::HeldOff { .. }));
            assert_eq!(held.count(), 1, "{limit:?}: told once");
        }
        right(&mut yard.seen);
        yard.track();
    }
}

#[test]
fn sun_and_mount_come_and_go_without_locking_off() {
    let mut yard = Yard::new(|limits| limits.needs_on_sun = true);
    for _ in 0..20 {
        yard.track();
        yard.seen.on_sun.as_mut().unwrap().value = false;
        yard.turn();
        assert!(!yard.input);
        yard.seen.on_sun.as_mut().unwrap().value = true;
    }
    yard.track();
    assert_eq!(yard.let_go(), [Limit::OffSun; 20]);
}

#[test]
fn a_limit_that_nobody_can_check_is_no_limit() {
    let mut yard = Yard::new(|limits| limits.heatsink_temperature_max = Some(Celsius(80.0)));
    yard.track();
    let silent = yard.now.mono;
    yard.silent = true;
    while yard.input {
        yard.turn();
    }
    // 5 s until the value is old, 2 s of grace, one period.
    let lasted = yard.now.mono.saturating_since(silent).as_secs_f64();
    assert!((6.9..=7.3).contains(&lasted), "{lasted} s");
    let silent = Limit::Silent(Sense::HeatsinkTemperature);
    assert_eq!(yard.let_go(), [silent]);
    // However long it stays silent: not begun, not locked off, told once more.
    (0..500).for_each(|_| yard.turn());
    assert_eq!(yard.channel.activity(), Activity::Resting);
    assert_eq!(yard.let_go(), [silent]);
    let held =
        |what: &&Happening| matches!(what, Happening::HeldOff { limit, .. } if *limit == silent);
    assert_eq!(yard.events.iter().filter(held).count(), 1);
    yard.silent = false;
    yard.track();
}

#[test]
fn a_sensor_that_answers_late_at_the_start_costs_a_second_and_no_event() {
    let mut yard = Yard::new(|limits| limits.device_temperature_max = Some(Celsius(90.0)));
    let module = yard.seen.module_temperature.take();
    yard.turn();
    yard.seen.module_temperature = module;
    yard.track();
    let took = yard.now.mono.saturating_since(Instant::ZERO).as_secs_f64();
    // A second for the sensor and one for the boost supply.
    assert!(took < 3.0, "{took} s");
    assert!(!yard.events.iter().any(|what| matches!(what, Happening::HeldOff { .. })));
}

/// In virtual time: the plant's load warms its heat sink by 0.08 K/W, and is let go when that passes
/// its limit, input off within the turn that saw it.
#[test]
fn a_heat_sink_that_gets_too_warm_on_the_plant_lets_go() {
    let (day, site) = embedded_payerne();
    let began: Utc = "2016-06-15T09:00:00Z".parse().unwrap();
    let sky = RecordedSky::new(day, site, 7);
    let mut config = channel_config(perturb_and_observe(0.25));
    config.envelope.sensed.heatsink_temperature_max = Some(Celsius(30.0));
    config.envelope.sensed.heatsink_margin = 5.0;
    let mut plant = cresthold::rehearsal::Yard::new(sky, began, vec![crystalline_stand(config, 3)]);
    let (mut let_go, mut woke) = (Vec::new(), Vec::new());
    plant.run_until(Instant::ZERO + Duration::from_secs(4 * 3600), &mut |record| match record {
        Record::Event(Event { what: Happening::LetGo { limit, value, .. }, at, .. }) => {
            let_go.push((limit, value, at.mono));
        }
        Record::Event(Event { what: Happening::Woke { .. }, at, .. }) => woke.push(at.mono),
        _ => {}
    });
    println!("{let_go:?}");
    assert!(!let_go.is_empty() && woke.len() > 1);
    // Five kelvins down to an air of some 15 degC take the sink minutes.
    let rest = woke[1].saturating_since(let_go[0].2).as_secs();
    assert!((60..1200).contains(&rest), "{rest} s");
    assert!(let_go.iter().all(|(limit, ..)| *limit == Limit::HeatsinkTemperature));
    // It warms by some hundredths of a kelvin within a period.
    assert!(let_go.iter().all(|(_, value, _)| *value < 30.1), "seen within a period of passing");
}
