//! `cresthold bench`: a station's plant as virtual instruments on real lines.

use super::Exit;
use super::place::{Refusal, not_read, station_name};
use super::run::parse_length;
use crate::daemon::serve::{BenchError, Offer, VirtualBench, places};
use crate::daemon::stop::StopFlag;
use crate::report::table::align;
use crate::station::{FaultScript, Station, StationError};
use clap::Args;
use cresthold_sim::wire::fault::{Player, RandomFaults};
use std::io::Write;
use std::path::{Path, PathBuf};
use std::time::Duration;

/// Serve a station's plant as virtual instruments, and print the station file that fits them
///
/// Loads, boost supplies and sensors of a station with a [plant] answer in real time on TCP ports
/// of this computer, on pseudo-terminals, or on both, under the recorded day's sky. A logger can't
/// tell them from real ones. A fault script lets lines, sensors and instruments fail; each fault is
/// told on standard error when it begins and when it ends.
#[derive(Debug, Args)]
#[command(
    name = "bench",
    after_help = "Examples:
  cresthold bench --write bench.toml &                  the built-in station, on free TCP ports
  cresthold run bench.toml --log bench.sqlite           the logger on it, in real time
  cresthold bench yard.toml --terminals /tmp/yard --at 07:30 --speed 60 --write bench.toml
  cresthold bench --terminals yard --faults deploy/faults/ten-bad-minutes.toml > bench.toml
  cresthold bench --random-faults 7 --mean 20s --terminals /tmp/yard > bench.toml"
)]
pub(super) struct ServeBench {
    /// The station file (TOML) with a [plant]; without one, the built-in rehearsal station
    file: Option<PathBuf>,
    /// Serve on TCP from this port of 127.0.0.1 on, one for each instrument; 0 for free ones (the
    /// default without --terminals)
    #[arg(long, value_name = "FIRST")]
    port: Option<u16>,
    /// Serve on pseudo-terminals, with stable names in this directory
    #[arg(long, value_name = "DIR")]
    terminals: Option<PathBuf>,
    /// The recorded day's time at the start (UTC)
    #[arg(long, value_name = "HH:MM", default_value = "12:00", value_parser = parse_time)]
    at: Duration,
    /// Let the sky go faster than real time (1 to 10000); instruments keep real time
    #[arg(long, value_name = "TIMES", default_value = "1", value_parser = parse_speed)]
    speed: f64,
    /// End after this long (90s, 15min, 6h, 2d); without it, at Ctrl-C
    #[arg(long = "for", value_name = "TIME", value_parser = parse_length)]
    length: Option<Duration>,
    /// Write the station file here instead of on standard output
    #[arg(long, value_name = "FILE.toml", value_parser = station_name)]
    write: Option<PathBuf>,
    /// Play the faults of this script (TOML)
    #[arg(long, value_name = "FILE")]
    faults: Option<PathBuf>,
    /// Play random faults too; the same seed gives the same
    #[arg(long, value_name = "SEED")]
    random_faults: Option<u64>,
    /// Mean time from one random fault to the next
    #[arg(long, value_name = "TIME", default_value = "60s", value_parser = parse_length)]
    mean: Duration,
}

impl ServeBench {
    pub(super) fn carry_out(&self) -> Exit {
        if let Err((exit, text)) = self.check_write() {
            tell!("{text}");
            return exit;
        }
        let (station, faults) = match self.read() {
            Ok(read) => read,
            Err(error) => {
                tell!("{error}");
                return Exit::Station;
            }
        };
        let stop = match StopFlag::on_signals() {
            Ok(stop) => stop,
            Err(error) => {
                tell!("the signals that end a bench can't be caught: {error}");
                return Exit::System;
            }
        };
        let mut bench = match VirtualBench::start(&station, &self.offer()) {
            Ok(bench) => bench,
            Err(error) => {
                tell!("{error}");
                return match error {
                    BenchError::Yard(_) => Exit::Station,
                    BenchError::NoSuchTime { .. } | BenchError::Ports { .. } => Exit::Usage,
                    BenchError::Serve(_) | BenchError::Directory { .. } => Exit::System,
                };
            }
        };
        if let Err(error) = self.print(&bench.station_file()) {
            let place = self.write.as_deref().unwrap_or(Path::new("standard output"));
            tell!(
                "{}: the station file can't be written ({error}); name another place with --write",
                place.display()
            );
            return Exit::System;
        }
        tell!("{}: a virtual bench; ends at Ctrl-C\n\n{}", station.name, table(&bench));
        bench.live(faults, self.length, &stop, &mut |line| tell!("{line}"));
        for (spec, plant) in station.channels.iter().zip(bench.plants()) {
            let truth = plant.truth();
            let (delivered, available) = (truth.delivered.0, truth.available.0);
            let name = &spec.name;
            tell!("{name}: delivered {delivered:.3} Wh, the crest offered {available:.3} Wh");
        }
        Exit::Done
    }

    /// Refuses to write the station file over what is read.
    fn check_write(&self) -> Result<(), Refusal> {
        let Some(out) = &self.write else { return Ok(()) };
        self.file.iter().chain(&self.faults).try_for_each(|read| not_read(out, read))
    }

    /// The station and the faults it is to suffer.
    fn read(&self) -> Result<(Station, Player), StationError> {
        let station = match &self.file {
            Some(file) => Station::load(file)?,
            None => Station::rehearsal(),
        };
        let places = places(&station, self.terminals.is_some());
        let mut player = Player::new();
        if let Some(file) = &self.faults {
            player.add(FaultScript::load(file, &places)?.into_iter());
        }
        if let Some(seed) = self.random_faults {
            tell!("random faults: seed {seed}, one in {:?} on average", self.mean);
            player.add(RandomFaults::new(seed, self.mean, &places));
        }
        Ok((station, player))
    }

    fn offer(&self) -> Offer {
        let free = if self.terminals.is_none() { Some(0) } else { None };
        Offer {
            port: self.port.or(free),
            // A path that can't be made absolute is told when its directory is made.
            terminals: self
                .terminals
                .as_ref()
                .map(|path| std::path::absolute(path).unwrap_or_else(|_| path.clone())),
            at: self.at,
            speed: self.speed,
        }
    }

    fn print(&self, text: &str) -> std::io::Result<()> {
        match &self.write {
            Some(file) => std::fs::write(file, text),
            None => {
                let mut out = std::io::stdout().lock();
                out.write_all(text.as_bytes())?;
                out.flush()
            }
        }
    }
}

fn table(bench: &VirtualBench) -> String {
    let row = |outlet: &crate::daemon::serve::Outlet| {
        let also = outlet.also.as_ref().map_or_else(String::new, ToString::to_string);
        vec![outlet.name.clone(), outlet.address.to_string(), also, outlet.identity.clone()]
    };
    let rows: Vec<_> = bench.outlets().iter().map(row).collect();
    align(&["instrument", "link", "also", "identity"], &rows)
}

fn parse_time(text: &str) -> Result<Duration, String> {
    let time: jiff::civil::Time =
        text.parse().map_err(|error| format!("{error}; write a time such as 07:30"))?;
    let since = time.duration_since(jiff::civil::Time::midnight());
    Duration::try_from(since).map_err(|error| error.to_string())
}

fn parse_speed(text: &str) -> Result<f64, String> {
    match text.parse::<f64>() {
        Ok(speed) if (1.0..=1e4).contains(&speed) => Ok(speed),
        _ => Err("state a number from 1 to 10000".to_owned()),
    }
}
