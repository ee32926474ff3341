//! A channel's state machine, from dawn to dusk.
//!
//! Model: one device with its load and boost supply, in one of a few phases. Start-up is input off,
//! boost on and verified, input on at open circuit, then down to the crest. Every way out is input
//! off, then boost off: a PV device is a current source, and open circuit is its safe state.
//!
//! A turn at the crest lasts a period, a glance only as long as the load needs to settle and to measure. It
//! is judged as any turn, and the next one that is held lies one period after the last glance.

mod daylight;
mod start;
mod sweeping;
mod zeros;

use super::config::ChannelConfig;
use super::conversation::{Command, Found, Input, Outbox, Reading};
use super::guard::{Breach, Evidence, Guard, Setpoint};
use super::ledger::{Ledger, Look, Stay};
use super::record::{Activity, CurveEnd, Event, Happening, Limit, Record};
use super::steadiness::Steadiness;
use super::surroundings::{Fresh, Surroundings};
use super::wiring::SeriesPath;
use crate::quantities::{Amps, Volts};
use crate::time::{Instant, Stamp};
use crate::trackers::{AnyTracker, Observation, Tracker, Wish};
use daylight::{Sleep, Tired};
use start::HeldOff;
use std::time::Duration;
use sweeping::UnderWay;
use zeros::Zeros;

/// Where the sun doesn't set, so long (s) without passing a limit is as good as a night.
const NO_NIGHT: Duration = Duration::from_secs(86_400);

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
    /// At the crest, or at a glance from there.
    Tracking(Stay),
    /// Taking an I-V curve.
    Sweeping,
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
///    [`Input::Done`] where nothing is known), [`Input::Listed`] for each point of
///    [`Command::RunList`] in turn, at the time it was over, until the channel answers, or all were
///    told, and [`Input::Done`] behind them; [`Input::Done`] for the others, [`Input::Failed`] when it
///    could not be done. A turn asks for at most
///    [`MAX_COMMANDS_PER_TURN`](super::MAX_COMMANDS_PER_TURN).
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
    sleep: Sleep,
    zeros: Zeros,
    awake: bool,
    away_since: Option<Instant>,
    failures: u32,
    let_go: u32,
    /// When the last of these no longer counts.
    forgiven: Instant,
    wishes_held: u32,
    unconfirmed: bool,
    /// Whether the present step of stopping has failed once.
    tried_off: bool,
    /// Why the input was off when the link was lost: rests and locks outlive an outage.
    after_outage: Option<Idle>,
    held_off: Option<HeldOff>,
    sweep: Option<UnderWay>,
    curves: u32,
    sweep_due: Option<Instant>,
    sweep_asked: bool,
    steadiness: Steadiness,
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
            sleep: Sleep::default(),
            zeros: Zeros::default(),
            awake: false,
            away_since: None,
            failures: 0,
            let_go: 0,
            forgiven: Instant::ZERO,
            wishes_held: 0,
            unconfirmed: false,
            tried_off: false,
            after_outage: None,
            held_off: None,
            sweep: None,
            curves: 0,
            sweep_due: None,
            sweep_asked: false,
            steadiness: Steadiness::new(
                config.sweep.conditions.steady.map_or(Duration::ZERO, |steady| steady.over),
            ),
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
            Phase::Tracking(_) => Activity::Tracking,
            Phase::Sweeping => Activity::Sweeping,
            Phase::Idle(idle) | Phase::Releasing(_, idle) => match idle {
                Idle::Dark(_) => Activity::Asleep,
                Idle::Resting(_) => Activity::Resting,
                Idle::LockedOff => Activity::LockedOff,
                Idle::Stopping => Activity::Stopped,
            },
            Phase::Stopped => Activity::Stopped,
        }
    }

    /// The period that its turns keep now; none while it isn't at the crest. Glances and the points of
    /// a curve follow one another and keep no time.
    #[must_use]
    pub fn pace(&self) -> Option<Duration> {
        match self.phase {
            Phase::Tracking(Stay::Period | Stay::Back) => Some(self.config.period),
            _ => None,
        }
    }

    /// Whether the setpoint in force is a glance's.
    #[must_use]
    pub fn glances(&self) -> bool {
        self.stay() == Stay::Glance
    }

    fn stay(&self) -> Stay {
        match self.phase {
            Phase::Tracking(stay) => stay,
            _ => Stay::Period,
        }
    }

    /// How many wishes the guard has held at its limits since that was last told.
    #[must_use]
    pub fn wishes_held(&self) -> u32 {
        self.wishes_held
    }

    /// The settings it runs with.
    #[must_use]
    pub fn config(&self) -> &ChannelConfig {
        &self.config
    }

    /// Tells it what the station's sensors say.
    pub fn note_surroundings(&mut self, surroundings: Surroundings) {
        if let Some(seen) = surroundings.irradiance {
            self.steadiness.note(seen.at, seen.value);
        }
        self.surroundings = surroundings;
    }

    /// Takes an input; answers with the next command, if any. See the calling contract.
    pub fn handle(&mut self, now: Stamp, input: Input, out: &mut Outbox) -> Option<Command> {
        match (input, self.phase) {
            (_, Phase::Stopped) => None,
            (Input::Stop, Phase::Releasing(_, Idle::Stopping)) => None,
            (Input::Stop, phase) => {
                if let Phase::Idle(_) = phase
                    && self.awake
                {
                    self.ledger.resting(now, Activity::Stopped, out);
                }
                self.break_sweep_off(now, CurveEnd::Stopped, out);
                Some(self.release(Idle::Stopping))
            }
            (Input::Wake, _) if now.mono < self.wake => None,
            (Input::Wake, phase) => self.wake_up(now, phase, out),
            (Input::Prepared(found), Phase::Preparing) => self.prepared(now, &found, out),
            (Input::Prepared(_), _) => None,
            (Input::Done, phase) => self.done(now, phase, out),
            (Input::Reading(reading), phase) => self.read(now, phase, &reading, out),
            (Input::Listed(reading), Phase::Sweeping) => self.listed(now, reading, out),
            (Input::Listed(_), _) => None,
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
            Phase::Idle(_)
            | Phase::Tracking(_)
            | Phase::Sweeping
            | Phase::Starting(Step::CheckBoost) => Some(Command::Measure),
            // A wake in the middle of a conversation: the shell broke the contract by waking while
            // a command was outstanding. Nothing is lost by waiting for its outcome.
            Phase::Preparing | Phase::Starting(_) | Phase::Releasing(..) | Phase::Stopped => None,
        }
    }

    fn done(&mut self, now: Stamp, phase: Phase, out: &mut Outbox) -> Option<Command> {
        match phase {
            Phase::Preparing => self.prepared(now, &Found::default(), out),
            Phase::Starting(step) => self.started(step, now, out),
            // It keeps no time; the next turn lies one period after it.
            Phase::Tracking(Stay::Glance) => {
                self.wake = now.mono + self.config.glance;
                None
            }
            Phase::Tracking(_) => {
                self.schedule(now.mono, self.config.period);
                None
            }
            Phase::Sweeping => self.stepped(now, out),
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
            Phase::Tracking(stay) => self.track(now, reading, stay, out),
            Phase::Sweeping => self.sweep(now, reading, out),
            _ => None,
        }
    }

    fn failed(&mut self, now: Stamp, phase: Phase, out: &mut Outbox) -> Option<Command> {
        if let Phase::Releasing(step, Idle::Stopping) = phase {
            // A reply that went astray must not leave a load on which a second try switches off.
            if !std::mem::replace(&mut self.tried_off, true) {
                let boost = step == Step::BoostOff;
                return Some(if boost { Command::BoostOff } else { Command::InputOff });
            }
            self.unconfirmed = true;
            return self.released(now, step, Idle::Stopping, out);
        }
        self.break_sweep_off(now, CurveEnd::LinkLost, out);
        match phase {
            Phase::Idle(idle) | Phase::Releasing(_, idle) => self.after_outage = Some(idle),
            Phase::Starting(_) | Phase::Tracking(_) | Phase::Sweeping => self.after_outage = None,
            Phase::Away | Phase::Preparing | Phase::Stopped => {}
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

    /// A turn at the crest, or a glance.
    fn track(
        &mut self,
        now: Stamp,
        reading: &Reading,
        stay: Stay,
        out: &mut Outbox,
    ) -> Option<Command> {
        let look = match self.take(now, reading, Activity::Tracking, out) {
            Ok(look) => look,
            Err(breach) => return Some(self.let_go(now, breach, out)),
        };
        let fresh = self.fresh(now);
        let (tired, news) = self.tired(now.mono, &look, &fresh);
        if let Some(what) = news {
            self.tell(now, what, out);
        }
        if let Some(tired) = tired {
            return Some(self.fall_asleep(now, tired, out));
        }
        // The first reading back at the crest: what the sweep before it has cost is known.
        if self.sweep.is_some() {
            self.tell_curve(now, CurveEnd::Whole, Some(look.volts * look.amps), out);
        }
        // What a sweep costs is told against the power at the crest.
        if stay != Stay::Glance && self.sweep_wanted(now.mono) {
            return Some(self.begin_sweep(now, look.volts * look.amps));
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
        self.phase = Phase::Tracking(stay.then(&wish));
        self.tell_trouble(now, out);
        Some(self.grant(wish))
    }

    /// A reading with the input on: judged, and booked unless it says nothing about the device.
    fn take(
        &mut self,
        now: Stamp,
        reading: &Reading,
        doing: Activity,
        out: &mut Outbox,
    ) -> Result<Look, Breach> {
        if let Some(measured) = reading.boost.filter(|volts| volts.is_finite()) {
            self.boost = Some(measured);
        }
        let path = self.path();
        let fresh = self.fresh(now);
        let look = self.look_at(reading, &path, &fresh);
        let evidence = Evidence {
            load: reading.load,
            amps: reading.amps,
            path,
            setpoint: self.setpoint,
            boost: reading.boost.map(|measured| (measured, self.config.path.boost)),
        };
        let verdict = match look.stay {
            Stay::Glance => self.guard.judge_glance(&evidence),
            Stay::Period | Stay::Back => self.guard.judge(&evidence),
        };
        // Without the boost supply's voltage at the reading's own moment the device's isn't known.
        if let Err(Breach { limit: Limit::NotANumber | Limit::BoostVolts, .. }) = verdict {
            return verdict.map(|()| look);
        }
        self.amps = look.amps;
        let add = self.ledger.working(now, doing, &look, out);
        self.count_sweep(&add);
        verdict?;
        let watts = reading.load * reading.amps;
        self.guard.judge_surroundings(now.mono, &fresh, Some(watts))?;
        self.failures = 0;
        Ok(look)
    }

    /// Turns a wish into a command, through the guard.
    fn grant(&mut self, wish: Wish) -> Command {
        let path = self.path();
        let setpoint = match wish {
            Wish::Hold(volts) | Wish::Glance(volts) => self.guard.admit(volts, self.amps, &path),
            Wish::OpenCircuit => self.guard.open(&path),
        };
        self.wishes_held += u32::from(setpoint.held());
        self.setpoint = Some(setpoint);
        Command::SetVoltage(setpoint)
    }

    /// Whether it has been dark for long enough to sleep.
    fn dark_for_long(&mut self, now: Instant, dark: bool) -> bool {
        if !dark {
            self.dark_since = None;
            return false;
        }
        let since = *self.dark_since.get_or_insert(now);
        now.saturating_since(since) >= self.config.daylight.dusk_delay
    }

    fn fall_asleep(&mut self, now: Stamp, why: Tired, out: &mut Outbox) -> Command {
        self.awake = false;
        self.sleep.begins(now.mono, self.config.daylight.dusk_delay);
        self.let_go = 0;
        self.break_sweep_off(now, CurveEnd::Dark, out);
        self.tell_held(now, out);
        let what = match why {
            Tired::Dark => Happening::FellAsleep,
            Tired::Barren => Happening::NoYield,
        };
        self.tell(now, what, out);
        self.release(Idle::Dark(now.mono + self.config.daylight.dusk_delay))
    }

    /// A limit was passed: off, and wait longer each time, unless it was only the weather.
    fn let_go(&mut self, now: Stamp, breach: Breach, out: &mut Outbox) -> Command {
        let Breach { limit, value, bound } = breach;
        let counts = !limit.is_weather();
        if now.mono >= self.forgiven {
            self.let_go = 0;
        }
        self.let_go = self.let_go.saturating_add(u32::from(counts));
        let rest = self.config.retry.wait(if counts { self.let_go } else { 1 });
        if counts {
            self.forgiven = now.mono + rest + NO_NIGHT;
        }
        self.break_sweep_off(now, CurveEnd::LetGo, out);
        self.tell_held(now, out);
        self.tell(now, Happening::LetGo { limit, value, bound, rest }, out);
        if counts && self.let_go >= self.config.retry.times {
            let (times, until_dawn) = (self.let_go, self.config.retry.anew_each_day);
            self.tell(now, Happening::LockedOff { times, until_dawn }, out);
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
        self.tried_off = false;
        if step == Step::InputOff && self.config.boost_switched {
            self.phase = Phase::Releasing(Step::BoostOff, then);
            return Some(Command::BoostOff);
        }
        self.boost = None;
        self.setpoint = None;
        self.dark_since = None;
        if then == Idle::Stopping {
            self.phase = Phase::Stopped;
            self.ledger.close(now, Activity::Stopped, self.awake, out);
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

    /// What the sensors say now.
    fn fresh(&self, now: Stamp) -> Fresh {
        self.surroundings.fresh(now.mono, self.config.max_sensor_age)
    }

    fn look_at(&self, reading: &Reading, path: &SeriesPath, fresh: &Fresh) -> Look {
        Look {
            at: reading.at,
            volts: path.device_volts(reading.load, reading.amps),
            amps: reading.amps,
            setpoint: self.setpoint.map(|setpoint| setpoint.device()),
            stay: self.stay(),
            irradiance: fresh.irradiance,
            module_temperature: fresh.module_temperature,
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

    /// Tells what a tracker from outside did wrong.
    fn tell_trouble(&mut self, now: Stamp, out: &mut Outbox) {
        if let Some(trouble) = self.tracker.trouble() {
            let what = match trouble.replaced_after {
                0 => Happening::TrackerFailed(trouble),
                _ => Happening::TrackerReplaced(trouble),
            };
            self.tell(now, what, out);
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
