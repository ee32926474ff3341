//! A map of settings as a page: the answer, the map with the rule drawn into it, and the figures.
//!
//! Model: as [`super::comparison_page`]. Period to the right and setting upward, both logarithmic, each
//! spot a field with its loss in figures; a stronger colour is more loss. The rule is two lines of slope one half.

use super::chart::{Axis, Chart, Stand};
use super::comparison_words::{points, quoted};
use super::page::{escaped, table, whole};
use super::tuning::{answer, loss, setting, sign, station_lines};
use crate::study::{Map, Rule, STEP, Spot, Tuning};

const WIDTH: f64 = 1000.0;
/// Height of a row of the map (px).
const ROW: f64 = 36.0;
/// Opacity of the field with the largest loss: letters must stay readable on it.
const DARKEST: f64 = 0.55;

/// The page.
#[must_use]
pub fn page(tuning: &Tuning, map: &Map) -> String {
    let comparison = &tuning.comparison;
    let said = answer(tuning, map);
    let said: String = said.iter().map(|one| format!("<p>{}</p>\n", escaped(one))).collect();
    let names: Vec<&str> = comparison.scenarios.iter().map(|one| one.name.as_str()).collect();
    let seeds: Vec<String> = comparison.seeds.iter().map(u64::to_string).collect();
    let plant = comparison.plants.first().map_or("", |plant| plant.name.as_str());
    let bench = comparison.benches.first().map_or_else(String::new, |bench| {
        format!(
            "settling {} s, latency {} s, window {} s, noise {} and resolution {} of full scale, irradiance sensor: {}",
            bench.settling_s, bench.latency_s, bench.window_s, bench.noise, bench.resolution, bench.sensor
        )
    });
    let body = format!(
        "<h1>Which setting, which period: {}</h1>\n<div class=\"answer\">\n{said}</div>\n\
         <figure>\n{}<figcaption>Loss in percent of the crest's energy. Thick frame: best. Dashed frame: not told apart from it. !: the period is \
         too short for this load, and a station refuses it. Lines: the least step after Femia, Petrone, Spagnuolo and \
         Vitelli 2005, sqrt(V K |dG/dt| T / a).</figcaption>\n</figure>\n\
         <h2>For the station file</h2>\n<pre>{}</pre>\n<h2>All figures</h2>\n{}\
         <h2>What was tried</h2>\n<p>Device {}; bench: {}. Scenarios: {}. Seeds: {}. {} trials in simulation, each the controller of the \
         field; Cresthold {}. The same again:</p>\n<pre>{}</pre>\n\
         <p>± is half of a 95 % interval over the seeds (Student); differences are paired by seed, in percentage points, each \
         interval for itself. The best one's own figure is a little flattered by having been chosen.</p>\n",
        escaped(plant),
        picture(tuning, map),
        escaped(&station_lines(tuning, map)),
        figures(tuning, map),
        escaped(plant),
        escaped(&bench),
        escaped(&names.join(", ")),
        seeds.join(", "),
        comparison.cells.len(),
        env!("CARGO_PKG_VERSION"),
        escaped(&command(tuning)),
    );
    whole("Cresthold: which setting, which period", &body)
}

/// The map.
#[must_use]
pub fn picture(tuning: &Tuning, map: &Map) -> String {
    let benches = tuning.comparison.benches.len();
    let periods = edges(map.spots.iter().take(benches).map(|spot| spot.period_s));
    let values = edges(map.spots.iter().step_by(benches).map(|spot| spot.value));
    let bottom = 14.0 + ROW * (values.len() - 1) as f64;
    let mut chart = Chart::new((WIDTH, bottom + 50.0), "Loss by setting and period");
    let level = Axis::logarithmic((periods[0], periods[periods.len() - 1]), (120.0, WIDTH - 130.0));
    let upright = Axis::logarithmic((values[0], values[values.len() - 1]), (bottom, 14.0));
    let losses = map.spots.iter().map(|spot| (1.0 - spot.eta.mean).max(1e-7).ln());
    let span = losses
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), one| (one.min(low), one.max(high)));
    let field = |spot: &Spot| {
        let (left, right) = around(&periods, spot.period_s);
        let (low, high) = around(&values, spot.value);
        let corner = (level.at(left), upright.at(high));
        (corner, (level.at(right) - corner.0, upright.at(low) - corner.1))
    };
    for spot in &map.spots {
        let (corner, size) = field(spot);
        let share = ((1.0 - spot.eta.mean).max(1e-7).ln() - span.0) / (span.1 - span.0).max(1e-9);
        chart.frame(corner, size, "heat", DARKEST * share);
    }
    if tuning.key == STEP {
        rule(&mut chart, tuning.rule, (&level, &upright));
    }
    for (at, spot) in map.spots.iter().enumerate() {
        let ((x, y), (width, height)) = field(spot);
        let inner = ((x + 2.0, y + 2.0), (width - 4.0, height - 4.0));
        if at == map.best {
            chart.frame(inner.0, inner.1, "best", 0.0);
        } else if spot.even && spot.accepted {
            chart.frame(inner.0, inner.1, "even", 0.0);
        }
        let text = format!("{}{}", loss(spot), sign(map, spot));
        let class = if at == map.best { "b" } else { "" };
        chart.text((x + width / 2.0, y + height / 2.0 + 4.0), text.trim(), Stand::Middle, class);
    }
    names(&mut chart, tuning, map, (&level, &upright));
    chart.finish()
}

fn names(chart: &mut Chart, tuning: &Tuning, map: &Map, (level, upright): (&Axis, &Axis)) {
    let benches = tuning.comparison.benches.len();
    for spot in map.spots.iter().take(benches) {
        let text = spot.period_s.to_string();
        chart.text((level.at(spot.period_s), upright.from + 17.0), &text, Stand::Middle, "s");
    }
    for spot in map.spots.iter().step_by(benches) {
        let text = setting(tuning, spot);
        chart.text((level.from - 8.0, upright.at(spot.value) + 4.0), &text, Stand::Right, "s");
    }
    chart.text(
        (f64::midpoint(level.from, level.to), upright.from + 38.0),
        "control period, s",
        Stand::Middle,
        "",
    );
    chart.upright((16.0, f64::midpoint(upright.from, upright.to)), &tuning.key);
}

/// The rule as lines: steps above them aren't misled; periods to the right of the upright one have settled.
fn rule(chart: &mut Chart, rule: Rule, (level, upright): (&Axis, &Axis)) {
    for (c, name, dashes) in
        [(rule.hardest, "hardest change", ""), (rule.median, "median change", "7 4")]
    {
        if c <= 0.0 {
            continue;
        }
        // The part of the line within the map: periods at which the step is on the axis.
        let from = level.low.max(upright.low * upright.low / c);
        let to = level.high.min(upright.high * upright.high / c);
        if from >= to {
            continue;
        }
        let at = |period: f64| (level.at(period), upright.at(Rule::step(c, period)));
        chart.line(&[at(from), at(to)], "halo", "");
        chart.line(&[at(from), at(to)], "rule", dashes);
        let (x, y) = at(to);
        // A line that leaves at the top has its name above its end, on the side with room.
        let (place, stand) = match to < level.high {
            false => ((x + 6.0, y + 4.0), Stand::Left),
            true if x - level.from < 120.0 => ((x + 2.0, y - 3.0), Stand::Left),
            true => ((x - 4.0, y - 3.0), Stand::Right),
        };
        chart.text(place, name, stand, "s");
    }
    if level.holds(rule.settled_s) {
        let x = level.at(rule.settled_s);
        chart.line(&[(x, upright.from), (x, upright.to)], "halo", "");
        chart.line(&[(x, upright.from), (x, upright.to)], "rule", "2 3");
        chart.text((x, upright.from + 32.0), "settled", Stand::Middle, "s");
    }
}

/// Edges of fields between values, at their geometric means.
fn edges(values: impl Iterator<Item = f64>) -> Vec<f64> {
    let mut sorted: Vec<f64> = values.collect();
    sorted.sort_by(f64::total_cmp);
    sorted.dedup();
    let between = |pair: &[f64]| (pair[0] * pair[1]).sqrt();
    let mut edges: Vec<f64> = sorted.windows(2).map(between).collect();
    let (first, last) = (sorted[0], sorted[sorted.len() - 1]);
    let widest =
        |edge: Option<&f64>, value: f64| edge.map_or(1.2, |edge| (edge / value).max(value / edge));
    let (low, high) = (first / widest(edges.first(), first), last * widest(edges.last(), last));
    edges.insert(0, low);
    edges.push(high);
    edges
}

/// The edges to both sides of a value.
fn around(edges: &[f64], value: f64) -> (f64, f64) {
    let above = edges.partition_point(|edge| *edge <= value).clamp(1, edges.len() - 1);
    (edges[above - 1], edges[above])
}

fn figures(tuning: &Tuning, map: &Map) -> String {
    let header =
        [tuning.key.as_str(), "period, s", "eta, %", "behind the best, points", ""].map(escaped);
    let row = |(at, spot): (usize, &Spot)| {
        let note = match sign(map, spot) {
            "!" => "period too short",
            "*" => "best",
            "=" => "not told apart",
            _ => "",
        };
        let behind = if at == map.best { String::new() } else { points(&spot.behind) };
        vec![
            setting(tuning, spot),
            spot.period_s.to_string(),
            points(&spot.eta),
            behind,
            note.to_owned(),
        ]
    };
    let rows: Vec<Vec<String>> = map.spots.iter().enumerate().map(row).collect();
    table(&header, &rows, 1)
}

/// The command line that gives the same again.
fn command(tuning: &Tuning) -> String {
    let comparison = &tuning.comparison;
    let first = comparison.trackers.first().map_or("", |tracker| tracker.text.as_str());
    let value = |text: &str| {
        let end = format!("{}=", tuning.key);
        text.rsplit_once(end.as_str()).map_or(String::new(), |(_, value)| value.to_owned())
    };
    let fixed = first.rsplit_once(tuning.key.as_str()).map_or(first, |(head, _)| head);
    let values: Vec<String> = comparison.trackers.iter().map(|one| value(&one.text)).collect();
    let periods: Vec<String> =
        comparison.benches.iter().map(|one| format!("{}s", one.period_s)).collect();
    let mut text = format!(
        "cresthold tune --tracker {} --key {} --values {} --periods {}",
        quoted(fixed.trim_end_matches([':', ','])),
        tuning.key,
        quoted(&values.join(",")),
        quoted(&periods.join(","))
    );
    text.push_str(&super::comparison_words::common(comparison));
    text
}
