//! The single-diode solution against outside numbers and against laws.

#![allow(clippy::unwrap_used, reason = "in tests, also outside #[test] functions")]

mod support;

use cresthold_sim::device::single_diode::SingleDiode;
use cresthold_sim::quantities::{Amps, Ohms, Volts};
use proptest::prelude::*;
use serde_json::Value;
use support::Table;

/// Boltzmann's constant over the elementary charge (V/K), both exact in the SI since 2019.
const VOLTS_PER_KELVIN: f64 = 1.380_649e-23 / 1.602_176_634e-19;

fn source(il: f64, i0: f64, rs: f64, rsh: f64, a: f64) -> SingleDiode {
    SingleDiode::new(Amps(il), Amps(i0), Ohms(rs), Ohms(rsh), Volts(a)).unwrap()
}

fn number(value: &Value) -> f64 {
    value.as_str().map_or_else(|| value.as_f64().unwrap(), |text| text.parse().unwrap())
}

/// The 32 parameter sets of pvlib's precise_iv_curves1, by index.
fn precise_sources() -> Vec<SingleDiode> {
    let rows = include_str!("data/precise-iv-parameters.csv").lines().skip(1);
    rows.map(|row| {
        let p: Vec<f64> = row.split(',').map(|field| field.trim().parse().unwrap()).collect();
        source(p[1], p[2], p[3], p[4], p[5] * p[6] * VOLTS_PER_KELVIN * 298.15)
    })
    .collect()
}

#[test]
fn forty_digit_curves() {
    // pvlib's precise_iv_curves1 (40-digit arithmetic) and pvlib's own limits for it, absolute.
    let data: Value = serde_json::from_str(include_str!("data/precise-iv-curves.json")).unwrap();
    let curves = data["IV Curves"].as_array().unwrap();
    let sources = precise_sources();
    assert_eq!(curves.len(), 32);
    let mut points = 0;
    let mut worst = [0.0_f64; 6];
    let summaries = Table::of(&sources).summaries().unwrap();
    for curve in curves {
        let index = usize::try_from(curve["Index"].as_u64().unwrap()).unwrap();
        let device = &sources[index - 1];
        // Alone, and among many.
        for got in [device.summary(), summaries[index - 1]] {
            let off = [
                got.isc.0 - number(&curve["i_sc"]),
                got.voc.0 - number(&curve["v_oc"]),
                got.pmp.0 - number(&curve["p_mp"]),
                got.vmp.0 - number(&curve["v_mp"]),
                got.imp.0 - number(&curve["i_mp"]),
            ];
            for (worst, off) in worst.iter_mut().zip(off) {
                *worst = worst.max(off.abs());
            }
        }
        let volts = curve["Voltages"].as_array().unwrap();
        let amps = curve["Currents"].as_array().unwrap();
        let volts: Vec<_> = volts.iter().map(|v| Volts(number(v))).collect();
        let among_many = Table::of(vec![device; volts.len()]).currents(&volts).unwrap();
        for ((v, i), other) in volts.iter().zip(amps).zip(among_many) {
            let (v, i) = (v.0, number(i));
            let off = (device.current(Volts(v)).0 - i).abs().max((other.0 - i).abs());
            worst[5] = worst[5].max(off);
            // The voltage is as good as the given current allows: near Isc, dV/dI = Rsh.
            assert!((device.voltage(Amps(i)).0 - v).abs() < 1e-10, "curve {index} at {v} V");
            points += 1;
        }
    }
    assert_eq!(points, 3200);
    println!("worst isc, voc, pmp, vmp, imp, point: {worst:?}");
    for (found, limit) in worst.iter().zip([1e-10, 1e-10, 1e-10, 1e-6, 1e-7, 1e-10]) {
        assert!(found < &limit, "{worst:?}");
    }
}

#[test]
fn small_hot_cell() {
    // pvlib test_singlediode (IL 7, I0 6e-7, Rs 0.1, Rsh 20, a 0.5), twelve digits printed.
    let got = source(7.0, 6e-7, 0.1, 20.0, 0.5).summary();
    for (found, wanted) in [
        (got.voc.0, 8.106_300_146_586),
        (got.isc.0, 6.965_172_322_158),
        (got.vmp.0, 6.224_339_375_788),
        (got.imp.0, 6.136_267_359_738),
        (got.pmp.0, 38.194_210_547_58),
    ] {
        assert!((found - wanted).abs() < 2e-11, "{found} {wanted}");
    }
}

#[test]
fn villalva_module() {
    // Villalva, Gazoli, Filho 2009, 54 cells, a 1.3 (inputs from memory); curve computed with the
    // constants of their time: Pmax 200.1359 W at 26.349 V, 7.5956 A.
    let a: f64 = 1.3 * 54.0 * 1.380_650_3e-23 * 298.15 / 1.602_176_46e-19;
    let i0: f64 = 8.21 / (32.9_f64 / a).exp_m1();
    assert!((i0 - 9.825_198e-8).abs() < 1e-13);
    let got = source(8.214, i0, 0.221, 415.405, a).crest();
    assert!((got.watts.0 - 200.1359).abs() < 1e-3 && (got.volts.0 - 26.349).abs() < 2e-3);
    assert!((got.amps.0 - 7.5956).abs() < 1e-3);
}

#[test]
fn measured_silicon_cell() {
    // Easwarakhanthan et al. 1986, 57 mm cell at 33 degC, the parameters that minimise the residual
    // of current (from memory, recomputed): the curve's Voc and Isc, measured 0.5728 V, 0.7608 A.
    let a = 1.477_268 * VOLTS_PER_KELVIN * (33.0 + 273.15);
    let got = source(0.760_788_0, 3.106_845e-7, 0.036_546_9, 52.889_8, a).summary();
    assert!((got.isc.0 - 0.7608).abs() < 1e-3 && (got.voc.0 - 0.5728).abs() < 1e-3);
}

#[test]
fn parameters_out_of_range_are_named() {
    let make = |il, i0, rs, rsh, a| {
        SingleDiode::new(Amps(il), Amps(i0), Ohms(rs), Ohms(rsh), Volts(a)).unwrap_err()
    };
    assert_eq!(make(-1.0, 1e-9, 0.1, 100.0, 1.0).name, "photocurrent");
    assert_eq!(make(1.0, 0.0, 0.1, 100.0, 1.0).name, "saturation current");
    assert_eq!(make(1.0, 1e-9, f64::NAN, 100.0, 1.0).name, "series resistance");
    assert_eq!(make(1.0, 1e-9, 0.1, 0.0, 1.0).name, "shunt resistance");
    let text = make(1.0, 1e-9, 0.1, 100.0, f64::INFINITY).to_string();
    assert!(text.contains("modified ideality is inf V") && text.contains("0.0001..=100000 V"));
}

#[test]
fn dark_reverse_and_far_forward() {
    let dark = source(0.0, 1e-9, 0.3, f64::INFINITY, 1.5);
    assert_eq!(dark.summary(), Default::default());
    // Reverse: the saturation current flows backward, and nothing else without a shunt.
    assert!((dark.current(Volts(-100.0)).0 - 1e-9).abs() < 1e-15);
    // Forward: almost all of 100 V falls over 0.3 ohm.
    let forward = dark.current(Volts(100.0)).0;
    assert!(forward < -150.0 && forward > -333.4, "{forward}");
    assert!((dark.voltage(Amps(forward)).0 - 100.0).abs() < 1e-12 * 100.0);
    // Above IL + I0 only a shunt helps.
    assert_eq!(
        source(5.0, 1e-9, 0.3, f64::INFINITY, 1.5).voltage(Amps(6.0)),
        Volts(f64::NEG_INFINITY)
    );
    let beyond = source(5.0, 1e-9, 0.3, 100.0, 1.5).voltage(Amps(6.0)).0;
    assert!((beyond + 100.0 + 6.0 * 0.3).abs() < 1e-6, "{beyond}");
}

#[test]
fn no_argument_makes_a_nan() {
    let corners = [
        (0.0, 1e-200, 0.0, f64::INFINITY, 1e-4),
        (1e6, 1e3, 1e6, 1e-6, 1e5),
        (1e6, 1e-200, 0.0, f64::INFINITY, 1e-4),
        (1e-12, 1e-9, 1e-30, 1e60, 1.0),
        (1e-30, 1e-9, 1e-3, 1e3, 1.0),
        (9.0, 1e-10, 1e6, 1e-6, 1.6),
        (9.0, 1e3, 0.0, 1e-6, 1.6),
        (5e-324, 1e-9, 1e-300, 1e3, 1.0),
    ];
    for (il, i0, rs, rsh, a) in corners {
        let device = source(il, i0, rs, rsh, a);
        for x in [-f64::INFINITY, -1e300, -1e3, -1e-300, 0.0, 1e-3, 50.0, 1e9, 1e300, f64::INFINITY]
        {
            assert!(device.current(Volts(x)).is_finite(), "{il} {i0} {rs} {rsh} {a} at {x} V");
            assert!(!device.voltage(Amps(x)).0.is_nan(), "{il} {i0} {rs} {rsh} {a} at {x} A");
        }
        let all = device.summary();
        assert!(all.pmp.is_finite() && all.pmp.0 >= 0.0, "{all:?}");
        assert!(all.voc.0 >= all.vmp.0 && all.vmp.0 >= 0.0, "{all:?}");
        assert!(device.current(Volts(f64::NAN)).0.is_nan());
    }
}

/// Physical sets from a cell to a high-voltage module, by orders of magnitude.
fn sources() -> impl Strategy<Value = SingleDiode> {
    let shunt = prop_oneof![Just(f64::INFINITY), (0.0..6.0).prop_map(|e| 10_f64.powf(e))];
    let series = prop_oneof![Just(0.0), (-6.0..1.0).prop_map(|e| 10_f64.powf(e))];
    (-4.0..1.3, -14.0..-5.0, series, shunt, 0.02..10.0)
        .prop_map(|(il, i0, rs, rsh, a)| source(10_f64.powf(il), 10_f64.powf(i0), rs, rsh, a))
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 2000, ..ProptestConfig::default() })]

    #[test]
    fn current_solves_the_equation(device in sources(), part in -1.0..1.3) {
        let v = part * device.open_circuit().0;
        let i = device.current(Volts(v)).0;
        let x = v + i * device.series().0;
        let (i0, a) = (device.saturation().0, device.ideality().0);
        let diode = i0 * (x / a).exp_m1();
        let shunt = x / device.shunt().0;
        // dI/dx times the rounding of x, whose parts are V and Rs (IL - ...), and the rounding of the
        // terms themselves.
        let rounding = (v.abs() + (device.photocurrent().0 + i.abs()) * device.series().0)
            * ((i0 + diode.abs()) / a + 1.0 / device.shunt().0);
        let terms = device.photocurrent().0 + diode.abs() + shunt.abs() + i0;
        let residual = device.photocurrent().0 - diode - shunt - i;
        // The diode's exponent comes from a logarithm L = (V + Rs IL) / a + ..., rounded to its size.
        let exponent = (x / a).abs() + (v + device.series().0 * device.photocurrent().0).abs() / a;
        let tolerance = 8.0 * f64::EPSILON * (rounding + terms * (1.0 + exponent));
        prop_assert!(residual.abs() <= tolerance, "{residual:e} {tolerance:e}");
    }

    #[test]
    fn current_falls_with_voltage(device in sources(), part in -1.0..1.3, more in 1e-6..0.1) {
        let voc = device.open_circuit().0;
        let (low, high) = (part * voc, (part + more) * voc);
        let (left, right) = (device.current(Volts(low)).0, device.current(Volts(high)).0);
        // Two values equal within rounding may come in either order.
        let rounding = 1e-14 * (left.abs() + device.photocurrent().0);
        prop_assert!(right <= left + rounding, "{left} {right}");
    }

    #[test]
    fn voltage_undoes_current(device in sources(), part in 0.3..1.3) {
        let v = part * device.open_circuit().0;
        let i = device.current(Volts(v)).0;
        let back = device.voltage(Amps(i)).0;
        // Rounding of the current times dV/dI, the inverse of a difference quotient.
        let dv = 1e-6 * v;
        let slope = (device.current(Volts(v - dv)).0 - device.current(Volts(v + dv)).0) / (2.0 * dv);
        let lost = 1e-14 * (device.photocurrent().0 + i.abs()) / slope.max(1e-300);
        prop_assume!(lost < 1e-3 * v);
        prop_assert!((back - v).abs() <= 4.0 * lost + 2e-13 * v, "{back} {v} {lost:e}");
    }

    #[test]
    fn no_point_lies_above_the_crest(device in sources()) {
        let crest = device.crest();
        let voc = device.open_circuit().0;
        for step in 0..=400 {
            let v = voc * f64::from(step) / 400.0;
            let p = v * device.current(Volts(v)).0;
            prop_assert!(p <= crest.watts.0 * (1.0 + 1e-13) + 1e-300, "{v} {p} {crest:?}");
        }
        // On the curve, and flat: a part in a million aside costs its square.
        let on = device.current(crest.volts).0;
        prop_assert!((on - crest.amps.0).abs() <= 1e-12 * device.photocurrent().0);
        for aside in [0.999_999, 1.000_001] {
            let p = crest.volts.0 * aside * device.current(crest.volts * aside).0;
            prop_assert!(p <= crest.watts.0 * (1.0 + 1e-13));
        }
    }

    #[test]
    fn a_crest_nearby_or_far_leads_to_the_same(device in sources(), other in sources()) {
        let (cold, warm) = (device.crest(), device.crest_near(other.crest()));
        prop_assert!((cold.watts.0 - warm.watts.0).abs() <= 1e-13 * cold.watts.0, "{cold:?} {warm:?}");
        prop_assert!((cold.volts.0 - warm.volts.0).abs() <= 1e-9 * cold.volts.0);
    }
}
