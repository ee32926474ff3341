//! The noise that clouds are made of: one lattice of values per wavelength.
//!
//! Model: each lattice point has a value drawn uniformly from -1..1, which is a hash of the seed and
//! its cell; in between, the smooth step of fifth order, so that value and slope are continuous.
//!
//! Rejected: gradient noise (twice the hashes for a spectrum that the sum of many wavelengths hides),
//! tables of random numbers (memory, and a field that repeats).

/// Each lattice is turned against the one before by the golden angle (rad), so axes never align.
const TURN: f64 = 2.399_963_229_728_653;
/// The amplitude of a wavelength is the wavelength to this power. A straight cut through a surface of
/// roughness h meets clouds whose lengths L have the density L^-(2 - h) in the limit of endless
/// wavelengths, 1.75 here; with the nine that there are, 1.67 is measured (`sky_statistics.rs`).
const ROUGHNESS: f64 = 0.25;

/// One lattice of value noise.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Octave {
    seed: u64,
    amplitude: f64,
    /// The turn over the wavelength: lattice coordinates are (c x - s y, s x + c y).
    cosine: f64,
    sine: f64,
}

impl Octave {
    /// The `index`-th lattice of a fractal surface, of this wavelength (m).
    pub(super) fn new(seed: u64, index: u32, wavelength: f64) -> Self {
        let (sine, cosine) = (TURN * (f64::from(index) + 0.3)).sin_cos();
        Self {
            seed: mix(seed.wrapping_add(u64::from(index).wrapping_mul(0x9E37_79B9_7F4A_7C15))),
            amplitude: wavelength.powf(ROUGHNESS),
            cosine: cosine / wavelength,
            sine: sine / wavelength,
        }
    }

    /// A lattice on its own, of values in -1..=1.
    pub(super) fn alone(seed: u64, wavelength: f64) -> Self {
        Self { amplitude: 1.0, ..Self::new(mix(seed), 0, wavelength) }
    }

    /// Value (-1..=1 times the amplitude) and gradient at a point (m). `corners` remembers the cell:
    /// neighbouring questions mostly lie in the same one.
    pub(super) fn at(&self, x: f64, y: f64, corners: &mut Corners) -> [f64; 3] {
        let (cell_u, rest_u) = split(self.cosine * x - self.sine * y);
        let (cell_v, rest_v) = split(self.sine * x + self.cosine * y);
        let (fade_u, slope_u) = fade(rest_u);
        let (fade_v, slope_v) = fade(rest_v);
        let [a, b, c, d] = corners.of(self.seed, cell_u, cell_v);
        let twist = a - b - c + d;
        let value = a + (b - a) * fade_u + (c - a) * fade_v + twist * fade_u * fade_v;
        let by_u = (b - a + twist * fade_v) * slope_u;
        let by_v = (c - a + twist * fade_u) * slope_v;
        [
            self.amplitude * value,
            self.amplitude * (by_u * self.cosine + by_v * self.sine),
            self.amplitude * (by_v * self.cosine - by_u * self.sine),
        ]
    }
}

/// The values at the corners of the cell last asked for.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Corners {
    cell: Option<(i64, i64)>,
    values: [f64; 4],
}

impl Corners {
    fn of(&mut self, seed: u64, u: i64, v: i64) -> [f64; 4] {
        if self.cell != Some((u, v)) {
            let corner = |du: i64, dv: i64| lattice(seed, u.wrapping_add(du), v.wrapping_add(dv));
            self.values = [corner(0, 0), corner(1, 0), corner(0, 1), corner(1, 1)];
            self.cell = Some((u, v));
        }
        self.values
    }
}

/// Whole part, rounded down, and the rest in 0..=1. `floor` is a call on the plainest x86-64; this
/// is a few instructions.
#[expect(clippy::cast_possible_truncation, reason = "lattice cells; saturates far outside")]
#[expect(clippy::cast_precision_loss, reason = "lattice cells; exact to 2^53")]
fn split(value: f64) -> (i64, f64) {
    let cut = value as i64;
    let cell = cut.saturating_sub(i64::from(value < cut as f64));
    (cell, (value - cell as f64).clamp(0.0, 1.0))
}

/// Smooth step with vanishing first and second derivatives at both ends, and its slope.
fn fade(t: f64) -> (f64, f64) {
    let rest = 1.0 - t;
    (t * t * t * (t * (t * 6.0 - 15.0) + 10.0), 30.0 * t * t * rest * rest)
}

/// Finaliser of a 64-bit hash (S. Vigna, SplitMix64, public domain).
fn mix(mut bits: u64) -> u64 {
    bits = (bits ^ (bits >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    bits = (bits ^ (bits >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    bits ^ (bits >> 31)
}

/// Value of a lattice point, uniform in -1..1.
#[expect(clippy::cast_precision_loss, reason = "53 bits")]
fn lattice(seed: u64, u: i64, v: i64) -> f64 {
    let cell = u.cast_unsigned().wrapping_mul(0x9E37_79B9_7F4A_7C15)
        ^ v.cast_unsigned().wrapping_mul(0xC2B2_AE3D_27D4_EB4F).rotate_left(32);
    (mix(seed ^ cell) >> 11) as f64 * (2.0 / 9_007_199_254_740_992.0) - 1.0
}
