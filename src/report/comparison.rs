//! A comparison of trackers as text: tables for a terminal, and CSV.
//!
//! Model: for each bench, device and group of scenarios one table of summaries: mean efficiency,
//! difference to the reference with its 95 % interval (paired by scenario and seed), worst scenario,
//! worst second. A difference whose interval reaches over zero is marked as not told apart; there are
//! no ranks.

use super::table::align;
use crate::study::{BenchRow, Comparison, Estimate, Outcome, Place, Summary};
use std::fmt::Write as _;

/// All tables; differences are to the tracker `against`.
#[must_use]
pub fn tables(comparison: &Comparison, against: usize) -> String {
    let mut text = String::new();
    for place in comparison.places() {
        for group in comparison.groups() {
            text.push_str(&title(comparison, place, group));
            text.push_str(&summaries(comparison, against, place, group));
            text.push('\n');
        }
    }
    text
}

/// What makes a comparison's figures doubtful: periods in which the load doesn't settle.
#[must_use]
pub fn warnings(comparison: &Comparison) -> Vec<String> {
    let hasty = comparison.benches.iter().filter(|bench| !bench.settles());
    let told = |bench: &BenchRow| {
        format!(
            "bench {}: its period of {} s is too short for its load, which settles in {} s: readings are of a \
             load on its way, and a station refuses it. It takes {:.6} s at least (5 x settling + window + latency)",
            bench.name,
            bench.period_s,
            bench.settling_s,
            bench.shortest_period_s()
        )
    };
    hasty.map(told).collect()
}

fn title(comparison: &Comparison, place: Place, group: &str) -> String {
    let (bench, plant) = (&comparison.benches[place.bench], &comparison.plants[place.plant]);
    let (scenarios, seeds) = (comparison.scenarios_of(group).len(), comparison.seeds.len());
    format!(
        "{} on {}, bench {} ({} s period): {scenarios} scenarios x {seeds} seeds\n",
        group, plant.name, bench.name, bench.period_s
    )
}

fn summaries(comparison: &Comparison, against: usize, place: Place, group: &str) -> String {
    let mut header = vec!["tracker", "mean", "+-", "to reference", "+-", "worst", "in", "second"];
    let found: Vec<Option<Summary>> = (0..comparison.trackers.len())
        .map(|tracker| comparison.summary(tracker, place, group))
        .collect();
    let weighted = found.iter().flatten().any(|one| one.weighted.is_some());
    if weighted {
        header.extend(["European", "CEC"]);
    }
    let lets_go = found.iter().flatten().any(|one| one.let_go > 0);
    if lets_go {
        header.push("let go");
    }
    let mut rows = vec![];
    for (tracker, summary) in found.iter().enumerate() {
        let Some(summary) = summary else { continue };
        let (worst, eta) = summary.worst;
        let mut row = vec![comparison.trackers[tracker].text.clone()];
        row.extend([percent(summary.eta.mean), width(&summary.eta)]);
        row.extend(difference(comparison, (tracker, against), place, group));
        row.push(percent(eta));
        row.push(comparison.scenarios[worst].name.clone());
        row.push(percent(summary.worst_second));
        if weighted {
            let (european, cec) = summary.weighted.unwrap_or((f64::NAN, f64::NAN));
            row.extend([percent(european), percent(cec)]);
        }
        if lets_go {
            row.push(summary.let_go.to_string());
        }
        rows.push(row);
    }
    align(&header, &rows)
}

fn difference(
    comparison: &Comparison,
    (tracker, against): (usize, usize),
    place: Place,
    group: &str,
) -> [String; 2] {
    if tracker == against {
        return ["reference".to_owned(), String::new()];
    }
    match comparison.difference(tracker, against, place, group) {
        Some(found) if found.half_width.is_none() || found.is_clear() => {
            [format!("{:+.3}", found.mean * 100.0), width(&found)]
        }
        Some(found) => [format!("not apart {:+.3}", found.mean * 100.0), width(&found)],
        None => [String::new(), String::new()],
    }
}

fn percent(eta: f64) -> String {
    if eta.is_nan() { "-".to_owned() } else { format!("{:.3}", eta * 100.0) }
}

fn width(estimate: &Estimate) -> String {
    estimate.half_width.map_or_else(|| "-".to_owned(), |half| format!("{:.4}", half * 100.0))
}

/// Efficiency of every tracker in every scenario (mean over seeds), one table for each bench and device.
#[must_use]
pub fn by_scenario(comparison: &Comparison) -> String {
    let mut text = String::new();
    for place in comparison.places() {
        let (bench, plant) = (&comparison.benches[place.bench], &comparison.plants[place.plant]);
        let _ = writeln!(text, "{}, bench {}, % of the crest", plant.name, bench.name);
        for (index, tracker) in comparison.trackers.iter().enumerate() {
            let _ = writeln!(text, "  {}  {}", letter(index), tracker.text);
        }
        let letters: Vec<String> = (0..comparison.trackers.len()).map(letter).collect();
        let mut header = vec!["scenario"];
        header.extend(letters.iter().map(String::as_str));
        let row = |scenario: usize| {
            let eta = |tracker| percent(comparison.eta(tracker, place, scenario).mean);
            let mut row = vec![comparison.scenarios[scenario].name.clone()];
            row.extend((0..comparison.trackers.len()).map(eta));
            row
        };
        let rows: Vec<_> = (0..comparison.scenarios.len()).map(row).collect();
        text.push_str(&align(&header, &rows));
        text.push('\n');
    }
    text
}

/// A, B, ... Z, then 26, 27, ...
pub(super) fn letter(index: usize) -> String {
    u8::try_from(index)
        .ok()
        .filter(|index| *index < 26)
        .map_or_else(|| index.to_string(), |index| char::from(b'A' + index).to_string())
}

const CSV_HEADER: &str = "tracker,bench,device,group,scenario,slope_w_m2_s,seed,eta,counted_s,\
     delivered_wh,available_wh,worst_second,worst_minute,below_99_s,below_95_s,let_go,held,turns\n";

/// One line per trial, a header first.
#[must_use]
pub fn csv(comparison: &Comparison) -> String {
    let mut text = CSV_HEADER.to_owned();
    for cell in &comparison.cells {
        let scenario = &comparison.scenarios[cell.scenario];
        let slope = scenario.slope.map(|slope| slope.to_string()).unwrap_or_default();
        let Outcome { seconds, delivered_wh, available_wh, worst_second, worst_minute, .. } =
            cell.outcome;
        let Outcome { below_99_s, below_95_s, let_go, held, turns, .. } = cell.outcome;
        // Writing to a String can't fail.
        let _ = writeln!(
            text,
            "\"{}\",{},{},{},\"{}\",{slope},{},{},{seconds},{delivered_wh},{available_wh},\
             {worst_second},{worst_minute},{below_99_s},{below_95_s},{let_go},{held},{turns}",
            comparison.trackers[cell.tracker].text.replace('"', "\"\""),
            comparison.benches[cell.bench].name,
            comparison.plants[cell.plant].name,
            scenario.group,
            scenario.name,
            cell.seed,
            cell.outcome.eta(),
        );
    }
    text
}
