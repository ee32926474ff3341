//! Daylight between two runs: nobody held the devices, so it is missing, and that is told.
//!
//! Model: since the newest row of a channel no run was there. Of that time counts what the sun stood high
//! enough for, by the station's site: a gap within a run counts while the channel is awake, and by night it is
//! not. Each stretch of daylight within one day is an event, which adds its length to the day's missing time.
//! Told as soon as the wall clock can be believed.
//!
//! Rejected: a light sensor's word (there is none of that time), and counting in the next run's books (the days
//! of a longer absence would be of one date).

use crate::control::DaySplit;
use crate::control::record::{ChannelId, Event, Happening};
use crate::station::Station;
use crate::store::{Reader, StoreError};
use crate::time::{Stamp, Utc};
use cresthold_sim::sky::sun::Site;
use std::path::Path;
use std::time::Duration;

/// From this height on (degrees) a clear sky gives some 50 W/m2 on the level, which the season takes for light
/// (Haurwitz 1945, from memory: `1098 sin h exp(-0.057 / sin h)` is 49.8 at 5 degrees).
const DAYLIGHT: f64 = 5.0;
/// How often the sun is looked at: it rises and sets no faster than a hundredth of a day lasts.
const LOOK: Duration = Duration::from_secs(300);
/// How well its rising and setting are found.
const NEAR: Duration = Duration::from_secs(1);
/// What was away for longer has ended one campaign and begins another (the season looks no further for light).
const LONGEST: Duration = Duration::from_secs(60 * 86_400);
const DAY: Duration = Duration::from_secs(86_400);

/// When each channel was seen last, by runs before this one.
#[derive(Clone, Debug)]
pub(super) struct Absence {
    seen: Vec<(ChannelId, Utc)>,
    site: Site,
    split: DaySplit,
}

impl Absence {
    /// What all files of the log say.
    ///
    /// # Errors
    /// The log can't be read.
    pub(super) fn of(station: &Station, log: &Path) -> Result<Self, StoreError> {
        let newest = Reader::open(log)?.last_seen()?;
        let channels = station.channels.iter();
        let seen = channels.filter_map(|spec| Some((spec.control.id, *newest.get(&spec.name)?)));
        Ok(Self { seen: seen.collect(), site: station.site, split: station.day })
    }

    /// What is to be told `now` of a run that began at monotonic zero; the wall clock is right.
    pub(super) fn tell(&self, now: Stamp) -> Vec<Event> {
        let began = Utc::from_micros(now.offset_micros());
        let counts = |since: Utc| since < began && began.saturating_since(since) <= LONGEST;
        let seen = || self.seen.iter().filter(|(_, since)| counts(*since));
        let Some(first) = seen().map(|(_, since)| *since).min() else { return Vec::new() };
        let light = daylight(&self.site, self.split, (first, began));
        let mut events = Vec::new();
        for &(channel, since) in seen() {
            let left = light.iter().filter(|(_, until)| *until > since);
            events.extend(left.map(|&(from, until)| {
                let what = Happening::WithoutRun { from: from.max(since), until };
                Event { channel: Some(channel), at: now, what }
            }));
        }
        events
    }
}

/// The stretches of daylight within a time, cut where days end.
fn daylight(site: &Site, split: DaySplit, (since, until): (Utc, Utc)) -> Vec<(Utc, Utc)> {
    let bright = |at: Utc| 90.0 - site.sun(at).zenith_degrees() >= DAYLIGHT;
    let mut found: Vec<(Utc, Utc)> = Vec::new();
    let mut began = bright(since).then_some(since);
    let mut at = since;
    while at < until {
        let next = (at + LOOK).min(until);
        let is = bright(next);
        match began {
            None if is => began = Some(edge((at, next), &bright)),
            Some(from) if !is => {
                found.push((from, edge((at, next), &bright)));
                began = None;
            }
            _ => {}
        }
        at = next;
    }
    found.extend(began.map(|from| (from, until)));
    found.into_iter().flat_map(|span| cut(split, span)).collect()
}

/// Where light and dark change within a span.
fn edge((mut low, mut high): (Utc, Utc), bright: &impl Fn(Utc) -> bool) -> Utc {
    let was = bright(low);
    while high.saturating_since(low) > NEAR {
        let middle = low + high.saturating_since(low) / 2;
        if bright(middle) == was {
            low = middle;
        } else {
            high = middle;
        }
    }
    high
}

/// A span in parts that lie within one day each.
fn cut(split: DaySplit, (mut from, until): (Utc, Utc)) -> Vec<(Utc, Utc)> {
    let mut parts = Vec::new();
    while from < until {
        let next = split.day_of(from) + DAY;
        let end = Utc::from_micros(next.as_micros() - split.ahead_micros()).min(until);
        parts.push((from, end));
        from = end;
    }
    parts
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::time::Instant;

    fn utc(text: &str) -> Utc {
        text.parse().unwrap()
    }

    fn site(longitude: f64) -> Site {
        Site::new(0.0, longitude, 0.0).unwrap()
    }

    /// On the equator at the equinox the sun rises at 6:00 of its own time (true noon comes some 7 min after
    /// mean noon then) and climbs 15 degrees an hour: above 5 degrees from 6:20 to 17:40.
    #[test]
    fn daylight_is_what_the_sun_stands_high_for() {
        let span = (utc("2026-03-20T00:00:00Z"), utc("2026-03-21T00:00:00Z"));
        let found = daylight(&site(0.0), DaySplit::UTC, span);
        let [(from, until)] = found.as_slice() else { unreachable!("{found:?}") };
        let near = |at: Utc, wanted: &str| {
            let off = (at.as_micros() - utc(wanted).as_micros()).abs();
            assert!(off < 120_000_000, "{at}, not {wanted}");
        };
        near(*from, "2026-03-20T06:27:00Z");
        near(*until, "2026-03-20T17:47:00Z");
        // Within the light nothing is cut; by night nothing is left.
        let noon = (utc("2026-03-20T12:00:00Z"), utc("2026-03-20T13:00:00.5Z"));
        assert_eq!(daylight(&site(0.0), DaySplit::UTC, noon), [noon]);
        let night = (utc("2026-03-20T18:00:00Z"), utc("2026-03-21T06:00:00Z"));
        assert_eq!(daylight(&site(0.0), DaySplit::UTC, night), []);
    }

    #[test]
    fn daylight_over_the_end_of_a_day_is_of_two_days() {
        // Noon lies at midnight of UTC there.
        let span = (utc("2026-03-20T23:00:00Z"), utc("2026-03-21T01:00:00Z"));
        let midnight = utc("2026-03-21T00:00:00Z");
        let found = daylight(&site(180.0), DaySplit::UTC, span);
        assert_eq!(found, [(span.0, midnight), (midnight, span.1)]);
        let solar = DaySplit::mean_solar(180.0);
        assert_eq!(daylight(&site(180.0), solar, span), [span]);
    }

    #[test]
    fn each_channel_is_told_from_when_it_was_seen_last() {
        let (east, west, new) = (ChannelId(0), ChannelId(1), ChannelId(2));
        let began = utc("2026-03-20T12:00:00Z");
        let absence = |seen: &[(ChannelId, &str)]| Absence {
            seen: seen.iter().map(|(id, at)| (*id, utc(at))).collect(),
            site: site(0.0),
            split: DaySplit::UTC,
        };
        let now = Stamp { mono: Instant::ZERO, utc: began }.later(Duration::from_secs(7));
        let of = |seen: &[(ChannelId, &str)]| -> Vec<_> {
            let told = absence(seen).tell(now);
            told.iter().map(|event| (event.channel, event.what)).collect()
        };
        let (ten, eleven) = ("2026-03-20T10:00:00Z", "2026-03-20T11:00:00Z");
        let what = |from: &str| Happening::WithoutRun { from: utc(from), until: began };
        assert_eq!(
            of(&[(east, ten), (west, eleven)]),
            [(Some(east), what(ten)), (Some(west), what(eleven))]
        );
        // Rows of the future are of a wrong clock; after so long it is another campaign.
        assert_eq!(of(&[(new, "2026-03-20T12:00:01Z"), (east, "2025-06-20T12:00:00Z")]), []);
    }
}
