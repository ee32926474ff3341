//! Hours at the crest in virtual time, over lines on which everything goes wrong now and then: what
//! is logged is right or absent, the device never leaves its envelope, and the channel comes back.
//!
//! Digits that change into other digits are not among the mishaps: without a checksum on the line
//! nobody can tell them from a reading.

#![cfg(feature = "field")]
#![allow(clippy::unwrap_used, reason = "a helper that fails is a test that fails")]

mod links_yard;
mod support;

use cresthold::control::record::{Event, Happening, Record};
use cresthold::control::{Channel, Command, Input, MAX_COMMANDS_PER_TURN, Outbox, Reading};
use cresthold::instruments::{Answer, Bench, BenchSetup, SupplyCommands, SupplySetup};
use cresthold::quantities::{Amps, Celsius, Irradiance, Ohms, Volts};
use cresthold::time::{Instant, Stamp, Utc};
use cresthold_sim::bench::{Boost, LoadParams, Operating};
use cresthold_sim::device::examples;
use cresthold_sim::wire::fault::{Fate, LineFault};
use cresthold_sim::wire::instrument::{Instrument, VirtualLoad, VirtualSupply};
use cresthold_sim::wire::{LoadPort, Measured, SupplyPort};
use links_yard::wire::SharedDesk;
use links_yard::{IDENTITY, run_virtually, setup};
use std::sync::{Arc, Mutex};
use std::time::Duration;
use support::{BOOST, channel_config, envelope, perturb_and_observe};

const SUPPLY: &str = "Test Yard,VS-1,0002,1.0";

/// Steele, Lea, Flood (2014): SplitMix64, from memory.
#[derive(Clone)]
struct Dice(Arc<Mutex<u64>>);

impl Dice {
    fn roll(&self, sides: u64) -> u64 {
        let mut state = self.0.lock().unwrap();
        *state = state.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = *state;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        (z ^ (z >> 31)) % sides
    }
}

/// One reply in so many meets with a mishap.
struct Misfortune {
    dice: Dice,
    one_in: u64,
}

impl LineFault for Misfortune {
    fn meddle(&mut self, reply: &mut Vec<u8>) -> Fate {
        if self.dice.roll(self.one_in) != 0 {
            return Fate::Sent;
        }
        match self.dice.roll(6) {
            0 => return Fate::Lost,
            1 => return Fate::Late(Duration::from_millis(100 + self.dice.roll(3000))),
            2 => return Fate::Late(Duration::from_millis(480 + self.dice.roll(40))),
            3 => reply.iter_mut().step_by(3).for_each(|byte| *byte |= 0x80),
            4 => reply.truncate(reply.len() / 2),
            _ => reply.extend_from_within(..),
        }
        Fate::Sent
    }
}

/// The plant, in the runtime's time.
#[derive(Clone)]
struct Plant(Arc<Mutex<Inner>>);

struct Inner {
    bench: cresthold_sim::bench::Bench,
    began: tokio::time::Instant,
    lit: Instant,
    /// What the load's instrument measured last, and how many measurements it made.
    last: (Volts, Amps),
    measured: u64,
}

impl Plant {
    fn new() -> Self {
        let load = LoadParams::usual(Volts(60.0), Amps(20.0), cresthold::quantities::Watts(600.0));
        let boost = Some(Boost { volts: BOOST, limit: Amps(18.0) });
        let module = examples::crystalline_module();
        let mut bench = cresthold_sim::bench::Bench::new(module, load, boost, Ohms::ZERO, 7);
        bench.set_conditions(Irradiance(600.0), Celsius(40.0));
        Self(Arc::new(Mutex::new(Inner {
            bench,
            began: tokio::time::Instant::now(),
            lit: Instant::ZERO,
            last: (Volts::ZERO, Amps::ZERO),
            measured: 0,
        })))
    }

    fn with<T>(&self, look: impl FnOnce(&mut Inner) -> T) -> T {
        let mut inner = self.0.lock().unwrap();
        inner.catch_up();
        look(&mut inner)
    }
}

impl Inner {
    /// The sun swings between 300 and 900 W/m2 within an hour.
    fn catch_up(&mut self) {
        let now = Instant::ZERO + self.began.elapsed();
        while now.saturating_since(self.lit) >= Duration::from_secs(1) {
            self.lit += Duration::from_secs(1);
            self.bench.advance(self.lit);
            let phase = self.lit.saturating_since(Instant::ZERO).as_secs_f64() / 573.0;
            self.bench.set_conditions(Irradiance(600.0 + 300.0 * phase.sin()), Celsius(40.0));
        }
        self.bench.advance(now);
    }
}

impl LoadPort for Plant {
    fn set_volts(&mut self, volts: Volts) {
        self.with(|it| it.bench.set_volts(volts));
    }
    fn volts(&self) -> Volts {
        self.with(|it| it.bench.volts())
    }
    fn volts_max(&self) -> Volts {
        Volts(60.0)
    }
    fn set_protection(&mut self, amps: Amps) {
        self.with(|it| it.bench.set_protection(amps));
    }
    fn protection(&self) -> Amps {
        self.with(|it| it.bench.protection())
    }
    fn amps_max(&self) -> Amps {
        Amps(20.0)
    }
    fn set_input(&mut self, on: bool) {
        self.with(|it| it.bench.set_input(on));
    }
    fn input(&self) -> bool {
        self.with(|it| it.bench.input())
    }
    fn measure(&mut self) -> Measured {
        self.with(|it| {
            let seen = it.bench.measure();
            it.last = (seen.load, seen.amps);
            it.measured += 1;
            Measured { volts: seen.load, amps: seen.amps, takes: Duration::from_millis(25) }
        })
    }
}

impl SupplyPort for Plant {
    fn set_volts(&mut self, volts: Volts) {
        self.with(|it| {
            let limit = it.bench.boost().unwrap().limit;
            it.bench.set_boost_levels(volts, limit);
        });
    }
    fn volts(&self) -> Volts {
        self.with(|it| it.bench.boost().unwrap().volts)
    }
    fn volts_max(&self) -> Volts {
        Volts(60.0)
    }
    fn set_limit(&mut self, amps: Amps) {
        self.with(|it| it.bench.set_boost_levels(it.bench.boost().unwrap().volts, amps));
    }
    fn limit(&self) -> Amps {
        self.with(|it| it.bench.boost().unwrap().limit)
    }
    fn amps_max(&self) -> Amps {
        Amps(30.0)
    }
    fn set_output(&mut self, on: bool) {
        self.with(|it| it.bench.set_boost(on));
    }
    fn output(&self) -> bool {
        self.with(|it| it.bench.boost_is_on())
    }
    fn measure(&mut self) -> Measured {
        let now = self.with(|it| it.bench.operating());
        Measured { volts: now.boost, amps: now.amps, takes: Duration::from_millis(25) }
    }
}

fn load_front(plant: &Plant) -> Box<dyn Instrument> {
    Box::new(VirtualLoad::load(IDENTITY, Box::new(plant.clone())))
}

struct Campaign {
    channel: Channel,
    bench: Bench,
    plant: Plant,
    began: tokio::time::Instant,
    text: String,
    readings: u64,
    failures: u64,
    longest_away: Duration,
}

impl Campaign {
    fn stamp(&self) -> Stamp {
        let utc: Utc = "2016-06-15T10:00:00Z".parse().unwrap();
        let past = self.began.elapsed();
        Stamp { mono: Instant::ZERO + past, utc: utc + past }
    }

    /// A turn, as the daemon's task has it.
    async fn converse(&mut self, first: Input) {
        let mut input = first;
        let mut out = Outbox::new();
        for _ in 0..=MAX_COMMANDS_PER_TURN {
            let command = self.channel.handle(self.stamp(), input, &mut out);
            for record in out.drain(..) {
                let Record::Event(Event { what, at, .. }) = record else { continue };
                if let Happening::LinkBack { after } = what {
                    self.longest_away = self.longest_away.max(after);
                }
                self.text += &format!(
                    "{:.3} {what}\n",
                    at.mono.saturating_since(Instant::ZERO).as_secs_f64()
                );
            }
            let Some(command) = command else { return };
            input = self.carry_out(command).await;
            self.judge();
        }
    }

    async fn carry_out(&mut self, command: Command) -> Input {
        let asked = self.stamp().mono;
        let before = self.plant.with(|it| it.measured);
        let answer = self.bench.carry_out(command).await;
        let Ok(answer) = answer else {
            self.failures += 1;
            return Input::Failed;
        };
        match answer {
            Answer::Prepared(found) => {
                assert!(!self.plant.input() && !self.plant.output(), "prepared is safe");
                Input::Prepared(found)
            }
            Answer::Measured(load, amps, boost) => {
                let (measured, last) = self.plant.with(|it| (it.measured, it.last));
                assert!(measured > before, "a reading of this question, not of one before");
                // The line carries microvolts and microamperes.
                let near = |a: f64, b: f64| (a - b).abs() <= 0.51e-6;
                assert!(near(load.0, last.0.0) && near(amps.0, last.1.0), "{load} {amps} {last:?}");
                self.readings += 1;
                let took = self.stamp().mono.saturating_since(asked);
                Input::Reading(Reading { at: asked + took / 2, load, amps, boost })
            }
            Answer::Done => {
                match command {
                    Command::SetVoltage(setpoint) => {
                        let error = self.plant.with(|it| it.bench.volts()) - setpoint.load();
                        assert!(error.0.abs() <= 0.01, "{error} off");
                    }
                    Command::InputOn => assert!(self.plant.input()),
                    Command::InputOff => assert!(!self.plant.input()),
                    Command::BoostOn => assert!(self.plant.output()),
                    Command::BoostOff => assert!(!self.plant.output()),
                    Command::Prepare | Command::Measure | Command::RunList => {}
                }
                Input::Done
            }
        }
    }

    /// On the plant's side nothing may leave the envelope.
    fn judge(&self) {
        let limits = envelope();
        let Operating { load, amps, boost, .. } = self.plant.with(|it| it.bench.operating());
        let device = load - boost;
        let least = Volts::ZERO - limits.reverse_allowance;
        assert!(device >= least && device <= limits.device_volts_max, "{device}");
        assert!(amps <= limits.device_amps_max, "{amps}");
    }
}

/// How often it is drawn whether something goes wrong.
const TICK: Duration = Duration::from_millis(100);

/// What goes wrong with the lines and instruments as a whole, once a minute on average.
fn mischief(dice: &Dice, plant: &Plant, load: &SharedDesk, boost: &SharedDesk) {
    let which = if dice.roll(2) == 0 { load } else { boost };
    match dice.roll(600 * 4) {
        0 => which.with(|desk| desk.cuts += 1),
        // Gone for a while.
        1 => which.with(|desk| {
            desk.cuts += 1;
            desk.refused_until = tokio::time::Instant::now() + TICK * dice.roll(300) as u32;
        }),
        // Switched off and on again: it begins as after power-on, and its line may not notice.
        2 => load.with(|desk| desk.instrument = load_front(plant)),
        3 => load.with(|desk| {
            desk.instrument = load_front(plant);
            desk.cuts += 1;
        }),
        _ => {}
    }
}

/// Hours under one seed; the events, and how it went.
fn campaign(seed: u64, hours: u64) -> Campaign {
    run_virtually(async {
        let plant = Plant::new();
        let dice = Dice(Arc::new(Mutex::new(seed)));
        let load = SharedDesk::new(load_front(&plant));
        let supply = VirtualSupply::supply(SUPPLY, Box::new(plant.clone()));
        let boost = SharedDesk::new(Box::new(supply));
        for desk in [&load, &boost] {
            let fault = Misfortune { dice: dice.clone(), one_in: 1000 };
            desk.with(|desk| desk.fault = Some(Box::new(fault)));
        }
        let mut of_load = setup();
        (of_load.protection, of_load.start) = (Amps(17.0), Volts(60.0));
        let of_boost = SupplySetup {
            name: "boost 1".to_owned(),
            identity: "VS-1,0002".to_owned(),
            volts: BOOST,
            limit: Amps(18.0),
            volts_resolution: Volts(0.001),
            amps_resolution: Amps(0.001),
            deadline: links_yard::DEADLINE,
            commands: SupplyCommands::default(),
        };
        let bench = Bench::new(BenchSetup {
            load: (load.settings("load"), of_load),
            boost: Some((boost.settings("boost"), of_boost)),
            boost_measured: true,
        });
        let mut config = channel_config(perturb_and_observe(0.2));
        (config.retry.longest, config.retry.times) = (Duration::from_secs(10), 1000);
        let mut campaign = Campaign {
            channel: Channel::new(config),
            bench,
            plant: plant.clone(),
            began: tokio::time::Instant::now(),
            text: String::new(),
            readings: 0,
            failures: 0,
            longest_away: Duration::ZERO,
        };
        let end = Instant::ZERO + Duration::from_secs(3600 * hours);
        while campaign.stamp().mono < end {
            let wake = campaign.channel.next_wake();
            let wait = wake.saturating_since(campaign.stamp().mono);
            tokio::time::sleep(wait.min(TICK)).await;
            mischief(&dice, &plant, &load, &boost);
            if campaign.stamp().mono >= wake {
                campaign.converse(Input::Wake).await;
            }
        }
        // The last words are spoken on sound lines.
        for desk in [&load, &boost] {
            desk.with(|desk| (desk.fault, desk.refused_until) = (None, campaign.began));
        }
        campaign.converse(Input::Wake).await;
        campaign.converse(Input::Stop).await;
        campaign
    })
}

#[test]
fn hours_over_faulty_lines_log_nothing_wrong() {
    for seed in [1, 2] {
        let ran = campaign(seed, 2);
        let truth = ran.plant.with(|it| it.bench.truth());
        let efficiency = truth.delivered.0 / truth.available.0;
        println!(
            "seed {seed}: {} readings, {} failed commands, away for {:.1} s at most, {:.1} % of the \
             crest's energy",
            ran.readings,
            ran.failures,
            ran.longest_away.as_secs_f64(),
            100.0 * efficiency
        );
        assert!(ran.failures > 100, "the lines were faulty: {}", ran.failures);
        assert!(ran.text.contains("found on"), "{}", ran.text);
        // Outages of 10 s on average make some of a minute; after one, the wait of at most 10 s and
        // a try of at most 12 s.
        assert!(ran.longest_away < Duration::from_secs(120), "{}", ran.text);
        // Each failure costs a start of some seconds, and a look every ten when it is dark.
        assert!(efficiency > 0.5, "{efficiency}");
        assert!(!ran.plant.input() && !ran.plant.output(), "stopped is safe");
    }
}

#[test]
fn the_same_seed_tells_the_same_story() {
    let [first, second] = [(); 2].map(|()| campaign(3, 1).text);
    assert!(!first.is_empty() && first == second);
}
