//! A recorded run in virtual time.

use crate::cell::{Link, Place};
use crate::oracle::wire::{Manner, VirtualLine};
use crate::yard::{PLACES, Yard, links, morning, station};
use cresthold::daemon::field::{Field, Machine, Stay};
use cresthold::daemon::live::Screen;
use cresthold::daemon::stop::StopFlag;
use cresthold::instruments::link::LinkSettings;
use cresthold::station::{Address, RecordingSpec, Station};
use cresthold::store::Reader;
use cresthold::time::{Instant, Utc};
use cresthold_sim::wire::fault::{Line, Place as FaultPlace, Player, RandomFaults, Victim};
use std::time::Duration;

/// What is wished for.
pub(crate) struct Wish {
    pub(crate) length: Duration,
    /// A fault in so many seconds, on average.
    pub(crate) faults_every: u64,
    /// What the recording may take (bytes).
    pub(crate) keep: u64,
}

impl Default for Wish {
    fn default() -> Self {
        Self { length: Duration::from_secs(60), faults_every: 30, keep: 1_000_000_000 }
    }
}

/// What came of it.
pub(crate) struct Ran {
    pub(crate) station: Station,
    pub(crate) text: String,
    pub(crate) faults: u64,
    /// Codes and texts of the log's events, and how many samples it has.
    pub(crate) events: Vec<(String, String)>,
    pub(crate) samples: usize,
}

/// Lives through it.
pub(crate) fn record(wish: &Wish) -> Ran {
    let mut builder = tokio::runtime::Builder::new_current_thread();
    let runtime = builder.enable_all().start_paused(true).build().unwrap();
    runtime.block_on(live(wish))
}

async fn live(wish: &Wish) -> Ran {
    let names = PLACES.map(str::to_lowercase);
    let at = std::array::from_fn(|place| format!("{}:1", names[place]));
    let links = links(Place::Load, Link::Tcp);
    let scratch = tempfile::tempdir().unwrap();
    let folder = scratch.path().join("recordings");
    let mut station = station(links, &at, true);
    station.health = None;
    station.recording = Some(RecordingSpec { folder: folder.clone(), keep_bytes: wish.keep });
    let began = tokio::time::Instant::now();
    let yard = Yard::new(&station, 1, move || began.elapsed());
    let lines: Vec<VirtualLine> = (0..PLACES.len())
        .map(|place| VirtualLine::new(yard.instrument(place, links[place]), Manner::Tcp))
        .collect();
    let mut victims: Vec<Victim> = (0..4)
        .map(|place| {
            let line = Box::new(lines[place].clone()) as Box<dyn Line>;
            yard.victim(place, links[place], line)
        })
        .collect();
    let settings: Vec<LinkSettings> =
        names.iter().zip(&lines).map(|(name, line)| line.settings(name)).collect();
    let dial = move |address: &Address| {
        let Address::Tcp { host, .. } = address else { return None };
        Some(settings[names.iter().position(|known| known == host)?].clone())
    };
    let log = scratch.path().join("yard.sqlite");
    let stop = StopFlag::default();
    let machine = Machine {
        recorder_waits: true,
        earliest: "2016-01-01T00:00:00Z".parse().unwrap(),
        ..Machine::default().dated(morning())
    };
    let stay = Stay { length: Some(wish.length), patient: true, sweep: None };
    let field = Field { station: &station, log: &log, stay, lines: &dial, machine };
    let mut screen = Screen::silent();
    let places: Vec<FaultPlace> = victims.iter().map(|victim| victim.place.clone()).collect();
    let mut player = Player::new();
    player.add(RandomFaults::new(7, Duration::from_secs(wish.faults_every), &places));
    let mut faults = 0;
    let harness = async {
        loop {
            let now = Instant::ZERO + began.elapsed();
            let notices = player.advance(now, &mut victims);
            faults += notices.iter().filter(|notice| notice.begins).count() as u64;
            yard.witness.trace(std::mem::take);
            let wait = player.next(now).map_or(Duration::MAX, |next| next.saturating_since(now));
            tokio::time::sleep(wait.clamp(Duration::from_millis(1), Duration::from_secs(1))).await;
        }
    };
    tokio::select! {
        biased;
        ended = field.live(&stop, &mut screen) => drop(ended.unwrap()),
        () = harness => unreachable!("it goes on until the run is over"),
    }
    let text = std::fs::read_to_string(folder.join("module-1-1.recording")).unwrap();
    let reader = Reader::open(&log).unwrap();
    let (first, last) = (Utc::from_micros(i64::MIN), Utc::from_micros(i64::MAX));
    let events = reader.events(first, last).unwrap();
    let channel = reader.channels().unwrap()[0].id;
    let samples = reader.samples(channel, first, last).unwrap().len();
    let events = events.into_iter().map(|event| (event.code, event.text)).collect();
    Ran { station, text, faults, events, samples }
}
