//! A comparison as a page for people: the answer first, then pictures and tables, then how to do it again.
//!
//! Model: one HTML file without script or anything from outside (`report::page`), made from the
//! comparison alone, so that joined shards give it, too. Series are told apart by letter, shape and
//! dashes; a difference that its interval doesn't keep apart from zero is marked by a sign and not by
//! a colour. The stretch of time is done again from the file ([`Comparison::traces`]).

use super::chart::key;
use super::comparison::{letter, warnings};
use super::comparison_pictures::{by_scenario, by_slope, trace};
use super::comparison_words::{answer, command, counted, order, points};
use super::page::{escaped, table, whole};
use crate::study::{Comparison, Estimate, Place};
use std::fmt::Write as _;

/// Trackers in the picture of time at most: the best, and the one after it.
const TRACED: usize = 2;

/// The page; differences are to the tracker `against`.
#[must_use]
pub fn page(comparison: &Comparison, against: usize) -> String {
    let mut out = "<h1>Which tracker: a comparison in simulation</h1>\n".to_owned();
    let _ = writeln!(
        out,
        "<p>{}, {}, {}, {}, {}: {}, each the controller of the field on a simulated bench. Made by Cresthold {}.</p>",
        counted(comparison.trackers.len(), "tracker"),
        counted(
            comparison.benches.len(),
            if comparison.benches.len() == 1 { "bench" } else { "benche" }
        ),
        counted(comparison.plants.len(), "device"),
        counted(comparison.scenarios.len(), "scenario"),
        counted(comparison.seeds.len(), "seed"),
        counted(comparison.cells.len(), "trial"),
        env!("CARGO_PKG_VERSION")
    );
    out.push_str("<div class=\"answer\">\n");
    for place in comparison.places() {
        for group in comparison.groups() {
            let _ = writeln!(out, "<p>{}</p>", escaped(&answer(comparison, place, group)));
        }
    }
    for warning in warnings(comparison) {
        let _ = writeln!(out, "<p>{}.</p>", escaped(&warning));
    }
    out.push_str("</div>\n");
    out.push_str(&compared(comparison));
    for place in comparison.places() {
        out.push_str(&of_place(comparison, place, against));
    }
    out.push_str(&meaning(comparison, against));
    whole("Cresthold: trackers compared", &out)
}

fn cells<const N: usize>(cells: [&str; N]) -> Vec<String> {
    cells.map(str::to_owned).to_vec()
}

/// What was compared.
fn compared(comparison: &Comparison) -> String {
    let mut out = "<h2>What was compared</h2>\n".to_owned();
    let tracker = |(index, row): (usize, &crate::study::TrackerRow)| {
        let kind = if row.baseline { "baseline" } else { "" };
        vec![
            letter(index),
            key(index),
            format!("<code>{}</code>", escaped(&row.text)),
            kind.to_owned(),
        ]
    };
    let rows: Vec<_> = comparison.trackers.iter().enumerate().map(tracker).collect();
    out.push_str(&table(&cells(["", "", "tracker and settings", ""]), &rows, 4));
    let bench = |row: &crate::study::BenchRow| {
        let times = [row.period_s, row.settling_s, row.latency_s, row.window_s]
            .map(|s| (s * 1e3).to_string());
        let shares = [row.noise, row.resolution, row.offset_volts, row.offset_amps].map(share);
        let name = [escaped(&row.name)];
        name.into_iter().chain(times).chain(shares).chain([escaped(&row.sensor)]).collect()
    };
    let header = cells([
        "bench",
        "period, ms",
        "settling, ms",
        "latency, ms",
        "window, ms",
        "noise",
        "resolution",
        "offset of volts",
        "offset of amps",
        "irradiance sensor",
    ]);
    let rows: Vec<_> = comparison.benches.iter().map(bench).collect();
    out.push_str(&table(&header, &rows, 1));
    out.push_str("<p>Noise, resolution and offsets are shares of full scale.</p>\n");
    let plant = |row: &crate::study::PlantRow| {
        let figures =
            [row.voc_v, row.isc_a, row.vmp_v, row.pmp_w].map(|value| format!("{value:.3}"));
        [escaped(&row.name)].into_iter().chain(figures).collect()
    };
    let rows: Vec<_> = comparison.plants.iter().map(plant).collect();
    let header = cells(["device, standard conditions", "Voc, V", "Isc, A", "Vmp, V", "Pmp, W"]);
    out.push_str(&table(&header, &rows, 1));
    let group = |group: &&str| {
        let names = comparison.scenarios_of(group);
        let names: Vec<&str> =
            names.iter().map(|at| comparison.scenarios[*at].name.as_str()).collect();
        format!("<p>Scenarios, {}: {}.</p>\n", escaped(group), escaped(&names.join(", ")))
    };
    out.extend(comparison.groups().iter().map(group));
    let seeds: Vec<String> = comparison.seeds.iter().map(u64::to_string).collect();
    let _ = write!(
        out,
        "<p>Seeds: {}. The same again, to the last bit:</p>\n<pre>{}</pre>\n",
        seeds.join(", "),
        escaped(&command(comparison))
    );
    out
}

/// A share of full scale: 1e-4, or 0.
fn share(value: f64) -> String {
    if value.abs() > 0.0 { format!("{value:e}") } else { "0".to_owned() }
}

fn legend(comparison: &Comparison) -> String {
    let item = |(index, row): (usize, &crate::study::TrackerRow)| {
        format!("<li>{} {} {}</li>", key(index), letter(index), escaped(&row.text))
    };
    let items: String = comparison.trackers.iter().enumerate().map(item).collect();
    format!("<ul class=\"legend\">{items}</ul>\n")
}

/// One device on one bench.
fn of_place(comparison: &Comparison, place: Place, against: usize) -> String {
    let (bench, plant) = (&comparison.benches[place.bench], &comparison.plants[place.plant]);
    let mut out =
        format!("<section>\n<h2>{}, bench {}</h2>\n", escaped(&plant.name), escaped(&bench.name));
    for group in comparison.groups() {
        let _ = writeln!(out, "<h3>Means: {}</h3>", escaped(group));
        out.push_str(&means(comparison, against, place, group));
    }
    let all: Vec<usize> = (0..comparison.scenarios.len()).collect();
    figure(
        &mut out,
        comparison,
        &by_scenario(comparison, place, &all),
        "Loss in each scenario. Bars are 95 % intervals; where none is seen, it is smaller than the mark.",
    );
    if let Some(picture) = by_slope(comparison, place) {
        figure(&mut out, comparison, &picture, "Loss against the slope of the ramps.");
    }
    out.push_str("<h3>Each scenario</h3>\n");
    out.push_str(&each(comparison, against, place));
    out.push_str(&stretch(comparison, place));
    out.push_str("</section>\n");
    out
}

fn figure(out: &mut String, comparison: &Comparison, picture: &str, caption: &str) {
    let legend = legend(comparison);
    let _ =
        writeln!(out, "<figure>\n{picture}<figcaption>{caption}</figcaption>\n{legend}</figure>");
}

fn means(comparison: &Comparison, against: usize, place: Place, group: &str) -> String {
    let header = cells([
        "",
        "tracker",
        "eta, %",
        "to reference, points",
        "worst scenario",
        "its eta, %",
        "worst second, %",
        "let go",
    ]);
    let row = |tracker: usize| {
        let summary = comparison.summary(tracker, place, group)?;
        let (worst, eta) = summary.worst;
        let difference = (tracker != against)
            .then(|| comparison.difference(tracker, against, place, group))
            .flatten();
        Some(vec![
            letter(tracker),
            escaped(&comparison.trackers[tracker].text),
            points(&summary.eta),
            difference.map_or_else(|| "reference".to_owned(), |found| told(&found)),
            escaped(&comparison.scenarios[worst].name),
            format!("{:.3}", eta * 100.0),
            format!("{:.2}", summary.worst_second * 100.0),
            summary.let_go.to_string(),
        ])
    };
    let rows: Vec<_> = (0..comparison.trackers.len()).filter_map(row).collect();
    table(&header, &rows, 2)
}

/// A difference with its interval; a sign before it says when it is not apart from zero.
fn told(found: &Estimate) -> String {
    let sign = if found.mean >= 0.0 { "+" } else { "" };
    let text = format!("{sign}{}", points(found));
    match found.half_width {
        Some(_) if !found.is_clear() => format!("≈ {text}"),
        _ if found.mean > 0.0 => format!("<span class=\"ahead\">{text}</span>"),
        _ => format!("<span class=\"behind\">{text}</span>"),
    }
}

/// Efficiency of every tracker in every scenario, below it the difference to the reference.
fn each(comparison: &Comparison, against: usize, place: Place) -> String {
    let trackers = 0..comparison.trackers.len();
    let head = |tracker: usize| {
        let method = comparison.trackers[tracker].text.split(':').next().unwrap_or_default();
        format!("{}<br/><small>{}</small>", letter(tracker), escaped(method))
    };
    let header: Vec<String> =
        ["scenario".to_owned()].into_iter().chain(trackers.clone().map(head)).collect();
    let row = |scenario: usize| {
        let theirs = comparison.each_seed(against, place, &[scenario]);
        let cell = |tracker: usize| {
            let ours = comparison.each_seed(tracker, place, &[scenario]);
            let eta = points(&Estimate::of(&ours));
            match Estimate::of_pairs(&ours, &theirs).filter(|_| tracker != against) {
                Some(found) => format!("{eta}<br/><small>{}</small>", told(&found)),
                None => format!("{eta}<br/><small>reference</small>"),
            }
        };
        let name = escaped(&comparison.scenarios[scenario].name);
        [name].into_iter().chain(trackers.clone().map(cell)).collect()
    };
    let rows: Vec<Vec<String>> = (0..comparison.scenarios.len()).map(row).collect();
    table(&header, &rows, 1)
}

/// The worst stretch of the best tracker, and what to paste for it.
fn stretch(comparison: &Comparison, place: Place) -> String {
    let all: Vec<usize> = (0..comparison.scenarios.len()).collect();
    let order = order(comparison, place, &all);
    let Some(best) = order.first().copied() else { return String::new() };
    let mut out = String::new();
    let eta = |at: &usize| comparison.eta(best, place, *at).mean;
    let worst = all.iter().copied().min_by(|a, b| eta(a).total_cmp(&eta(b)));
    let shown = &order[..order.len().min(TRACED)];
    if let Some(worst) = worst {
        let _ = writeln!(
            out,
            "<h3>A stretch of {}, where {} does worst</h3>",
            escaped(&comparison.scenarios[worst].name),
            letter(best)
        );
        match comparison.traces(shown, place, worst).as_deref().and_then(trace) {
            Some(picture) => {
                let caption = "Power and voltage at each reading; broad and grey: the crest. First seed; the stretch in which the best \
                               tracker loses most.";
                figure(&mut out, comparison, &picture, caption);
            }
            None => out.push_str(
                "<p>No picture: this trial can't be done again from its results alone (a sensor on the bench, or a \
                 device or tracker that is not built in).</p>\n",
            ),
        }
    }
    let _ = writeln!(
        out,
        "<h3>For the station file: {}</h3>\n<pre>[channel.tracker]\n{}</pre>",
        letter(best),
        escaped(
            comparison.trackers[best].station_lines.get(place.plant).map_or("", String::as_str)
        )
    );
    out
}

fn meaning(comparison: &Comparison, against: usize) -> String {
    format!(
        "<h2>How to read it</h2>\n<p>eta is the energy delivered over the energy at the crest, both the simulated plant's own truth through \
         every transient, the setup of each scenario not counted; loss is 1 - eta. Trackers meet the same noise and \
         the same sky: differences are paired by scenario and seed, in percentage points, here to {} ({}). ± is half \
         of a 95 % interval over the seeds (Student); ≈ marks a difference whose interval reaches over zero. A \
         mean weighs all scenarios of a group alike. Hold and fractional voltage are baselines: what can't beat them is not worth \
         its trouble; on the standards' generator model the ratio of crest to open-circuit voltage doesn't depend on \
         irradiance, which flatters fractional voltage.</p>\n",
        letter(against),
        escaped(&comparison.trackers[against].text)
    )
}
