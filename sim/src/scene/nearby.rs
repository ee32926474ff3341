//! Shadows of things nearby that pass over a row of substrings: a mast, a chimney, birds.
//!
//! Model: light is divided into beam and the rest; a shadow takes beam. A thing of width w (m) at the
//! distance d (m) throws a shadow whose depth falls over the penumbra p = [`SUN`] d at either side:
//! full where the thing is wider than the sun, else w/p. A substring of cells in series carries no more
//! than its worst cell, so one covered cell takes the whole substring: the shadow is felt from when it
//! reaches the substring's first cell of [`CELL_WIDTH`] until it leaves the last. With u the distance
//! from the shadow's middle to the nearest cell's, the depth is
//! min(1, w/b) clamp(((w + b)/2 - u) / min(w, b), 0..1), b = p + cell, and the light
//! G (1 - [`BEAM`] depth).
//!
//! - A mast's or chimney's shadow creeps along the row with the sun, millimetres in a second.
//! - Birds pass in a fraction of a second ([`PASS_SLOT`]: at most one in each slot), or one sits down
//!   on the frame and covers a part of a cell for a while.
//!
//! The temperature stays.
//!
//! Rejected: the sun's path over a yard (the speed says it all), reverse bias of single cells.

use super::layout::Layout;
use super::{Exposure, REFRESH, Scene};
use crate::quantities::{Celsius, Irradiance};
use crate::time::Instant;
use rand::{RngExt, SeedableRng};
use rand_xoshiro::Xoshiro256PlusPlus;
use std::time::Duration;

/// Angular diameter of the sun (rad): half a degree.
pub const SUN: f64 = 0.0093;
/// Width of a cell (m): wafers of six inches.
pub const CELL_WIDTH: f64 = 0.156;
/// Share of the beam in the light of a clear day.
pub const BEAM: f64 = 0.85;
/// A tracker finds the crest in it (s).
const SETUP: Duration = Duration::from_secs(60);
/// Temperature of the cells (degC).
const CELL: Celsius = Celsius(45.0);
/// The light of a creeping shadow may be held for this long: it moves by a tenth of a millimetre.
const CREEPING_PIECE: Duration = Duration::from_millis(100);

/// The shadow of a thing on the row.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Shadow {
    /// Width of the thing and of the penumbra (m).
    width: f64,
    penumbra: f64,
    /// Where its middle lies, from the row's beginning (m).
    at: f64,
    /// Share of the beam that the thing takes.
    opaque: f64,
}

impl Shadow {
    /// Share of a substring's light that is left, the substring beginning at `from` and ending at
    /// `until` (m).
    fn left(&self, from: f64, until: f64) -> f64 {
        let middle = 0.5 * (from + until);
        let cells = (0.5 * (until - from - CELL_WIDTH)).max(0.0);
        let away = ((self.at - middle).abs() - cells).max(0.0);
        let blur = self.penumbra + CELL_WIDTH;
        let full = (self.width / blur).min(1.0);
        let reach = 0.5 * (self.width + blur) - away;
        let depth = full * (reach / self.width.min(blur)).clamp(0.0, 1.0);
        1.0 - BEAM * self.opaque * depth
    }
}

/// A shadow that creeps along the row.
#[derive(Clone, Debug)]
pub struct Creeping {
    layout: Layout,
    full: Irradiance,
    length: Duration,
    width: f64,
    penumbra: f64,
    /// Metres in a second, negative from the end to the beginning.
    speed: f64,
    /// Where it begins (m).
    begins: f64,
}

impl Creeping {
    /// The shadow of a thing `width` m wide at `distance` m, which creeps over the whole row in
    /// `length`; `seed` chooses from which end and how far it has come when the scene begins.
    #[must_use]
    pub fn new(
        layout: &Layout,
        (width, distance): (f64, f64),
        full: Irradiance,
        length: Duration,
        seed: u64,
    ) -> Self {
        let mut random = Xoshiro256PlusPlus::seed_from_u64(seed);
        let penumbra = SUN * distance;
        let margin = 0.5 * (width + penumbra + CELL_WIDTH);
        let way = layout.length() + 2.0 * margin;
        let speed = way / length.as_secs_f64();
        let ahead = random.random_range(0.0..0.1) * layout.length();
        let forward = random.random_range(0..2) == 0;
        let (begins, speed) =
            if forward { (ahead - margin, speed) } else { (way - margin - ahead, -speed) };
        Self { layout: layout.clone(), full, length, width, penumbra, speed, begins }
    }
}

impl Scene for Creeping {
    fn length(&self) -> Duration {
        self.length
    }

    fn setup(&self) -> Duration {
        SETUP.min(self.length / 2)
    }

    fn expose(&mut self, at: Instant, to: &mut Exposure) {
        let shadow = Shadow {
            width: self.width,
            penumbra: self.penumbra,
            at: self.begins + self.speed * at.as_secs_f64(),
            opaque: 1.0,
        };
        let spacing = self.layout.spacing();
        let light = |index: usize| {
            let from = spacing * index as f64;
            self.full * shadow.left(from, from + spacing)
        };
        to.each((0..self.layout.count()).map(light), CELL);
        to.sensor(self.full);
    }

    fn still_for(&self, _at: Instant) -> Duration {
        CREEPING_PIECE
    }
}

/// In each slot of this length (s) at most one bird passes.
pub const PASS_SLOT: f64 = 8.0;
/// In each slot of this length (s) at most one bird sits down, and flies off before it ends.
pub const PERCH_SLOT: f64 = 60.0;
/// While a bird passes, the light may be held for this long: it flies some centimetres.
const PASSING_PIECE: Duration = Duration::from_millis(5);
/// A bird comes and goes in this time (s).
const ALIGHTING: f64 = 0.3;

/// Birds over a row of substrings.
#[derive(Clone, Debug)]
pub struct Birds {
    layout: Layout,
    full: Irradiance,
    length: Duration,
    /// Bird by bird: when its shadow enters the row (s), its shadow then, and its speed (m/s).
    passes: Vec<(f64, Shadow, f64)>,
    /// When it sits down and flies off (s), and its shadow.
    perches: Vec<(f64, f64, Shadow)>,
}

impl Birds {
    /// Birds over `length`; `seed` chooses them.
    #[must_use]
    pub fn new(layout: &Layout, full: Irradiance, length: Duration, seed: u64) -> Self {
        let mut random = Xoshiro256PlusPlus::seed_from_u64(seed);
        let mut scene =
            Self { layout: layout.clone(), full, length, passes: Vec::new(), perches: Vec::new() };
        let slots = |slot: f64| (0_u32..).map(move |n| slot * f64::from(n));
        let end = length.as_secs_f64();
        for from in slots(PASS_SLOT).take_while(|from| *from < end) {
            if random.random_range(0.0..1.0) < 0.6 {
                scene.passes.push(scene.passing(&mut random, from));
            }
        }
        for from in slots(PERCH_SLOT).take_while(|from| *from < end) {
            if random.random_range(0.0..1.0) < 0.5 {
                scene.perches.push(scene.perching(&mut random, from));
            }
        }
        scene
    }

    fn passing(&self, random: &mut Xoshiro256PlusPlus, slot: f64) -> (f64, Shadow, f64) {
        let speed = random.random_range(4.0..14.0);
        let penumbra = SUN * random.random_range(2.0..30.0);
        let width = random.random_range(0.1..0.4);
        let shadow = Shadow { width, penumbra, at: -width - penumbra, opaque: 1.0 };
        let spare = (PASS_SLOT - self.crossing(&shadow, speed)).max(0.0);
        (slot + spare * random.random_range(0.0..1.0), shadow, speed)
    }

    fn perching(&self, random: &mut Xoshiro256PlusPlus, slot: f64) -> (f64, f64, Shadow) {
        let stays = random.random_range(8.0..45.0);
        let from = slot + random.random_range(0.0..PERCH_SLOT - stays - 2.0 * ALIGHTING);
        let at = self.layout.length() * random.random_range(0.0..1.0);
        let opaque = random.random_range(0.3..0.9);
        (from, from + stays, Shadow { width: CELL_WIDTH, penumbra: 0.0, at, opaque })
    }

    /// How long a shadow is on the row (s).
    fn crossing(&self, shadow: &Shadow, speed: f64) -> f64 {
        (self.layout.length() + 2.0 * (shadow.width + shadow.penumbra)) / speed
    }

    /// The bird in the air over the row at `at` (s), if there is one: its shadow.
    fn passing_at(&self, at: f64) -> Option<Shadow> {
        let next = self.passes.partition_point(|(from, ..)| *from <= at);
        let (from, shadow, speed) = self.passes.get(next.checked_sub(1)?)?;
        let gone = at - from > self.crossing(shadow, *speed);
        (!gone).then_some(Shadow { at: shadow.at + speed * (at - from), ..*shadow })
    }

    /// The bird on the frame at `at` (s), if there is one: its shadow.
    fn perching_at(&self, at: f64) -> Option<Shadow> {
        let next = self.perches.partition_point(|(from, ..)| *from <= at);
        let (from, until, shadow) = self.perches.get(next.checked_sub(1)?)?;
        let there = ((at - from) / ALIGHTING).min((until - at) / ALIGHTING).clamp(0.0, 1.0);
        (there > 0.0).then_some(Shadow { opaque: shadow.opaque * there, ..*shadow })
    }
}

impl Scene for Birds {
    fn length(&self) -> Duration {
        self.length
    }

    fn setup(&self) -> Duration {
        SETUP.min(self.length / 2)
    }

    fn expose(&mut self, at: Instant, to: &mut Exposure) {
        let seconds = at.as_secs_f64();
        let shadows = [self.passing_at(seconds), self.perching_at(seconds)];
        let spacing = self.layout.spacing();
        let light = |index: usize| {
            let from = spacing * index as f64;
            let left = |shadow: &Shadow| shadow.left(from, from + spacing);
            self.full * shadows.iter().flatten().map(left).fold(1.0, f64::min)
        };
        to.each((0..self.layout.count()).map(light), CELL);
        to.sensor(self.full);
    }

    fn still_for(&self, at: Instant) -> Duration {
        let seconds = at.as_secs_f64();
        if self.passing_at(seconds).is_some() {
            return PASSING_PIECE;
        }
        // No further than to the next bird.
        let next = self.passes.partition_point(|(from, ..)| *from <= seconds);
        let left = self.passes.get(next).map_or(f64::INFINITY, |(from, ..)| from - seconds);
        REFRESH.min(Duration::from_secs_f64(left.clamp(LEAST_PIECE, 1.0)))
    }
}

/// Shortest piece (s), so that time goes on.
const LEAST_PIECE: f64 = 1e-4;
