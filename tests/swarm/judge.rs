//! What must hold at every moment of a life, judged while it is lived.
//!
//! The oracle is the plant: what truly was at every measurement, and what light and warmth there
//! were between. What the daemon wants to write is compared with it before the writer has it; what
//! the log then holds is compared with what was offered (`books`).

use crate::oracle::witness::{BOOST_FIRST, Measure, Moment, Witness};
use crate::plan::{Plan, THERMOMETER};
use crate::runbook::{DayKept, RunBook};
use crate::yard::{AGE_PERIODS, GAP_PERIODS, GRACE_PERIODS, TOO_WARM, dusk_delay};
use cresthold::control::record::{Curve, Event, Happening, Record};
use cresthold::store::Status;
use cresthold::time::Instant;
use cresthold_sim::wire::fault::{Fault, Lasting, What};
use std::collections::{BTreeMap, VecDeque};
use std::rc::Rc;
use std::time::Duration;

/// One question's deadline and its alignment (s).
pub(crate) const ASKED: f64 = 1.0;
/// What a start of alignment and a try of both instruments may take (s).
const TRY: f64 = 60.0;
/// Moments remembered.
const MOST_MOMENTS: usize = 5000;
/// Problems told of one life.
const MOST_PROBLEMS: usize = 12;

/// See the module.
pub(crate) struct Judge {
    /// Whether events are printed.
    aloud: bool,
    pub(crate) plan: Rc<Plan>,
    witness: Witness,
    pub(crate) problems: Vec<String>,
    pub(crate) runs: Vec<RunBook>,
    pub(crate) events: BTreeMap<String, u64>,
    pub(crate) compared: u64,
    pub(crate) moments: VecDeque<Moment>,
    pub(crate) measures: VecDeque<Measure>,
    /// When the last sample was (s of the life).
    pub(crate) before: f64,
    warm_since: Option<f64>,
    bright_since: Option<f64>,
    locked: bool,
    /// Whether it was let go and has not begun again.
    resting: bool,
    /// How often tracking began since, and how often something was let go, or was still resting.
    pub(crate) begun: u32,
    pub(crate) let_go: u32,
    /// Energy of the minutes since the last day but one began (Wh).
    pub(crate) last_days: f64,
}

pub(crate) fn micros(mono: Instant) -> i64 {
    mono.saturating_since(Instant::ZERO).as_micros() as i64
}

pub(crate) fn seconds(mono: Instant) -> f64 {
    mono.saturating_since(Instant::ZERO).as_secs_f64()
}

impl Judge {
    pub(crate) fn new(plan: Rc<Plan>, witness: Witness) -> Self {
        let aloud = std::env::var_os("CRESTHOLD_SWARM_SEED").is_some();
        Self {
            aloud,
            plan,
            witness,
            problems: Vec::new(),
            runs: Vec::new(),
            events: BTreeMap::new(),
            compared: 0,
            moments: VecDeque::new(),
            measures: VecDeque::new(),
            before: 0.0,
            warm_since: None,
            bright_since: None,
            locked: false,
            resting: false,
            begun: 0,
            let_go: 0,
            last_days: 0.0,
        }
    }

    pub(crate) fn problem(&mut self, at: f64, what: impl std::fmt::Display) {
        if self.problems.len() < MOST_PROBLEMS {
            self.problems.push(format!("{at:.3} s: {what}"));
        }
    }

    pub(crate) fn period(&self) -> f64 {
        self.plan.period.as_secs_f64()
    }

    /// A run begins, by its wall clock at `key`.
    pub(crate) fn begin(&mut self, key: i64, began: f64, right_clock: bool) {
        self.measures.clear();
        self.before = began;
        self.runs.push(RunBook::new(key, began, right_clock));
    }

    /// A run is over; `whole` where it has said that all it had is written.
    pub(crate) fn end(&mut self, at: f64, whole: bool, status: Option<&Status>) {
        self.catch_up();
        let Some(run) = self.runs.last_mut() else { return };
        run.end(whole, status);
        // What the first setpoints of a start and the ends of a gap may add, and noise.
        let most = 1.01 * run.measured + 0.05;
        let (minutes, measured) = (run.minutes.all.iter().sum::<f64>(), run.measured);
        if minutes > most {
            self.problem(at, format_args!("{minutes:.3} Wh in the log of {measured:.3} Wh seen"));
        }
    }

    /// The writer came round.
    pub(crate) fn turned(&mut self, status: &Status) {
        self.runs.last_mut().into_iter().for_each(|run| run.turned(status));
    }

    /// What the daemon tells its writer.
    pub(crate) fn hear(&mut self, record: &Record) {
        self.catch_up();
        let Some(run) = self.runs.last_mut() else { return };
        run.offer();
        let at = |mono: Instant| run.began + seconds(mono);
        let last_days = self.plan.last_days().as_secs_f64();
        match record {
            Record::Sample(sample) => self.sample(sample),
            Record::CurvePoint(point) => self.point(point),
            Record::Minute(minute) => {
                if at(minute.at.mono) > last_days {
                    self.last_days += minute.energy.0;
                }
                run.minutes.all.push(minute.energy.0);
            }
            Record::Day(day) => {
                let totals = [day.energy.0, day.covered.as_secs_f64(), day.missing.as_secs_f64()];
                let (began, mono) = (micros(day.began), micros(day.at.mono));
                run.days.all.push(DayKept { began, mono, totals });
            }
            Record::Event(Event { what, at: stamp, .. }) => {
                if let Happening::WithoutRun { from, until } = what {
                    // Daylight before the run is a book of its own, which it began before itself.
                    let totals = [0.0, 0.0, until.saturating_since(*from).as_secs_f64()];
                    let began = from.as_micros() - stamp.offset_micros();
                    run.days.all.push(DayKept { began, mono: micros(stamp.mono), totals });
                }
                if self.aloud {
                    println!("{:12.3} {}: {what}", at(stamp.mono), what.code());
                }
                self.locked |= matches!(what, Happening::LockedOff { .. });
                let begins = *what == Happening::TrackingBegan;
                let lets_go = matches!(what, Happening::LetGo { .. });
                if at(stamp.mono) > last_days {
                    self.begun += u32::from(begins);
                    self.let_go += u32::from(lets_go || begins && self.resting);
                }
                self.resting = lets_go || self.resting && !begins;
                *self.events.entry(what.code().to_owned()).or_default() += 1;
                run.events.all.push(what.code());
            }
            Record::Curve(Curve { end, .. }) => {
                *self.events.entry(format!("curve {}", end.word())).or_default() += 1;
            }
        }
    }

    /// Takes what the witness has seen meanwhile.
    pub(crate) fn catch_up(&mut self) {
        let (moments, measures, disorder, violations) = self.witness.clone().trace(|trace| {
            (
                std::mem::take(&mut trace.moments),
                std::mem::take(&mut trace.measures),
                std::mem::take(&mut trace.disorder),
                std::mem::take(&mut trace.violations),
            )
        });
        for violation in violations {
            if !self.is_jolted(&violation) {
                self.problem(self.before, violation);
            }
        }
        for it in disorder {
            let unreachable = it.what == BOOST_FIRST && self.is_faulty(&[0], it.at);
            if !unreachable {
                self.problem(it.at, it.what);
            }
        }
        let (gap, soon) = (GAP_PERIODS * self.period(), 0.5 * self.period());
        let glances = self.plan.tracker.contains("crest-line");
        for measure in measures {
            if let Some(run) = self.runs.last_mut() {
                let watts = measure.truth.map(|it| it.watts().0);
                let watts = watts[0].max(watts[1]);
                if let Some((at, before)) = run.last_measure
                    && measure.at - at <= gap + ASKED
                {
                    // A glance tells nothing of the period behind it.
                    let mean = if run.glanced { watts } else { 0.5 * (watts + before) };
                    run.measured += mean * (measure.at - at) / 3600.0;
                }
                run.glanced =
                    glances && run.last_measure.is_some_and(|(at, _)| measure.at - at < soon);
                run.last_measure = Some((measure.at, watts));
            }
            self.measures.push_back(measure);
        }
        for moment in moments {
            self.moment(moment);
        }
        // The next sample may be told long after its readings, but not without end.
        let oldest = self.before - (AGE_PERIODS + 3.0) * self.period() - 10.0;
        while self.moments.front().is_some_and(|it| it.at < oldest)
            || self.moments.len() > MOST_MOMENTS
        {
            self.moments.pop_front();
        }
    }

    /// When a fault is over (s): while the machine stands still, so does who ends it.
    pub(crate) fn ends(&self, fault: &Fault) -> f64 {
        let length = if let Lasting::For(span) = fault.lasting { span } else { Duration::ZERO };
        let over = fault.at + length;
        let stall = self.plan.stalls.iter().find(|(from, until)| over >= *from && over <= *until);
        stall.map_or(over, |(_, until)| *until).as_secs_f64()
    }

    /// Whether a boost supply came back with a jolt: while the load settles to it, nobody can help it.
    fn is_jolted(&self, violation: &str) -> bool {
        const SETTLING: f64 = 1.1;
        let at = violation.split(' ').next().and_then(|at| at.parse::<f64>().ok());
        at.is_some_and(|at| {
            self.plan.faults.iter().filter(|fault| fault.what == What::Collapsed).any(|fault| {
                let over = self.ends(fault);
                at >= over && at <= over + SETTLING
            })
        })
    }

    /// Whether one of the places had a fault, or was still getting over it.
    fn is_faulty(&self, places: &[usize], at: f64) -> bool {
        let over = 5.0 * self.period() + TRY;
        self.plan
            .faults
            .iter()
            .filter(|fault| places.contains(&fault.place))
            .any(|fault| at >= fault.at.as_secs_f64() && at <= self.ends(fault) + over)
            || self
                .plan
                .stalls
                .iter()
                .any(|(from, until)| at >= from.as_secs_f64() && at <= until.as_secs_f64() + over)
    }

    fn moment(&mut self, mut it: Moment) {
        let past = Duration::from_secs_f64(it.at);
        it.light /= self.plan.weather.through_snow(self.plan.began + past);
        self.too_warm(&it);
        self.alive(&it);
        self.moments.push_back(it);
    }

    /// Too warm a device is let go, unless something keeps the daemon from it.
    fn too_warm(&mut self, it: &Moment) {
        /// Noise of the thermometer, and what it moves within a turn (K).
        const OFF: f64 = 2.0;
        if !(it.input && it.back > TOO_WARM + OFF) {
            self.warm_since = None;
            return;
        }
        let since = *self.warm_since.get_or_insert(it.at);
        let allowed = (AGE_PERIODS + GRACE_PERIODS + 2.0) * self.period() + TRY;
        let running =
            self.runs.last().is_some_and(|run| run.under_way && it.at - run.began > allowed);
        if it.at - since > allowed && running && !self.is_faulty(&[0, 1, THERMOMETER], it.at) {
            self.problem(it.at, format_args!("{:.1} degC for {allowed:.0} s, and on", it.back));
            self.warm_since = None;
        }
    }

    /// Once all is healed, light brings the device to its crest.
    fn alive(&mut self, it: &Moment) {
        const BRIGHT: f64 = 150.0;
        if it.light < 1.0 {
            self.locked = false;
        }
        let healed = it.at > self.plan.healed.as_secs_f64();
        // A device that gets too warm is let go, and rests.
        if !healed || self.locked || it.light < BRIGHT || it.back > TOO_WARM - 4.0 || it.input {
            self.bright_since = None;
            return;
        }
        let since = *self.bright_since.get_or_insert(it.at);
        let promise = self.promise();
        if it.at - since > promise {
            self.problem(it.at, format_args!("light and healed for {promise:.0} s, and not on"));
            self.bright_since = Some(f64::INFINITY);
        }
    }

    /// How long after everything is healed the device is at its crest, if it is light (s): the
    /// longest nap of one that woke for nothing, the longest wait of one that was let go or whose
    /// link was lost, a try, and some looks.
    pub(crate) fn promise(&self) -> f64 {
        let nap = 32.0 * dusk_delay(&self.plan).as_secs_f64();
        nap + 4.0 * self.period() + TRY + 3.0 * 600.0
    }
}
