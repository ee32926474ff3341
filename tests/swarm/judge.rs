//! What must hold at every moment of a life, judged while it is lived.
//!
//! The oracle is the plant: what truly was at every measurement, and what light and warmth there
//! were between. What the daemon wants to write is compared with it before the writer has it; what
//! the log then holds is compared with what was written (`books`).

use crate::plan::{FIRST_SENSOR, Plan, THERMOMETER};
use crate::witness::{BOOST_FIRST, Measure, Moment, Witness};
use crate::yard::{AGE_PERIODS, GAP_PERIODS, GRACE_PERIODS, TOO_WARM, dusk_delay};
use cresthold::control::record::{Curve, CurvePoint, Event, Happening, Record, Sample};
use cresthold::store::Status;
use cresthold::time::Instant;
use cresthold_sim::bench::Operating;
use cresthold_sim::wire::fault::{Fault, Lasting, SensorFault, What};
use std::collections::{BTreeMap, VecDeque};
use std::rc::Rc;
use std::time::Duration;

/// Noise of one reading of the yard's load (V, A): 1e-4 of 65 V and of 20 A.
const NOISE: [f64; 2] = [6.5e-3, 2e-3];
/// Seven standard deviations: one reading in 4e11 lies beyond, and a swarm takes 1e7.
const SIGMAS: f64 = 7.0;
/// Resolution of meters and of the log, and what settling leaves (V, A, W).
const STEP: [f64; 3] = [3e-3, 2e-3, 0.1];
/// How far a right irradiance and a right temperature may be off: noise of 0.3 W/m2 and 0.05 K, and
/// a microvolt at the meter (W/m2, K).
const SENSORS_OFF: (f64, f64) = (2.5, 0.45);
/// One question's deadline and its alignment (s).
const ASKED: f64 = 1.0;
/// What a start of alignment and a try of both instruments may take (s).
const TRY: f64 = 60.0;
/// Moments remembered.
const MOST_MOMENTS: usize = 5000;
/// Problems told of one life.
const MOST_PROBLEMS: usize = 12;

/// A sample as it was offered to the writer.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Kept {
    /// Monotonic time of its run (us).
    pub(crate) mono: i64,
    pub(crate) sample: Sample,
}

/// One run, as it was heard.
#[derive(Debug)]
pub(crate) struct RunBook {
    /// When it began by its own wall clock (us), which no other run of the life shares.
    pub(crate) key: i64,
    /// When it truly began (s of the life).
    pub(crate) began: f64,
    pub(crate) samples: Vec<Kept>,
    /// So many of them are told as kept.
    pub(crate) told: usize,
    /// Entries offered since.
    waiting: usize,
    /// Energy of the minutes that were offered (Wh).
    pub(crate) minutes: f64,
    /// What the measurements of the run make, none across a gap (Wh).
    measured: f64,
    last_measure: Option<(f64, f64)>,
    /// Left out, lost and refused, as the writer counted.
    pub(crate) counted: u64,
    /// Whether it ended in order, with all it had written.
    pub(crate) whole: bool,
    /// Whether its wall clock was right all the time.
    pub(crate) right_clock: bool,
}

/// See the module.
pub(crate) struct Judge {
    /// Whether events are printed.
    aloud: bool,
    plan: Rc<Plan>,
    witness: Witness,
    pub(crate) problems: Vec<String>,
    pub(crate) runs: Vec<RunBook>,
    pub(crate) events: BTreeMap<&'static str, u64>,
    pub(crate) compared: u64,
    moments: VecDeque<Moment>,
    measures: VecDeque<Measure>,
    /// When the last sample was (s of the life).
    before: f64,
    warm_since: Option<f64>,
    bright_since: Option<f64>,
    locked: bool,
    /// How often tracking began since, and how often something was let go.
    pub(crate) begun: u32,
    pub(crate) let_go: u32,
    /// Energy of the minutes since the last day but one began (Wh).
    pub(crate) last_days: f64,
}

fn tolerances(readings: u32) -> [f64; 3] {
    let spread = SIGMAS / f64::from(readings.max(1)).sqrt();
    // 50 V times the ammeter's noise and 14 A times the voltmeter's.
    let power = 50.0 * NOISE[1] + 14.0 * NOISE[0];
    [spread * NOISE[0] + STEP[0], spread * NOISE[1] + STEP[1], spread * power + STEP[2]]
}

fn values(truth: &Operating) -> [f64; 3] {
    [truth.device.0, truth.amps.0, truth.watts().0]
}

/// Least and largest truth of one measurement.
fn bounds(measure: &Measure) -> ([f64; 3], [f64; 3]) {
    let [a, b] = measure.truth.each_ref().map(values);
    (std::array::from_fn(|i| a[i].min(b[i])), std::array::from_fn(|i| a[i].max(b[i])))
}

/// Least and largest that a mean over `readings` of these measurements can be: the mean of all of
/// them, or, where some got lost on the line, anything within their span.
fn span(of: &[([f64; 3], [f64; 3])], readings: usize, quantity: usize) -> (f64, f64) {
    let (lows, highs) = (of.iter().map(|b| b.0[quantity]), of.iter().map(|b| b.1[quantity]));
    if readings == of.len() {
        return (lows.sum::<f64>() / readings as f64, highs.sum::<f64>() / readings as f64);
    }
    (lows.fold(f64::INFINITY, f64::min), highs.fold(f64::NEG_INFINITY, f64::max))
}

/// When a fault is over (s).
fn ends(fault: &Fault) -> f64 {
    let length = if let Lasting::For(span) = fault.lasting { span } else { Duration::ZERO };
    (fault.at + length).as_secs_f64()
}

fn seconds(mono: Instant) -> f64 {
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

    fn period(&self) -> f64 {
        self.plan.period.as_secs_f64()
    }

    /// A run begins, by its wall clock at `key`.
    pub(crate) fn begin(&mut self, key: i64, began: f64, right_clock: bool) {
        self.measures.clear();
        self.before = began;
        self.runs.push(RunBook {
            key,
            began,
            samples: Vec::new(),
            told: 0,
            waiting: 0,
            minutes: 0.0,
            measured: 0.0,
            last_measure: None,
            counted: 0,
            whole: false,
            right_clock,
        });
    }

    /// A run is over; `whole` where it has said that all it had is written.
    pub(crate) fn end(&mut self, at: f64, whole: bool, status: Option<&Status>) {
        self.catch_up();
        let Some(run) = self.runs.last_mut() else { return };
        run.whole = whole;
        if let Some(Status { left_out, lost, refused, .. }) = status {
            run.counted = left_out + lost + refused;
            if whole && run.counted == 0 {
                run.told = run.samples.len();
            }
        }
        // What the first setpoints of a start and the ends of a gap may add, and noise.
        let most = 1.01 * run.measured + 0.05;
        let (minutes, measured) = (run.minutes, run.measured);
        if minutes > most {
            self.problem(at, format_args!("{minutes:.3} Wh in the log of {measured:.3} Wh seen"));
        }
    }

    /// The writer came round.
    pub(crate) fn turned(&mut self, status: &Status) {
        /// Entries that the writer takes at once.
        const BATCH: usize = 4096;
        let Some(run) = self.runs.last_mut() else { return };
        if status.waiting == 0 {
            if run.waiting < BATCH {
                run.told = run.samples.len();
            }
            run.waiting = 0;
        }
        run.counted = status.left_out + status.lost + status.refused;
    }

    /// What the daemon tells its writer.
    pub(crate) fn hear(&mut self, record: &Record) {
        self.catch_up();
        if let Some(run) = self.runs.last_mut() {
            run.waiting += 1;
        }
        match record {
            Record::Sample(sample) => self.sample(sample),
            Record::CurvePoint(point) => self.point(point),
            Record::Minute(minute) => {
                let from = self.plan.last_days().as_secs_f64();
                let run = self.runs.last_mut().expect("a run tells it");
                run.minutes += minute.energy.0;
                if run.began + seconds(minute.at.mono) > from {
                    self.last_days += minute.energy.0;
                }
            }
            Record::Event(Event { what, at, .. }) => {
                if self.aloud {
                    let began = self.runs.last().map_or(0.0, |run| run.began);
                    println!("{:12.3} {}: {what}", began + seconds(at.mono), what.code());
                }
                *self.events.entry(what.code()).or_default() += 1;
                self.locked |= matches!(what, Happening::LockedOff { .. });
                if self.before > self.plan.last_days().as_secs_f64() {
                    self.begun += u32::from(*what == Happening::TrackingBegan);
                    self.let_go += u32::from(matches!(what, Happening::LetGo { .. }));
                }
            }
            Record::Curve(Curve { .. }) | Record::Day(_) => {}
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
        let gap = GAP_PERIODS * self.period();
        for measure in measures {
            if let Some(run) = self.runs.last_mut() {
                let watts = measure.truth.map(|it| it.watts().0);
                let watts = watts[0].max(watts[1]);
                if let Some((at, before)) = run.last_measure
                    && measure.at - at <= gap + ASKED
                {
                    run.measured += 0.5 * (watts + before) * (measure.at - at) / 3600.0;
                }
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

    /// Whether a boost supply came back with a jolt: while the load settles to it, nobody can help it.
    fn is_jolted(&self, violation: &str) -> bool {
        const SETTLING: f64 = 1.1;
        let at = violation.split(' ').next().and_then(|at| at.parse::<f64>().ok());
        at.is_some_and(|at| {
            self.plan.faults.iter().filter(|fault| fault.what == What::Collapsed).any(|fault| {
                let over = ends(fault);
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
            .any(|fault| at >= fault.at.as_secs_f64() && at <= ends(fault) + over)
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
        let running = self.runs.last().is_some_and(|run| it.at - run.began > allowed);
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

    /// A sample is the mean of readings, each of which shows the plant as it was then.
    fn sample(&mut self, sample: &Sample) {
        let began = self.runs.last().map_or(0.0, |run| run.began);
        let at = began + seconds(sample.at.mono);
        let mono = sample.at.mono.saturating_since(Instant::ZERO).as_micros() as i64;
        let mut of = Vec::new();
        while let Some(measure) = self.measures.front().filter(|it| it.at <= at) {
            if measure.at > self.before {
                of.push(bounds(measure));
            }
            self.measures.pop_front();
        }
        let (readings, measured) = (sample.readings as usize, of.len());
        let what = format!("{:?}, {readings} readings of {measured}", sample.activity);
        if readings > measured {
            self.problem(at, format_args!("{what}: more readings than measurements"));
        } else {
            let off = tolerances(sample.readings);
            let means = [sample.volts.0, sample.amps.0, sample.watts.0];
            for (i, unit) in ["V", "A", "W"].into_iter().enumerate() {
                let ((low, high), value) = (span(&of, readings, i), means[i]);
                if !(value >= low - off[i] && value <= high + off[i]) {
                    self.problem(
                        at,
                        format_args!("{what}: {value:.4} {unit}, not {low:.4} to {high:.4}"),
                    );
                }
            }
        }
        self.surroundings(sample, at);
        self.before = at;
        self.compared += 1;
        if let Some(run) = self.runs.last_mut() {
            run.samples.push(Kept { mono, sample: *sample });
        }
    }

    /// Irradiance and temperature are right or absent, but where a sensor lies believably.
    fn surroundings(&mut self, sample: &Sample, at: f64) {
        let p = self.period();
        let from = self.before.max(at - 1.5 * p) - AGE_PERIODS * p - ASKED;
        if self.moments.front().is_none_or(|first| first.at > from && from > 0.0) {
            return;
        }
        let (mut light, mut back) = ((f64::MAX, f64::MIN), (f64::MAX, f64::MIN));
        for it in self.moments.iter().filter(|it| it.at >= from && it.at <= at) {
            light = (light.0.min(it.light), light.1.max(it.light));
            back = (back.0.min(it.back), back.1.max(it.back));
        }
        let checks = [
            (false, sample.irradiance.map(|it| it.0), light, SENSORS_OFF.0, "W/m2"),
            (true, sample.module_temperature.map(|it| it.0), back, SENSORS_OFF.1, "degC"),
        ];
        for (warmth, value, (low, high), off, unit) in checks {
            let Some(value) = value.filter(|_| !self.lies(warmth, from, at)) else { continue };
            if !(value >= low - off && value <= high + off) {
                let what = format!("{:?}, {} readings", sample.activity, sample.readings);
                self.problem(
                    at,
                    format_args!("{what}: {value:.2} {unit} where {low:.2} to {high:.2} was"),
                );
            }
        }
    }

    /// Whether a sensor of warmth or of light showed something wrong that may pass for right.
    fn lies(&self, warmth: bool, from: f64, at: f64) -> bool {
        let of = |place: usize| place >= FIRST_SENSOR && (place == THERMOMETER) == warmth;
        let lie = self.plan.faults.iter().any(|fault| {
            let wrong = matches!(
                fault.what,
                What::Sensor(SensorFault::Stuck | SensorFault::Drifting { .. })
            );
            wrong && of(fault.place) && at >= fault.at.as_secs_f64() && from <= ends(fault)
        });
        let covered = self
            .plan
            .covered
            .iter()
            .any(|(begins, ends)| at >= begins.as_secs_f64() && from <= ends.as_secs_f64());
        lie || !warmth && covered
    }

    /// A point of a curve is the reading of its own moment.
    fn point(&mut self, point: &CurvePoint) {
        let began = self.runs.last().map_or(0.0, |run| run.began);
        let at = began + seconds(point.at.mono);
        let near = self
            .measures
            .iter()
            .filter(|measure| (measure.at - at).abs() < 0.3)
            .min_by(|a, b| (a.at - at).abs().total_cmp(&(b.at - at).abs()));
        let Some((low, high)) = near.map(bounds) else {
            // Its sample was heard first, and took the measurement along.
            return;
        };
        let off = tolerances(1);
        for (i, value) in [point.volts.0, point.amps.0].into_iter().enumerate() {
            if !(value >= low[i] - off[i] && value <= high[i] + off[i]) {
                let (low, high) = (low[i], high[i]);
                self.problem(
                    at,
                    format_args!("curve's point: {value:.4} where {low:.4} to {high:.4} was"),
                );
            }
        }
    }
}
