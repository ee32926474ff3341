//! Comparisons: the same bytes whatever the threads and shards, pairs that cancel what is common.
#![allow(clippy::unwrap_used, reason = "a test: what is not there fails it")]

use cresthold::daemon::compare;
use cresthold::report::comparison::{csv, tables};
use cresthold::study::{
    BenchSettings, Comparison, Contender, DYNAMIC, JoinError, Place, Plan, PlanError, Plant,
    STATIC, Scenario, Shard, scenarios,
};
use std::process::Command;

/// Five trackers on one bench and two devices through the two shortest ramps, three seeds.
fn plan(shard: Option<Shard>) -> Plan {
    let contenders = [
        "perturb-and-observe:step_volts=0.5%",
        "perturb-and-observe:step_volts=1%",
        "incremental-conductance:step_volts=0.5%",
    ];
    Plan {
        contenders: contenders.map(|text| Contender::new(text).unwrap()).to_vec(),
        benches: vec![("usual".to_owned(), BenchSettings::default())],
        plants: ["standard-crystalline", "crystalline-module"]
            .map(|name| Plant::named(name).unwrap())
            .to_vec(),
        scenarios: scenarios()
            .into_iter()
            .filter(|one| one.is("high-100") || one.is("low-50"))
            .collect(),
        seeds: vec![1, 2, 3],
        shard,
    }
    .with_baselines()
    .unwrap()
}

fn run(shard: Option<Shard>, threads: usize) -> Comparison {
    compare::run(&plan(shard).prepare().unwrap(), threads, true).unwrap().0
}

fn json(comparison: &Comparison) -> String {
    serde_json::to_string(comparison).unwrap()
}

const PLACE: Place = Place { bench: 0, plant: 0 };

#[test]
fn threads_and_shards_leave_the_bytes_alone() {
    let whole = json(&run(None, 1));
    assert_eq!(whole, json(&run(None, 3)), "the number of threads shows");
    // As from four machines: through files and back.
    let part = |part| json(&run(Some(Shard { part, of: 4 }), 2));
    let parts: Vec<String> = [3, 1, 4, 2].map(part).to_vec();
    let read = |text: &String| serde_json::from_str(text).unwrap();
    let parts: Vec<Comparison> = parts.iter().map(read).collect();
    let joined = Comparison::join(parts.clone()).unwrap();
    assert_eq!(whole, json(&joined), "the shards show");
    assert!(matches!(
        Comparison::join(parts[..3].to_vec()),
        Err(JoinError::Missing { missing: 15, of: 60, first: 1 })
    ));
    let twice = [&parts[..], &parts[..1]].concat();
    assert!(matches!(Comparison::join(twice), Err(JoinError::Twice { .. })));
    let mut other = parts;
    other[2].seeds.push(4);
    assert!(matches!(Comparison::join(other), Err(JoinError::Different { index: 3 })));
}

#[test]
fn differences_are_paired_and_baselines_always_there() {
    let comparison = run(None, 2);
    let texts: Vec<&str> = comparison.trackers.iter().map(|one| one.text.as_str()).collect();
    assert_eq!(texts[..2], Contender::BASELINES);
    assert!(comparison.trackers[..2].iter().all(|one| one.baseline));
    // A tracker against itself: no difference, no doubt.
    let none = comparison.difference(2, 2, PLACE, DYNAMIC).unwrap();
    assert_eq!((none.mean, none.half_width), (0.0, Some(0.0)));
    // Antisymmetric, and the difference of the means.
    let one = comparison.difference(2, 3, PLACE, DYNAMIC).unwrap();
    let other = comparison.difference(3, 2, PLACE, DYNAMIC).unwrap();
    assert!((one.mean + other.mean).abs() < 1e-15 && one.half_width == other.half_width);
    let mean = |tracker| comparison.summary(tracker, PLACE, DYNAMIC).unwrap().eta.mean;
    assert!((mean(2) - mean(3) - one.mean).abs() < 1e-12);
    // On the steepest ramps the larger step is the better one (Femia et al. 2005), clearly.
    assert!(other.is_clear() && other.mean > 0.0, "{other:?}");
    let text = tables(&comparison, 2);
    assert!(text.contains("reference") && text.contains("hold:share=0.8"), "{text}");
    assert_eq!(csv(&comparison).lines().count(), 1 + comparison.cells.len());
}

/// Static levels have European and CEC weights; hold at the right share can't be beaten there.
#[test]
fn static_levels_are_weighted() {
    let plan = Plan {
        contenders: vec![Contender::new("hold:share=0.7983").unwrap()],
        plants: vec![Plant::named("standard-crystalline").unwrap()],
        scenarios: scenarios().into_iter().filter(|one| one.group() == STATIC).collect(),
        seeds: vec![1],
        ..plan(None)
    };
    let comparison = compare::run(&plan.prepare().unwrap(), 2, true).unwrap().0;
    let (european, cec) = comparison.summary(0, PLACE, STATIC).unwrap().weighted.unwrap();
    // The share is the standards' own at every level; the rest is the setpoint's resolution.
    assert!(european > 0.999_999 && cec > 0.999_999, "{european} {cec}");
}

/// Scenes of the simulation meet every tracker alike, too: what a crest offers under drawn clouds is one
/// number per seed and device, whoever tracks; and another one with another seed.
#[test]
fn drawn_scenes_are_the_same_for_every_tracker() {
    let request = |text| Scenario::request(text).unwrap();
    let plan = Plan {
        plants: ["crystalline-module", "crystalline-string"]
            .map(|name| Plant::named(name).unwrap())
            .to_vec(),
        scenarios: vec![request("broken-clouds,minutes=3"), request("sharp-edges,minutes=1")],
        seeds: vec![7, 8],
        ..plan(None)
    };
    let trackers = plan.contenders.len();
    let comparison = compare::run(&plan.prepare().unwrap(), 2, true).unwrap().0;
    for place in comparison.places() {
        let offered = |tracker| -> Vec<f64> {
            let of = |scenario| comparison.outcomes(tracker, place, scenario);
            of(0).chain(of(1)).map(|outcome| outcome.available_wh).collect()
        };
        let first = offered(0);
        assert!((first[0] / first[1] - 1.0).abs() > 1e-3, "{first:?}");
        for tracker in 1..trackers {
            for (one, other) in first.iter().zip(offered(tracker)) {
                // The pieces of time differ a little with what the channel does.
                assert!((one / other - 1.0).abs() < 1e-4, "{one} {other}");
            }
        }
    }
}

/// Shade that needs several substrings is refused on a generator that has one, by name.
#[test]
fn scenes_that_do_not_fit_are_refused() {
    let shade = scenarios().into_iter().find(|one| one.group() == "shade").unwrap();
    let plan = Plan { scenarios: vec![shade.clone()], seeds: vec![1], ..plan(None) };
    let refused = compare::run(&plan.prepare().unwrap(), 2, true).unwrap_err();
    assert!(matches!(&refused, PlanError::Scene { scenario, .. } if scenario == shade.name()));
}

fn cresthold(arguments: &[&str]) -> (Option<i32>, String, String) {
    let output = Command::new(env!("CARGO_BIN_EXE_cresthold"))
        .arg("compare")
        .args(arguments)
        .output()
        .unwrap();
    let text = |bytes: &[u8]| String::from_utf8_lossy(bytes).into_owned();
    (output.status.code(), text(&output.stdout), text(&output.stderr))
}

#[test]
fn the_command_compares_cuts_and_joins() {
    let scratch = tempfile::tempdir().unwrap();
    let path = |name: &str| scratch.path().join(name).display().to_string();
    let common = ["--device", "standard-thin-film", "--scenario", "high-100", "--seeds", "2"];
    let (code, out, _) = cresthold(&[&common[..], &["--json", &path("whole.json")]].concat());
    assert_eq!(code, Some(0));
    assert!(out.contains("fractional-voc:share=0.8") && out.contains("high-100"), "{out}");
    for part in ["1/2", "2/2"] {
        let file = path(&format!("part-{}.json", &part[..1]));
        let (code, out, _) =
            cresthold(&[&common[..], &["--shard", part, "--json", &file]].concat());
        assert!(code == Some(0) && out.contains("join"), "{out}");
    }
    let (first, second) = (path("part-1.json"), path("part-2.json"));
    let (code, joined, _) =
        cresthold(&["--join", &first, "--join", &second, "--json", &path("joined.json")]);
    assert_eq!((code, joined), (Some(0), out));
    let read = |name: &str| std::fs::read(scratch.path().join(name)).unwrap();
    assert_eq!(read("whole.json"), read("joined.json"));
    let (code, _, told) = cresthold(&["--join", &first]);
    assert!(code == Some(11) && told.contains("name all parts"), "{code:?} {told}");
    // What is joined is not written over, before anything else is written.
    let before = read("part-1.json");
    let both = ["--join", &first, "--join", &second, "--json", &first];
    let (code, _, told) = cresthold(&both);
    assert!(code == Some(2) && told.contains("is being read"), "{code:?} {told}");
    assert_eq!(read("part-1.json"), before);
    let (code, _, told) = cresthold(&["--tracker", "perturb-and-observe:step=1%"]);
    assert!(code == Some(2) && told.contains("step_volts"), "{told}");
    // A slip of the hand writes over no station file.
    for (option, ending) in [("--csv", ".csv"), ("--json", ".json")] {
        let (code, _, told) = cresthold(&[&common[..], &[option, &path("yard.toml")]].concat());
        assert!(code == Some(2) && told.contains(ending), "{told}");
        assert!(!scratch.path().join("yard.toml").exists());
    }
    let (code, listed, _) = cresthold(&["--list"]);
    assert!(code == Some(0) && listed.contains("broken-clouds"), "{listed}");
}
