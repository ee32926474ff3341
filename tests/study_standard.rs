//! The textbook's trackers on the standards' sequences.
#![allow(clippy::unwrap_used, reason = "a test: what is not there fails it")]

use cresthold::quantities::{Celsius, Volts};
use cresthold::study::{BenchSettings, Plant, Trial};
use cresthold::trackers::{
    FractionalVocConfig, HoldConfig, IncrementalConductanceConfig, PerturbAndObserveConfig,
    TrackerConfig,
};
use cresthold_sim::scene::standard::{MEDIUM_HIGH, Sequence, sequences};
use std::time::{Duration, Instant};

fn trackers(plant: &Plant) -> [TrackerConfig; 4] {
    let step = Volts(plant.open_circuit().0 * 0.005);
    [
        TrackerConfig::Hold(HoldConfig::Share(0.8)),
        TrackerConfig::FractionalVoc(FractionalVocConfig {
            share: 0.8,
            look_every: Duration::from_secs(30),
        }),
        TrackerConfig::PerturbAndObserve(PerturbAndObserveConfig { step }),
        TrackerConfig::IncrementalConductance(IncrementalConductanceConfig {
            step,
            dead_band: 0.0,
        }),
    ]
}

/// The steepest ramps, twice up and down: nothing passes a limit, no wish is held at one, nobody beats the
/// crest, and the same seed gives the same outcome.
#[test]
fn the_steepest_ramps_stay_within_every_limit() {
    let settings = BenchSettings::default();
    for name in Plant::NAMES {
        let plant = Plant::named(name).unwrap();
        for tracker in trackers(&plant) {
            let run = |seed| {
                let steepest = Sequence { times: 2, ..MEDIUM_HIGH[5] };
                let tracker = tracker.clone();
                let trial = Trial { tracker, settings: &settings, plant: &plant, seed };
                trial.run(&mut steepest.scene(Celsius(25.0))).unwrap()
            };
            let outcome = run(1);
            assert_eq!((outcome.let_go, outcome.held), (0, 0), "{name} {}", tracker.name());
            assert!(outcome.eta() > 0.8 && outcome.eta() <= 1.0, "{name} {outcome:?}");
            assert!((outcome.seconds - 68.0).abs() < 0.05, "{outcome:?}");
            assert_eq!(outcome, run(1));
            assert_ne!(outcome, run(2));
        }
    }
}

/// All of it, printed; what a pass costs.
#[test]
#[ignore = "a measurement: prints a table"]
fn efficiencies_of_the_textbook_on_every_sequence() {
    for name in Plant::NAMES {
        let plant = Plant::named(name).unwrap();
        let settings = BenchSettings::default();
        println!("{name}");
        for tracker in trackers(&plant) {
            let began = Instant::now();
            let name = tracker.name();
            let trial = Trial { tracker, settings: &settings, plant: &plant, seed: 1 };
            let mut turns = 0;
            let etas: Vec<f64> = sequences()
                .map(|sequence| {
                    let outcome = trial.run(&mut sequence.scene(Celsius(25.0))).unwrap();
                    turns += outcome.turns;
                    outcome.eta() * 100.0
                })
                .collect();
            let took = began.elapsed().as_secs_f64();
            let mean = etas.iter().sum::<f64>() / etas.len() as f64;
            let row: Vec<_> = etas.iter().map(|eta| format!("{eta:6.2}")).collect();
            println!(
                "{:24} {mean:7.3} | {} | {:.2} s, {:.0} ns a turn",
                name,
                row.join(" "),
                took,
                took * 1e9 / turns as f64
            );
        }
    }
}
