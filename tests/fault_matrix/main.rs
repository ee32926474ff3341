//! The fault matrix: every kind of fault, at every place, on every kind of line, in every phase.
//!
//! Model: each cell is one run of the daemon's own tasks ([`Field`](cresthold::daemon::field::Field))
//! in virtual time, with the real log, against a plant whose exact truth is at hand; one fault
//! begins in the stated phase, at a seeded moment and for a seeded time. The phases' moments come
//! from the same run without a fault, which is the same until then. Each cell holds: the envelope
//! on the plant's side and the order of switching; every sample and every point of a curve right or
//! absent, all time covered or missing, the energy the plant's; the channel whole again, or its end
//! sure or told as unsure, within the promised time ([`cell::Cell::promise`]).
//!
//! A cell alone, with its events: `CRESTHOLD_MATRIX_CELL=load/tcp/late/sweeping`, or all whose names
//! hold such a part; another throw of all dice:
//! `CRESTHOLD_MATRIX_SEED=7`.

#![cfg(feature = "field")]
#![allow(clippy::unwrap_used, clippy::panic, reason = "a helper that fails is a test that fails")]
#![allow(
    clippy::cast_precision_loss,
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "small counts"
)]

mod cell;
mod clocks;
mod judge;
mod log;
mod matrix;
#[path = "../oracle/mod.rs"]
mod oracle;
mod real;
mod table;
mod trial;
mod yard;

use std::time::Instant;

/// What the dice begin with unless told otherwise.
const SEED: u64 = 1;

fn seed() -> u64 {
    std::env::var("CRESTHOLD_MATRIX_SEED").map_or(SEED, |seed| seed.parse().unwrap())
}

#[test]
fn every_fault_everywhere_in_every_phase() {
    let began = Instant::now();
    let seed = seed();
    let name = std::env::var("CRESTHOLD_MATRIX_CELL").unwrap_or_default();
    let cells: Vec<_> =
        cell::all().into_iter().filter(|cell| cell.to_string().contains(&name)).collect();
    let verdicts = matrix::run(&cells, seed);
    print!("{}", table::table(&verdicts, seed));
    println!("{} cells in {:.1} s of real time", verdicts.len(), began.elapsed().as_secs_f64());
    assert!(!name.is_empty() || verdicts.len() >= 300, "{}", verdicts.len());
    table::fail_where_broken(&verdicts, seed);
}

#[test]
fn the_same_seed_gives_the_same_verdicts() {
    // Every eleventh cell: all places, lines, phases and most kinds.
    let cells: Vec<_> = cell::all().into_iter().step_by(11).collect();
    let [first, second] = [(); 2].map(|()| format!("{:?}", matrix::run(&cells, seed())));
    assert!(first == second, "{first}\n{second}");
}

#[test]
fn the_same_over_real_sockets_and_terminals() {
    let verdicts = real::run_all(seed());
    print!("{}", table::table(&verdicts, seed()));
    assert!((24..=60).contains(&verdicts.len()), "{}", verdicts.len());
    table::fail_where_broken(&verdicts, seed());
}
