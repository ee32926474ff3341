//! Runs a study on all cores.

use super::crew;
use crate::study::{Comparison, PlanError, Prepared};
use std::time::Instant as WallInstant;

/// How long a comparison took, and how much it was.
#[derive(Clone, Copy, Debug)]
pub struct Cost {
    /// On the wall clock (s).
    pub seconds: f64,
    /// Threads at work.
    pub threads: usize,
    /// Turns of channels, all trials together.
    pub turns: u64,
}

impl Cost {
    /// Processor time of one turn (ns): a turn is a reading, a decision, and the plant's life until the
    /// next. Right as far as the threads had their processors for themselves.
    #[must_use]
    pub fn turn_nanoseconds(&self) -> f64 {
        self.seconds * self.threads as f64 * 1e9 / (self.turns.max(1)) as f64
    }
}

/// Runs all cells of `prepared` on `threads` threads. Progress is shown on a terminal unless `quiet`.
///
/// # Errors
/// The first [`PlanError`] of a cell; the others are given up.
pub fn run(
    prepared: &Prepared,
    threads: usize,
    quiet: bool,
) -> Result<(Comparison, Cost), PlanError> {
    let began = WallInstant::now();
    let threads = threads.clamp(1, prepared.len().max(1));
    let cells = crew::all(prepared.len(), threads, (quiet, "trials"), |cell| prepared.run(cell))?;
    let turns = cells.iter().map(|cell| cell.outcome.turns).sum();
    let cost = Cost { seconds: began.elapsed().as_secs_f64(), threads, turns };
    Ok((prepared.finish(cells), cost))
}
