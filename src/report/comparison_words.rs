//! What a comparison says, in sentences; and the command that does it again.

use super::comparison::letter;
use crate::study::{BenchRow, BenchSettings, Comparison, Estimate, Place, Scenario, scenarios};
use std::fmt::Write as _;

/// A tracker as a sentence names it: its letter and its line.
fn name(comparison: &Comparison, tracker: usize) -> String {
    format!("{} ({})", letter(tracker), comparison.trackers[tracker].text)
}

/// So many of something.
pub(super) fn counted(count: usize, what: &str) -> String {
    format!("{count} {what}{}", if count == 1 { "" } else { "s" })
}

/// Percentage points with their interval: 0.123 ± 0.004.
pub(super) fn points(estimate: &Estimate) -> String {
    let half = estimate.half_width.map(|half| half * 100.0);
    let digits = half.filter(|half| *half > 0.0).map_or(3, |half| {
        // Two digits of the interval.
        (1 - half.log10().floor() as i32).clamp(1, 6) as usize
    });
    let mean = estimate.mean * 100.0;
    half.map_or_else(
        || format!("{mean:.digits$}"),
        |half| format!("{mean:.digits$} ± {half:.digits$}"),
    )
}

/// The trackers by mean efficiency in these scenarios, the best first.
pub(super) fn order(comparison: &Comparison, place: Place, scenarios: &[usize]) -> Vec<usize> {
    let mean = |tracker: usize| {
        let found = comparison.each_seed(tracker, place, scenarios);
        if found.is_empty() { f64::NEG_INFINITY } else { Estimate::of(&found).mean }
    };
    let mut order: Vec<(usize, f64)> =
        (0..comparison.trackers.len()).map(|tracker| (tracker, mean(tracker))).collect();
    order.sort_by(|a, b| b.1.total_cmp(&a.1));
    order.into_iter().map(|(tracker, _)| tracker).collect()
}

/// Which is best, by how much, and what it costs where.
pub(super) fn answer(comparison: &Comparison, place: Place, group: &str) -> String {
    let scenarios = comparison.scenarios_of(group);
    let order = order(comparison, place, &scenarios);
    let (bench, plant) = (&comparison.benches[place.bench], &comparison.plants[place.plant]);
    let Some(summary) = order.first().and_then(|best| comparison.summary(*best, place, group))
    else {
        return String::new();
    };
    let best = order[0];
    let mut text = format!(
        "{}, bench {}, {} ({}): {} is best and gets {} % of the crest's energy.",
        plant.name,
        bench.name,
        group,
        counted(scenarios.len(), "scenario"),
        name(comparison, best),
        points(&summary.eta),
    );
    if comparison.trackers[best].baseline {
        text.push_str(" It is a baseline: none of the trackers is worth its trouble here.");
    }
    if let Some(next) = order.get(1) {
        let told = against(comparison, (best, *next), place, group);
        let _ = write!(text, " {told}");
        let baseline = order[1..].iter().find(|at| comparison.trackers[**at].baseline);
        if let Some(baseline) = baseline.filter(|at| *at != next) {
            let told = against(comparison, (best, *baseline), place, group);
            let _ = write!(text, " {told}");
        }
    }
    if scenarios.len() < 2 {
        return text;
    }
    let (worst, eta) = (&comparison.scenarios[summary.worst.0].name, summary.worst.1 * 100.0);
    let _ = write!(text, " It does worst in {worst}: {eta:.3} %.");
    text.push_str(&price(comparison, best, place, &scenarios));
    text
}

fn against(
    comparison: &Comparison,
    (best, other): (usize, usize),
    place: Place,
    group: &str,
) -> String {
    let rank = if comparison.trackers[other].baseline { "the baseline" } else { "the next," };
    let other_name = name(comparison, other);
    match comparison.difference(best, other, place, group) {
        Some(found) if found.half_width.is_none() => format!(
            "{} points more than {rank} {other_name}; one seed, so nobody knows how sure that is.",
            points(&found)
        ),
        Some(found) if found.is_clear() => {
            format!("That is {} points more than {rank} {other_name}.", points(&found))
        }
        Some(found) => {
            format!("It can't be told apart from {rank} {other_name}: {} points.", points(&found))
        }
        None => String::new(),
    }
}

/// Where another one is clearly better than the best.
fn price(comparison: &Comparison, best: usize, place: Place, scenarios: &[usize]) -> String {
    let mut lost: Vec<(usize, usize, Estimate)> = vec![];
    for scenario in scenarios {
        let each = |tracker| comparison.each_seed(tracker, place, &[*scenario]);
        let ours = each(best);
        let worst = (0..comparison.trackers.len())
            .filter_map(|other| Some((*scenario, other, Estimate::of_pairs(&each(other), &ours)?)))
            .filter(|(_, _, found)| found.mean > 0.0 && found.is_clear())
            .max_by(|a, b| a.2.mean.total_cmp(&b.2.mean));
        lost.extend(worst);
    }
    let Some((scenario, other, found)) = lost.iter().max_by(|a, b| a.2.mean.total_cmp(&b.2.mean))
    else {
        return if comparison.seeds.len() > 1 {
            " In no scenario is another one clearly better.".to_owned()
        } else {
            String::new()
        };
    };
    format!(
        " What it costs: in {} of {} scenarios another one is clearly better, most in {}: {} by {} points.",
        lost.len(),
        scenarios.len(),
        comparison.scenarios[*scenario].name,
        name(comparison, *other),
        points(found)
    )
}

/// The command line that gives the same comparison again.
pub(super) fn command(comparison: &Comparison) -> String {
    let mut text = "cresthold compare".to_owned();
    for tracker in &comparison.trackers {
        let _ = write!(text, " --tracker {}", quoted(&tracker.text));
    }
    text.push_str(&common(comparison));
    if let Some(bench) = comparison.benches.first() {
        let usual = preset(bench).period.as_secs_f64();
        if (bench.period_s - usual).abs() > 1e-12 {
            let _ = write!(text, " --period {}s", bench.period_s);
        }
    }
    text
}

/// Options that comparisons and tunings share.
pub(super) fn common(comparison: &Comparison) -> String {
    let mut text = String::new();
    let mut add = |option: &str, value: &str| {
        let _ = write!(text, " {option} {}", quoted(value));
    };
    for plant in &comparison.plants {
        add("--device", &plant.name);
    }
    for scenario in asked(comparison) {
        add("--scenario", &scenario);
    }
    add("--seeds", &comparison.seeds.len().to_string());
    add("--first-seed", &comparison.seeds.first().copied().unwrap_or(1).to_string());
    let mut benches: Vec<&str> = vec![];
    for bench in &comparison.benches {
        // A tuning's benches are called by their period, too.
        let name = bench.name.split('-').next().unwrap_or_default();
        if !benches.contains(&name) {
            benches.push(name);
            add("--bench", name);
        }
    }
    if let Some(bench) = comparison.benches.first() {
        for (option, value) in changed(bench) {
            add(option, &value);
        }
    }
    text
}

fn preset(bench: &BenchRow) -> BenchSettings {
    match bench.name.split('-').next() {
        Some("slow") => BenchSettings::slow(),
        Some("fast") => BenchSettings::fast(),
        _ => BenchSettings::default(),
    }
}

/// Names of whole groups, or of scenarios.
fn asked(comparison: &Comparison) -> Vec<String> {
    let all = scenarios();
    let rows = &comparison.scenarios;
    let (mut asked, mut at) = (vec![], 0);
    while at < rows.len() {
        let group: Vec<&str> =
            all.iter().filter(|one| one.group() == rows[at].group).map(Scenario::name).collect();
        let whole = rows[at..]
            .iter()
            .map(|row| row.name.as_str())
            .take(group.len())
            .eq(group.iter().copied());
        if whole && !group.is_empty() {
            asked.push(rows[at].group.clone());
            at += group.len();
        } else {
            asked.push(rows[at].name.clone());
            at += 1;
        }
    }
    asked
}

/// Options of a bench that is not as its name says.
fn changed(bench: &BenchRow) -> Vec<(&'static str, String)> {
    let usual = preset(bench);
    let seconds = |value: f64| format!("{value}s");
    let figures = [
        ("--settling", bench.settling_s, usual.settling.as_secs_f64(), true),
        ("--noise", bench.noise, usual.noise, false),
        ("--resolution", bench.resolution, usual.resolution, false),
        ("--offset-volts", bench.offset_volts, usual.offset_volts, false),
        ("--offset-amps", bench.offset_amps, usual.offset_amps, false),
    ];
    let mut found: Vec<(&'static str, String)> = figures
        .into_iter()
        .filter(|(_, is, usual, _)| (is - usual).abs() > 1e-12)
        .map(|(option, is, _, time)| (option, if time { seconds(is) } else { is.to_string() }))
        .collect();
    let sensor = match bench.sensor.as_str() {
        "none" => return found,
        "sound" | "stuck" | "dead" => bench.sensor.as_str(),
        words if words.ends_with("late") => "late",
        _ => "wrong",
    };
    found.push(("--sensor", sensor.to_owned()));
    found
}

/// For a shell.
pub(super) fn quoted(value: &str) -> String {
    let plain = |sign: char| sign.is_ascii_alphanumeric() || "._:=,%/-".contains(sign);
    if !value.is_empty() && value.chars().all(plain) {
        return value.to_owned();
    }
    format!("'{}'", value.replace('\'', "'\\''"))
}
