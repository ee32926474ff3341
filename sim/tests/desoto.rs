//! Scaling to other conditions against outside numbers, and its edges.

#![allow(clippy::unwrap_used, reason = "in tests, also outside #[test] functions")]

use cresthold_sim::device::desoto::{BandGap, Reference};
use cresthold_sim::device::examples;
use cresthold_sim::device::single_diode::SingleDiode;
use cresthold_sim::quantities::{Amps, Celsius, Irradiance, Ohms, Volts};

#[track_caller]
fn close(found: f64, wanted: f64, relative: f64) {
    assert!((found - wanted).abs() <= relative * wanted.abs(), "{found} instead of {wanted}");
}

#[test]
fn translation() {
    // pvlib 0.16.1 calcparams_desoto with the parameters of its own test; that test also prints
    // I0 = 7.419e-8 A at 50 degC, which it compares too loosely to see that the function (and the
    // equation) give 9.45497192e-8 A.
    let stc = SingleDiode::new(Amps(7.545), Amps(1.94e-9), Ohms(0.094), Ohms(15.72), Volts(0.473))
        .unwrap();
    let reference = Reference::new(stc, 0.003, BandGap::SILICON).unwrap();
    let cool = reference.at(Irradiance(800.0), Celsius(25.0));
    close(cool.photocurrent().0, 6.036, 1e-12);
    close(cool.saturation().0, 1.94e-9, 1e-12);
    close(cool.shunt().0, 19.65, 1e-12);
    close(cool.ideality().0, 0.473, 1e-12);
    let warm = reference.at(Irradiance(800.0), Celsius(50.0));
    close(warm.photocurrent().0, 6.096, 1e-12);
    close(warm.saturation().0, 9.454_971_92e-8, 1e-8);
    close(warm.series().0, 0.094, 1e-12);
    close(warm.ideality().0, 0.512_661_24, 1e-7);
}

#[test]
fn fitted_module() {
    // The parameters found by pvlib's test of fit_desoto must give back the data sheet they were
    // fitted to: vmp 31.0, imp 8.71, voc 38.3, isc 9.43 (six digits of parameters: 5e-5).
    let reference = examples::crystalline_reference();
    let got = reference.stc().summary();
    close(got.vmp.0, 31.0, 5e-5);
    close(got.imp.0, 8.71, 5e-5);
    close(got.voc.0, 38.3, 5e-5);
    close(got.isc.0, 9.43, 5e-5);
    // And its temperature coefficient of Voc, -0.13788 V/K, which De Soto's equations use as a
    // difference over 2 K at the reference (fit tolerance 1e-4 of Voc over 2 K).
    let warm = reference.at(Irradiance(1000.0), Celsius(27.0)).open_circuit().0;
    close((warm - got.voc.0) / 2.0, -0.137_88, 2e-2);
}

#[test]
fn curves_elsewhere() {
    // pvlib 0.16.1, calcparams_desoto and singlediode (lambertw); its vmp is good to about 1e-7.
    let reference = examples::crystalline_reference();
    for (g, t, pmp, vmp, isc, voc) in [
        (200.0, 25.0, 53.280_940_453_4, 30.434_938_06, 1.889_569_327_13, 35.742_288_426_7),
        (500.0, 25.0, 135.988_310_662, 31.115_918_63, 4.720_572_261_63, 37.198_353_320_4),
        (1000.0, 25.0, 270.008_582_155, 30.999_853_59, 9.429_995_441_11, 38.299_822_205_0),
        (1000.0, 50.0, 240.768_593_090, 27.482_475_38, 9.571_111_298_87, 34.839_865_298_0),
        (1000.0, 75.0, 210.785_655_839, 24.017_379_90, 9.712_225_623_22, 31.353_223_926_3),
    ] {
        let got = reference.at(Irradiance(g), Celsius(t)).summary();
        close(got.pmp.0, pmp, 1e-11);
        close(got.vmp.0, vmp, 2e-8);
        close(got.isc.0, isc, 1e-11);
        close(got.voc.0, voc, 1e-11);
    }
}

#[test]
fn darkness_and_missing_inputs() {
    let reference = examples::crystalline_reference();
    for g in [0.0, -3.0, f64::NAN, f64::NEG_INFINITY] {
        let dark = reference.at(Irradiance(g), Celsius(10.0));
        assert!(dark.photocurrent().0 <= 0.0 && dark.shunt().0.is_infinite());
        assert!(dark.summary().pmp.0 <= 0.0);
        assert!(dark.current(Volts(20.0)).0 < 0.0);
    }
    let missing = reference.at(Irradiance(500.0), Celsius(f64::NAN));
    assert_eq!(missing, reference.at(Irradiance(500.0), Celsius(25.0)));
}

#[test]
fn extremes_stay_physical() {
    for reference in [
        examples::crystalline_reference(),
        examples::thin_film_reference(),
        examples::receiver_reference(),
    ] {
        for g in [1e-300, 1e-9, 1.0, 2500.0, 1e5, f64::INFINITY] {
            for t in [f64::NEG_INFINITY, -273.15, -40.0, 85.0, 200.0, f64::INFINITY] {
                let got = reference.at(Irradiance(g), Celsius(t)).summary();
                assert!(got.pmp.is_finite() && got.pmp.0 >= 0.0, "{g} {t} {got:?}");
                assert!(got.vmp <= got.voc && got.imp <= got.isc, "{g} {t} {got:?}");
            }
        }
    }
}

#[test]
fn impossible_references_are_named() {
    let stc = *examples::crystalline_reference().stc();
    let gap = |ev, per_kelvin| Reference::new(stc, 0.0, BandGap { ev, per_kelvin }).unwrap_err();
    assert_eq!(gap(0.0, 0.0).name, "band gap");
    assert_eq!(gap(1.1, 0.1).name, "relative change of the band gap");
    let alpha = Reference::new(stc, f64::NAN, BandGap::SILICON).unwrap_err();
    assert_eq!(alpha.name, "temperature coefficient of the short-circuit current");
    assert_eq!(examples::crystalline_reference().part(0).unwrap_err().name, "number of parts");
}

/// What the examples' documentation says of them: Pmp, Vmp, Voc, Isc, fill factor, and the relative
/// changes of Voc and Pmp per kelvin.
#[test]
fn examples_are_as_described() {
    let cases = [
        (examples::crystalline_reference(), [270.0, 31.0, 38.3, 9.43, 0.748, -0.0036, -0.0043]),
        (examples::thin_film_reference(), [144.0, 84.8, 111.1, 1.91, 0.679, -0.0023, -0.0031]),
        (examples::receiver_reference(), [251.0, 32.7, 37.2, 8.0, 0.844, -0.00135, -0.0009]),
    ];
    for (reference, [pmp, vmp, voc, isc, ff, beta, gamma]) in cases {
        let got = reference.stc().summary();
        let warm = reference.at(Irradiance(1000.0), Celsius(35.0)).summary();
        let fill = got.pmp.0 / (got.voc.0 * got.isc.0);
        let change = |warm: f64, cold: f64| (warm / cold - 1.0) / 10.0;
        // Rounded figures: 1 %; temperature coefficients 10 %.
        close(got.pmp.0, pmp, 1e-2);
        close(got.vmp.0, vmp, 1e-2);
        close(got.voc.0, voc, 1e-2);
        close(got.isc.0, isc, 1e-2);
        close(fill, ff, 1e-2);
        close(change(warm.voc.0, got.voc.0), beta, 0.1);
        close(change(warm.pmp.0, got.pmp.0), gamma, 0.1);
    }
}
