//! Runs a study on all cores.
//!
//! Model: as many threads as asked for take the cells one after the other, the next free one takes the
//! next. A cell's result depends on the cell alone, and the results are put in order at the end: the
//! same bytes whatever the number of threads.

use super::progress::Progress;
use crate::study::{Cell, Comparison, PlanError, Prepared};
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
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

/// How many threads run at once (all processors).
#[must_use]
pub fn all_threads() -> usize {
    std::thread::available_parallelism().map_or(1, std::num::NonZero::get)
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
    let progress = Progress::new(prepared.len(), "trials", quiet);
    let (next, failed) = (AtomicUsize::new(0), AtomicBool::new(false));
    let work = || -> Result<Vec<Cell>, PlanError> {
        let mut cells = vec![];
        while !failed.load(Ordering::Relaxed) {
            let index = next.fetch_add(1, Ordering::Relaxed);
            if index >= prepared.len() {
                break;
            }
            let cell =
                prepared.run(index).inspect_err(|_| failed.store(true, Ordering::Relaxed))?;
            cells.push(cell);
            progress.one_more();
        }
        Ok(cells)
    };
    let results: Vec<Result<Vec<Cell>, PlanError>> = std::thread::scope(|scope| {
        let workers: Vec<_> = (0..threads).map(|_| scope.spawn(work)).collect();
        workers
            .into_iter()
            .map(|worker| worker.join().unwrap_or_else(|panic| std::panic::resume_unwind(panic)))
            .collect()
    });
    progress.clear();
    let mut cells = Vec::with_capacity(prepared.len());
    for result in results {
        cells.append(&mut result?);
    }
    let turns = cells.iter().map(|cell| cell.outcome.turns).sum();
    let cost = Cost { seconds: began.elapsed().as_secs_f64(), threads, turns };
    Ok((prepared.finish(cells), cost))
}
