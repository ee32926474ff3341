//! The diode in the fit's own parameters, and the derivatives of its current.

use super::{FREE, Residual};
use crate::curve::points::Point;
use crate::quantities::{Amps, Ohms, Volts};
use cresthold_sim::device::single_diode::SingleDiode;

/// `IL` (A), `c = ln I0 + anchor/a`, `Rs` (ohm), `1/Rsh` (S), `ln a`.
///
/// With the anchor near Voc, `c` is the logarithm of the diode's current where the curve shows it:
/// `ln I0` alone would go hand in hand with `a`.
#[derive(Clone, Copy, Debug)]
pub(super) struct Theta {
    pub(super) values: [f64; FREE],
    /// V.
    pub(super) anchor: f64,
}

impl Theta {
    /// Least values: only resistances and currents have one.
    pub(super) const LEAST: [f64; FREE] = [0.0, f64::NEG_INFINITY, 0.0, 0.0, f64::NEG_INFINITY];

    pub(super) fn diode(&self) -> Option<SingleDiode> {
        let [il, c, rs, leak, ln_a] = self.values;
        let a = ln_a.exp();
        let i0 = (c - self.anchor / a).exp();
        SingleDiode::new(Amps(il), Amps(i0), Ohms(rs), Ohms(1.0 / leak), Volts(a)).ok()
    }

    /// Derivatives of `IL`, `I0`, `Rs`, `1/Rsh`, `a` (rows) with respect to the values (columns).
    pub(super) fn to_plain(self) -> [[f64; FREE]; FREE] {
        let [_, c, _, _, ln_a] = self.values;
        let a = ln_a.exp();
        let i0 = (c - self.anchor / a).exp();
        let mut plain = [[0.0; FREE]; FREE];
        plain[0][0] = 1.0;
        plain[1][1] = i0;
        plain[1][4] = i0 * self.anchor / a;
        plain[2][2] = 1.0;
        plain[3][3] = 1.0;
        plain[4][4] = a;
        plain
    }
}

/// The model's current (A) at a point and its derivatives with respect to `theta`'s values.
///
/// For the implicit residual the measured current stands in the diode's voltage, and the
/// denominator `1 + g Rs` is missing.
pub(super) fn derivatives(
    diode: &SingleDiode,
    theta: &Theta,
    point: &Point,
    residual: Residual,
) -> (f64, [f64; FREE]) {
    let [_, _, rs, leak, _] = theta.values;
    let (il, i0, a) = (diode.photocurrent().0, diode.saturation().0, diode.ideality().0);
    let (amps, x, forward, divisor) = match residual {
        Residual::Current => {
            let amps = diode.current(point.volts).0;
            let x = point.volts.0 + amps * rs;
            // I0 exp(x/a), from the equation itself: no further exponential.
            let forward = (il - amps - x * leak + i0).max(0.0);
            (amps, x, forward, 1.0 + rs * (forward / a + leak))
        }
        Residual::Implicit => {
            let x = point.volts.0 + point.amps.0 * rs;
            let forward = i0 * (x / a).exp();
            (il - (forward - i0) - x * leak, x, forward, 1.0)
        }
    };
    let through = if residual == Residual::Current { amps } else { point.amps.0 };
    let slopes = [
        1.0 / divisor,
        (i0 - forward) / divisor,
        -through * (forward / a + leak) / divisor,
        -x / divisor,
        // With respect to ln a, the current at the anchor held.
        (forward * (x - theta.anchor) + i0 * theta.anchor) / a / divisor,
    ];
    (amps, slopes)
}
