//! The Wright omega function of a real argument, fast: the kernel of every single-diode solution.
//!
//! Model: `omega(l)` is the positive `w` with `w + ln w = l`. Below [`FIRST`] two terms of its
//! power series in `e^l` are exact to the last bit. Within the table, a cubic per quarter unit gives
//! `y = ln w` to 1e-6, and one Halley step on `y + e^y = l` (one `exp`) brings that to 1e-18, below
//! rounding. Above the table the asymptotic series starts two Halley steps.
//!
//! Working with `l` and `y`, both logarithms, nothing overflows where Lambert's `W(e^l)` would.
//! Rejected: rational approximations of `W` (three regions, a logarithm per step, overflow beyond
//! `l` = 709) and a table per device (it would have to be rebuilt at every change of irradiance).

/// Lower end of the table; below, `w < 2e-9` and the series' third term is below rounding.
const FIRST: f64 = -20.0;
/// Intervals per unit of the argument; a quarter keeps the cubic's error near 1e-6.
const PER_UNIT: f64 = 4.0;
/// Intervals in the table: it ends at -20 + 256/4 = 44, beyond the crest of any usual device.
const INTERVALS: usize = 256;
/// Above this, `ln w` is lost in the rounding of `w`.
const HUGE: f64 = 1e18;

/// Cubic coefficients of `ln omega` on each interval, lowest power first; 8 kB.
static CUBICS: [[f64; 4]; INTERVALS] = cubics();

/// `w` and `ln w` with `w + ln w = l`.
#[derive(Clone, Copy, Debug)]
pub(super) struct Omega {
    /// The function's value (dimensionless, above zero unless it underflows).
    pub(super) w: f64,
    /// Its natural logarithm, right even where `w` underflows.
    pub(super) ln_w: f64,
}

/// The Wright omega function (Corless and Jeffrey 2002) and its logarithm.
#[inline]
pub(super) fn omega(l: f64) -> Omega {
    let place = (l - FIRST) * PER_UNIT;
    if place >= 0.0 && place < INTERVALS as f64 {
        let y = cubic(place);
        let e = y.exp();
        polish(l, y, e)
    } else {
        outside(l)
    }
}

/// `ln omega(l)` to about 1e-6, without `exp`; a first guess for others.
#[inline]
pub(super) fn rough_ln_omega(l: f64) -> f64 {
    let place = (l - FIRST) * PER_UNIT;
    if place >= 0.0 && place < INTERVALS as f64 { cubic(place) } else { outside(l).ln_w }
}

#[inline]
#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "0 <= place < 256")]
fn cubic(place: f64) -> f64 {
    let index = (place as usize).min(INTERVALS - 1);
    let s = place - index as f64;
    let [c0, c1, c2, c3] = CUBICS[index];
    c0 + s * (c1 + s * (c2 + s * c3))
}

/// One Halley step on `y + e^y - l`; the new `w` comes from the step, not from another `exp`.
#[inline]
fn polish(l: f64, y: f64, e: f64) -> Omega {
    let inverse = 1.0 / (1.0 + e);
    let newton = (l - y - e) * inverse;
    let step = newton * (1.0 - 0.5 * newton * e * inverse);
    Omega { w: e + e * (step + 0.5 * step * step), ln_w: y + step }
}

#[cold]
fn outside(l: f64) -> Omega {
    if l < FIRST {
        let e = l.exp();
        return Omega { w: e - e * e, ln_w: l - e };
    }
    if l < HUGE {
        // de Bruijn's asymptotic series: relative error below 1e-6 beyond the table's end.
        let ln = l.ln();
        let w = l - ln + ln / l * (1.0 + 0.5 * (ln - 2.0) / l);
        let y = w.ln();
        let inverse = 1.0 / (1.0 + w);
        let newton = (l - y - w) * inverse;
        let step = newton * (1.0 - 0.5 * newton * w * inverse);
        return Omega { w: w + w * (step + 0.5 * step * step), ln_w: y + step };
    }
    Omega { w: l, ln_w: l.ln() }
}

/// Hermite cubics through `ln omega` and its slope `1/(1 + w)` at the nodes.
const fn cubics() -> [[f64; 4]; INTERVALS] {
    let mut table = [[0.0; 4]; INTERVALS];
    let step = 1.0 / PER_UNIT;
    let mut left = node(FIRST, FIRST);
    let mut index = 0;
    while index < INTERVALS {
        let right = node(FIRST + (index as f64 + 1.0) * step, left[0]);
        let rise = right[0] - left[0];
        let (d0, d1) = (left[1] * step, right[1] * step);
        table[index] = [left[0], d0, 3.0 * rise - 2.0 * d0 - d1, d0 + d1 - 2.0 * rise];
        left = right;
        index += 1;
    }
    table
}

/// `ln omega(l)` and its slope, by Newton from a nearby `y`; runs in the compiler.
const fn node(l: f64, near: f64) -> [f64; 2] {
    let mut y = near;
    let mut round = 0;
    // From a neighbour a quarter unit away five Newton steps reach rounding; eight are ample.
    while round < 8 {
        let e = series_exp(y);
        y -= (y + e - l) / (1.0 + e);
        round += 1;
    }
    [y, 1.0 / (1.0 + series_exp(y))]
}

/// `e^y` for |y| <= 24 in a const context: the power series of `y/32`, squared five times.
const fn series_exp(y: f64) -> f64 {
    let t = y / 32.0;
    let mut sum = 1.0;
    let mut power = 16;
    while power > 0 {
        sum = 1.0 + sum * t / power as f64;
        power -= 1;
    }
    let mut square = 0;
    while square < 5 {
        sum *= sum;
        square += 1;
    }
    sum
}

#[cfg(test)]
mod tests {
    use super::omega;

    #[test]
    fn solves_its_equation_everywhere() {
        // Residual of w + ln w = l against the rounding of l and of ln w (a few ulp).
        for step in -80_000..80_000 {
            let l = f64::from(step) * 0.01 + 0.003;
            let got = omega(l);
            assert!((got.ln_w + got.w - l).abs() <= 8.0 * f64::EPSILON * l.abs().max(1.0), "{l}");
            if got.w > 1e-290 {
                let tolerance = 4.0 * f64::EPSILON * got.ln_w.abs().max(1.0);
                assert!((got.w.ln() - got.ln_w).abs() <= tolerance, "{l}");
            }
        }
    }

    #[test]
    fn known_values() {
        // omega(1) = 1; omega(0) = W(1), the omega constant 0.567143290409783873 (OEIS A030178);
        // omega(1 + e) = e.
        assert!((omega(1.0).w - 1.0).abs() < 1e-15);
        assert!((omega(0.0).w - 0.567_143_290_409_783_8).abs() < 1e-15);
        let e = std::f64::consts::E;
        assert!((omega(1.0 + e).w - e).abs() < 1e-15 * 4.0);
    }

    #[test]
    fn extremes_stay_numbers() {
        for l in [-1e300, -1e4, -745.5, 1e6, 1e17, 1e19, 1e300] {
            let got = omega(l);
            assert!(got.w >= 0.0 && !got.ln_w.is_nan(), "{l}: {got:?}");
        }
        assert!((omega(1e6).w - (1e6 - (1e6_f64 - 13.8).ln())).abs() < 1e-5);
    }
}
