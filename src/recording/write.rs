//! Words into lines.

use super::seal::Seal;
use super::words::{Word, write_around, write_heard};
use super::{FORMAT, TITLE};
use crate::control::Surroundings;
use crate::station::Station;
use std::fmt::{Display, Write as _};

/// Makes the lines of one recording, in order.
#[derive(Debug, Default)]
pub struct Scribe {
    seal: Seal,
    around: Surroundings,
    line: String,
}

impl Scribe {
    /// The head of a recording of `channel`, whose words are to follow; `program` names the program
    /// and what it runs on.
    pub fn head(&mut self, station: &Station, channel: &str, program: &str, out: &mut String) {
        self.put(out, |line| line.word(format_args!("{TITLE} {FORMAT}")));
        self.put(out, |line| line.word(format_args!("program {program}")));
        self.put(out, |line| line.word(format_args!("channel {channel}")));
        for script in &station.scripts {
            self.put(out, |line| line.word(format_args!("script {}", script.file)));
            for text in script.text.lines() {
                self.put(out, |line| line.word(format_args!("| {text}")));
            }
        }
        self.put(out, |line| line.word("station"));
        for text in station.text.lines() {
            self.put(out, |line| line.word(format_args!("| {text}")));
        }
        self.put(out, |line| line.word("begun"));
    }

    /// A word's line behind `out`.
    ///
    /// ```
    /// use cresthold::control::{Command, Input};
    /// use cresthold::recording::{Scribe, Word};
    /// use cresthold::time::{Instant, Stamp, Utc};
    /// let at = Stamp { mono: Instant::from_nanos(1_500_000), utc: Utc::from_micros(77) };
    /// let (mut scribe, mut text) = (Scribe::default(), String::new());
    /// scribe.write(&Word::Heard(at, Input::Wake), &mut text);
    /// scribe.write(&Word::Did(Some(Command::Measure), at.mono), &mut text);
    /// let words: Vec<&str> = text.lines().map(|line| &line[9..]).collect();
    /// assert_eq!(words, ["heard 1500000 77 wake", "did 1500000 Measure"]);
    /// ```
    pub fn write(&mut self, word: &Word, out: &mut String) {
        let before = self.around;
        match word {
            Word::Around(now) => {
                self.around = *now;
                self.put(out, |line| write_around(line, &before, now));
            }
            Word::SweepAsked => self.put(out, |line| line.word("sweep")),
            Word::Heard(at, input) => self.put(out, |line| write_heard(line, *at, input)),
            Word::Told(_) | Word::Listed(_) | Word::Did(..) => {
                self.put(out, |line| write_deed(line, word));
            }
            Word::Lost(count) => self.put(out, |line| line.word(format_args!("lost {count}"))),
        }
    }

    /// The last line: the run was over.
    pub fn end(&mut self, out: &mut String) {
        self.put(out, |line| line.word("end"));
    }

    /// The last line: there was no more room for the recording, which the run did not need.
    pub fn full(&mut self, out: &mut String) {
        self.put(out, |line| line.word("full"));
    }

    fn put(&mut self, out: &mut String, write: impl FnOnce(&mut Line<'_>)) {
        self.line.clear();
        write(&mut Line(&mut self.line));
        let seal = self.seal.take(&self.line);
        // Writing to a string can't fail.
        let _ = writeln!(out, "{seal:08x} {}", self.line);
    }
}

/// What came of an input, in the words of a line; the line of what a replay compares.
pub(super) fn write_deed(line: &mut Line<'_>, word: &Word) {
    match word {
        Word::Told(record) => line.word(format_args!("told {record:?}")),
        Word::Listed(setpoint) => line.word(format_args!("listed {setpoint:?}")),
        Word::Did(None, wake) => line.word(format_args!("did {} nothing", wake.as_nanos())),
        Word::Did(Some(command), wake) => {
            line.word(format_args!("did {} {command:?}", wake.as_nanos()));
        }
        Word::Around(_) | Word::SweepAsked | Word::Heard(..) | Word::Lost(_) => {}
    }
}

/// A line in the making. Writing to a string can't fail, so nothing is answered.
pub(super) struct Line<'a>(pub(super) &'a mut String);

impl Line<'_> {
    /// A word of its own.
    pub(super) fn word(&mut self, word: impl Display) {
        if !self.0.is_empty() {
            self.0.push(' ');
        }
        self.here(word);
    }

    /// More of the same word.
    pub(super) fn here(&mut self, more: impl Display) {
        let _ = write!(self.0, "{more}");
    }

    /// A number in the same word: the shortest text with the same bits; of what is no number there are
    /// many, and only the usual one has a name.
    pub(super) fn number_here(&mut self, number: f64) {
        let _ = if number.is_nan() && number.to_bits() != f64::NAN.to_bits() {
            write!(self.0, "bits:{:016x}", number.to_bits())
        } else {
            write!(self.0, "{number:?}")
        };
    }

    /// A number that may be missing, as a word.
    pub(super) fn number_if_any(&mut self, number: Option<f64>) {
        match number {
            Some(number) => {
                self.word("");
                self.number_here(number);
            }
            None => self.word("-"),
        }
    }
}
