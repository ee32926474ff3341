//! The file of one recording.

use crate::recording::{Scribe, Word, program};
use crate::station::{ChannelSpec, RecordingSpec, Station};
use std::fmt::Display;
use std::fs::{self, OpenOptions};
use std::io::{BufWriter, Write as _};
use std::path::{Path, PathBuf};

/// How a recording's name ends.
const ENDING: &str = "recording";

/// Room that is left when a recording is full (bytes): no line of a word is longer, the longest, a
/// curve's, has some 1 kB; and the line that says so goes there.
const LAST_LINES: u64 = 4096;

/// A recording in the making.
#[derive(Debug)]
pub(super) struct File {
    path: PathBuf,
    to: BufWriter<fs::File>,
    scribe: Scribe,
    lines: String,
    /// What may still be written (bytes).
    room: u64,
    /// What was written (bytes).
    written: u64,
}

impl File {
    /// Begins a recording of `channel` in a fresh file.
    pub(super) fn begin(
        spec: &RecordingSpec,
        station: &Station,
        channel: &ChannelSpec,
    ) -> Result<Self, String> {
        let refused = |what: &Path, why: &std::io::Error| {
            let folder = what.display();
            format!("{folder}: no recording can be begun: {why}; the run goes on without")
        };
        let (folder, name) = (&spec.folder, &channel.name);
        fs::create_dir_all(folder).map_err(|why| refused(folder, &why))?;
        let (last, taken) = before(folder, name).map_err(|why| refused(folder, &why))?;
        let (mut scribe, mut lines) = (Scribe::default(), String::new());
        scribe.head(station, name, &program(), &mut lines);
        let room = spec.keep_bytes.saturating_sub(taken);
        if room < lines.len() as u64 + 2 * LAST_LINES {
            return Err(format!(
                "{}: no recording can be begun: the earlier ones of {name} have used up keep_mb; \
                 move them away. The run goes on without",
                folder.display()
            ));
        }
        let path = folder.join(format!("{name}-{}.{ENDING}", last + 1));
        let opened = OpenOptions::new().write(true).create_new(true).open(&path);
        let to = BufWriter::new(opened.map_err(|why| refused(&path, &why))?);
        let mut file = Self { path, to, scribe, lines, room, written: 0 };
        file.put()?;
        file.flush()?;
        Ok(file)
    }

    pub(super) fn path(&self) -> &Path {
        &self.path
    }

    /// What was written (bytes).
    pub(super) const fn written(&self) -> u64 {
        self.written
    }

    /// Appends a word. An error, here as below, says why the recording is over.
    pub(super) fn take(&mut self, word: &Word) -> Result<(), String> {
        self.scribe.write(word, &mut self.lines);
        self.put()?;
        if let Word::Lost(count) = word {
            self.flush()?;
            return Err(self.ends(&format!(
                "{count} inputs came while the disk was too slow to take them, and without them what \
                 follows can't be understood"
            )));
        }
        if self.room < LAST_LINES {
            self.scribe.full(&mut self.lines);
            self.put()?;
            self.flush()?;
            return Err(self.ends(&"keep_mb is used up"));
        }
        Ok(())
    }

    /// Gives what was written to the system.
    pub(super) fn flush(&mut self) -> Result<(), String> {
        let flushed = self.to.flush();
        flushed.map_err(|why| self.ends(&why))
    }

    /// Closes it with the run.
    pub(super) fn end(&mut self) -> Result<(), String> {
        self.scribe.end(&mut self.lines);
        self.put()?;
        self.flush()?;
        let synced = self.to.get_ref().sync_all();
        synced.map_err(|why| self.ends(&why))
    }

    /// Writes the lines at hand.
    fn put(&mut self) -> Result<(), String> {
        self.room = self.room.saturating_sub(self.lines.len() as u64);
        self.written += self.lines.len() as u64;
        let written = self.to.write_all(self.lines.as_bytes());
        self.lines.clear();
        written.map_err(|why| self.ends(&why))
    }

    fn ends(&self, why: &dyn Display) -> String {
        format!("{}: the recording ends here, the run does not: {why}", self.path.display())
    }
}

/// The number of the last recording of `channel` in `folder`, and what all of them take (bytes).
fn before(folder: &Path, channel: &str) -> std::io::Result<(u64, u64)> {
    let (mut last, mut taken) = (0, 0);
    for entry in fs::read_dir(folder)? {
        let entry = entry?;
        let name = entry.file_name();
        let number = name.to_str().and_then(|name| {
            let stem = name.strip_suffix(ENDING)?.strip_suffix('.')?;
            stem.strip_prefix(channel)?.strip_prefix('-')?.parse::<u64>().ok()
        });
        if let Some(number) = number {
            last = last.max(number);
            taken += entry.metadata()?.len();
        }
    }
    Ok((last, taken))
}
