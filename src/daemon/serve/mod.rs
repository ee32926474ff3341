//! A station's plant as a virtual bench: its instruments on sockets and pseudo-terminals, in real
//! time, with faults.
//!
//! Model: one [`LivePlant`] per channel, all on one clock under copies of one sky; one server
//! thread per instrument and line. The shell itself only plays faults and waits for the end.

mod outlets;
mod print;

pub use outlets::Outlet;

use super::stop::StopFlag;
use crate::rehearsal::{YardError, sky};
use crate::station::Station;
use crate::time::{Instant, Utc};
use cresthold_sim::wire::fault::{Notice, Place, Player, Role, Victim};
use cresthold_sim::wire::plant::LivePlant;
use cresthold_sim::wire::serve::ServeError;
use std::path::PathBuf;
use std::time::{Duration, Instant as WallInstant};

/// The longest nap of the shell: short enough for a prompt end.
const NAP: Duration = Duration::from_millis(50);

/// Why a bench can't be served.
#[derive(Debug, thiserror::Error)]
pub enum BenchError {
    /// The plant can't be built.
    #[error(transparent)]
    Yard(#[from] YardError),
    /// A line can't be opened.
    #[error(transparent)]
    Serve(#[from] ServeError),
    /// The directory for the terminals' names can't be made.
    #[error("{}: the directory can't be made ({source}); name another one", path.display())]
    Directory {
        /// The directory.
        path: PathBuf,
        /// What the system said.
        source: std::io::Error,
    },
    /// The time to begin at is not in the recorded day.
    #[error(
        "the recorded day has no {wanted}: it goes from {first} to {last}; choose a time in between"
    )]
    NoSuchTime {
        /// The time asked for.
        wanted: Utc,
        /// The record's beginning.
        first: Utc,
        /// Its end.
        last: Utc,
    },
    /// There are not as many ports.
    #[error("{needed} instruments don't fit between port {first} and 65535; choose a lower port")]
    Ports {
        /// The first port.
        first: u16,
        /// How many are needed.
        needed: usize,
    },
}

/// What a bench is to offer.
#[derive(Clone, Debug, PartialEq)]
pub struct Offer {
    /// The first TCP port, the others follow; 0 lets the system choose; none for no sockets.
    pub port: Option<u16>,
    /// Where the pseudo-terminals' names are put, best an absolute path, since the station file
    /// names it; none for no terminals.
    pub terminals: Option<PathBuf>,
    /// The time of the recorded day at the start, since its 00:00 UTC.
    pub at: Duration,
    /// How many times faster than real time the sky goes (0..=1e4).
    pub speed: f64,
}

/// The places of a station where faults can happen, in the order of [`VirtualBench::outlets`].
#[must_use]
pub fn places(station: &Station, terminal: bool) -> Vec<Place> {
    let yard = outlets::YARD.map(|(name, _)| (name.to_owned(), Role::Sensor));
    let channels = station.channels.iter().flat_map(outlets::names);
    channels.chain(yard).map(|(name, role)| Place { name, role, terminal }).collect()
}

/// A bench that is being served; dropped, its lines are gone.
pub struct VirtualBench {
    station: Station,
    plants: Vec<LivePlant>,
    victims: Vec<Victim>,
    outlets: Vec<Outlet>,
    started: WallInstant,
}

impl VirtualBench {
    /// Serves a station's instruments from now on.
    ///
    /// # Errors
    /// [`BenchError`] without a plant, or where the system has no lines for it.
    pub fn start(station: &Station, offer: &Offer) -> Result<Self, BenchError> {
        let (sky, first) = sky(station)?;
        let (last, wanted) = (sky.day().end(), first.day_start() + offer.at);
        if wanted < first || wanted >= last {
            return Err(BenchError::NoSuchTime { wanted, first, last });
        }
        let needed = places(station, false).len();
        if let Some(first) = offer.port
            && first > 0
            && usize::from(u16::MAX - first) + 1 < needed
        {
            return Err(BenchError::Ports { first, needed });
        }
        if let Some(path) = &offer.terminals {
            std::fs::create_dir_all(path)
                .map_err(|source| BenchError::Directory { path: path.clone(), source })?;
        }
        let started = WallInstant::now();
        let served = outlets::serve(station, offer, (&sky, wanted), started)?;
        let (plants, victims, outlets) = (served.plants, served.victims, served.outlets);
        Ok(Self { station: station.clone(), plants, victims, outlets, started })
    }

    /// Where its instruments are.
    #[must_use]
    pub fn outlets(&self) -> &[Outlet] {
        &self.outlets
    }

    /// The channels' plants: what really happens.
    #[must_use]
    pub fn plants(&self) -> &[LivePlant] {
        &self.plants
    }

    /// The text of a station file that fits it.
    #[must_use]
    pub fn station_file(&self) -> String {
        print::station_file(&self.station, &self.outlets)
    }

    /// Plays faults until `length` is over or `stop` is raised; `tell` hears a line for each
    /// beginning and end.
    pub fn live(
        &mut self,
        mut faults: Player,
        length: Option<Duration>,
        stop: &StopFlag,
        tell: &mut dyn FnMut(&str),
    ) {
        loop {
            let now = Instant::ZERO + self.started.elapsed();
            for notice in faults.advance(now, &mut self.victims) {
                tell(&self.said(&notice));
            }
            if stop.is_raised() || length.is_some_and(|length| self.started.elapsed() >= length) {
                break;
            }
            // Plants live when they are asked; asked now and then, they never have much to make up.
            for plant in &self.plants {
                let _ = plant.truth();
            }
            let until = faults.next(now).map_or(NAP, |next| next.saturating_since(now));
            let left = length.map_or(NAP, |length| length.saturating_sub(self.started.elapsed()));
            std::thread::sleep(until.min(left).min(NAP));
        }
        let now = Instant::ZERO + self.started.elapsed();
        for notice in faults.finish(now, &mut self.victims) {
            tell(&self.said(&notice));
        }
    }

    fn said(&self, notice: &Notice) -> String {
        let utc = super::wall();
        let name = &self.victims[notice.fault.place].place.name;
        let fault = notice.fault.written(name);
        let word = if notice.begins { "begins" } else { "ends" };
        match &notice.trouble {
            None => format!("{utc} {word}: {fault}"),
            Some(trouble) => format!("{utc} {word}, but {trouble}: {fault}"),
        }
    }
}
