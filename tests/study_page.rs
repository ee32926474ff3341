//! The page of a comparison: well-formed, alone, and with the figures of the JSON file.
#![allow(clippy::unwrap_used, reason = "a test: what is not there fails it")]

use cresthold::daemon::compare;
use cresthold::report::comparison_page::page;
use cresthold::study::{BenchSettings, Comparison, Contender, Place, Plan, Plant, scenarios};
use roxmltree::{Document, Node, ParsingOptions};
use std::process::Command;
use std::time::Duration;

fn comparison() -> Comparison {
    let contenders = ["perturb-and-observe:step_volts=0.5%", "perturb-and-observe:step_volts=1%"];
    // Another period than the usual one: the command has to say so.
    let bench = BenchSettings {
        period: Duration::from_millis(120),
        noise: 2e-4,
        ..BenchSettings::default()
    };
    let plan = Plan {
        contenders: contenders.map(|text| Contender::new(text).unwrap()).to_vec(),
        benches: vec![("usual".to_owned(), bench)],
        plants: vec![Plant::named("crystalline-module").unwrap()],
        scenarios: scenarios()
            .into_iter()
            .filter(|one| {
                ["high-50", "high-100", "low-50", "level-50"].iter().any(|name| one.is(name))
            })
            .collect(),
        seeds: vec![1, 2, 3],
        shard: None,
    };
    compare::run(&plan.with_baselines().unwrap().prepare().unwrap(), 2, true).unwrap().0
}

/// The tracker of the differences: the first that is no baseline.
const AGAINST: usize = 2;

fn parsed(text: &str) -> Document<'_> {
    let options = ParsingOptions { allow_dtd: true, ..ParsingOptions::default() };
    Document::parse_with_options(text, options).unwrap()
}

fn words(node: Node<'_, '_>) -> Vec<String> {
    let texts = node.descendants().filter(Node::is_text).filter_map(|text| text.text());
    texts.map(|text| text.trim().to_owned()).filter(|text| !text.is_empty()).collect()
}

#[test]
fn it_is_well_formed_and_needs_nothing_beside_it() {
    let text = page(&comparison(), AGAINST);
    for outside in ["http", "<script", "@import", "url(", "src="] {
        assert!(!text.contains(outside), "{outside}");
    }
    let page = parsed(&text);
    let titles: Vec<_> = page
        .descendants()
        .filter(|node| node.has_tag_name("svg"))
        .filter_map(|svg| svg.children().find(|child| child.has_tag_name("title"))?.text())
        .collect();
    let expected = [
        "Loss by scenario on crystalline-module",
        "Loss by slope on crystalline-module",
        "Power and voltage beside the crest",
    ];
    assert_eq!(titles, expected);
    // Nothing is drawn at a place that is no number.
    assert!(!text.contains("NaN") && !text.contains("inf\""));
}

/// Mean and half width of the 95 % interval of three numbers: Student's quantile for two degrees of freedom
/// is 4.30265 (any table).
fn of_three(values: [f64; 3]) -> (f64, f64) {
    let mean = values.iter().sum::<f64>() / 3.0;
    let squares: f64 = values.iter().map(|value| (value - mean).powi(2)).sum();
    (mean, 4.302_65 * (squares / 2.0 / 3.0).sqrt())
}

/// `1.234 ± 0.056`, with a sign or without.
fn read(text: &str) -> (f64, f64) {
    let text = text.trim_start_matches(['≈', ' ', '+']);
    let (mean, half) = text.split_once(" ± ").unwrap();
    (mean.parse().unwrap(), half.parse().unwrap())
}

/// As good as the last of the digits shown.
fn same(shown: (f64, f64), is: (f64, f64)) -> bool {
    // Two digits of the interval, at least one decimal.
    let unit = (0.06 * is.1 * 100.0).max(1e-6);
    (shown.0 - is.0 * 100.0).abs() <= unit && (shown.1 - is.1 * 100.0).abs() <= unit
}

/// The table of scenarios against etas that this test takes from the JSON file by itself.
#[test]
fn its_figures_are_those_of_the_json_file() {
    let comparison = comparison();
    let json: serde_json::Value =
        serde_json::from_str(&serde_json::to_string(&comparison).unwrap()).unwrap();
    let etas = |tracker: usize, scenario: usize| -> [f64; 3] {
        let cells = json["cells"].as_array().unwrap().iter();
        let ours = cells.filter(|cell| cell["tracker"] == tracker && cell["scenario"] == scenario);
        let eta = |cell: &serde_json::Value| {
            let watt_hours = |key: &str| cell["outcome"][key].as_f64().unwrap();
            watt_hours("delivered_wh") / watt_hours("available_wh")
        };
        ours.map(eta).collect::<Vec<_>>().try_into().unwrap()
    };
    let text = page(&comparison, AGAINST);
    let page = parsed(&text);
    let table = page.descendants().filter(|node| node.has_tag_name("table"));
    let mut table =
        table.filter(|table| words(*table).first().is_some_and(|word| word == "scenario"));
    let table = table.next_back().unwrap();
    let rows = table.descendants().filter(|node| node.has_tag_name("tr")).skip(1);
    let mut seen = 0;
    for (scenario, row) in rows.enumerate() {
        let cells: Vec<Vec<String>> = row.children().filter(Node::is_element).map(words).collect();
        assert_eq!(cells[0][0], comparison.scenarios[scenario].name);
        for (tracker, cell) in cells[1..].iter().enumerate() {
            let (ours, theirs) = (etas(tracker, scenario), etas(AGAINST, scenario));
            assert!(same(read(&cell[0]), of_three(ours)), "{cell:?} {ours:?}");
            if tracker != AGAINST {
                let pairs = [0, 1, 2].map(|seed| ours[seed] - theirs[seed]);
                let (mean, half) = of_three(pairs);
                assert!(same(read(&cell[1]), (mean, half)), "{cell:?} {pairs:?}");
                assert_eq!(cell[1].starts_with('≈'), mean.abs() <= half, "{cell:?}");
            }
            seen += 1;
        }
    }
    assert_eq!(seen, 4 * 4);
}

/// A trace is the trial itself, done again from the file alone.
#[test]
fn a_trace_is_the_trial_once_more() {
    let comparison = comparison();
    let place = Place { bench: 0, plant: 0 };
    let steepest = comparison.scenarios.iter().position(|one| one.name == "high-100").unwrap();
    let traces = comparison.traces(&[AGAINST, 0], place, steepest).unwrap();
    assert_eq!(traces.iter().map(|one| one.tracker).collect::<Vec<_>>(), [AGAINST, 0]);
    let worst = comparison.outcomes(AGAINST, place, steepest).next().unwrap().worst_second;
    for trace in &traces {
        // 400 periods of 120 ms.
        assert!((395..=401).contains(&trace.moments.len()), "{}", trace.moments.len());
        // Never above the crest, but by rounding.
        assert!(trace.moments.iter().all(|one| one.watts.0 <= one.crest_watts.0 * (1.0 + 1e-9)));
    }
    // The stretch of the largest loss has a reading about as bad as the worst second, or worse.
    let bad =
        traces[0].moments.iter().map(|one| one.watts.0 / one.crest_watts.0).fold(1.0, f64::min);
    assert!(bad < worst + 0.05, "{bad} {worst}");
    // Both trackers met the same sky.
    let light = |trace: &cresthold::study::Trace| {
        trace.moments.iter().map(|one| one.irradiance.0).sum::<f64>()
    };
    assert!((light(&traces[0]) / light(&traces[1]) - 1.0).abs() < 1e-3);
}

/// The command that the page prints gives the same bytes; and so does the page made of the file.
#[test]
fn the_command_on_the_page_repeats_it() {
    let comparison = comparison();
    let text = page(&comparison, AGAINST);
    let from = text.find("<pre>cresthold ").unwrap() + "<pre>cresthold ".len();
    let command = text[from..].split("</pre>").next().unwrap();
    let place = tempfile::tempdir().unwrap();
    let (json, again) = (place.path().join("again.json"), place.path().join("again.html"));
    let program = env!("CARGO_BIN_EXE_cresthold");
    let run = |line: &str| {
        let output = Command::new("sh").arg("-c").arg(line).output().unwrap();
        assert!(output.status.success(), "{line}: {}", String::from_utf8_lossy(&output.stderr));
    };
    run(&format!("'{program}' {command} --quiet --json '{}'", json.display()));
    let repeated = std::fs::read_to_string(&json).unwrap();
    assert_eq!(repeated, serde_json::to_string(&comparison).unwrap(), "{command}");
    run(&format!("'{program}' compare --join '{}' --page '{}'", json.display(), again.display()));
    assert_eq!(std::fs::read_to_string(again).unwrap(), text);
}
