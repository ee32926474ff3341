//! From a safe bench to the crest: looking up, boost on and verified, input on at open circuit.

use super::daylight::NIGHT;
use super::{Channel, Idle, Phase, Step};
use crate::control::conversation::{Command, Found, Outbox, Reading};
use crate::control::guard::{Breach, Evidence};
use crate::control::ledger::{Look, Stay};
use crate::control::record::{Activity, Happening, Limit};
use crate::control::wiring::SeriesPath;
use crate::quantities::{Amps, Volts};
use crate::time::{Instant, Stamp};
use crate::trackers::{Start, Tracker};
use std::time::Duration;

/// How soon a channel looks again that only waits for a sensor (s): sensors answer within a second
/// or so of the start, and a restart in daylight shall not wait longer than it must.
const SENSOR_WAIT: Duration = Duration::from_secs(1);

/// Why the channel does not begin though it is light.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct HeldOff {
    limit: Limit,
    since: Instant,
    told: bool,
}

impl Channel {
    /// The instruments are identified and safe.
    pub(super) fn prepared(
        &mut self,
        now: Stamp,
        found: &Found,
        out: &mut Outbox,
    ) -> Option<Command> {
        // A load keeps its setpoint while the link is away: until now nobody knows what it did.
        self.ledger.blind(now, Activity::Connecting, self.awake, out);
        let what = match self.away_since.take() {
            Some(since) => Happening::LinkBack { after: now.mono.saturating_since(since) },
            None => Happening::Connected,
        };
        self.tell(now, what, out);
        if found.input_on == Some(true) {
            let Found { load, amps, .. } = *found;
            self.tell(now, Happening::FoundOn { load, amps }, out);
        }
        self.boost = None;
        self.setpoint = None;
        self.phase = Phase::Idle(self.after_outage.take().unwrap_or(Idle::Dark(now.mono)));
        self.wake = now.mono;
        Some(Command::Measure)
    }

    /// A reading with the input off: is it light enough, is the wait over, does no limit forbid?
    pub(super) fn look(
        &mut self,
        now: Stamp,
        idle: Idle,
        reading: &Reading,
        out: &mut Outbox,
    ) -> Option<Command> {
        let path = self.path();
        let fresh = self.fresh(now);
        let look = self.look_at(reading, &path, &fresh);
        self.schedule(now.mono, self.config.daylight.look_every);
        if !(look.volts.is_finite() && look.amps.is_finite()) {
            self.ledger.blind(now, self.activity(), self.awake, out);
            return None;
        }
        self.check_zeros(now, &look, &fresh, out);
        let light = self.light(&look, &fresh);
        let waits = matches!(idle, Idle::Resting(until) if now.mono < until);
        self.awake = light || waits;
        self.ledger.idling(now, self.activity(), (&look, self.awake), out);
        let anew = self.config.retry.anew_each_day;
        let lets_dark_end_it = match idle {
            Idle::Resting(_) => true,
            // A cap on the device is no night.
            Idle::LockedOff => anew && fresh.sun.is_none_or(|sun| sun < NIGHT),
            Idle::Dark(_) | Idle::Stopping => false,
        };
        if matches!(idle, Idle::LockedOff) && anew && now.mono >= self.forgiven {
            self.let_go = 0;
            self.phase = Phase::Idle(Idle::Dark(now.mono));
        } else if lets_dark_end_it && self.dark_for_long(now.mono, !light) {
            self.let_go = 0;
            self.tell(now, Happening::FellAsleep, out);
            self.phase = Phase::Idle(Idle::Dark(now.mono));
        }
        let due = match idle {
            Idle::Dark(until) => now.mono >= until && self.sleep.is_over(now.mono, look.volts),
            Idle::Resting(until) => now.mono >= until,
            Idle::LockedOff | Idle::Stopping => false,
        };
        if !(light && due) {
            self.failures = 0;
            self.held_off = self.held_off.filter(|_| light);
            return None;
        }
        let evidence =
            Evidence { load: reading.load, amps: reading.amps, path, setpoint: None, boost: None };
        if let Err(breach) = self.guard.judge(&evidence) {
            return Some(self.let_go(now, breach, out));
        }
        if let Err(breach) = self.guard.judge_surroundings(now.mono, &fresh, None) {
            self.hold_off(now, breach, out);
            return None;
        }
        self.begin(now, &look, out)
    }

    fn begin(&mut self, now: Stamp, look: &Look, out: &mut Outbox) -> Option<Command> {
        self.held_off = None;
        self.open_circuit = look.volts;
        self.sleep.wakes(now.mono, look.volts);
        self.tell(now, Happening::Woke { open_circuit: look.volts }, out);
        if self.config.path.boost > Volts::ZERO && self.config.boost_switched {
            self.phase = Phase::Starting(Step::BoostOn);
            return Some(Command::BoostOn);
        }
        Some(self.open_setpoint())
    }

    /// Light enough, but a limit that sensors check forbids to begin, or can't be checked. Nothing
    /// was on, so nothing is counted; it is told once per cause, a silent sensor only after the
    /// grace that it has elsewhere.
    fn hold_off(&mut self, now: Stamp, breach: Breach, out: &mut Outbox) {
        let Breach { limit, value, bound } = breach;
        self.failures = 0;
        self.phase = Phase::Idle(Idle::Resting(now.mono));
        let mut held = self.held_off.filter(|held| held.limit == limit).unwrap_or(HeldOff {
            limit,
            since: now.mono,
            told: false,
        });
        let silent = matches!(limit, Limit::Silent(_));
        if silent {
            self.wake = now.mono + SENSOR_WAIT.min(self.config.daylight.look_every);
        }
        let grace = self.guard.envelope().sensed.blind_grace;
        let patient = silent && now.mono.saturating_since(held.since) < grace;
        if !held.told && !patient {
            held.told = true;
            self.tell(now, Happening::HeldOff { limit, value, bound }, out);
        }
        self.held_off = Some(held);
    }

    /// A step of the start-up was carried out.
    pub(super) fn started(&mut self, step: Step, now: Stamp, out: &mut Outbox) -> Option<Command> {
        match step {
            Step::BoostOn => {
                self.boost = Some(self.config.path.boost);
                self.phase = Phase::Starting(Step::CheckBoost);
                self.wake = now.mono + self.guard.envelope().tolerances.boost_rise;
                None
            }
            Step::OpenSetpoint => {
                self.phase = Phase::Starting(Step::InputOn);
                Some(Command::InputOn)
            }
            Step::InputOn => {
                self.ledger.off_until(now, self.activity(), out);
                self.phase = Phase::Starting(Step::FirstSetpoint);
                self.amps = Amps::ZERO;
                let open_circuit = self.open_circuit;
                let start = Start { at: now.mono, open_circuit, crest: None };
                let wish = self.tracker.start(&start);
                self.tell_trouble(now, out);
                Some(self.grant(wish))
            }
            // The first setpoint is in force; the next turn is an ordinary one.
            Step::FirstSetpoint => {
                self.tell(now, Happening::TrackingBegan, out);
                self.phase = Phase::Tracking(Stay::Period);
                self.dark_since = None;
                self.sweep_due = self.config.sweep.every.map(|every| now.mono + every);
                self.wake = now.mono + self.config.period;
                None
            }
            // A measurement is answered by a reading; the others belong to letting go.
            Step::CheckBoost | Step::InputOff | Step::BoostOff => None,
        }
    }

    /// The boost supply must add its stated voltage to the open-circuit voltage.
    pub(super) fn check_boost(
        &mut self,
        now: Stamp,
        reading: &Reading,
        out: &mut Outbox,
    ) -> Option<Command> {
        let stated = self.config.path.boost;
        let found = reading.boost.unwrap_or(reading.load - self.open_circuit);
        let evidence = Evidence {
            load: reading.load,
            amps: reading.amps,
            path: SeriesPath { boost: found, ..self.config.path },
            setpoint: None,
            boost: Some((found, stated)),
        };
        if let Err(breach) = self.guard.judge(&evidence) {
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
}
