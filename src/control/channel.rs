//! A channel's state machine, from dawn to dusk.
//!
//! Model: one device with its load and boost supply, in one of a few phases. Start-up is input off,
//! boost on and verified, input on at open circuit, then down to the crest. Every way out is input
//! off, then boost off: a PV device is a current source, and open circuit is its safe state.

use super::config::ChannelConfig;
use super::guard::{Breach, Guard, Setpoint};
use super::ledger::{Ledger, Look};
use super::record::{Activity, Event, Happening, Limit, Record};
use super::surroundings::Surroundings;
use super::wiring::SeriesPath;
use crate::quantities::{Amps, Celsius, Irradiance, Volts};
use crate::time::{Instant, Stamp};
use crate::trackers::{AnyTracker, Observation, Start, Tracker, Wish};
use arrayvec::ArrayVec;
use std::time::Duration;

/// The most commands one turn (a `Wake` or `Stop` and what follows from it) can ask for: measure,
/// boost on, measure, open setpoint, input on, first setpoint, and on a breach input off, boost off.
pub const MAX_COMMANDS_PER_TURN: usize = 8;

/// How long a boost supply may take to rise before its voltage is judged: supplies of this size
/// need some tenths of a second (common practice, no source).
const BOOST_RISE: Duration = Duration::from_secs(1);

/// Records of one input: at most a sample, a minute, a day and a few events.
pub type Outbox = ArrayVec<Record, 12>;

/// What the channel asks the bench to do.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Command {
    /// Open the links, prove them in step, identify the instruments, input off, boost off,
    /// constant-voltage mode, protections set and verified.
    Prepare,
    /// Measure load volts and amps (and boost volts, where possible) over one window.
    Measure,
    /// Set the load's voltage.
    SetVoltage(Setpoint),
    /// Close the load's input.
    InputOn,
    /// Open the load's input.
    InputOff,
    /// Switch the boost supply on.
    BoostOn,
    /// Switch the boost supply off.
    BoostOff,
}

/// One measurement.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Reading {
    /// The middle of the measurement window.
    pub at: Instant,
    /// Volts at the load's terminals.
    pub load: Volts,
    /// Amps through the loop.
    pub amps: Amps,
    /// Boost supply volts, where they are measured.
    pub boost: Option<Volts>,
}

/// What the load was doing when it was asked, before [`Command::Prepare`] made it safe.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Found {
    /// Whether its input was on; none where it could not be asked.
    pub input_on: Option<bool>,
    /// Volts at its terminals (V), where they were measured.
    pub load: Option<Volts>,
    /// Amps through the loop (A), where they were measured.
    pub amps: Option<Amps>,
}

/// What happened.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Input {
    /// The time of [`Channel::next_wake`] has come.
    Wake,
    /// The command was carried out and verified. For [`Command::Prepare`] this says that nobody knows
    /// what the load was doing before.
    Done,
    /// [`Command::Prepare`] was carried out and verified; the load was found like this.
    Prepared(Found),
    /// The answer to [`Command::Measure`].
    Reading(Reading),
    /// The command failed: no answer, a wrong one, a wrong instrument.
    Failed,
    /// The run ends: let go and close the books.
    Stop,
}

#[derive(Clone, Copy, Debug, PartialEq)]
enum Phase {
    /// Waiting to prepare (again).
    Away,
    /// Prepare is under way.
    Preparing,
    /// Input off, looking up now and then.
    Idle(Idle),
    /// On the way from open circuit to the crest.
    Starting(Step),
    /// At the crest.
    Tracking,
    /// On the way to input off and boost off.
    Releasing(Step, Idle),
    /// Nothing more to do.
    Stopped,
}

/// Why the input is off.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Idle {
    /// Too dark; awake again at the earliest then.
    Dark(Instant),
    /// Let go; next try then.
    Resting(Instant),
    /// Let go too often.
    LockedOff,
    /// Told to stop.
    Stopping,
}

#[derive(Clone, Copy, Debug, PartialEq)]
enum Step {
    BoostOn,
    CheckBoost,
    OpenSetpoint,
    InputOn,
    FirstSetpoint,
    InputOff,
    BoostOff,
}

/// One device with its load and boost supply.
///
/// # Calling contract
///
/// 1. Call [`handle`](Self::handle) with [`Input::Wake`] at or soon after
///    [`next_wake`](Self::next_wake), never before; monotonic time may not go back.
/// 2. While it answers with a [`Command`], carry that out and report its outcome at once:
///    [`Input::Reading`] for a measurement, [`Input::Prepared`] for [`Command::Prepare`] (or
///    [`Input::Done`] where nothing is known), [`Input::Done`] for the others, [`Input::Failed`] when
///    it could not be done. A turn asks for at most [`MAX_COMMANDS_PER_TURN`].
/// 3. Take the records out of the outbox after each call; it is bounded.
/// 4. [`Input::Stop`] may come between turns; after its commands the channel is
///    [`Activity::Stopped`] and asks for nothing more.
#[derive(Clone, Debug)]
pub struct Channel {
    config: ChannelConfig,
    guard: Guard,
    tracker: AnyTracker,
    ledger: Ledger,
    phase: Phase,
    wake: Instant,
    surroundings: Surroundings,
    boost: Option<Volts>,
    open_circuit: Volts,
    amps: Amps,
    setpoint: Option<Setpoint>,
    dark_since: Option<Instant>,
    awake: bool,
    away_since: Option<Instant>,
    failures: u32,
    let_go: u32,
    wishes_held: u32,
    unconfirmed: bool,
}

impl Channel {
    /// A channel that has not connected yet; it wants to wake at once.
    #[must_use]
    pub fn new(config: ChannelConfig) -> Self {
        Self {
            guard: Guard::new(config.envelope.clone()),
            tracker: config.tracker.build(),
            ledger: Ledger::new(&config),
            phase: Phase::Away,
            wake: Instant::ZERO,
            surroundings: Surroundings::default(),
            boost: None,
            open_circuit: Volts::ZERO,
            amps: Amps::ZERO,
            setpoint: None,
            dark_since: None,
            awake: false,
            away_since: None,
            failures: 0,
            let_go: 0,
            wishes_held: 0,
            unconfirmed: false,
            config,
        }
    }

    /// When to wake it next.
    #[must_use]
    pub fn next_wake(&self) -> Instant {
        self.wake
    }

    /// What it is doing, in plain words.
    #[must_use]
    pub fn activity(&self) -> Activity {
        match self.phase {
            Phase::Away | Phase::Preparing => Activity::Connecting,
            Phase::Starting(_) => Activity::Starting,
            Phase::Tracking => Activity::Tracking,
            Phase::Idle(idle) | Phase::Releasing(_, idle) => match idle {
                Idle::Dark(_) => Activity::Asleep,
                Idle::Resting(_) => Activity::Resting,
                Idle::LockedOff => Activity::LockedOff,
                Idle::Stopping => Activity::Stopped,
            },
            Phase::Stopped => Activity::Stopped,
        }
    }

    /// The settings it runs with.
    #[must_use]
    pub fn config(&self) -> &ChannelConfig {
        &self.config
    }

    /// Tells it what the station's sensors say.
    pub fn note_surroundings(&mut self, surroundings: Surroundings) {
        self.surroundings = surroundings;
    }

    /// Takes an input; answers with the next command, if any. See the calling contract.
    pub fn handle(&mut self, now: Stamp, input: Input, out: &mut Outbox) -> Option<Command> {
        match (input, self.phase) {
            (_, Phase::Stopped) => None,
            (Input::Stop, Phase::Releasing(_, Idle::Stopping)) => None,
            (Input::Stop, _) => Some(self.release(Idle::Stopping)),
            (Input::Wake, _) if now.mono < self.wake => None,
            (Input::Wake, phase) => self.wake_up(now, phase, out),
            (Input::Done, phase) => self.done(now, phase, out),
            (Input::Prepared(found), Phase::Preparing) => {
                let command = self.done(now, Phase::Preparing, out);
                if found.input_on == Some(true) {
                    let Found { load, amps, .. } = found;
                    self.tell(now, Happening::FoundOn { load, amps }, out);
                }
                command
            }
            (Input::Prepared(_), _) => None,
            (Input::Reading(reading), phase) => self.read(now, phase, &reading, out),
            (Input::Failed, phase) => self.failed(now, phase, out),
        }
    }

    fn wake_up(&mut self, now: Stamp, phase: Phase, out: &mut Outbox) -> Option<Command> {
        match phase {
            Phase::Away => {
                self.ledger.blind(now, Activity::Connecting, self.awake, out);
                self.phase = Phase::Preparing;
                Some(Command::Prepare)
            }
            Phase::Idle(_) | Phase::Tracking | Phase::Starting(Step::CheckBoost) => {
                Some(Command::Measure)
            }
            // A wake in the middle of a conversation: the shell broke the contract by waking while
            // a command was outstanding. Nothing is lost by waiting for its outcome.
            Phase::Preparing | Phase::Starting(_) | Phase::Releasing(..) | Phase::Stopped => None,
        }
    }

    fn done(&mut self, now: Stamp, phase: Phase, out: &mut Outbox) -> Option<Command> {
        match phase {
            Phase::Preparing => {
                let what = match self.away_since.take() {
                    Some(since) => Happening::LinkBack { after: now.mono.saturating_since(since) },
                    None => Happening::Connected,
                };
                self.tell(now, what, out);
                self.failures = 0;
                self.boost = None;
                self.setpoint = None;
                self.phase = Phase::Idle(Idle::Dark(now.mono));
                self.wake = now.mono;
                Some(Command::Measure)
            }
            Phase::Starting(step) => self.started(step, now, out),
            Phase::Tracking => {
                self.schedule(now.mono, self.config.period);
                None
            }
            Phase::Releasing(step, idle) => self.released(now, step, idle, out),
            Phase::Away | Phase::Idle(_) | Phase::Stopped => None,
        }
    }

    fn read(
        &mut self,
        now: Stamp,
        phase: Phase,
        reading: &Reading,
        out: &mut Outbox,
    ) -> Option<Command> {
        match phase {
            Phase::Idle(idle) => self.look(now, idle, reading, out),
            Phase::Starting(Step::CheckBoost) => self.check_boost(now, reading, out),
            Phase::Tracking => self.track(now, reading, out),
            _ => None,
        }
    }

    fn failed(&mut self, now: Stamp, phase: Phase, out: &mut Outbox) -> Option<Command> {
        if let Phase::Releasing(step, Idle::Stopping) = phase {
            self.unconfirmed = true;
            return self.released(now, step, Idle::Stopping, out);
        }
        if self.away_since.is_none() {
            self.away_since = Some(now.mono);
            self.tell(now, Happening::LinkLost, out);
        }
        self.ledger.blind(now, Activity::Connecting, self.awake, out);
        // The first new try comes at once: it begins with input off.
        let wait = match self.failures {
            0 => Duration::ZERO,
            n => self.config.retry.wait(n),
        };
        self.failures = self.failures.saturating_add(1);
        self.phase = Phase::Away;
        self.wake = now.mono + wait;
        None
    }

    /// A reading with the input off: is it light enough, and is the wait over?
    fn look(
        &mut self,
        now: Stamp,
        idle: Idle,
        reading: &Reading,
        out: &mut Outbox,
    ) -> Option<Command> {
        let path = self.path();
        let look = self.look_at(now, reading, &path);
        self.schedule(now.mono, self.config.daylight.look_every);
        if !(look.volts.is_finite() && look.amps.is_finite()) {
            self.ledger.blind(now, self.activity(), self.awake, out);
            return None;
        }
        let light = self.light(&look);
        self.awake = light || matches!(idle, Idle::Resting(_) | Idle::LockedOff);
        self.ledger.idling(now, self.activity(), (&look, self.awake), out);
        let due = match idle {
            Idle::Dark(until) | Idle::Resting(until) => now.mono >= until,
            Idle::LockedOff | Idle::Stopping => false,
        };
        if !(light && due) {
            return None;
        }
        if let Err(breach) = self.guard.judge((reading.load, reading.amps), &path, None, None) {
            return Some(self.let_go(now, breach, out));
        }
        self.open_circuit = look.volts;
        self.tell(now, Happening::Woke { open_circuit: look.volts }, out);
        if self.config.path.boost > Volts::ZERO && self.config.boost_switched {
            self.phase = Phase::Starting(Step::BoostOn);
            return Some(Command::BoostOn);
        }
        Some(self.open_setpoint())
    }

    fn light(&self, look: &Look) -> bool {
        let daylight = &self.config.daylight;
        look.volts >= daylight.wake_volts
            && look.irradiance.is_none_or(|irradiance| irradiance >= daylight.wake_irradiance)
    }

    /// A step of the start-up was carried out.
    fn started(&mut self, step: Step, now: Stamp, out: &mut Outbox) -> Option<Command> {
        match step {
            Step::BoostOn => {
                self.boost = Some(self.config.path.boost);
                self.phase = Phase::Starting(Step::CheckBoost);
                self.wake = now.mono + BOOST_RISE;
                None
            }
            Step::OpenSetpoint => {
                self.phase = Phase::Starting(Step::InputOn);
                Some(Command::InputOn)
            }
            Step::InputOn => {
                self.phase = Phase::Starting(Step::FirstSetpoint);
                self.amps = Amps::ZERO;
                let start = Start { at: now.mono, open_circuit: self.open_circuit };
                let wish = self.tracker.start(&start);
                Some(self.grant(wish))
            }
            // The first setpoint is in force; the next turn is an ordinary one.
            _ => {
                self.tell(now, Happening::TrackingBegan, out);
                self.phase = Phase::Tracking;
                self.dark_since = None;
                self.wake = now.mono + self.config.period;
                None
            }
        }
    }

    /// The boost supply must add its stated voltage to the open-circuit voltage.
    fn check_boost(&mut self, now: Stamp, reading: &Reading, out: &mut Outbox) -> Option<Command> {
        let stated = self.config.path.boost;
        let found = reading.boost.unwrap_or(reading.load - self.open_circuit);
        let path = SeriesPath { boost: found, ..self.config.path };
        let boost = Some((found, stated));
        if let Err(breach) = self.guard.judge((reading.load, reading.amps), &path, None, boost) {
            return Some(self.let_go(now, breach, out));
        }
        self.boost = Some(reading.boost.unwrap_or(stated));
        Some(self.open_setpoint())
    }

    fn open_setpoint(&mut self) -> Command {
        let setpoint = self.guard.open(&self.path());
        self.setpoint = Some(setpoint);
        self.phase = Phase::Starting(Step::OpenSetpoint);
        Command::SetVoltage(setpoint)
    }

    /// An ordinary turn at the crest.
    fn track(&mut self, now: Stamp, reading: &Reading, out: &mut Outbox) -> Option<Command> {
        if let Some(measured) = reading.boost.filter(|volts| volts.is_finite()) {
            self.boost = Some(measured);
        }
        let path = self.path();
        let look = self.look_at(now, reading, &path);
        let boost = reading.boost.map(|measured| (measured, self.config.path.boost));
        let verdict =
            self.guard.judge((reading.load, reading.amps), &path, self.setpoint.as_ref(), boost);
        let number = !matches!(verdict, Err(Breach { limit: Limit::NotANumber, .. }));
        if number {
            self.amps = look.amps;
            self.ledger.working(now, Activity::Tracking, &look, out);
        }
        if let Err(breach) = verdict {
            return Some(self.let_go(now, breach, out));
        }
        if self.dusk(now.mono, &look) {
            self.awake = false;
            self.let_go = 0;
            self.tell_held(now, out);
            self.tell(now, Happening::FellAsleep, out);
            let until = now.mono + self.config.daylight.dusk_delay;
            return Some(self.release(Idle::Dark(until)));
        }
        let seen = Observation {
            at: look.at,
            volts: look.volts,
            amps: look.amps,
            setpoint: self.setpoint.map_or(look.volts, |setpoint| setpoint.device()),
            irradiance: look.irradiance,
            module_temperature: look.module_temperature,
        };
        let wish = self.tracker.step(&seen);
        Some(self.grant(wish))
    }

    /// Turns a wish into a command, through the guard.
    fn grant(&mut self, wish: Wish) -> Command {
        let path = self.path();
        let setpoint = match wish {
            Wish::Hold(volts) => self.guard.admit(volts, self.amps, &path),
            Wish::OpenCircuit => self.guard.open(&path),
        };
        self.wishes_held += u32::from(setpoint.held());
        self.setpoint = Some(setpoint);
        Command::SetVoltage(setpoint)
    }

    /// Whether it has been too dark for long enough.
    fn dusk(&mut self, now: Instant, look: &Look) -> bool {
        let daylight = &self.config.daylight;
        let dark = match look.irradiance {
            Some(irradiance) => irradiance < daylight.sleep_irradiance,
            None => look.volts * look.amps < daylight.sleep_watts,
        };
        if !dark {
            self.dark_since = None;
            return false;
        }
        let since = *self.dark_since.get_or_insert(now);
        now.saturating_since(since) >= daylight.dusk_delay
    }

    /// A limit was passed: off, and wait longer each time.
    fn let_go(&mut self, now: Stamp, breach: Breach, out: &mut Outbox) -> Command {
        self.let_go = self.let_go.saturating_add(1);
        let rest = self.config.retry.wait(self.let_go);
        let Breach { limit, value, bound } = breach;
        self.tell_held(now, out);
        self.tell(now, Happening::LetGo { limit, value, bound, rest }, out);
        if self.let_go >= self.config.retry.times {
            self.tell(now, Happening::LockedOff { times: self.let_go }, out);
            return self.release(Idle::LockedOff);
        }
        self.release(Idle::Resting(now.mono + rest))
    }

    fn release(&mut self, then: Idle) -> Command {
        self.phase = Phase::Releasing(Step::InputOff, then);
        Command::InputOff
    }

    /// A step of letting go was carried out (or, when stopping, could not be).
    fn released(
        &mut self,
        now: Stamp,
        step: Step,
        then: Idle,
        out: &mut Outbox,
    ) -> Option<Command> {
        if step == Step::InputOff && self.config.boost_switched {
            self.phase = Phase::Releasing(Step::BoostOff, then);
            return Some(Command::BoostOff);
        }
        self.boost = None;
        self.setpoint = None;
        if then == Idle::Stopping {
            self.phase = Phase::Stopped;
            self.ledger.close(now, Activity::Stopped, out);
            self.tell_held(now, out);
            let what =
                if self.unconfirmed { Happening::StopUnconfirmed } else { Happening::Stopped };
            self.tell(now, what, out);
            return None;
        }
        self.phase = Phase::Idle(then);
        self.wake = now.mono + self.config.daylight.look_every;
        None
    }

    /// The series path as it is now.
    fn path(&self) -> SeriesPath {
        let always_on = !self.config.boost_switched;
        let stated = if always_on { self.config.path.boost } else { Volts::ZERO };
        SeriesPath { boost: self.boost.unwrap_or(stated), lead: self.config.path.lead }
    }

    fn look_at(&self, now: Stamp, reading: &Reading, path: &SeriesPath) -> Look {
        let age = self.config.max_sensor_age;
        let surroundings = &self.surroundings;
        let irradiance = surroundings.irradiance.and_then(|seen| seen.fresh(now.mono, age));
        let temperature =
            surroundings.module_temperature.and_then(|seen| seen.fresh(now.mono, age));
        Look {
            at: reading.at,
            volts: path.device_volts(reading.load, reading.amps),
            amps: reading.amps,
            setpoint: self.setpoint.map(|setpoint| setpoint.device()),
            irradiance: irradiance.filter(|value: &Irradiance| value.is_finite()),
            module_temperature: temperature.filter(|value: &Celsius| value.is_finite()),
        }
    }

    /// The next turn lies one period after the last was due; turns that were missed are skipped.
    fn schedule(&mut self, now: Instant, period: Duration) {
        self.wake += period;
        if self.wake <= now {
            let late = now.saturating_since(self.wake).as_nanos();
            let skipped = late / period.as_nanos().max(1) + 1;
            self.wake += period.saturating_mul(u32::try_from(skipped).unwrap_or(u32::MAX));
        }
    }

    fn tell_held(&mut self, now: Stamp, out: &mut Outbox) {
        if self.wishes_held > 0 {
            let times = std::mem::take(&mut self.wishes_held);
            self.tell(now, Happening::WishHeld { times }, out);
        }
    }

    fn tell(&self, at: Stamp, what: Happening, out: &mut Outbox) {
        out.push(Record::Event(Event { channel: Some(self.config.id), at, what }));
    }
}
