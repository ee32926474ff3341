//! A swarm of lives: simulated years of the whole daemon, with every fault at once.
//!
//! Model: each seed is a life of days to months. The daemon's own tasks
//! ([`Field`](cresthold::daemon::field::Field)) run in virtual time on virtual instruments, over a
//! file layer of our own, again and again on one log. In its first phase all goes wrong that its
//! plan says, at once: lines, instruments, sensors, sky, disk, wall clock, power. Nothing wrong may
//! happen then (`judge`, `books`); and what the controllers of every third life heard and did is recorded, and
//! must replay to the same. In its second phase everything is healed, and all must recover.
//!
//! A life again, with its plan and its events:
//! `CRESTHOLD_SWARM_SEED=7 cargo test --test swarm years -- --nocapture`; with a bug on purpose
//! (`bugs`): `CRESTHOLD_SWARM_BUG=StaleReading` beside it.

#![cfg(feature = "field")]
#![allow(clippy::unwrap_used, clippy::panic, reason = "a helper that fails is a test that fails")]
#![allow(
    clippy::cast_precision_loss,
    clippy::cast_possible_truncation,
    clippy::cast_possible_wrap,
    clippy::cast_sign_loss,
    reason = "small counts and times of our era"
)]

mod accounts;
mod books;
mod bugs;
mod dice;
#[path = "../disk/mod.rs"]
mod disk;
#[path = "../power_cut/image.rs"]
#[allow(dead_code, reason = "each test binary uses its own part")]
mod image;
mod judge;
mod life;
#[path = "../oracle/mod.rs"]
mod oracle;
mod plan;
mod runbook;
mod table;
mod truth;
mod weather;
mod yard;

use bugs::Bug;
use cresthold::daemon::crew;
use life::Outcome;
use plan::Plan;
use std::time::Instant;

/// What is lived in `cargo test`.
const YEARS: f64 = 20.0;
/// A planted bug is found within so many lives.
const LIVES: u64 = 6;

fn number(variable: &str) -> Option<f64> {
    std::env::var(variable).ok().map(|text| text.parse().unwrap())
}

/// So many years of lives, from the seed `first` on, on all cores.
fn swarm(first: u64, years: f64) -> Vec<Outcome> {
    let began = Instant::now();
    let mut seeds = Vec::new();
    let mut days = 0.0;
    while days < 365.25 * years {
        seeds.push(first + seeds.len() as u64);
        days += plan::length(first + seeds.len() as u64 - 1).as_secs_f64() / 86_400.0;
    }
    let one = |place: usize| Ok::<_, ()>(life::live(&Plan::of(seeds[place]), None));
    let lives = crew::all(seeds.len(), crew::all_threads(), (true, "lives"), one).unwrap();
    print!("{}", table::table(&lives, began.elapsed().as_secs_f64()));
    lives
}

#[test]
fn years_with_every_fault_at_once() {
    let lives = match number("CRESTHOLD_SWARM_SEED") {
        Some(seed) => {
            let plan = Plan::of(seed as u64);
            print!("{}", plan.told());
            let began = Instant::now();
            let bug = std::env::var("CRESTHOLD_SWARM_BUG").ok();
            let bug = bug.map(|name| Bug::named(&name).expect("a name of bugs::Bug"));
            let lives = vec![life::live(&plan, bug)];
            print!("{}", table::table(&lives, began.elapsed().as_secs_f64()));
            lives
        }
        None => {
            let lives = swarm(1, YEARS);
            assert!(table::years(&lives) >= YEARS);
            assert!(lives.iter().any(|life| life.replayed > 0));
            lives
        }
    };
    table::fail_where_wrong(&lives);
}

/// `CRESTHOLD_SWARM_YEARS` (200) from the seed `CRESTHOLD_SWARM_FROM` (1000) on.
#[test]
#[ignore = "a night's work: two hundred years take a quarter of an hour"]
fn more_years_by_night() {
    let from = number("CRESTHOLD_SWARM_FROM").unwrap_or(1000.0);
    let lives = swarm(from as u64, number("CRESTHOLD_SWARM_YEARS").unwrap_or(200.0));
    table::fail_where_wrong(&lives);
}

#[test]
fn planted_bugs_are_found() {
    let find = |place: usize| {
        let bug = Bug::ALL[place];
        let found = (1..=LIVES).find_map(|seed| {
            let life = life::live(&Plan::of(seed), Some(bug));
            life.problems.into_iter().next().map(|problem| (seed, problem))
        });
        Ok::<_, ()>((bug, found))
    };
    let found = crew::all(Bug::ALL.len(), crew::all_threads(), (true, "bugs"), find).unwrap();
    for (bug, found) in &found {
        println!("{bug:?}: {found:?}");
    }
    assert!(found.iter().all(|(_, found)| found.is_some()));
}

#[test]
fn a_seed_lived_again_is_the_same_to_the_last_row() {
    let [first, second] = [(); 2].map(|()| life::live(&Plan::of(4), None));
    assert_eq!(first.digest, second.digest);
    assert_eq!(format!("{first:?}"), format!("{second:?}"));
}

/// A machine that stands still in the middle of a question: what it hears afterwards is old.
#[test]
fn stalls_alone_make_nothing_wrong() {
    let lives: Vec<Outcome> =
        (1..=2).map(|seed| life::live(&Plan::of(seed).with_stalls_alone(), None)).collect();
    print!("{}", table::table(&lives, 0.0));
    table::fail_where_wrong(&lives);
}
