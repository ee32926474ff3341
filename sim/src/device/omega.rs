//! The Wright omega function of a real argument, fast: the kernel of every single-diode solution.
//!
//! Model: `omega(l)` is the positive `w` with `w + ln w = l`. From -40 to 24 a table holds a
//! polynomial of seventh degree per eighth of a unit, made by the compiler: neither `exp` nor a
//! division is left, and the relative error stays at a few units of rounding, below what the
//! rounding of `l` costs. Below the table the power series in `e^l` has one term left; above it
//! de Bruijn's asymptotic series starts a Halley step.
//!
//! Working with `l`, a logarithm, nothing overflows where Lambert's `W(e^l)` would.
//! Rejected: rational approximations of `W` with steps after them (an `exp` and a division each,
//! two to three times slower), and a table per device (rebuilt at every change of irradiance).

/// Middle of the table, which reaches 32 to either side. Below it, `w = e^l` to the last bit.
const MIDDLE: f64 = -8.0;
/// Lower end of the table.
const FIRST: f64 = MIDDLE - INTERVALS as f64 / (2.0 * PER_UNIT);
/// Intervals per unit of the argument: the seventh degree is at rounding over an eighth.
const PER_UNIT: f64 = 8.0;
/// Intervals in the table, a power of two.
const INTERVALS: usize = 512;
/// Adding this leaves a number of moderate size rounded to the nearest integer, which then stands
/// in the lowest bits of the sum: the quickest way to an index. Divisible by [`INTERVALS`].
const ROUNDER: f64 = 6_755_399_441_055_744.0;
/// Above this, `ln w` is lost in the rounding of `w`.
const HUGE: f64 = 1e18;

/// Coefficients of one interval, lowest power first, in the distance from its middle in intervals;
/// one cache line.
#[derive(Clone, Copy)]
#[repr(align(64))]
struct Piece([f64; 8]);

/// 32 kB.
static PIECES: [Piece; INTERVALS] = pieces();

/// The Wright omega function (Corless and Jeffrey 2002): `w > 0` with `w + ln w = l`.
#[inline]
pub(super) fn omega(l: f64) -> f64 {
    tabled(l).unwrap_or_else(|| outside(l))
}

/// [`omega`] where its table reaches.
#[inline]
pub(super) fn tabled(l: f64) -> Option<f64> {
    let (w, holds) = looked_up(l);
    holds.then_some(w)
}

/// The table's value without a branch, and whether it is omega: some number where the table does
/// not reach.
#[inline(always)]
pub(super) fn looked_up(l: f64) -> (f64, bool) {
    let place = (l - MIDDLE) * PER_UNIT;
    (inside(place), place.abs() < INTERVALS as f64 / 2.0 - 1.0)
}

/// The table's value at a place counted in intervals from its middle.
#[inline(always)]
#[expect(clippy::cast_possible_truncation, reason = "masked to the table's size first")]
fn inside(place: f64) -> f64 {
    let rounded = place + ROUNDER;
    let t = place - (rounded - ROUNDER);
    let index = (rounded.to_bits() & (INTERVALS as u64 - 1)) as usize;
    let Piece([c0, c1, c2, c3, c4, c5, c6, c7]) = PIECES[index];
    // Pairs of terms, so that the processor can work on several at once.
    let t2 = t * t;
    let low = (c0 + c1 * t) + (c2 + c3 * t) * t2;
    let high = (c4 + c5 * t) + (c6 + c7 * t) * t2;
    low + high * (t2 * t2)
}

/// Largest |d| of [`small_exp_m1`].
pub(super) const SMALL: f64 = 0.06;

/// `e^d - 1` for |d| <= [`SMALL`]: the power series to the eighth, below rounding there.
#[inline(always)]
pub(super) fn small_exp_m1(d: f64) -> f64 {
    const C: [f64; 9] = {
        let mut inverse = [1.0; 9];
        let mut k = 1;
        while k < 9 {
            inverse[k] = inverse[k - 1] / k as f64;
            k += 1;
        }
        inverse
    };
    let d2 = d * d;
    let low = (C[1] + C[2] * d) + (C[3] + C[4] * d) * d2;
    let high = (C[5] + C[6] * d) + (C[7] + C[8] * d) * d2;
    d * (low + high * (d2 * d2))
}

/// `e^d - 1` for |d| below one: a sixteenth of `d`, doubled four times.
#[inline(always)]
pub(super) fn exp_m1(d: f64) -> f64 {
    let mut grown = small_exp_m1(d / 16.0);
    for _ in 0..4 {
        grown = grown * (2.0 + grown);
    }
    grown
}

fn outside(l: f64) -> f64 {
    if l < MIDDLE {
        return l.exp();
    }
    if l < HUGE {
        let ln = l.ln();
        let w = l - ln + ln / l * (1.0 + 0.5 * (ln - 2.0) / l);
        let inverse = 1.0 / (1.0 + w);
        let newton = (l - w.ln() - w) * inverse;
        let step = newton * (1.0 - 0.5 * newton * w * inverse);
        return w + w * (step + 0.5 * step * step);
    }
    l
}

/// Piece `k` belongs to place `k`, or to `k - INTERVALS` in the upper half: negative places, as the
/// bits of two's complement have it.
const fn pieces() -> [Piece; INTERVALS] {
    let mut table = [Piece([0.0; 8]); INTERVALS];
    // ln w at the first node is l to rounding.
    let mut y = FIRST;
    let mut step = 0;
    while step < INTERVALS {
        y = ln_omega(FIRST + step as f64 / PER_UNIT, y);
        table[(step + INTERVALS / 2) % INTERVALS] = piece(power_of_e(y));
        step += 1;
    }
    table
}

/// The polynomial around the argument where the function is `w`.
///
/// `(1 + w) w' = w` gives the power series term by term. Its eighth power is folded into the lower
/// ones by Chebyshev's `T8`, which leaves a 128th of it as error; the ninth is below rounding.
const fn piece(w: f64) -> Piece {
    let mut series = [0.0; 9];
    series[0] = w;
    let mut k = 0;
    while k < 8 {
        let mut sum = series[k];
        let mut j = 1;
        while j <= k {
            sum -= (k + 1 - j) as f64 * series[j] * series[k + 1 - j];
            j += 1;
        }
        series[k + 1] = sum / ((k + 1) as f64 * (1.0 + w));
        k += 1;
    }
    // From units to intervals.
    let mut scale = 1.0;
    let mut k = 0;
    while k < 9 {
        series[k] *= scale;
        scale /= PER_UNIT;
        k += 1;
    }
    // With u = 2 t: 128 u^8 = 256 u^6 - 160 u^4 + 32 u^2 - 1 + T8(u).
    let [c0, c1, c2, c3, c4, c5, c6, c7, eighth] = series;
    let c8 = eighth / 256.0 / 128.0;
    let even = [c0 - c8, c2 + 128.0 * c8, c4 - 2560.0 * c8, c6 + 16_384.0 * c8];
    Piece([even[0], c1, even[1], c3, even[2], c5, even[3], c7])
}

/// `ln omega(l)` by Newton from a nearby value.
const fn ln_omega(l: f64, near: f64) -> f64 {
    let mut y = near;
    let mut round = 0;
    // From a neighbour an eighth away four steps reach rounding.
    while round < 5 {
        let e = power_of_e(y);
        y -= (y + e - l) / (1.0 + e);
        round += 1;
    }
    y
}

/// Upper 32 bits of ln 2, so that a small multiple is exact, and what they leave.
pub(super) const LN_2_HIGH: f64 = 0.693_147_180_369_123_8;
pub(super) const LN_2_LOW: f64 = 1.908_214_929_270_587_7e-10;

/// `e^y` for -41 <= y <= 4 to the last bit or two, in a const context: `2^k` times a power series.
const fn power_of_e(y: f64) -> f64 {
    let mut rest = y;
    let mut scale = 1.0;
    let mut halvings = 0.0;
    while y + halvings * std::f64::consts::LN_2 < -0.35 {
        halvings += 1.0;
        scale *= 0.5;
    }
    while y + halvings * std::f64::consts::LN_2 > 0.35 {
        halvings -= 1.0;
        scale *= 2.0;
    }
    rest += halvings * LN_2_HIGH;
    rest += halvings * LN_2_LOW;
    let mut sum = 1.0;
    let mut power = 16;
    while power > 0 {
        sum = 1.0 + sum * rest / power as f64;
        power -= 1;
    }
    sum * scale
}

#[cfg(test)]
mod tests {
    use super::{SMALL, exp_m1, omega, small_exp_m1};

    #[test]
    fn small_exponentials() {
        for step in -60..=60 {
            let d = SMALL * f64::from(step) / 60.0;
            assert!((small_exp_m1(d) - d.exp_m1()).abs() <= 1e-15 * d.abs(), "{d}");
            // Each doubling may add a rounding.
            assert!((exp_m1(d * 16.0) - (d * 16.0).exp_m1()).abs() <= 4e-15 * d.abs() * 16.0);
        }
    }

    #[test]
    fn solves_its_equation_everywhere() {
        let mut worst = 0.0_f64;
        for step in -60_000..80_000 {
            let l = f64::from(step) * 0.01 + 0.003;
            let w = omega(l);
            // The relative error of w is the residual over 1 + w; ln w and l are rounded.
            let error = (w.ln() + w - l).abs() / (1.0 + w);
            worst = worst.max(error / (1.0 + (l / (1.0 + w)).abs() * 0.2));
            assert!(error <= 1e-15 * (4.0 + 0.3 * l.abs() / (1.0 + w)), "{l}: {error:e}");
        }
        println!("{worst:e}");
    }

    #[test]
    fn known_values() {
        // omega(1) = 1; omega(0) = W(1), the omega constant 0.567143290409783873 (OEIS A030178);
        // omega(1 + e) = e.
        assert!((omega(1.0) - 1.0).abs() < 1e-15);
        assert!((omega(0.0) - 0.567_143_290_409_783_8).abs() < 1e-15);
        let e = std::f64::consts::E;
        assert!((omega(1.0 + e) - e).abs() < 4e-15);
    }

    #[test]
    fn extremes_stay_numbers() {
        for l in [f64::NEG_INFINITY, -1e300, -1e4, -745.5, 1e6, 1e17, 1e19, 1e300] {
            assert!(omega(l) >= 0.0, "{l}");
        }
        assert!(omega(f64::NAN).is_nan());
        // omega(l) = l - ln l + ln l/l + ... (de Bruijn); the next term is below 1e-4 here.
        assert!((omega(1e6) - (1e6 - 1e6_f64.ln())).abs() < 1e-4);
    }
}
