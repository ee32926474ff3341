//! Sharp edges between shadow and sun, with or without the glare of a cloud's flank.
//!
//! Model: shadow and sun take turns; how long each lasts is drawn, so that no tracker's rhythm fits.
//! The passage is by turns a straight line and a logistic curve, G(t) = low + (high - low)/(1 +
//! exp(-(t - t0)/b)), whose largest slope (high - low)/(4 b) is the stated one (its shape: Lappalainen
//! and Valkealahti 2015, Solar Energy 112, 55-67, from memory). The logistic is cut at eight scales to
//! either side and stretched to meet its ends. 450 W/m2/s, from 100 to 1000 in 2 s, is a stress case
//! and no published figure.
//!
//! In the sun the glare adds e/(1 + x)^2 of the light, x the time from the nearer edge over
//! [`GLARE_SECONDS`], from either side and at most e. 1.5 times clear sky and more was measured
//! (Yordanov et al. 2013, IEEE JPV 3(1) 271-277, abstract).
//!
//! Rejected: edges at equal intervals (a tracker could step in time with them by luck).

use super::warmth::Warmth;
use super::{Exposure, REFRESH, Scene};
use crate::quantities::{Celsius, Irradiance, MetresPerSecond};
use crate::thermal::ThermalParams;
use crate::time::Instant;
use rand::{RngExt, SeedableRng};
use rand_xoshiro::Xoshiro256PlusPlus;
use std::time::Duration;

/// In this time (s) the glare falls to a quarter: 60 m of a cloud field that moves at 11 m/s.
pub const GLARE_SECONDS: f64 = 6.0;
/// Shortest and longest stay in shadow or sun (s).
const STAYS: std::ops::Range<f64> = 5.0..25.0;
/// Where the logistic is cut, in scales: 0.03 % from its end.
const CUT: f64 = 8.0;
/// A tracker finds the crest in it (s).
const SETUP: f64 = 30.0;
/// Air (degC) and wind (m/s) over the scene.
const AIR: Celsius = Celsius(20.0);
const WIND: MetresPerSecond = MetresPerSecond(2.0);

/// What the edges are like.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Edge {
    /// In shadow (W/m2).
    pub low: Irradiance,
    /// In the sun, without glare (W/m2).
    pub high: Irradiance,
    /// Largest slope of the passage (W/m2/s, above zero).
    pub slope: f64,
    /// Largest glare (share of `high`).
    pub glare: f64,
}

/// How light goes on from a moment.
#[derive(Clone, Copy, Debug)]
enum Course {
    Shadow,
    /// Ends when it says (s).
    Sun {
        until: f64,
    },
    /// To the sun or from it, within this span (s).
    Line {
        up: bool,
        span: f64,
    },
    Logistic {
        up: bool,
        span: f64,
    },
}

/// Edges for a stated time.
#[derive(Clone, Debug)]
pub struct Edges {
    light: Light,
    length: Duration,
    warmth: Warmth,
}

/// The light over time.
#[derive(Clone, Debug)]
struct Light {
    edge: Edge,
    /// Each piece with its beginning (s).
    pieces: Vec<(f64, Course)>,
}

impl Edges {
    /// Edges over `length`; `seed` chooses how long shadow and sun stay.
    #[must_use]
    pub fn new(edge: Edge, length: Duration, seed: u64) -> Self {
        let light = Light::new(edge, length.as_secs_f64(), seed);
        let mean = (edge.low + edge.high) * 0.5;
        let warmth = Warmth::settled(ThermalParams::OPEN_RACK, (mean, AIR, WIND));
        Self { light, length, warmth }
    }
}

impl Light {
    fn new(edge: Edge, length: f64, seed: u64) -> Self {
        let mut random = Xoshiro256PlusPlus::seed_from_u64(seed);
        let swing = edge.high.0 * (1.0 + edge.glare) - edge.low.0;
        let line = swing / edge.slope;
        let logistic = 2.0 * CUT * swing / (4.0 * edge.slope);
        let mut pieces = vec![(0.0, Course::Shadow)];
        let (mut at, mut straight) = (SETUP, true);
        while at <= length {
            let span = if straight { line } else { logistic };
            let passage = |up| match straight {
                true => Course::Line { up, span },
                false => Course::Logistic { up, span },
            };
            let sun = at + span;
            let until = sun + random.random_range(STAYS);
            let shadow = until + span;
            pieces.push((at, passage(true)));
            pieces.push((sun, Course::Sun { until }));
            pieces.push((until, passage(false)));
            pieces.push((shadow, Course::Shadow));
            at = shadow + random.random_range(STAYS);
            straight = !straight;
        }
        Self { edge, pieces }
    }

    /// The piece that holds at `at` (s), and when the next begins.
    fn piece(&self, at: f64) -> (f64, Course, f64) {
        let next = self.pieces.partition_point(|(from, _)| *from <= at);
        let (from, course) = self.pieces[next.max(1) - 1];
        (from, course, self.pieces.get(next).map_or(f64::INFINITY, |(from, _)| *from))
    }

    /// Light at `at` (s).
    fn at(&self, at: f64) -> Irradiance {
        let Edge { low, high, glare, .. } = self.edge;
        let (from, course, _) = self.piece(at);
        let bright = high.0 * (1.0 + glare);
        let between = |up: bool, share: f64| {
            let share = if up { share } else { 1.0 - share };
            low.0 + (bright - low.0) * share
        };
        Irradiance(match course {
            Course::Shadow => low.0,
            Course::Sun { until } => {
                let part = |since: f64| (1.0 + since.max(0.0) / GLARE_SECONDS).powi(-2);
                let both = (part(at - from) + part(until - at)).min(1.0);
                high.0 * (1.0 + glare * both)
            }
            Course::Line { up, span } => between(up, (at - from) / span),
            Course::Logistic { up, span } => {
                let x = CUT * (2.0 * (at - from) / span - 1.0);
                let end = 1.0 / (1.0 + CUT.exp());
                between(up, (1.0 / (1.0 + (-x).exp()) - end) / (1.0 - 2.0 * end))
            }
        })
    }
}

impl Scene for Edges {
    fn length(&self) -> Duration {
        self.length
    }

    fn setup(&self) -> Duration {
        Duration::from_secs_f64(SETUP).min(self.length / 2)
    }

    fn expose(&mut self, at: Instant, to: &mut Exposure) {
        let Self { light, warmth, .. } = self;
        let cell = warmth.at(at, |middle| (light.at(middle.as_secs_f64()), AIR, WIND));
        let now = light.at(at.as_secs_f64());
        to.uniform(now, cell);
        to.back_of_module(warmth.back(cell, now));
    }

    /// Up to the next kink at most.
    fn still_for(&self, at: Instant) -> Duration {
        let seconds = at.as_secs_f64();
        let (_, _, next) = self.light.piece(seconds);
        let left = (next - seconds).clamp(LEAST_PIECE, REFRESH.as_secs_f64());
        Duration::from_secs_f64(left)
    }
}

/// Shortest piece (s), so that time goes on.
const LEAST_PIECE: f64 = 1e-4;
