//! The same once more: a recording's inputs through a fresh channel, and what comes of them compared.

use super::read::{End, Entry, ReadError, Recording};
use super::words::{Word, deeds};
use super::write::{Line, write_deed};
use crate::control::{Channel, Input, Outbox};
use crate::station::{ChannelSpec, Station, StationError};
use crate::time::Stamp;
use std::io::BufRead;

/// Why a recording can't be replayed (on).
#[derive(Debug, thiserror::Error)]
pub enum ReplayError {
    /// It can't be read.
    #[error(transparent)]
    Read(#[from] ReadError),
    /// The station can't be had.
    #[error(transparent)]
    Station(#[from] StationError),
    /// The station has no such channel.
    #[error("the station has no channel {0:?}, of which this is a recording")]
    NoChannel(String),
}

/// What came of a replay.
#[derive(Clone, Debug, PartialEq)]
pub struct Replayed {
    /// Inputs to which the controller answered as recorded.
    pub inputs: u64,
    /// Commands among the answers.
    pub commands: u64,
    /// Records among the answers.
    pub records: u64,
    /// When the first and the last of these inputs came.
    pub span: Option<(Stamp, Stamp)>,
    /// How the recording ends; none where it was not read to its end.
    pub end: Option<End>,
    /// The first thing that was not as recorded.
    pub difference: Option<Difference>,
}

/// The first thing that was not as recorded.
#[derive(Clone, Debug, PartialEq)]
pub struct Difference {
    /// The recording's line that tells what was done (1..).
    pub line: u64,
    /// The line with the input.
    pub input_line: u64,
    /// When the input came.
    pub at: Stamp,
    /// The input.
    pub input: Input,
    /// What was done, as recorded.
    pub expected: String,
    /// What the controller does now.
    pub got: String,
}

/// Replays `recording` through a fresh channel of its own station, or of `station`.
///
/// # Errors
/// [`ReplayError`] where it can't be read to its end, or there is no such channel. A difference is no
/// error.
pub fn replay<R: BufRead>(
    recording: &mut Recording<R>,
    station: Option<&Station>,
) -> Result<Replayed, ReplayError> {
    let header = recording.header();
    let own = header.station();
    let missing = || ReplayError::NoChannel(header.channel.clone());
    let of = |station: &Station| {
        let named = |spec: &&ChannelSpec| spec.name == header.channel;
        station.channels.iter().find(named).map(|spec| spec.control.clone())
    };
    let mut config = match (&own, station) {
        (_, Some(other)) => of(other).ok_or_else(missing)?,
        (Ok(own), None) => of(own).ok_or_else(missing)?,
        (Err(_), None) => return Err(own.err().map_or_else(missing, ReplayError::Station)),
    };
    // Its place among other channels is no setting of the controller.
    if let Some(recorded) = own.ok().as_ref().and_then(of) {
        config.id = recorded.id;
    }
    Replay::new(Channel::new(config)).run(recording)
}

/// A replay under way.
struct Replay {
    channel: Channel,
    out: Outbox,
    /// The input heard last, and what came of it that was not compared yet.
    heard: Option<Heard>,
    told: Replayed,
}

struct Heard {
    line: u64,
    at: Stamp,
    input: Input,
    /// What came of it, the last first.
    left: Vec<Word>,
}

impl Replay {
    fn new(channel: Channel) -> Self {
        let told = Replayed {
            inputs: 0,
            commands: 0,
            records: 0,
            span: None,
            end: None,
            difference: None,
        };
        Self { channel, out: Outbox::new(), heard: None, told }
    }

    fn run<R: BufRead>(mut self, from: &mut Recording<R>) -> Result<Replayed, ReplayError> {
        let mut got = String::new();
        loop {
            let line = from.line() + 1;
            let entry = from.entry()?;
            let between = self.heard.is_none();
            match entry {
                Entry::Around(seen) if between => self.channel.note_surroundings(seen),
                Entry::SweepAsked if between => self.channel.request_sweep(),
                Entry::Heard(at, input) if between => self.hear(line, at, input),
                Entry::Deed(expected) => {
                    let Some(heard) = &mut self.heard else {
                        return Err(ReadError::NotUnderstood(line).into());
                    };
                    let word = heard.left.pop();
                    got.clear();
                    if let Some(word) = &word {
                        write_deed(&mut Line(&mut got), word);
                    }
                    if got != expected {
                        self.told.difference = Some(Difference {
                            line,
                            input_line: heard.line,
                            at: heard.at,
                            input: heard.input,
                            expected: expected.to_owned(),
                            got,
                        });
                        return Ok(self.told);
                    }
                    self.agree(word.as_ref());
                }
                Entry::End(end) if between || end != End::Whole => {
                    self.told.end = Some(end);
                    return Ok(self.told);
                }
                _ => return Err(ReadError::NotUnderstood(line).into()),
            }
        }
    }

    fn hear(&mut self, line: u64, at: Stamp, input: Input) {
        self.out.clear();
        let command = self.channel.handle(at, input, &mut self.out);
        let mut left = Vec::new();
        deeds(&self.channel, command, &self.out, |word| left.push(word));
        left.reverse();
        self.heard = Some(Heard { line, at, input, left });
    }

    /// Takes note of a word that is as recorded; the last one closes the input.
    fn agree(&mut self, word: Option<&Word>) {
        let Some(Word::Did(command, _)) = word else {
            self.told.records += u64::from(matches!(word, Some(Word::Told(_))));
            return;
        };
        if let Some(heard) = self.heard.take() {
            self.told.inputs += 1;
            self.told.commands += u64::from(command.is_some());
            let first = self.told.span.map_or(heard.at, |(first, _)| first);
            self.told.span = Some((first, heard.at));
        }
    }
}
