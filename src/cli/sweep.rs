//! `cresthold sweep`: one curve now, of a running campaign or without one.

use super::Exit;
use super::commission::Beside;
use super::place::is_database;
use super::run::parse_length;
use crate::control::record::{CurveEnd, SweepDirection};
use crate::daemon::commission::Person as _;
use crate::daemon::field::{self, Stay};
use crate::daemon::live::Screen;
use crate::daemon::requests::{Answer, ask, wait};
use crate::daemon::stop::StopFlag;
use crate::daemon::{Ended, RunError};
use crate::report::curve_result::{report, stated_of};
use crate::station::{ChannelSpec, Station};
use crate::store::{CurveRow, Reader, StoreError, StoredChannel};
use crate::time::Utc;
use clap::Args;
use std::io::IsTerminal as _;
use std::path::{Path, PathBuf};
use std::time::Duration;

/// How long a one-shot waits for light and instruments.
const WITHIN: Duration = Duration::from_secs(60);

/// Take an I-V curve now: asked of a running campaign (its log), or once, without one (a station file)
///
/// Of a log: the run that writes it, on this computer, is asked for a curve of the channel; it begins
/// with the channel's next turn at the crest, goes into that log (`cresthold curve LOG`) and is printed.
/// A channel that isn't at its crest is not swept, and the reason told.
///
/// Of a station file: the channel's instruments are energised, brought to the crest, swept, and
/// switched off again; the curve is printed and stored in the log.
///
/// CAUTION: the latter energises the bench. It asks first; with --yes it does not.
#[derive(Debug, Args)]
#[command(after_help = "Examples:
  cresthold sweep yard.sqlite --channel slope-1        of the run that writes yard.sqlite
  cresthold sweep yard.toml --channel slope-1          once; asks before energising
  cresthold sweep yard.toml --channel slope-1 --yes --log curves.sqlite --json

Exit codes: 0 done; 2 command line, or a channel that isn't there; 3 station file; 4 log, or no run
to be asked; 5 not confirmed off: check by hand; 6 the system refuses what it needs; 7 instruments
did not answer as stated; 9 refused: nobody agreed to energise; 10 no whole curve: too dark, let go,
or not at its crest.")]
pub(super) struct Sweep {
    /// A log (.sqlite) of a run under way, or a station file (TOML)
    file: PathBuf,
    /// The channel
    #[arg(long, value_name = "NAME")]
    channel: String,
    /// The log that gets the curve (SQLite); without it, the station file's
    #[arg(long, value_name = "FILE")]
    log: Option<PathBuf>,
    /// Energise the channel without asking
    #[arg(long)]
    yes: bool,
    /// Give up when there is no curve after this long, as in the dark (90s, 15min; 60s)
    #[arg(long, value_name = "TIME", value_parser = parse_length)]
    within: Option<Duration>,
    /// Print the curve's figures as JSON
    #[arg(long)]
    json: bool,
}

impl Sweep {
    pub(super) fn carry_out(&self) -> Exit {
        if is_log(&self.file) {
            return self.ask().unwrap_or_else(|error| {
                tell!("{error}");
                Exit::Log
            });
        }
        let station = match Station::load(&self.file) {
            Ok(station) => station,
            Err(error) => {
                tell!("{error}");
                return Exit::Station;
            }
        };
        let names: Vec<&str> = station.channels.iter().map(|spec| spec.name.as_str()).collect();
        let Some(spec) = station.channels.iter().find(|spec| spec.name == self.channel) else {
            return self.no_channel(&station.name, &names);
        };
        if station.plant.is_some() {
            tell!(
                "{}: its instruments are the [plant]'s, inside the program; let `run` take its \
                 curves ([channel.sweep])",
                station.name
            );
            return Exit::Usage;
        }
        let Some(log) = self.log.clone().or_else(|| station.log.clone()) else {
            tell!("{}: no log is stated for the curve; name one with --log", station.name);
            return Exit::Usage;
        };
        if !self.consent(spec) {
            return Exit::Refused;
        }
        match self.sweep(&station, spec, &log) {
            Ok(exit) => exit,
            Err(error) => {
                tell!("{error}");
                match error {
                    RunError::Store(_) | RunError::NoLog(_) | RunError::InUse { .. } => Exit::Log,
                    _ => Exit::System,
                }
            }
        }
    }

    fn no_channel(&self, of: &str, names: &[&str]) -> Exit {
        tell!("{of}: no channel is called {}; there are {}", self.channel, names.join(", "));
        Exit::Usage
    }

    /// Asks the run that writes the log, and waits for the curve.
    fn ask(&self) -> Result<Exit, StoreError> {
        let reader = Reader::open(&self.file)?;
        let known = reader.channels()?;
        let Some(row) = known.iter().find(|row| row.name == self.channel) else {
            let names: Vec<&str> = known.iter().map(|row| row.name.as_str()).collect();
            return Ok(self.no_channel(&self.file.display().to_string(), &names));
        };
        let before = newest(&reader, row.id, None)?;
        match ask(&self.file, &self.channel) {
            // Standard output is the curve's.
            Ok(Answer::Taken(sentence)) => tell!("{sentence}"),
            Ok(Answer::NotNow(sentence)) => {
                tell!("{sentence}");
                return Ok(Exit::Curve);
            }
            Ok(Answer::Unknown(sentence)) => {
                tell!("{sentence}");
                return Ok(Exit::Usage);
            }
            Err(error) => {
                tell!("{error}");
                return Ok(Exit::Log);
            }
        }
        let within = self.within.unwrap_or(WITHIN);
        let from = before.as_ref().map(|curve| curve.began.utc);
        let before = before.as_ref().map(key);
        let come = || Ok(newest(&reader, row.id, from)?.as_ref().map(key) > before);
        if wait(within, come)? {
            return self.print(&self.file);
        }
        tell!(
            "no curve within {} s: {} may have been let go (the events in the log tell), or a curve \
             takes longer (--within)",
            within.as_secs(),
            self.channel
        );
        Ok(Exit::Curve)
    }

    /// Whether a person agrees to energise the channel.
    fn consent(&self, spec: &ChannelSpec) -> bool {
        if !self.yes && !std::io::stdin().is_terminal() {
            tell!(
                "refused: this energises the bench, and nobody is there to be asked (standard input \
                 is no terminal). Where somebody stands beside the bench, say --yes"
            );
            return false;
        }
        Beside { yes: self.yes }.agrees(spec, true)
    }

    fn sweep(&self, station: &Station, spec: &ChannelSpec, log: &Path) -> Result<Exit, RunError> {
        let stop = StopFlag::on_signals()?;
        let length = Some(self.within.unwrap_or(WITHIN));
        let stay = Stay { length, patient: false, sweep: Some(spec.control.id) };
        let ended = field::run(station, log, stay, &stop, &mut Screen::silent())?;
        let told = self.tell(&ended)?;
        if ended.unconfirmed.is_empty() {
            return Ok(told);
        }
        tell!(
            "not confirmed off: check load input and boost supply by hand; the device is live \
             whenever it is lit"
        );
        Ok(Exit::Unconfirmed)
    }

    fn tell(&self, ended: &Ended) -> Result<Exit, StoreError> {
        for trouble in &ended.troubles {
            tell!("{trouble}");
        }
        if !ended.unreached.is_empty() {
            return Ok(Exit::Instruments);
        }
        if ended.curve.is_none() {
            tell!(
                "no curve: {} did not come to its crest within {} s (--within): too dark, or held off \
                 (the events in {} tell which)",
                self.channel,
                self.within.unwrap_or(WITHIN).as_secs(),
                ended.log.display()
            );
            return Ok(Exit::Curve);
        }
        self.print(&ended.log)
    }

    /// Prints what the log's newest curve says.
    fn print(&self, log: &Path) -> Result<Exit, StoreError> {
        let reader = Reader::open(log)?;
        let known = reader.channels()?;
        let Some(row) = known.iter().find(|row| row.name == self.channel) else {
            return Ok(Exit::Curve);
        };
        let Some(newest) = newest(&reader, row.id, None)? else {
            return Ok(Exit::Curve);
        };
        if newest.ending != CurveEnd::Whole.word() {
            tell!("no whole curve: {} after {} points", newest.ending, newest.points);
            return Ok(Exit::Curve);
        }
        let points = reader.curve_points(row.id, newest.boot, newest.curve)?;
        let name = format!("{} {}", self.channel, newest.began.utc);
        let stated = match stated_of(reader.stated(row.id, newest.boot)?) {
            Ok(stated) => stated,
            Err(error) => {
                tell!("{name}: {error}");
                return Ok(Exit::Log);
            }
        };
        let direction = SweepDirection::ALL.into_iter().find(|it| it.word() == newest.direction);
        match report(&name, direction.unwrap_or_default(), &points, stated.as_ref()) {
            Ok(report) if self.json => sayln!("{}", report.json()),
            Ok(report) => {
                say!("{}", report.table());
                sayln!("log: {}", log.display());
            }
            Err(error) => {
                tell!("{name}: {error}");
                return Ok(Exit::Curve);
            }
        }
        Ok(Exit::Done)
    }
}

/// Whether a file is a log: by its first bytes, or, where there is none yet, by its name.
fn is_log(file: &Path) -> bool {
    /// Bytes that tell a database.
    const BEGINS: u64 = 16;
    let named = file.extension().is_some_and(|end| end.eq_ignore_ascii_case("sqlite"));
    is_database(file) || named && std::fs::metadata(file).map_or(true, |meta| meta.len() < BEGINS)
}

/// A channel's newest curve that has ended, of those that began at `from` or later.
fn newest(
    reader: &Reader,
    channel: StoredChannel,
    from: Option<Utc>,
) -> Result<Option<CurveRow>, StoreError> {
    let from = from.unwrap_or(Utc::from_micros(i64::MIN));
    Ok(reader.curves(channel, from, Utc::from_micros(i64::MAX))?.into_iter().max_by_key(key))
}

/// What orders the curves of a channel: the run, and the number in it.
fn key(curve: &CurveRow) -> (i64, u32) {
    (curve.boot, curve.curve)
}
