//! Conversations with a channel, written down, and laws of the guard.
#![allow(clippy::unwrap_used, reason = "a test: what is not there fails it")]

mod support;

use cresthold::control::record::{Activity, Curve, CurveEnd, Event, Happening, Limit, Record};
use cresthold::control::{
    Channel, ChannelConfig, Command, Evidence, Found, Guard, Input, MAX_COMMANDS_PER_TURN,
    Observed, Outbox, Reading, SeriesPath, Surroundings,
};
use cresthold::quantities::{Amps, Celsius, Irradiance, Ohms, Volts};
use cresthold::time::{Instant, Stamp, Utc};
use proptest::prelude::*;
use std::time::Duration;
use support::{BOOST, channel_config, envelope, perturb_and_observe};

/// A channel and what it said; the test plays the bench.
struct Talk {
    channel: Channel,
    now: Stamp,
    light: f64,
    sun: Option<f64>,
    events: Vec<Happening>,
    curves: Vec<Curve>,
}

impl Talk {
    fn new() -> Self {
        let began: Utc = "2016-06-15T10:00:00Z".parse().unwrap();
        Self::with(channel_config(perturb_and_observe(0.25)), began)
    }

    fn with(config: ChannelConfig, began: Utc) -> Self {
        let channel = Channel::new(config);
        let now = Stamp { mono: Instant::ZERO, utc: began };
        Self { channel, now, light: 800.0, sun: None, events: Vec::new(), curves: Vec::new() }
    }

    fn say(&mut self, input: Input) -> Option<Command> {
        let mut out = Outbox::new();
        let command = self.channel.handle(self.now, input, &mut out);
        for record in out {
            match record {
                Record::Event(Event { what, .. }) => self.events.push(what),
                Record::Curve(curve) => self.curves.push(curve),
                _ => {}
            }
        }
        command
    }

    fn wake(&mut self) -> Option<Command> {
        self.now = self.now.later(self.channel.next_wake().saturating_since(self.now.mono));
        let at = self.now.mono;
        self.channel.note_surroundings(Surroundings {
            irradiance: Some(Observed { value: Irradiance(self.light), at }),
            sun: self.sun.map(|value| Observed { value, at }),
            module_temperature: Some(Observed { value: Celsius(40.0), at }),
            ..Surroundings::default()
        });
        self.say(Input::Wake)
    }

    fn read(&mut self, load: f64, amps: f64) -> Option<Command> {
        let at = self.now.mono;
        let (load, amps) = (Volts(load), Amps(amps));
        self.say(Input::Reading(Reading { at, load, amps, boost: None }))
    }

    /// Brings it from nothing to tracking.
    fn begin(&mut self) {
        assert_eq!(self.wake(), Some(Command::Prepare));
        assert_eq!(self.say(Input::Done), Some(Command::Measure));
        assert_eq!(self.read(37.0, 0.0), Some(Command::BoostOn));
        assert_eq!(self.say(Input::Done), None, "the supply rises");
        assert_eq!(self.wake(), Some(Command::Measure));
        let open = self.read(37.0 + BOOST.0, 0.0);
        assert!(matches!(open, Some(Command::SetVoltage(v)) if v.device() == Volts(48.0)));
        assert_eq!(self.say(Input::Done), Some(Command::InputOn));
        let first = self.say(Input::Done);
        assert!(matches!(first, Some(Command::SetVoltage(v)) if v.device() == Volts(37.0 * 0.8)));
        assert_eq!(self.say(Input::Done), None);
        assert_eq!(self.channel.activity(), Activity::Tracking);
    }

    fn let_go(&mut self, limit: Limit) {
        assert_eq!(self.say(Input::Done), Some(Command::BoostOff));
        assert_eq!(self.say(Input::Done), None);
        let last = self.events.iter().rev().find_map(|what| match what {
            Happening::LetGo { limit, .. } => Some(*limit),
            _ => None,
        });
        assert_eq!(last, Some(limit));
    }
}

#[test]
fn start_up_is_boost_verified_then_input_at_open_circuit_then_the_crest() {
    let mut talk = Talk::new();
    talk.begin();
    assert_eq!(talk.wake(), Some(Command::Measure));
    let step = talk.read(37.0 * 0.8 + BOOST.0, 8.0);
    assert!(matches!(step, Some(Command::SetVoltage(_))));
    assert_eq!(talk.say(Input::Done), None);
    assert_eq!(talk.say(Input::Stop), Some(Command::InputOff));
    assert_eq!(talk.say(Input::Done), Some(Command::BoostOff));
    assert_eq!(talk.say(Input::Done), None);
    assert_eq!(talk.channel.activity(), Activity::Stopped);
    assert_eq!(talk.events.last(), Some(&Happening::Stopped));
}

#[test]
fn a_boost_supply_that_adds_nothing_is_let_go_before_the_input_closes() {
    let mut talk = Talk::new();
    assert_eq!(talk.wake(), Some(Command::Prepare));
    assert_eq!(talk.say(Input::Done), Some(Command::Measure));
    assert_eq!(talk.read(37.0, 0.0), Some(Command::BoostOn));
    assert_eq!(talk.say(Input::Done), None, "the supply rises");
    assert_eq!(talk.wake(), Some(Command::Measure));
    assert_eq!(talk.read(37.0, 0.0), Some(Command::InputOff));
    talk.let_go(Limit::BoostVolts);
    assert_eq!(talk.channel.activity(), Activity::Resting);
}

#[test]
fn each_limit_lets_go_within_the_turn_and_six_times_lock_off() {
    // Device volts are load volts less 6 V of boost: 31 V, 17 A passes 16 A; NaN is no number.
    for (load, amps, limit) in [
        (37.0, 17.0, Limit::DeviceAmps),
        (37.0, 15.0, Limit::DeviceWatts),
        (56.0, 1.0, Limit::DeviceVoltsHigh),
        (61.0, 1.0, Limit::LoadVolts),
        (f64::NAN, 1.0, Limit::NotANumber),
        (4.5, 8.0, Limit::DeviceVoltsLow),
    ] {
        let mut talk = Talk::new();
        talk.begin();
        assert_eq!(talk.wake(), Some(Command::Measure));
        assert_eq!(talk.read(load, amps), Some(Command::InputOff), "{limit:?}");
        talk.let_go(limit);
    }
    let mut talk = Talk::new();
    locked_off(&mut talk);
    for _ in 0..100 {
        assert_eq!(talk.wake(), Some(Command::Measure));
        assert_eq!(talk.read(37.0, 0.0), None, "locked off looks, and never starts");
    }
}

/// Where nobody comes by for weeks, a night may end the lock; a cap on device and sensor may not.
#[test]
fn a_night_ends_a_lock_where_the_station_says_so() {
    for anew in [false, true] {
        let mut config = channel_config(perturb_and_observe(0.25));
        config.retry.anew_each_day = anew;
        let mut talk = Talk::with(config, "2016-06-15T10:00:00Z".parse().unwrap());
        locked_off(&mut talk);
        let told = Happening::LockedOff { times: 6, until_dawn: anew };
        assert!(talk.events.contains(&told), "{:?}", talk.events);
        let mut look = |light, sun, volts| {
            (talk.light, talk.sun) = (light, Some(sun));
            let mut last = None;
            for _ in 0..100 {
                assert_eq!(talk.wake(), Some(Command::Measure));
                last = talk.read(volts, 0.0);
            }
            (last, talk.channel.activity())
        };
        let locked = (None, Activity::LockedOff);
        assert_eq!(look(0.0, 40.0, 0.1), locked, "a cap at noon");
        assert_eq!(look(800.0, 40.0, 37.0), locked);
        let night = look(0.0, -20.0, 0.1);
        assert_eq!(night, (None, if anew { Activity::Asleep } else { Activity::LockedOff }));
        (talk.light, talk.sun) = (300.0, Some(10.0));
        let mut begun = false;
        for _ in 0..100 {
            assert_eq!(talk.wake(), Some(Command::Measure));
            begun = talk.read(37.0, 0.0) == Some(Command::BoostOn);
            if begun {
                break;
            }
        }
        assert_eq!(begun, anew);
    }
}

/// Beyond the polar circle, in summer: what a night does, a day does.
#[test]
fn where_the_sun_does_not_set_a_day_ends_a_lock_where_the_station_says_so() {
    const LOOKS: u32 = 86_400 / 10;
    for anew in [false, true] {
        let mut config = channel_config(perturb_and_observe(0.25));
        config.retry.anew_each_day = anew;
        let retry = config.retry;
        let mut talk = Talk::with(config, "2016-06-15T10:00:00Z".parse().unwrap());
        locked_off(&mut talk);
        let rest = retry.wait(retry.times).as_secs() as u32 / 10;
        (talk.light, talk.sun) = (300.0, Some(10.0));
        let mut begun = None;
        for look in 0..2 * LOOKS {
            assert_eq!(talk.wake(), Some(Command::Measure));
            if talk.read(37.0, 0.0) == Some(Command::BoostOn) {
                begun = Some(look);
                break;
            }
        }
        // It looks every ten seconds; one look ends the lock, the next begins.
        let due = LOOKS + rest;
        assert!(
            begun.is_some() == anew && begun.is_none_or(|at| at.abs_diff(due) <= 2),
            "{begun:?}"
        );
    }
}

/// Six times in as many days are no fault to be locked off for.
#[test]
fn where_the_sun_does_not_set_old_failures_are_forgiven() {
    let config = channel_config(perturb_and_observe(0.25));
    let retry = config.retry;
    let mut talk = Talk::with(config, "2016-06-15T10:00:00Z".parse().unwrap());
    talk.begin();
    for _ in 0..2 * retry.times {
        assert_eq!(talk.wake(), Some(Command::Measure));
        assert_eq!(talk.read(37.0, 17.0), Some(Command::InputOff));
        talk.let_go(Limit::DeviceAmps);
        begin_again(&mut talk);
        talk.now = talk.now.later(Duration::from_secs(86_400) + retry.longest);
    }
    assert_eq!(talk.channel.activity(), Activity::Tracking);
}

/// Begins, and passes a limit until it is locked off.
fn locked_off(talk: &mut Talk) {
    talk.begin();
    for time in 1..=6 {
        assert_eq!(talk.wake(), Some(Command::Measure));
        assert_eq!(talk.read(37.0, 17.0), Some(Command::InputOff));
        talk.let_go(Limit::DeviceAmps);
        if time == 6 {
            break;
        }
        begin_again(talk);
    }
    assert_eq!(talk.channel.activity(), Activity::LockedOff);
}

/// From rest to tracking.
fn begin_again(talk: &mut Talk) {
    while !matches!(talk.wake().and_then(|_| talk.read(37.0, 0.0)), Some(Command::BoostOn)) {}
    talk.say(Input::Done);
    talk.wake();
    talk.read(43.0, 0.0);
    for _ in 0..3 {
        let _ = talk.say(Input::Done);
    }
    assert_eq!(talk.channel.activity(), Activity::Tracking);
}

#[test]
fn a_lost_link_is_prepared_anew_with_growing_waits_and_stopping_says_what_it_does_not_know() {
    let mut talk = Talk::new();
    talk.begin();
    assert_eq!(talk.wake(), Some(Command::Measure));
    assert_eq!(talk.say(Input::Failed), None);
    let mut waits = Vec::new();
    for _ in 0..4 {
        let before = talk.now.mono;
        assert_eq!(talk.wake(), Some(Command::Prepare));
        waits.push(talk.now.mono.saturating_since(before).as_secs());
        assert_eq!(talk.say(Input::Failed), None);
    }
    assert_eq!(waits, [0, 5, 10, 20]);
    assert_eq!(talk.events.iter().filter(|what| **what == Happening::LinkLost).count(), 1);
    assert_eq!(talk.say(Input::Stop), Some(Command::InputOff));
    assert_eq!(talk.say(Input::Failed), Some(Command::InputOff), "each step has a second try");
    assert_eq!(talk.say(Input::Failed), Some(Command::BoostOff));
    assert_eq!(talk.say(Input::Failed), Some(Command::BoostOff));
    assert_eq!(talk.say(Input::Failed), None);
    assert_eq!(talk.events.last(), Some(&Happening::StopUnconfirmed));
}

#[test]
fn a_load_that_stays_above_its_setpoint_is_let_go_after_five_readings() {
    let mut talk = Talk::new();
    talk.begin();
    // Its input has opened: open circuit, whatever is asked for.
    for reading in 1..=5 {
        assert_eq!(talk.wake(), Some(Command::Measure));
        let answer = talk.read(37.0 + BOOST.0, 0.0);
        if reading == 5 {
            assert_eq!(answer, Some(Command::InputOff));
            talk.let_go(Limit::Unfollowed);
            return;
        }
        assert!(matches!(answer, Some(Command::SetVoltage(_))), "{reading}");
        assert_eq!(talk.say(Input::Done), None);
    }
}

/// At a glance a load may be on its way down, but one that doesn't move is noticed all the same.
#[test]
fn a_glance_leaves_the_load_half_of_its_way() {
    let path = SeriesPath::default();
    for (reached, follows) in [(0.6, true), (0.3, false), (0.0, false)] {
        let mut guard = Guard::new(envelope());
        let mut seen =
            Evidence { load: Volts(40.0), amps: Amps(2.0), path, setpoint: None, boost: None };
        guard.judge(&seen).unwrap();
        let verdicts: Vec<_> = [20.0, 10.0, 5.0, 2.5, 1.25]
            .map(|volts| {
                seen.setpoint = Some(guard.admit(Volts(volts), seen.amps, &path));
                seen.load = seen.load + (Volts(volts) - seen.load) * reached;
                guard.judge_glance(&seen).map_err(|breach| breach.limit)
            })
            .to_vec();
        let last = if follows { Ok(()) } else { Err(Limit::Unfollowed) };
        assert_eq!(verdicts, [Ok(()), Ok(()), Ok(()), Ok(()), last], "{reached}");
    }
}

#[test]
fn what_the_load_was_found_doing_is_told() {
    let mut talk = Talk::new();
    assert_eq!(talk.wake(), Some(Command::Prepare));
    let (load, amps) = (Some(Volts(36.0)), Some(Amps(8.0)));
    let found = Found { input_on: Some(true), load, amps };
    assert_eq!(talk.say(Input::Prepared(found)), Some(Command::Measure));
    assert_eq!(talk.events, [Happening::Connected, Happening::FoundOn { load, amps }]);
    let words = "the load's input was found on at 36.000 V, sinking 8.000 A, as it was left; it was \
                 made safe";
    assert_eq!(talk.events[1].to_string(), words);
    // An input found off, or one that nobody could ask, is no event.
    for found in [Found { input_on: Some(false), ..found }, Found::default()] {
        let mut talk = Talk::new();
        talk.wake();
        assert_eq!(talk.say(Input::Prepared(found)), Some(Command::Measure));
        assert_eq!(talk.events, [Happening::Connected]);
    }
}

#[test]
fn a_lock_and_a_rest_outlive_an_outage() {
    let mut config = channel_config(perturb_and_observe(0.25));
    config.retry.times = 1;
    let mut talk = Talk { channel: Channel::new(config), ..Talk::new() };
    talk.begin();
    assert_eq!(talk.wake(), Some(Command::Measure));
    assert_eq!(talk.read(37.0, 17.0), Some(Command::InputOff));
    // The link fails in the very command that lets go.
    assert_eq!(talk.say(Input::Failed), None);
    assert_eq!(talk.wake(), Some(Command::Prepare));
    assert_eq!(talk.say(Input::Done), Some(Command::Measure));
    assert_eq!(talk.channel.activity(), Activity::LockedOff);
    for _ in 0..100 {
        assert_eq!(talk.read(37.0, 0.0), None, "locked off for a person");
        assert_eq!(talk.wake(), Some(Command::Measure));
    }
    let mut talk = Talk::new();
    talk.begin();
    assert_eq!(talk.wake(), Some(Command::Measure));
    assert_eq!(talk.read(37.0, 17.0), Some(Command::InputOff));
    assert_eq!(talk.say(Input::Failed), None);
    assert_eq!(talk.wake(), Some(Command::Prepare));
    assert_eq!(talk.say(Input::Done), Some(Command::Measure));
    assert_eq!(talk.channel.activity(), Activity::Resting);
    assert_eq!(talk.read(37.0, 0.0), None, "the first rest of 5 s isn't over");
}

/// A load that can be prepared but refuses to close its input.
#[test]
fn a_start_that_fails_again_and_again_waits_longer_each_time() {
    let mut talk = Talk::new();
    let mut tries = Vec::new();
    for _ in 0..5 {
        while talk.channel.activity() != Activity::Starting {
            if talk.wake() == Some(Command::Prepare) {
                tries.push(talk.now.mono.saturating_since(Instant::ZERO).as_secs());
                talk.say(Input::Done);
            }
            talk.read(37.0, 0.0);
        }
        talk.say(Input::Done);
        talk.wake();
        assert!(matches!(talk.read(43.0, 0.0), Some(Command::SetVoltage(_))));
        assert_eq!(talk.say(Input::Done), Some(Command::InputOn));
        assert_eq!(talk.say(Input::Failed), None);
    }
    // Waits of 0, 5, 10, 20 s and a second each for the boost supply.
    assert_eq!(tries, [0, 1, 7, 18, 39]);
}

#[test]
fn a_limit_passed_in_a_sweep_lets_go_and_ends_the_curve() {
    let mut talk = Talk::new();
    talk.begin();
    talk.channel.request_sweep();
    assert_eq!(talk.wake(), Some(Command::Measure));
    let open = talk.read(37.0 * 0.8 + BOOST.0, 8.0);
    assert!(matches!(open, Some(Command::SetVoltage(v)) if v.device() == Volts(48.0)));
    assert_eq!(talk.channel.activity(), Activity::Sweeping);
    assert_eq!(talk.say(Input::Done), None);
    assert_eq!(talk.wake(), Some(Command::Measure));
    assert_eq!(talk.read(36.9 + BOOST.0, 0.0), None, "the load still settles after the jump");
    assert_eq!(talk.wake(), Some(Command::Measure));
    // The next point lies close, where the curve falls steeply.
    let next = talk.read(37.0 + BOOST.0, 0.0);
    assert!(matches!(next, Some(Command::SetVoltage(v)) if (36.0..37.0).contains(&v.device().0)));
    assert_eq!(talk.say(Input::Done), None);
    assert_eq!(talk.wake(), Some(Command::Measure));
    assert_eq!(talk.read(36.6 + BOOST.0, 17.0), Some(Command::InputOff));
    talk.let_go(Limit::DeviceAmps);
    let curves: Vec<_> = talk.curves.iter().map(|curve| (curve.points, curve.end)).collect();
    assert_eq!(curves, [(1, CurveEnd::LetGo)], "the reading that passed the limit is no point");
}

#[test]
fn a_sensor_that_fell_silent_is_not_used() {
    let mut talk = Talk::new();
    talk.begin();
    talk.now = talk.now.later(Duration::from_secs(10));
    assert_eq!(talk.say(Input::Wake), Some(Command::Measure));
    let mut out = Outbox::new();
    let reading = Reading { at: talk.now.mono, load: Volts(36.0), amps: Amps(8.0), boost: None };
    talk.channel.handle(talk.now, Input::Reading(reading), &mut out);
    let sample = out.iter().find_map(|record| match record {
        Record::Sample(sample) => Some(*sample),
        _ => None,
    });
    assert_eq!(sample.unwrap().irradiance, None);
}

proptest! {
    #![proptest_config(ProptestConfig {
        cases: 20_000,
        failure_persistence: None,
        ..ProptestConfig::default()
    })]

    /// Whatever is wished for and measured, a setpoint lies inside the envelope.
    #[test]
    fn no_wish_passes_the_guard(
        wish in prop_oneof![-1e4..1e4_f64, Just(f64::NAN), Just(f64::INFINITY),
            Just(f64::NEG_INFINITY), any::<f64>()],
        amps in prop_oneof![-50.0..50.0_f64, any::<f64>()],
        boost in 0.0..12.0_f64,
        lead in 0.0..0.5_f64,
    ) {
        let envelope = envelope();
        let guard = Guard::new(envelope.clone());
        let path = SeriesPath { boost: Volts(boost), lead: Ohms(lead) };
        let setpoint = guard.admit(Volts(wish), Amps(amps), &path);
        let (device, load) = (setpoint.device(), setpoint.load());
        prop_assert!(load >= Volts::ZERO && load <= envelope.load_volts_max, "{load}");
        prop_assert!(device <= envelope.device_volts_max, "{device}");
        prop_assert!(device.is_finite());
        if amps.is_finite() && amps.abs() < 16.0 {
            prop_assert!(device >= -envelope.reverse_allowance, "{device}");
            // The load can sink there what was measured: its capability, to a microampere.
            prop_assert!(envelope.capability.amps_at(load).0 >= amps - 1e-6, "{load} {amps}");
        }
    }

    /// Any sequence of inputs: no panic, a bounded turn, and no voltage but through the guard.
    #[test]
    fn any_conversation_is_bounded(
        inputs in prop::collection::vec((0..5_u8, -5.0..80.0_f64, -1.0..30.0_f64), 1..60)
    ) {
        let mut talk = Talk::new();
        for (kind, load, amps) in inputs {
            let mut command = talk.wake();
            let mut commands = 0;
            while let Some(asked) = command {
                commands += 1;
                prop_assert!(commands <= MAX_COMMANDS_PER_TURN, "{asked:?}");
                if let Command::SetVoltage(setpoint) = asked {
                    prop_assert!(setpoint.device() <= Volts(48.0));
                    prop_assert!(setpoint.device() >= Volts(-1.0));
                }
                command = match (kind, asked) {
                    (0, _) => talk.say(Input::Failed),
                    (_, Command::Measure) => talk.read(load, amps),
                    _ => talk.say(Input::Done),
                };
            }
        }
    }
}

/// With a sample asked for every period, readings that come 30 ms late first and then in time again
/// each make a sample of their own.
#[test]
fn jitter_never_puts_two_readings_into_one_sample() {
    let mut config = channel_config(perturb_and_observe(0.25));
    config.sample_every = config.period;
    let mut talk = Talk { channel: Channel::new(config), ..Talk::new() };
    talk.begin();
    let mut samples = Vec::new();
    for turn in 0..200_u64 {
        assert_eq!(talk.wake(), Some(Command::Measure));
        talk.now = talk.now.later(Duration::from_millis((turn * 13 + 30) % 40));
        let at = talk.now.mono;
        let reading = Reading { at, load: Volts(36.0), amps: Amps(8.0), boost: None };
        let mut out = Outbox::new();
        talk.channel.handle(talk.now, Input::Reading(reading), &mut out);
        samples.extend(out.iter().filter_map(|record| match record {
            Record::Sample(sample) => Some(sample.readings),
            _ => None,
        }));
        assert_eq!(talk.say(Input::Done), None);
    }
    assert_eq!(samples, [1; 200]);
}

/// A channel that only looks keeps a reading for its sample; an outage ends that sample, so that no mean
/// is of readings from both of its sides.
#[test]
fn readings_from_before_and_after_an_outage_are_two_samples() {
    let mut talk = Talk::new();
    talk.light = 0.0;
    let mut samples = Vec::new();
    let mut hear = |talk: &mut Talk, input: Input| {
        let mut out = Outbox::new();
        let command = talk.channel.handle(talk.now, input, &mut out);
        samples.extend(out.iter().filter_map(|record| match record {
            Record::Sample(sample) => Some((sample.readings, sample.volts.0)),
            _ => None,
        }));
        command
    };
    let reading = |talk: &Talk, load: f64| {
        let (at, load) = (talk.now.mono, Volts(load));
        Input::Reading(Reading { at, load, amps: Amps::ZERO, boost: None })
    };
    assert_eq!(talk.wake(), Some(Command::Prepare));
    assert_eq!(hear(&mut talk, Input::Done), Some(Command::Measure));
    let first = reading(&talk, 1.0);
    hear(&mut talk, first);
    // Before the next sample is due.
    talk.now = talk.now.later(Duration::from_millis(100));
    let early = reading(&talk, 3.0);
    hear(&mut talk, early);
    hear(&mut talk, Input::Failed);
    talk.now = talk.now.later(Duration::from_secs(7200));
    assert_eq!(talk.wake(), Some(Command::Prepare));
    assert_eq!(hear(&mut talk, Input::Done), Some(Command::Measure));
    let late = reading(&talk, 30.0);
    hear(&mut talk, late);
    assert_eq!(samples, [(1, 1.0), (1, 3.0), (1, 30.0)]);
}
