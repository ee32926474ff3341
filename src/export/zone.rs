//! The zone that times are shown in: a fixed offset, so that every hour of a year exists once.

use crate::time::Utc;
use jiff::Timestamp;
use jiff::tz::Offset;
use std::fmt::{self, Write as _};
use std::str::FromStr;

/// How far the zone may be from UTC (s), as on the globe.
const FARTHEST_S: i32 = 14 * 3600;

/// An offset from UTC in whole minutes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Zone(Offset);

impl Zone {
    /// UTC itself.
    pub const UTC: Self = Self(Offset::UTC);

    /// How far ahead of UTC it is (s).
    #[must_use]
    pub const fn seconds_ahead(self) -> i32 {
        self.0.seconds()
    }

    /// The moment that a clock of the zone shows `local`; none out of the calendar's range.
    #[must_use]
    pub fn moment(self, local: jiff::civil::DateTime) -> Option<Utc> {
        let at = self.0.to_timestamp(local).ok()?;
        Some(Utc::from_micros(at.as_microsecond()))
    }

    /// Writes `at` as ISO 8601 with so many digits of a second (0 or 6) and the zone; nothing where
    /// it is out of the calendar's range.
    pub(super) fn write(self, text: &mut String, at: Utc, digits: usize) {
        let Ok(timestamp) = Timestamp::from_microsecond(at.as_micros()) else { return };
        let local = self.0.to_datetime(timestamp);
        let (date, time) = (local.date(), local.time());
        // A text takes whatever is written to it.
        let _ = write!(text, "{date}T{:02}:{:02}:{:02}", time.hour(), time.minute(), time.second());
        if digits > 0 {
            let _ = write!(text, ".{:06}", time.subsec_nanosecond() / 1000);
        }
        match self.seconds_ahead() {
            0 => text.push('Z'),
            _ => self.write_offset(text),
        }
    }

    fn write_offset(self, text: &mut String) {
        let ahead = self.seconds_ahead();
        let (sign, minutes) = (if ahead < 0 { '-' } else { '+' }, ahead.abs() / 60);
        let _ = write!(text, "{sign}{:02}:{:02}", minutes / 60, minutes % 60);
    }
}

impl fmt::Display for Zone {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let mut text = "UTC".to_owned();
        if self.seconds_ahead() != 0 {
            self.write_offset(&mut text);
        }
        f.write_str(&text)
    }
}

/// Not an offset.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
#[error("write UTC, or hours and minutes ahead of it such as +01:00 or -03:30, at most 14:00")]
pub struct ZoneError;

impl FromStr for Zone {
    type Err = ZoneError;

    fn from_str(text: &str) -> Result<Self, ZoneError> {
        if matches!(text, "UTC" | "utc" | "Z") {
            return Ok(Self::UTC);
        }
        let (sign, rest) = match text.as_bytes() {
            [b'+', ..] => (1, &text[1..]),
            [b'-', ..] => (-1, &text[1..]),
            _ => return Err(ZoneError),
        };
        let two = |text: &str| match text.as_bytes() {
            [a, b] if a.is_ascii_digit() && b.is_ascii_digit() => text.parse::<i32>().ok(),
            _ => None,
        };
        let (hours, minutes) = rest.split_once(':').ok_or(ZoneError)?;
        let (hours, minutes) = two(hours).zip(two(minutes)).ok_or(ZoneError)?;
        let ahead = hours * 3600 + minutes * 60;
        if minutes > 59 || ahead > FARTHEST_S {
            return Err(ZoneError);
        }
        Offset::from_seconds(sign * ahead).map(Self).map_err(|_| ZoneError)
    }
}
