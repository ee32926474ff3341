//! `cresthold status`: how a run is, asked from another terminal.

use super::Exit;
use crate::daemon::health::{AskError, ask};
use crate::station::Station;
use clap::Args;
use std::net::SocketAddr;
use std::path::PathBuf;

/// Show how a run under way is: channels, log, what it costs
///
/// The run is found by the log it writes, on this computer. It answers between two turns; nothing is
/// disturbed. Monitoring systems read the same from the address that the station file states under
/// [health], as OpenMetrics text at /metrics and as JSON at /status.
#[derive(Debug, Args)]
#[command(after_help = "Examples:
  cresthold status yard.sqlite           a table
  cresthold status yard.toml --json      for a script; the log is the one the file names

Exit codes: 0 control turns; 2 command line; 3 station file; 4 no run writes this log, or it does \
not answer; 12 a channel is stuck.")]
pub(super) struct ShowStatus {
    /// The log (.sqlite) of a run under way, or the station file (TOML) that names it
    file: PathBuf,
    /// Print JSON
    #[arg(long)]
    json: bool,
}

impl ShowStatus {
    pub(super) fn carry_out(&self) -> Exit {
        let (log, stated) = match self.log() {
            Ok(found) => found,
            Err(exit) => return exit,
        };
        let health = match ask(&log, stated) {
            Ok(health) => health,
            Err(error) => {
                match error {
                    AskError::NotRunning { .. } if log.exists() => tell!(
                        "{error}; `cresthold picture` and `cresthold curve` show what is in it"
                    ),
                    AskError::NotRunning { .. } => tell!("{error}; there is no such log"),
                    _ => tell!("{error}"),
                }
                return Exit::Log;
            }
        };
        if self.json {
            match serde_json::to_string_pretty(&health) {
                Ok(text) => sayln!("{text}"),
                Err(error) => tell!("{error}"),
            }
        } else {
            say!("{health}");
        }
        if health.turning { Exit::Done } else { Exit::Stuck }
    }

    /// The log, and the address that the station states.
    fn log(&self) -> Result<(PathBuf, Option<SocketAddr>), Exit> {
        if self.file.extension().is_none_or(|end| !end.eq_ignore_ascii_case("toml")) {
            return Ok((self.file.clone(), None));
        }
        let station = Station::load(&self.file).map_err(|error| {
            tell!("{error}");
            Exit::Station
        })?;
        let log = station.log.ok_or_else(|| {
            tell!("{}: it names no log; name the log itself", self.file.display());
            Exit::Usage
        })?;
        Ok((log, station.health))
    }
}
