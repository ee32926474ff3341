//! Rows of substrings with bypass diodes: laws, bounds, and a slow solution to compare with.

#![allow(clippy::unwrap_used, reason = "in tests, also outside #[test] functions")]

use cresthold_sim::device::single_diode::{Crest, SingleDiode};
use cresthold_sim::device::{Bypass, Device, Substring, examples};
use cresthold_sim::quantities::{Amps, Celsius, Irradiance, Ohms, Volts};
use proptest::prelude::*;

const SUN: Irradiance = Irradiance(1000.0);
const WARM: Celsius = Celsius(45.0);

/// The law of a substring as documented, by its own words: V at I.
fn substring_volts(part: &Substring, source: &SingleDiode, amps: f64) -> f64 {
    let Bypass::Diode { threshold, slope } = part.bypass else {
        return source.voltage(Amps(amps)).0;
    };
    let knee = source.current(-threshold).0;
    if amps > knee { -threshold.0 - slope.0 * (amps - knee) } else { source.voltage(Amps(amps)).0 }
}

/// The row's voltage at a current as the plain sum over its substrings.
fn row_volts(device: &Device, seen: &[Irradiance], cell: Celsius, amps: f64) -> f64 {
    let parts = device.substrings().iter().zip(seen);
    parts.map(|(p, g)| substring_volts(p, &p.reference.at(*g * p.mismatch, cell), amps)).sum()
}

#[test]
fn uniform_module_is_one_diode_until_its_bypass_conducts() {
    let mut module = examples::crystalline_module();
    module.set_conditions(Irradiance(640.0), WARM);
    let whole = examples::crystalline_reference().at(Irradiance(640.0), WARM);
    for v in [-0.89, -0.1, 0.0, 10.0, 28.0, 33.0, 36.0, 45.0] {
        let (found, wanted) = (module.current(Volts(v)).0, whole.current(Volts(v)).0);
        // Dividing by three and back costs a few roundings.
        assert!((found - wanted).abs() < 1e-12 * (1.0 + wanted.abs()), "{v} V");
        assert!((module.voltage(Amps(found)).0 - v).abs() < 1e-8 * (1.0 + v.abs()), "{v} V");
    }
    let (found, wanted) = (module.summary(), whole.summary());
    assert!((found.pmp.0 - wanted.pmp.0).abs() < 1e-11 * wanted.pmp.0);
    assert!((found.voc.0 - wanted.voc.0).abs() < 1e-11 * wanted.voc.0);
    assert!((found.isc.0 - wanted.isc.0).abs() < 1e-11 * wanted.isc.0);
    // Three bypass diodes of 0.3 V and 10 milliohm: 2 A more at 0.06 V further down.
    let knee = whole.current(Volts(-0.9)).0;
    assert!((module.current(Volts(-0.96)).0 - (knee + 2.0)).abs() < 1e-9);
    assert!((module.voltage(Amps(knee + 2.0)).0 + 0.96).abs() < 1e-9);
}

#[test]
fn string_of_equal_modules_is_a_scaled_module() {
    let module = examples::crystalline_module();
    let string = Device::string(vec![module.clone(); 12]).unwrap();
    assert_eq!(string.substrings().len(), 36);
    for v in [-2.0, 0.0, 20.0, 31.0, 38.0, 40.0] {
        let (one, twelve) = (module.current(Volts(v)).0, string.current(Volts(12.0 * v)).0);
        assert!((one - twelve).abs() < 1e-12 * (1.0 + one.abs()));
    }
    let (one, twelve) = (module.crest(), string.crest());
    assert!((one.watts.0 * 12.0 - twelve.watts.0).abs() < 1e-11 * twelve.watts.0);
}

#[test]
fn darkness_has_no_crest() {
    let mut module = examples::crystalline_module().with_mismatch(&[1.0, 0.9, 1.1]).unwrap();
    module.set_conditions(Irradiance(0.0), Celsius(10.0));
    assert_eq!(module.crest(), Crest::default());
    assert_eq!(module.open_circuit(), Volts::ZERO);
    assert!(module.current(Volts(30.0)).0 < 0.0);
    assert!(module.current(Volts(-5.0)).0 > 0.0);
    assert!(module.crests(&mut [Crest::default(); 3]).is_empty());
}

#[test]
fn one_dark_substring_is_bypassed() {
    let mut module = examples::crystalline_module();
    module.set_substring_irradiances(&[SUN, Irradiance(0.0), SUN], Celsius(25.0)).unwrap();
    let mut whole = examples::crystalline_module();
    whole.set_conditions(SUN, Celsius(25.0));
    let (shaded, full) = (module.crest(), whole.crest());
    // Two thirds of the voltage less one diode drop of 0.4 V near 9 A, within a tenth of a volt.
    let wanted = full.volts.0 * 2.0 / 3.0 - 0.39;
    assert!((shaded.volts.0 - wanted).abs() < 0.1, "{shaded:?} {wanted}");
    assert!((shaded.amps.0 - full.amps.0).abs() < 0.05);
}

#[test]
fn half_shaded_module_has_two_crests() {
    let mut module = examples::crystalline_module();
    module.set_substring_irradiances(&[SUN, Irradiance(450.0), SUN], Celsius(25.0)).unwrap();
    let mut buffer = [Crest::default(); 3];
    let found = module.crests(&mut buffer);
    assert_eq!(found.len(), 2, "{found:?}");
    assert!(found[0].volts > found[1].volts && found[0].amps < found[1].amps);
    let best = if found[0].watts > found[1].watts { found[0] } else { found[1] };
    assert_eq!(best, module.crest());
    // A buffer too short is filled and no more.
    assert_eq!(module.crests(&mut [Crest::default(); 1]).len(), 1);
}

#[test]
fn impossible_devices_are_named() {
    let reference = examples::crystalline_reference();
    let bad = Bypass::Diode { threshold: Volts(0.3), slope: Ohms(0.0) };
    assert_eq!(
        Device::module(reference, 0, Bypass::None).unwrap_err().name,
        "number of substrings"
    );
    assert_eq!(Device::module(reference, 3, bad).unwrap_err().name, "bypass diode's slope");
    assert_eq!(Device::string(Vec::new()).unwrap_err().name, "number of substrings");
    let module = examples::crystalline_module();
    let wrong = module.clone().with_mismatch(&[1.0, 3.0, 1.0]).unwrap_err();
    assert_eq!(wrong.name, "mismatch factor");
    assert_eq!(
        module.clone().with_mismatch(&[1.0]).unwrap_err().name,
        "number of mismatch factors"
    );
    let mut unchanged = module.clone();
    assert!(unchanged.set_substring_irradiances(&[SUN], WARM).is_err());
    assert_eq!(unchanged.crest(), module.crest());
}

#[test]
fn no_argument_makes_a_nan() {
    let bare = Device::module(examples::crystalline_reference(), 3, Bypass::None).unwrap();
    for device in [examples::crystalline_module(), bare] {
        for seen in [[1.0, 1.0, 1.0], [1.0, 0.5, 0.2], [1.0, 0.0, 1e-9], [0.0, 0.0, 0.0]] {
            let mut device = device.clone();
            device.set_substring_irradiances(&seen.map(|s| SUN * s), WARM).unwrap();
            for x in [-1e300, -1e6, -20.0, -1e-9, 0.0, 1e-9, 20.0, 60.0, 1e6, 1e300] {
                assert!(!device.current(Volts(x)).0.is_nan(), "{seen:?} {x} V");
                assert!(!device.voltage(Amps(x)).0.is_nan(), "{seen:?} {x} A");
            }
            assert!(device.crest().watts.is_finite());
            assert!(device.current(Volts(f64::NAN)).0.is_nan());
        }
    }
}

#[derive(Clone, Debug)]
struct Scene {
    device: Device,
    seen: Vec<Irradiance>,
    cell: Celsius,
}

/// One to six substrings of the examples' kinds, unequal light, with and without ties and darkness.
fn scenes() -> impl Strategy<Value = Scene> {
    let light = prop_oneof![
        4 => 1.0..1500.0,
        2 => Just(800.0),
        1 => Just(0.0),
        1 => 1e-6..1.0,
    ];
    let kind = prop_oneof![4 => Just(0), 1 => Just(1), 1 => Just(2)];
    let part = (kind, light, 0.95..1.0);
    (proptest::collection::vec(part, 1..7), -20.0..85.0, 0..4).prop_map(|(parts, cell, tie)| {
        let references = [
            examples::crystalline_reference().part(3).unwrap(),
            examples::thin_film_reference(),
            examples::receiver_reference(),
        ];
        let make = |(kind, _, mismatch): &(usize, f64, f64)| Substring {
            reference: references[*kind],
            mismatch: if tie == 0 { *mismatch } else { 1.0 },
            bypass: Bypass::SCHOTTKY,
        };
        let seen: Vec<_> = parts.iter().map(|(_, light, _)| Irradiance(*light)).collect();
        let mut device = Device::new(parts.iter().map(make).collect()).unwrap();
        device.set_substring_irradiances(&seen, Celsius(cell)).unwrap();
        Scene { device, seen, cell: Celsius(cell) }
    })
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 1000, ..ProptestConfig::default() })]

    #[test]
    fn voltage_is_the_sum_over_substrings(scene in scenes(), part in -0.5..1.2) {
        let amps = part * scene.device.short_circuit().0;
        let wanted = row_volts(&scene.device, &scene.seen, scene.cell, amps);
        let found = scene.device.voltage(Amps(amps)).0;
        prop_assert!((found - wanted).abs() <= 1e-12 * wanted.abs() + 1e-12, "{found} {wanted}");
    }

    #[test]
    fn current_lies_where_the_sum_gives_the_voltage(scene in scenes(), part in -0.2..1.3) {
        let volts = part * scene.device.open_circuit().0;
        let amps = scene.device.current(Volts(volts)).0;
        // Bracketed: a billionth less current gives more voltage, a billionth more gives less.
        let aside = 1e-9 * amps.abs().max(1e-6);
        let below = row_volts(&scene.device, &scene.seen, scene.cell, amps - aside);
        let above = row_volts(&scene.device, &scene.seen, scene.cell, amps + aside);
        let rounding = 1e-12 * (1.0 + volts.abs());
        prop_assert!(below >= volts - rounding && above <= volts + rounding,
            "{volts} V: {amps} A; {below} {above}");
    }

    #[test]
    fn leads_take_their_part_of_the_voltage(scene in scenes(), part in -0.5..1.2, lead in 0.0..2.0) {
        let lead = Ohms(lead);
        let isc = scene.device.short_circuit();
        let volts = scene.device.voltage(isc * part) - isc * part * lead;
        let amps = scene.device.current_behind(volts, lead);
        // Bracketed, as above: what a billionth less and more of the current gives.
        let aside = Amps(1e-9 * amps.0.abs().max(1e-6));
        let behind = |amps: Amps| (scene.device.voltage(amps) - amps * lead).0;
        let rounding = 1e-12 * (1.0 + volts.0.abs());
        let (below, above) = (behind(amps - aside), behind(amps + aside));
        prop_assert!(below >= volts.0 - rounding && above <= volts.0 + rounding,
            "{volts:?} behind {lead:?}: {amps:?}; {below} {above}");
    }

    #[test]
    fn current_falls_with_voltage(scene in scenes(), part in -0.2..1.3, more in 1e-6..0.2) {
        let voc = scene.device.open_circuit().0;
        let left = scene.device.current(Volts(part * voc)).0;
        let right = scene.device.current(Volts((part + more) * voc)).0;
        prop_assert!(right <= left + 1e-12 * (1.0 + left.abs()), "{left} {right}");
    }

    #[test]
    fn no_point_lies_above_the_crest(scene in scenes()) {
        let crest = scene.device.crest();
        let isc = scene.device.short_circuit().0;
        let mut highest = 0.0_f64;
        for step in 0..=600 {
            // Scan along the current by the plain sum, densely near each substring's own.
            let amps = isc * f64::from(step) / 600.0;
            let volts = row_volts(&scene.device, &scene.seen, scene.cell, amps);
            highest = highest.max(volts * amps);
        }
        prop_assert!(highest <= crest.watts.0 * (1.0 + 1e-12) + 1e-8, "{highest} {crest:?}");
        // On the curve, and no higher than the slices allow.
        let on = row_volts(&scene.device, &scene.seen, scene.cell, crest.amps.0);
        let slack = 1e-9 * (1.0 + on.abs());
        prop_assert!((on - crest.volts.0).abs() <= slack, "{on} {crest:?}");
    }

    #[test]
    fn local_crests_are_local_and_hold_the_global_one(scene in scenes()) {
        let mut buffer = [Crest::default(); 8];
        let found = scene.device.crests(&mut buffer);
        let best = scene.device.crest();
        let highest = found.iter().map(|crest| crest.watts.0).fold(0.0, f64::max);
        prop_assert!((highest - best.watts.0).abs() <= 1e-12 * best.watts.0);
        for crest in found {
            // A step so small that hardly ever a knee lies within it; a slope of 1e-4 V/A of the
            // power would still show.
            for aside in [1.0 - 1e-8, 1.0 + 1e-8] {
                let amps = crest.amps.0 * aside;
                let p = amps * row_volts(&scene.device, &scene.seen, scene.cell, amps);
                prop_assert!(p <= crest.watts.0 * (1.0 + 1e-12), "{p} {crest:?}");
            }
        }
        prop_assert!(found.windows(2).all(|two| two[0].volts >= two[1].volts), "{found:?}");
    }

    #[test]
    fn bypass_diodes_bound_the_reverse_voltage(scene in scenes(), amps in 0.0..20.0) {
        // Each substring at worst at -(0.3 V + 10 milliohm times the current).
        let amps: f64 = amps;
        let floor = -(0.3 + 0.01 * amps) * scene.seen.len() as f64;
        prop_assert!(scene.device.voltage(Amps(amps)).0 >= floor - 1e-12);
    }
}
