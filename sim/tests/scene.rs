//! The standards' sequences: their totals, their levels, and how exact a staircase of them is.
#![allow(clippy::unwrap_used, reason = "a test: what is not there fails it")]

use cresthold_sim::device::Source;
use cresthold_sim::device::standard::{StandardGenerator, Technology};
use cresthold_sim::quantities::{Amps, Celsius, Volts};
use cresthold_sim::scene::standard::{
    CEC, EUROPEAN, LEVELS, LOW_MEDIUM, MEDIUM_HIGH, Ramps, START_UP, Sequence, Steady, sequences,
};
use cresthold_sim::scene::{Exposure, Scene};
use cresthold_sim::time::Instant;
use std::time::Duration;

const WARM: Celsius = Celsius(25.0);

fn total(sequence: &Sequence) -> f64 {
    sequence.scene(WARM).length().as_secs_f64()
}

/// Totals as the standards print them (from memory), setup included, in whole seconds.
#[test]
fn totals_are_those_of_the_standards() {
    let low = [3540, 1940, 1560, 1447, 1380, 1374, 1300, 1071, 900, 767, 660];
    let high = [1900, 1500, 1200, 967, 780, 640];
    for (sequence, printed) in sequences().zip(low.into_iter().chain(high)) {
        let found = total(&sequence);
        assert!((found - f64::from(printed)).abs() <= 0.5, "{}: {found} s", sequence.name());
    }
    // 4 h 25 min 39 s and 1 h 56 min 27 s; 15 939.05 and 6 986.67 before rounding.
    let sum = |rows: &[Sequence]| rows.iter().map(total).sum::<f64>();
    assert!((sum(&LOW_MEDIUM) - 15_939.0).abs() < 0.5);
    assert!((sum(&MEDIUM_HIGH) - 6_987.0).abs() < 0.5);
    assert!((total(&START_UP) - 2_320.0).abs() < 1e-6);
    for weights in [EUROPEAN, CEC] {
        assert!((weights.iter().map(|(_, weight)| weight).sum::<f64>() - 1.0).abs() < 1e-12);
        assert!(weights.iter().all(|(level, _)| LEVELS.contains(level)));
    }
}

/// Each level is reached, nothing lies beyond, and between two seconds light changes by the slope.
#[test]
fn ramps_go_as_steeply_as_stated_between_their_levels() {
    for sequence in sequences().chain([START_UP]) {
        let mut scene = sequence.scene(WARM);
        let mut seen = Exposure::default();
        let mut last = None;
        let (mut least, mut most) = (f64::INFINITY, 0.0_f64);
        for tenth in 0..scene.length().as_millis() / 100 {
            let at = Instant::ZERO + Duration::from_millis(u64::try_from(tenth).unwrap() * 100);
            scene.expose(at, &mut seen);
            let light = seen.irradiance().0;
            (least, most) = (least.min(light), most.max(light));
            let change = last.map_or(0.0, |last: f64| (light - last).abs());
            assert!(change <= sequence.slope * 0.1 + 1e-6, "{} at {tenth}", sequence.name());
            last = Some(light);
        }
        assert!((least - sequence.low.0).abs() < 1e-6 && (most - sequence.high.0).abs() < 1e-6);
    }
}

/// Energy at the crest (J) over the counted part, by a staircase through the middles of pieces.
fn energy(scene: &mut Ramps, device: &mut Source, finer: u32) -> f64 {
    let (mut at, end) = (Instant::ZERO + scene.setup(), Instant::ZERO + scene.length());
    let (mut seen, mut sum) = (Exposure::default(), 0.0);
    while at < end {
        let piece = (scene.still_for(at) / finer).max(Duration::from_nanos(100));
        let piece = piece.min(end.saturating_since(at));
        scene.expose(at + piece / 2, &mut seen);
        device.set_conditions(seen.irradiance(), seen.cell());
        sum += device.crest().watts.0 * piece.as_secs_f64();
        at += piece;
    }
    sum
}

/// What [`Scene::still_for`] promises: pieces of its length have the energy of the slope to 1e-7, a
/// tenth of what efficiencies are wanted to. Against pieces sixteen times shorter, whose error is 256
/// times smaller. The start-up's power bends most over its light, but it is the slowest.
#[test]
fn a_staircase_through_the_middles_has_the_energy_of_the_slope() {
    let steepest = [LOW_MEDIUM[10], MEDIUM_HIGH[5], START_UP];
    for technology in [Technology::Crystalline, Technology::ThinFilm] {
        let generator = StandardGenerator::new(technology, Volts(100.0), Amps(10.0)).unwrap();
        let mut device = Source::from(generator);
        for sequence in steepest {
            let coarse = energy(&mut sequence.scene(WARM), &mut device, 1);
            let fine = energy(&mut sequence.scene(WARM), &mut device, 16);
            let error = (coarse / fine - 1.0).abs();
            println!("{technology:?} {}: {error:.1e}", sequence.name());
            assert!(error < 1e-7, "{technology:?} {}: {error:e}", sequence.name());
        }
    }
}

#[test]
fn a_static_level_has_its_share_of_the_rated_power() {
    let generator = StandardGenerator::new(Technology::Crystalline, Volts(100.0), Amps(10.0));
    let mut device = Source::from(generator.unwrap());
    let rated = device.crest().watts;
    for level in LEVELS {
        let mut scene = Steady::level(level, &device);
        assert_eq!(scene.length() - scene.setup(), Duration::from_secs(600));
        let mut seen = Exposure::default();
        scene.expose(Instant::ZERO, &mut seen);
        device.set_conditions(seen.irradiance(), seen.cell());
        assert!((device.crest().watts / rated - level).abs() < 1e-9);
    }
}
