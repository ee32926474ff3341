//! How an instrument distorts what it measures.

use rand::SeedableRng;
use rand_distr::{Distribution, StandardNormal};
use rand_xoshiro::Xoshiro256PlusPlus;

/// A seeded source of normal deviates.
#[derive(Clone, Debug)]
pub struct Noise(Xoshiro256PlusPlus);

impl Noise {
    /// The same seed gives the same deviates.
    #[must_use]
    pub fn new(seed: u64) -> Self {
        Self(Xoshiro256PlusPlus::seed_from_u64(seed))
    }

    /// One deviate of the standard normal distribution.
    pub fn draw(&mut self) -> f64 {
        StandardNormal.sample(&mut self.0)
    }
}

/// A meter: reading = round((true (1 + gain) + offset + noise) / resolution) resolution, held
/// within its range. All in the unit of what it measures.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Meter {
    /// Relative gain error.
    pub gain: f64,
    /// Offset.
    pub offset: f64,
    /// Standard deviation of the noise of one reading.
    pub noise: f64,
    /// Smallest step; 0 for none.
    pub resolution: f64,
    /// Largest magnitude it can show.
    pub range: f64,
}

impl Meter {
    /// Noise of 1e-4 and resolution of 1e-5 of `range`, no gain or offset error (invented).
    #[must_use]
    pub fn of_range(range: f64) -> Self {
        Self { gain: 0.0, offset: 0.0, noise: range * 1e-4, resolution: range * 1e-5, range }
    }

    /// What it shows for `value`.
    ///
    /// ```
    /// use cresthold_sim::bench::{Meter, Noise};
    /// let meter = Meter { gain: 0.01, offset: 0.5, noise: 0.0, resolution: 0.1, range: 60.0 };
    /// // 20 * 1.01 + 0.5 = 20.7
    /// assert!((meter.read(20.0, &mut Noise::new(1)) - 20.7).abs() < 1e-12);
    /// assert_eq!(meter.read(900.0, &mut Noise::new(1)), 60.0);
    /// ```
    pub fn read(&self, value: f64, noise: &mut Noise) -> f64 {
        let mut shown = value * (1.0 + self.gain) + self.offset;
        if self.noise > 0.0 {
            shown += self.noise * noise.draw();
        }
        if self.resolution > 0.0 {
            shown = (shown / self.resolution).round() * self.resolution;
        }
        shown.clamp(-self.range, self.range)
    }
}
