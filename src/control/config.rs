//! What a channel needs to know to run: limits, rhythm, daylight, retries.

use super::envelope::Envelope;
use super::record::ChannelId;
use super::sweep::SweepConfig;
use super::wiring::SeriesPath;
use crate::quantities::{Amps, Irradiance, Volts, Watts};
use crate::time::Utc;
use crate::trackers::TrackerConfig;
use std::time::Duration;

/// When it is light enough to work.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Daylight {
    /// Wake above this irradiance (W/m2, 1..=200).
    pub wake_irradiance: Irradiance,
    /// Sleep below this irradiance (W/m2, below `wake_irradiance`).
    pub sleep_irradiance: Irradiance,
    /// Wake only above this open-circuit voltage (V, 0..).
    pub wake_volts: Volts,
    /// Below this power (W, 0..) the device yields nothing: it sleeps where no irradiance sensor says
    /// otherwise, and after a while in the light too. With 0 the sensor alone decides.
    pub sleep_watts: Watts,
    /// How long it must be dark before the channel sleeps, and how long it then sleeps at least
    /// (s, 1..=3600).
    pub dusk_delay: Duration,
    /// How often a channel that isn't tracking looks up (s, 0.1..=600).
    pub look_every: Duration,
    /// What the instruments may show at night.
    pub zeros: ZeroLimits,
}

/// Where one day ends and the next begins: at midnight of UTC, or of the mean sun over a longitude.
///
/// Far from Greenwich midnight of UTC lies in the light and cuts a day in two. The mean sun's midnight is
/// within 17 minutes of the true one's (the equation of time), never in the light outside the polar
/// circles, and within them where the sun is lowest.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct DaySplit {
    /// What the time that days are counted by is ahead of UTC (us).
    ahead: i64,
}

impl DaySplit {
    /// At midnight of UTC.
    pub const UTC: Self = Self { ahead: 0 };

    /// At midnight of the mean sun: 4 min before that of UTC for each degree of longitude east (the
    /// definition of mean solar time; 360 degrees are a day).
    ///
    /// ```
    /// use cresthold::control::DaySplit;
    /// use cresthold::time::Utc;
    /// // 105.87 degrees west: 7 h 3 min 28.8 s behind UTC.
    /// let split = DaySplit::mean_solar(-105.87);
    /// let evening: Utc = "2016-01-02T07:03:28Z".parse().unwrap();
    /// let morning: Utc = "2016-01-02T07:03:29Z".parse().unwrap();
    /// assert_eq!(split.day_of(evening).date(), "2016-01-01");
    /// assert_eq!(split.day_of(morning).date(), "2016-01-02");
    /// ```
    #[must_use]
    #[expect(clippy::cast_possible_truncation, reason = "within 12 h")]
    pub fn mean_solar(longitude_degrees: f64) -> Self {
        const MICROS_PER_DEGREE: f64 = 240e6;
        let degrees = if longitude_degrees.is_finite() { longitude_degrees } else { 0.0 };
        Self { ahead: (degrees.clamp(-180.0, 180.0) * MICROS_PER_DEGREE).round() as i64 }
    }

    /// The day that `at` lies in: midnight of its date, by the time that days are counted by.
    #[must_use]
    pub const fn day_of(self, at: Utc) -> Utc {
        Utc::from_micros(at.as_micros().saturating_add(self.ahead)).day_start()
    }

    /// What the time that days are counted by is ahead of UTC (us, within 12 h).
    #[must_use]
    pub const fn ahead_micros(self) -> i64 {
        self.ahead
    }
}

/// What to do after letting go or losing the link: wait, each time twice as long, and in the end
/// leave it to a person.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Retry {
    /// The first wait (s).
    pub first: Duration,
    /// The longest wait (s).
    pub longest: Duration,
    /// After being let go this many times since it last slept, the channel is locked off (1..); a day
    /// without is as good as a night, which doesn't come everywhere. What passes with the weather is not counted, and waits for `first` each time: see
    /// [`Limit::is_weather`](super::record::Limit::is_weather).
    pub times: u32,
    /// Whether a night ends a lock, so that the channel begins the next day with all its tries; where no
    /// night comes, a day does. Without, it stays off until the next run.
    pub anew_each_day: bool,
}

/// How far from zero the instruments may be at night, with the input off, before that is a warning.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ZeroLimits {
    /// The load's current (A, above 0).
    pub amps: Amps,
    /// The irradiance (W/m2, above 0).
    pub irradiance: Irradiance,
}

impl ZeroLimits {
    /// Where nothing is stated: 0.1 % of the largest current, which is the least that a tracker's choice
    /// hangs on, and the zero offset that a good thermopile under a clear night sky stays within
    /// (ISO 9060, class B: 15 W/m2 at 200 W/m2 of net thermal radiation; from memory).
    #[must_use]
    pub fn usual(largest: Amps) -> Self {
        Self { amps: largest * 1e-3, irradiance: Irradiance(15.0) }
    }
}

impl Retry {
    /// The wait after the `times`-th failure, from one.
    ///
    /// ```
    /// use cresthold::control::Retry;
    /// use std::time::Duration;
    /// let s = Duration::from_secs;
    /// let retry = Retry { first: s(5), longest: s(60), times: 6, anew_each_day: false };
    /// assert_eq!([1, 2, 3, 4, 5].map(|n| retry.wait(n)), [s(5), s(10), s(20), s(40), s(60)]);
    /// ```
    #[must_use]
    pub fn wait(&self, times: u32) -> Duration {
        let doublings = times.saturating_sub(1).min(20);
        self.first.saturating_mul(1 << doublings).min(self.longest)
    }
}

/// How many time constants a load is given to settle at a glance: e^-2 leaves 14 % of the step, and by the
/// middle of the window a usual load is within 5 %. In the simulation's shade three cost more than they tell,
/// and with one some searches go astray.
pub const GLANCED_AFTER: u32 = 2;

/// Everything a channel is made from.
#[derive(Clone, Debug, PartialEq)]
pub struct ChannelConfig {
    /// Its place in the station.
    pub id: ChannelId,
    /// The control period (s, 0.02..=60): one reading and at most one step each. It must be longer
    /// than the load's settling, its measurement window and its latency together.
    pub period: Duration,
    /// How long the load is left to settle at a glance (s, less than the period): from when the setpoint
    /// has taken effect to when a reading is asked for. Volts and amps of one window are a point of the
    /// curve before it has settled for good.
    pub glance: Duration,
    /// How often a sample is kept (s, at least the period): the mean of the readings since the
    /// last.
    pub sample_every: Duration,
    /// A span between readings longer than this is a gap (s, more than the period).
    pub max_gap: Duration,
    /// A sensor value older than this is not used (s).
    pub max_sensor_age: Duration,
    /// The limits.
    pub envelope: Envelope,
    /// Boost supply as stated, and leads.
    pub path: SeriesPath,
    /// Whether the boost supply can be switched; one that can't is always on.
    pub boost_switched: bool,
    /// Which tracker, and its settings.
    pub tracker: TrackerConfig,
    /// How it takes I-V curves.
    pub sweep: SweepConfig,
    /// Where its days begin.
    pub day: DaySplit,
    /// When to work.
    pub daylight: Daylight,
    /// What to do after a breach.
    pub retry: Retry,
}
