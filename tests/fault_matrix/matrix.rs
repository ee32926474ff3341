//! All cells, side by side.

use crate::cell::{Cell, Link, Phase};
use crate::judge::{Verdict, judge};
use crate::trial::{self, Plan, Ran, Stop, has_spare};
use crate::yard::links;
use std::collections::BTreeMap;
use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::Duration;

/// Runs of the same links without a fault, and what they tell of the phases.
type Quiet = BTreeMap<([Link; 6], bool), Ran>;

/// When a run is asked to stop whose end is to be disturbed.
const STOP: Duration = Duration::from_millis(8050);
/// When a run without a fault is stopped: its first curve is over.
const QUIET_STOP: Duration = Duration::from_secs(18);
/// How long a run goes on after its promise.
const AFTERWARDS: Duration = Duration::from_millis(1500);

/// Does `work` for each of `all`, on as many threads as there are processors.
fn side_by_side<T: Sync, R: Send>(all: &[T], work: impl Fn(&T) -> R + Sync) -> Vec<R> {
    // Each waits for the disk most of the time.
    let threads = 4 * std::thread::available_parallelism().map_or(1, usize::from);
    let (next, done) = (AtomicUsize::new(0), Mutex::new(Vec::new()));
    std::thread::scope(|scope| {
        for _ in 0..threads {
            scope.spawn(|| {
                while let Some(one) = all.get(next.fetch_add(1, Ordering::Relaxed)) {
                    let place = std::ptr::from_ref(one).addr();
                    let result = work(one);
                    done.lock().unwrap().push((place, result));
                }
            });
        }
    });
    let mut done = done.into_inner().unwrap();
    done.sort_by_key(|(place, _)| *place);
    done.into_iter().map(|(_, result)| result).collect()
}

fn quiet(cells: &[Cell], seed: u64) -> Quiet {
    let key = |cell: &Cell| (links(cell.place, cell.link), has_spare(cell));
    let mut keys: Vec<_> = cells.iter().map(key).collect();
    keys.sort();
    keys.dedup();
    let runs = side_by_side(&keys, |&(links, spare)| {
        let stop = Stop::At(QUIET_STOP);
        trial::run(&Plan { links, spare, seed, fault: None, stop, slack: 0.0, clock: &[] })
    });
    keys.into_iter().zip(runs).collect()
}

/// What is tried for a cell.
pub(crate) fn plan(cell: &Cell, seed: u64, quiet: &Ran) -> Plan {
    let mut dice = cell.dice(seed);
    let log = &quiet.log;
    let tracking = log.first("tracking-began").expect("a sound run tracks");
    let (sweep, swept, _) = log.curves[0].clone();
    let stop = STOP.as_secs_f64();
    let at = match cell.phase {
        Phase::Waking => dice.span(0.0, tracking),
        Phase::Tracking => dice.span(tracking + 0.3, sweep - 0.3),
        Phase::Sweeping => dice.span(sweep, swept),
        // Until input and boost supply are off.
        Phase::Stopping => dice.span(stop - 0.1, stop + 0.1),
    };
    let fault = cell.fault(at, &mut dice);
    let stop = match cell.phase {
        Phase::Stopping => Stop::At(STOP),
        _ => Stop::After(cell.promise() + AFTERWARDS),
    };
    Plan { fault: Some(fault), stop, ..quiet.plan.clone() }
}

/// Runs the cells; the same seed gives the same verdicts.
pub(crate) fn run(cells: &[Cell], seed: u64) -> Vec<(Cell, Verdict)> {
    let quiet = quiet(cells, seed);
    let verdicts = side_by_side(cells, |cell| {
        let before = &quiet[&(links(cell.place, cell.link), has_spare(cell))];
        let ran = trial::run(&plan(cell, seed, before));
        let mut verdict = judge(cell, &ran);
        if std::env::var_os("CRESTHOLD_MATRIX_CELL").is_some() {
            println!("{cell}: {:?}", ran.plan.fault);
            ran.log.events.iter().for_each(|e| println!("{:9.3} {} {}", e.at, e.code, e.text));
        }
        let (begin, _) = ran.plan.fault_span().expect("it has a fault");
        let so_far = |ran: &Ran| -> Vec<_> {
            let stop = STOP.as_secs_f64().min(begin);
            ran.log.events.iter().filter(|event| event.at < stop).cloned().collect()
        };
        if so_far(&ran) != so_far(before) {
            verdict.problems.push("not the same run as without the fault until then".to_owned());
        }
        verdict
    });
    cells.iter().copied().zip(verdicts).collect()
}
