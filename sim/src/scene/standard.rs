//! The test sequences of EN 50530:2010+A1:2013 and IEC 62891:2020: ramps, and levels that stay.
//!
//! Model: a dynamic sequence waits at its low level for 300 s, which don't count, then goes up, dwells,
//! goes down and dwells, so many times ([`Sequence`], [`Ramps`]). A static one stays where the device
//! has a stated share of its rated power ([`Steady`]). Temperature is the same all the time.
//!
//! All figures are from memory of the standards (Annex B); the totals that they print, 15 939 s and
//! 6 987 s with the setup, follow from slopes and numbers of repetitions, as a test shows.
//!
//! A ramp lasts exactly as long as its slope demands; the standards print whole seconds.
//!
//! Rejected: the static levels at the least and largest voltage of an inverter's range. A load has one
//! range, and a device of another voltage is another device.

use super::{Exposure, REFRESH, Scene};
use crate::device::Source;
use crate::quantities::{Celsius, Irradiance, STC_IRRADIANCE, STC_TEMPERATURE, Watts};
use crate::time::Instant;
use std::time::Duration;

/// How long a sequence waits before it counts: the tracker finds the crest (s).
pub const SETUP: Duration = Duration::from_secs(300);
/// How long a static level is measured, after [`SETUP`] (s).
pub const STATIC_SPAN: Duration = Duration::from_secs(600);
/// The static levels, as shares of the rated power.
pub const LEVELS: [f64; 8] = [0.05, 0.10, 0.20, 0.25, 0.30, 0.50, 0.75, 1.00];
/// European weights of static levels (from memory): share of the rated power and weight.
pub const EUROPEAN: [(f64, f64); 6] =
    [(0.05, 0.03), (0.10, 0.06), (0.20, 0.13), (0.30, 0.10), (0.50, 0.48), (1.00, 0.20)];
/// Weights of the California Energy Commission (from memory), likewise.
pub const CEC: [(f64, f64); 6] =
    [(0.10, 0.04), (0.20, 0.05), (0.30, 0.12), (0.50, 0.21), (0.75, 0.53), (1.00, 0.05)];

/// One dynamic sequence.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sequence {
    /// Between these levels (W/m2).
    pub low: Irradiance,
    /// The upper level (W/m2).
    pub high: Irradiance,
    /// How steeply (W/m2/s).
    pub slope: f64,
    /// How often up and down.
    pub times: u32,
    /// How long it stays at each level (s).
    pub dwell: Duration,
}

impl Sequence {
    const fn low_medium(slope: f64, times: u32) -> Self {
        let dwell = Duration::from_secs(10);
        Self { low: Irradiance(100.0), high: Irradiance(500.0), slope, times, dwell }
    }

    const fn medium_high(slope: f64, times: u32) -> Self {
        let dwell = Duration::from_secs(10);
        Self { low: Irradiance(300.0), high: Irradiance(1000.0), slope, times, dwell }
    }

    /// Its name: range and slope.
    ///
    /// ```
    /// use cresthold_sim::scene::standard::{LOW_MEDIUM, START_UP};
    /// assert_eq!(LOW_MEDIUM[0].name(), "low-0.5");
    /// assert_eq!(START_UP.name(), "start-up");
    /// ```
    #[must_use]
    pub fn name(&self) -> String {
        if *self == START_UP {
            return "start-up".to_owned();
        }
        let range = if self.high >= STC_IRRADIANCE { "high" } else { "low" };
        format!("{range}-{}", self.slope)
    }

    /// The sequence as a scene, cells at `cell` (degC; the standards' 25).
    #[must_use]
    pub fn scene(&self, cell: Celsius) -> Ramps {
        let (ramp, dwell) = (self.ramp_seconds(), self.dwell.as_secs_f64());
        let cycle = (Duration::from_secs_f64(ramp) + self.dwell) * 2;
        Ramps {
            sequence: *self,
            cell,
            length: SETUP + cycle * self.times,
            ramp,
            dwell,
            cycle: 2.0 * (ramp + dwell),
            rise: self.slope * (self.high - self.low).0.signum(),
        }
    }

    fn ramp_seconds(&self) -> f64 {
        (self.high - self.low).0.abs() / self.slope
    }
}

/// Low to medium irradiance, 10 % to 50 %.
pub const LOW_MEDIUM: [Sequence; 11] = [
    Sequence::low_medium(0.5, 2),
    Sequence::low_medium(1.0, 2),
    Sequence::low_medium(2.0, 3),
    Sequence::low_medium(3.0, 4),
    Sequence::low_medium(5.0, 6),
    Sequence::low_medium(7.0, 8),
    Sequence::low_medium(10.0, 10),
    Sequence::low_medium(14.0, 10),
    Sequence::low_medium(20.0, 10),
    Sequence::low_medium(30.0, 10),
    Sequence::low_medium(50.0, 10),
];

/// Medium to high irradiance, 30 % to 100 %.
pub const MEDIUM_HIGH: [Sequence; 6] = [
    Sequence::medium_high(10.0, 10),
    Sequence::medium_high(14.0, 10),
    Sequence::medium_high(20.0, 10),
    Sequence::medium_high(30.0, 10),
    Sequence::medium_high(50.0, 10),
    Sequence::medium_high(100.0, 10),
];

/// Start-up and shut-down, 0.2 % to 10 %.
pub const START_UP: Sequence = Sequence {
    low: Irradiance(2.0),
    high: Irradiance(100.0),
    slope: 0.1,
    times: 1,
    dwell: Duration::from_secs(30),
};

/// The 17 dynamic sequences in the standards' order.
pub fn sequences() -> impl Iterator<Item = Sequence> {
    LOW_MEDIUM.into_iter().chain(MEDIUM_HIGH)
}

/// Up, dwell, down, dwell, after a setup at the low level.
///
/// ```
/// use cresthold_sim::quantities::Celsius;
/// use cresthold_sim::scene::{Exposure, Scene, standard::MEDIUM_HIGH};
/// use cresthold_sim::time::Instant;
/// use std::time::Duration;
/// // 100 W/m2/s: 307 s are 7 s up from 300 W/m2, ten times in 640 s.
/// let mut steepest = MEDIUM_HIGH[5].scene(Celsius(25.0));
/// assert_eq!(steepest.length(), Duration::from_secs(640));
/// let mut seen = Exposure::default();
/// steepest.expose(Instant::ZERO + Duration::from_millis(303_500), &mut seen);
/// assert!((seen.irradiance().0 - 650.0).abs() < 1e-9);
/// ```
#[derive(Clone, Debug)]
pub struct Ramps {
    sequence: Sequence,
    cell: Celsius,
    length: Duration,
    /// Of one ramp, one dwell, and both twice (s).
    ramp: f64,
    dwell: f64,
    cycle: f64,
    /// Slope of the first ramp (W/m2/s).
    rise: f64,
}

/// Where a sequence stands.
enum Place {
    /// On a ramp: irradiance, and how long it still lasts (s).
    Ramp(f64, f64),
    /// At a level, likewise.
    Level(f64, f64),
}

impl Ramps {
    fn place(&self, at: Instant) -> Place {
        let Self { ramp, dwell, cycle, rise, .. } = *self;
        let (low, high) = (self.sequence.low.0, self.sequence.high.0);
        let since = at.as_secs_f64() - SETUP.as_secs_f64();
        if since < 0.0 {
            return Place::Level(low, -since);
        }
        if at.saturating_since(Instant::ZERO) >= self.length {
            return Place::Level(low, f64::INFINITY);
        }
        let phase = since - (since / cycle).floor() * cycle;
        let (top, down) = (ramp + dwell, 2.0 * ramp + dwell);
        if phase < ramp {
            Place::Ramp(low + rise * phase, ramp - phase)
        } else if phase < top {
            Place::Level(high, top - phase)
        } else if phase < down {
            Place::Ramp(high - rise * (phase - top), down - phase)
        } else {
            Place::Level(low, down + dwell - phase)
        }
    }
}

impl Scene for Ramps {
    fn length(&self) -> Duration {
        self.length
    }

    fn setup(&self) -> Duration {
        SETUP
    }

    fn expose(&mut self, at: Instant, to: &mut Exposure) {
        let (Place::Ramp(light, _) | Place::Level(light, _)) = self.place(at);
        to.uniform(Irradiance(light), self.cell);
    }

    fn still_for(&self, at: Instant) -> Duration {
        match self.place(at) {
            Place::Ramp(_, left) => REFRESH.min(seconds(left)),
            Place::Level(_, left) => seconds(left),
        }
    }
}

/// A piece is never shorter: the rounding of a kink's place must not make pieces of nothing.
const SHORTEST: Duration = Duration::from_micros(1);
/// A piece is never longer; whoever drives a scene asks again.
const LONGEST: Duration = Duration::from_secs(3600);

fn seconds(left: f64) -> Duration {
    Duration::try_from_secs_f64(left).unwrap_or(LONGEST).clamp(SHORTEST, LONGEST)
}

/// The same conditions all the time.
#[derive(Clone, Debug)]
pub struct Steady {
    irradiance: Irradiance,
    cell: Celsius,
    setup: Duration,
    span: Duration,
}

impl Steady {
    /// `irradiance` (W/m2) and `cell` (degC) for `setup`, which doesn't count, and `span`.
    #[must_use]
    pub fn new(irradiance: Irradiance, cell: Celsius, setup: Duration, span: Duration) -> Self {
        Self { irradiance, cell, setup, span }
    }

    /// A static level of the standards: the irradiance at which `device` has `share` (0..=1.2) of the
    /// power it has under standard conditions, at 25 degC.
    ///
    /// ```
    /// use cresthold_sim::device::{Source, examples};
    /// use cresthold_sim::scene::standard::Steady;
    /// // Half the power of the example module needs a little more than half the light or less,
    /// // depending on its resistances: here 495 W/m2.
    /// let half = Steady::level(0.5, &Source::from(examples::crystalline_module()));
    /// assert!((half.irradiance().0 - 495.0).abs() < 5.0, "{}", half.irradiance());
    /// ```
    #[must_use]
    pub fn level(share: f64, device: &Source) -> Self {
        let mut device = device.clone();
        let mut watts = |light: f64| -> Watts {
            device.set_conditions(Irradiance(light), STC_TEMPERATURE);
            device.crest().watts
        };
        let wanted = watts(STC_IRRADIANCE.0) * share;
        let (mut low, mut high) = (0.0, 1.5 * STC_IRRADIANCE.0);
        for _ in 0..HALVINGS {
            let middle = 0.5 * (low + high);
            if watts(middle) < wanted {
                low = middle;
            } else {
                high = middle;
            }
        }
        Self::new(Irradiance(high), STC_TEMPERATURE, SETUP, STATIC_SPAN)
    }

    /// Its irradiance (W/m2).
    #[must_use]
    pub fn irradiance(&self) -> Irradiance {
        self.irradiance
    }
}

/// Halvings of 1500 W/m2 down to nano-watts per square metre.
const HALVINGS: usize = 40;

impl Scene for Steady {
    fn length(&self) -> Duration {
        self.setup + self.span
    }

    fn setup(&self) -> Duration {
        self.setup
    }

    fn expose(&mut self, _at: Instant, to: &mut Exposure) {
        to.uniform(self.irradiance, self.cell);
    }

    fn still_for(&self, _at: Instant) -> Duration {
        LONGEST
    }
}

/// The weighted mean of static efficiencies; none where a level that counts is missing.
///
/// ```
/// use cresthold_sim::scene::standard::{EUROPEAN, LEVELS, weighted};
/// // 0.98 at all levels but 0.99 at 50 %, which weighs 0.48.
/// let found = LEVELS.map(|level| (level, if level == 0.5 { 0.99 } else { 0.98 }));
/// assert!((weighted(&EUROPEAN, &found).unwrap() - 0.9848).abs() < 1e-12);
/// assert_eq!(weighted(&EUROPEAN, &found[1..]), None);
/// ```
#[must_use]
pub fn weighted(weights: &[(f64, f64)], found: &[(f64, f64)]) -> Option<f64> {
    let at = |level: f64| found.iter().find(|(share, _)| (share - level).abs() < SAME_LEVEL);
    weights
        .iter()
        .try_fold(0.0, |sum, (level, weight)| at(*level).map(|(_, eta)| sum + weight * eta))
}

/// Two levels nearer than this are one.
const SAME_LEVEL: f64 = 1e-9;
