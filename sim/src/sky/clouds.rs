//! Clouds that pass over the array: a frozen field, moved by the wind aloft.
//!
//! Model: a height field n(x, y) is the sum of value noise of halving wavelengths, each lattice
//! turned against the others, amplitudes falling as a power of the wavelength; there is cloud where n
//! exceeds a threshold, which is set for the cover (cloud fields as fractal surfaces: Beyer et al.
//! 1994, from memory). The field is infinite and takes no memory: every lattice value is a hash of the
//! seed and its cell.
//!
//! A place sees n at (place - velocity t), so what one place sees another sees later by the
//! distance over the speed. With s the distance (m) to the cloud's outline, positive in the sun,
//! near the outline (threshold - n) / |grad n|, farther off by the mean slope:
//!
//! - shade c(s) = 1 / (1 + exp(s/b)), b = edge / (2 ln 9): `edge` is its length from 10 to 90 %. At a
//!   constant speed that is the logistic passage in time of Lappalainen and Valkealahti (2015, Solar
//!   Energy 112, 55-67, from memory);
//! - glare g(s) = (1 - c) B / (1 + x)^2 with x = (s - edge) / [`GLARE_REACH`] where positive: light
//!   that the sunlit flank of a cloud adds, B from flank to flank between 0 and 1;
//! - direct = clear direct (1 - c o), o the cloud's opacity, which differs from cloud to cloud;
//! - diffuse = clear diffuse + [`SCATTERED`] (clear - direct) cos z + e g clear global.
//!
//! The global irradiance never exceeds (1 + e) times the clear sky's, e the enhancement.
//!
//! # What the field has of published statistics
//!
//! Measured by `sim/tests/sky_statistics.rs` and `sky_array.rs`, which print more:
//!
//! | what | published | this field |
//! |---|---|---|
//! | density of shadow lengths | power law over decades (Mol et al. 2023, JGR Atmos. 128, abstract); cloud chords L^-1.66 (Wood & Field 2011, from memory) | L^-1.67 from 750 m to 48 km with the largest wavelength |
//! | cover | as asked | within 0.021 along 22 000 km; single hours differ, by 0.10 (1 sigma) with wavelengths up to 3200 m |
//! | where it departs | below some 750 m, from the edges' transparency (Mol et al.) | 0.83 of the law at 1 km, 0.55 at 500 m, 0.3 at 250 m |
//! | apparent speed of edges | mean 9 m/s, wide spread (Lappalainen & Valkealahti 2016, Solar Energy, abstract) | 9.1 m/s, nine in ten from 5 m/s up, at the usual 11 m/s: edges are met at all angles |
//! | length of edges | typically 100 m (the same) | 93 m (half), 80 to 104 m |
//! | duration, 10 to 90 % | 11 s from these two | mean 12.0 s, half below 9.4 s |
//! | shape | logistic (the same, 2015, from memory) | within 0.025 (half of them), 0.08 (90 %) |
//! | enhancements | as many as shadows, over fewer scales (Mol et al.) | 1.4 for each shadow; 99 % below 4.5 km, of the shadows 22 km |
//! | largest | 1.5 times clear sky and more (Yordanov et al. 2013, IEEE JPV 3(1), abstract) | as asked, reached |
//! | longest excess above 400, 200 W/m2 | 20 s, 140 s in two summers (Schade et al. 2007, Meteorol. Z. 16, abstract) | 90 % below 25 s, 99 % below 94 s, **but** 70 s and 205 s at the longest in 1000 hours |
//! | deviation within a minute | 61 W/m2 (recorded day of broken cloud) | 61 W/m2, **but** half of the minutes are calmer than 4 W/m2, of the record's 16 W/m2 |
//! | smoothing by an array | wavelet variability model (Lave, Kleissl, Stein 2013) | agrees from 8 s (200 m) or 128 s (1000 m) up, **not** below: the field is frozen |
//!
//! So an engineer may trust its passages, sizes and strengths; calm stretches are calmer than real ones,
//! as thin and distant cloud is missing.
//!
//! What is left out: clouds that change while they pass, layers, the parallax of a low sun.
//! Rejected: wavelet variability as a generator (it smooths a measured series and has no places);
//! two-state chains in time (no space either); discs as clouds (outlines too smooth, one size each);
//! one distance for all by the local slope (far from a cloud its glare would flicker).

mod noise;

use super::{Place, Sky, SkyState};
use crate::quantities::{Irradiance, MetresPerSecond};
use crate::time::Utc;
use noise::{Corners, Octave};
use std::time::Duration;

/// How far the glare of a cloud's flank reaches (m): at this distance beyond the edge it has fallen to a
/// quarter. Set so that excess lasts as long as published (module documentation).
pub const GLARE_REACH: f64 = 400.0;
/// Share of the light that a cloud takes from the beam and that reaches the ground as diffuse. The
/// day recorded at Payerne has 100 W/m2 of diffuse in clear minutes and 200 to 250 in shadow, with
/// 850 W/m2 of beam on the horizontal lost.
pub const SCATTERED: f64 = 0.15;
/// Longest wavelength taken (m): with edges of 100 m nine octaves, all that are summed.
pub const LARGEST: f64 = 102_400.0;
/// Most wavelengths summed.
const MOST_OCTAVES: usize = 10;
/// Shortest wavelength in edge lengths: below it the distance to the outline is badly estimated, and
/// shadows are rarer than the power law has them, as they are in the sky.
const SHORTEST_IN_EDGES: f64 = 3.0;
/// Points by which the threshold is found: the cover is then met within 0.5 %.
const CALIBRATION_POINTS: i32 = 16_384;
/// Distance between calibration points in the longest wavelength: far enough to be independent.
const CALIBRATION_STEP: f64 = 1.37;
/// Least slope by which a distance is judged, in root mean square slopes: on a saddle the estimate
/// would grow without bound.
const LEAST_SLOPE: f64 = 0.3;
/// Wavelength (m) of the noise by which single clouds differ in opacity.
const OPACITY_WAVELENGTH: f64 = 2000.0;
/// Wavelength (m) of the noise by which the sunlit flanks differ in brightness.
const BRIGHTNESS_WAVELENGTH: f64 = 1000.0;
/// How far the brightness of single clouds lies to either side of a half (share of the largest
/// enhancement), cut to 0..=1.
const BRIGHTNESS_SPREAD: f64 = 0.5;
/// Length of the logistic function over its length from 10 to 90 %: 2 ln 9.
const EDGE_PER_SCALE: f64 = 4.394_449_154_672_439;
/// A share of shadow or of sun below this changes nothing that anybody could measure.
const UNSEEN: f64 = 1e-9;
/// How many of the finest wavelengths say nothing about a cloud some hundred metres away.
const FINE_OCTAVES: usize = 2;
/// A height that no point of a field comes near, those being some hundreds.
const OUT_OF_REACH: f64 = 1e12;
/// Out to this many scales from the outline the slope there tells its distance.
const NEAR: f64 = 8.0;
/// Distances beyond this many scales are deep in shadow or in the sun: exp(-40) is 4e-18.
const FAR: f64 = 40.0;

/// What kind of clouds pass, and how.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Clouds {
    /// Share of the sky they cover, counting edges by half (0..=1).
    pub cover: f64,
    /// How fast they move (m/s, 0..=60). Edges, met at all angles, pass at 0.83 of it in the mean.
    pub speed: MetresPerSecond,
    /// Where they move to (degrees clockwise from north, 0..=360).
    pub towards: f64,
    /// Longest wavelength of the field (m, at least six edges, up to [`LARGEST`]): the scale of the
    /// largest clouds.
    pub largest: f64,
    /// Length of the passage from sun to shadow, from 10 to 90 % (m, 1..=2000).
    pub edge: f64,
    /// Mean share of the beam that a cloud takes (0..=1); single clouds differ.
    pub opacity: f64,
    /// Largest enhancement above the clear sky's global irradiance (share, 0..=0.8).
    pub enhancement: f64,
}

/// Fair-weather cumulus.
impl Default for Clouds {
    fn default() -> Self {
        Self {
            cover: 0.4,
            speed: MetresPerSecond(11.0),
            towards: 90.0,
            largest: 12_800.0,
            edge: 100.0,
            opacity: 0.95,
            enhancement: 0.3,
        }
    }
}

/// Why [`Clouds`] were refused.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
#[error("clouds: {what} {value} is out of range; give {least}..={greatest} {unit}")]
pub struct CloudsError {
    /// Which number.
    pub what: &'static str,
    /// The number given.
    pub value: f64,
    /// Least value taken.
    pub least: f64,
    /// Greatest value taken.
    pub greatest: f64,
    /// Unit of the three.
    pub unit: &'static str,
}

impl Clouds {
    fn check(&self) -> Result<(), CloudsError> {
        let ranges = [
            ("cover", self.cover, 0.0, 1.0, "of the sky"),
            ("speed", self.speed.0, 0.0, 60.0, "m/s"),
            ("towards", self.towards, 0.0, 360.0, "degrees clockwise from north"),
            ("edge", self.edge, 1.0, 2000.0, "m"),
            ("largest", self.largest, 2.0 * SHORTEST_IN_EDGES * self.edge, LARGEST, "m"),
            ("opacity", self.opacity, 0.0, 1.0, "of the beam"),
            ("enhancement", self.enhancement, 0.0, 0.8, "of the clear sky"),
        ];
        for (what, value, least, greatest, unit) in ranges {
            if !(least..=greatest).contains(&value) {
                return Err(CloudsError { what, value, least, greatest, unit });
            }
        }
        Ok(())
    }
}

/// What the clouds do to the light at one place and moment.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Shade {
    /// How deep in shadow the place is (0 in the sun, 1 behind the edge).
    pub depth: f64,
    /// Share of the beam that this cloud takes where it is deep (0..=1); the mean in the sun.
    pub opacity: f64,
    /// Light from the flank of a cloud (0..=1 of the enhancement).
    pub glare: f64,
}

/// The field of clouds, frozen and moving.
#[derive(Clone, Debug)]
pub struct CloudField {
    clouds: Clouds,
    /// Velocity east and north (m/s).
    velocity: [f64; 2],
    octaves: [Octave; MOST_OCTAVES],
    count: usize,
    opacity: Octave,
    brightness: Octave,
    threshold: f64,
    /// One over the scale of the logistic edge (1/m).
    inverse_scale: f64,
    /// Root mean square slope of the surface.
    mean_slope: f64,
    /// The same without its finest wavelengths.
    coarse_slope: f64,
}

/// Where the field was last asked, octave by octave.
#[derive(Clone, Copy, Debug, Default)]
struct Memory {
    octaves: [Corners; MOST_OCTAVES],
    opacity: Corners,
    brightness: Corners,
}

/// Height and its gradient (per m), whole and without the finest wavelengths.
struct Surface {
    fine: [f64; 3],
    coarse: [f64; 3],
}

impl CloudField {
    /// A field of such clouds; `seed` chooses which. Its threshold is found by sampling the field,
    /// which takes a few milliseconds.
    ///
    /// # Errors
    /// [`CloudsError`] names the number that is out of range.
    pub fn new(clouds: Clouds, seed: u64) -> Result<Self, CloudsError> {
        clouds.check()?;
        let mut octaves = [Octave::default(); MOST_OCTAVES];
        let mut wavelength = clouds.largest;
        let mut count = 0;
        while count < MOST_OCTAVES && wavelength >= SHORTEST_IN_EDGES * clouds.edge {
            octaves[count] = Octave::new(seed, u32::try_from(count).unwrap_or(0), wavelength);
            wavelength *= 0.5;
            count += 1;
        }
        let (sine, cosine) = clouds.towards.to_radians().sin_cos();
        let mut field = Self {
            clouds,
            velocity: [clouds.speed.0 * sine, clouds.speed.0 * cosine],
            octaves,
            count,
            opacity: Octave::alone(seed ^ 0x6F70_6163_6974_7921, OPACITY_WAVELENGTH),
            brightness: Octave::alone(seed ^ 0x6272_6967_6874_6572, BRIGHTNESS_WAVELENGTH),
            threshold: 0.0,
            inverse_scale: EDGE_PER_SCALE / clouds.edge,
            mean_slope: 1.0,
            coarse_slope: 1.0,
        };
        field.calibrate();
        Ok(field)
    }

    /// Threshold for the cover, and the root mean square slope.
    fn calibrate(&mut self) {
        let step = CALIBRATION_STEP * self.clouds.largest;
        let side = f64::from(CALIBRATION_POINTS).sqrt();
        let (mut slopes, mut coarse_slopes) = (0.0, 0.0);
        let mut memory = Memory::default();
        let mut heights: Vec<f64> = (0..CALIBRATION_POINTS)
            .map(|index| {
                let (row, column) = ((f64::from(index) / side).floor(), f64::from(index) % side);
                let Surface { fine, coarse } = self.height(column * step, row * step, &mut memory);
                slopes += fine[1] * fine[1] + fine[2] * fine[2];
                coarse_slopes += coarse[1] * coarse[1] + coarse[2] * coarse[2];
                fine[0]
            })
            .collect();
        let points = f64::from(CALIBRATION_POINTS);
        self.mean_slope = (slopes / points).sqrt();
        self.coarse_slope = (coarse_slopes / points).sqrt();
        heights.sort_unstable_by(f64::total_cmp);
        #[expect(clippy::cast_possible_truncation, reason = "0..=16384")]
        #[expect(clippy::cast_sign_loss, reason = "0..=16384")]
        let sunny = ((1.0 - self.clouds.cover) * points) as usize;
        self.threshold = if self.clouds.cover <= 0.0 {
            OUT_OF_REACH
        } else if sunny == 0 {
            -OUT_OF_REACH
        } else {
            heights[sunny.min(heights.len() - 1)]
        };
    }

    /// The kind of clouds.
    #[must_use]
    pub const fn clouds(&self) -> &Clouds {
        &self.clouds
    }

    fn height(&self, x: f64, y: f64, memory: &mut Memory) -> Surface {
        let mut sum = [0.0; 3];
        let mut coarse = sum;
        let fine = self.count.saturating_sub(FINE_OCTAVES).max(1);
        let octaves = self.octaves[..self.count].iter().zip(&mut memory.octaves);
        for (index, (octave, corners)) in octaves.enumerate() {
            if index == fine {
                coarse = sum;
            }
            let part = octave.at(x, y, corners);
            sum = [sum[0] + part[0], sum[1] + part[1], sum[2] + part[2]];
        }
        Surface { fine: sum, coarse: if fine < self.count { coarse } else { sum } }
    }

    /// Distances to the outline (m), positive in the sun, for edge and for glare.
    fn distances(&self, surface: &Surface) -> (f64, f64) {
        let [height, east, north] = surface.fine;
        let mean = self.mean_slope;
        let least = LEAST_SLOPE * mean;
        let slope = (east * east + north * north).max(least * least).sqrt();
        let below = self.threshold - height;
        let (near, far) = (below / slope, below / mean);
        let share = far * self.inverse_scale / NEAR;
        let here = 1.0 / (1.0 + share * share);
        let rough = ((self.threshold - surface.coarse[0]) / self.coarse_slope).max(0.0);
        (far + (near - far) * here, rough + (near - rough) * here)
    }

    /// What the clouds do at `place` at `at`.
    ///
    /// ```
    /// use cresthold_sim::sky::{Place, clouds::{CloudField, Clouds}};
    /// use std::time::Duration;
    /// let field = CloudField::new(Clouds::default(), 7).unwrap(); // eastward at 11 m/s
    /// let at = "2016-06-15T12:00:00Z".parse().unwrap();
    /// let here = field.shade(at, Place::default());
    /// let there = field.shade(at + Duration::from_secs(50), Place { east: 550.0, north: 0.0 });
    /// assert!((here.depth - there.depth).abs() < 1e-6); // 550 m later by 50 s
    /// ```
    #[must_use]
    pub fn shade(&self, at: Utc, place: Place) -> Shade {
        self.shade_near(at, place, &mut Memory::default())
    }

    /// What the clouds do at the middle of the array, from `from` on in steps of `step`: as many moments
    /// as `into` has.
    pub fn pass(&self, from: Utc, step: Duration, into: &mut [Shade]) {
        let mut memory = Memory::default();
        let mut at = from;
        for shade in into {
            *shade = self.shade_near(at, Place::default(), &mut memory);
            at = at + step;
        }
    }

    /// The same, faster for places and times near those of the last question.
    #[expect(clippy::cast_precision_loss, reason = "32 us at the far end of time; 0.3 mm of cloud")]
    fn shade_near(&self, at: Utc, place: Place, memory: &mut Memory) -> Shade {
        let seconds = at.as_micros() as f64 * 1e-6;
        let x = place.east - self.velocity[0] * seconds;
        let y = place.north - self.velocity[1] * seconds;
        let (into_sun, from_cloud) = self.distances(&self.height(x, y, memory));
        let depth = 1.0 / (1.0 + (into_sun * self.inverse_scale).clamp(-FAR, FAR).exp());
        let mean = self.clouds.opacity;
        // In the sun nobody sees how opaque a cloud would be, behind it nobody how bright.
        let varied =
            if depth > UNSEEN { self.opacity.at(x, y, &mut memory.opacity)[0] } else { 0.0 };
        let opacity = mean + varied * mean.min(1.0 - mean);
        let lit = 1.0 - depth;
        let glare = if lit > UNSEEN {
            let beyond = 1.0 + (from_cloud - self.clouds.edge).max(0.0) / GLARE_REACH;
            let brightness =
                0.5 + BRIGHTNESS_SPREAD * self.brightness.at(x, y, &mut memory.brightness)[0];
            lit * brightness.clamp(0.0, 1.0) / (beyond * beyond)
        } else {
            0.0
        };
        Shade { depth, opacity, glare }
    }
}

/// A clear sky with clouds passing under it.
///
/// ```
/// use cresthold_sim::sky::clear::{ClearSky, Weather};
/// use cresthold_sim::sky::clouds::{CloudySky, Clouds};
/// use cresthold_sim::sky::{Place, Sky, sun::Site};
/// let site = Site::new(46.815, 6.944, 491.0).unwrap();
/// let clear = ClearSky::new(site, Weather::default()).unwrap();
/// let mut sky = CloudySky::new(clear, Clouds { cover: 1.0, ..Clouds::default() }, 1).unwrap();
/// let noon = sky.state("2016-06-15T11:33:00Z".parse().unwrap(), Place::default());
/// assert!(noon.direct.0 < 300.0 && noon.diffuse.0 > 150.0); // overcast
/// ```
#[derive(Clone, Debug)]
pub struct CloudySky<S> {
    clear: S,
    field: CloudField,
    memory: Memory,
}

impl<S: Sky> CloudySky<S> {
    /// `clear` with clouds below; `seed` chooses the field.
    ///
    /// # Errors
    /// [`CloudsError`] names the number that is out of range.
    pub fn new(clear: S, clouds: Clouds, seed: u64) -> Result<Self, CloudsError> {
        Ok(Self { clear, field: CloudField::new(clouds, seed)?, memory: Memory::default() })
    }

    /// The field of clouds.
    #[must_use]
    pub const fn field(&self) -> &CloudField {
        &self.field
    }

    /// The sky above the clouds.
    #[must_use]
    pub const fn above(&mut self) -> &mut S {
        &mut self.clear
    }
}

impl<S: Sky> Sky for CloudySky<S> {
    /// Time may go wherever the clear sky lets it.
    fn state(&mut self, at: Utc, place: Place) -> SkyState {
        let clear = self.clear.state(at, place);
        if clear.global.0 <= 0.0 {
            return clear;
        }
        let shade = self.field.shade_near(at, place, &mut self.memory);
        let up = clear.sun.up.max(0.0);
        let taken = clear.direct.0 * shade.depth * shade.opacity;
        let added =
            SCATTERED * taken * up + self.field.clouds.enhancement * shade.glare * clear.global.0;
        let direct = clear.direct.0 - taken;
        let diffuse = clear.diffuse.0 + added;
        SkyState {
            global: Irradiance(direct * up + diffuse),
            direct: Irradiance(direct),
            diffuse: Irradiance(diffuse),
            ..clear
        }
    }
}
