//! `cresthold run`: a station, on real instruments or on the embedded plant.

use super::{Exit, station_of};
use crate::daemon::field::{self, Stay};
use crate::daemon::live::Screen;
use crate::daemon::rehearse::{self, Pace};
use crate::daemon::stop::StopFlag;
use crate::daemon::voice::Voice;
use crate::daemon::{Ended, RunError};
use crate::station::Station;
use clap::Args;
use std::path::{Path, PathBuf};
use std::time::Duration;

/// The built-in rehearsal's day takes a minute.
const REHEARSAL_SPEED: f64 = 1440.0;
/// A rehearsal without `--for` plays one day.
const REHEARSAL_LENGTH: Duration = Duration::from_secs(86_400);

/// Run a station: hold every device at its maximum power point and write the log
///
/// Without a file: the built-in rehearsal station, three devices on the embedded plant, through a
/// recorded day of broken cloud at 1440 times real time. With a file: real instruments in real
/// time, or, where the file has a [plant], simulated ones in real time or at `--speed`.
///
/// Ctrl-C, SIGTERM and SIGHUP end a run in order: loads off, boost supplies off, last records
/// written, summary printed.
#[derive(Debug, Args)]
#[command(after_help = "Examples:
  cresthold run                              a simulated day in a minute
  cresthold run --speed max --for 6h         its first six hours, as fast as it goes
  cresthold run yard.toml --log yard.sqlite  real instruments, until Ctrl-C")]
pub(super) struct Run {
    /// The station file (TOML); without one, the built-in rehearsal station
    file: Option<PathBuf>,
    /// End after this much of the run's own time (90s, 15min, 6h, 2d)
    #[arg(long = "for", value_name = "TIME", value_parser = parse_length)]
    length: Option<Duration>,
    /// Times real time (0.1..=1e6, or max); only on the embedded plant
    #[arg(long, value_name = "TIMES", value_parser = parse_speed)]
    speed: Option<f64>,
    /// The log's file (SQLite); continued if it exists
    #[arg(long, value_name = "FILE")]
    log: Option<PathBuf>,
    /// Keep trying instruments that don't answer, and a log that can't be written, at the start,
    /// instead of ending; for a service
    #[arg(long)]
    patient: bool,
    /// Print the summary as JSON on standard output
    #[arg(long)]
    json: bool,
    /// Show no live status
    #[arg(long)]
    quiet: bool,
}

impl Run {
    pub(super) fn carry_out(&self) -> Exit {
        let station = match station_of(self.file.as_deref()) {
            Ok(station) => station,
            Err(exit) => return exit,
        };
        if self.speed.is_some() && station.plant.is_none() {
            tell!(
                "--speed: {} has real instruments, which run in real time; leave it out",
                station.name
            );
            return Exit::Usage;
        }
        match self.run(&station) {
            Ok(ended) => self.tell(&ended),
            Err(error) => {
                match &error {
                    RunError::NoLog(why) if why.may_pass() => tell!(
                        "{error}. With --patient the run goes on and its records wait in memory."
                    ),
                    _ => tell!("{error}"),
                }
                match error {
                    RunError::Yard(_) => Exit::Station,
                    RunError::Store(_) | RunError::NoLog(_) | RunError::InUse { .. } => Exit::Log,
                    RunError::Signals(_) | RunError::System(_) => Exit::System,
                }
            }
        }
    }

    fn run(&self, station: &Station) -> Result<Ended, RunError> {
        let stop = StopFlag::on_signals()?;
        let log = self
            .log
            .clone()
            .or_else(|| station.log.clone())
            .unwrap_or_else(|| free_name(Path::new("."), "cresthold-rehearsal"));
        let voice = Voice::new()?;
        let mut screen = if self.quiet { Screen::silent() } else { Screen::on(voice.clone()) };
        if !screen.redraws() {
            let lines = voice.clone();
            let writer = move || lines.clone();
            tracing_subscriber::fmt().with_writer(writer).with_target(false).init();
        }
        let ended = if station.plant.is_none() {
            tell!("{}: log {}", station.name, log.display());
            let stay = Stay { length: self.length, patient: self.patient, sweep: None };
            field::run(station, &log, stay, &stop, &mut screen)
        } else {
            self.rehearse(station, &log, &stop, &mut screen)
        };
        voice.drain();
        ended
    }

    fn rehearse(
        &self,
        station: &Station,
        log: &Path,
        stop: &StopFlag,
        screen: &mut Screen,
    ) -> Result<Ended, RunError> {
        tell!("{}: seed {}, log {}", station.name, station.seed, log.display());
        let built_in = self.file.is_none();
        let speed = self.speed.unwrap_or(if built_in { REHEARSAL_SPEED } else { 1.0 });
        let pace = Pace { speed, length: self.length.unwrap_or(REHEARSAL_LENGTH) };
        rehearse::run(station, log, pace, stop, screen)
    }

    fn tell(&self, ended: &Ended) -> Exit {
        if self.json {
            sayln!("{}", ended.summary.json(&ended.names));
        } else {
            sayln!("\n{}", ended.summary.table(&ended.names));
            if let Some(line) = ended.summary.punctuality() {
                sayln!("{line}");
            }
            sayln!("log: {}", ended.log.display());
        }
        if !ended.unreached.is_empty() {
            for trouble in &ended.troubles {
                tell!("{trouble}");
            }
            tell!(
                "no run: the instruments of {} did not answer as stated, see above; every channel \
                 was let go. With --patient the run goes on and keeps trying.",
                ended.unreached.join(", ")
            );
            return Exit::Instruments;
        }
        if ended.unconfirmed.is_empty() {
            return Exit::Done;
        }
        tell!(
            "not confirmed off: {}. Check load inputs and boost supplies by hand; the devices are \
             live whenever they are lit.",
            ended.unconfirmed.join(", ")
        );
        Exit::Unconfirmed
    }
}

/// The first of NAME-1.sqlite, NAME-2.sqlite, ... that does not exist: a rehearsal never mixes its
/// simulated day into another's log.
fn free_name(directory: &Path, name: &str) -> PathBuf {
    (1_u32..)
        .map(|n| directory.join(format!("{name}-{n}.sqlite")))
        .find(|path| !path.exists())
        .unwrap_or_else(|| directory.join(format!("{name}.sqlite")))
}

pub(super) fn parse_length(text: &str) -> Result<Duration, String> {
    let wrong = || "write a time such as 90s, 15min, 6h, 2d or \"1h 30min\"".to_owned();
    let span: jiff::Span = text.parse().map_err(|_| wrong())?;
    let span = span.to_duration(jiff::SpanRelativeTo::days_are_24_hours()).map_err(|_| wrong())?;
    let length = Duration::try_from(span).map_err(|_| "a run can't be shorter than nothing")?;
    if length.is_zero() { Err("a run needs some time, at least 1s".to_owned()) } else { Ok(length) }
}

fn parse_speed(text: &str) -> Result<f64, String> {
    if text == "max" {
        return Ok(f64::INFINITY);
    }
    match text.parse::<f64>() {
        Ok(speed) if (0.1..=1e6).contains(&speed) => Ok(speed),
        _ => Err("state a number from 0.1 to 1e6, or max".to_owned()),
    }
}
