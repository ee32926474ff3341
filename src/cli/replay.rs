//! `cresthold replay`: a recording's inputs through the controller once more.

use super::Exit;
use crate::recording::{
    self, Difference, End, Header, ReadError, Recording, ReplayError, Replayed, replay,
};
use crate::station::Station;
use clap::Args;
use serde_json::{Value, json};
use std::fs::File;
use std::io::BufReader;
use std::path::{Path, PathBuf};

/// Replay a recording through the controller, and compare all that it does
///
/// A run records what each channel hears and does where its station file says so under [recording].
/// The recording holds the station's text; a controller that is built from it is told the same inputs
/// at the same times, and every command, wake and record that comes of them is compared. The first
/// difference is told and ends the replay: what was recorded behind it answers to what was done
/// then.
#[derive(Debug, Args)]
#[command(after_help = "Examples:
  cresthold replay recordings/module-1-1.recording
  cresthold replay recordings/module-1-1.recording --station other.toml   where other settings part
  cresthold replay recordings/module-1-1.recording --json                 for a script

Exit codes: 0 the same to the recording's end; 2 command line; 3 station file; 6 the file can't be
read; 13 the controller acts differently; 14 no recording, a damaged one, or one that holds nothing.")]
pub(super) struct Replay {
    /// The recording
    file: PathBuf,
    /// Take the channel's settings from this station file (TOML) instead of the recorded one
    #[arg(long, value_name = "FILE")]
    station: Option<PathBuf>,
    /// Print JSON
    #[arg(long)]
    json: bool,
}

impl Replay {
    pub(super) fn carry_out(&self) -> Exit {
        let station = self.station.as_deref().map(Station::load).transpose();
        let replayed = station.map_err(ReplayError::Station).and_then(|station| {
            let file = File::open(&self.file).map_err(ReadError::Io)?;
            let mut recording = Recording::new(BufReader::new(file))?;
            let replayed = replay(&mut recording, station.as_ref())?;
            Ok((recording.header().clone(), replayed))
        });
        match replayed {
            Ok((header, replayed)) => self.tell(&header, &replayed),
            Err(error) => {
                tell!("{}: {error}", self.file.display());
                match error {
                    ReplayError::Read(ReadError::Io(_)) => Exit::System,
                    ReplayError::Read(_) => Exit::Recording,
                    ReplayError::Station(_) | ReplayError::NoChannel(_) => Exit::Station,
                }
            }
        }
    }

    fn tell(&self, header: &Header, replayed: &Replayed) -> Exit {
        if self.json {
            sayln!("{}", in_json(&self.file, header, replayed));
        } else {
            say!("{}", in_words(&self.file, header, replayed));
        }
        match replayed {
            Replayed { difference: Some(_), .. } => Exit::Different,
            Replayed { inputs: 0, .. } => Exit::Recording,
            _ => Exit::Done,
        }
    }
}

fn in_words(file: &Path, header: &Header, replayed: &Replayed) -> String {
    let Header { program, channel, .. } = header;
    let Replayed { inputs, commands, records, span, end, difference } = replayed;
    let mut text = format!("{}: {channel}, recorded by {program}\n", file.display());
    let own = recording::program();
    if *program != own {
        text.push_str(&format!(
            "this is {own}: a difference may be one between programs, or of the last bit\n"
        ));
    }
    if let Some((first, last)) = span {
        let hours = last.mono.saturating_since(first.mono).as_secs_f64() / 3600.0;
        text.push_str(&format!(
            "the same: {inputs} inputs from {} on, {hours:.2} h; {commands} commands, {records} \
             records\n",
            first.utc
        ));
    }
    if let Some(Difference { line, input_line, at, input, expected, got }) = difference {
        text.push_str(&format!(
            "not the same: line {line}, {}, {:.3} s into the run\n  heard     {input:?} (line \
             {input_line})\n  recorded  {expected}\n  now       {got}\n",
            at.utc,
            at.mono.as_secs_f64()
        ));
    }
    match end {
        None | Some(End::Whole) => {}
        Some(End::Torn) => {
            text.push_str("the recording breaks off: a power cut, a kill, or the run goes on\n");
        }
        Some(End::Full) => text.push_str("the recording ends before the run: it was full\n"),
        Some(End::Lost(count)) => text.push_str(&format!(
            "the recording ends before the run: {count} inputs came faster than the disk took them\n"
        )),
    }
    text
}

fn in_json(file: &Path, header: &Header, replayed: &Replayed) -> Value {
    let end = replayed.end.map(|end| match end {
        End::Whole => "whole",
        End::Torn => "torn",
        End::Full => "full",
        End::Lost(_) => "lost",
    });
    let difference = replayed.difference.as_ref().map(|it| {
        json!({
            "line": it.line,
            "input_line": it.input_line,
            "utc": it.at.utc.to_string(),
            "seconds": it.at.mono.as_secs_f64(),
            "input": format!("{:?}", it.input),
            "recorded": it.expected,
            "now": it.got,
        })
    });
    json!({
        "file": file.display().to_string(),
        "channel": header.channel,
        "program": header.program,
        "replayed_by": recording::program(),
        "inputs": replayed.inputs,
        "commands": replayed.commands,
        "records": replayed.records,
        "from": replayed.span.map(|(first, _)| first.utc.to_string()),
        "to": replayed.span.map(|(_, last)| last.utc.to_string()),
        "end": end,
        "difference": difference,
    })
}
