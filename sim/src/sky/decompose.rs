//! Direct and diffuse light where only the global is known.
//!
//! Model: the share of diffuse light follows from how clear the sky is (D. G. Erbs, S. A. Klein,
//! J. A. Duffie, "Estimation of the diffuse radiation fraction for hourly, daily and monthly-average
//! global radiation", Solar Energy 28(4), 293-302, 1982). With clearness `k = Gh / (E0 cos z)`:
//!
//! - `k <= 0.22`: `d = 1 - 0.09 k`
//! - `k <= 0.8`: `d = 0.9511 - 0.1604 k + 4.388 k^2 - 16.638 k^3 + 12.336 k^4`
//! - above: `d = 0.165`
//!
//! and diffuse `Gd = d Gh`, direct normal `Gb = (Gh - Gd) / cos z`. It was fitted to hours; for
//! shorter spans it is too smooth, since it knows no cloud edge.
//!
//! Rejected: models with the hours before and after (better by a little, but then an hour can't be
//! computed by itself, and gaps spread) and models with the dew point (rarely at hand).

use super::clear::Components;
use crate::quantities::Irradiance;

/// The cosine of the zenith angle is not taken below this for the clearness: 86.3 degrees. Nearer to
/// the horizon a small error of the global light would make a clear sky.
const LEAST_COSINE: f64 = 0.065;
/// Beyond this zenith angle (degrees) all light counts as diffuse: division by the cosine would make
/// a bright sun of an error.
const LOWEST_SUN: f64 = 87.0;

/// Global, direct and diffuse light from the global alone (module documentation: the equations).
///
/// `extra` is the irradiance outside the atmosphere on a plane that faces the sun, `zenith` the
/// sun's angle from the vertical (degrees). Negative global light (an instrument's offset at night)
/// is kept as it is and called diffuse.
///
/// ```
/// use cresthold_sim::quantities::Irradiance;
/// use cresthold_sim::sky::decompose::erbs;
/// // k = 700 / (1400 0.5) = 1, so d = 0.165.
/// let clear = erbs(Irradiance(700.0), Irradiance(1400.0), 60.0);
/// assert!((clear.diffuse.0 - 115.5).abs() < 1e-9);
/// assert!((clear.direct.0 - 1169.0).abs() < 1e-9);
/// // k = 0.1: d = 0.991.
/// let dull = erbs(Irradiance(70.0), Irradiance(1400.0), 60.0);
/// assert!((dull.diffuse.0 - 69.37).abs() < 1e-9);
/// ```
#[must_use]
pub fn erbs(global: Irradiance, extra: Irradiance, zenith: f64) -> Components {
    let cosine = zenith.to_radians().cos();
    let clearness = (global.0 / (extra.0 * cosine.max(LEAST_COSINE))).clamp(0.0, 1.0);
    let share = share(clearness);
    let diffuse = share * global.0;
    let direct = (global.0 - diffuse) / cosine;
    if zenith <= LOWEST_SUN && global.0 >= 0.0 && direct >= 0.0 {
        Components { global, direct: Irradiance(direct), diffuse: Irradiance(diffuse) }
    } else {
        Components { global, direct: Irradiance::ZERO, diffuse: global }
    }
}

/// The diffuse share (0..=1) at a clearness (0..=1).
fn share(k: f64) -> f64 {
    if k <= 0.22 {
        1.0 - 0.09 * k
    } else if k <= 0.8 {
        0.9511 + k * (-0.1604 + k * (4.388 + k * (-16.638 + k * 12.336)))
    } else {
        0.165
    }
}
