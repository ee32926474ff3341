//! What raw answers mean, against published tables.

#![allow(clippy::unwrap_used, reason = "a test that fails may panic")]

use cresthold::quantities::{Celsius, Ohms};
use cresthold::sensors::{
    Calibration, Conversion, Dependence, Meaning, Reference, SensorId, Thermocouple, Unusable,
    resistance_of, temperature_of,
};
use proptest::prelude::*;

const PT100: Ohms = Ohms(100.0);

/// Table of IEC 60751 for a Pt100 (degC, ohm), to the table's last digit; computed from the
/// standard's constants by an independent program.
const TABLE: [(f64, f64); 19] = [
    (-200.0, 18.5201),
    (-100.0, 60.2558),
    (-50.0, 80.3063),
    (-40.0, 84.2707),
    (-20.0, 92.1599),
    (0.0, 100.0000),
    (10.0, 103.9025),
    (25.0, 109.7347),
    (50.0, 119.3971),
    (60.0, 123.2419),
    (80.0, 130.8968),
    (100.0, 138.5055),
    (150.0, 157.3251),
    (200.0, 175.8560),
    (300.0, 212.0515),
    (600.0, 313.7080),
    (850.0, 390.4811),
    (-10.0, 96.0859), // this and the next: from memory
    (20.0, 107.7935),
];

#[test]
fn platinum_after_the_table_of_iec_60751() {
    for (celsius, ohms) in TABLE {
        // Half of the last digit.
        let found = resistance_of(Celsius(celsius), PT100).unwrap();
        assert!((found.0 - ohms).abs() <= 5.1e-5, "{celsius}: {found}");
        // 0.0001 ohm is less than 0.0004 K everywhere in the table.
        let found = temperature_of(Ohms(ohms), PT100).unwrap();
        assert!((found.0 - celsius).abs() < 4e-4, "{ohms}: {found}");
        let found = temperature_of(Ohms(10.0 * ohms), Ohms(1000.0)).unwrap();
        assert!((found.0 - celsius).abs() < 4e-4, "Pt1000 {ohms}: {found}");
    }
}

#[test]
fn wires_that_break_or_short_give_no_temperature() {
    for ohms in [0.0, 15.0, 395.0, 1e9, f64::NAN, f64::INFINITY, -100.0] {
        assert!(temperature_of(Ohms(ohms), PT100).is_none(), "{ohms}");
    }
    assert!(resistance_of(Celsius(-201.0), PT100).is_none());
}

/// ITS-90 reference tables, NIST Monograph 175 (degC, mV); coefficients and the points below 0 degC
/// from memory, the type K value at 42 degC read in an opened document.
const TYPE_K: [(f64, f64); 11] = [
    (-200.0, -5.891),
    (-100.0, -3.554),
    (0.0, 0.0),
    (25.0, 1.000),
    (42.0, 1.694),
    (50.0, 2.023),
    (100.0, 4.096),
    (200.0, 8.138),
    (400.0, 16.397),
    (500.0, 20.644),
    (1000.0, 41.276),
];
const TYPE_T: [(f64, f64); 8] = [
    (-200.0, -5.603),
    (-100.0, -3.379),
    (0.0, 0.0),
    (25.0, 0.992),
    (100.0, 4.279),
    (200.0, 9.288),
    (300.0, 14.862),
    (400.0, 20.872),
];

#[test]
fn thermocouples_after_the_tables_of_its_90() {
    for (kind, table) in [(Thermocouple::K, &TYPE_K[..]), (Thermocouple::T, &TYPE_T[..])] {
        for &(celsius, millivolts) in table {
            // Half of the last digit.
            let found = kind.millivolts(Celsius(celsius)).unwrap();
            assert!((found - millivolts).abs() <= 5.1e-4, "{kind:?} {celsius}: {found}");
        }
    }
    assert!((Thermocouple::K.millivolts(Celsius(300.0)).unwrap() - 12.209).abs() < 5.1e-4);
    assert!((Thermocouple::T.millivolts(Celsius(50.0)).unwrap() - 2.036).abs() < 5.1e-4);
}

#[test]
fn the_ranges_join_at_zero() {
    for kind in [Thermocouple::K, Thermocouple::T] {
        let below = kind.millivolts(Celsius(-1e-9)).unwrap();
        let above = kind.millivolts(Celsius(1e-9)).unwrap();
        assert!((above - below).abs() < 1e-8, "{kind:?}: {below} {above}");
    }
}

#[test]
fn the_terminals_temperature_counts() {
    // Terminals and junction at the same temperature: nothing is measured.
    let found = Thermocouple::K.temperature(0.0, Celsius(31.0)).unwrap();
    assert!((found.0 - 31.0).abs() < 1e-9);
    assert!(Thermocouple::K.temperature(80.0, Celsius(25.0)).is_none());
    assert!(Thermocouple::T.temperature(f64::NAN, Celsius(25.0)).is_none());
}

#[test]
fn corrections_need_their_temperature() {
    let dependence = Dependence { coefficient: 5e-4, reference: Celsius(25.0), from: SensorId(3) };
    let calibration = Calibration { temperature: Some(dependence), ..Calibration::default() };
    let meaning = Meaning {
        conversion: Conversion::Sensitivity(60.0),
        calibration,
        ..Meaning::plain((-20.0, 2000.0))
    };
    let at = |celsius: f64| move |id| (id == SensorId(3)).then_some(Celsius(celsius));
    // 60 mV at 60 uV per W/m2 are 1000 W/m2; 40 K above the reference the cell gives 2 % more.
    assert!((meaning.value(0.060, at(25.0)).unwrap() - 1000.0).abs() < 1e-9);
    assert!((meaning.value(0.060, at(65.0)).unwrap() - 1000.0 / 1.02).abs() < 1e-9);
    assert_eq!(meaning.value(0.060, |_| None), Err(Unusable::NoTemperature));
    assert_eq!(meaning.value(f64::NAN, at(25.0)), Err(Unusable::NotANumber));
    assert!(matches!(meaning.value(0.2, at(25.0)), Err(Unusable::OutOfRange { .. })));
    let kind = Conversion::Thermocouple(Thermocouple::K, Reference::Sensor(SensorId(7)));
    let couple = Meaning { conversion: kind, ..Meaning::plain((-50.0, 150.0)) };
    assert_eq!(couple.value(1e-3, at(25.0)), Err(Unusable::NoTemperature));
    assert_eq!(couple.needs().collect::<Vec<_>>(), [SensorId(7)]);
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn resistance_and_temperature_are_each_others_inverse(celsius in -200.0..850.0_f64) {
        let ohms = resistance_of(Celsius(celsius), PT100).unwrap();
        let back = temperature_of(ohms, PT100).unwrap();
        prop_assert!((back.0 - celsius).abs() < 1e-9, "{} {}", celsius, back);
    }

    #[test]
    fn volts_and_temperature_are_each_others_inverse(
        celsius in -200.0..400.0_f64,
        cold in -40.0..60.0_f64,
        k: bool,
    ) {
        let kind = if k { Thermocouple::K } else { Thermocouple::T };
        let millivolts = kind.millivolts(Celsius(celsius)).unwrap()
            - kind.millivolts(Celsius(cold)).unwrap();
        let back = kind.temperature(millivolts, Celsius(cold));
        // At the very ends rounding may fall outside.
        if let Some(back) = back {
            prop_assert!((back.0 - celsius).abs() < 1e-8, "{} {}", celsius, back);
        } else {
            prop_assert!((celsius + 200.0).abs() < 1e-8 || (celsius - 400.0).abs() < 1e-8);
        }
    }

    #[test]
    fn a_thermocouples_voltage_rises(celsius in -200.0..399.0_f64, k: bool) {
        let kind = if k { Thermocouple::K } else { Thermocouple::T };
        let here = kind.millivolts(Celsius(celsius)).unwrap();
        prop_assert!(kind.millivolts(Celsius(celsius + 1.0)).unwrap() > here);
    }
}
