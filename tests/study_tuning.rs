//! The map of setting and period: its optimum where theory has it, shards, and what its page says.
#![allow(clippy::unwrap_used, reason = "a test: what is not there fails it")]

use cresthold::daemon::compare;
use cresthold::quantities::{Celsius, Irradiance};
use cresthold::report::{tuning, tuning_page};
use cresthold::study::{
    BenchSettings, Grid, Map, Plant, Rule, STEP, Scenario, Shard, Tuning, scenarios,
};
use cresthold::time::Instant;
use cresthold_sim::scene::{Exposure, Scene};
use std::process::Command;
use std::time::Duration;

/// Up and down between 800 and 1000 W/m2 without rest, at 25 degC: the relative change is nearly the
/// same all the time, so that one step is right for all of it.
struct Saw {
    slope: f64,
}

impl Scene for Saw {
    fn length(&self) -> Duration {
        Duration::from_secs(320)
    }

    fn setup(&self) -> Duration {
        Duration::from_secs(20)
    }

    fn expose(&mut self, at: Instant, to: &mut Exposure) {
        let way = (at.as_secs_f64() * self.slope) % 400.0;
        to.uniform(Irradiance(1000.0 - way.min(400.0 - way)), Celsius(25.0));
    }
}

fn run(grid: &Grid) -> Tuning {
    let comparison = compare::run(&grid.plan().unwrap().prepare().unwrap(), 2, true).unwrap().0;
    Tuning { key: grid.key.clone(), rule: grid.rule().unwrap(), comparison }
}

/// Slope of the saw (W/m2/s).
const SLOPE: f64 = 20.0;
/// Steps of the saw's grid (% of 124.9 V), a factor of 1.19 apart.
const STEPS: [&str; 14] = [
    "0.6%", "0.71%", "0.85%", "1%", "1.19%", "1.41%", "1.68%", "2%", "2.38%", "2.83%", "3.36%",
    "4%", "4.76%", "5.66%",
];

fn saw() -> Grid {
    let make = |_: &Plant, _| -> Result<Box<dyn Scene>, _> { Ok(Box::new(Saw { slope: SLOPE })) };
    Grid {
        tracker: "perturb-and-observe".to_owned(),
        key: STEP.to_owned(),
        values: STEPS.map(str::to_owned).to_vec(),
        periods: [100, 200, 400].map(Duration::from_millis).to_vec(),
        bench: ("ideal".to_owned(), BenchSettings::ideal()),
        plant: Plant::named("standard-crystalline").unwrap(),
        scenarios: vec![Scenario::new("saw", "test", make)],
        // Phase and noise are the same: two seeds are there for the form.
        seeds: vec![1, 2],
        shard: None,
    }
}

/// After Femia, Petrone, Spagnuolo & Vitelli 2005 (rule from memory; what follows derived here). With the rule's
/// step e* and the step e, both over Vmp: while light rises, the tracker keeps its direction until
/// 2 a d dV outweighs the change, at d = e*^2 / (2 e) from the crest; then it turns, and sweeps to the same distance on
/// the other side. While light falls it turns at every step and stays where it was. Mean square
/// distance: d^2 / 3. With the steady loss kappa e^2 / 2 beside it:
///
/// ```text
/// loss = kappa (e*^4 / (12 e^2) + e^2 / 2), least at e = e* / 6^(1/4) = 0.64 e*, there 0.41 kappa e*^2
/// ```
///
/// Tolerances: at 1.5 times to either side of the best step the formula's loss is only 1.4 times the least, so a
/// phase of the saw may move the optimum that far, and no farther; and the sweeps end early at
/// each turn of the saw, which the formula doesn't know: 40 % of the loss.
#[test]
fn the_best_step_is_where_theory_puts_it() {
    let tuning = run(&saw());
    let map = tuning.map().unwrap();
    // In the middle of the saw; kappa of this generator is 5.6 (computed).
    let plant = Plant::named("standard-crystalline").unwrap();
    let c = Rule::coefficient(&plant, Irradiance(900.0), SLOPE);
    for bench in 0..tuning.comparison.benches.len() {
        let column = || map.spots.iter().filter(|spot| spot.bench == bench);
        let top = column().max_by(|a, b| a.eta.mean.total_cmp(&b.eta.mean)).unwrap();
        let rule = Rule::step(c, top.period_s);
        println!("T {} s: rule {rule:.2} V, best {:.2} V", top.period_s, top.value);
        for spot in column() {
            println!("  {:.2} V: {:.3} %", spot.value, 100.0 - spot.eta.mean * 100.0);
        }
        let off = top.value / (rule * 6_f64.powf(-0.25));
        assert!((1.0 / 1.5..=1.5).contains(&off), "T {}: {off}", top.period_s);
        let expected = 0.408 * 5.6 * (rule / plant.crest().volts.0).powi(2);
        let ratio = (1.0 - top.eta.mean) / expected;
        assert!((0.6..=1.4).contains(&ratio), "T {}: {ratio}", top.period_s);
    }
}

/// The standards' steepest ramp from the least light is the hardest change of all 17, as one computes from its slope.
#[test]
fn the_hardest_change_is_the_steepest_ramp_in_the_least_light() {
    let mut grid = saw();
    grid.scenarios = scenarios().into_iter().filter(|one| one.is("low-50")).collect();
    let rule = grid.rule().unwrap();
    // The first quarter of a second at 50 W/m2/s has 106 W/m2 in its middle; the table's steps of
    // irradiance are 6 %.
    let expected = Rule::coefficient(&grid.plant, Irradiance(106.25), 50.0);
    assert!((rule.hardest / expected - 1.0).abs() < 0.06, "{rule:?} {expected}");
    assert!(rule.median < rule.hardest);
    // 15 ms settling to a tenth and 5 ms latency: 5 + 15 ln 10.
    assert!((rule.settled_s - 0.039_54).abs() < 1e-4, "{rule:?}");
}

fn usual(shard: Option<Shard>) -> Grid {
    Grid {
        values: ["0.5%", "1%", "2%"].map(str::to_owned).to_vec(),
        periods: [50, 100, 400].map(Duration::from_millis).to_vec(),
        bench: ("usual".to_owned(), BenchSettings::default()),
        scenarios: scenarios().into_iter().filter(|one| one.is("high-100")).collect(),
        seeds: vec![1, 2, 3],
        shard,
        ..saw()
    }
}

#[test]
fn shards_join_to_the_bytes_of_the_whole() {
    let whole = serde_json::to_string(&run(&usual(None))).unwrap();
    let part = |part| {
        let text = serde_json::to_string(&run(&usual(Some(Shard { part, of: 3 })))).unwrap();
        serde_json::from_str::<Tuning>(&text).unwrap()
    };
    let parts = vec![part(2), part(1), part(3)];
    assert!(parts[0].map().is_none(), "a part has no map");
    assert_eq!(whole, serde_json::to_string(&Tuning::join(parts).unwrap()).unwrap());
}

fn mapped() -> (Tuning, Map) {
    let tuning = run(&usual(None));
    let map = tuning.map().unwrap();
    (tuning, map)
}

#[test]
fn the_best_is_one_that_a_station_accepts_and_its_lines_say_so() {
    let (tuning, map) = mapped();
    let best = &map.spots[map.best];
    // 5 x 15 ms + 20 ms + 5 ms: 50 ms are too short.
    assert!(map.spots.iter().all(|spot| spot.accepted == (spot.period_s > 0.09)));
    assert!(best.accepted && best.even && best.behind.mean.abs() < f64::EPSILON);
    let lines = tuning::station_lines(&tuning, &map);
    assert!(lines.contains(&format!("period_s = {}", best.period_s)), "{lines}");
    assert!(
        lines.contains("[channel.tracker]\nmethod = \"perturb-and-observe\"\nstep_volts = "),
        "{lines}"
    );
    let csv = tuning::csv(&tuning, &map);
    assert_eq!(csv.lines().count(), 1 + map.spots.len());
    assert!(csv.contains(&best.eta.mean.to_string()));
}

/// Whichever spot is best: at an edge of values or of periods that is told, in the middle it is not.
#[test]
fn a_best_at_the_edge_of_the_grid_is_told() {
    let (tuning, map) = mapped();
    let told = |at: usize| {
        let said = tuning::answer(&tuning, &Map { best: at, ..map.clone() });
        let has = |what: &str| said.iter().any(|sentence| sentence.contains(what));
        (has("smaller --values"), has("larger --values"), has("longer --periods"))
    };
    // Settings outermost: three values, each at 50 ms (refused), 100 ms and 400 ms.
    assert_eq!(told(1), (true, false, false));
    assert_eq!(told(4), (false, false, false));
    assert_eq!(told(5), (false, false, true));
    assert_eq!(told(8), (false, true, true));
    // Three seeds are few where something is not told apart.
    let even =
        map.spots.iter().enumerate().any(|(at, spot)| at != map.best && spot.even && spot.accepted);
    let said = tuning::answer(&tuning, &map);
    assert_eq!(said.iter().any(|sentence| sentence.contains("more --seeds")), even, "{said:?}");
}

#[test]
fn the_page_has_every_figure_of_the_map_and_needs_nothing_beside_it() {
    let (tuning, map) = mapped();
    let page = tuning_page::page(&tuning, &map);
    assert!(!page.contains("http") && !page.contains("<script"));
    let options = roxmltree::ParsingOptions { allow_dtd: true, ..Default::default() };
    let page = roxmltree::Document::parse_with_options(&page, options).unwrap();
    let svg = page.descendants().find(|node| node.has_tag_name("svg")).unwrap();
    let texts: Vec<&str> = svg.descendants().filter_map(|node| node.text()).collect();
    for spot in &map.spots {
        // Two digits of the loss.
        let shown = |text: &&str| {
            let text = text.trim_end_matches(['*', '=', '!']);
            text.parse::<f64>()
                .is_ok_and(|loss| (loss / ((1.0 - spot.eta.mean) * 100.0) - 1.0).abs() < 0.05)
        };
        assert!(texts.iter().any(shown), "{spot:?} {texts:?}");
    }
    for name in ["median change", "control period, s"] {
        assert!(texts.contains(&name), "{name}: {texts:?}");
    }
}

/// The command that the page prints gives the same bytes.
#[test]
fn the_command_on_the_page_repeats_it() {
    let (tuning, map) = mapped();
    let page = tuning_page::page(&tuning, &map);
    let from = page.rfind("<pre>cresthold ").unwrap() + "<pre>cresthold ".len();
    let command = page[from..].split("</pre>").next().unwrap();
    let place = tempfile::tempdir().unwrap();
    let file = place.path().join("again.json");
    let line = format!(
        "'{}' {command} --quiet --json '{}'",
        env!("CARGO_BIN_EXE_cresthold"),
        file.display()
    );
    let output = Command::new("sh").arg("-c").arg(&line).output().unwrap();
    assert!(output.status.success(), "{line}: {}", String::from_utf8_lossy(&output.stderr));
    let again = std::fs::read_to_string(file).unwrap();
    assert_eq!(again, serde_json::to_string(&tuning).unwrap(), "{command}");
    assert!(String::from_utf8_lossy(&output.stdout).contains("for the station file:"));
}
