//! I-V curves: from the crest to open circuit, along the curve, and back to the crest it shows.
//!
//! Model: a sweep is a phase of its own, entered from tracking only. Every setpoint passes the guard,
//! every reading is judged and its energy counted as at the crest. Whatever ends a sweep before its
//! last point also tells the curve as broken off.

use super::{Channel, Phase};
use crate::control::conversation::{Command, Outbox, Reading};
use crate::control::ledger::Look;
use crate::control::record::{Activity, Curve, CurveEnd, CurvePoint, Record};
use crate::control::sweep::Sweep;
use crate::quantities::Volts;
use crate::time::{Instant, Stamp};
use crate::trackers::{Start, Tracker};

/// A curve being taken.
#[derive(Clone, Copy, Debug)]
pub(super) struct UnderWay {
    sweep: Sweep,
    began: Stamp,
    points: u16,
}

impl Channel {
    /// Asks for an I-V curve: it begins with the next turn in which the channel tracks, be that
    /// tomorrow.
    pub fn request_sweep(&mut self) {
        self.sweep_asked = true;
    }

    pub(super) fn sweep_wanted(&self, now: Instant) -> bool {
        self.sweep_asked || self.sweep_due.is_some_and(|due| now >= due)
    }

    /// Up to open circuit, whose reading is the first point.
    pub(super) fn begin_sweep(&mut self, now: Stamp) -> Command {
        self.sweep_asked = false;
        self.sweep_due = self.config.sweep.every.map(|every| now.mono + every);
        self.curves = self.curves.saturating_add(1);
        let bottom = -self.guard.envelope().reverse_allowance;
        let sweep = Sweep::new(&self.config.sweep, bottom);
        self.sweep = Some(UnderWay { sweep, began: now, points: 0 });
        self.phase = Phase::Sweeping;
        let setpoint = self.guard.open(&self.path());
        self.setpoint = Some(setpoint);
        Command::SetVoltage(setpoint)
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
        let sweep = under_way.sweep;
        self.end_sweep(now, CurveEnd::Whole, out);
        self.open_circuit = sweep.open_circuit();
        self.phase = Phase::Tracking;
        let open_circuit = self.open_circuit;
        let wish = self.tracker.start(&Start { at: now.mono, open_circuit, crest: sweep.crest() });
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

    /// Tells the curve under way, if any, as ended.
    pub(super) fn end_sweep(&mut self, now: Stamp, end: CurveEnd, out: &mut Outbox) {
        let Some(UnderWay { began, points, .. }) = self.sweep.take() else {
            return;
        };
        out.push(Record::Curve(Curve {
            channel: self.config.id,
            curve: self.curves,
            began,
            at: now,
            points,
            direction: self.config.sweep.direction,
            end,
        }));
    }
}
