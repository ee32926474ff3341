//! Many devices at once against one device at a time, and what is refused.
//!
//! The outside numbers (forty-digit curves, pvlib's sweep) are asked of both ways in
//! single_diode.rs and pvlib_sweep.rs.

#![allow(clippy::unwrap_used, reason = "in tests, also outside #[test] functions")]

mod support;

use cresthold_sim::device::columns::ColumnsError;
use cresthold_sim::device::single_diode::{CurveSummary, SingleDiode};
use cresthold_sim::quantities::{Amps, Ohms, Volts};
use rand::{RngExt, SeedableRng};
use rand_xoshiro::Xoshiro256PlusPlus;
use support::Table;

const ROWS: usize = 20_000;

/// Sources by orders of magnitude, every few rows one outside the ordinary; voltages from far
/// reverse to beyond Voc, and some that are no voltages.
fn sweep() -> (Vec<SingleDiode>, Vec<Volts>) {
    let mut rng = Xoshiro256PlusPlus::seed_from_u64(1_988);
    let mut between = |low: f64, high: f64| low + (high - low) * rng.random::<f64>();
    let mut row = |k: usize| {
        let il = if k.is_multiple_of(11) { 0.0 } else { 10_f64.powf(between(-6.0, 1.3)) };
        let i0 = 10_f64.powf(if k.is_multiple_of(13) {
            between(-190.0, -20.0)
        } else {
            between(-14.0, -5.0)
        });
        let rs = if k.is_multiple_of(5) { 0.0 } else { 10_f64.powf(between(-6.0, 2.0)) };
        let rsh = if k.is_multiple_of(7) { f64::INFINITY } else { 10_f64.powf(between(-2.0, 6.0)) };
        let device = SingleDiode::new(
            Amps(il),
            Amps(i0),
            Ohms(rs),
            Ohms(rsh),
            Volts(10_f64.powf(between(-1.7, 1.0))),
        );
        let device = device.unwrap();
        let volts = match k % 17 {
            0 => 10_f64.powf(between(3.0, 300.0)),
            1 => -(10_f64.powf(between(1.0, 300.0))),
            2 => f64::NEG_INFINITY,
            _ => between(-1.0, 1.3) * device.ideality().0 * 30.0,
        };
        (device, Volts(volts))
    };
    (0..ROWS).map(&mut row).unzip()
}

#[test]
fn currents_are_those_of_single_devices() {
    let (sources, volts) = sweep();
    let found = Table::of(&sources).currents(&volts).unwrap();
    let mut worst = 0.0_f64;
    for ((source, volts), found) in sources.iter().zip(&volts).zip(found) {
        let wanted = source.current(*volts).0;
        let (il, rs) = (source.photocurrent().0, source.series().0);
        // Both round the diode's exponent to its size before the exponential.
        let x = volts.0.abs() + rs * (il + wanted.abs());
        let exponent = x / source.ideality().0;
        let scale = il + source.saturation().0 + wanted.abs() + x / source.shunt().0;
        let off = if wanted.to_bits() == found.0.to_bits() {
            0.0
        } else {
            (found.0 - wanted).abs() / (scale * (4.0 + exponent))
        };
        assert!(off <= 4.0 * f64::EPSILON, "{source:?} at {volts}: {found}, alone {wanted}");
        worst = worst.max(off);
    }
    println!("worst, in units of the bound's rounding: {}", worst / f64::EPSILON);
}

#[test]
fn summaries_are_those_of_single_devices() {
    let (sources, _) = sweep();
    let found = Table::of(&sources).summaries().unwrap();
    let mut worst = [0.0_f64; 5];
    for (source, found) in sources.iter().zip(found) {
        let wanted = source.summary();
        if found == wanted {
            continue;
        }
        let (il, a) = (source.photocurrent().0, source.ideality().0);
        // Series resistance makes the short circuit a point of the diode's exponent.
        let exponent = source.series().0 * il / a;
        let off = [
            (found.isc - wanted.isc).0.abs() / (il * (4.0 + exponent)),
            (found.voc - wanted.voc).0.abs() / (4.0 * wanted.voc.0),
            (found.vmp - wanted.vmp).0.abs() / (4.0 * (wanted.vmp.0 + il * source.series().0)),
            (found.imp - wanted.imp).0.abs() / (4.0 * il),
            (found.pmp - wanted.pmp).0.abs() / (4.0 * wanted.pmp.0),
        ];
        for (worst, off) in worst.iter_mut().zip(off) {
            *worst = worst.max(off / f64::EPSILON);
        }
        // Measured: half a unit to one.
        let bound = 2.0 * f64::EPSILON;
        assert!(off.iter().all(|off| *off <= bound), "{source:?} {found:?}, alone {wanted:?}");
    }
    println!("isc, voc, vmp, imp, pmp, in units of the bounds' rounding: {worst:?}");
}

/// Where a row stands, and what stands beside it, doesn't matter.
#[test]
fn rows_are_independent() {
    let (sources, volts) = sweep();
    let (sources, volts) = (&sources[..300], &volts[..300]);
    let amps = Table::of(sources).currents(volts).unwrap();
    let summaries = Table::of(sources).summaries().unwrap();
    for (start, end) in [(0, 0), (0, 1), (3, 67), (64, 128), (17, 180), (1, 300)] {
        let part = Table::of(&sources[start..end]);
        let again = part.currents(&volts[start..end]).unwrap();
        for (one, other) in amps[start..end].iter().zip(again) {
            assert_eq!(one.0.to_bits(), other.0.to_bits());
        }
        assert_eq!(summaries[start..end], part.summaries().unwrap());
    }
}

#[test]
fn no_number_in_no_number_out() {
    let source = SingleDiode::new(Amps(5.0), Amps(1e-9), Ohms(0.2), Ohms(200.0), Volts(1.5));
    let sources = vec![source.unwrap(); 70];
    let mut volts = vec![Volts(20.0); 70];
    volts[66] = Volts(f64::NAN);
    let amps = Table::of(&sources).currents(&volts).unwrap();
    assert!(amps.iter().enumerate().all(|(k, amps)| amps.0.is_nan() == (k == 66)));
}

#[test]
fn the_first_bad_row_is_named() {
    let (sources, volts) = sweep();
    let (sources, volts) = (&sources[..200], &volts[..200]);
    type Spoil = fn(&mut Table);
    let bad: [(&str, Spoil); 6] = [
        ("photocurrent", |t| t.il[70] = Amps(-1.0)),
        ("photocurrent", |t| t.il[70] = Amps(f64::NAN)),
        ("saturation current", |t| t.i0[70] = Amps(0.0)),
        ("series resistance", |t| t.rs[70] = Ohms(f64::NAN)),
        ("shunt resistance", |t| t.rsh[70] = Ohms(0.0)),
        ("modified ideality", |t| t.a[70] = Volts(f64::INFINITY)),
    ];
    for (name, spoil) in bad {
        let mut table = Table::of(sources);
        spoil(&mut table);
        table.a[71] = Volts(0.0);
        table.i0[199] = Amps(0.0);
        let errors = [table.currents(volts).unwrap_err(), table.summaries().unwrap_err()];
        for error in errors {
            let ColumnsError::Row { row, problem } = error else { unreachable!("{error}") };
            assert_eq!((row, problem.name), (70, name));
            assert!(error.to_string().starts_with("row 70 of the columns: device: "), "{error}");
        }
    }
}

#[test]
fn columns_are_equally_long() {
    let (sources, volts) = sweep();
    let mut table = Table::of(&sources[..10]);
    let wrong = ColumnsError::Length { column: "voltage", found: 9, wanted: 10 };
    assert_eq!(table.columns().currents(&volts[..9], &mut [Amps::ZERO; 10]), Err(wrong));
    let wrong = ColumnsError::Length { column: "summary", found: 11, wanted: 10 };
    assert_eq!(table.columns().summaries(&mut [CurveSummary::default(); 11]), Err(wrong));
    table.rsh.pop();
    let error = table.summaries().unwrap_err().to_string();
    assert!(error.contains("shunt resistance has 9 rows, photocurrent 10"), "{error}");
}
