//! The power matrix: between published points, and filled from minutes of a device that is known.
#![allow(clippy::unwrap_used, reason = "in tests, also outside #[test] functions")]

use cresthold::quantities::{Celsius, Irradiance, Watts};
use cresthold::report::season::{MatrixTold, matrix_csv};
use cresthold::season::{MatrixPoint, PowerMatrix, Steady};
use cresthold::yields::read;
use cresthold_sim::bench::Noise;
use cresthold_sim::device::examples::crystalline_reference;

/// The measured matrix of an example module in pvlib's gallery (its page on IEC 61853 matrices; related to
/// SAND2020-3877): irradiance (W/m2), temperature (degC), power (W).
const MEASURED: [(f64, f64, f64); 13] = [
    (1100.0, 25.0, 354.174),
    (1000.0, 15.0, 330.862),
    (1000.0, 25.0, 322.305),
    (1000.0, 50.0, 298.954),
    (1000.0, 75.0, 273.651),
    (800.0, 25.0, 257.561),
    (600.0, 25.0, 192.278),
    (600.0, 75.0, 162.966),
    (400.0, 25.0, 126.445),
    (400.0, 50.0, 117.062),
    (200.0, 25.0, 61.137),
    (100.0, 15.0, 30.159),
    (100.0, 25.0, 29.250),
];

fn without(left_out: (f64, f64)) -> PowerMatrix {
    let kept = MEASURED.iter().filter(|(light, module, _)| (*light, *module) != left_out);
    let point = |&(light, module, watts): &(f64, f64, f64)| MatrixPoint {
        irradiance: Irradiance(light),
        cell: Celsius(module),
        watts: Watts(watts),
        error: Watts(0.0),
        minutes: 1,
    };
    PowerMatrix { points: kept.map(point).collect() }
}

/// A measured point that is left out comes back from its neighbours: over twice the standard's distance the
/// efficiency bends by a few tenths of a percent. Worked by hand at 400 W/m2 and 25 degC: what is left of this
/// irradiance is 0.292655 W per W/m2 at 50 degC; at 600 W/m2 the line through 0.320463 (25 degC) and
/// 0.271610 (75 degC) has 0.296037 at 50 degC; 400 x 0.292655 x 0.320463 / 0.296037 = 126.721 W, 0.22 % more than
/// measured.
#[test]
fn a_published_point_lies_between_its_neighbours() {
    for (light, module, within) in [
        (1000.0, 25.0, 0.002),
        (800.0, 25.0, 0.002),
        (600.0, 25.0, 0.005),
        (400.0, 25.0, 0.003),
        (1000.0, 50.0, 0.004),
    ] {
        let stated = MEASURED.iter().find(|one| (one.0, one.1) == (light, module)).unwrap().2;
        let matrix = without((light, module)).device().unwrap();
        let found = matrix.watts(Irradiance(light), Celsius(module));
        println!(
            "{light} W/m2, {module} degC: {found:.3}, {:+.3} %",
            (found.0 / stated - 1.0) * 100.0
        );
        assert!((found.0 / stated - 1.0).abs() < within);
    }
    let by_hand = without((400.0, 25.0)).device().unwrap().watts(Irradiance(400.0), Celsius(25.0));
    assert!((by_hand.0 - 126.721).abs() < 1e-3, "{by_hand}");
    let whole = without((0.0, 0.0)).device().unwrap();
    let same = whole.watts(Irradiance(1000.0), Celsius(25.0));
    assert!((same.0 - 322.305).abs() < 1e-9);
    for (light, module) in [(1200.0, 25.0), (1000.0, 80.0), (1000.0, 14.0), (90.0, 20.0)] {
        assert!(!whole.covers(Irradiance(light), Celsius(module)), "{light} W/m2, {module} degC");
    }
    for (light, module) in [(1100.0, 25.0), (1000.0, 75.0), (900.0, 25.0), (150.0, 25.0)] {
        assert!(whole.covers(Irradiance(light), Celsius(module)), "{light} W/m2, {module} degC");
    }
    // Beyond: 1100 W/m2 has one temperature only, and takes the slope at 1000 W/m2. By hand, at 50 degC:
    // (273.651 - 330.862) / 60 K / 330.862 = -2.88192e-3 1/K, relative to 15 degC, is -2.96751e-3 1/K relative
    // to 25 degC; 354.174 W times 1 - 25 x 2.96751e-3 is 327.899 W.
    let hot = whole.watts(Irradiance(1100.0), Celsius(50.0));
    assert!((hot.0 - 327.899).abs() < 1e-3, "{hot}");
    // 50 W/m2 and 25 degC from 100 and 200 W/m2: 0.2925 - 0.5 (0.305685 - 0.2925) = 0.2859075 W per W/m2.
    let weak = whole.watts(Irradiance(50.0), Celsius(25.0));
    assert!((weak.0 - 14.295_375).abs() < 1e-6, "{weak}");
    assert_eq!(whole.watts(Irradiance(0.0), Celsius(25.0)), Watts(0.0));
}

/// Minutes of a year as a module meets them: 2 to 4 K over the air per 100 W/m2, air of 0 to 35 degC, 0.5 %
/// noise, and one minute in fifty with a bird on it.
fn minutes() -> Vec<Steady> {
    let device = crystalline_reference();
    let mut chance = Noise::new(11);
    let mut minutes = Vec::new();
    for step in 0..40_000_u32 {
        let light = 50.0 + 1100.0 * (f64::from(step * 7919 % 40_000) / 40_000.0);
        let air = 35.0 * f64::from(step * 104_729 % 997) / 997.0;
        let module = air + light * (0.03 + 0.003 * chance.draw());
        let (irradiance, module) = (Irradiance(light), Celsius(module));
        let bird = if step.is_multiple_of(50) { 0.8 } else { 1.0 };
        let watts = device.at(irradiance, module).crest().watts;
        minutes.push(Steady {
            irradiance,
            cell: module,
            watts: watts * (bird * (1.0 + 0.005 * chance.draw())),
        });
    }
    minutes
}

/// The points come back within four of their standard errors and 0.1 % of bend within their reach, and
/// points that no weather brings (75 degC at 600 W/m2, 15 degC at 1000 W/m2) stay empty.
#[test]
fn a_known_device_fills_its_matrix() {
    let matrix = PowerMatrix::of(&minutes());
    let device = crystalline_reference();
    println!("{} of {} points", matrix.points.len(), PowerMatrix::wanted());
    for point in &matrix.points {
        let truth = device.at(point.irradiance, point.cell).crest().watts;
        let off = (point.watts - truth).0;
        println!(
            "{:6.0} W/m2 {:4.0} degC {:8.3} W, {off:+.3} W, +- {:.3}, {} minutes",
            point.irradiance.0, point.cell.0, point.watts.0, point.error.0, point.minutes
        );
        assert!(off.abs() < 4.0 * point.error.0 + 1e-3 * truth.0);
        assert!(
            point.error.0 < 0.003 * truth.0,
            "0.5 % over the root of tens of minutes, beside the point"
        );
    }
    let has = |light, module| {
        matrix.points.iter().any(|p| p.irradiance == Irradiance(light) && p.cell == Celsius(module))
    };
    assert!(has(1000.0, 50.0) && has(800.0, 25.0) && has(200.0, 15.0) && has(400.0, 25.0));
    assert!(!has(600.0, 75.0) && !has(1000.0, 15.0));
    assert_eq!(PowerMatrix::wanted(), 22);
    // Between the points as the device does it: straight lines over the standard's distances.
    let found = matrix.device().unwrap().watts(Irradiance(700.0), Celsius(40.0));
    let truth = device.at(Irradiance(700.0), Celsius(40.0)).crest().watts;
    assert!((found / truth - 1.0).abs() < 3e-3, "{found} {truth}");
}

/// Written and read again it is the same device, to the digits that are written; the rating stands in where
/// no minute tells it, and only there.
#[test]
fn a_matrix_is_written_and_read_again() {
    let matrix = PowerMatrix::of(&minutes());
    let told: Vec<MatrixTold> = matrix.points.iter().map(MatrixTold::from).collect();
    let text = matrix_csv(&told, Some(270.0), "slope-1");
    let (ours, read) = (matrix.device().unwrap(), read::matrix::read(&text).unwrap());
    for (light, module) in [(1000.0, 25.0), (700.0, 40.0), (50.0, 5.0), (1300.0, 60.0)] {
        let (light, module) = (Irradiance(light), Celsius(module));
        let (ours, read) = (ours.watts(light, module), read.watts(light, module));
        // Four decimals, and lines that go on to twice the distance.
        assert!((ours - read).abs() < Watts(5e-4), "{ours} {read}");
    }
    let weak: Vec<MatrixTold> = told.into_iter().filter(|p| p.irradiance_w_m2 < 900.0).collect();
    let alone = read::matrix::read(&matrix_csv(&weak, None, "slope-1")).unwrap_err();
    assert!(alone.to_string().contains("nothing tells the rating"), "{alone}");
    let rated = read::matrix::read(&matrix_csv(&weak, Some(270.0), "slope-1")).unwrap();
    assert_eq!(rated.rated(), Watts(270.0));
}

#[test]
fn few_or_lopsided_minutes_fill_nothing() {
    let all = minutes();
    assert!(PowerMatrix::of(&all[..30]).points.is_empty());
    let bright: Vec<Steady> = all.into_iter().filter(|one| one.irradiance.0 > 1000.5).collect();
    let matrix = PowerMatrix::of(&bright);
    assert!(matrix.points.iter().all(|point| point.irradiance.0 > 1050.0), "{matrix:?}");
}
