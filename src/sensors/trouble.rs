//! What can be wrong with a sensor, and telling it once.

use crate::control::record::Severity;
use crate::time::Instant;

/// What is wrong with a sensor.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Trouble {
    /// It doesn't answer.
    Lost,
    /// It has not been heard of for too long, though nothing failed.
    Stale,
    /// Its answers make no value.
    Unusable,
    /// Its answers stopped changing.
    Stuck,
    /// It says something else than the sensor trusted before it.
    Disagreeing,
}

impl Trouble {
    pub(super) const ALL: [Self; 5] =
        [Self::Lost, Self::Stale, Self::Unusable, Self::Stuck, Self::Disagreeing];

    pub(super) const fn severity(self) -> Severity {
        match self {
            Self::Lost | Self::Stuck => Severity::Alarm,
            Self::Stale | Self::Unusable | Self::Disagreeing => Severity::Warning,
        }
    }

    /// The codes of its beginning and end.
    pub(super) const fn codes(self) -> (&'static str, &'static str) {
        match self {
            Self::Lost => ("sensor-lost", "sensor-back"),
            Self::Stale => ("sensor-stale", "sensor-fresh"),
            Self::Unusable => ("sensor-unusable", "sensor-usable"),
            Self::Stuck => ("sensor-stuck", "sensor-moves"),
            Self::Disagreeing => ("sensors-disagree", "sensors-agree"),
        }
    }

    /// How its end is told.
    pub(super) const fn over(self) -> &'static str {
        match self {
            Self::Lost => "answers again",
            Self::Stale => "has a fresh value again",
            Self::Unusable => "gives usable values again",
            Self::Stuck => "moves again",
            Self::Disagreeing => "agrees again",
        }
    }
}

/// The troubles that have been told: since when, in which words.
#[derive(Debug, Default)]
pub(super) struct Troubles([Option<(Instant, String)>; Trouble::ALL.len()]);

/// What changed.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Turn {
    /// Nothing.
    None,
    /// It began.
    Began,
    /// It ended; it had begun then.
    Ended(Instant),
}

impl Troubles {
    /// Takes down whether a trouble is there, in which words, and answers whether that is news.
    pub(super) fn note(&mut self, trouble: Trouble, words: Option<String>, now: Instant) -> Turn {
        let told = &mut self.0[trouble as usize];
        match (words, told.as_ref().map(|(since, _)| *since)) {
            (Some(words), None) => {
                *told = Some((now, words));
                Turn::Began
            }
            (None, Some(since)) => {
                *told = None;
                Turn::Ended(since)
            }
            _ => Turn::None,
        }
    }

    pub(super) fn has(&self, trouble: Trouble) -> bool {
        self.0[trouble as usize].is_some()
    }

    /// How those that are there were told.
    pub(super) fn words(&self) -> impl Iterator<Item = &str> {
        self.0.iter().flatten().map(|(_, words)| words.as_str())
    }
}
