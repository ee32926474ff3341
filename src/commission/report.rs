//! What a commissioning amounts to.

use super::check::{Check, Reason, Verdict};
use super::propose::Proposal;
use super::settling::Settling;
use crate::quantities::{Amps, Volts};
use crate::time::Utc;

/// How a commissioning ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Outcome {
    /// Every check that could be made passed, or needs no more than a look.
    Passed,
    /// Something has to be put right.
    Failed,
    /// Nothing has to be put right as far as was seen, but the light did not allow all checks.
    Unfinished,
    /// Nobody agreed to energise a channel, or the work was broken off.
    Declined,
    /// Instruments did not confirm that they are off.
    NotOff,
}

/// One channel's part.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct ChannelPart {
    /// Its name.
    pub name: String,
    /// Its instruments: which, and where they answered.
    pub instruments: Vec<(String, String)>,
    /// Whether it was energised.
    pub energised: bool,
    /// The checks, in the order they were made.
    pub checks: Vec<Check>,
    /// The load's settling, where it was seen.
    pub settling: Option<Settling>,
    /// Zero of the current with its expanded uncertainty, input off.
    pub amps_offset: Option<(Amps, Amps)>,
    /// Noise of one reading, input off.
    pub noise: Option<(Volts, Amps)>,
    /// What to write into the station file.
    pub proposal: Option<Proposal>,
    /// The same as lines to paste.
    pub lines: String,
}

impl ChannelPart {
    /// The reasons of all checks that failed.
    pub fn failures(&self) -> impl Iterator<Item = Reason> {
        failures(&self.checks)
    }
}

fn failures(checks: &[Check]) -> impl Iterator<Item = Reason> {
    checks.iter().filter(|check| check.verdict == Verdict::Failed).filter_map(|check| check.reason)
}

/// The whole report.
#[derive(Clone, Debug, PartialEq)]
pub struct Commissioning {
    /// The station's name.
    pub station: String,
    /// Version of the program.
    pub version: &'static str,
    /// When it began and ended, by the computer's clock.
    pub span: (Utc, Utc),
    /// Checks that concern no single channel.
    pub checks: Vec<Check>,
    /// The channels.
    pub channels: Vec<ChannelPart>,
}

impl Commissioning {
    /// All checks, those of the station first.
    pub fn all(&self) -> impl Iterator<Item = &Check> {
        self.checks.iter().chain(self.channels.iter().flat_map(|channel| &channel.checks))
    }

    /// How it ended; what endangers goes first.
    #[must_use]
    pub fn outcome(&self) -> Outcome {
        let has = |reason| self.all().any(|check| check.reason == Some(reason));
        if has(Reason::NotOff) {
            Outcome::NotOff
        } else if self.all().any(|check| check.verdict == Verdict::Failed) {
            Outcome::Failed
        } else if has(Reason::Declined) {
            Outcome::Declined
        } else if has(Reason::Light) || has(Reason::Dark) {
            Outcome::Unfinished
        } else {
            Outcome::Passed
        }
    }

    /// How many checks have a verdict.
    #[must_use]
    pub fn count(&self, verdict: Verdict) -> usize {
        self.all().filter(|check| check.verdict == verdict).count()
    }

    /// The outcome in one sentence.
    #[must_use]
    pub fn sentence(&self) -> String {
        let counts = format!(
            "{} passed, {} failed, {} to look at, {} not made",
            self.count(Verdict::Passed),
            self.count(Verdict::Failed),
            self.count(Verdict::Doubtful),
            self.count(Verdict::Skipped)
        );
        match self.outcome() {
            Outcome::Passed => format!("nothing has to be put right ({counts})"),
            Outcome::Failed => format!("something has to be put right ({counts})"),
            Outcome::Unfinished => format!(
                "nothing has to be put right as far as was seen, but the light did not allow all checks: \
                 commission again ({counts})"
            ),
            Outcome::Declined => format!("not finished ({counts})"),
            Outcome::NotOff => format!(
                "not confirmed off: check load inputs and boost supplies by hand ({counts})"
            ),
        }
    }
}
