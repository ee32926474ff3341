//! A seeded random source and percentile intervals of the bootstrap.
//!
//! Model: SplitMix64 (Steele, Lea, Flood 2014, OOPSLA, from memory), whose numbers are good enough to
//! choose days by; intervals after Efron 1979 (Annals of Statistics 7, 1-26), the 2.5 and 97.5 % points of
//! the estimates, widened for few blocks: those of n blocks are too narrow as if the normal distribution
//! stood for Student's and n for n - 1 (Hesterberg 2015, American Statistician 69, 371-386, from memory).
//! Rejected: the plant's generators (the logger's own figures don't hang on them).

/// How often an estimate is made anew: the ends of a 95 % interval are the 25th of each side.
const ROUNDS: usize = 1000;
const TAIL: f64 = 0.025;

/// A seeded random source.
pub(super) struct Dice(u64);

impl Dice {
    pub(super) fn new(seed: u64) -> Self {
        Self(seed)
    }

    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }

    /// A whole number below `bound`, which is not 0; uneven by less than `bound` / 2^64.
    pub(super) fn below(&mut self, bound: usize) -> usize {
        let wide = u128::from(self.next()) * bound as u128;
        usize::try_from(wide >> 64).unwrap_or(0)
    }
}

/// The median; the mean of the middle two of an even number. Not of nothing.
pub(super) fn median(values: &mut [f64]) -> Option<f64> {
    let middle = values.len() / 2;
    if values.is_empty() {
        return None;
    }
    let even = values.len().is_multiple_of(2);
    let (below, upper, _) = values.select_nth_unstable_by(middle, f64::total_cmp);
    let upper = *upper;
    let lower = below.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    Some(if even { 0.5 * (lower + upper) } else { upper })
}

/// Draws `length` places of a circle of `length` in blocks of `block` neighbours: what lasts for days
/// stays together (the circular block bootstrap of Politis and Romano 1992, from memory).
pub(super) fn blocks(dice: &mut Dice, length: usize, block: usize, mut take: impl FnMut(usize)) {
    let mut left = length;
    while left > 0 {
        let start = dice.below(length);
        for step in 0..block.min(left) {
            take((start + step) % length);
        }
        left -= block.min(left);
    }
}

/// The 95 % interval of an `estimate` that `draw` makes anew from so many blocks; rounds that make none
/// don't count.
pub(super) fn interval(
    (estimate, blocks): (f64, usize),
    seed: u64,
    mut draw: impl FnMut(&mut Dice) -> Option<f64>,
) -> Option<(f64, f64)> {
    let mut dice = Dice::new(seed);
    let mut found: Vec<f64> = (0..ROUNDS).filter_map(|_| draw(&mut dice)).collect();
    found.sort_by(f64::total_cmp);
    let last = found.len().checked_sub(1)?;
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "a place in a list of a thousand"
    )]
    let tail = (TAIL * last as f64).round() as usize;
    let wider = |end: f64| estimate + (end - estimate) * widening(blocks);
    Some((wider(found[tail]), wider(found[last - tail])))
}

/// How much wider the interval from so many blocks is: Student's quantile over the normal one (Abramowitz
/// and Stegun 1964, 26.7.5; right to 0.0008 for eight blocks or more), and the root of n / (n - 1).
fn widening(blocks: usize) -> f64 {
    const Z: f64 = 1.959_963_985;
    let (n, z2) = (blocks.max(2) as f64, Z * Z);
    let freedom = n - 1.0;
    let g1 = (z2 + 1.0) / 4.0;
    let g2 = ((5.0 * z2 + 16.0) * z2 + 3.0) / 96.0;
    let g3 = (((3.0 * z2 + 19.0) * z2 + 17.0) * z2 - 15.0) / 384.0;
    let quantile = 1.0 + (g1 + (g2 + g3 / freedom) / freedom) / freedom;
    quantile * (n / freedom).sqrt()
}

#[cfg(test)]
mod tests {
    use super::{Dice, median, widening};

    /// The first numbers of SplitMix64 from the seed 1234567 (its authors' test vector, from memory).
    #[test]
    fn the_source_is_the_published_one() {
        let mut dice = Dice::new(1_234_567);
        assert_eq!(dice.next(), 6_457_827_717_110_365_317);
        assert_eq!(dice.next(), 3_203_168_211_198_807_973);
    }

    #[test]
    fn medians() {
        assert_eq!(median(&mut [3.0, 1.0, 2.0]), Some(2.0));
        assert_eq!(median(&mut [4.0, 1.0, 3.0, 2.0]), Some(2.5));
        assert_eq!(median(&mut []), None);
    }

    /// Student's 97.5 % quantiles for 7 and 51 degrees of freedom are 2.3646 and 2.0076 (any table):
    /// 2.3646 / 1.9600 * sqrt(8 / 7) = 1.2897; 2.0076 / 1.9600 * sqrt(52 / 51) = 1.0343.
    #[test]
    fn few_blocks_say_less() {
        assert!((widening(8) - 1.2897).abs() < 1e-3, "{}", widening(8));
        assert!((widening(52) - 1.0343).abs() < 1e-4, "{}", widening(52));
    }
}
