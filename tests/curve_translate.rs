//! IEC 60891: round trips, errors against the exact device, and coefficients found from curves.
#![allow(clippy::unwrap_used, reason = "in tests, also outside #[test] functions")]

mod curve_common;

use cresthold::curve::translate::{
    BetweenError, CoefficientError, EPSILON, Observed, Procedure, Procedure1, Procedure2,
    Procedure4, Procedure2021, SeriesAt, TranslateError, cell_temperature, coefficients,
    curve_correction, interpolate, irradiance_factors, series_resistance, thermal_diode_factor,
    translate,
};
use cresthold::curve::{Conditions, Curve, Method, parameters};
use cresthold::quantities::{Amps, Celsius, Irradiance, Ohms, Volts};
use cresthold_sim::device::single_diode::SingleDiode;
use curve_common::{crystalline, exact_points};

fn at(irradiance: f64, cell: f64) -> Conditions {
    Conditions { irradiance: Irradiance(irradiance), cell: Celsius(cell) }
}

fn exact(conditions: Conditions) -> (Curve, SingleDiode) {
    let Conditions { irradiance, cell } = conditions;
    let (device, points) = exact_points(&crystalline(), irradiance.0, cell.0, 200);
    (Curve::new(points).unwrap(), device)
}

fn observed(conditions: Conditions) -> Observed {
    let (_, device) = exact(conditions);
    Observed { conditions, isc: device.short_circuit(), voc: device.open_circuit() }
}

/// Conditions that the campaign meets: 200 to 1100 W/m2, 15 to 75 degC.
const CORNERS: [(f64, f64); 8] = [
    (200.0, 15.0),
    (200.0, 40.0),
    (500.0, 25.0),
    (800.0, 50.0),
    (1000.0, 15.0),
    (1000.0, 75.0),
    (1100.0, 25.0),
    (1100.0, 75.0),
];

/// Every procedure with coefficients found from exact curves of the device, for a curve measured at
/// `from`.
struct Found {
    all: cresthold::curve::translate::Coefficients,
    factors: [f64; 2],
    one: SeriesAt,
    two: SeriesAt,
    two_2021: SeriesAt,
    four: Ohms,
}

const CELLS: u32 = 60;

impl Found {
    fn new() -> Self {
        let seen: Vec<Observed> = [(1000.0, 15.0), (1000.0, 25.0), (1000.0, 50.0), (1000.0, 75.0)]
            .into_iter()
            .chain([(200.0, 25.0), (400.0, 25.0), (700.0, 25.0), (1100.0, 25.0)])
            .map(|(g, t)| observed(at(g, t)))
            .collect();
        let all = coefficients(&seen).unwrap();
        let dim = &seen[4..];
        let factors = irradiance_factors(dim, Volts(all.voc_stc.value)).unwrap().map(|c| c.value);
        let nothing = SeriesAt { ohms: Ohms(0.0), kappa: 0.0, at: None };
        let mut found =
            Self { all, factors, one: nothing, two: nothing, two_2021: nothing, four: Ohms(0.0) };
        let by_light = [(1000.0, 25.0), (800.0, 25.0), (600.0, 25.0)].map(|(g, t)| at(g, t));
        let by_warmth = [(1000.0, 25.0), (1000.0, 40.0), (1000.0, 60.0)].map(|(g, t)| at(g, t));
        let light = by_light.map(|c| exact(c).0);
        let warmth = by_warmth.map(|c| exact(c).0);
        let pairs: Vec<_> = light.iter().zip(by_light).collect();
        let warm: Vec<_> = warmth.iter().zip(by_warmth).collect();
        for kind in 0..4 {
            let make = |from: Conditions, series: SeriesAt| found.with(kind, from, series);
            let ohms =
                series_resistance(&pairs, &Method::FIELD, |k, s| make(by_light[k], s)).unwrap();
            let series = SeriesAt { ohms, kappa: 0.0, at: Some(Celsius(25.0)) };
            if kind == 3 {
                found.four = ohms;
                break;
            }
            let kappa =
                curve_correction(&warm, &Method::FIELD, series, |k, s| make(by_warmth[k], s));
            let series = SeriesAt { kappa: kappa.unwrap(), ..series };
            match kind {
                0 => found.one = series,
                1 => found.two = series,
                _ => found.two_2021 = series,
            }
        }
        found
    }

    fn with(&self, kind: usize, from: Conditions, series: SeriesAt) -> Procedure {
        let here = observed(from);
        let (alpha, beta) = (self.all.alpha.value, self.all.beta.value);
        let (alpha_rel, beta_rel) = (alpha / self.all.isc_stc.value, beta / self.all.voc_stc.value);
        match kind {
            0 => Procedure::One(Procedure1 { isc: here.isc, alpha, beta, series }),
            1 => {
                let a = self.all.a.value;
                Procedure::Two(Procedure2 { voc: here.voc, alpha_rel, beta_rel, a, series })
            }
            2 => Procedure::Two2021(Procedure2021 {
                voc_stc: Volts(self.all.voc_stc.value),
                alpha_rel,
                beta_rel,
                b1: self.factors[0],
                b2: self.factors[1],
                series: series.ohms,
                kappa: series.kappa,
            }),
            _ => Procedure::Four(Procedure4 {
                isc: here.isc,
                alpha,
                series: series.ohms,
                cells: CELLS,
                temperature_first: false,
            }),
        }
    }

    fn procedure(&self, kind: usize, from: Conditions) -> Procedure {
        let four = SeriesAt { ohms: self.four, kappa: 0.0, at: None };
        let series = [self.one, self.two, self.two_2021, four][kind];
        self.with(kind, from, series)
    }
}

const NAMES: [&str; 4] = ["1", "2 (2009)", "2 (2021)", "4"];

/// Largest error of Pmp allowed, by procedure, to and from standard conditions: first where irradiance
/// changes by at most 25 %, then anywhere. It is what the procedures' own assumptions cost on this
/// device, rounded up; no outside source gives it. (IEC 60891 keeps procedure 1 to some 20 or 30 %,
/// from memory: beyond, its Voc does not follow the light.)
const LIMITS: [(f64, f64); 4] = [(0.006, 0.09), (0.046, 0.046), (0.003, 0.003), (0.023, 0.087)];

#[test]
fn error_against_the_exact_device() {
    let found = Found::new();
    println!(
        "{:?}\n{:?} {:?} {:?} {:?}",
        found.all, found.one, found.two, found.two_2021, found.four
    );
    println!("procedure  from -> to                              Pmp       Voc       Isc  (%)");
    for (kind, name) in NAMES.iter().enumerate() {
        let mut worst = (0.0_f64, 0.0_f64);
        for (g, t) in CORNERS {
            for (from, to) in [(at(g, t), Conditions::STC), (Conditions::STC, at(g, t))] {
                let moved =
                    translate(&exact(from).0, from, to, &found.procedure(kind, from)).unwrap();
                let (got, truth) =
                    (parameters(&moved, &Method::FIELD).unwrap(), exact(to).1.summary());
                let pmp = got.pmp / truth.pmp - 1.0;
                let voc = got.voc.value.map_or(f64::NAN, |voc| voc / truth.voc - 1.0);
                let isc = got.isc.value.map_or(f64::NAN, |isc| isc / truth.isc - 1.0);
                println!(
                    "{name:9}  {:4} W/m2 {:2} degC -> {:4} W/m2 {:2} degC  {:+8.3}  {:+8.3}  {:+8.3}",
                    from.irradiance.0,
                    from.cell.0,
                    to.irradiance.0,
                    to.cell.0,
                    100.0 * pmp,
                    100.0 * voc,
                    100.0 * isc
                );
                if g >= 800.0 {
                    worst.0 = worst.0.max(pmp.abs());
                }
                worst.1 = worst.1.max(pmp.abs());
            }
        }
        println!("{name:9}  worst {:.3} %, {:.3} %", 100.0 * worst.0, 100.0 * worst.1);
        let (near, far) = LIMITS[kind];
        assert!(worst.0 < near && worst.1 < far, "procedure {name}: {worst:?}");
    }
}

/// There and back. What is needed for the way back belongs to the curve as moved: its Isc and Voc.
fn there_and_back(kind: usize, found: &Found, from: Conditions, to: Conditions) -> Curve {
    let curve = exact(from).0;
    let there = found.procedure(kind, from);
    let moved = translate(&curve, from, to, &there).unwrap();
    let warmer = (to.cell - from.cell).0;
    let ratio = to.irradiance / from.irradiance;
    let back = match there {
        Procedure::One(one) => {
            let isc = one.isc * ratio + Amps(one.alpha * to.irradiance.0 / 1000.0 * warmer);
            Procedure::One(Procedure1 { isc, ..one })
        }
        // Voc1 is the size of the change: the same for both ways.
        Procedure::Two(two) => Procedure::Two(two),
        Procedure::Two2021(two) => Procedure::Two2021(two),
        Procedure::Four(four) => {
            let isc = four.isc * ratio + Amps(four.alpha * to.irradiance.0 / 1000.0 * warmer);
            Procedure::Four(Procedure4 { isc, temperature_first: true, ..four })
        }
    };
    translate(&moved, to, from, &back).unwrap()
}

#[test]
fn there_and_back_is_the_same_curve() {
    // Within 0.05 % of Pmp, as a laboratory asks; procedures 1, 2 (2021) and 4 close exactly. That
    // of 2009 does not: (1 + a dT)(1 - a dT) is not one, so its own error is a_rel^2 dT^2.
    let found = Found::new();
    for (kind, name) in NAMES.iter().enumerate() {
        let mut worst = 0.0_f64;
        for (from, to) in CORNERS.iter().flat_map(|a| CORNERS.map(|b| (at(a.0, a.1), at(b.0, b.1))))
        {
            let curve = exact(from).0;
            let returned = there_and_back(kind, &found, from, to);
            let pmp = |curve: &Curve| parameters(curve, &Method::FIELD).unwrap().pmp;
            let (before, after) = (pmp(&curve), pmp(&returned));
            let off = (after / before - 1.0).abs();
            worst = worst.max(off);
            let warmer = (to.cell - from.cell).0;
            let alpha_rel = found.all.alpha.value / found.all.isc_stc.value;
            let allowed = if kind == 1 {
                // The current's square term, and what it does to the voltage.
                3.0 * (alpha_rel * warmer).powi(2) + 1e-9
            } else {
                1e-9
            };
            assert!(off <= allowed, "{name} {from:?} {to:?}: {off:e} above {allowed:e}");
        }
        println!("procedure {name}: Pmp there and back off by at most {worst:.1e}");
        assert!(worst < 5e-4 * if kind == 1 { 3.0 } else { 1.0 });
    }
}

#[test]
fn coefficients_come_back_from_curves() {
    let found = Found::new();
    // Isc follows light and alpha but for the shunt's share; the device's alpha is 0.005658 A/K.
    assert!((found.all.alpha.value / 0.005_658 - 1.0).abs() < 0.03, "{:?}", found.all.alpha);
    // The data sheet says -0.13788 V/K near 25 degC; over 15 to 75 degC the mean is close to it.
    assert!((found.all.beta.value / -0.137_88 - 1.0).abs() < 0.02, "{:?}", found.all.beta);
    // Procedure 2 knows how Voc follows the light, so its Rs is the device's own, 0.297814 ohm; that of
    // procedure 1 makes up for what it does not know.
    assert!((found.two.ohms.0 / 0.297_814 - 1.0).abs() < 0.01, "{:?}", found.two);
    assert!((found.two_2021.ohms.0 / 0.297_814 - 1.0).abs() < 0.03, "{:?}", found.two_2021);
    let few = coefficients(&[observed(Conditions::STC)]).unwrap_err();
    assert_eq!(few, CoefficientError::TooFew { found: 1, needed: 4 });
    let same = [observed(Conditions::STC); 5];
    assert_eq!(coefficients(&same).unwrap_err(), CoefficientError::NotApart);
}

#[test]
fn between_two_curves() {
    // Procedure 3 between 800 and 1000 W/m2 at 25 degC, and between 25 and 45 degC at 1000 W/m2.
    let isc = |c: Conditions| exact(c).1.short_circuit();
    let between = |a: Conditions, b: Conditions, to: Conditions| {
        interpolate((&exact(a).0, a, isc(a)), (&exact(b).0, b, isc(b)), to)
    };
    let light = (at(800.0, 25.0), at(1000.0, 25.0), at(880.0, 25.0));
    let warmth = (at(1000.0, 25.0), at(1000.0, 45.0), at(1000.0, 37.0));
    let both = (at(600.0, 25.0), at(1000.0, 45.0), at(800.0, 35.0));
    for ((a, b, to), limit) in [(light, 2e-4), (warmth, 2e-4), (both, 5e-3)] {
        let (curve, reached) = between(a, b, to).unwrap();
        let found = parameters(&curve, &Method::FIELD).unwrap();
        let off = found.pmp / exact(to).1.crest().watts - 1.0;
        println!("procedure 3, {a:?} and {b:?} to {reached:?}: Pmp {off:+.2e}");
        assert!(off.abs() < limit, "{off}");
    }
    let (a, b) = (at(800.0, 25.0), at(1000.0, 45.0));
    assert!(matches!(between(a, b, at(900.0, 25.0)), Err(BetweenError::OffTheLine { .. })));
    assert!(matches!(between(a, b, at(200.0, 25.0)), Err(BetweenError::Outside { .. })));
    assert!(matches!(between(a, a, a), Err(BetweenError::SameConditions)));
}

#[test]
fn the_device_is_its_own_thermometer() {
    // IEC 60904-5 against the device itself: within 0.5 K up to 55 degC and from 500 to 1100 W/m2.
    let voc = |c: Conditions| exact(c).1.open_circuit();
    let a = thermal_diode_factor(
        (voc(Conditions::STC), Irradiance(1000.0)),
        (voc(at(500.0, 25.0)), Irradiance(500.0)),
    )
    .unwrap();
    let beta_rel = -0.137_88 / 38.3;
    let stc = exact(Conditions::STC).1;
    for to in [at(1100.0, 45.0), at(500.0, 30.0), at(800.0, 55.0)] {
        let here = exact(to).1;
        let found = cell_temperature(
            (stc.open_circuit(), stc.short_circuit(), Celsius(25.0)),
            (here.open_circuit(), here.short_circuit()),
            beta_rel,
            a,
        )
        .unwrap();
        println!("{to:?}: {found:.2}");
        assert!((found - to.cell).0.abs() < 0.8, "{to:?}: {found}");
    }
    assert_eq!(
        thermal_diode_factor((Volts(1.0), Irradiance(0.0)), (Volts(1.0), Irradiance(1.0))),
        None
    );
}

#[test]
fn equations_by_hand() {
    // One point by each equation, computed by hand from the equations in the module's text.
    let mut points = exact(Conditions::STC).0.points().to_vec();
    points[0].volts = Volts(-1.0);
    points[0].amps = Amps(9.0);
    let curve = Curve::new(points).unwrap();
    let (from, to) = (at(800.0, 45.0), Conditions::STC);
    let first = |procedure: Procedure| {
        let p = translate(&curve, from, to, &procedure).unwrap().points()[0];
        (p.volts.0, p.amps.0)
    };
    let near = |found: (f64, f64), wanted: (f64, f64)| {
        let off = (found.0 - wanted.0).abs().max((found.1 - wanted.1).abs());
        assert!(off < 1e-12, "{found:?} {wanted:?}");
    };
    let series = SeriesAt { ohms: Ohms(0.3), kappa: 0.001, at: None };
    let one = Procedure1 { isc: Amps(8.0), alpha: 0.005, beta: -0.14, series };
    // I2 = 9 + 8*0.25 - 0.1 = 10.9; V2 = -1 - 0.3*1.9 + 0.001*10.9*20 + 2.8.
    near(first(Procedure::One(one)), (-1.0 - 0.57 + 0.218 + 2.8, 10.9));
    let two =
        Procedure2 { voc: Volts(35.0), alpha_rel: 0.0005, beta_rel: -0.0036, a: 0.04, series };
    // I2 = 9*0.99*1.25 = 11.1375; V2 = -1 + 35*(0.072 + 0.04 ln 1.25) - 0.3*2.1375 + 0.02*11.1375.
    let v2 = -1.0 + 35.0 * (0.072 + 0.04 * 1.25_f64.ln()) - 0.641_25 + 0.222_75;
    near(first(Procedure::Two(two)), (v2, 11.1375));
    let form = Procedure2021 {
        voc_stc: Volts(38.0),
        alpha_rel: 0.0005,
        beta_rel: -0.0036,
        b1: 0.04,
        b2: 0.002,
        series: Ohms(0.3),
        kappa: 0.001,
    };
    let (log, i2) = (1.25_f64.ln(), 9.0 * 1.25 / 1.01);
    let f = 0.002 * log * log + 0.04 * log + 1.0;
    let open = 38.0 * (-0.0036 * f * -20.0 + 1.0 - 1.0 / f);
    near(first(Procedure::Two2021(form)), (-1.0 - 0.32 * (i2 - 9.0) + 0.02 * i2 + open, i2));
    let four = Procedure4 {
        isc: Amps(8.0),
        alpha: 0.005,
        series: Ohms(0.3),
        cells: 60,
        temperature_first: false,
    };
    let va = -1.0 - 0.3 * 2.0;
    let v2 = va - 20.0 / 318.15 * (va - EPSILON * 60.0);
    near(first(Procedure::Four(four)), (v2, 10.9));
    let dark = translate(&curve, at(0.0, 25.0), to, &Procedure::One(one)).unwrap_err();
    assert!(matches!(dark, TranslateError::Dark { .. }), "{dark}");
}
