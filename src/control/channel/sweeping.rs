//! I-V curves: from the crest to open circuit, along the curve, and back to the crest it shows.
//!
//! Model: a sweep is a phase of its own, entered from tracking only. Every setpoint passes the guard,
//! every reading is judged and its energy counted as at the crest. Whatever ends a sweep before its
//! last point also tells the curve as broken off. A whole one is told with the first reading back at
//! the crest, which tells what it has cost.
//!
//! By steps, a turn is one reading and, when the point has all of its readings, the next setpoint; the
//! turn after that begins as soon as the load has settled. By list, the points behind the one that was
//! just taken (at first open circuit, which only a reading tells) are left to the load, as many as the
//! configuration allows. The guard admits each of them before, and judges what each has brought after,
//! when the list has ended: that is the price of its speed. [`Channel::list`] makes the setpoints afresh
//! from the plan whenever it is asked, so that none has to be kept.

use super::daylight::Tired;
use super::{Channel, Phase};
use crate::control::conversation::{Command, Outbox, Reading};
use crate::control::energy::Increment;
use crate::control::guard::{Guard, Setpoint};
use crate::control::ledger::{Look, Stay};
use crate::control::record::{Activity, Curve, CurveEnd, CurvePoint, Record};
use crate::control::spread::Tally;
use crate::control::steadiness::Steady;
use crate::control::sweep::{Sweep, SweepBy};
use crate::control::wiring::SeriesPath;
use crate::quantities::{Amps, Celsius, Irradiance, Volts, WattHours, Watts};
use crate::time::{Instant, Stamp};
use crate::trackers::{Start, Tracker};
use std::time::Duration;

/// The lowest device voltage of a sweep whose short-circuit current is `short` (A): a list must be
/// admissible for any current.
fn floor(guard: &Guard, by: SweepBy, short: Amps, path: &SeriesPath) -> Volts {
    let amps = match by {
        SweepBy::Steps => short,
        SweepBy::List(_) => guard.envelope().device_amps_max,
    };
    guard.floor(amps, path)
}

/// A curve being taken, or just taken.
#[derive(Clone, Copy, Debug)]
pub(super) struct UnderWay {
    sweep: Sweep,
    began: Stamp,
    points: u16,
    /// The readings of the point under way.
    gathered: Gathered,
    /// Points that the list under way may still bring; none while it goes by steps.
    list: Option<u16>,
    /// When its last point was taken; it is on its way back to the crest then.
    over: Option<Stamp>,
    /// Power at the crest before it.
    before: Watts,
    /// Energy delivered since, and the time that is covered by it.
    energy: WattHours,
    covered: Duration,
}

/// The readings of one point.
#[derive(Clone, Copy, Debug, Default)]
struct Gathered {
    first: Instant,
    after: Tally,
    volts: Tally,
    amps: Tally,
    irradiance: Tally,
    module_temperature: Tally,
}

impl Gathered {
    fn add(&mut self, look: &Look) {
        if self.volts.count() == 0 {
            self.first = look.at;
        }
        self.after.push(look.at.saturating_since(self.first).as_secs_f64());
        self.volts.push(look.volts.0);
        self.amps.push(look.amps.0);
        if let Some(irradiance) = look.irradiance {
            self.irradiance.push(irradiance.0);
        }
        if let Some(temperature) = look.module_temperature {
            self.module_temperature.push(temperature.0);
        }
    }

    /// The mean of them; `last` is the last one.
    fn mean(&self, last: &Look) -> Look {
        let after = Duration::from_secs_f64(self.after.mean().unwrap_or_default());
        Look {
            at: self.first + after,
            volts: self.volts.mean().map_or(last.volts, Volts),
            amps: self.amps.mean().map_or(last.amps, Amps),
            setpoint: last.setpoint,
            stay: last.stay,
            irradiance: self.irradiance.mean().map(Irradiance),
            module_temperature: self.module_temperature.mean().map(Celsius),
        }
    }
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
        let held = self.setpoint.map(|setpoint| (setpoint.device(), self.amps));
        self.sweep = Some(UnderWay {
            sweep: Sweep::new(&self.config.sweep, allowance, held),
            began: now,
            points: 0,
            gathered: Gathered::default(),
            list: None,
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

    /// A reading of the point under way.
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
        let under_way = self.sweep.as_mut()?;
        if under_way.sweep.is_settling() {
            self.wake = now.mono + self.config.sweep.settle;
            return None;
        }
        under_way.gathered.add(&look);
        if under_way.gathered.volts.count() < u32::from(self.config.sweep.readings) {
            self.wake = now.mono;
            return None;
        }
        let look = std::mem::take(&mut under_way.gathered).mean(&look);
        if let Some(instead) = self.take_point(now, &look, out) {
            return Some(instead);
        }
        match (self.config.sweep.by, self.sweep.as_mut()) {
            (SweepBy::List(most), Some(under_way))
                if under_way.over.is_none() && !under_way.sweep.jumps() =>
            {
                under_way.list = Some(most.max(1));
                Some(Command::RunList)
            }
            _ => Some(self.sweep_on(now, out)),
        }
    }

    /// The setpoints of the list that [`Command::RunList`] asks for, or of what is left of it; none at
    /// any other time.
    pub fn list(&self) -> impl Iterator<Item = Setpoint> + '_ {
        let path = self.path();
        let mut plan = self.sweep.and_then(|under_way| Some((under_way.sweep, under_way.list?)));
        std::iter::from_fn(move || {
            let (sweep, left) = plan.as_mut()?;
            *left = left.checked_sub(1)?;
            let setpoint = self.guard.admit_ahead(sweep.wish()?, sweep.expected(), &path);
            sweep.pass(setpoint.device());
            Some(setpoint)
        })
    }

    /// A point that the load's list has brought.
    pub(super) fn listed(
        &mut self,
        now: Stamp,
        reading: Reading,
        out: &mut Outbox,
    ) -> Option<Command> {
        let setpoint = self.list().next()?;
        self.setpoint = Some(setpoint);
        let left = &mut self.sweep.as_mut()?.list;
        *left = left.and_then(|left| left.checked_sub(1));
        // A list is the load's own, and what a boost supply says besides would move the plan.
        let reading = Reading { boost: None, ..reading };
        match self.take(now, &reading, Activity::Sweeping, out) {
            Ok(look) => self.take_point(now, &look, out),
            Err(breach) => Some(self.let_go(now, breach, out)),
        }
    }

    /// The setpoint has taken effect, or a list is over.
    pub(super) fn stepped(&mut self, now: Stamp, out: &mut Outbox) -> Option<Command> {
        let under_way = self.sweep.as_mut()?;
        if under_way.list.take().is_none() {
            self.wake = now.mono + self.config.sweep.settle;
            return None;
        }
        Some(self.sweep_on(now, out))
    }

    /// A point is complete: it is told, and the plan goes on. What is to be done instead where it has
    /// become too dark.
    fn take_point(&mut self, now: Stamp, look: &Look, out: &mut Outbox) -> Option<Command> {
        let setpoint = look.setpoint.unwrap_or(look.volts);
        self.tell_point(now, look, setpoint, out);
        // Little power is no darkness here: the ends of every curve have none.
        let sleep = self.config.daylight.sleep_irradiance;
        if let Some(irradiance) = look.irradiance
            && self.dark_for_long(now.mono, irradiance < sleep)
        {
            return Some(self.fall_asleep(now, Tired::Dark, out));
        }
        let path = self.path();
        let (guard, by) = (&self.guard, self.config.sweep.by);
        let under_way = self.sweep.as_mut()?;
        let floor = |amps| floor(guard, by, amps, &path);
        let wish = under_way.sweep.next(look.volts, look.volts * look.amps, setpoint, floor);
        if wish.is_none() {
            under_way.over = Some(now);
        }
        None
    }

    /// On to the next point, or back to the crest.
    fn sweep_on(&mut self, now: Stamp, out: &mut Outbox) -> Command {
        let sweep = self.sweep.map(|under_way| under_way.sweep);
        if let Some(wish) = sweep.and_then(|sweep| sweep.wish()) {
            let setpoint = self.guard.admit(wish, self.amps, &self.path());
            self.setpoint = Some(setpoint);
            return Command::SetVoltage(setpoint);
        }
        self.phase = Phase::Tracking(Stay::Period);
        // The period begins anew here.
        self.wake = now.mono;
        let crest = sweep.and_then(|sweep| sweep.crest());
        let open_circuit = sweep.map_or(self.open_circuit, |sweep| sweep.open_circuit());
        self.open_circuit = open_circuit;
        let wish = self.tracker.start(&Start { at: now.mono, open_circuit, crest });
        self.tell_trouble(now, out);
        self.grant(wish)
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
