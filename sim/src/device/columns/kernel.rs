//! The arithmetic of [`super`] on one block of rows, compiled for several widths of registers.
//!
//! Model: the equations of [`single_diode`](crate::device::single_diode), voltages of the crest in
//! units of `a` and counted downward from the ideal open circuit: with `y = x/a = L - t`,
//! `L = ln(1 + IL/I0)`, the diode carries `(IL + I0) e^-t`, whose exponent is small. Every row takes
//! the same steps; a row that does not come to rest, or whose parameters lie outside the ordinary,
//! is marked for [`SingleDiode`](crate::device::single_diode::SingleDiode).
//!
//! One plain loop per quantity, over arrays of fixed length: the compiler turns each into vector
//! code. It neither reorders nor fuses operations, so the width of the registers can't be seen in
//! the answers. Rejected: fused multiply-add (a library call on processors without), and one loop
//! over whole rows (too many values for the registers).

use crate::device::climb;
use crate::device::lanes::{exp, ln};
use crate::device::omega::{exp_m1, looked_up, small_exp_m1};
use crate::device::single_diode::{HALF, LARGEST_SHUNT, LAST_STEP, LEAST_SERIES};
use multiversion::multiversion;

/// Rows in a block: its columns and all that lies between stay in the first cache.
pub(super) const ROWS: usize = 64;

/// A value for each row of a block.
pub(super) type Lane = [f64; ROWS];

/// `IL/I0` above which the summary is made here: the diode rules at the crest, nothing cancels.
const BRIGHT: f64 = 100.0;
/// Largest Halley step (in units of `a`) after which the next evaluation is a series in it.
const STRIDE: f64 = 0.9;
/// Least share of the ideal slope that series resistance may leave in the first guess.
const LEAST_SLOPE: f64 = 0.2;

/// Parameters of a block (A, A, ohm, ohm, V).
pub(super) struct Block {
    pub(super) il: Lane,
    pub(super) i0: Lane,
    pub(super) rs: Lane,
    pub(super) rsh: Lane,
    pub(super) a: Lane,
}

impl Block {
    pub(super) const EMPTY: Self = Self {
        il: [0.0; ROWS],
        i0: [0.0; ROWS],
        rs: [0.0; ROWS],
        rsh: [0.0; ROWS],
        a: [0.0; ROWS],
    };
}

/// `I = base - leak V - per_omega omega(offset + slope V)`, as in the single diode.
struct Curve {
    offset: Lane,
    slope: Lane,
    base: Lane,
    leak: Lane,
    per_omega: Lane,
}

/// What the summary's rows are (A, V, V, A), and which must be done again.
pub(super) struct Summary {
    pub(super) isc: Lane,
    pub(super) voc: Lane,
    pub(super) vmp: Lane,
    pub(super) imp: Lane,
    pub(super) again: [bool; ROWS],
}

impl Summary {
    pub(super) const EMPTY: Self = Self {
        isc: [0.0; ROWS],
        voc: [0.0; ROWS],
        vmp: [0.0; ROWS],
        imp: [0.0; ROWS],
        again: [false; ROWS],
    };
}

/// Currents (A) at voltages (V), and which rows must be done again.
#[multiversion(targets(
    "x86_64+avx512f+avx512dq+avx512vl+avx512bw",
    "x86_64+avx2",
))]
pub(super) fn currents(block: &Block, volts: &Lane, amps: &mut Lane, again: &mut [bool; ROWS]) {
    currents_inline(block, volts, amps, again);
}

/// Isc, Voc and the crest.
#[multiversion(targets(
    "x86_64+avx512f+avx512dq+avx512vl+avx512bw",
    "x86_64+avx2",
))]
pub(super) fn summaries(block: &Block, found: &mut Summary) {
    summaries_inline(block, found);
}

#[inline(always)]
fn currents_inline(block: &Block, volts: &Lane, amps: &mut Lane, again: &mut [bool; ROWS]) {
    let curve = curve(block);
    for k in 0..ROWS {
        let v = volts[k];
        let (w, holds) = looked_up(curve.offset[k] + curve.slope[k] * v);
        amps[k] = curve.base[k] - curve.leak[k] * v - curve.per_omega[k] * w;
        again[k] = !(holds & (block.rs[k] >= LEAST_SERIES));
    }
}

#[inline(always)]
fn curve(block: &Block) -> Curve {
    let zero = [0.0; ROWS];
    let mut c = Curve { offset: zero, slope: zero, base: zero, leak: zero, per_omega: zero };
    for k in 0..ROWS {
        let (rs, a) = (block.rs[k], block.a[k]);
        let sum = block.il[k] + block.i0[k];
        let gsh = conductance(block.rsh[k]);
        let inv_k = 1.0 / (1.0 + rs * gsh);
        let slope = inv_k / a;
        c.offset[k] = ln(block.i0[k] * rs * slope) + rs * sum * slope;
        c.slope[k] = slope;
        c.base[k] = sum * inv_k;
        c.leak[k] = gsh * inv_k;
        c.per_omega[k] = a / rs;
    }
    c
}

/// `1/Rsh` (S); zero when negligible.
#[inline(always)]
fn conductance(rsh: f64) -> f64 {
    if rsh < LARGEST_SHUNT { 1.0 / rsh } else { 0.0 }
}

/// What the crest's steps need of a row: `IL + I0` (A), `a/Rsh` (A), `Rs/a` (1/A), `L`.
struct Scaled {
    sum: Lane,
    leak: Lane,
    series: Lane,
    log: Lane,
}

#[inline(always)]
fn summaries_inline(block: &Block, found: &mut Summary) {
    let zero = [0.0; ROWS];
    currents_inline(block, &zero, &mut found.isc, &mut found.again);
    let mut s = Scaled { sum: zero, leak: zero, series: zero, log: zero };
    for k in 0..ROWS {
        let a = block.a[k];
        s.sum[k] = block.il[k] + block.i0[k];
        s.leak[k] = conductance(block.rsh[k]) * a;
        s.series[k] = block.rs[k] / a;
        s.log[k] = ln(s.sum[k] / block.i0[k]);
        found.again[k] |= !(block.il[k] > BRIGHT * block.i0[k]);
    }
    open_circuits(block, &s, found);
    let (mut t, mut diode) = (zero, zero);
    first_guesses(block, &s, &mut t, found);
    for k in 0..ROWS {
        diode[k] = s.sum[k] * exp(-t[k]);
    }
    for _ in 0..2 {
        for k in 0..ROWS {
            let (_, step) = halley(&s, k, t[k], diode[k]);
            found.again[k] |= !(step.abs() <= STRIDE);
            t[k] -= step;
            diode[k] += diode[k] * exp_m1(step);
        }
    }
    for k in 0..ROWS {
        let (amps, step) = halley(&s, k, t[k], diode[k]);
        let growth = step * (1.0 + step * (0.5 + step * (1.0 / 6.0)));
        let amps = amps - diode[k] * growth - step * s.leak[k];
        let y = s.log[k] - (t[k] - step);
        found.again[k] |= !((step.abs() <= climb::LAST_STEP) & (y > 0.0) & (y < s.log[k]));
        found.imp[k] = amps;
        found.vmp[k] = y * block.a[k] - amps * block.rs[k];
    }
}

/// Voc: three Halley steps for `e^d - 1 + b + c d = 0`, `x = a (L + d)`.
#[inline(always)]
fn open_circuits(block: &Block, s: &Scaled, found: &mut Summary) {
    for k in 0..ROWS {
        let c = s.leak[k] / s.sum[k];
        let b = s.log[k] * c;
        let halley = |f: f64, grown: f64| {
            let slope = grown + 1.0 + c;
            -2.0 * f * slope / (2.0 * slope * slope - f * (1.0 + grown))
        };
        let d = halley(b, 0.0);
        let grown = exp_m1(d);
        let step = halley(grown + b + c * d, grown);
        let grown = grown + (1.0 + grown) * small_exp_m1(step);
        let d = d + step;
        let last = halley(grown + b + c * d, grown);
        found.again[k] |= !((b <= HALF) & (last.abs() <= LAST_STEP));
        found.voc[k] = block.a[k] * (s.log[k] + (d + last));
    }
}

/// `t` at the crest without resistances, and one correction for them, as the single diode does it;
/// there with omega, here with de Bruijn's series, which is good to a hundredth.
#[inline(always)]
fn first_guesses(block: &Block, s: &Scaled, t: &mut Lane, found: &mut Summary) {
    for k in 0..ROWS {
        let l = 1.0 + s.log[k];
        let log = ln(l);
        let inv_l = 1.0 / l;
        // l - omega(l)
        let ideal = log - log * inv_l * (1.0 + 0.5 * (log - 2.0) * inv_l);
        let inverse = 1.0 / (l - ideal);
        let shunt = (s.log[k] - ideal) * s.leak[k] / block.il[k];
        let shunted = 1.0 - 2.0 * shunt;
        let r = s.series[k] * block.il[k];
        let slope = 1.0 - 2.0 * r * inverse * (1.0 - inverse);
        let seriesed = if slope > LEAST_SLOPE { slope } else { LEAST_SLOPE };
        let guess = ideal - 2.0 * (shunted - seriesed) / (shunted + seriesed);
        t[k] = if guess > 0.0 { guess } else { 0.0 };
        found.again[k] |= !(shunt <= climb::LEAKY);
    }
}

/// The current (A) at `t` and Halley's step of `y` (in units of `a`) toward the crest; NaN where
/// the derivatives point the wrong way.
#[inline(always)]
fn halley(s: &Scaled, k: usize, t: f64, diode: f64) -> (f64, f64) {
    let y = s.log[k] - t;
    let (leak, series) = (s.leak[k], s.series[k]);
    let amps = (s.sum[k] - diode) - leak * y;
    let g = diode + leak;
    let lever = 2.0 * series * amps - y;
    let fall = g * series;
    let f = amps + g * lever;
    let first = diode * lever - 2.0 * g * (1.0 + fall);
    let second = diode * (lever - 3.0 - 6.0 * fall);
    let below = 2.0 * first * first - f * second;
    let step = -2.0 * f * first / below;
    (amps, if (first < 0.0) & (below > 0.0) { step } else { f64::NAN })
}

#[cfg(test)]
mod tests {
    use super::{Block, ROWS, Summary, currents, currents_inline, summaries, summaries_inline};

    fn bits(lane: &[f64; ROWS]) -> [u64; ROWS] {
        lane.map(f64::to_bits)
    }

    /// The widest version this machine has against the one every machine has.
    #[test]
    fn every_width_gives_the_same_bits() {
        let column = |f: fn(f64) -> f64| std::array::from_fn(|k| f(k as f64 / ROWS as f64));
        for shift in [0.0, 0.17, 0.41, 0.83] {
            let block = Block {
                il: column(|u| 0.02 + 9.0 * u),
                i0: column(|u| 1e-12 * (1.0 + 1e5 * (7.0 * u).sin().powi(2))),
                rs: column(|u| 0.3 * (1.0 + (11.0 * u).sin())),
                rsh: column(|u| 40.0 + 900.0 * (5.0 * u).cos().powi(2)),
                a: column(|u| 0.02 + 1.8 * u),
            };
            let volts = block.a.map(|a| a * (40.0 * shift - 4.0));
            let (mut wide, mut plain) = ([0.0; ROWS], [0.0; ROWS]);
            let (mut again, mut again_plain) = ([false; ROWS], [false; ROWS]);
            currents(&block, &volts, &mut wide, &mut again);
            currents_inline(&block, &volts, &mut plain, &mut again_plain);
            assert_eq!((bits(&wide), again), (bits(&plain), again_plain));
            let (mut wide, mut plain) = (Summary::EMPTY, Summary::EMPTY);
            summaries(&block, &mut wide);
            summaries_inline(&block, &mut plain);
            for (wide, plain) in [
                (wide.isc, plain.isc),
                (wide.voc, plain.voc),
                (wide.vmp, plain.vmp),
                (wide.imp, plain.imp),
            ] {
                assert_eq!(bits(&wide), bits(&plain));
            }
            assert_eq!(wide.again, plain.again);
        }
    }
}
