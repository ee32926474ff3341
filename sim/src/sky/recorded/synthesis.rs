//! What happens within a recorded minute, drawn so that it agrees with the minute's record.
//!
//! Model: [`POINTS`] points a minute. Their values are fixed first, as a sorted list that has the
//! record's minimum, maximum, mean and standard deviation; their order in time is then that of a
//! smooth random process. Ordering cannot change a mean, so the record is met whatever the
//! process does; and a record whose deviation is large against its range gets two-valued minutes
//! (sun or shadow), as broken cloud makes them.
//!
//! The list is v(p) = lo + (hi - lo) / (1 + exp(-(a + b ln(p / (1 - p))))) at the mid-ranks p,
//! with `a` and `b` solved for mean and deviation by Newton's method. b = 1 is the uniform
//! distribution, small b a narrow peak, large b two peaks at the ends, so every pair of mean and
//! deviation that a range admits is met.
//!
//! A mean near an end of its range cannot have both ends: such a minute (rounded records have a
//! few) keeps the mean and lets the far end go. A path that gives steps steeper than
//! [`STEEP_STEP`] is drawn again, slower.
//!
//! Rejected: a bounded random walk that is scaled until it fits (slow, and it meets minimum and
//! maximum only by chance); a beta distribution (its quantiles need an iteration for each point).

use rand::SeedableRng;
use rand_distr::{Distribution, StandardNormal};
use rand_xoshiro::Xoshiro256PlusPlus;

/// Points a minute: 4 Hz.
pub(super) const POINTS: usize = 240;
/// [`POINTS`] as a number.
const COUNT: f64 = 240.0;
/// Time constant of each of the process's two stages, in points: 4 s, so that a passage from sun
/// to shadow takes about 11 s (Lappalainen & Valkealahti 2016: edges of 100 m at 9 m/s).
const STAGE_POINTS: usize = 16;
/// Time constants that the process runs before the minute, so that its second stage has settled.
const SETTLING: usize = 4;
/// A step between points that calls for another path (W/m2 in 0.25 s, 400 W/m2/s). Ramps of
/// several hundred W/m2/s are the fastest told of (from memory, unconfirmed).
const STEEP_STEP: f64 = 100.0;
/// Paths tried for a minute with steep steps; each pair is twice as slow as the one before, as
/// fewer passages between sun and shadow leave more points to each.
const MOST_PATHS: u32 = 8;
/// A range narrower than this is flat (W/m2): records resolve 0.1 W/m2.
const FLAT: f64 = 0.05;
/// Newton's method ends when mean and deviation are met this closely (shares of the range).
const CLOSE: f64 = 1e-6;
/// Most steps of Newton's method; typical are five.
const MOST_STEPS: usize = 40;

/// One value for each point of a minute.
pub(super) type Series = [f64; POINTS];

/// Logits of the mid-ranks, ln(p / (1 - p)) with p = (i + 1/2) / 240.
#[derive(Clone, Debug)]
pub(super) struct Ranks(Series);

impl Ranks {
    pub(super) fn new() -> Self {
        Self(std::array::from_fn(|index| {
            let p = (index_number(index) + 0.5) / COUNT;
            (p / (1.0 - p)).ln()
        }))
    }
}

/// What a minute's points have to meet (W/m2).
#[derive(Clone, Copy, Debug)]
pub(super) struct Target {
    pub(super) mean: f64,
    pub(super) deviation: f64,
    pub(super) least: f64,
    pub(super) greatest: f64,
}

#[expect(clippy::cast_precision_loss, reason = "hundreds at most")]
fn index_number(index: usize) -> f64 {
    index as f64
}

/// The sorted values: exact mean, least and greatest value at the ends where the mean allows it,
/// deviation as close as these allow.
pub(super) fn sorted_values(target: &Target, ranks: &Ranks) -> Series {
    let Target { mean, deviation, least, greatest } = *target;
    let range = greatest - least;
    if range < FLAT {
        return [mean; POINTS];
    }
    let share = (mean - least) / range;
    // One point at each end, and the others between: else the end can't be reached on average.
    let pinned = share > 1.5 / COUNT && share < 1.0 - 1.5 / COUNT;
    let clear = 1e-4;
    let mut values = fit(share.clamp(clear, 1.0 - clear), deviation / range, ranks, pinned);
    for value in &mut values {
        *value = least + range * *value;
    }
    let inner = if pinned { 1..POINTS - 1 } else { 0..POINTS };
    let ends = if pinned { least + greatest } else { 0.0 };
    if pinned {
        (values[0], values[POINTS - 1]) = (least, greatest);
    }
    let wanted = mean * COUNT - ends;
    shift_to_sum(&mut values[inner], wanted, |_| (least, greatest));
    values
}

/// Solves for the two parameters; values are shares of the range (0..=1).
fn fit(share: f64, deviation: f64, ranks: &Ranks, pinned: bool) -> Series {
    let wanted = share * share + deviation * deviation;
    let width = share * (1.0 - share);
    let fullness = (deviation * deviation / width).clamp(1e-6, 0.98);
    let mut place = (share / (1.0 - share)).ln();
    let mut steep =
        (fullness.sqrt() / (1.0 - fullness) * 0.55 / width.sqrt()).clamp(1e-3, 8.0).ln();
    let mut values = [0.0; POINTS];
    for _ in 0..MOST_STEPS {
        let b = steep.exp();
        // Sums of v, v2 and their derivatives by `place` and by `steep`.
        let (mut first, mut second) = (0.0, 0.0);
        let mut slopes = [[0.0; 2]; 2];
        for (index, (value, rank)) in values.iter_mut().zip(&ranks.0).enumerate() {
            let v = match index {
                0 if pinned => 0.0,
                _ if pinned && index == POINTS - 1 => 1.0,
                _ => 1.0 / (1.0 + (-(place + b * rank)).exp()),
            };
            *value = v;
            let by_place = v * (1.0 - v);
            let by_steep = by_place * b * rank;
            first += v;
            second += v * v;
            slopes[0][0] += by_place;
            slopes[0][1] += by_steep;
            slopes[1][0] += 2.0 * v * by_place;
            slopes[1][1] += 2.0 * v * by_steep;
        }
        let errors = [share * COUNT - first, wanted * COUNT - second];
        if errors.iter().all(|error| error.abs() < CLOSE * COUNT) {
            break;
        }
        let determinant = slopes[0][0] * slopes[1][1] - slopes[0][1] * slopes[1][0];
        let (place_step, steep_step) = if determinant.abs() > 1e-12 {
            (
                (errors[0] * slopes[1][1] - errors[1] * slopes[0][1]) / determinant,
                (errors[1] * slopes[0][0] - errors[0] * slopes[1][0]) / determinant,
            )
        } else {
            (errors[0].signum(), errors[1].signum() * 0.5)
        };
        place = (place + place_step.clamp(-2.0, 2.0)).clamp(-60.0, 60.0);
        steep = (steep + steep_step.clamp(-0.7, 0.7)).clamp(-7.0, 4.0);
    }
    values
}

/// Moves values toward one of their bounds, each by the same share of its way, until they sum to
/// `wanted`; false where the bounds don't admit it. Order and bounds are kept.
fn shift_to_sum(values: &mut [f64], wanted: f64, bounds: impl Fn(usize) -> (f64, f64)) -> bool {
    // The second pass removes what rounding left of the first.
    for _ in 0..2 {
        let missing = wanted - values.iter().sum::<f64>();
        let end = |index| if missing > 0.0 { bounds(index).1 } else { bounds(index).0 };
        let room: f64 = values.iter().enumerate().map(|(index, value)| end(index) - value).sum();
        if room == 0.0 || missing == 0.0 {
            return missing.abs() <= 1e-9 * wanted.abs();
        }
        let share = missing / room;
        if share > 1.0 + 1e-12 {
            return false;
        }
        for (index, value) in values.iter_mut().enumerate() {
            *value += share.min(1.0) * (end(index) - *value);
        }
    }
    true
}

/// Sorted values put into the order of a random path, drawn from `seed` and `minute` alone; first
/// and last value come near `edges`. Of the paths tried the first without steep steps is taken,
/// else the least steep.
pub(super) fn draw(sorted: &Series, seed: u64, minute: i64, edges: [f64; 2]) -> Series {
    // An odd multiplier keeps minutes apart; the generator's seeding mixes the rest.
    let mixed = seed ^ minute.cast_unsigned().wrapping_mul(0x9E37_79B9_7F4A_7C15);
    let mut random = Xoshiro256PlusPlus::seed_from_u64(mixed);
    let mut best = (f64::INFINITY, *sorted);
    for attempt in 0..MOST_PATHS {
        let slowness = 1 << (attempt / 2);
        let values = arrange(sorted, path(&mut random, slowness), edges);
        let steepness = steepest(&values, edges);
        if steepness < best.0 {
            best = (steepness, values);
        }
        if steepness < STEEP_STEP {
            break;
        }
    }
    best.1
}

fn steepest(values: &Series, edges: [f64; 2]) -> f64 {
    let ends = (values[0] - edges[0]).abs().max((values[POINTS - 1] - edges[1]).abs());
    values.windows(2).map(|pair| (pair[1] - pair[0]).abs()).fold(ends, f64::max)
}

/// A smooth Gaussian process: two equal first-order stages.
fn path(random: &mut Xoshiro256PlusPlus, slowness: u8) -> Series {
    let stage = STAGE_POINTS * usize::from(slowness);
    let keep = (-1.0 / index_number(stage)).exp();
    let (mut first, mut second) = (0.0, 0.0);
    let mut step = || {
        let kick: f64 = StandardNormal.sample(random);
        first = keep * first + kick;
        second = keep * second + (1.0 - keep) * first;
        second
    };
    for _ in 0..SETTLING * stage {
        step();
    }
    std::array::from_fn(|_| step())
}

/// Puts sorted values into the order of a path whose ends are bent so that the first and the last
/// value come near `edges`.
fn arrange(sorted: &Series, mut path: Series, edges: [f64; 2]) -> Series {
    let at_rank = edges.map(|edge| sorted.partition_point(|&value| value < edge).min(POINTS - 1));
    let mut order: [usize; POINTS] = std::array::from_fn(|index| index);
    let keep = (-1.0 / index_number(STAGE_POINTS)).exp();
    // Bending changes the ranks near the ends, so it is done twice.
    for _ in 0..2 {
        order.sort_unstable_by(|&left, &right| path[left].total_cmp(&path[right]));
        let from = path[order[at_rank[0]]] - path[0];
        let to = path[order[at_rank[1]]] - path[POINTS - 1];
        let mut weight = 1.0;
        for index in 0..POINTS {
            path[index] += from * weight;
            path[POINTS - 1 - index] += to * weight;
            weight *= keep;
        }
    }
    order.sort_unstable_by(|&left, &right| path[left].total_cmp(&path[right]));
    let mut values = [0.0; POINTS];
    for (rank, &index) in order.iter().enumerate() {
        values[index] = sorted[rank];
    }
    values
}

/// A parabola from edge to edge with the given mean over the points; never negative for edges
/// within 0..=3 `mean`, see [`edge`].
pub(super) fn parabola(mean_wanted: f64, edges: [f64; 2]) -> Series {
    let mut values: Series = std::array::from_fn(|index| {
        let t = (index_number(index) + 0.5) / COUNT;
        edges[0]
            + (edges[1] - edges[0]) * t
            + 6.0 * (mean_wanted - 0.5 * (edges[0] + edges[1])) * t * (1.0 - t)
    });
    // Mid-points leave a part in 100 000 of the mean.
    let top = values.iter().fold(mean_wanted, |top, &value| top.max(value));
    for value in &mut values {
        *value = value.max(0.0);
    }
    shift_to_sum(&mut values, mean_wanted * COUNT, |_| (0.0, top));
    values
}

/// The value where two minutes with these means meet.
pub(super) fn edge(before: f64, after: f64) -> f64 {
    (0.5 * (before + after)).min(3.0 * before.min(after))
}

/// The direct component's points.
///
/// `trend` has the recorded mean; `swing` is what the global irradiance does beyond its own trend,
/// as direct normal; `room` is how much direct light the global admits at each point; `cap` bounds
/// it besides. The mean of `trend` is kept exactly; `room` gives way where the record itself has
/// more direct light than global.
pub(super) fn beam(trend: &Series, swing: &Series, room: &Series, cap: f64) -> Series {
    let wanted = trend.iter().sum::<f64>();
    let most: Series = std::array::from_fn(|index| room[index].clamp(0.0, cap));
    let mut values: Series =
        std::array::from_fn(|index| (trend[index] + swing[index]).clamp(0.0, most[index]));
    if shift_to_sum(&mut values, wanted, |index| (0.0, most[index])) { values } else { *trend }
}
