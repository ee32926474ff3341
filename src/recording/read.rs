//! Lines into words.

use super::seal::{Seal, WIDTH};
use super::words::{Words, read_around, read_heard};
use super::{FORMAT, TITLE};
use crate::control::{Input, Surroundings};
use crate::station::{ScriptText, Station, StationError};
use crate::time::Stamp;
use std::io::{BufRead, Read as _};

/// Longest line read (bytes): no station file is larger than half of it, and no record comes near.
const LONGEST: u64 = 8_000_000;

/// Why a recording can't be read (on).
#[derive(Debug, thiserror::Error)]
pub enum ReadError {
    /// The file can't be read.
    #[error("the recording can't be read: {0}")]
    Io(#[from] std::io::Error),
    /// Something else.
    #[error(
        "this is no recording of a controller: its first line isn't one's; name a .recording file"
    )]
    NoRecording,
    /// A newer program's.
    #[error(
        "this recording has format {0}, and this program reads format {FORMAT}; use a newer program"
    )]
    Newer(u32),
    /// It ends before the first input.
    #[error("line {0}: the recording ends in its head; it holds nothing to replay")]
    NoHead(u64),
    /// A line isn't as it was written.
    #[error(
        "line {0}: its seal is not right: it was changed, or a line before it is missing; what \
         stands before it is as it was written"
    )]
    Damaged(u64),
    /// A line that is sealed rightly makes no sense here.
    #[error("line {0}: it makes no sense here; this is a fault of the program that wrote it")]
    NotUnderstood(u64),
}

/// What a recording tells of itself.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Header {
    /// The program that wrote it, and what it ran on.
    pub program: String,
    /// The channel.
    pub channel: String,
    /// The station file's text.
    pub text: String,
    /// The scripts of its trackers.
    pub scripts: Vec<ScriptText>,
}

impl Header {
    /// The station.
    ///
    /// # Errors
    /// [`StationError`] where this program doesn't take what the one that wrote it did.
    pub fn station(&self) -> Result<Station, StationError> {
        Station::again("the recording's station", &self.text, &self.scripts)
    }
}

/// How a recording ends.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum End {
    /// With the run.
    Whole,
    /// In the middle: a power cut, a kill, or the run is still going on.
    Torn,
    /// There was no more room.
    Full,
    /// So many inputs could not be kept, since the disk was too slow.
    Lost(u64),
}

/// One line.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Entry<'a> {
    Around(Surroundings),
    SweepAsked,
    Heard(Stamp, Input),
    /// What came of an input, as text.
    Deed(&'a str),
    End(End),
}

/// A recording as it is read: its head, and then line by line.
#[derive(Debug)]
pub struct Recording<R> {
    from: R,
    bytes: Vec<u8>,
    seal: Seal,
    line: u64,
    around: Surroundings,
    header: Header,
}

impl<R: BufRead> Recording<R> {
    /// Reads the head.
    ///
    /// # Errors
    /// [`ReadError`] for what is no recording, or none of this program's.
    pub fn new(from: R) -> Result<Self, ReadError> {
        let mut recording = Self {
            from,
            bytes: Vec::new(),
            seal: Seal::default(),
            line: 0,
            around: Surroundings::default(),
            header: Header::default(),
        };
        recording.read_title()?;
        recording.read_head()?;
        Ok(recording)
    }

    /// What it tells of itself.
    #[must_use]
    pub fn header(&self) -> &Header {
        &self.header
    }

    /// The number of the line read last (1..).
    pub(super) fn line(&self) -> u64 {
        self.line
    }

    /// The next line's words; `End` is the last.
    pub(super) fn entry(&mut self) -> Result<Entry<'_>, ReadError> {
        if !self.advance()? {
            return Ok(Entry::End(End::Torn));
        }
        let wrong = ReadError::NotUnderstood(self.line);
        let text = text(&self.bytes).ok_or(ReadError::Damaged(self.line))?;
        let mut words: Words<'_> = text.split(' ');
        Ok(match words.next() {
            Some("around") => {
                read_around(&mut words, &mut self.around).ok_or(wrong)?;
                Entry::Around(self.around)
            }
            Some("sweep") => Entry::SweepAsked,
            Some("heard") => {
                let (at, input) = read_heard(&mut words).ok_or(wrong)?;
                Entry::Heard(at, input)
            }
            Some("told" | "listed" | "did") => Entry::Deed(text),
            Some("end") => Entry::End(End::Whole),
            Some("full") => Entry::End(End::Full),
            Some("lost") => {
                let count = words.next().and_then(|count| count.parse().ok()).ok_or(wrong)?;
                Entry::End(End::Lost(count))
            }
            _ => return Err(wrong),
        })
    }

    fn read_title(&mut self) -> Result<(), ReadError> {
        let whole = match self.advance() {
            Ok(whole) => whole,
            Err(ReadError::Damaged(_)) => return Err(ReadError::NoRecording),
            Err(error) => return Err(error),
        };
        let title = text(&self.bytes).and_then(|text| text.strip_prefix(TITLE));
        match title.and_then(|format| format.trim().parse().ok()) {
            Some(FORMAT) if whole => Ok(()),
            Some(format) if whole && format > FORMAT => Err(ReadError::Newer(format)),
            _ => Err(ReadError::NoRecording),
        }
    }

    fn read_head(&mut self) -> Result<(), ReadError> {
        let mut in_station = false;
        loop {
            if !self.advance()? {
                return Err(ReadError::NoHead(self.line));
            }
            let wrong = ReadError::NotUnderstood(self.line);
            let text = text(&self.bytes).ok_or(ReadError::Damaged(self.line))?;
            let Header { program, channel, text: station, scripts } = &mut self.header;
            match text.split_once(' ').unwrap_or((text, "")) {
                ("program", told) => told.clone_into(program),
                ("channel", told) => told.clone_into(channel),
                ("script", file) => {
                    let (file, channel) = (file.to_owned(), channel.clone());
                    scripts.push(ScriptText { file, channel, text: String::new() });
                }
                ("station", "") => in_station = true,
                ("|", more) => {
                    let into = match scripts.last_mut() {
                        _ if in_station => station,
                        Some(script) => &mut script.text,
                        None => return Err(wrong),
                    };
                    into.push_str(more);
                    into.push('\n');
                }
                ("begun", "") => return Ok(()),
                _ => return Err(wrong),
            }
        }
    }

    /// Reads a line and holds it against its seal; answers whether there was a whole one. What never
    /// reached the disk before a power cut is missing, or reads as zeros.
    fn advance(&mut self) -> Result<bool, ReadError> {
        self.bytes.clear();
        self.line += 1;
        self.from.by_ref().take(LONGEST).read_until(b'\n', &mut self.bytes)?;
        if self.bytes.pop() != Some(b'\n') || self.bytes.contains(&0) {
            return Ok(false);
        }
        let text = text(&self.bytes).ok_or(ReadError::Damaged(self.line))?;
        let seal = format!("{:08x} ", self.seal.take(text));
        if self.bytes[..WIDTH] == *seal.as_bytes() {
            Ok(true)
        } else {
            Err(ReadError::Damaged(self.line))
        }
    }
}

/// What a line says behind its seal.
fn text(line: &[u8]) -> Option<&str> {
    std::str::from_utf8(line.get(WIDTH..)?).ok()
}
