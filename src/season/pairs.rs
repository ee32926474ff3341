//! Two channels side by side, day by day.
//!
//! Model: both devices had the same weather, so that the difference of a day's figures is much less scattered
//! than either. The mean over the days both know, and a bootstrap interval over blocks of days (weather
//! lasts). Rejected: an interval for each channel and a look whether they overlap (it takes the weather for
//! the devices').

use super::dice::{blocks, interval};

/// Days that stay together (d): weather and dust last; a week is common practice, no source.
const BLOCK: usize = 7;
/// Fewest days that an interval means something for: eight blocks.
const LEAST: usize = 8 * BLOCK;

/// How much more the first has than the second.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Difference {
    /// The mean difference.
    pub mean: f64,
    /// Its 95 % interval; none with fewer than eight weeks of days.
    pub interval: Option<(f64, f64)>,
    /// Days that both know.
    pub days: usize,
}

impl Difference {
    /// Whether its interval lies on one side of zero.
    #[must_use]
    pub fn is_clear(&self) -> bool {
        self.interval.is_some_and(|(low, high)| low > 0.0 || high < 0.0)
    }
}

/// The mean difference of two channels' daily figures (days numbered, rising); none without a day that
/// both know.
///
/// ```
/// use cresthold::season::side_by_side;
/// // Two common days: (0.80 - 0.78 + 0.70 - 0.66) / 2 = 0.03.
/// let found = side_by_side(&[(1, 0.8), (2, 0.7)], &[(1, 0.78), (2, 0.66), (3, 0.1)], 1).unwrap();
/// assert!((found.mean - 0.03).abs() < 1e-12 && found.days == 2 && found.interval.is_none());
/// ```
#[must_use]
pub fn side_by_side(ours: &[(i64, f64)], theirs: &[(i64, f64)], seed: u64) -> Option<Difference> {
    let mut other = theirs.iter().peekable();
    let mut pairs = Vec::new();
    for &(day, value) in ours {
        while other.next_if(|next| next.0 < day).is_some() {}
        if let Some(next) = other.peek().filter(|next| next.0 == day) {
            pairs.push(value - next.1);
        }
    }
    let days = pairs.len();
    if days == 0 {
        return None;
    }
    let mean = pairs.iter().sum::<f64>() / days as f64;
    let drawn = || {
        interval((mean, days / BLOCK), seed, |dice| {
            let mut sum = 0.0;
            blocks(dice, days, BLOCK, |at| sum += pairs[at]);
            Some(sum / days as f64)
        })
    };
    Some(Difference { mean, interval: if days >= LEAST { drawn() } else { None }, days })
}
