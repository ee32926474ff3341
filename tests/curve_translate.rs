//! IEC 60891: round trips, errors against the exact device, and coefficients found from curves.
#![allow(clippy::unwrap_used, reason = "in tests, also outside #[test] functions")]

mod curve_common;

use cresthold::curve::translate::{
    BetweenError, Campaign, CoefficientError, EPSILON, Form, Observed, Procedure, Procedure1,
    Procedure2, Procedure4, Procedure2021, SeriesAt, TranslateError, campaign, cell_temperature,
    coefficients, interpolate, thermal_diode_factor, translate, translate_back,
};
use cresthold::curve::{Conditions, Curve, Method, parameters};
use cresthold::quantities::{Amps, Celsius, Irradiance, Ohms, Volts};
use cresthold_sim::bench::Noise;
use cresthold_sim::device::single_diode::SingleDiode;
use curve_common::{crystalline, exact_points};
use proptest::prelude::*;

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

const FORMS: [(&str, Form); 4] = [
    ("1", Form::One),
    ("2 (2009)", Form::Two),
    ("2 (2021)", Form::Two2021),
    ("4", Form::Four { cells: 60 }),
];

/// The matrix of IEC 61853-1 from this irradiance up, with which a procedure's coefficients are
/// found: procedures 1 and 4, which don't know how Voc follows the light, from brighter ones.
fn matrix(faintest: f64) -> Vec<Conditions> {
    let rows: [(f64, &[f64]); 7] = [
        (100.0, &[15.0, 25.0]),
        (200.0, &[15.0, 25.0]),
        (400.0, &[15.0, 25.0, 50.0]),
        (600.0, &[15.0, 25.0, 50.0, 75.0]),
        (800.0, &[15.0, 25.0, 50.0, 75.0]),
        (1000.0, &[15.0, 25.0, 50.0, 75.0]),
        (1100.0, &[25.0, 50.0, 75.0]),
    ];
    let bright = rows.into_iter().filter(|(g, _)| *g >= faintest);
    bright.flat_map(|(g, cells)| cells.iter().map(move |t| at(g, *t))).collect()
}

/// What the exact curves of the matrix say.
fn found(form: Form) -> Campaign {
    let faintest = if matches!(form, Form::One | Form::Four { .. }) { 600.0 } else { 100.0 };
    let conditions = matrix(faintest);
    let curves: Vec<Curve> = conditions.iter().map(|c| exact(*c).0).collect();
    let pairs: Vec<_> = curves.iter().zip(conditions).collect();
    campaign(&pairs, &Method::FIELD, form).unwrap()
}

/// The procedure for the exact curve at `from`.
fn procedure(found: &Campaign, from: Conditions) -> Procedure {
    let here = observed(from);
    found.procedure(here.isc, here.voc)
}

/// Largest error of Pmp allowed, by procedure, to and from standard conditions: first where irradiance
/// changes by at most 25 %, then anywhere. It is what the procedures' own assumptions cost on this
/// device, rounded up; no outside source gives it. (IEC 60891 keeps procedure 1 to some 20 or 30 %,
/// from memory: beyond, its Voc does not follow the light.)
const LIMITS: [(f64, f64); 4] = [(0.006, 0.094), (0.056, 0.056), (0.0035, 0.007), (0.023, 0.083)];

#[test]
fn error_against_the_exact_device() {
    println!("procedure  from                to                     Pmp      Voc      Isc   (%)");
    for ((name, form), (near, far)) in FORMS.into_iter().zip(LIMITS) {
        let found = found(form);
        let mut worst = (0.0_f64, 0.0_f64);
        for (g, t) in CORNERS {
            for (from, to) in [(at(g, t), Conditions::STC), (Conditions::STC, at(g, t))] {
                let moved = translate(&exact(from).0, from, to, &procedure(&found, from)).unwrap();
                let pmp = line(name, from, to, &moved);
                if g >= 800.0 {
                    worst.0 = worst.0.max(pmp);
                }
                worst.1 = worst.1.max(pmp);
            }
        }
        let (bright, any) = (100.0 * worst.0, 100.0 * worst.1);
        println!("{name:9}  worst: {bright:.3} % from 800 W/m2 up, {any:.3} % in all\n");
        assert!(worst.0 < near && worst.1 < far, "procedure {name}: {worst:?}");
    }
}

/// Prints how far a moved curve lies off the exact one; its share of Pmp. An end that the moved points
/// don't reach is not extrapolated.
fn line(name: &str, from: Conditions, to: Conditions, moved: &Curve) -> f64 {
    let (got, truth) = (parameters(moved, &Method::FIELD).unwrap(), exact(to).1.summary());
    let percent = |share: Option<f64>| {
        share.map_or("-".to_owned(), |share| format!("{:+.3}", 100.0 * (share - 1.0)))
    };
    let pmp = got.pmp / truth.pmp;
    let words = |c: Conditions| format!("{:4} W/m2 {:2} degC", c.irradiance.0, c.cell.0);
    println!(
        "{name:9}  {}  {}  {:>8} {:>8} {:>8}",
        words(from),
        words(to),
        percent(Some(pmp)),
        percent(got.voc.value.map(|voc| voc / truth.voc)),
        percent(got.isc.value.map(|isc| isc / truth.isc))
    );
    (pmp - 1.0).abs()
}

/// The standard's own equations with the conditions exchanged: what they need of the curve there, its
/// Isc and Voc, is taken from the coefficients.
fn same_equations_back(found: &Campaign, from: Conditions, to: Conditions) -> Procedure {
    let warmer = (to.cell - from.cell).0;
    let ratio = to.irradiance / from.irradiance;
    let there = procedure(found, from);
    let isc = |isc: Amps, alpha: f64| isc * ratio + Amps(alpha * to.irradiance.0 / 1000.0 * warmer);
    match there {
        Procedure::One(one) => Procedure::One(Procedure1 { isc: isc(one.isc, one.alpha), ..one }),
        Procedure::Two(two) => {
            let voc = two.voc * (1.0 + two.beta_rel * warmer + two.a * ratio.ln());
            Procedure::Two(Procedure2 { voc, ..two })
        }
        Procedure::Two2021(two) => Procedure::Two2021(two),
        Procedure::Four(four) => {
            Procedure::Four(Procedure4 { isc: isc(four.isc, four.alpha), ..four })
        }
    }
}

/// Largest distance of two curves' points: in voltage as a share of Voc, in current of Isc.
fn apart(a: &Curve, b: &Curve, device: &SingleDiode) -> f64 {
    let (isc, voc) = (device.short_circuit(), device.open_circuit());
    assert_eq!(a.points().len(), b.points().len());
    let pairs = a.points().iter().zip(b.points());
    let shares =
        pairs.map(|(a, b)| ((a.volts - b.volts) / voc).abs().max(((a.amps - b.amps) / isc).abs()));
    shares.fold(0.0, f64::max)
}

#[test]
fn there_and_back_is_the_same_curve() {
    // All pairs of 200 to 1100 W/m2 and 15 to 75 degC. A laboratory asks for 0.05 % of Pmp; the way back
    // is exact, for the whole curve. The standard's equations with exchanged conditions are not for each
    // procedure, as translate/back.rs says; how far off is printed.
    let pmp = |curve: &Curve| Some(parameters(curve, &Method::FIELD).ok()?.pmp);
    println!(
        "there and back, worst of 64 pairs   Pmp        any point  Pmp by the same equations back"
    );
    for (name, form) in FORMS {
        let found = found(form);
        let (mut power, mut points, mut same) = (0.0_f64, 0.0_f64, 0.0_f64);
        for (from, to) in CORNERS.iter().flat_map(|a| CORNERS.map(|b| (at(a.0, a.1), at(b.0, b.1))))
        {
            let (curve, device) = exact(from);
            let there = procedure(&found, from);
            let moved = translate(&curve, from, to, &there).unwrap();
            let back = translate_back(&moved, from, to, &there).unwrap();
            let before = pmp(&curve).unwrap();
            power = power.max((pmp(&back).unwrap() / before - 1.0).abs());
            points = points.max(apart(&back, &curve, &device));
            let exchanged = same_equations_back(&found, from, to);
            let back = translate(&moved, to, from, &exchanged).unwrap();
            same = same.max(pmp(&back).map_or(f64::INFINITY, |after| (after / before - 1.0).abs()));
        }
        println!("procedure {name:9}               {power:9.1e}  {points:9.1e}  {same:9.1e}");
        assert!(power < 1e-12 && points < 1e-12, "{name}: {power:e} {points:e}");
        let closes = matches!(form, Form::One | Form::Two2021);
        assert_eq!(same < 5e-4, closes, "{name}: {same:e}");
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 64, failure_persistence: None, ..ProptestConfig::default() })]

    /// Whatever the coefficients: what was moved comes back.
    #[test]
    fn any_coefficients_there_and_back(
        light in (50.0..1500.0_f64, 50.0..1500.0_f64),
        cells in (-20.0..90.0_f64, -20.0..90.0_f64),
        alpha in 0.0..0.02_f64,
        beta in -0.3..0.0_f64,
        ohms in 0.0..1.0_f64,
        kappa in -0.01..0.01_f64,
        b1 in 0.0..0.08_f64,
    ) {
        let (from, to) = (at(light.0, cells.0), at(light.1, cells.1));
        let (curve, device) = exact(from);
        let (isc, voc) = (device.short_circuit(), device.open_circuit());
        let (alpha_rel, beta_rel) = (alpha / 9.43, beta / 38.3);
        for at in [None, Some(Celsius(40.0))] {
            let series = SeriesAt { ohms: Ohms(ohms), kappa, at };
            for procedure in [
                Procedure::One(Procedure1 { isc, alpha, beta, series }),
                Procedure::Two(Procedure2 { voc, alpha_rel, beta_rel, a: b1, series }),
                Procedure::Two2021(Procedure2021 {
                    voc_stc: Volts(38.3), alpha_rel, beta_rel, b1, b2: 0.003, series: Ohms(ohms), kappa,
                }),
                Procedure::Four(Procedure4 { isc, alpha, series: Ohms(ohms), cells: 60 }),
            ] {
                // Some coefficients would fold the curve over itself, where its points change their order.
                let Ok(moved) = translate(&curve, from, to, &procedure) else { continue };
                if moved.points().windows(2).any(|pair| pair[0].amps < pair[1].amps)
                    || moved.points().len() != curve.points().len()
                {
                    continue;
                }
                let back = translate_back(&moved, from, to, &procedure).unwrap();
                let off = apart(&back, &curve, &device);
                prop_assert!(off < 1e-11, "{procedure:?}: {off:e}");
            }
        }
    }
}

#[test]
fn coefficients_come_back_from_curves() {
    println!("Pmp at standard conditions: {:.4}", exact(Conditions::STC).1.crest().watts);
    for (name, form) in FORMS {
        let Campaign { plain, voltage, series, kappa, pmp_stc, used, .. } = found(form);
        println!("procedure {name}: {used} curves\n  {plain:?}\n  {voltage:?}");
        println!("  {series:?}\n  {kappa:?}\n  {pmp_stc:?}");
        // The device's alpha is 0.005658 A/K, of which the shunt takes 0.24 %.
        assert!((plain.alpha.value / 0.005_658 - 1.0).abs() < 0.01, "{:?}", plain.alpha);
        assert!((plain.isc_stc.value / 9.43 - 1.0).abs() < 1e-3, "{:?}", plain.isc_stc);
        // The data sheet says -0.13788 V/K near 25 degC; over 15 to 75 degC the mean is close to it.
        assert!((voltage.beta.value / -0.137_88 - 1.0).abs() < 0.02, "{:?}", voltage.beta);
        assert!((voltage.voc_stc.value / 38.3 - 1.0).abs() < 1e-3, "{:?}", voltage.voc_stc);
        assert!((pmp_stc.value / 270.0086 - 1.0).abs() < 1e-2, "{pmp_stc:?}");
        if form == Form::Two2021 {
            // It alone knows how Voc follows both: its Rs is the device's own, 0.297814 ohm. Those of the
            // others make up for what they don't know.
            assert!((series.value / 0.297_814 - 1.0).abs() < 0.05, "{series:?}");
        }
        assert_eq!(kappa.is_none(), matches!(form, Form::Four { .. }));
    }
    let few = coefficients(&[observed(Conditions::STC)]).unwrap_err();
    assert_eq!(few, CoefficientError::TooFew { found: 1, needed: 4 });
    let same = [observed(Conditions::STC); 5];
    assert_eq!(coefficients(&same).unwrap_err(), CoefficientError::NotApart);
    // One temperature says nothing of beta, and one irradiance nothing of Rs.
    for conditions in [
        [200.0, 400.0, 600.0, 800.0, 1000.0].map(|g| at(g, 25.0)),
        [15.0, 25.0, 40.0, 50.0, 75.0].map(|t| at(1000.0, t)),
    ] {
        let curves = conditions.map(|c| exact(c).0);
        let pairs: Vec<_> = curves.iter().zip(conditions).collect();
        let error = campaign(&pairs, &Method::FIELD, Form::Two2021).unwrap_err();
        assert_eq!(error, CoefficientError::NotApart);
    }
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
    println!(
        "procedure  first             to                     Pmp      Voc      Isc   (%)  second"
    );
    for ((a, b, to), limit) in [(light, 2e-4), (warmth, 2e-4), (both, 5e-3)] {
        let (curve, reached) = between(a, b, to).unwrap();
        assert!((reached.cell - to.cell).0.abs() < 1e-9, "{reached:?}");
        let off = line("3", a, to, &curve);
        println!("           and {:4} W/m2 {:2} degC", b.irradiance.0, b.cell.0);
        assert!(off < limit, "{off}");
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
    let four = Procedure4 { isc: Amps(8.0), alpha: 0.005, series: Ohms(0.3), cells: 60 };
    let va = -1.0 - 0.3 * 2.0;
    let v2 = va - 20.0 / 318.15 * (va - EPSILON * 60.0);
    near(first(Procedure::Four(four)), (v2, 10.9));
    let dark = translate(&curve, at(0.0, 25.0), to, &Procedure::One(one)).unwrap_err();
    assert!(matches!(dark, TranslateError::Dark { .. }), "{dark}");
}

/// One curve in a hundred whose light was told wrong by 10 % may not bend the coefficients; without it
/// they must be almost as good as plain least squares, and their stated uncertainties true.
#[test]
fn an_outlier_does_not_bend_coefficients() {
    const CAMPAIGNS: usize = 300;
    let (isc, alpha, voc, beta) = (9.43, 0.005_658, 38.30, -0.137_88);
    let mut noise = Noise::new(7);
    // Isc scatters by 0.1 %, Voc by 0.1 V.
    let mut campaign = |outlier: f64| {
        let seen: Vec<Observed> = (0..100)
            .map(|k| {
                let suns = 0.15 + 1.05 * f64::from(k * 37 % 100) / 100.0;
                let cell = 15.0 + 0.3 * f64::from(k * 61 % 100);
                let wrong = if k == 70 { outlier } else { 1.0 };
                let amps = (isc + alpha * (cell - 25.0)) * (suns * wrong + 1e-3 * noise.draw());
                let volts = voc + beta * (cell - 25.0) + 1.5 * suns.ln() + 0.1 * noise.draw();
                let irradiance = Irradiance(1000.0 * suns);
                let conditions = Conditions { irradiance, cell: Celsius(cell) };
                Observed { conditions, isc: Amps(amps), voc: Volts(volts) }
            })
            .collect();
        coefficients(&seen).unwrap()
    };
    for outlier in [1.0, 1.1] {
        let found: Vec<_> = (0..CAMPAIGNS).map(|_| campaign(outlier)).collect();
        let count = CAMPAIGNS as f64;
        let (mut off, mut stated, mut off_beta) = (0.0, 0.0, 0.0);
        for c in &found {
            off += (c.alpha.value - alpha).powi(2) / count;
            stated += c.alpha.uncertainty.powi(2) / count;
            off_beta += ((c.beta.value - beta) / c.beta.uncertainty).powi(2) / count;
        }
        let (off, ratio) = (off.sqrt() / alpha, (off / stated).sqrt());
        println!(
            "outlier {outlier}: alpha off by {:.2} %, {ratio:.3} of what is stated",
            100.0 * off
        );
        // What is stated is 2.7 % of alpha for this scatter and spread of temperatures: a tenth more for
        // the outlier's bounded pull. 300 campaigns know a deviation to 4 %; three of those.
        assert!(off < 0.03, "{off}");
        assert!((0.88..1.12).contains(&ratio), "{ratio}");
        assert!((0.88..1.12).contains(&off_beta.sqrt()), "{off_beta}");
    }
}
