//! A station on the embedded plant: virtual time at a pace, a real log, a live status.

use super::claim::Claim;
use super::live::{ChannelStatus, RunStatus, Screen};
use super::requests::Requests;
use super::stop::StopFlag;
use super::{Ended, RunError};
use crate::control::record::{Curve, Event, Happening, Record};
use crate::rehearsal::{Yard, yard};
use crate::report::curve_result::{appraiser, stated_rows};
use crate::report::summary::Summary;
use crate::station::Station;
use crate::store::{ChannelFacts, Log, OpenFacts, StoreError};
use crate::time::{Instant, Stamp};
use crate::trackers::{HoldConfig, TrackerConfig};
use cresthold_sim::sky::recorded::RecordedSky;
use std::path::Path;
use std::time::{Duration, Instant as WallInstant};

/// The longest nap between two batches of turns: short enough for a lively status and a prompt end.
const NAP: Duration = Duration::from_millis(20);
/// Virtual time per batch when there is no pace to keep.
const BATCH: Duration = Duration::from_secs(60);

/// Virtual time from one commit to the next where there is no pace to keep: a run that breaks off
/// can be had again with the same seed.
const HASTY_COMMIT: Duration = Duration::from_secs(600);

/// The speed up to which commits keep to the wall clock: beyond, all is over in a minute.
const HASTIEST: f64 = 300.0;

/// How fast and how long.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Pace {
    /// Virtual seconds per second; infinite for as fast as it goes.
    pub speed: f64,
    /// Virtual time to run.
    pub length: Duration,
}

/// Runs `station` on its plant, writing `log`, until the length is over or `stop` is raised.
///
/// # Errors
/// [`RunError`] where the plant can't be built or the log can't be opened or written.
pub fn run(
    station: &Station,
    log: &Path,
    pace: Pace,
    stop: &StopFlag,
    screen: &mut Screen,
) -> Result<Ended, RunError> {
    let mut yard = yard(station)?;
    let began = yard.stamp(Instant::ZERO);
    let _claim = Claim::stake(log)?;
    let mut log = Log::open(log, &facts(station, began))?
        .with_appraisal(appraiser(station))
        .with_commit_interval(commit_every(station, pace));
    log.state(&stated_rows(station))?;
    let mut requests = Requests::new(log.path());
    let mut book = Book {
        log,
        summary: Summary::default(),
        failed: None,
        unconfirmed: Vec::new(),
        curve: None,
    };
    book.take(Record::Event(Event { channel: None, at: began, what: Happening::RunBegan }));
    let end = Instant::ZERO + pace.length;
    let started = WallInstant::now();
    let mut now = Instant::ZERO;
    while now < end && !stop.is_raised() && book.failed.is_none() {
        now = due(started, pace, now).min(end);
        let names = station.channels.iter().map(|channel| channel.name.as_str());
        let activities = yard.stands().iter().map(|stand| stand.channel().activity());
        let doing: Vec<_> = names.zip(activities).collect();
        for index in requests.heard(&doing) {
            yard.stands_mut()[index].request_sweep();
        }
        yard.run_until(now, &mut |record| book.take(record));
        book.commit_if_due(now);
        if screen.is_due() {
            screen.show(&status(station, &yard, &book.summary, (now, pace)));
        }
        if pace.speed.is_finite() && now < end {
            let next = yard.next_wake().unwrap_or(end).min(end);
            let ahead = next.saturating_since(now).as_secs_f64() / pace.speed;
            std::thread::sleep(Duration::from_secs_f64(ahead).clamp(Duration::from_millis(1), NAP));
        }
    }
    yard.stop(now, &mut |record| book.take(record));
    screen.show(&status(station, &yard, &book.summary, (now, pace)));
    let at = yard.stamp(now);
    book.take(Record::Event(Event { channel: None, at, what: Happening::RunEnded }));
    book.end(station)
}

/// Virtual time from one commit to the next: what the station states is meant for the wall clock's.
fn commit_every(station: &Station, pace: Pace) -> Duration {
    if pace.speed.is_finite() {
        station.commit_every.mul_f64(pace.speed.clamp(1.0, HASTIEST))
    } else {
        HASTY_COMMIT
    }
}

/// How far virtual time should be by now.
fn due(started: WallInstant, pace: Pace, now: Instant) -> Instant {
    if pace.speed.is_finite() {
        Instant::ZERO + Duration::from_secs_f64(started.elapsed().as_secs_f64() * pace.speed)
    } else {
        now + BATCH
    }
}

/// A tracker and its settings, in words.
fn tracker_words(tracker: &TrackerConfig) -> String {
    let settings = match tracker {
        TrackerConfig::Hold(HoldConfig::At(volts)) => volts.to_string(),
        TrackerConfig::Hold(HoldConfig::Share(share)) => format!("{share} of Voc"),
        TrackerConfig::FractionalVoc(set) => {
            format!("{} of Voc, measured every {} s", set.share, set.look_every.as_secs_f64())
        }
        TrackerConfig::PerturbAndObserve(set) => format!("step {}", set.step),
        TrackerConfig::IncrementalConductance(set) => {
            format!("step {}, dead band {}", set.step, set.dead_band)
        }
        TrackerConfig::RampSeparating(set) => format!("step {}", set.step),
        TrackerConfig::VariableStep(set) => format!("steps {} to {}", set.least, set.largest),
        TrackerConfig::CrestLine(_) => "without settings".to_owned(),
        TrackerConfig::Script(set) => {
            let (file, text) = (set.script().file(), set.script().fingerprint());
            let settings = set.settings().map(|(name, value)| format!(", {name} {value}"));
            format!("{file} (text {text:016x}){}", settings.collect::<String>())
        }
    };
    format!("{}, {settings}", tracker.name())
}

/// What the log is told about the run.
pub(super) fn facts(station: &Station, began: Stamp) -> OpenFacts {
    OpenFacts {
        began,
        version: env!("CARGO_PKG_VERSION").to_owned(),
        station: station.name.clone(),
        fingerprint: station.fingerprint(),
        seed: station.plant.as_ref().map(|_| station.seed),
        note: None,
        day: station.day,
        channels: station
            .channels
            .iter()
            .map(|channel| ChannelFacts {
                name: channel.name.clone(),
                device: channel.device.map_or("device", |device| device.name()).to_owned(),
                tracker: tracker_words(&channel.control.tracker),
            })
            .collect(),
    }
}

/// The log and the summary, fed with the same records.
struct Book {
    log: Log,
    summary: Summary,
    failed: Option<StoreError>,
    unconfirmed: Vec<usize>,
    curve: Option<Curve>,
}

impl Book {
    fn take(&mut self, record: Record) {
        match &record {
            Record::Day(total) => self.summary.take(total),
            Record::Curve(curve) => self.curve = Some(*curve),
            Record::Event(Event {
                channel: Some(id), what: Happening::StopUnconfirmed, ..
            }) => {
                self.unconfirmed.push(usize::from(id.0));
            }
            _ => {}
        }
        if self.failed.is_none() {
            self.failed = self.log.write(&record).err();
        }
    }

    fn commit_if_due(&mut self, now: Instant) {
        if self.failed.is_none() {
            self.failed = self.log.commit_if_due(now).err();
        }
    }

    fn end(self, station: &Station) -> Result<Ended, RunError> {
        if let Some(failed) = self.failed {
            return Err(failed.into());
        }
        let names: Vec<String> = station.channels.iter().map(|c| c.name.clone()).collect();
        let log = self.log.path().to_path_buf();
        self.log.finish()?;
        let unconfirmed = self.unconfirmed.iter().filter_map(|&i| names.get(i).cloned()).collect();
        Ok(Ended {
            summary: self.summary,
            names,
            log,
            unconfirmed,
            unreached: Vec::new(),
            troubles: Vec::new(),
            curve: self.curve,
        })
    }
}

fn status(
    station: &Station,
    yard: &Yard<RecordedSky>,
    summary: &Summary,
    (now, pace): (Instant, Pace),
) -> RunStatus {
    let speed = if pace.speed.is_finite() {
        format!("{} times real time", pace.speed)
    } else {
        "as fast as it goes".to_owned()
    };
    let today = station.day.day_of(yard.stamp(now).utc).date();
    let channels = station
        .channels
        .iter()
        .zip(yard.stands())
        .map(|(spec, stand)| ChannelStatus {
            name: spec.name.clone(),
            activity: stand.channel().activity(),
            sample: stand.last_sample().copied(),
            energy: summary.energy_on(spec.control.id, &today).0,
        })
        .collect();
    RunStatus {
        title: format!("{}, simulated, {speed}", station.name),
        utc: yard.stamp(now).utc,
        done: Some(now.as_secs_f64() / pace.length.as_secs_f64()),
        troubles: Vec::new(),
        channels,
    }
}
