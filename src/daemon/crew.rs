//! Work on all cores.
//!
//! Model: as many threads as asked for take the pieces one after the other, the next free one takes the
//! next. A piece's result depends on the piece alone, and the results are put in order at the end: the
//! same bytes whatever the number of threads.

use super::progress::Progress;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};

/// How many threads run at once (all processors).
#[must_use]
pub fn all_threads() -> usize {
    std::thread::available_parallelism().map_or(1, std::num::NonZero::get)
}

/// Does pieces 0 to `count` on `threads` threads; the results in order. Progress is shown on a terminal,
/// in pieces called `noun`, unless `quiet`.
///
/// # Errors
/// The first error of a piece; the others are given up.
pub fn all<T: Send, E: Send>(
    count: usize,
    threads: usize,
    (quiet, noun): (bool, &'static str),
    work: impl Fn(usize) -> Result<T, E> + Sync,
) -> Result<Vec<T>, E> {
    let progress = Progress::new(count, noun, quiet);
    let (next, failed) = (AtomicUsize::new(0), AtomicBool::new(false));
    let hand = || -> Result<Vec<(usize, T)>, E> {
        let mut done = vec![];
        while !failed.load(Ordering::Relaxed) {
            let index = next.fetch_add(1, Ordering::Relaxed);
            if index >= count {
                break;
            }
            let piece = work(index).inspect_err(|_| failed.store(true, Ordering::Relaxed))?;
            done.push((index, piece));
            progress.one_more();
        }
        Ok(done)
    };
    let results: Vec<Result<Vec<(usize, T)>, E>> = std::thread::scope(|scope| {
        let hands: Vec<_> =
            (0..threads.clamp(1, count.max(1))).map(|_| scope.spawn(hand)).collect();
        hands
            .into_iter()
            .map(|hand| hand.join().unwrap_or_else(|panic| std::panic::resume_unwind(panic)))
            .collect()
    });
    progress.clear();
    let mut pieces = Vec::with_capacity(count);
    for result in results {
        pieces.append(&mut result?);
    }
    pieces.sort_by_key(|(index, _)| *index);
    Ok(pieces.into_iter().map(|(_, piece)| piece).collect())
}
