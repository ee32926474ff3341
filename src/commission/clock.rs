//! Whether the wall clock can be right.
//!
//! Model: three witnesses. The program knows the year it was written in; the log knows when its last
//! row was written; the sun is up or not. A computer without a battery clock starts with the time of
//! its last shutdown, so a clock in the past is the common mistake.

use super::check::{Check, Figure, Reason};
use crate::time::Utc;
use cresthold_sim::sky::sun::Site;

/// Before the year of this program no clock is right: 2026-01-01T00:00:00Z.
const EARLIEST: Utc = Utc::from_micros(1_767_225_600_000_000);
/// A clock beyond 2100-01-01T00:00:00Z is not right, either.
const LATEST: Utc = Utc::from_micros(4_102_444_800_000_000);
/// A sun this high lights any device (degrees)...
const SURELY_DAY: f64 = 10.0;
/// ...and one this far below the horizon none: the end of civil twilight.
const SURELY_NIGHT: f64 = -6.0;

/// What the clock is held against.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Witnesses {
    /// What the clock shows.
    pub now: Utc,
    /// The latest time in the log; none in a new one.
    pub last_row: Option<Utc>,
    /// Whether the devices are lit; none where nobody could see.
    pub lit: Option<bool>,
}

/// Height of the sun's centre above the horizon (degrees).
#[must_use]
pub fn sun_elevation(site: &Site, now: Utc) -> f64 {
    90.0 - site.sun(now).zenith_degrees()
}

/// Whether the sun must be up, must be down, or may be either.
#[must_use]
pub fn daylight(site: &Site, now: Utc) -> Option<bool> {
    let elevation = sun_elevation(site, now);
    (elevation >= SURELY_DAY)
        .then_some(true)
        .or_else(|| (elevation <= SURELY_NIGHT).then_some(false))
}

/// Judges the clock; `simulated` suns don't follow the calendar, and then only the log is a witness.
#[must_use]
pub fn clock(site: &Site, seen: Witnesses, simulated: bool) -> Vec<Check> {
    let mut checks = Vec::new();
    if !simulated {
        let check = Check::passed("clock: year", None, "2026 to 2100");
        checks.push(if (EARLIEST..LATEST).contains(&seen.now) {
            check
        } else {
            let says = format!(
                "the clock shows {}; set it, and see that it is kept: without a battery or a time \
                 server it starts in the past after each power cut",
                seen.now
            );
            check.failed(Reason::Clock, says)
        });
    }
    if let Some(last) = seen.last_row {
        let check = Check::passed("clock: after the log's last row", None, format!("after {last}"));
        checks.push(if seen.now >= last {
            check
        } else {
            let says = format!(
                "the clock shows {}, the log already has rows of {last}; set the clock, or take \
                 another log",
                seen.now
            );
            check.failed(Reason::Clock, says)
        });
    }
    if let Some(lit) = seen.lit {
        checks.push(sun(site, seen.now, lit));
    }
    checks
}

fn sun(site: &Site, now: Utc, lit: bool) -> Check {
    let elevation = sun_elevation(site, now);
    let found = Some(Figure::of(elevation, "deg"));
    let check =
        Check::passed("clock: height of the sun", found, "devices lit by day, dark by night");
    match (lit, daylight(site, now)) {
        (true, Some(false)) => check.failed(
            Reason::Clock,
            "the devices are lit, but by clock and site the sun is down; check the clock (it must \
             give UTC), its zone, and latitude and longitude",
        ),
        (false, Some(true)) => check.doubtful(
            Reason::Clock,
            "by clock and site the sun is up, but the devices are dark; check clock, latitude and \
             longitude, or whether the devices are covered",
        ),
        _ => check,
    }
}
