//! `cresthold backup`: a copy of a log, also while it is written.

use super::Exit;
use crate::store::backup;
use clap::Args;
use std::path::PathBuf;

/// Copy a log with all its files into a folder, while a run writes it or not
#[derive(Debug, Args)]
#[command(after_help = "Examples:
  cresthold backup yard.sqlite /media/stick/
  cresthold backup yard.sqlite \"backups/$(date +%F)\"   a folder a day, made before")]
pub(super) struct Backup {
    /// The log (SQLite)
    log: PathBuf,
    /// Where the copies go; a file that is there already is left, and nothing is overwritten
    folder: PathBuf,
}

impl Backup {
    pub(super) fn carry_out(&self) -> Exit {
        match backup(&self.log, &self.folder) {
            Ok(copies) => {
                for copy in copies {
                    sayln!("{}", copy.display());
                }
                Exit::Done
            }
            Err(error) => {
                tell!("{error}");
                Exit::Log
            }
        }
    }
}
