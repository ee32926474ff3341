//! Fits: published optima, exact curves, several curves, data sheets; and what can't be known.
#![allow(clippy::unwrap_used, reason = "in tests, also outside #[test] functions")]

mod curve_common;

use cresthold::curve::fit::{
    DataSheet, DataSheetError, Fit, FitError, Identified, Lit, Residual, fit, fit_several,
    from_data_sheet,
};
use cresthold::curve::{Conditions, Curve, Point};
use cresthold::quantities::{Amps, Celsius, Irradiance, Ohms, Volts};
use cresthold_sim::device::desoto::BandGap;
use cresthold_sim::device::single_diode::SingleDiode;
use curve_common::{crystalline, exact_points, point, two_columns, wiggle};
use proptest::prelude::*;
use serde_json::Value;

/// Boltzmann's constant over the elementary charge (V/K), both exact in the SI since 2019.
const VOLTS_PER_KELVIN: f64 = 1.380_649e-23 / 1.602_176_634e-19;

fn same(found: f64, wanted: f64, relative: f64) {
    assert!((found / wanted - 1.0).abs() <= relative, "{found} is not {wanted}");
}

#[test]
fn measured_silicon_cell_both_optima() {
    // Easwarakhanthan et al. 1986, 57 mm cell at 33 degC. Optima and errors: the trade's published
    // figures for the implicit residual (found again by many), and the true one of current,
    // computed. Limits: half a unit of the last of five digits.
    let curve = Curve::new(two_columns(include_str!("data/easwarakhanthan-1986.csv"))).unwrap();
    let thermal = VOLTS_PER_KELVIN * (33.0 + 273.15);
    let expected = [
        (
            Residual::Implicit,
            [0.760_775_5, 3.230_208e-7, 0.036_377_1, 53.718_53, 1.481_184],
            9.860_219e-4,
        ),
        (
            Residual::Current,
            [0.760_788_0, 3.106_845e-7, 0.036_546_9, 52.889_8, 1.477_268],
            7.730_063e-4,
        ),
    ];
    for (residual, wanted, rmse) in expected {
        let found = fit(&curve, residual).unwrap();
        let values = [
            found.photocurrent.value.0,
            found.saturation.value.0,
            found.series.value.0,
            found.shunt.value.0,
            found.ideality.value.0 / thermal,
        ];
        println!("{residual:?} residual: IL, I0, Rs, Rsh, n {values:?}\n  published {wanted:?}");
        println!("  rmse {:.7e} A, published {rmse:.7e}", found.rmse.0);
        for (found, wanted) in values.into_iter().zip(wanted) {
            same(found, wanted, 5e-6);
        }
        same(found.rmse.0, rmse, 1e-6);
    }
}

fn number(value: &Value) -> f64 {
    value.as_str().map_or_else(|| value.as_f64().unwrap(), |text| text.parse().unwrap())
}

fn values(fit: &Fit) -> [f64; 5] {
    [
        fit.photocurrent.value.0,
        fit.saturation.value.0,
        fit.series.value.0,
        fit.shunt.value.0,
        fit.ideality.value.0,
    ]
}

#[test]
fn forty_digit_curves_give_their_parameters_back() {
    // pvlib's precise_iv_curves1: 32 curves of 100 points in 40-digit arithmetic.
    let data: Value =
        serde_json::from_str(include_str!("../sim/tests/data/precise-iv-curves.json")).unwrap();
    let rows = include_str!("../sim/tests/data/precise-iv-parameters.csv").lines().skip(1);
    let parameters: Vec<Vec<f64>> =
        rows.map(|row| row.split(',').map(|f| f.trim().parse().unwrap()).collect()).collect();
    let mut worst = 0.0_f64;
    let curves = data["IV Curves"].as_array().unwrap();
    assert_eq!(curves.len(), 32);
    for curve in curves {
        let index = usize::try_from(curve["Index"].as_u64().unwrap()).unwrap();
        let p = &parameters[index - 1];
        let wanted = [p[1], p[2], p[3], p[4], p[5] * p[6] * VOLTS_PER_KELVIN * 298.15];
        let volts = curve["Voltages"].as_array().unwrap();
        let amps = curve["Currents"].as_array().unwrap();
        let points = volts.iter().zip(amps).map(|(v, i)| point(number(v), number(i))).collect();
        let found = fit(&Curve::new(points).unwrap(), Residual::Current).unwrap();
        for (found, wanted) in values(&found).into_iter().zip(wanted) {
            worst = worst.max((found / wanted - 1.0).abs());
        }
        assert!(worst < 1e-6, "curve {index}: {:?}, not {wanted:?}", values(&found));
        for identified in [
            found.photocurrent.identified,
            found.saturation.identified,
            found.series.identified,
            found.shunt.identified,
            found.ideality.identified,
        ] {
            assert_eq!(identified, Identified::Well, "curve {index}");
        }
    }
    println!("worst relative error of 160 parameters: {worst:e}");
}

#[test]
fn the_stated_uncertainty_covers_the_truth() {
    // 1 mA of noise: each parameter must lie within four of its standard uncertainties.
    let (device, mut points) = exact_points(&crystalline(), 1000.0, 25.0, 100);
    for (k, p) in points.iter_mut().enumerate() {
        p.amps += Amps(1e-3 * wiggle(k));
    }
    let found = fit(&Curve::new(points).unwrap(), Residual::Current).unwrap();
    let pairs = [
        (found.photocurrent.value - device.photocurrent()) / found.photocurrent.uncertainty,
        (found.saturation.value - device.saturation()) / found.saturation.uncertainty,
        (found.series.value - device.series()) / found.series.uncertainty,
        (found.shunt.value - device.shunt()) / found.shunt.uncertainty,
        (found.ideality.value - device.ideality()) / found.ideality.uncertainty,
    ];
    println!("{found:?}\n{pairs:?}");
    assert!(pairs.iter().all(|sigmas| sigmas.abs() < 4.0), "{pairs:?}");
    same(found.rmse.0, 1e-3, 0.2);
    assert_eq!(found.series.identified, Identified::Well);
    // I0 and a are told apart badly, as everybody knows.
    assert!(found.correlation[1][4] > 0.99);
    assert!(found.pattern.abs() < 0.4, "{}", found.pattern);
}

#[test]
fn what_the_points_do_not_show_is_told() {
    // No shunt at all, and noise: Rsh is not fixed.
    let device = SingleDiode::new(Amps(5.0), Amps(1e-9), Ohms(0.2), Ohms(1e7), Volts(1.5)).unwrap();
    let at = |k: usize| {
        let v = Volts(0.35 * k as f64);
        Point::new(v, device.current(v) + Amps(2e-3 * wiggle(k)))
    };
    let found = fit(&Curve::new((0..97).map(at).collect()).unwrap(), Residual::Current).unwrap();
    assert_ne!(found.shunt.identified, Identified::Well, "{found:?}");
    assert_eq!(found.ideality.identified, Identified::Well);
    // Nothing but the flat part: no diode to be seen.
    let flat = Curve::new((0..40).map(at).collect()).unwrap();
    match fit(&flat, Residual::Current) {
        Ok(found) => assert_ne!(found.series.identified, Identified::Well, "{found:?}"),
        Err(error) => assert!(matches!(error, FitError::NotAtRest { .. } | FitError::NoStart)),
    }
}

#[test]
fn a_bypassed_module_is_no_single_diode() {
    // A substring in half light: the residuals hang together, and the fit says so.
    let module = cresthold_sim::device::examples::crystalline_module();
    let mut shaded = module.with_mismatch(&[1.0, 1.0, 0.5]).unwrap();
    shaded.set_conditions(Irradiance(1000.0), Celsius(25.0));
    let at = |k: u32| {
        let v = Volts(0.4 * f64::from(k));
        Point::new(v, shaded.current(v))
    };
    let found = fit(&Curve::new((0..97).map(at).collect()).unwrap(), Residual::Current);
    if let Ok(found) = found {
        assert!(found.pattern > 0.5 && found.rmse.0 > 0.1, "{found:?}");
    }
}

#[test]
fn several_curves_give_the_device_back() {
    let reference = crystalline();
    let conditions = [(200.0, 15.0), (400.0, 50.0), (800.0, 25.0), (1000.0, 25.0), (1100.0, 75.0)];
    let curves: Vec<(Curve, Conditions)> = conditions
        .iter()
        .map(|&(g, t)| {
            let curve = Curve::new(exact_points(&reference, g, t, 60).1).unwrap();
            let conditions = curve.conditions().unwrap();
            (curve, conditions)
        })
        .collect();
    let lit: Vec<Lit<'_>> =
        curves.iter().map(|(curve, conditions)| Lit { curve, conditions: *conditions }).collect();
    let found = fit_several(&lit).unwrap();
    println!("{found:?}");
    let (got, wanted) = (found.reference.stc(), reference.stc());
    same(got.photocurrent().0, wanted.photocurrent().0, 1e-9);
    same(got.saturation().0, wanted.saturation().0, 1e-6);
    same(got.series().0, wanted.series().0, 1e-6);
    same(got.shunt().0, wanted.shunt().0, 1e-6);
    same(got.ideality().0, wanted.ideality().0, 1e-6);
    same(found.alpha.value, 0.005_658, 1e-6);
    same(found.gap.value, 1.121, 1e-6);
    // One temperature can't tell alpha and the gap.
    let one = fit_several(&lit[2..4]).unwrap();
    assert_eq!(one.alpha.identified, Identified::Not, "{one:?}");
    assert_eq!(one.gap.identified, Identified::Not);
}

fn sheet() -> DataSheet {
    DataSheet {
        isc: Amps(9.43),
        voc: Volts(38.3),
        imp: Amps(8.71),
        vmp: Volts(31.0),
        alpha: 0.005_658,
        beta: -0.137_88,
        gap: BandGap::SILICON,
    }
}

#[test]
fn data_sheet_by_the_five_equations() {
    // pvlib 0.16.1, tests/ivtools/sdm: fit_desoto's example, printed to six digits, limit 1e-4 there.
    let found = from_data_sheet(&sheet()).unwrap();
    let stc = found.stc();
    println!("{stc:?}");
    same(stc.photocurrent().0, 9.452_32, 1e-6);
    same(stc.saturation().0, 3.224_60e-10, 1e-4);
    same(stc.series().0, 0.297_814, 1e-5);
    same(stc.shunt().0, 125.798, 1e-5);
    same(stc.ideality().0, 1.591_28, 1e-5);
    // And the equations themselves.
    let crest = stc.crest();
    same(crest.volts.0, 31.0, 1e-6);
    same(crest.amps.0, 8.71, 1e-7);
    same(stc.open_circuit().0, 38.3, 1e-12);
    same(stc.short_circuit().0, 9.43, 1e-12);
    let warm = found.at(Irradiance(1000.0), Celsius(27.0)).open_circuit();
    assert!((warm.0 - 38.3 + 2.0 * 0.137_88).abs() < 1e-10);
}

#[test]
fn contradictory_data_sheets_are_refused() {
    let impossible = DataSheet { vmp: Volts(39.0), ..sheet() };
    assert_eq!(from_data_sheet(&impossible).unwrap_err(), DataSheetError::Impossible);
    let percent = DataSheet { beta: -0.36 * 10.0, ..sheet() };
    let error = from_data_sheet(&percent).unwrap_err();
    assert!(matches!(error, DataSheetError::NoTemperature { .. }), "{error}");
    let hollow = DataSheet { imp: Amps(3.0), vmp: Volts(12.0), ..sheet() };
    let error = from_data_sheet(&hollow).unwrap_err();
    assert!(matches!(error, DataSheetError::NoDiode { .. }), "{error}");
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 400, failure_persistence: None, ..ProptestConfig::default() })]

    /// Any physical device, from a cell to a thin-film module: the curve comes back to rounding, and
    /// with it the parameters that are said to be well known.
    #[test]
    fn any_device_comes_back(
        il in 0.05..15.0_f64,
        a in 0.02..8.0_f64,
        steep in 12.0..38.0_f64,
        series in 0.0..0.2_f64,
        shunt in 8.0..3000.0_f64,
    ) {
        let i0 = il * (-steep).exp();
        let voc = a * steep;
        // Up to a fifth of Voc over Rs at full current; from an eighth of Isc through the shunt.
        let (rs, rsh) = (series * voc / il, shunt * voc / il);
        let device =
            SingleDiode::new(Amps(il), Amps(i0), Ohms(rs), Ohms(rsh), Volts(a)).unwrap();
        let open = device.open_circuit().0;
        let at = |k: u32| {
            let v = Volts(open * (-0.02 + 1.04 * f64::from(k) / 89.0));
            Point::new(v, device.current(v))
        };
        let found = fit(&Curve::new((0..90).map(at).collect()).unwrap(), Residual::Current);
        let found = found.unwrap();
        prop_assert!(found.rmse.0 < 1e-9 * il, "{found:?}");
        let wanted = [il, i0, rs, rsh, a];
        for (k, (found, wanted)) in values(&found).into_iter().zip(wanted).enumerate() {
            let scale = if k == 2 { voc / il * 0.01 } else { 0.0 };
            let off = (found - wanted).abs() / (wanted.abs() + scale);
            prop_assert!(off < 1e-5, "{k}: {found} {wanted}");
        }
    }

    /// Points of any kind give a fit or a reason.
    #[test]
    fn no_points_panic(amps in prop::collection::vec(-3.0..9.0_f64, 10..40)) {
        let points = amps.iter().enumerate().map(|(k, i)| point(k as f64, *i)).collect();
        if let Ok(curve) = Curve::new(points)
            && let Ok(found) = fit(&curve, Residual::Current)
        {
            prop_assert!(found.rmse.0.is_finite());
        }
    }
}
