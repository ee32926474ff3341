//! `cresthold wiring`: every channel as it must be wired, to hang at the bench.

use super::place::page_name;
use super::{Exit, station_of};
use crate::report::wiring::{drawing, page};
use crate::station::ChannelSpec;
use clap::Args;
use std::path::{Path, PathBuf};

/// Draw every channel as it must be wired, with the volts and amps to expect and the cautions
#[derive(Debug, Args)]
#[command(
    name = "wiring",
    after_help = "Examples:
  cresthold wiring yard.toml              writes yard-wiring.html beside the file; print it
  cresthold wiring yard.toml --svg sheets one SVG file per channel in the directory sheets"
)]
pub(super) struct DrawWiring {
    /// The station file (TOML); without one, the built-in rehearsal station
    file: Option<PathBuf>,
    /// Where the page goes, a name ending in .html; without it, STATION-wiring.html
    #[arg(long, value_name = "FILE.html", value_parser = page_name, conflicts_with = "svg")]
    out: Option<PathBuf>,
    /// Write one SVG file per channel into this directory, instead of the page
    #[arg(long, value_name = "DIR")]
    svg: Option<PathBuf>,
}

impl DrawWiring {
    pub(super) fn carry_out(&self) -> Exit {
        let station = match station_of(self.file.as_deref()) {
            Ok(station) => station,
            Err(exit) => return exit,
        };
        let sheets: Vec<(PathBuf, String)> = match &self.svg {
            None => vec![(self.place(), page(&station))],
            Some(directory) => {
                let sheet = |channel: &ChannelSpec| {
                    let place = directory.join(format!("{}-wiring.svg", channel.name));
                    (place, drawing(&station, channel))
                };
                station.channels.iter().map(sheet).collect()
            }
        };
        for (place, sheet) in sheets {
            if let Err(error) = write(&place, &sheet) {
                tell!(
                    "{}: it can't be written ({error}); name another place with --out or --svg",
                    place.display()
                );
                return Exit::System;
            }
            sayln!("{}", place.display());
        }
        Exit::Done
    }

    fn place(&self) -> PathBuf {
        if let Some(out) = &self.out {
            return out.clone();
        }
        let file = self.file.as_deref().unwrap_or(Path::new("./cresthold-rehearsal.toml"));
        let stem = file.file_stem().unwrap_or_default().to_string_lossy();
        file.with_file_name(format!("{stem}-wiring.html"))
    }
}

fn write(place: &Path, sheet: &str) -> std::io::Result<()> {
    if let Some(directory) = place.parent() {
        std::fs::create_dir_all(directory)?;
    }
    std::fs::write(place, sheet)
}
