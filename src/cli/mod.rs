//! The command line: one file per subcommand, each a call into the room that does the work.

#[macro_use]
mod out;

mod backup;
mod bench;
mod cell;
mod check;
mod commission;
mod compare;
mod curve;
mod export;
mod manual;
mod picture;
mod place;
mod replay;
mod run;
mod season;
mod station;
mod status;
mod sweep;
mod tracker;
mod tune;
mod wiring;
mod yields;

use crate::station::Station;
use clap::{Parser, Subcommand};
use std::path::Path;
use std::process::ExitCode;

/// How the program ends.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[repr(u8)]
pub enum Exit {
    /// Everything was done.
    Done = 0,
    /// The command line can't be understood.
    Usage = 2,
    /// The station file, a tracker's script, a recorded day or a weather file has mistakes; nothing was
    /// started.
    Station = 3,
    /// The log can't be opened or written; loads are off.
    Log = 4,
    /// Instruments did not confirm that they are off: check them by hand.
    Unconfirmed = 5,
    /// The system refuses what a run needs; nothing was started.
    System = 6,
    /// Instruments did not answer at the start, or as something else; every channel was let go.
    Instruments = 7,
    /// Commissioning found something that has to be put right; everything is off.
    Findings = 8,
    /// Nobody agreed to energise the bench, or the light did not allow all checks; everything is off.
    Refused = 9,
    /// The file is no table of points, or its points are no usable curve.
    Curve = 10,
    /// The parts of a comparison don't fit together.
    Study = 11,
    /// A channel of the run that was asked is stuck.
    Stuck = 12,
    /// The controller acts differently than a recording of it.
    Different = 13,
    /// The file is no recording, is damaged, or holds nothing to replay.
    Recording = 14,
}

impl From<Exit> for ExitCode {
    fn from(exit: Exit) -> Self {
        Self::from(exit as u8)
    }
}

/// The station of a file, or the built-in one; what is wrong with the file is told here.
fn station_of(file: Option<&Path>) -> Result<Station, Exit> {
    let read = file.map_or_else(|| Ok(Station::rehearsal()), Station::load);
    read.map_err(|error| {
        tell!("{error}");
        Exit::Station
    })
}

#[derive(Debug, Parser)]
#[command(
    name = "cresthold",
    version,
    about = "Holds photovoltaic devices at their maximum power point and keeps the record",
    after_help = "Example of a day:\n  \
                  cresthold run --speed max --log day.sqlite\n  \
                  cresthold picture day.sqlite\n\n\
                  Exit codes: 0 done; 2 command line; 3 station file, script, recorded day or \
                  weather; 4 log; \
                  5 instruments did not confirm that they are off; 6 the system refused; \
                  7 instruments did not answer as stated; 8 commissioning found something to put \
                  right; 9 nobody agreed to energise, or the light did not allow all checks; \
                  10 no usable curve; 11 parts of a comparison don't fit; 12 a channel is stuck; \
                  13 the controller acts differently than recorded; 14 no recording.\n\n\
                  A photovoltaic device is live whenever it is lit. See README.md for the cautions."
)]
struct Arguments {
    #[command(subcommand)]
    command: Command,
}

#[derive(Debug, Subcommand)]
enum Command {
    Run(run::Run),
    Backup(backup::Backup),
    Check(check::Check),
    Bench(bench::ServeBench),
    Commission(commission::Commission),
    Compare(Box<compare::Compare>),
    Curve(Box<curve::CurveFile>),
    Export(export::WriteTable),
    Manual(manual::WriteManual),
    Picture(picture::DrawPicture),
    Replay(replay::Replay),
    Season(season::SumUpSeason),
    Station(station::PrintStation),
    Status(status::ShowStatus),
    Sweep(sweep::Sweep),
    Tracker(tracker::TryTracker),
    Tune(Box<tune::Tune>),
    Wiring(wiring::DrawWiring),
    Yield(Box<yields::WorkOutYield>),
}

impl Command {
    /// Whether it looks into a log: what of it is left out is told.
    const fn reads_log(&self) -> bool {
        matches!(
            self,
            Self::Backup(_)
                | Self::Curve(_)
                | Self::Export(_)
                | Self::Picture(_)
                | Self::Season(_)
                | Self::Sweep(_)
                | Self::Yield(_)
        )
    }
}

/// Parses the arguments, does what they say, tells the exit code.
#[must_use]
pub fn main() -> ExitCode {
    crate::daemon::stop::outlive_file_limits();
    let arguments = Arguments::parse();
    if arguments.command.reads_log() {
        out::tell_warnings();
    }
    let exit = match arguments.command {
        Command::Run(run) => run.carry_out(),
        Command::Backup(backup) => backup.carry_out(),
        Command::Check(check) => check.carry_out(),
        Command::Bench(bench) => bench.carry_out(),
        Command::Commission(commission) => commission.carry_out(),
        Command::Compare(compare) => compare.carry_out(),
        Command::Curve(curve) => curve.carry_out(),
        Command::Export(export) => export.carry_out(),
        Command::Manual(manual) => manual.carry_out(),
        Command::Picture(picture) => picture.carry_out(),
        Command::Replay(replay) => replay.carry_out(),
        Command::Season(season) => season.carry_out(),
        Command::Station(station) => station.carry_out(),
        Command::Status(status) => status.carry_out(),
        Command::Sweep(sweep) => sweep.carry_out(),
        Command::Tracker(tracker) => tracker.carry_out(),
        Command::Tune(tune) => tune.carry_out(),
        Command::Wiring(wiring) => wiring.carry_out(),
        Command::Yield(of) => of.carry_out(),
    };
    // What was to be said was not: whoever reads it has half of it.
    if exit == Exit::Done && out::failed() { Exit::System.into() } else { exit.into() }
}
