//! The device's own temperature, from its open-circuit voltage: IEC 60904-5.

use crate::quantities::{Amps, Celsius, Irradiance, Volts};

/// Equivalent cell temperature (degC).
///
/// `T2 = T1 + (Voc2/Voc1 - 1 - a ln(G2/G1)) / b_rel` (IEC 60904-5, from memory), with `G2/G1` as the
/// ratio of short-circuit currents, which the device itself measures. `first` holds Voc (V), Isc (A) and
/// cell temperature of a known measurement, `second` Voc and Isc now; `b_rel` relative temperature
/// coefficient of Voc (1/K), `a` from [`thermal_diode_factor`]. Valid for devices whose current is
/// linear in light.
///
/// ```
/// use cresthold::curve::translate::cell_temperature;
/// use cresthold::quantities::{Amps, Celsius, Volts};
/// // The same light, 7.2 % less voltage at -0.36 %/K: 20 K warmer.
/// let first = (Volts(38.3), Amps(9.43), Celsius(25.0));
/// let found = cell_temperature(first, (Volts(38.3 * 0.928), Amps(9.43)), -0.0036, 0.042).unwrap();
/// assert!((found.0 - 45.0).abs() < 1e-9);
/// ```
///
/// None where a current or voltage is not above zero or `b_rel` is zero.
#[must_use]
pub fn cell_temperature(
    first: (Volts, Amps, Celsius),
    second: (Volts, Amps),
    beta_rel: f64,
    a: f64,
) -> Option<Celsius> {
    let ratio = second.1 / first.1;
    let warmer = (second.0 / first.0 - 1.0 - a * ratio.ln()) / beta_rel;
    (first.0.0 > 0.0 && ratio > 0.0 && warmer.is_finite()).then(|| first.2 + Celsius(warmer))
}

/// Thermal diode factor `a` (1): relative change of Voc per unit of `ln G`, from two irradiances at
/// one temperature; `a = (Voc2/Voc1 - 1)/ln(G2/G1)`.
///
/// None where both irradiances are the same or not above zero.
#[must_use]
pub fn thermal_diode_factor(
    first: (Volts, Irradiance),
    second: (Volts, Irradiance),
) -> Option<f64> {
    let a = (second.0 / first.0 - 1.0) / (second.1 / first.1).ln();
    (a.is_finite() && first.1.0 > 0.0 && second.1.0 > 0.0).then_some(a)
}
