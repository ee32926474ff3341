//! Two kinds of time that must never be mixed.
//!
//! [`Instant`] counts nanoseconds on the monotonic clock since the run began; control and energy
//! use it alone, so a stepped wall clock can't disturb them. [`Utc`] is the wall clock, used to
//! label records for people. [`Stamp`] carries both. Spans are [`std::time::Duration`].
//!
//! Neither type can read a clock: time always comes in as an argument.
//!
//! ```
//! use cresthold_sim::time::{Instant, Utc};
//! use std::time::Duration;
//! let start = Instant::ZERO + Duration::from_millis(1500);
//! assert_eq!(start.saturating_since(Instant::ZERO), Duration::from_millis(1500));
//! let noon: Utc = "2016-06-15T12:00:30Z".parse().unwrap();
//! assert_eq!(noon.minute_start().to_string(), "2016-06-15T12:00:00.000Z");
//! assert_eq!(noon.date(), "2016-06-15");
//! ```

use std::fmt;
use std::ops::{Add, AddAssign, Sub};
use std::str::FromStr;
use std::time::Duration;

/// A span in seconds (s), as a person would write it: the number nearest to its nanoseconds.
///
/// ```
/// use std::time::Duration;
/// let span = Duration::from_millis(1680);
/// assert_eq!(cresthold_sim::time::seconds(span).to_string(), "1.68");
/// assert_eq!(span.as_secs_f64().to_string(), "1.6800000000000002");
/// ```
#[must_use]
#[expect(clippy::cast_precision_loss, reason = "exact up to a hundred days")]
pub fn seconds(span: Duration) -> f64 {
    span.as_nanos() as f64 / 1e9
}

/// A point on the monotonic clock: nanoseconds since the run began (0..=2^64-1, 584 years).
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Instant(u64);

impl Instant {
    /// The beginning of the run.
    pub const ZERO: Self = Self(0);

    /// The point `nanos` nanoseconds after the beginning of the run.
    #[must_use]
    pub const fn from_nanos(nanos: u64) -> Self {
        Self(nanos)
    }

    /// Nanoseconds since the beginning of the run.
    #[must_use]
    pub const fn as_nanos(self) -> u64 {
        self.0
    }

    /// Seconds since the beginning of the run.
    #[must_use]
    #[expect(clippy::cast_precision_loss, reason = "52 bits of nanoseconds are 52 days")]
    pub fn as_secs_f64(self) -> f64 {
        self.0 as f64 * 1e-9
    }

    /// The span from `earlier` to here; zero where `earlier` is later.
    #[must_use]
    pub const fn saturating_since(self, earlier: Self) -> Duration {
        Duration::from_nanos(self.0.saturating_sub(earlier.0))
    }
}

#[expect(clippy::cast_possible_truncation, reason = "a span beyond 584 years saturates")]
const fn span_nanos(span: Duration) -> u64 {
    let nanos = span.as_nanos();
    if nanos > u64::MAX as u128 { u64::MAX } else { nanos as u64 }
}

impl Add<Duration> for Instant {
    type Output = Self;
    fn add(self, span: Duration) -> Self {
        Self(self.0.saturating_add(span_nanos(span)))
    }
}

impl AddAssign<Duration> for Instant {
    fn add_assign(&mut self, span: Duration) {
        *self = *self + span;
    }
}

impl Sub<Duration> for Instant {
    type Output = Self;
    fn sub(self, span: Duration) -> Self {
        Self(self.0.saturating_sub(span_nanos(span)))
    }
}

/// A point on the wall clock, Coordinated Universal Time: microseconds since 1970-01-01T00:00:00Z.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Utc(i64);

const NANOS_PER_MICRO: u64 = 1000;
const MICROS_PER_SECOND: i64 = 1_000_000;
const MICROS_PER_MINUTE: i64 = 60 * MICROS_PER_SECOND;
const MICROS_PER_DAY: i64 = 86_400 * MICROS_PER_SECOND;

impl Utc {
    /// The point `micros` microseconds after 1970-01-01T00:00:00Z.
    #[must_use]
    pub const fn from_micros(micros: i64) -> Self {
        Self(micros)
    }

    /// Microseconds since 1970-01-01T00:00:00Z.
    #[must_use]
    pub const fn as_micros(self) -> i64 {
        self.0
    }

    /// The start of the UTC minute this point lies in.
    #[must_use]
    pub const fn minute_start(self) -> Self {
        Self(self.0 - self.0.rem_euclid(MICROS_PER_MINUTE))
    }

    /// The start of the UTC day this point lies in.
    #[must_use]
    pub const fn day_start(self) -> Self {
        Self(self.0 - self.0.rem_euclid(MICROS_PER_DAY))
    }

    /// The span from `earlier` to here; zero where `earlier` is later.
    #[must_use]
    pub const fn saturating_since(self, earlier: Self) -> Duration {
        let micros = self.0.saturating_sub(earlier.0);
        Duration::from_micros(if micros < 0 { 0 } else { micros.unsigned_abs() })
    }

    /// The calendar date (ISO 8601, UTC).
    #[must_use]
    pub fn date(self) -> String {
        let mut text = self.to_string();
        text.truncate(10);
        text
    }
}

impl Add<Duration> for Utc {
    type Output = Self;
    #[expect(
        clippy::cast_possible_truncation,
        reason = "spans here are shorter than 292 000 years"
    )]
    fn add(self, span: Duration) -> Self {
        Self(self.0.saturating_add(span.as_micros() as i64))
    }
}

impl Sub<Duration> for Utc {
    type Output = Self;
    #[expect(
        clippy::cast_possible_truncation,
        reason = "spans here are shorter than 292 000 years"
    )]
    fn sub(self, span: Duration) -> Self {
        Self(self.0.saturating_sub(span.as_micros() as i64))
    }
}

/// ISO 8601 with milliseconds and the zone, always `Z`.
impl fmt::Display for Utc {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match jiff::Timestamp::from_microsecond(self.0) {
            Ok(timestamp) => write!(f, "{timestamp:.3}"),
            Err(_) => write!(f, "{} us since 1970", self.0),
        }
    }
}

impl FromStr for Utc {
    type Err = jiff::Error;

    /// Parses an ISO 8601 time with zone (`2016-06-15T04:12:00Z`, `...+02:00`).
    fn from_str(text: &str) -> Result<Self, jiff::Error> {
        text.parse::<jiff::Timestamp>().map(|timestamp| Self(timestamp.as_microsecond()))
    }
}

/// Now, on both clocks.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Stamp {
    /// The monotonic clock: control, energy, order of records.
    pub mono: Instant,
    /// The wall clock: labels for people.
    pub utc: Utc,
}

impl Stamp {
    /// How much the wall clock is ahead of the monotonic one (us). It changes slowly, as the two
    /// drift, or at once, when the wall clock is set.
    ///
    /// ```
    /// use cresthold_sim::time::{Instant, Stamp, Utc};
    /// let at = Stamp { mono: Instant::from_nanos(2_000_000), utc: Utc::from_micros(5_000) };
    /// assert_eq!(at.offset_micros(), 3_000);
    /// ```
    #[must_use]
    pub fn offset_micros(self) -> i64 {
        let mono = i64::try_from(self.mono.0 / NANOS_PER_MICRO).unwrap_or(i64::MAX);
        self.utc.0.saturating_sub(mono)
    }

    /// This stamp moved on by `span` on both clocks.
    #[must_use]
    pub fn later(self, span: Duration) -> Self {
        Self { mono: self.mono + span, utc: self.utc + span }
    }
}
