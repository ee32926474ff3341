//! A concentrator whose mount does not point quite at the sun.
//!
//! Model: the receiver has the direct light times an acceptance A(t), t the angle (degrees) between
//! axis and sun: A = 0.9^((t/t90)^4), flat on top, 90 % at the acceptance angle t90 and 18 % at twice
//! that. The two components of t are sums of
//!
//! - the mount's slow error: [`SLOW_TONES`] sines with periods from 40 s to 600 s (flexure, wind load,
//!   clock), and the sun's own travel between two moves of the mount, a sawtooth of 0.0042 degrees a
//!   second in one component;
//! - its jitter in gusts: noise of the one-sided spectrum S(f) = (2/pi) (s^2/fc) / (1 + (f/fc)^2)
//!   from [`LOWEST`] to [`HIGHEST`], s the root mean square and fc the corner, as [`TONES`] sines with
//!   drawn phases, each with the variance of its band.
//!
//! So it is a plain function of time, and its spectrum is what is stated (held by a test). Figures
//! of the usual size, not of any mount. The sensor has a mount of its own and sees all direct light.
//!
//! Rejected: filtered white noise (its state depends on when it is asked), acceptance as a Gaussian
//! (optics are flat on top, so that small jitter costs nothing and large jitter much).

use super::outdoors::Stay;
use super::warmth::{Warmth, Weather};
use super::{Exposure, Scene};
use crate::quantities::Irradiance;
use crate::sky::{Place, Sky};
use crate::time::Instant;
use rand::{RngExt, SeedableRng};
use rand_xoshiro::Xoshiro256PlusPlus;
use std::f64::consts::{PI, TAU};
use std::time::Duration;

/// Sines of the jitter, per component.
pub const TONES: usize = 12;
/// Sines of the slow error, per component.
pub const SLOW_TONES: usize = 3;
/// Lowest and highest frequency of the jitter (Hz).
pub const LOWEST: f64 = 0.02;
/// (Hz).
pub const HIGHEST: f64 = 5.0;
/// The sun's travel (degrees per second).
const TRAVEL: f64 = 360.0 / 86_400.0;
/// A tracker finds the crest in it (s).
const SETUP: Duration = Duration::from_secs(60);

/// How well a mount points.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Mount {
    /// Acceptance angle t90 (degrees, above zero).
    pub acceptance: f64,
    /// Root mean square of the slow error, per component (degrees).
    pub slow: f64,
    /// Root mean square of the jitter, per component (degrees).
    pub jitter: f64,
    /// Corner of the jitter's spectrum (Hz, above zero).
    pub corner: f64,
    /// From one move of the mount to the next (s).
    pub moves: f64,
}

/// An invented mount in a breeze: light falls by some percent in a gust.
impl Default for Mount {
    fn default() -> Self {
        Self { acceptance: 0.8, slow: 0.25, jitter: 0.15, corner: 0.5, moves: 10.0 }
    }
}

impl Mount {
    /// Share of the light that is accepted at an angle (degrees).
    ///
    /// ```
    /// use cresthold_sim::scene::pointing::Mount;
    /// let mount = Mount { acceptance: 0.8, ..Mount::default() };
    /// assert_eq!(mount.accepted(0.0), 1.0);
    /// assert!((mount.accepted(0.8) - 0.9).abs() < 1e-12);
    /// assert!((mount.accepted(1.6) - 0.185_302).abs() < 1e-6); // 0.9^16
    /// ```
    #[must_use]
    pub fn accepted(&self, angle: f64) -> f64 {
        let share = (angle / self.acceptance).powi(2);
        0.9_f64.powf(share * share)
    }
}

/// One sine: amplitude (degrees), frequency (Hz), phase (rounds).
#[derive(Clone, Copy, Debug, Default)]
struct Tone {
    amplitude: f64,
    frequency: f64,
    phase: f64,
}

impl Tone {
    /// Its value at a time (s).
    fn at(&self, seconds: f64) -> f64 {
        // The sine of a large argument is slow: whole rounds are taken off first.
        let rounds = self.frequency * seconds + self.phase;
        self.amplitude * (TAU * (rounds - rounds.trunc())).sin()
    }
}

/// Error of pointing in time.
#[derive(Clone, Debug)]
pub struct Pointing {
    mount: Mount,
    tones: [[Tone; TONES + SLOW_TONES]; 2],
    /// Where in its round the mount begins (s).
    phase: f64,
}

impl Pointing {
    /// The error of such a mount; `seed` chooses phases.
    #[must_use]
    pub fn new(mount: Mount, seed: u64) -> Self {
        let mut random = Xoshiro256PlusPlus::seed_from_u64(seed);
        let tones = std::array::from_fn(|_| {
            std::array::from_fn(|index| match index.checked_sub(TONES) {
                None => jitter(&mount, index, &mut random),
                Some(_) => slow(&mount, &mut random),
            })
        });
        Self { mount, tones, phase: mount.moves * random.random_range(0.0..1.0) }
    }

    /// Both components of the error (degrees) at `at` (s).
    #[must_use]
    pub fn error(&self, at: f64) -> [f64; 2] {
        let sum = |tones: &[Tone]| tones.iter().map(|tone| tone.at(at)).sum();
        let [mut along, across]: [f64; 2] = std::array::from_fn(|k| sum(&self.tones[k]));
        let since = (at + self.phase) % self.mount.moves;
        along += TRAVEL * (since - 0.5 * self.mount.moves);
        [along, across]
    }

    /// Share of the direct light that the receiver has at `at` (s).
    #[must_use]
    pub fn accepted(&self, at: f64) -> f64 {
        let [along, across] = self.error(at);
        self.mount.accepted(along.hypot(across))
    }
}

fn jitter(mount: &Mount, index: usize, random: &mut Xoshiro256PlusPlus) -> Tone {
    let edge = |index: usize| LOWEST * (HIGHEST / LOWEST).powf(index as f64 / TONES as f64);
    let part = |f: f64| (2.0 / PI) * (f / mount.corner).atan();
    let (low, high) = (edge(index), edge(index + 1));
    // What lies outside the limits is given to the bands inside.
    let variance = mount.jitter.powi(2) * (part(high) - part(low)) / (part(HIGHEST) - part(LOWEST));
    let frequency = random.random_range(low..high);
    Tone { amplitude: (2.0 * variance).sqrt(), frequency, phase: random.random_range(0.0..1.0) }
}

fn slow(mount: &Mount, random: &mut Xoshiro256PlusPlus) -> Tone {
    let variance = mount.slow.powi(2) / SLOW_TONES as f64;
    Tone {
        amplitude: (2.0 * variance).sqrt(),
        frequency: 1.0 / random.random_range(40.0..600.0),
        phase: random.random_range(0.0..1.0),
    }
}

/// A receiver on such a mount under a sky.
#[derive(Clone, Debug)]
pub struct Aimed<S> {
    sky: S,
    stay: Stay,
    pointing: Pointing,
    warmth: Warmth,
}

impl<S: Sky> Aimed<S> {
    /// A receiver under `sky`. The mounting of `stay` says what the sensor sees: two axes, for direct
    /// light.
    #[must_use]
    pub fn new(mut sky: S, stay: Stay, pointing: Pointing) -> Self {
        let start = weather(&mut sky, &stay, &pointing, Instant::ZERO);
        let warmth = Warmth::settled(stay.thermal, start);
        Self { sky, stay, pointing, warmth }
    }
}

fn weather(sky: &mut impl Sky, stay: &Stay, pointing: &Pointing, at: Instant) -> Weather {
    let state = sky.state(stay.began + at.saturating_since(Instant::ZERO), Place::default());
    let light = stay.mounting.irradiance(&state) * pointing.accepted(at.as_secs_f64());
    (light, state.air, state.wind)
}

impl<S: Sky> Scene for Aimed<S> {
    fn length(&self) -> Duration {
        self.stay.length
    }

    fn setup(&self) -> Duration {
        SETUP.min(self.stay.length / 2)
    }

    fn expose(&mut self, at: Instant, to: &mut Exposure) {
        let Self { sky, stay, pointing, warmth } = self;
        let cell = warmth.at(at, |middle| weather(sky, stay, pointing, middle));
        let state = sky.state(stay.began + at.saturating_since(Instant::ZERO), Place::default());
        let direct = stay.mounting.irradiance(&state);
        let light = Irradiance(direct.0 * pointing.accepted(at.as_secs_f64()));
        to.uniform(light, cell);
        to.sensor(direct);
        to.back_of_module(warmth.back(cell, light));
    }
}
