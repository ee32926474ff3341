//! `cresthold commission`: the real bench before a campaign.

use super::place::page_name;
use super::{Exit, out, station_of};
use crate::commission::{Commissioning, Light, Outcome, json, page, text};
use crate::daemon::RunError;
use crate::daemon::commission::{Order, Person, run};
use crate::daemon::stop::StopFlag;
use crate::quantities::{Celsius, Irradiance};
use crate::report::wiring::drawing;
use crate::station::{ChannelSpec, Station};
use crate::time::Utc;
use clap::Args;
use std::io::{BufRead as _, IsTerminal as _, Write as _};
use std::path::{Path, PathBuf};

/// Check a real bench before a campaign: wiring, ratings, zeros, noise, settling; asks first
///
/// Asks the station's sensors, identifies every instrument, reads zeros and noise with everything off, then energises one
/// channel after the other (boost supply on, input on at open circuit, steps, down toward short
/// circuit) and leaves everything off. What it finds goes to the terminal, into the log, and onto a
/// page to print and sign; control period and step are proposed from it.
///
/// CAUTION: it energises the bench. Before each channel it asks; with --yes it does not. Be there,
/// with the disconnect in reach.
#[derive(Debug, Args)]
#[command(after_help = "Examples:
  cresthold commission yard.toml                     asks before each channel
  cresthold commission yard.toml --irradiance 812 --module-temperature 41
                                with the light read off a meter: sharper limits
  cresthold commission yard.toml --yes --json        for a script; you said that you are there

Exit codes: 0 nothing has to be put right; 3 station file; 4 log or page; 5 not confirmed off: check
by hand; 8 something has to be put right; 9 not finished: nobody agreed to energise, or the light
did not allow all checks.")]
pub(super) struct Commission {
    /// The station file (TOML)
    file: PathBuf,
    /// The log that gets the record (SQLite); without it, the station file's
    #[arg(long, value_name = "FILE")]
    log: Option<PathBuf>,
    /// The page to sign (HTML); without it, beside the log
    #[arg(long, value_name = "FILE.html", value_parser = page_name)]
    page: Option<PathBuf>,
    /// Energise every channel without asking
    #[arg(long)]
    yes: bool,
    /// Irradiance on the devices, read off a meter (W/m2, 0..=2000); without it, the station's sensors
    /// tell it
    #[arg(long, value_name = "W/M2", value_parser = irradiance)]
    irradiance: Option<f64>,
    /// Temperature of the modules, read off a meter (degC, -50..=120); without it, likewise
    #[arg(long, value_name = "DEGC", value_parser = temperature, allow_negative_numbers = true)]
    module_temperature: Option<f64>,
    /// Take this for the time of day (2016-06-15T11:00:00Z); for a virtual bench whose sun doesn't
    /// follow the computer's clock
    #[arg(long, value_name = "UTC")]
    at: Option<Utc>,
    /// Print the report as JSON on standard output
    #[arg(long)]
    json: bool,
}

impl Commission {
    pub(super) fn carry_out(&self) -> Exit {
        let station = match station_of(Some(&self.file)) {
            Ok(station) => station,
            Err(exit) => return exit,
        };
        if station.plant.is_some() {
            tell!(
                "{}: its instruments are the [plant]'s, inside the program; there is nothing to \
                 commission",
                station.name
            );
            return Exit::Usage;
        }
        let Some(log) = self.log.clone().or_else(|| station.log.clone()) else {
            tell!("{}: no log is stated for the record; name one with --log", station.name);
            return Exit::Usage;
        };
        if !self.yes && !std::io::stdin().is_terminal() {
            tell!(
                "refused: this energises the bench, and nobody is there to be asked (standard input \
                 is no terminal). Where somebody stands beside the bench, say --yes"
            );
            return Exit::Refused;
        }
        match self.commission(&station, &log) {
            Ok(report) => self.tell(&station, &report, &log),
            Err(error) => {
                tell!("{error}");
                match error {
                    RunError::Store(_) | RunError::NoLog(_) | RunError::InUse { .. } => Exit::Log,
                    _ => Exit::System,
                }
            }
        }
    }

    fn commission(&self, station: &Station, log: &Path) -> Result<Commissioning, RunError> {
        let stop = StopFlag::on_signals()?;
        let light = Light {
            irradiance: self.irradiance.map(Irradiance),
            module: self.module_temperature.map(Celsius),
        };
        let order = Order { log, light, clock: self.at };
        run(station, &order, &mut Beside { yes: self.yes }, &stop)
    }

    fn tell(&self, station: &Station, report: &Commissioning, log: &Path) -> Exit {
        let drawings: Vec<String> =
            station.channels.iter().map(|channel| drawing(station, channel)).collect();
        let page = page::page(report, &drawings);
        let file = self.page.clone().unwrap_or_else(|| beside(log, report.span.0));
        let written = std::fs::write(&file, page);
        if self.json {
            sayln!("{}", json::report(report));
        } else {
            say!("{}", text::text(report));
            sayln!("log: {}", log.display());
            if written.is_ok() {
                sayln!("page to sign: {}", file.display());
            }
        }
        let exit = match report.outcome() {
            Outcome::Passed => Exit::Done,
            Outcome::Failed => Exit::Findings,
            Outcome::Unfinished | Outcome::Declined => Exit::Refused,
            Outcome::NotOff => {
                tell!(
                    "not confirmed off: check load inputs and boost supplies by hand; the devices \
                     are live whenever they are lit"
                );
                Exit::Unconfirmed
            }
        };
        if let Err(error) = written {
            tell!("{}: {error}; the record is in the log, name another --page", file.display());
            return if exit == Exit::Done { Exit::Log } else { exit };
        }
        exit
    }
}

/// The page's place beside the log: `yard-commission-20260401T101500Z.html`.
fn beside(log: &Path, at: Utc) -> PathBuf {
    let stem = log.file_stem().map_or_else(|| "log".into(), std::ffi::OsStr::to_string_lossy);
    let time: String = at.to_string().chars().filter(|c| !matches!(c, '-' | ':')).collect();
    let time = time.split('.').next().unwrap_or_default();
    log.with_file_name(format!("{stem}-commission-{time}Z.html"))
}

/// The person at the terminal.
pub(super) struct Beside {
    pub(super) yes: bool,
}

impl Person for Beside {
    fn agrees(&mut self, channel: &ChannelSpec, input: bool) -> bool {
        let envelope = &channel.control.envelope;
        let what = match (channel.control.boost_switched, input) {
            (true, true) => "the boost supply on, then the load's input",
            (true, false) => "the boost supply on (the input stays off, it is dark)",
            _ => "the load's input on",
        };
        tell!(
            "\nCAUTION: {} is energised next: {what}; up to {} and {}.\nNobody touches a lead, the \
             load can get hot, the disconnect is in reach.",
            channel.name,
            envelope.load_volts_max,
            envelope.device_amps_max
        );
        if self.yes {
            return true;
        }
        out::tell(format_args!("Energise {}? Type yes, or press Enter for no: ", channel.name));
        let _ = std::io::stderr().flush();
        let mut answer = String::new();
        let read = std::io::stdin().lock().read_line(&mut answer);
        read.is_ok() && answer.trim().eq_ignore_ascii_case("yes")
    }

    fn hears(&mut self, text: &str) {
        // Progress that can't be shown must not stop the work.
        let _ = writeln!(std::io::stderr(), "{text}");
    }
}

fn irradiance(text: &str) -> Result<f64, String> {
    within(text, 0.0, 2000.0, "W/m2")
}

fn temperature(text: &str) -> Result<f64, String> {
    within(text, -50.0, 120.0, "degC")
}

fn within(text: &str, low: f64, high: f64, unit: &str) -> Result<f64, String> {
    match text.parse::<f64>() {
        Ok(value) if (low..=high).contains(&value) => Ok(value),
        _ => Err(format!("state a number from {low} to {high} ({unit})")),
    }
}
