//! Grades: a clean curve is good; each thing that goes wrong is named.
#![allow(clippy::unwrap_used, reason = "in tests, also outside #[test] functions")]

mod curve_common;

use cresthold::curve::quality::{Grade, Quality, Reason, quality};
use cresthold::curve::{Curve, Point};
use cresthold::quantities::{Amps, Celsius, Irradiance, Volts};
use curve_common::{crystalline, exact_points, wiggle};

fn clean() -> Vec<Point> {
    exact_points(&crystalline(), 900.0, 40.0, 100).1
}

fn grade(points: Vec<Point>) -> Quality {
    quality(&Curve::new(points).unwrap(), None)
}

/// The curve must have this grade because of this reason and no other.
fn only(quality: &Quality, grade: Grade, is: impl Fn(&Reason) -> bool) {
    assert_eq!(quality.grade, grade, "{quality:?}");
    assert!(quality.reasons.len() == 1 && is(&quality.reasons[0].1), "{quality:?}");
    assert!(!quality.reasons[0].1.text().is_empty());
}

#[test]
fn a_clean_curve_is_good() {
    let found = grade(clean());
    assert_eq!(found, Quality { grade: Grade::Good, reasons: Vec::new() });
    // Noise of a good meter, 0.02 % of Isc, changes nothing.
    let mut points = clean();
    for (k, p) in points.iter_mut().enumerate() {
        p.amps += Amps(1.7e-3 * wiggle(k));
    }
    assert_eq!(grade(points).grade, Grade::Good);
}

#[test]
fn clouds_during_the_sweep() {
    for (change, expected) in [(0.02, Grade::Fair), (0.3, Grade::Poor)] {
        let mut points = clean();
        for (k, p) in points.iter_mut().enumerate() {
            p.irradiance = Some(Irradiance(900.0 * (1.0 + change * k as f64 / 99.0)));
        }
        only(&grade(points), expected, |reason| matches!(reason, Reason::Drift(_)));
    }
    let unknown = clean().into_iter().map(|p| Point { irradiance: None, ..p }).collect();
    only(&grade(unknown), Grade::Fair, |reason| *reason == Reason::IrradianceUnknown);
}

#[test]
fn both_directions_are_compared() {
    let there = Curve::new(clean()).unwrap();
    let late = |p: &Point| Point { volts: p.volts * 1.01, ..*p };
    let back = Curve::new(there.points().iter().map(late).collect()).unwrap();
    let found = quality(&there, Some(&back));
    only(
        &found,
        Grade::Fair,
        |reason| matches!(reason, Reason::Hysteresis(share) if (share - 0.01).abs() < 1e-4),
    );
    assert_eq!(quality(&there, Some(&there)).grade, Grade::Good);
}

#[test]
fn a_shaded_substring_shows_its_step() {
    let module = cresthold_sim::device::examples::crystalline_module();
    for (suns, expected) in [(0.9, Grade::Fair), (0.6, Grade::Poor)] {
        let mut module = module.clone().with_mismatch(&[1.0, 1.0, suns]).unwrap();
        module.set_conditions(Irradiance(900.0), Celsius(40.0));
        let with_step = |p: Point| Point { amps: module.current(p.volts), ..p };
        let found = grade(clean().into_iter().map(with_step).collect());
        println!("{suns}: {found:?}");
        let step = |reason: &(Grade, Reason)| matches!(reason.1, Reason::Step(..));
        assert!(found.grade >= expected && found.reasons.iter().any(step), "{found:?}");
    }
}

#[test]
fn noise_and_disorder_are_told() {
    let mut points = clean();
    for (k, p) in points.iter_mut().enumerate() {
        p.amps += Amps(0.05 * wiggle(k));
    }
    let found = grade(points);
    assert!(found.reasons.iter().any(|r| matches!(r.1, Reason::Noise(_))), "{found:?}");
    let mut points = clean();
    // Contacts warm up: the current rises with voltage.
    for (k, p) in points.iter_mut().enumerate().take(40) {
        p.amps += Amps(0.006 * (k as f64 - 40.0));
    }
    let found = grade(points);
    assert!(found.reasons.iter().any(|r| matches!(r.1, Reason::Rising(_))), "{found:?}");
}

#[test]
fn ends_and_density() {
    let from = |volts: f64| clean().into_iter().filter(|p| p.volts > Volts(volts)).collect();
    only(&grade(from(1.0)), Grade::Fair, |reason| matches!(reason, Reason::ShortCircuit(_)));
    only(&grade(from(5.0)), Grade::Poor, |reason| matches!(reason, Reason::ShortCircuit(_)));
    let few = exact_points(&crystalline(), 900.0, 40.0, 40).1;
    let found = grade(few);
    assert_eq!(found.grade, Grade::Fair);
    assert!(found.reasons.iter().any(|r| r.1 == Reason::FewPoints(40)), "{found:?}");
}
