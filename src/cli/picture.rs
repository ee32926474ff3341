//! `cresthold picture`: a day of a log as an SVG picture.

use super::Exit;
use super::place::picture_name;
use crate::report::picture::{PictureError, draw_day};
use crate::store::Reader;
use clap::Args;
use std::path::{Path, PathBuf};

/// Draw one day of a log: power of every device, the crest where it is known, irradiance
#[derive(Debug, Args)]
#[command(after_help = "Examples:
  cresthold picture yard.sqlite                    the last day in the log
  cresthold picture yard.sqlite --date 2026-06-21 --out solstice.svg")]
pub(super) struct DrawPicture {
    /// The log (SQLite), of a run that has ended or still goes on
    log: PathBuf,
    /// The date (of UTC, or of the sun where the station splits days so); without it, the last one in the log
    #[arg(long, value_name = "YYYY-MM-DD", value_parser = parse_date)]
    date: Option<String>,
    /// Where the picture goes, a name ending in .svg; without it, LOG-DATE.svg beside the log
    #[arg(long, value_name = "FILE.svg", value_parser = picture_name)]
    out: Option<PathBuf>,
}

impl DrawPicture {
    pub(super) fn carry_out(&self) -> Exit {
        let drawn = Reader::open(&self.log)
            .map_err(PictureError::from)
            .and_then(|reader| draw_day(&reader, self.date.as_deref()));
        let picture = match drawn {
            Ok(picture) => picture,
            Err(error) => return refuse(&self.log, &error),
        };
        let out = self.out.clone().unwrap_or_else(|| beside(&self.log, &picture.date));
        if let Err(error) = std::fs::write(&out, picture.svg) {
            tell!(
                "{}: the picture can't be written ({error}); name another place with --out",
                out.display()
            );
            return Exit::System;
        }
        sayln!("{}", out.display());
        Exit::Done
    }
}

fn refuse(log: &Path, error: &PictureError) -> Exit {
    match error {
        // Its text names the log already.
        PictureError::Store(error) => tell!("{error}"),
        _ => tell!("log {}: {error}", log.display()),
    }
    match error {
        PictureError::NoSuchDate { .. } | PictureError::NotADate { .. } => Exit::Usage,
        PictureError::Store(_) | PictureError::Empty => Exit::Log,
        PictureError::Drawing { .. } => Exit::System,
    }
}

fn beside(log: &Path, date: &str) -> PathBuf {
    let stem = log.file_stem().unwrap_or_default().to_string_lossy();
    log.with_file_name(format!("{stem}-{date}.svg"))
}

pub(super) fn parse_date(text: &str) -> Result<String, String> {
    let date: jiff::civil::Date =
        text.parse().map_err(|error| format!("{error}; write a date such as 2026-06-21"))?;
    let date = date.to_string();
    // Else a time of day would be left out without a word.
    if date != text.trim() {
        return Err(format!("whole days are meant, without a time: write {date}"));
    }
    Ok(date)
}
