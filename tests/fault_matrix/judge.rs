//! What each trial must hold.

use crate::cell::{Cell, Phase, Place};
use crate::log::SampleSeen;
use crate::oracle::exactness::{Exactness, LIGHT_OFF, bounds, nearest, wrong_means, wrong_point};
use crate::oracle::witness::{BOOST_FIRST, Measure};
use crate::trial::Ran;
use crate::yard::{GRACE, MAX_AGE};

/// What came of a cell.
#[derive(Clone, Debug)]
pub(crate) struct Verdict {
    /// How long after the fault's end the channel was whole again, or how long the end took (s).
    pub(crate) seconds: f64,
    /// Samples that were compared with the very measurements they are the mean of, and the others.
    pub(crate) samples: (usize, usize),
    /// Whether the end was told as unconfirmed.
    pub(crate) unsure: bool,
    pub(crate) problems: Vec<String>,
}

/// The yard's load: six standard deviations, beyond which one reading in 5e8 lies.
const EXACTNESS: Exactness = Exactness { full_scale: 60.0, most: (45.0, 12.0), sigmas: 6.0 };
/// How far a right temperature may be off: noise of 0.05 K and a microvolt at the meter (K).
const WARMTH_OFF: f64 = 0.4;
/// One question's deadline and one period of a sensor (s).
const ASKED: f64 = 0.8;

/// Judges a trial of `cell`.
pub(crate) fn judge(cell: &Cell, ran: &Ran) -> Verdict {
    let mut problems = ran.trace.violations.clone();
    let samples = electrical(ran, &mut problems);
    surroundings(cell, ran, &mut problems);
    points(ran, &mut problems);
    books(ran, &mut problems);
    order(cell, ran, &mut problems);
    silence(cell, ran, &mut problems);
    lies(cell, ran, &mut problems);
    let seconds = if cell.phase == Phase::Stopping {
        ending(cell, ran, &mut problems)
    } else {
        recovery(cell, ran, &mut problems)
    };
    Verdict { seconds, samples, unsure: ran.unconfirmed, problems }
}

/// A sample is the mean of readings, each of which shows the plant as it was then.
fn electrical(ran: &Ran, problems: &mut Vec<String>) -> (usize, usize) {
    let (mut tight, mut loose, mut before) = (0, 0, 0.0);
    for sample in &ran.log.samples {
        let within = |measure: &&Measure| measure.at > before && measure.at <= sample.at;
        let of: Vec<_> = ran.trace.measures.iter().filter(within).map(bounds).collect();
        before = sample.at;
        let (readings, measured) = (sample.readings as usize, of.len());
        let what = format!(
            "sample at {:.3} s ({}), {readings} readings of {measured} measurements",
            sample.at, sample.activity
        );
        if readings == measured {
            tight += 1
        } else {
            loose += 1
        }
        let wrong = wrong_means(sample.means, sample.readings, &of, &EXACTNESS);
        problems.extend(wrong.into_iter().map(|wrong| format!("{what}: {wrong}")));
    }
    (tight, loose)
}

/// Irradiance and temperature of a sample are right or absent; a sensor that lies believably is
/// told of instead (`lies`).
fn surroundings(cell: &Cell, ran: &Ran, problems: &mut Vec<String>) {
    let lying = matches!(cell.kind, "stuck" | "drifting");
    let span = ran.plan.fault_span().filter(|_| lying);
    let mut before = 0.0_f64;
    for sample in &ran.log.samples {
        let from = before.max(sample.at - 1.0) - MAX_AGE - ASKED - ran.plan.slack;
        before = sample.at;
        let excused = |place| {
            let within = |(begin, end)| sample.at >= begin && from <= end;
            cell.place == place && span.is_some_and(within)
        };
        let seen = ran.trace.moments.iter().filter(|it| it.at >= from && it.at <= sample.at);
        let (mut light, mut back) = ((f64::MAX, f64::MIN), (f64::MAX, f64::MIN));
        for it in seen {
            light = (light.0.min(it.light), light.1.max(it.light));
            back = (back.0.min(it.back), back.1.max(it.back));
        }
        let checks = [
            (Place::Irradiance, sample.light, light, LIGHT_OFF, "W/m2"),
            (Place::Temperature, sample.back, back, WARMTH_OFF, "degC"),
        ];
        for (place, value, (low, high), off, unit) in checks {
            let Some(value) = value.filter(|_| !excused(place)) else { continue };
            if !(value >= low - off && value <= high + off) {
                problems.push(format!(
                    "sample at {:.3} s: {value:.2} {unit} where {low:.2} to {high:.2} was",
                    sample.at
                ));
            }
        }
    }
}

/// A point of a curve is the reading of its own moment.
fn points(ran: &Ran, problems: &mut Vec<String>) {
    for [at, volts, amps] in &ran.log.points {
        let reach = 0.3 + ran.plan.slack;
        let Some(near) = nearest(ran.trace.measures.iter(), *at, reach) else {
            problems.push(format!("curve's point at {at:.3} s: nothing was measured then"));
            continue;
        };
        let wrong = wrong_point([*volts, *amps], &near, &EXACTNESS);
        problems
            .extend(wrong.into_iter().map(|wrong| format!("curve's point at {at:.3} s: {wrong}")));
    }
}

/// How much time and energy may be off (s): the beginnings and ends of what is covered.
const EDGES: f64 = 0.7;

/// All the time since it first was light is covered or missing, and the energy of what is covered
/// is the plant's.
fn books(ran: &Ran, problems: &mut Vec<String>) {
    let log = &ran.log;
    let over = log.first("stopped").or(log.first("stop-unconfirmed"));
    let Some(over) = over else {
        problems.push("the log does not tell of the end".to_owned());
        return;
    };
    let awake = log.samples.first().map_or(0.0, |first| over - first.at);
    let booked = log.covered + log.missing;
    let edges = EDGES + ran.plan.slack;
    if (booked - awake).abs() > edges {
        problems.push(format!(
            "awake for {awake:.2} s, but {:.2} s are covered and {:.2} s missing",
            log.covered, log.missing
        ));
    }
    let most = 330.0 / 3600.0; // W s: the crest at 850 W/m2
    let off = 0.005 * ran.delivered + most * edges;
    let least = ran.delivered - most * log.missing - off;
    if !(log.energy <= ran.delivered + off && log.energy >= least) {
        problems.push(format!(
            "{:.4} Wh in the log, {:.4} Wh delivered, {:.2} s missing",
            log.energy, ran.delivered, log.missing
        ));
    }
}

/// Nothing is switched against the order, but that the boost supply goes off where the load can't
/// be reached.
fn order(cell: &Cell, ran: &Ran, problems: &mut Vec<String>) {
    let begin = ran.plan.fault_span().map_or(f64::INFINITY, |(begin, _)| begin);
    for disorder in &ran.trace.disorder {
        let unreachable =
            cell.place == Place::Load && disorder.what == BOOST_FIRST && disorder.at >= begin;
        if !unreachable {
            problems.push(format!("{:.3} s: {}", disorder.at, disorder.what));
        }
    }
}

/// A limit whose only sensor is silent lets the device go within the sensor's age and the grace.
fn silence(cell: &Cell, ran: &Ran, problems: &mut Vec<String>) {
    let silent =
        matches!(cell.kind, "dead" | "dropped" | "not-a-number" | "refused" | "renumbered");
    let Some((begin, end)) = ran.plan.fault_span().filter(|_| silent) else { return };
    if cell.place != Place::Temperature {
        return;
    }
    let from = begin + MAX_AGE + GRACE + ASKED + ran.plan.slack;
    let on = ran.trace.moments.iter().find(|it| it.at > from && it.at < end && it.input);
    if let Some(on) = on {
        problems.push(format!("{:.3} s: on, though the limit's sensor is silent", on.at));
    }
}

/// A sensor that lies believably is told of while it does.
fn lies(cell: &Cell, ran: &Ran, problems: &mut Vec<String>) {
    let (begin, end) = ran.plan.fault_span().unwrap_or_default();
    let codes: &[&str] = match cell.kind {
        "stuck" => &["sensor-stuck", "sensors-disagree"],
        "drifting" => &["sensors-disagree", "sensor-unusable"],
        _ => return,
    };
    // The lie must have been seen, and a stopped run judges no longer.
    let last = ran.stop.min(end);
    let told = ran.log.events.iter().any(|event| {
        codes.contains(&event.code.as_str())
            && event.at >= begin
            && event.at <= last + 2.0 + ran.plan.slack
    });
    if last - begin > 6.0 + ran.plan.slack && !told {
        problems.push("nobody was told that the sensor lies".to_owned());
    }
}

fn whole(sample: &SampleSeen) -> bool {
    sample.works() && sample.light.is_some() && sample.back.is_some()
}

/// How long after the fault's end the samples are whole, one after the other, until the run stops.
fn recovery(cell: &Cell, ran: &Ran, problems: &mut Vec<String>) -> f64 {
    const SPACING: f64 = 1.1;
    let slack = ran.plan.slack;
    let (begin, _) = ran.plan.fault_span().unwrap_or_default();
    let (end, stop) = (ran.over, ran.stop);
    let mut since: Option<f64> = None;
    let mut last = begin;
    for sample in ran.log.samples.iter().filter(|it| it.at > begin && it.at < stop) {
        let next = sample.at - last <= SPACING + slack;
        last = sample.at;
        since = if whole(sample) { since.filter(|_| next).or(Some(sample.at)) } else { None };
    }
    let since = since.filter(|_| stop - last <= SPACING + slack);
    let promise = cell.promise().as_secs_f64();
    let Some(since) = since else {
        problems.push(format!("not whole again within {promise:.0} s"));
        return f64::NAN;
    };
    let took = (since - end).max(0.0);
    if took > promise + slack {
        problems.push(format!("whole again after {took:.1} s, not within {promise:.0} s"));
    }
    if !ran.log.first("stopped").is_some_and(|at| at - stop < 3.0 + slack)
        || ran.switches != (false, false)
    {
        problems.push("the run did not end with input and boost supply off".to_owned());
    }
    took
}

/// How long the end took. Off is off, or it is told that nobody knows.
fn ending(cell: &Cell, ran: &Ran, problems: &mut Vec<String>) -> f64 {
    let took = ran.ended - ran.stop;
    if took > Cell::LAST_WORDS.as_secs_f64() + ran.plan.slack {
        problems.push(format!("the end took {took:.1} s"));
    }
    let (stopped, unsure) =
        (ran.log.first("stopped").is_some(), ran.log.first("stop-unconfirmed").is_some());
    if stopped == unsure || unsure != ran.unconfirmed {
        problems.push(format!("stopped: {stopped}, unconfirmed: {unsure}, {}", ran.unconfirmed));
    }
    if stopped && ran.switches != (false, false) {
        problems.push(format!("told as stopped, but input and boost are {:?}", ran.switches));
    }
    if unsure && cell.place.is_sensor() {
        problems.push("a sensor kept the run from a sure end".to_owned());
    }
    took
}
