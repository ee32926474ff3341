//! The part of the matrix that runs over real sockets and pseudo-terminals, in real time.
//!
//! The same cells, the same checks and promises; what a busy machine adds is allowed for by
//! [`SLACK`]. A cell's fault begins at a seeded moment of a phase as a sound run has it, since in
//! real time no two runs are the same to the millisecond.

use crate::cell::{Cell, Link, Phase, Place};
use crate::judge::{Verdict, judge};
use crate::log::Seen;
use crate::oracle::witness::Witness;
use crate::trial::{Plan, Ran, Stage, Stop, has_spare, whole};
use crate::yard::{PLACES, Yard, links, morning, station};
use cresthold::daemon::bench::link as dial;
use cresthold::daemon::field::{Field, Machine, Stay};
use cresthold::daemon::live::Screen;
use cresthold::daemon::stop::StopFlag;
use cresthold_sim::wire::fault::{Line, Victim};
use cresthold_sim::wire::serve::{PtyServer, TcpServer};
use std::path::Path;
use std::time::{Duration, Instant};

/// What a busy machine may add to any span (s).
const SLACK: f64 = 4.0;
/// When a run is asked to stop whose end is to be disturbed: it tracks by then.
const STOP: Duration = Duration::from_secs(8);
/// When in a run the phases are for sure (s): it connects in 0.5 s and tracks after 2.6 s, and its
/// first curve begins 9 s later and takes 3.2 s.
const WAKING: (f64, f64) = (0.0, 2.0);
const TRACKING: (f64, f64) = (5.0, 9.0);
const SWEEPING: (f64, f64) = (12.3, 13.8);

/// The cells of the real part: each kind of fault of each place once, on serial lines and sockets in
/// turn, the phases in turn.
pub(crate) fn cells() -> Vec<Cell> {
    let mut cells = Vec::new();
    for place in Place::ALL {
        let kinds = crate::cell::all().into_iter().filter(|cell| cell.place == place);
        let mut kinds: Vec<_> = kinds.map(|cell| cell.kind).collect();
        kinds.sort_unstable();
        kinds.dedup();
        for (index, kind) in kinds.into_iter().enumerate() {
            let [serial, tcp, third] = place.links();
            let link = match (kind, index % 3) {
                ("renumbered", _) | (_, 0) => serial,
                (_, 2) if third == Link::Meter => third,
                _ => tcp,
            };
            let phase = Phase::ALL[(index + place as usize) % 4];
            cells.push(Cell { place, link, kind, phase });
        }
    }
    cells
}

pub(crate) fn plan(cell: &Cell, seed: u64) -> Plan {
    let mut dice = cell.dice(seed);
    let (from, until) = match cell.phase {
        Phase::Waking => WAKING,
        Phase::Tracking => TRACKING,
        Phase::Sweeping => SWEEPING,
        Phase::Stopping => (STOP.as_secs_f64() - 0.1, STOP.as_secs_f64() + 0.1),
    };
    let fault = cell.fault(dice.span(from, until), &mut dice);
    let stop = match cell.phase {
        Phase::Stopping => Stop::At(STOP),
        _ => Stop::After(cell.promise() + Duration::from_secs_f64(2.0 * SLACK)),
    };
    let links = links(cell.place, cell.link);
    Plan { links, spare: has_spare(cell), seed, fault: Some(fault), stop, slack: SLACK, clock: &[] }
}

/// An instrument on its line, and the address of that.
fn serve(yard: &Yard, place: usize, link: Link, scratch: &Path) -> (Box<dyn Line>, String) {
    let instrument = yard.instrument(place, link);
    if link.is_serial() {
        let name = scratch.join(PLACES[place].to_lowercase());
        let server = PtyServer::start_named(instrument, &name).unwrap();
        (Box::new(server), name.display().to_string())
    } else {
        let server = TcpServer::start(instrument).unwrap();
        let address = server.address().to_string();
        (Box::new(server), address)
    }
}

/// Runs in real time.
pub(crate) fn run(plan: &Plan) -> Ran {
    let scratch = tempfile::tempdir().unwrap();
    // The envelope is wanted before anything listens.
    let nowhere = std::array::from_fn(|place| {
        let serial = plan.links[place].is_serial();
        if serial { format!("/nowhere-{place}") } else { format!("127.0.0.1:{}", place + 1) }
    });
    let began = Instant::now();
    let sketch = station(plan.links, &nowhere, plan.spare);
    let yard = Yard::new(&sketch, plan.seed, move || began.elapsed());
    let mut at = nowhere;
    let victims: Vec<Victim> = (0..PLACES.len())
        .map(|place| {
            let link = plan.links[place];
            let (line, address) = serve(&yard, place, link, scratch.path());
            at[place] = address;
            yard.victim(place, link, line)
        })
        .collect();
    let station = station(plan.links, &at, plan.spare);
    let log = scratch.path().join("matrix.db");
    let stop = StopFlag::default();
    let witness: Witness = yard.witness.clone();
    let mut stage = Stage::new(plan, victims, witness, stop.clone());
    let over = std::sync::atomic::AtomicBool::new(false);
    let done = std::thread::scope(|scope| {
        let harness = scope.spawn(|| {
            while !over.load(std::sync::atomic::Ordering::Acquire) {
                std::thread::sleep(stage.turn(began.elapsed(), |_| Duration::ZERO));
            }
        });
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
        let dated = morning() + began.elapsed();
        let field = Field {
            station: &station,
            log: &log,
            stay: Stay { length: None, patient: true, sweep: None },
            lines: &dial,
            machine: Machine::default().dated(dated),
        };
        let ended = runtime.block_on(field.live(&stop, &mut Screen::silent())).unwrap();
        let ended = (began.elapsed().as_secs_f64(), !ended.unconfirmed.is_empty());
        over.store(true, std::sync::atomic::Ordering::Release);
        harness.join().unwrap();
        ended
    });
    whole(plan, &stage, Seen::read(&log), done)
}

/// All real cells at once: each sleeps most of the time.
pub(crate) fn run_all(seed: u64) -> Vec<(Cell, Verdict)> {
    let cells = cells();
    std::thread::scope(|scope| {
        let threads: Vec<_> = cells
            .iter()
            .map(|cell| scope.spawn(move || judge(cell, &run(&plan(cell, seed)))))
            .collect();
        let verdicts = threads.into_iter().map(|thread| thread.join().unwrap());
        cells.iter().copied().zip(verdicts).collect()
    })
}
