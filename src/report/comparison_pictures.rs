//! Pictures of a comparison: loss by scenario, loss by slope, and one stretch of time.
//!
//! Model: what is shown is the loss, 1 - eta, on a logarithmic scale: 99.9 % and 99.99 % differ as much
//! as 90 % and 99 % do. Intervals are those of the tables. A loss below [`LEAST`] stands at the end.

use super::chart::{Axis, Chart, Spot, Stand};
use crate::study::{Comparison, Moment, Place, Trace};

/// Losses shown at least (share): below it the plant's own arithmetic shows.
const LEAST: f64 = 1e-7;
const WIDTH: f64 = 1000.0;
/// Room for names of scenarios (px).
const NAMES: f64 = 190.0;

/// The loss in percent, drawable.
fn loss(eta: f64) -> f64 {
    (1.0 - eta).clamp(LEAST, 1.0) * 100.0
}

/// Least and largest loss of all trackers in these scenarios (%).
fn losses(comparison: &Comparison, place: Place, scenarios: &[usize]) -> (f64, f64) {
    let all = (0..comparison.trackers.len())
        .flat_map(|tracker| {
            scenarios.iter().map(move |at| comparison.eta(tracker, place, *at).mean)
        })
        .map(loss);
    all.fold((f64::INFINITY, 0.0), |(low, high), one| (one.min(low), one.max(high)))
}

/// Each scenario a row, each tracker a mark with its interval.
pub(super) fn by_scenario(comparison: &Comparison, place: Place, scenarios: &[usize]) -> String {
    /// Room above and below the rows, and between trackers of a row (px).
    const TOP: f64 = 10.0;
    const BELOW: f64 = 48.0;
    const STEP: f64 = 4.5;
    let trackers = comparison.trackers.len();
    let row = (STEP * trackers as f64 + 8.0).max(18.0);
    let bottom = TOP + row * scenarios.len() as f64;
    let title = format!("Loss by scenario on {}", comparison.plants[place.plant].name);
    let mut chart = Chart::new((WIDTH, bottom + BELOW), &title);
    let axis = Axis::decades(losses(comparison, place, scenarios), (NAMES, WIDTH - 20.0));
    chart.level_axis(&axis, (TOP, bottom), "loss, % of the crest's energy; to the left is better");
    for (index, scenario) in scenarios.iter().enumerate() {
        let top = TOP + row * index as f64;
        chart.line(&[(NAMES, top), (WIDTH - 20.0, top)], "grid", "");
        let name = &comparison.scenarios[*scenario].name;
        chart.text((NAMES - 8.0, top + row / 2.0 + 4.0), name, Stand::Right, "");
        for tracker in 0..trackers {
            let eta = comparison.eta(tracker, place, *scenario);
            let middle = top + row / 2.0 + STEP * (tracker as f64 - (trackers as f64 - 1.0) / 2.0);
            let half = eta.half_width.unwrap_or(0.0);
            let ends = (axis.at(loss(eta.mean + half)), axis.at(loss(eta.mean - half)));
            chart.interval(ends, middle, tracker);
            chart.mark((axis.at(loss(eta.mean)), middle), tracker);
        }
    }
    chart.finish()
}

/// Loss against the slope of a ramp, a panel for each range of levels; none without slopes.
pub(super) fn by_slope(comparison: &Comparison, place: Place) -> Option<String> {
    const HEIGHT: f64 = 390.0;
    let sloped: Vec<usize> = (0..comparison.scenarios.len())
        .filter(|at| comparison.scenarios[*at].slope.is_some())
        .collect();
    let range = |at: &usize| comparison.scenarios[*at].name.split('-').next().unwrap_or_default();
    let mut ranges: Vec<&str> = vec![];
    for at in &sloped {
        if !ranges.contains(&range(at)) {
            ranges.push(range(at));
        }
    }
    if sloped.len() < 2 {
        return None;
    }
    let title = format!("Loss by slope on {}", comparison.plants[place.plant].name);
    let mut chart = Chart::new((WIDTH, HEIGHT), &title);
    let width = (WIDTH - 80.0) / ranges.len() as f64;
    let (top, bottom) = (28.0, HEIGHT - 48.0);
    let upright = Axis::decades(losses(comparison, place, &sloped), (bottom, top));
    for (index, name) in ranges.iter().enumerate() {
        let left = 70.0 + width * index as f64;
        let ends = (left, left + width - 50.0);
        let of: Vec<usize> = sloped.iter().filter(|at| range(at) == *name).copied().collect();
        panel(&mut chart, comparison, (place, &of), (ends, &upright));
        chart.text((ends.0, top - 10.0), &heading(name), Stand::Left, "b");
    }
    Some(chart.finish())
}

fn heading(range: &str) -> String {
    match range {
        "low" => "low: 100 to 500 W/m2".to_owned(),
        "high" => "high: 300 to 1000 W/m2".to_owned(),
        other => other.to_owned(),
    }
}

fn panel(
    chart: &mut Chart,
    comparison: &Comparison,
    (place, scenarios): (Place, &[usize]),
    (ends, upright): (Spot, &Axis),
) {
    let slope = |at: &usize| comparison.scenarios[*at].slope.unwrap_or(1.0);
    let slopes = scenarios.iter().map(slope);
    let span = slopes.fold((f64::INFINITY, 0.0), |(low, high): Spot, s| (low.min(s), high.max(s)));
    let level = Axis::logarithmic((span.0 * 0.8, span.1 * 1.25), ends);
    slopes_below(chart, &level, scenarios.iter().map(slope).collect(), (upright.to, upright.from));
    let name = if ends.0 < 100.0 { "loss, % of the crest's energy" } else { "" };
    chart.upright_axis(upright, ends, name);
    for tracker in 0..comparison.trackers.len() {
        let at = |scenario: &usize| {
            let eta = comparison.eta(tracker, place, *scenario).mean;
            (level.at(slope(scenario)), upright.at(loss(eta)))
        };
        let points: Vec<Spot> = scenarios.iter().map(at).collect();
        chart.series(&points, tracker);
        for point in points {
            chart.mark(point, tracker);
        }
    }
}

/// The slopes themselves are the ticks, as many as have room.
fn slopes_below(chart: &mut Chart, level: &Axis, mut slopes: Vec<f64>, (top, bottom): Spot) {
    /// Room for a number (px).
    const ROOM: f64 = 24.0;
    slopes.sort_by(f64::total_cmp);
    let mut last = f64::NEG_INFINITY;
    for slope in slopes {
        let x = level.at(slope);
        chart.line(&[(x, top), (x, bottom)], "grid", "");
        if x - last >= ROOM {
            chart.text((x, bottom + 16.0), &slope.to_string(), Stand::Middle, "s");
            last = x;
        }
    }
    chart.line(&[(level.from, bottom), (level.to, bottom)], "axis", "");
    let middle = f64::midpoint(level.from, level.to);
    chart.text((middle, bottom + 34.0), "slope, W/m2/s", Stand::Middle, "");
}

/// Power and voltage beside the crest's.
pub(super) fn trace(traces: &[Trace]) -> Option<String> {
    const HEIGHT: f64 = 520.0;
    let moments = &traces.first()?.moments;
    let from = moments.first()?.at.as_secs_f64();
    let until = moments.last()?.at.as_secs_f64();
    let mut chart = Chart::new((WIDTH, HEIGHT), "Power and voltage beside the crest");
    let ends = (70.0, WIDTH - 20.0);
    let level = Axis { low: from, high: until, from: ends.0, to: ends.1, logarithmic: false };
    let panels: [(Spot, &str, View, View); 2] = [
        ((10.0, 250.0), "power, W", |one| one.watts.0, |one| one.crest_watts.0),
        ((275.0, HEIGHT - 48.0), "voltage, V", |one| one.volts.0, |one| one.crest_volts.0),
    ];
    for ((top, bottom), name, value, crest) in panels {
        let values = traces.iter().flat_map(|one| &one.moments);
        let values = values.flat_map(|one| [value(one), crest(one)]);
        let span = values
            .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), v| (v.min(low), v.max(high)));
        let upright = Axis::linear(span, (bottom, top));
        chart.upright_axis(&upright, ends, name);
        let at = |one: &Moment, value: f64| (level.at(one.at.as_secs_f64()), upright.at(value));
        let line: Vec<Spot> = moments.iter().map(|one| at(one, crest(one))).collect();
        chart.line(&line, "crest", "");
        for trace in traces {
            let line: Vec<Spot> = trace.moments.iter().map(|one| at(one, value(one))).collect();
            chart.series(&line, trace.tracker);
            for one in trace.moments.iter().step_by(trace.moments.len() / 8 + 1).skip(1) {
                chart.mark(at(one, value(one)), trace.tracker);
            }
        }
    }
    times(&mut chart, &level, HEIGHT - 48.0);
    Some(chart.finish())
}

type View = fn(&Moment) -> f64;

fn times(chart: &mut Chart, level: &Axis, bottom: f64) {
    // Round seconds within an axis that begins anywhere.
    let round = Axis::linear((level.low, level.high), (level.from, level.to));
    for tick in round.ticks().into_iter().filter(|tick| level.holds(*tick)) {
        let x = level.at(tick);
        chart.line(&[(x, 10.0), (x, bottom)], "grid", "");
        chart.text((x, bottom + 16.0), &tick.to_string(), Stand::Middle, "s");
    }
    let middle = f64::midpoint(level.from, level.to);
    chart.text((middle, bottom + 34.0), "time from the scenario's beginning, s", Stand::Middle, "");
}
