//! Curves for tests: the worked set and exact ones of the plant's examples.
#![allow(dead_code, reason = "each test file uses its own part")]

use cresthold::curve::Point;
use cresthold::quantities::{Amps, Celsius, Irradiance, Volts};
use cresthold_sim::device::desoto::Reference;
use cresthold_sim::device::examples::crystalline_reference;
use cresthold_sim::device::single_diode::SingleDiode;

pub(crate) fn crystalline() -> Reference {
    crystalline_reference()
}

pub(crate) fn point(volts: f64, amps: f64) -> Point {
    Point::new(Volts(volts), Amps(amps))
}

/// Two columns of numbers under one line of header.
pub(crate) fn two_columns(text: &str) -> Vec<Point> {
    let row = |line: &str| {
        let (v, i) = line.split_once(',').unwrap();
        point(v.trim().parse().unwrap(), i.trim().parse().unwrap())
    };
    text.lines().filter(|line| !line.starts_with('#')).skip(1).map(row).collect()
}

/// The 33 points of tests/data/astm-e1036.csv.
pub(crate) fn worked_set() -> Vec<Point> {
    two_columns(include_str!("../data/astm-e1036.csv"))
}

/// Points from a little below 0 V to a little beyond open circuit, half of them evenly in voltage,
/// half closer together towards the end, where the curve bends.
pub(crate) fn exact_points(
    reference: &Reference,
    irradiance: f64,
    cell: f64,
    count: usize,
) -> (SingleDiode, Vec<Point>) {
    let device = reference.at(Irradiance(irradiance), Celsius(cell));
    let voc = device.open_circuit().0;
    let at = |k: usize| {
        let t = k as f64 / (count - 1) as f64;
        // From -0.01 to 1.01 of Voc; the slope falls from 1.35 to 0.69.
        let share = -0.01 + 1.35 * t - 0.33 * t * t;
        let volts = Volts(share * voc);
        Point {
            irradiance: Some(Irradiance(irradiance)),
            cell: Some(Celsius(cell)),
            ..Point::new(volts, device.current(volts))
        }
    };
    (device, (0..count).map(at).collect())
}

/// Noise of a fixed pattern and of about unit deviation.
pub(crate) fn wiggle(k: usize) -> f64 {
    let x = k as f64;
    (x * 12.989_8).sin() + (x * 78.233).sin()
}
