//! The board: the latest value of every sensor, whose word counts, and what is wrong.
//!
//! Model: values and failures come in as they happen; about once a second [`Board::tick`] judges all
//! sensors and closes one-minute records. A trouble is told when it begins and when it ends, once
//! each. While a sensor is stuck, or its last answer made no value, it has no value; a missed answer
//! or two cost nothing but age.

use super::trouble::{Trouble, Troubles, Turn};
use super::{Sensor, SensorId, Unusable};
use crate::control::record::{ChannelId, Severity, Spread};
use crate::control::{Observed, Surroundings, Tally, began_by_now};
use crate::quantities::{Celsius, Irradiance, MetresPerSecond};
use crate::sensors::Quantity;
use crate::time::{Instant, Stamp, Utc};

/// Failed answers in succession after which a sensor is told to be lost: one or two happen on every
/// long cable.
const LOST_AFTER: u32 = 3;

/// One minute of one sensor.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SensorMinute {
    /// Which sensor.
    pub sensor: SensorId,
    /// The start of the UTC minute.
    pub start: Utc,
    /// When the record was closed.
    pub at: Stamp,
    /// Its values, in the quantity's unit.
    pub values: Spread,
    /// How many values the period asks for in the time that the record covers.
    pub wanted: u32,
}

/// What the board has to tell.
#[derive(Clone, Debug, PartialEq)]
pub enum Told {
    /// Something began or ended.
    Event {
        /// How much it asks of a person.
        severity: Severity,
        /// A short stable code.
        code: &'static str,
        /// What happened, a sentence.
        text: String,
    },
    /// A minute is over.
    Minute(SensorMinute),
}

#[derive(Clone, Copy, Debug)]
struct MinuteBook {
    start: Utc,
    /// What the wall clock was ahead when it was opened (us).
    offset: i64,
    opened: Instant,
    tally: Tally,
}

/// What is known of one sensor.
#[derive(Debug)]
struct Watch {
    sensor: Sensor,
    latest: Option<Observed<f64>>,
    raw: Option<f64>,
    /// When the raw number last changed.
    changed: Instant,
    failures: u32,
    /// Why it failed the last time; empty while it doesn't.
    failing: String,
    unusable: Option<Unusable>,
    /// Since when it and a peer say different things.
    apart: Option<Instant>,
    troubles: Troubles,
    minute: Option<MinuteBook>,
}

impl Watch {
    fn fresh(&self, now: Instant) -> Option<Observed<f64>> {
        let young = |seen: &Observed<f64>| seen.fresh(now, self.sensor.max_age).is_some();
        self.latest.filter(|seen| young(seen) && !self.troubles.has(Trouble::Stuck))
    }
}

/// All sensors of a station.
#[derive(Debug)]
pub struct Board {
    watches: Vec<Watch>,
    /// Places in `watches`, the most trusted first.
    order: Vec<usize>,
    began: Instant,
    news: Vec<Told>,
}

impl Board {
    /// A board that knows nothing yet.
    #[must_use]
    pub fn new(sensors: impl IntoIterator<Item = Sensor>, now: Instant) -> Self {
        let watch = |sensor| Watch {
            sensor,
            latest: None,
            raw: None,
            changed: now,
            failures: 0,
            failing: String::new(),
            unusable: None,
            apart: None,
            troubles: Troubles::default(),
            minute: None,
        };
        let watches: Vec<Watch> = sensors.into_iter().map(watch).collect();
        let mut order: Vec<usize> = (0..watches.len()).collect();
        order.sort_by_key(|&place| watches[place].sensor.rank);
        Self { watches, order, began: now, news: Vec::new() }
    }

    /// Whether there is none.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.watches.is_empty()
    }

    /// A sensor answered with a raw number.
    pub fn take(&mut self, id: SensorId, at: Stamp, raw: f64) {
        let Some(watch) = self.watches.get(usize::from(id.0)) else { return };
        let value = watch.sensor.meaning.value(raw, |other| self.temperature(other, at.mono));
        self.turn_minute(usize::from(id.0), at);
        let watch = &mut self.watches[usize::from(id.0)];
        watch.failures = 0;
        watch.failing.clear();
        if watch.raw.is_none_or(|before| before.to_bits() != raw.to_bits()) {
            watch.raw = Some(raw);
            watch.changed = at.mono;
        }
        watch.latest = value.ok().map(|value| Observed { value, at: at.mono });
        watch.unusable = value.err();
        if let (Ok(value), Some(minute)) = (value, &mut watch.minute) {
            minute.tally.push(value);
        }
    }

    /// A sensor did not answer.
    pub fn fail(&mut self, id: SensorId, why: &str) {
        if let Some(watch) = self.watches.get_mut(usize::from(id.0)) {
            watch.failures = watch.failures.saturating_add(1);
            why.clone_into(&mut watch.failing);
        }
    }

    /// What its last answer amounted to; none before the first.
    #[must_use]
    pub fn latest(&self, id: SensorId) -> Option<Result<f64, Unusable>> {
        let watch = self.watches.get(usize::from(id.0))?;
        let value = watch.latest.map(|seen| Ok(seen.value));
        value.or_else(|| watch.unusable.map(Err))
    }

    fn temperature(&self, id: SensorId, now: Instant) -> Option<Celsius> {
        self.watches.get(usize::from(id.0))?.fresh(now).map(|seen| Celsius(seen.value))
    }

    /// What the most trusted fresh sensors say about a channel.
    #[must_use]
    pub fn surroundings(&self, channel: ChannelId, now: Instant) -> Surroundings {
        let mut all = Surroundings::default();
        for &place in &self.order {
            let watch = &self.watches[place];
            if !watch.sensor.channels.contains(&channel) {
                continue;
            }
            let Some(Observed { value, at }) = watch.fresh(now) else { continue };
            let celsius = Observed { value: Celsius(value), at };
            match watch.sensor.quantity {
                Quantity::PlaneIrradiance | Quantity::DirectIrradiance => {
                    all.irradiance.get_or_insert(Observed { value: Irradiance(value), at });
                }
                Quantity::ModuleTemperature => {
                    all.module_temperature.get_or_insert(celsius);
                }
                Quantity::HeatsinkTemperature => {
                    all.heatsink_temperature.get_or_insert(celsius);
                }
                Quantity::AirTemperature => {
                    all.air_temperature.get_or_insert(celsius);
                }
                Quantity::WindSpeed => {
                    all.wind.get_or_insert(Observed { value: MetresPerSecond(value), at });
                }
                Quantity::PointingError => {
                    all.pointing_error.get_or_insert(Observed { value, at });
                }
                Quantity::OnSun => {
                    all.on_sun.get_or_insert(Observed { value: value > 0.5, at });
                }
            }
        }
        all
    }

    /// What is wrong now, a sentence each.
    pub fn troubles(&self) -> impl Iterator<Item = &str> {
        self.watches.iter().flat_map(|watch| watch.troubles.words())
    }

    /// Judges all sensors, closes minutes that are over, and tells what is new.
    pub fn tick(&mut self, now: Stamp) -> Vec<Told> {
        for place in 0..self.watches.len() {
            self.turn_minute(place, now);
            self.judge(place, now.mono);
        }
        std::mem::take(&mut self.news)
    }

    /// Closes the open minutes; for the end of a run.
    pub fn close(&mut self, now: Stamp) -> Vec<Told> {
        for place in 0..self.watches.len() {
            self.close_minute(place, now);
        }
        std::mem::take(&mut self.news)
    }

    fn judge(&mut self, place: usize, now: Instant) {
        let watch = &self.watches[place];
        let unusable = watch.unusable.map(|why| why.to_string());
        let lost = (watch.failures >= LOST_AFTER).then(|| watch.failing.clone());
        let stuck = self.stuck(place, now);
        let heard = watch.latest.map_or(self.began, |seen| seen.at);
        let age = now.saturating_since(heard);
        let other = lost.is_some() || stuck.is_some() || unusable.is_some();
        let stale = (watch.sensor.polled && !other && age > watch.sensor.max_age)
            .then(|| format!("no value for {:.0} s; it is not used", age.as_secs_f64()));
        let apart = self.apart(place, now);
        for (trouble, reason) in Trouble::ALL.into_iter().zip([lost, stale, unusable, stuck, apart])
        {
            self.note(place, trouble, reason, now);
        }
    }

    fn note(&mut self, place: usize, trouble: Trouble, reason: Option<String>, now: Instant) {
        let watch = &mut self.watches[place];
        let name = &watch.sensor.name;
        let text = reason.map(|reason| format!("sensor {name}: {reason}"));
        let told = match watch.troubles.note(trouble, text.clone(), now) {
            Turn::None => return,
            Turn::Began => Told::Event {
                severity: trouble.severity(),
                code: trouble.codes().0,
                text: text.unwrap_or_default(),
            },
            Turn::Ended(since) => Told::Event {
                severity: Severity::Note,
                code: trouble.codes().1,
                text: format!(
                    "sensor {name} {} after {:.0} s",
                    trouble.over(),
                    now.saturating_since(since).as_secs_f64()
                ),
            },
        };
        self.news.push(told);
    }

    /// Whether a sensor repeats itself while others of its quantity move, or for lack of others at
    /// all.
    fn stuck(&self, place: usize, now: Instant) -> Option<String> {
        let watch = &self.watches[place];
        let limit = watch.sensor.stuck_after?;
        let same = now.saturating_since(watch.changed);
        // One that doesn't answer has another trouble.
        if same < limit || watch.failures > 0 || watch.raw.is_none() {
            return None;
        }
        let others = |other: &&Watch| {
            other.sensor.name != watch.sensor.name && other.sensor.quantity == watch.sensor.quantity
        };
        let mut others = self.watches.iter().filter(others).peekable();
        let moved = others.peek().is_none() || others.any(|other| other.changed > watch.changed);
        moved.then(|| {
            format!(
                "the same answer for {:.0} s; it is not used. Look at the sensor and what reads it",
                same.as_secs_f64()
            )
        })
    }

    /// Whether a sensor and the one trusted before it have said different things for too long.
    fn apart(&mut self, place: usize, now: Instant) -> Option<String> {
        let watch = &self.watches[place];
        let limits = watch.sensor.disagreement?;
        let told = watch.troubles.has(Trouble::Disagreeing);
        let peer = self.order.iter().take_while(|other| **other != place).find_map(|&other| {
            let other = &self.watches[other];
            other
                .sensor
                .is_peer_of(&watch.sensor)
                .then(|| other.fresh(now).map(|seen| (other, seen)))?
        });
        let (Some((peer, theirs)), Some(ours)) = (peer, watch.fresh(now)) else {
            // Nothing to compare: neither the beginning nor the end of anything.
            let watch = &mut self.watches[place];
            watch.apart = watch.apart.filter(|_| told);
            return told.then(String::new);
        };
        if !limits.between(ours.value, theirs.value) {
            self.watches[place].apart = None;
            return None;
        }
        let since = watch.apart.unwrap_or(now);
        let unit = watch.sensor.quantity.unit();
        let text = format!(
            "it says {:.1} {unit} where {}, which is trusted more, says {:.1} {unit}, for {:.0} s; \
             clean and check both",
            ours.value,
            peer.sensor.name,
            theirs.value,
            now.saturating_since(since).as_secs_f64()
        );
        self.watches[place].apart = Some(since);
        (told || now.saturating_since(since) >= limits.after).then_some(text)
    }

    /// Opens the minute that `now` lies in, after the one before is closed.
    fn turn_minute(&mut self, place: usize, now: Stamp) {
        let start = now.utc.minute_start();
        if self.watches[place].minute.is_some_and(|minute| minute.start == start) {
            return;
        }
        self.close_minute(place, now);
        let tally = Tally::default();
        self.watches[place].minute =
            Some(MinuteBook { start, offset: now.offset_micros(), opened: now.mono, tally });
    }

    fn close_minute(&mut self, place: usize, now: Stamp) {
        let watch = &mut self.watches[place];
        let Some(minute) = watch.minute.take() else { return };
        let covered = now.mono.saturating_since(minute.opened).as_secs_f64();
        let wanted = (covered / watch.sensor.period.as_secs_f64()).round();
        let id = SensorId(u16::try_from(place).unwrap_or(u16::MAX));
        self.news.push(Told::Minute(SensorMinute {
            sensor: id,
            start: began_by_now(minute.start, minute.offset, now),
            at: now,
            values: minute.tally.spread(),
            wanted: whole(wanted),
        }));
    }
}

#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "the cast saturates")]
fn whole(count: f64) -> u32 {
    count as u32
}
