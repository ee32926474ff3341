//! A map of settings as text: a table for a terminal, sentences, and CSV.

use super::comparison_words::points;
use super::table::align;
use crate::station::control_lines;
use crate::study::{Map, Rule, STEP, Spot, Tuning};
use std::fmt::Write as _;

/// With fewer seeds than this Student's interval is three times the standard error and more.
const FEW: usize = 5;

/// Loss in percent, in digits that stay readable over four decades.
pub(super) fn loss(spot: &Spot) -> String {
    let loss = (1.0 - spot.eta.mean) * 100.0;
    let digits = (1 - loss.abs().max(1e-5).log10().floor() as i32).clamp(0, 5) as usize;
    format!("{loss:.digits$}")
}

/// A setting with its unit, as a row is called.
pub(super) fn setting(tuning: &Tuning, spot: &Spot) -> String {
    let text = &tuning.comparison.trackers[spot.tracker].text;
    let part = text
        .split([':', ','])
        .find_map(|part| part.split_once('=').filter(|(key, _)| key.trim() == tuning.key));
    let value = part.map_or("", |(_, value)| value.trim());
    if value.ends_with('%') {
        format!("{} ({value})", super::chart::short(spot.value))
    } else {
        value.to_owned()
    }
}

/// The table: loss by setting and period.
#[must_use]
pub fn table(tuning: &Tuning, map: &Map) -> String {
    let comparison = &tuning.comparison;
    let mut header = vec![tuning.key.clone()];
    header.extend(comparison.benches.iter().map(|bench| format!("{} s", bench.period_s)));
    let header: Vec<&str> = header.iter().map(String::as_str).collect();
    let rows = map.spots.chunks(comparison.benches.len()).map(|row| {
        let cell = |spot: &Spot| format!("{}{}", loss(spot), sign(map, spot));
        row.first()
            .map(|spot| setting(tuning, spot))
            .into_iter()
            .chain(row.iter().map(cell))
            .collect()
    });
    let rows: Vec<Vec<String>> = rows.collect();
    format!(
        "loss by setting and period, % of the crest's energy ({}, mean of {} scenarios, {} seeds)\n{}\
         *: best; =: not told apart from it; !: period too short for this load, a station refuses it\n",
        comparison.plants.first().map_or("", |plant| plant.name.as_str()),
        comparison.scenarios.len(),
        comparison.seeds.len(),
        align(&header, &rows)
    )
}

/// What is special about a spot, as a sign; a blank keeps columns aligned.
pub(super) fn sign(map: &Map, spot: &Spot) -> &'static str {
    if !spot.accepted {
        "!"
    } else if std::ptr::eq(spot, &raw const map.spots[map.best]) {
        "*"
    } else if spot.even {
        "="
    } else {
        " "
    }
}

/// The answer, and what theory says, in sentences.
#[must_use]
pub fn answer(tuning: &Tuning, map: &Map) -> Vec<String> {
    let best = &map.spots[map.best];
    let text = &tuning.comparison.trackers[best.tracker].text;
    let even = map.spots.iter().enumerate();
    let even: Vec<String> = even
        .filter(|(at, spot)| *at != map.best && spot.even && spot.accepted)
        .map(|(_, spot)| format!("{} at {} s", setting(tuning, spot), spot.period_s))
        .collect();
    let mut said = vec![format!(
        "Best is {text} with a period of {} s: {} % of the crest's energy.",
        best.period_s,
        points(&best.eta)
    )];
    said.push(if even.is_empty() {
        "Every other setting of this grid is clearly behind.".to_owned()
    } else {
        format!("Not told apart from it: {}.", even.join(", "))
    });
    said.extend(doubts(tuning, map, !even.is_empty()));
    let Rule { settled_s, hardest, median } = tuning.rule;
    if tuning.key == STEP {
        said.push(format!(
            "The rule of Femia et al. 2005, for this device and sky: a period above {settled_s:.3} s; with {} s a \
             step of at least {:.2} V where the light changes hardest, {:.2} V for half of the time in which it \
             changes.",
            best.period_s,
            Rule::step(hardest, best.period_s),
            Rule::step(median, best.period_s)
        ));
    }
    said
}

/// What the grid can't say: what lies beyond its edge, and what so few seeds leave open.
fn doubts(tuning: &Tuning, map: &Map, open: bool) -> Vec<String> {
    let best = &map.spots[map.best];
    let mut said = vec![];
    let ends = |of: fn(&Spot) -> f64| {
        let all = map.spots.iter().filter(|spot| spot.accepted).map(of);
        all.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), one| {
            (low.min(one), high.max(one))
        })
    };
    let (low, high) = ends(|spot| spot.value);
    if low < high && (best.value <= low || best.value >= high) {
        let beyond = if best.value <= low { "smaller" } else { "larger" };
        said.push(format!(
            "It lies at the edge of the grid: with {beyond} --values there may be a better one."
        ));
    }
    // Shorter ones than the shortest that a station accepts are no way out.
    let (short, long) = ends(|spot| spot.period_s);
    if short < long && best.period_s >= long {
        said.push("Its period is the longest of the grid: try longer --periods, too.".to_owned());
    }
    let seeds = tuning.comparison.seeds.len();
    if open && seeds < FEW {
        said.push(format!(
            "{seeds} seeds leave wide intervals; more --seeds would tell more settings apart."
        ));
    }
    said
}

/// The lines to paste into a station file.
#[must_use]
pub fn station_lines(tuning: &Tuning, map: &Map) -> String {
    let best = &map.spots[map.best];
    let lines = tuning.comparison.trackers[best.tracker].station_lines.first();
    let lines = lines.map_or("", String::as_str);
    format!("{}\n[channel.tracker]\n{lines}", control_lines(best.period_s))
}

/// One line per spot, a header first.
#[must_use]
pub fn csv(tuning: &Tuning, map: &Map) -> String {
    let mut text = format!(
        "tracker,{},period_s,eta,eta_half_width,behind_best,behind_half_width,best,not_told_apart,accepted\n",
        tuning.key
    );
    for (at, spot) in map.spots.iter().enumerate() {
        let half = |half: Option<f64>| half.map(|half| half.to_string()).unwrap_or_default();
        // Writing to a String can't fail.
        let _ = writeln!(
            text,
            "\"{}\",{},{},{},{},{},{},{},{},{}",
            tuning.comparison.trackers[spot.tracker].text.replace('"', "\"\""),
            spot.value,
            spot.period_s,
            spot.eta.mean,
            half(spot.eta.half_width),
            spot.behind.mean,
            half(spot.behind.half_width),
            at == map.best,
            spot.even,
            spot.accepted
        );
    }
    text
}
