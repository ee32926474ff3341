//! Cell temperature against Faiman's model and against laws.

use cresthold_sim::quantities::{Celsius, Irradiance, MetresPerSecond};
use cresthold_sim::thermal::{Cooling, Thermal, ThermalParams};
use proptest::prelude::*;
use std::time::Duration;

const HOUR: Duration = Duration::from_secs(3600);

#[test]
fn steady_state_is_faiman() {
    // pvlib's tests of its faiman function (u0 25, u1 6.84).
    for (g, air, wind, cell) in [(900.0, 20.0, 5.0, 35.203), (500.0, 10.0, 5.0, 18.446)] {
        let (g, air, wind) = (Irradiance(g), Celsius(air), MetresPerSecond(wind));
        let mut module = Thermal::new(ThermalParams::OPEN_RACK, Celsius(-5.0));
        module.step(HOUR * 10, g, air, wind);
        assert!((module.cell().0 - cell).abs() < 5e-4, "{module:?}");
    }
}

#[test]
fn one_time_constant_leaves_one_part_in_e() {
    let params = ThermalParams::OPEN_RACK;
    let mut module = Thermal::new(params, Celsius(20.0));
    let span = Duration::from_secs_f64(params.capacity / 25.0);
    module.step(span, Irradiance(1000.0), Celsius(20.0), MetresPerSecond(0.0));
    let wanted = 20.0 + 40.0 * (1.0 - (-1.0_f64).exp());
    assert!((module.cell().0 - wanted).abs() < 1e-9);
}

#[test]
fn back_is_cooler_than_cell_by_light() {
    let mut module = Thermal::new(ThermalParams::OPEN_RACK, Celsius(20.0));
    assert_eq!(module.back_of_module(), module.cell());
    module.step(HOUR, Irradiance(500.0), Celsius(20.0), MetresPerSecond(1.0));
    assert!((module.cell().0 - module.back_of_module().0 - 1.5).abs() < 1e-12);
}

#[test]
fn receiver_rests_on_its_sink_whatever_the_wind() {
    let params = ThermalParams::HEAT_SINK;
    let Cooling::Sink { resistance } = params.cooling else { panic!("a heat sink") };
    let wanted = 25.0 + resistance * (params.absorbed - params.converted) * 900.0;
    for wind in [0.0, 12.0] {
        let mut cell = Thermal::new(params, Celsius(25.0));
        cell.step(HOUR, Irradiance(900.0), Celsius(25.0), MetresPerSecond(wind));
        assert!((cell.cell().0 - wanted).abs() < 1e-9);
    }
}

#[test]
fn missing_inputs_change_nothing() {
    let mut module = Thermal::new(ThermalParams::OPEN_RACK, Celsius(31.0));
    let nan = f64::NAN;
    module.step(HOUR, Irradiance(nan), Celsius(20.0), MetresPerSecond(1.0));
    module.step(HOUR, Irradiance(500.0), Celsius(nan), MetresPerSecond(1.0));
    assert_eq!(module, Thermal::new(ThermalParams::OPEN_RACK, Celsius(31.0)));
    // Wind that is no number, or negative, counts as still air; no capacity follows at once.
    let massless = ThermalParams { capacity: 0.0, ..ThermalParams::OPEN_RACK };
    let mut foil = Thermal::new(massless, Celsius(0.0));
    foil.step(Duration::from_secs(1), Irradiance(500.0), Celsius(20.0), MetresPerSecond(nan));
    assert!((foil.cell().0 - 40.0).abs() < 1e-12);
}

proptest! {
    #[test]
    fn one_long_step_is_two_short_ones(
        start in -30.0..90.0, g in 0.0..1500.0, air in -20.0..45.0, wind in 0.0..20.0,
        first in 0.0..2000.0, second in 0.0..2000.0,
    ) {
        let (g, air, wind) = (Irradiance(g), Celsius(air), MetresPerSecond(wind));
        let mut long = Thermal::new(ThermalParams::OPEN_RACK, Celsius(start));
        let mut short = long;
        let (a, b) = (Duration::from_secs_f64(first), Duration::from_secs_f64(second));
        long.step(a + b, g, air, wind);
        short.step(a, g, air, wind);
        short.step(b, g, air, wind);
        // Rounding of a few values near 100 degC.
        prop_assert!((long.cell().0 - short.cell().0).abs() < 1e-12 * 100.0);
    }

    #[test]
    fn stays_between_start_and_end(
        start in -30.0..90.0, g in 0.0..1500.0, air in -20.0..45.0, wind in 0.0..20.0,
        span in 0.0..3000.0,
    ) {
        let (g, air, wind) = (Irradiance(g), Celsius(air), MetresPerSecond(wind));
        let params = ThermalParams::OPEN_RACK;
        let end = Thermal::steady(&params, g, air, wind).0;
        let mut module = Thermal::new(params, Celsius(start));
        let cell = module.step(Duration::from_secs_f64(span), g, air, wind).0;
        prop_assert!(cell >= start.min(end) - 1e-12 * 100.0);
        prop_assert!(cell <= start.max(end) + 1e-12 * 100.0);
    }
}
