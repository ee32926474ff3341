//! The crest line in the field's own channel: on the standards' sequences and levels, under clouds, on
//! recorded days and in partial shade. The bounds are what issue 5 asks for, unless a comment says less.
#![allow(clippy::unwrap_used, reason = "a test: what is not there fails it")]

use cresthold::quantities::{Amps, Celsius, Irradiance, Volts, Watts};
use cresthold::study::{BenchSettings, Plant, SensorFault, SensorSettings, Trial};
use cresthold::time::Instant;
use cresthold::trackers::{CrestLineConfig, TrackerConfig};
use cresthold_sim::bench::SensorParams;
use cresthold_sim::device::{Device, Source, examples};
use cresthold_sim::scene::layout::Layout;
use cresthold_sim::scene::named::named;
use cresthold_sim::scene::standard::{LEVELS, START_UP, Sequence, Steady, sequences};
use cresthold_sim::scene::{Exposure, Scene};
use std::time::Duration;

const STANDARD: Celsius = Celsius(25.0);
/// Between substrings of a row (m).
const SPACING: f64 = 0.33;

fn eta(plant: &Plant, settings: &BenchSettings, seed: u64, scene: &mut dyn Scene) -> f64 {
    let tracker = TrackerConfig::CrestLine(CrestLineConfig {});
    let outcome = Trial { tracker, settings, plant, seed }.run(scene).unwrap();
    assert_eq!(outcome.let_go, 0);
    outcome.eta()
}

fn in_scene(request: &str, plant: &Plant, settings: &BenchSettings, seed: u64) -> f64 {
    let count = plant.source().substrings();
    let layout = match count {
        1 => Layout::point(),
        _ => Layout::row(count, SPACING, 90.0).unwrap(),
    };
    eta(plant, settings, seed, &mut *named(request, &layout, seed).unwrap())
}

fn string() -> Plant {
    let modules = (0..4).map(|_| examples::crystalline_module()).collect();
    Plant::new("string", Device::string(modules).unwrap())
}

/// The least of both ranges' steepest and one gentle sequence.
fn some(settings: &BenchSettings) -> f64 {
    let all: Vec<Sequence> = sequences().collect();
    let mut least = 1.0_f64;
    for name in Plant::COMPARED {
        let plant = Plant::named(name).unwrap();
        for sequence in [all[8], all[10], all[16]] {
            let eta = eta(&plant, settings, 1, &mut sequence.scene(STANDARD));
            println!("{name} {}: {eta:.6}", sequence.name());
            least = least.min(eta);
        }
    }
    least
}

#[test]
fn ramps_cost_next_to_nothing() {
    assert!(some(&BenchSettings::default()) > 0.9995);
}

#[test]
fn a_turn_a_second_is_enough() {
    assert!(some(&BenchSettings::slow()) > 0.998);
}

#[test]
fn levels_that_stay() {
    let settings = BenchSettings::default();
    for name in Plant::COMPARED {
        let plant = Plant::named(name).unwrap();
        for (level, least) in [(0.05, 0.999), (0.2, 0.9999), (1.0, 0.9999)] {
            let eta = eta(&plant, &settings, 1, &mut Steady::level(level, plant.source()));
            assert!(eta > least, "{name} at {level}: {eta}");
        }
    }
}

/// It doesn't ask the sensor, so a wrong one can't hurt: the same to the last bit with a sound sensor,
/// with one that is stuck, dead, 10 % wrong either way or 5 s late, and without one.
#[test]
fn a_sensor_that_lies_costs_nothing() {
    let plant = Plant::named("crystalline-module").unwrap();
    let sequence = sequences().nth(16).unwrap();
    let faults = [
        SensorFault::Stuck,
        SensorFault::Dead,
        SensorFault::Wrong(1.1),
        SensorFault::Wrong(0.9),
        SensorFault::Late(Duration::from_secs(5)),
    ];
    let etas: Vec<f64> = std::iter::once(None)
        .chain(faults.map(Some))
        .map(|fault| Some(SensorSettings { params: SensorParams::REFERENCE_CELL, fault }))
        .chain([None])
        .map(|irradiance| {
            let settings = BenchSettings { irradiance, ..BenchSettings::default() };
            eta(&plant, &settings, 1, &mut sequence.scene(STANDARD))
        })
        .collect();
    assert!(etas.iter().all(|eta| eta.to_bits() == etas[0].to_bits()), "{etas:?}");
    assert!(etas[0] > 0.9995, "{etas:?}");
}

#[test]
fn clouds_and_edges() {
    let plant = Plant::named("crystalline-module").unwrap();
    let settings = BenchSettings::default();
    for (request, least) in
        [("sharp-edges", 0.997), ("bright-edges", 0.997), ("low-scud,minutes=10", 0.999)]
    {
        let eta = in_scene(request, &plant, &settings, 1);
        assert!(eta > least, "{request}: {eta}");
    }
}

/// Shade that stays is found with the first search, and searching on costs little: the least of ten seeds is
/// 99.90 %. Under seed 5 the better crest lies just left of where the first look goes; 8 % were lost there by
/// one who read that before the load had settled.
#[test]
fn shade_that_stays() {
    for plant in [Plant::named("crystalline-module").unwrap(), string()] {
        for seed in 1..=5 {
            let eta = in_scene("still-shade", &plant, &BenchSettings::default(), seed);
            assert!(eta > 0.998, "{} {seed}: {eta}", plant.name());
        }
    }
}

/// A mount that wind shakes, under clouds: 99.9 % was asked for; the mean of ten seeds is a little less.
#[test]
fn a_concentrator_under_clouds() {
    let receiver = Plant::new("receiver", examples::receiver_cell());
    for (request, least) in [("pointing", 0.9995), ("pointing-clouds", 0.9975)] {
        let eta = in_scene(request, &receiver, &BenchSettings::default(), 1);
        println!("{request}: {eta:.5}");
        assert!(eta > least, "{request}: {eta}");
    }
}

/// A mast's shadow that lies on one part in twelve before anybody has searched, and of whose crests one lies
/// where the whole row's would: it is noticed when it creeps on. 7 % were lost where it was not.
#[test]
fn shade_that_was_there_before() {
    let string = string();
    for seed in [18, 25, 36] {
        let eta = in_scene("mast-shadow", &string, &BenchSettings::default(), seed);
        println!("{seed}: {eta:.5}");
        assert!(eta > 0.995, "{seed}: {eta}");
    }
}

/// Where shade moves, 99.5 % was asked for. The bounds are a little below the least of ten seeds in the
/// table (`scenes`), so that they hold for any change that is none for the worse.
#[test]
fn shade_that_moves() {
    let module = Plant::named("crystalline-module").unwrap();
    let string = string();
    for (plant, request, least) in [
        (&module, "mast-shadow", 0.9995),
        (&module, "chimney-shadow", 0.995),
        (&module, "shifting-shade", 0.994),
        (&module, "birds", 0.993),
        (&string, "mast-shadow", 0.997),
        (&string, "chimney-shadow", 0.994),
        (&string, "shifting-shade", 0.988),
        (&string, "birds", 0.991),
    ] {
        let eta = in_scene(request, plant, &BenchSettings::default(), 1);
        println!("{} {request}: {eta:.5}", plant.name());
        assert!(eta > least, "{} {request}: {eta}", plant.name());
    }
}

/// What one gets (share of the crest's energy) who at the end of each turn sees the whole curve, whatever
/// it costs others, and goes to its crest at once. With `every`, one who is shown the whole curve only
/// when the power that is held has changed within the turn, by anything; else after a look, one turn at
/// the best other place, each `every`. Ideal load and meters.
fn seer(request: &str, plant: &Plant, seed: u64, every: Option<Duration>) -> f64 {
    const TURN: Duration = Duration::from_millis(100);
    let mut source = plant.source().clone();
    let row = Layout::row(source.substrings(), SPACING, 90.0).unwrap();
    let mut scene = named(request, &row, seed).unwrap();
    let (from, end) = (Instant::ZERO + scene.setup(), Instant::ZERO + scene.length());
    let (mut now, mut exposure) = (Instant::ZERO, Exposure::default());
    let (mut volts, mut told, mut looking, mut age) =
        (plant.crest().volts, Watts::ZERO, false, Duration::ZERO);
    let (mut delivered, mut available) = (0.0, 0.0);
    while now < end {
        let until = now + TURN;
        while now < until {
            let piece = scene.still_for(now).min(until.saturating_since(now));
            scene.expose(now + piece / 2, &mut exposure);
            let each = exposure.substrings().unwrap();
            source.set_substring_irradiances(each, exposure.cell()).unwrap();
            if now >= from {
                let watts = volts * source.current(volts).max(Amps::ZERO);
                delivered += watts.0 * piece.as_secs_f64();
                available += source.crest().watts.0 * piece.as_secs_f64();
            }
            now += piece;
        }
        let (crest, watts) = (source.crest(), volts * source.current(volts));
        age += TURN;
        let shown = looking || every.is_none() || (watts / told - 1.0).abs() > 1e-3;
        looking = !shown && every.is_some_and(|every| age >= every);
        if shown {
            (volts, told, age) = (crest.volts, crest.watts, Duration::ZERO);
        } else if looking {
            // Where the crest is, if it is elsewhere: so this costs only while nothing has changed.
            let moved = (crest.volts / volts - 1.0).abs() > 0.1;
            volts = if moved { crest.volts } else { other(&source, volts) };
        }
    }
    delivered / available
}

/// The best place that is no part of the hump at `volts`.
fn other(source: &Source, volts: Volts) -> Volts {
    let open = source.open_circuit();
    let places = (4..50).map(|part| open * (f64::from(part) / 50.0));
    let apart = places.filter(|place| (*place / volts - 1.0).abs() > 0.2);
    apart
        .max_by(|a, b| (*a * source.current(*a)).0.total_cmp(&(*b * source.current(*b)).0))
        .unwrap()
}

/// Birds are past before anybody has seen them: not even who sees all, a turn late, has 99.9 %.
#[test]
fn what_nobody_can_have() {
    let module = Plant::named("crystalline-module").unwrap();
    let most = seer("birds", &module, 1, None);
    let eta = in_scene("birds", &module, &BenchSettings::default(), 1);
    println!("{most:.5}, crest line {eta:.5}");
    assert!(most < 0.999 && most > 0.997, "{most}");
    assert!(eta < most && eta > most - 0.01, "{eta} of {most}");
}

/// What can be had: `cargo test --release --test study_crest_line -- --ignored --nocapture bounds`.
#[test]
#[ignore = "a measurement: prints a table"]
fn bounds() {
    for plant in [Plant::named("crystalline-module").unwrap(), string()] {
        println!("{}", plant.name());
        for request in ["shifting-shade", "mast-shadow", "chimney-shadow", "birds"] {
            let each = |every| (1..=5).map(|seed| seer(request, &plant, seed, every)).collect();
            let etas: Vec<f64> = each(None);
            row(&format!("{request}, sees all"), &etas);
            for seconds in [1, 2, 4, 8, 16, 32] {
                let etas: Vec<f64> = each(Some(Duration::from_secs(seconds)));
                row(&format!("{request}, {seconds} s"), &etas);
            }
        }
    }
}

fn row(title: &str, etas: &[f64]) {
    let mean = etas.iter().sum::<f64>() / etas.len() as f64;
    let least = etas.iter().copied().fold(1.0, f64::min);
    println!("  {title:24} mean {:8.4} least {:8.4}", mean * 100.0, least * 100.0);
}

/// All of it: `cargo test --release --test study_crest_line -- --ignored --nocapture`.
#[test]
#[ignore = "a measurement: prints tables, minutes long"]
fn all_of_it() {
    let benches = [
        ("100 ms", BenchSettings::default()),
        ("1 s", BenchSettings::slow()),
        ("20 ms", BenchSettings::fast()),
    ];
    for (period, settings) in &benches {
        let seeds = if *period == "20 ms" { 2 } else { 10 };
        for name in Plant::NAMES {
            let plant = Plant::named(name).unwrap();
            println!("{name}, {period}");
            let mut all = vec![];
            for sequence in sequences() {
                let each = |seed| eta(&plant, settings, seed, &mut sequence.scene(STANDARD));
                let etas: Vec<f64> = (1..=seeds).map(each).collect();
                row(&sequence.name(), &etas);
                all.extend(etas);
            }
            row("all sequences", &all);
            for level in LEVELS {
                let scene = || Steady::level(level, plant.source());
                let each = |seed| eta(&plant, settings, seed, &mut scene());
                row(&format!("level {level}"), &(1..=seeds).map(each).collect::<Vec<_>>());
            }
            let each = |seed| eta(&plant, settings, seed, &mut START_UP.scene(STANDARD));
            row("start-up", &(1..=seeds).map(each).collect::<Vec<_>>());
        }
    }
}

/// The scenes: `cargo test --release --test study_crest_line -- --ignored --nocapture scenes`.
#[test]
#[ignore = "a measurement: prints tables, minutes long"]
fn scenes() {
    let plants = [
        Plant::named("crystalline-module").unwrap(),
        string(),
        Plant::named("thin-film-module").unwrap(),
        Plant::new("receiver", examples::receiver_cell()),
    ];
    for plant in &plants {
        println!("{}, crest at {} under {}", plant.name(), plant.crest().volts, Irradiance(1000.0));
        for entry in cresthold_sim::scene::named::entries() {
            let concentrates = entry.name.starts_with("pointing");
            let suits = plant.source().substrings() >= entry.substrings;
            if suits && concentrates == (plant.name() == "receiver") {
                let each = |seed| in_scene(entry.name, plant, &BenchSettings::default(), seed);
                row(entry.name, &(1..=10).map(each).collect::<Vec<_>>());
            }
        }
    }
}
