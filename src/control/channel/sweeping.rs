//! I-V curves: from the crest to open circuit, along the curve, and back to the crest it shows.
//!
//! Model: a sweep is a phase of its own, entered from tracking only. Every setpoint passes the guard,
//! every reading is judged and its energy counted as at the crest. Whatever ends a sweep before its
//! last point also tells the curve as broken off. A whole one is told with the first reading back at
//! the crest, which tells what it has cost.

use super::{Channel, Phase};
use crate::control::conversation::{Command, Outbox, Reading};
use crate::control::energy::Increment;
use crate::control::ledger::Look;
use crate::control::record::{Activity, Curve, CurveEnd, CurvePoint, Record};
use crate::control::steadiness::Steady;
use crate::control::sweep::Sweep;
use crate::quantities::{Volts, WattHours, Watts};
use crate::time::{Instant, Stamp};
use crate::trackers::{Start, Tracker};
use std::time::Duration;

/// A curve being taken, or just taken.
#[derive(Clone, Copy, Debug)]
pub(super) struct UnderWay {
    sweep: Sweep,
    began: Stamp,
    points: u16,
    /// When its last point was taken; it is on its way back to the crest then.
    over: Option<Stamp>,
    /// Power at the crest before it.
    before: Watts,
    /// Energy delivered since, and the time that is covered by it.
    energy: WattHours,
    covered: Duration,
}

impl UnderWay {
    /// Energy missed since the last reading before it.
    fn missed(&self, after: Option<Watts>) -> WattHours {
        const SECONDS_PER_HOUR: f64 = 3600.0;
        let crest = after.map_or(self.before, |after| (self.before + after) * 0.5);
        WattHours(crest.0 * self.covered.as_secs_f64() / SECONDS_PER_HOUR) - self.energy
    }
}

impl Channel {
    /// Asks for an I-V curve: it begins with the next turn in which the channel tracks, be that
    /// tomorrow, and waits for no condition.
    pub fn request_sweep(&mut self) {
        self.sweep_asked = true;
    }

    pub(super) fn sweep_wanted(&self, now: Instant) -> bool {
        let due = || self.sweep_due.is_some_and(|due| now >= due);
        self.sweep_asked || due() && self.suits_a_sweep(now)
    }

    /// Whether the conditions of a scheduled sweep hold; one that can't be checked does not.
    fn suits_a_sweep(&self, now: Instant) -> bool {
        let conditions = &self.config.sweep.conditions;
        let fresh = self.surroundings.fresh(now, self.config.max_sensor_age);
        let bright = |least| fresh.irradiance.is_some_and(|irradiance| irradiance >= least);
        let high = |least| fresh.sun.is_some_and(|sun| sun >= least);
        let steady = |steady: Steady| {
            fresh.irradiance.is_some() && self.steadiness.is_steady(now, steady.change)
        };
        conditions.irradiance_min.is_none_or(bright)
            && conditions.sun_min.is_none_or(high)
            && conditions.steady.is_none_or(steady)
    }

    /// Up to open circuit, whose reading is the first point; `before` is the power at the crest.
    pub(super) fn begin_sweep(&mut self, now: Stamp, before: Watts) -> Command {
        self.sweep_asked = false;
        self.sweep_due = self.config.sweep.every.map(|every| now.mono + every);
        self.curves = self.curves.saturating_add(1);
        let allowance = self.guard.envelope().reverse_allowance;
        let held = self.setpoint.map(|setpoint| setpoint.device());
        self.sweep = Some(UnderWay {
            sweep: Sweep::new(&self.config.sweep, allowance, held),
            began: now,
            points: 0,
            over: None,
            before,
            energy: WattHours::ZERO,
            covered: Duration::ZERO,
        });
        self.phase = Phase::Sweeping;
        let setpoint = self.guard.open(&self.path());
        self.setpoint = Some(setpoint);
        Command::SetVoltage(setpoint)
    }

    /// What a reading adds to the books since a sweep began.
    pub(super) fn count_sweep(&mut self, add: &Increment) {
        if let Some(under_way) = &mut self.sweep {
            under_way.energy += add.energy;
            under_way.covered += add.covered;
        }
    }

    /// The reading of one point.
    pub(super) fn sweep(
        &mut self,
        now: Stamp,
        reading: &Reading,
        out: &mut Outbox,
    ) -> Option<Command> {
        let look = match self.take(now, reading, Activity::Sweeping, out) {
            Ok(look) => look,
            Err(breach) => return Some(self.let_go(now, breach, out)),
        };
        let setpoint = look.setpoint.unwrap_or(look.volts);
        if self.sweep.as_mut()?.sweep.is_settling() {
            self.schedule(now.mono, self.config.sweep.dwell);
            return None;
        }
        self.tell_point(now, &look, setpoint, out);
        // Little power is no darkness here: the ends of every curve have none.
        let sleep = self.config.daylight.sleep_irradiance;
        if let Some(irradiance) = look.irradiance
            && self.dark_for_long(now.mono, irradiance < sleep)
        {
            return Some(self.fall_asleep(now, out));
        }
        let under_way = self.sweep.as_mut()?;
        if let Some(wish) = under_way.sweep.next(look.volts, look.volts * look.amps, setpoint) {
            let setpoint = self.guard.admit(wish, self.amps, &self.path());
            self.setpoint = Some(setpoint);
            return Some(Command::SetVoltage(setpoint));
        }
        under_way.over = Some(now);
        let sweep = under_way.sweep;
        self.open_circuit = sweep.open_circuit();
        self.phase = Phase::Tracking;
        let open_circuit = self.open_circuit;
        let wish = self.tracker.start(&Start { at: now.mono, open_circuit, crest: sweep.crest() });
        self.tell_trouble(now, out);
        Some(self.grant(wish))
    }

    fn tell_point(&mut self, now: Stamp, look: &Look, setpoint: Volts, out: &mut Outbox) {
        let Some(under_way) = &mut self.sweep else {
            return;
        };
        let index = under_way.points;
        under_way.points = index.saturating_add(1);
        let utc = now.utc - now.mono.saturating_since(look.at);
        out.push(Record::CurvePoint(CurvePoint {
            channel: self.config.id,
            curve: self.curves,
            index,
            at: Stamp { mono: look.at, utc },
            volts: look.volts,
            amps: look.amps,
            setpoint,
            irradiance: look.irradiance,
            module_temperature: look.module_temperature,
        }));
    }

    /// Something ends whatever was going on: a curve under way is broken off by it.
    pub(super) fn break_sweep_off(&mut self, now: Stamp, end: CurveEnd, out: &mut Outbox) {
        let over = self.sweep.is_some_and(|under_way| under_way.over.is_some());
        self.tell_curve(now, if over { CurveEnd::Whole } else { end }, None, out);
    }

    /// Tells the curve under way, if any; `after` is the power back at the crest.
    pub(super) fn tell_curve(
        &mut self,
        now: Stamp,
        end: CurveEnd,
        after: Option<Watts>,
        out: &mut Outbox,
    ) {
        let Some(under_way) = self.sweep.take() else {
            return;
        };
        let missed = under_way.missed(after);
        self.ledger.missed_by_sweep(missed);
        out.push(Record::Curve(Curve {
            channel: self.config.id,
            curve: self.curves,
            began: under_way.began,
            at: under_way.over.unwrap_or(now),
            points: under_way.points,
            direction: self.config.sweep.direction,
            end,
            missed,
        }));
    }
}
