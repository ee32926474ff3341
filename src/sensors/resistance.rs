//! Platinum resistance thermometers after IEC 60751.
//!
//! Equation (Callendar and Van Dusen; IEC 60751:2022, 4.2), t in degC, R and R0 in ohm:
//!
//! - 0 to 850 degC: `R = R0 (1 + A t + B t^2)`
//! - -200 to 0 degC: `R = R0 (1 + A t + B t^2 + C (t - 100) t^3)`
//!
//! with A = 3.9083e-3 /K, B = -5.775e-7 /K2, C = -4.183e-12 /K4. R0 is the resistance at 0 degC:
//! 100 ohm for a Pt100, 1000 ohm for a Pt1000. Above 0 degC the quadratic is solved; below, Newton's
//! method on the quartic, whose slope is nowhere near zero.

use crate::quantities::{Celsius, Ohms};

const A: f64 = 3.9083e-3;
const B: f64 = -5.775e-7;
const C: f64 = -4.183e-12;
/// Where the equation ends (degC).
const COLDEST: f64 = -200.0;
/// Where the equation ends (degC).
const HOTTEST: f64 = 850.0;
/// Beyond the ends by rounding alone (degC).
const ROUNDING: f64 = 1e-6;

fn ratio(t: f64) -> f64 {
    let above = 1.0 + A * t + B * t * t;
    if t < 0.0 { above + C * (t - 100.0) * t * t * t } else { above }
}

/// The resistance at a temperature; none outside -200 to 850 degC.
///
/// ```
/// use cresthold::quantities::{Celsius, Ohms};
/// use cresthold::sensors::resistance_of;
/// let ohms = resistance_of(Celsius(100.0), Ohms(100.0)).unwrap();
/// assert!((ohms.0 - 138.5055).abs() < 5e-5); // the table of IEC 60751
/// ```
#[must_use]
pub fn resistance_of(temperature: Celsius, at_zero: Ohms) -> Option<Ohms> {
    let t = temperature.0;
    (COLDEST..=HOTTEST).contains(&t).then(|| Ohms(at_zero.0 * ratio(t)))
}

/// The temperature at a resistance; none outside -200 to 850 degC, as with a broken or shorted wire.
///
/// ```
/// use cresthold::quantities::Ohms;
/// use cresthold::sensors::temperature_of;
/// let warm = temperature_of(Ohms(123.2419), Ohms(100.0)).unwrap();
/// assert!((warm.0 - 60.0).abs() < 2e-4);
/// assert!(temperature_of(Ohms(1e9), Ohms(100.0)).is_none());
/// ```
#[must_use]
pub fn temperature_of(resistance: Ohms, at_zero: Ohms) -> Option<Celsius> {
    let r = resistance.0 / at_zero.0;
    let root = A * A - 4.0 * B * (1.0 - r);
    if !r.is_finite() || root < 0.0 {
        return None;
    }
    let mut t = (root.sqrt() - A) / (2.0 * B);
    if t < 0.0 {
        // Quadratic convergence from a few kelvin off: four rounds leave no error above rounding.
        for _ in 0..6 {
            let slope = A + 2.0 * B * t + C * (4.0 * t - 300.0) * t * t;
            t -= (ratio(t) - r) / slope;
        }
    }
    let within = COLDEST - ROUNDING..=HOTTEST + ROUNDING;
    within.contains(&t).then_some(Celsius(t))
}
