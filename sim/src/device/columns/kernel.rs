//! The arithmetic of [`super`] on one block of rows, compiled for several widths of registers.
//!
//! Model: the equations of [`single_diode`](crate::device::single_diode), voltages of the crest in
//! units of `a` and counted downward from the ideal open circuit: with `y = x/a = L - t`,
//! `L = ln(1 + IL/I0)`, the diode carries `(IL + I0) e^-t`, whose exponent is small. Every row takes
//! the same steps; a row that does not come to rest, or whose parameters lie outside the ordinary,
//! is left to [`SingleDiode`](crate::device::single_diode::SingleDiode).
//!
//! One plain loop per quantity, over arrays of fixed length: the compiler turns each into vector
//! code, omega's table looked up by gathers where there are any. It neither reorders nor fuses
//! operations, so the width of the registers can't be seen in the answers. Least times seen on one
//! core of a shared machine: 8 ns a current and 24 ns a summary with 512 bits, 10 and 35 ns with
//! 256, 13 and 61 ns with 128. Rejected: fused multiply-add (a library call on processors without),
//! and one loop over whole rows (too many values for the registers).

use crate::device::climb;
use crate::device::lanes::{exp, ln};
use crate::device::omega::{SMALL, exp_m1, looked_up, small_exp_m1};
use crate::device::single_diode::{
    HALF, IDEALITY, LARGEST_SHUNT, LAST_STEP, LEAST_SERIES, PHOTOCURRENT, SATURATION, SERIES, SHUNT,
};
use crate::quantities::{Amps, Ohms, Volts};
use multiversion::multiversion;

/// Rows in a block: its columns and all that lies between stay in the first cache.
pub(super) const ROWS: usize = 64;

/// A value for each row of a block.
type Lane = [f64; ROWS];

/// `IL/I0` above which the summary is made here: the diode rules at the crest, nothing cancels.
const BRIGHT: f64 = 100.0;
/// Largest Halley step (in units of `a`) after which the next evaluation is a series in it.
const STRIDE: f64 = 0.9;
/// Least share of the ideal slope that series resistance may leave in the first guess.
const LEAST_SLOPE: f64 = 0.2;

/// Parameters of a block (A, A, ohm, ohm, V), whatever their values.
#[derive(Clone, Copy)]
pub(super) struct Block<'a> {
    pub(super) il: &'a [Amps; ROWS],
    pub(super) i0: &'a [Amps; ROWS],
    pub(super) rs: &'a [Ohms; ROWS],
    pub(super) rsh: &'a [Ohms; ROWS],
    pub(super) a: &'a [Volts; ROWS],
}

/// `I = base - leak V - per_omega omega(offset + slope V)`, as in the single diode.
struct Curve {
    offset: Lane,
    slope: Lane,
    base: Lane,
    leak: Lane,
    per_omega: Lane,
    /// Whether all parameters lie within their ranges, and there is series resistance.
    holds: [bool; ROWS],
}

/// What the summary's rows are (A, V, V, A), and which of them hold.
pub(super) struct Summary {
    pub(super) isc: [Amps; ROWS],
    pub(super) voc: [Volts; ROWS],
    pub(super) vmp: [Volts; ROWS],
    pub(super) imp: [Amps; ROWS],
    pub(super) done: [bool; ROWS],
}

impl Summary {
    pub(super) const EMPTY: Self = Self {
        isc: [Amps::ZERO; ROWS],
        voc: [Volts::ZERO; ROWS],
        vmp: [Volts::ZERO; ROWS],
        imp: [Amps::ZERO; ROWS],
        done: [false; ROWS],
    };
}

/// Currents (A) at voltages (V), and which of them hold.
#[multiversion(targets("x86_64+avx512f", "x86_64+avx2"))]
pub(super) fn currents(
    block: Block<'_>,
    volts: &[Volts; ROWS],
    amps: &mut [Amps; ROWS],
    done: &mut [bool; ROWS],
) {
    currents_inline(block, volts, amps, done);
}

/// Isc, Voc and the crest.
#[multiversion(targets("x86_64+avx512f", "x86_64+avx2"))]
pub(super) fn summaries(block: Block<'_>, found: &mut Summary) {
    summaries_inline(block, found);
}

/// [`currents`] for whatever registers the caller is compiled for.
#[inline(always)]
fn currents_inline(
    block: Block<'_>,
    volts: &[Volts; ROWS],
    amps: &mut [Amps; ROWS],
    done: &mut [bool; ROWS],
) {
    let curve = curve(block);
    for k in 0..ROWS {
        let v = volts[k].0;
        let (w, holds) = looked_up(curve.offset[k] + curve.slope[k] * v);
        amps[k] = Amps(curve.base[k] - curve.leak[k] * v - curve.per_omega[k] * w);
        done[k] = holds & curve.holds[k];
    }
}

/// The parameters' part of a current: one logarithm, four divisions.
#[inline(always)]
fn curve(block: Block<'_>) -> Curve {
    let zero = [0.0; ROWS];
    let mut c = Curve {
        offset: zero,
        slope: zero,
        base: zero,
        leak: zero,
        per_omega: zero,
        holds: [false; ROWS],
    };
    for k in 0..ROWS {
        let (il, i0, rs) = (block.il[k].0, block.i0[k].0, block.rs[k].0);
        let (rsh, a) = (block.rsh[k].0, block.a[k].0);
        c.holds[k] = PHOTOCURRENT.holds(il)
            & SATURATION.holds(i0)
            & SERIES.holds(rs)
            & (rs >= LEAST_SERIES)
            & SHUNT.holds(rsh)
            & IDEALITY.holds(a);
        let sum = il + i0;
        let gsh = conductance(rsh);
        let slope = 1.0 / (a + a * rs * gsh);
        let inv_k = slope * a;
        c.offset[k] = ln(i0 * rs * slope) + rs * sum * slope;
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

/// [`summaries`] likewise; two Halley steps to the crest and a third, small one.
#[inline(always)]
fn summaries_inline(block: Block<'_>, found: &mut Summary) {
    let zero = [0.0; ROWS];
    currents_inline(block, &[Volts::ZERO; ROWS], &mut found.isc, &mut found.done);
    let mut s = Scaled { sum: zero, leak: zero, series: zero, log: zero };
    for k in 0..ROWS {
        let a = block.a[k].0;
        s.sum[k] = block.il[k].0 + block.i0[k].0;
        s.leak[k] = conductance(block.rsh[k].0) * a;
        s.series[k] = block.rs[k].0 / a;
        s.log[k] = ln(s.sum[k] / block.i0[k].0);
        found.done[k] &= block.il[k].0 > BRIGHT * block.i0[k].0;
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
            found.done[k] &= step.abs() <= STRIDE;
            t[k] -= step;
            diode[k] += diode[k] * exp_m1(step);
        }
    }
    for k in 0..ROWS {
        let (amps, step) = halley(&s, k, t[k], diode[k]);
        let growth = step * (1.0 + step * (0.5 + step * (1.0 / 6.0)));
        let amps = amps - diode[k] * growth - step * s.leak[k];
        let y = s.log[k] - (t[k] - step);
        found.done[k] &= (step.abs() <= climb::LAST_STEP) & (y > 0.0) & (y < s.log[k]);
        found.imp[k] = Amps(amps);
        found.vmp[k] = Volts(y * block.a[k].0 - amps * block.rs[k].0);
    }
}

/// Voc: three Halley steps for `e^d - 1 + b + c d = 0`, `x = a (L + d)`.
#[inline(always)]
fn open_circuits(block: Block<'_>, s: &Scaled, found: &mut Summary) {
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
        found.done[k] &= (b <= HALF) & (step.abs() <= SMALL) & (last.abs() <= LAST_STEP);
        found.voc[k] = Volts(block.a[k].0 * (s.log[k] + (d + last)));
    }
}

/// `t` at the crest without resistances, and one correction for them, as the single diode does it;
/// there with omega, here with de Bruijn's series, which is good to a hundredth.
#[inline(always)]
fn first_guesses(block: Block<'_>, s: &Scaled, t: &mut Lane, found: &mut Summary) {
    for (k, t) in t.iter_mut().enumerate() {
        let l = 1.0 + s.log[k];
        let log = ln(l);
        let inv_l = 1.0 / l;
        // l - omega(l)
        let ideal = log - log * inv_l * (1.0 + 0.5 * (log - 2.0) * inv_l);
        let inverse = 1.0 / (l - ideal);
        let shunt = (s.log[k] - ideal) * s.leak[k] / block.il[k].0;
        let shunted = 1.0 - 2.0 * shunt;
        let r = s.series[k] * block.il[k].0;
        let slope = 1.0 - 2.0 * r * inverse * (1.0 - inverse);
        let seriesed = if slope > LEAST_SLOPE { slope } else { LEAST_SLOPE };
        let guess = ideal - 2.0 * (shunted - seriesed) / (shunted + seriesed);
        *t = if guess > 0.0 { guess } else { 0.0 };
        found.done[k] &= shunt <= climb::LEAKY;
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
    use crate::quantities::{Amps, Volts};
    use rand::{RngExt, SeedableRng};
    use rand_xoshiro::Xoshiro256PlusPlus;
    use std::array::from_fn;

    /// The widest version this machine has against the one every machine has, over ordinary
    /// devices: cell to high-voltage module, four decades of light. None of them is left over.
    #[test]
    fn every_width_gives_the_same_bits() {
        let mut rng = Xoshiro256PlusPlus::seed_from_u64(512);
        let mut between = |low: f64, high: f64| low + (high - low) * rng.random::<f64>();
        let mut left = 0;
        for _ in 0..200 {
            let il = from_fn(|_| Amps(10_f64.powf(between(-3.0, 1.0))));
            let a = from_fn(|_| Volts(10_f64.powf(between(-1.5, 1.0))));
            // Part of `a/IL`, the resistance of the diode at its working point.
            let mut scaled =
                |low, high| from_fn(|k| (a[k] / il[k]) * 10_f64.powf(between(low, high)));
            let (rs, rsh) = (scaled(-2.0, 0.5), scaled(2.0, 4.5));
            let i0 = il.map(|il| il * (-between(18.0, 30.0)).exp());
            let block = Block { il: &il, i0: &i0, rs: &rs, rsh: &rsh, a: &a };
            let volts = block.a.map(|a| a * between(-2.0, 28.0));
            let (mut wide, mut plain) = ([Amps::ZERO; ROWS], [Amps::ZERO; ROWS]);
            let (mut done, mut done_plain) = ([false; ROWS], [false; ROWS]);
            currents(block, &volts, &mut wide, &mut done);
            currents_inline(block, &volts, &mut plain, &mut done_plain);
            assert_eq!(wide.map(|i| i.0.to_bits()), plain.map(|i| i.0.to_bits()));
            assert_eq!(done, done_plain);
            let (mut wide, mut plain) = (Summary::EMPTY, Summary::EMPTY);
            summaries(block, &mut wide);
            summaries_inline(block, &mut plain);
            for k in 0..ROWS {
                assert_eq!(bits(&wide, k), bits(&plain, k), "row {k}");
            }
            assert_eq!(wide.done, plain.done);
            left += wide.done.iter().filter(|done| !**done).count();
        }
        println!("{left} of {} rows left", 200 * ROWS);
        assert!(left < 200 * ROWS / 50, "{left}");
    }

    fn bits(found: &Summary, k: usize) -> [u64; 4] {
        [found.isc[k].0, found.voc[k].0, found.vmp[k].0, found.imp[k].0].map(f64::to_bits)
    }
}
