//! A year second by second: the controller of the field through every stretch of daylight.

use super::crew;
use crate::study::{BenchSettings, Plant, Trial, TrialError};
use crate::trackers::TrackerConfig;
use crate::yields::{LoadLimits, TakenDay, Within};

/// What goes through the year.
#[derive(Clone, Debug)]
pub struct Rig {
    /// The tracker.
    pub tracker: TrackerConfig,
    /// Its bench.
    pub bench: BenchSettings,
    /// The device.
    pub plant: Plant,
    /// What the load can take, where that is less than all.
    pub limits: Option<LoadLimits>,
    /// Of the meters' noise.
    pub seed: u64,
}

/// Days as they were taken, and how many turns that took.
pub type Year = (Vec<TakenDay>, u64);

/// Goes through all stretches of daylight on `threads` threads. Progress is shown on a terminal unless
/// `quiet`.
///
/// # Errors
/// [`TrialError`].
pub fn year(
    within: &Within<'_>,
    rig: &Rig,
    threads: usize,
    quiet: bool,
) -> Result<Year, TrialError> {
    let Rig { tracker, bench, plant, limits, seed } = rig;
    let days = crew::all(within.days(), threads, (quiet, "days"), |day| {
        let mut light = within.day(day);
        let (crest, beyond) = within.crest(&light, limits.as_ref());
        let seed = seed.wrapping_add(day as u64);
        let trial = Trial { tracker: tracker.clone(), settings: bench, plant, seed };
        let outcome = trial.run(&mut light)?;
        let taken = TakenDay { month: within.month(day), crest, beyond, tracked: outcome.eta() };
        Ok((taken, outcome.turns))
    })?;
    let turns = days.iter().map(|(_, turns)| turns).sum();
    Ok((days.into_iter().map(|(day, _)| day).collect(), turns))
}
