//! Logarithm and exponential without branches, for loops over many rows in wide registers.
//!
//! Model: both split off a power of two through the bits of the number; what is left goes through a
//! polynomial interpolated at Chebyshev's nodes in 50-digit arithmetic (our own computation), whose
//! error is below 3e-17 of the result. Additions, products and one division: no fused operations,
//! so every processor gives the same bits.
//!
//! Rejected: the standard library's functions (a call per row, and their last bit is the
//! system's), tables (a gather costs more than the five products it saves).

use super::omega::{LN_2_HIGH, LN_2_LOW};
use std::f64::consts::{LOG2_E, SQRT_2};

/// `(2 atanh(s) - 2 s)/s^3` in powers of `s^2`, for `s^2` up to 0.0295: error below 5e-18 `s`.
const ATANH: [f64; 7] = [
    0.666_666_666_666_667,
    0.399_999_999_998_988_9,
    0.285_714_286_262_538_36,
    0.222_222_110_893_794_96,
    0.181_828_924_325_368_7,
    0.153_316_117_220_550_08,
    0.146_178_071_534_173_25,
];

/// `(e^r - 1 - r)/r^2` in powers of `r`, for |r| up to ln 2/2: error below 2e-17.
const EXP: [f64; 10] = [
    0.500_000_000_000_000_1,
    0.166_666_666_666_666_69,
    0.041_666_666_666_623_824,
    0.008_333_333_333_330_039,
    0.001_388_888_891_736_708_1,
    0.000_198_412_698_631_715_57,
    2.480_152_105_786_820_6e-5,
    2.755_726_827_690_569_6e-6,
    2.762_020_159_103_154_7e-7,
    2.510_047_250_569_499_6e-8,
];

/// Bits of the fraction of a number.
const FRACTION: u32 = 52;
/// 2^52, whose lowest bits hold an integer: turns an integer below it into a number by its bits.
const INTEGERS: f64 = 4_503_599_627_370_496.0;
/// 1.5 times 2^52: adding it rounds a number of either sign to an integer, in the lowest bits.
const ROUNDER: f64 = 1.5 * INTEGERS;
/// The exponent of one, as stored.
const BIAS: u64 = 1023;

/// `ln x` for positive normal `x`, to an ulp of the larger of 1 and the result; a number for others.
#[inline(always)]
pub(super) fn ln(x: f64) -> f64 {
    // Counted from sqrt(1/2), so that the fraction lies between it and sqrt(2).
    let bits = x.to_bits().wrapping_sub((0.5 * SQRT_2).to_bits());
    let power = f64::from_bits((bits >> FRACTION) | INTEGERS.to_bits());
    // Numbers below sqrt(1/2) borrowed from the sign: 12 bits of exponent, two's complement.
    let power =
        if power >= INTEGERS + 2048.0 { power - (INTEGERS + 4096.0) } else { power - INTEGERS };
    let mask = (1_u64 << FRACTION) - 1;
    let fraction = f64::from_bits((bits & mask).wrapping_add((0.5 * SQRT_2).to_bits()));
    let f = fraction - 1.0;
    let s = f / (2.0 + f);
    let s2 = s * s;
    let s4 = s2 * s2;
    let low = (ATANH[0] + ATANH[1] * s2) + (ATANH[2] + ATANH[3] * s2) * s4;
    let high = (ATANH[4] + ATANH[5] * s2) + ATANH[6] * s4;
    let rest = s2 * (low + high * (s4 * s4));
    // 2 s = f - s f: the large part stays exact.
    let small = s * (rest - f) + power * LN_2_LOW;
    power * LN_2_HIGH + (f + small)
}

/// `e^x` for `x` from -700 to 700, to an ulp or two; a number for others.
#[inline(always)]
pub(super) fn exp(x: f64) -> f64 {
    let rounded = x * LOG2_E + ROUNDER;
    let power = rounded - ROUNDER;
    let r = (x - power * LN_2_HIGH) - power * LN_2_LOW;
    let r2 = r * r;
    let r4 = r2 * r2;
    let low = (EXP[0] + EXP[1] * r) + (EXP[2] + EXP[3] * r) * r2;
    let middle = (EXP[4] + EXP[5] * r) + (EXP[6] + EXP[7] * r) * r2;
    let high = EXP[8] + EXP[9] * r;
    let sum = 1.0 + (r + r2 * (low + r4 * (middle + r4 * high)));
    let scale = f64::from_bits(rounded.to_bits().wrapping_add(BIAS) << FRACTION);
    sum * scale
}

#[cfg(test)]
mod tests {
    use super::{exp, ln};

    #[test]
    fn logarithms() {
        // The standard library's, itself within an ulp.
        let mut x = 1e-300;
        while x < 1e300 {
            let wanted = f64::ln(x);
            assert!((ln(x) - wanted).abs() <= 3e-16 * wanted.abs().max(0.5), "{x:e}");
            x *= 1.003_7;
        }
        assert_eq!(ln(1.0).to_bits(), 0.0_f64.to_bits());
    }

    #[test]
    fn exponentials() {
        let mut x = -690.0;
        while x < 690.0 {
            let wanted = f64::exp(x);
            assert!((exp(x) - wanted).abs() <= 4e-16 * wanted, "{x}: {:e}", exp(x) / wanted - 1.0);
            x += 0.017_3;
        }
        assert_eq!(exp(0.0).to_bits(), 1.0_f64.to_bits());
    }
}
