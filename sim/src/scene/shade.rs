//! Partial shade with several local crests, standing still or shifting.
//!
//! Model: a row of n substrings is divided into k neighbouring groups; group j (from 1) has the share
//! l_j of the full light, falling with j. With j groups at work the device gives about j/k of its
//! voltage at the current of group j, so the crest on that hump is as j l_j. Levels near 1/j^1.07 make
//! the humps nearly equal; each is then raised or lowered by what the seed draws, and one is the global
//! crest. In the shifting scene groups and favourite change from stage to stage, so that the global
//! crest moves from one hump to another, now by a slow fade, now within a second, as behind a gate.
//!
//! Which hump is the global one depends on the device too; `sim/tests/scene_shade.rs` counts crests
//! and moves on a module's substrings.
//!
//! The temperature stays. Stages are short beside the minutes in which modules warm.
//!
//! Rejected: shade drawn for each substring alone (mostly one deep hump beside many shallow ones: too
//! easy), shade that a model of a yard would throw (buildings by the dozen to state).

use super::{Exposure, REFRESH, Scene};
use crate::quantities::{Celsius, Irradiance};
use crate::time::Instant;
use rand::{RngExt, SeedableRng};
use rand_xoshiro::Xoshiro256PlusPlus;
use std::time::Duration;

/// Most groups, hence most crests.
pub const MOST_GROUPS: usize = 8;
/// Least groups: with one there is nothing to find.
pub const LEAST_GROUPS: usize = 2;
/// How far the seed raises or lowers a hump (share).
const DRAWN: std::ops::Range<f64> = -0.12..0.06;
/// Levels fall with the group to this power. One would make the humps equal if voltage did not fall with
/// current and in bypass diodes; on a string of crystalline modules this does.
const EVEN: f64 = 1.07;
/// How much the favourite is raised (share).
const FAVOURITE: f64 = 0.10;
/// A stage lasts this long (s).
const STAYS: std::ops::Range<f64> = 40.0..90.0;
/// A slow change takes this long (s), a quick one [`QUICK`].
const SLOW: std::ops::Range<f64> = 10.0..30.0;
/// (s).
const QUICK: std::ops::Range<f64> = 0.3..1.5;
/// A tracker finds the crest in it (s).
const SETUP: Duration = Duration::from_secs(60);
/// Temperature of the cells (degC).
const CELL: Celsius = Celsius(45.0);

/// Light of the groups in one stage.
#[derive(Clone, Copy, Debug)]
struct Stage {
    /// It begins to replace the one before then, and has replaced it so much later (s).
    from: f64,
    fade: f64,
    groups: usize,
    /// Share of the full light for each group.
    levels: [f64; MOST_GROUPS],
}

impl Stage {
    fn draw(random: &mut Xoshiro256PlusPlus, groups: usize, favourite: usize) -> Self {
        let mut levels = [1.0; MOST_GROUPS];
        let drawn = |random: &mut Xoshiro256PlusPlus, hump: usize| {
            let raised = if hump == favourite { FAVOURITE } else { 0.0 };
            1.0 + raised + random.random_range(DRAWN)
        };
        let first = drawn(random, 1);
        for hump in 2..=groups {
            levels[hump - 1] = drawn(random, hump) / first * (hump as f64).powf(-EVEN);
        }
        Self { from: 0.0, fade: QUICK.start, groups, levels }
    }

    /// Share of the light on a substring at this place of the row (0..1).
    fn level(&self, place: f64) -> f64 {
        let group =
            (0..self.groups).rev().find(|group| place * self.groups as f64 >= *group as f64);
        self.levels[group.unwrap_or(0)]
    }
}

/// A row of substrings in partial shade.
#[derive(Clone, Debug)]
pub struct Shade {
    substrings: usize,
    full: Irradiance,
    length: Duration,
    stages: Vec<Stage>,
}

impl Shade {
    /// Shade that stays: `crests` of them ([`LEAST_GROUPS`]..=[`MOST_GROUPS`], and no more than
    /// `substrings`; other numbers are brought into that range).
    #[must_use]
    pub fn still(
        substrings: usize,
        crests: usize,
        full: Irradiance,
        length: Duration,
        seed: u64,
    ) -> Self {
        let mut random = Xoshiro256PlusPlus::seed_from_u64(seed);
        let groups = crests.clamp(LEAST_GROUPS, MOST_GROUPS).min(substrings.max(1));
        let favourite = random.random_range(1..=groups);
        let stages = vec![Stage::draw(&mut random, groups, favourite)];
        Self { substrings, full, length, stages }
    }

    /// Shade that shifts: from stage to stage another number of groups, another favourite.
    #[must_use]
    pub fn shifting(substrings: usize, full: Irradiance, length: Duration, seed: u64) -> Self {
        let mut random = Xoshiro256PlusPlus::seed_from_u64(seed);
        let most = MOST_GROUPS.min(substrings.max(1)).min(MOST_SHIFTING);
        let (mut stages, mut from, mut last) = (Vec::new(), 0.0, 0.0);
        while from < length.as_secs_f64() {
            let groups = random.random_range(LEAST_GROUPS.min(most)..=most);
            // Another part of the row's voltage than before.
            let wanted = |favourite: usize| favourite as f64 / groups as f64;
            let mut favourite = random.random_range(1..=groups);
            if (wanted(favourite) - last).abs() < 0.1 {
                favourite = favourite % groups + 1;
            }
            last = wanted(favourite);
            let slow = random.random_range(0..2) == 0;
            let fade = random.random_range(if slow { SLOW } else { QUICK });
            stages.push(Stage { from, fade, ..Stage::draw(&mut random, groups, favourite) });
            from += fade + random.random_range(STAYS);
        }
        Self { substrings, full, length, stages }
    }

    /// The stage that holds at `at` (s), the one before, and how far it has replaced that (0..=1).
    fn stage(&self, at: f64) -> (&Stage, &Stage, f64) {
        let next = self.stages.partition_point(|stage| stage.from <= at).max(1);
        let stage = &self.stages[next - 1];
        if next == 1 {
            return (stage, stage, 1.0);
        }
        let share = ((at - stage.from) / stage.fade).min(1.0);
        (stage, &self.stages[next - 2], share)
    }
}

/// Most groups of the shifting scene.
const MOST_SHIFTING: usize = 5;

impl Scene for Shade {
    fn length(&self) -> Duration {
        self.length
    }

    fn setup(&self) -> Duration {
        SETUP.min(self.length / 2)
    }

    fn expose(&mut self, at: Instant, to: &mut Exposure) {
        let (stage, before, share) = self.stage(at.as_secs_f64());
        let light = |index: usize| {
            let place = (index as f64 + 0.5) / self.substrings as f64;
            let (old, new) = (before.level(place), stage.level(place));
            self.full * (old + (new - old) * share)
        };
        to.each((0..self.substrings).map(light), CELL);
        to.sensor(self.full);
    }

    /// To the stage's end, once it holds.
    fn still_for(&self, at: Instant) -> Duration {
        let seconds = at.as_secs_f64();
        let (.., share) = self.stage(seconds);
        if share < 1.0 {
            return REFRESH;
        }
        let next = self.stages.partition_point(|stage| stage.from <= seconds);
        let left = self.stages.get(next).map_or(f64::INFINITY, |stage| stage.from - seconds);
        Duration::from_secs_f64(left.clamp(LEAST_PIECE, LONGEST_PIECE))
    }
}

/// Shortest and longest piece (s).
const LEAST_PIECE: f64 = 1e-4;
/// (s).
const LONGEST_PIECE: f64 = 3600.0;
