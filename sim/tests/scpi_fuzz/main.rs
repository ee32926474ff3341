//! The SCPI codec and the virtual instruments under any bytes: no panic, bounded replies, round
//! trips.
//!
//! Model: a seeded mutation fuzzer on the stable toolchain. Each target drives the code with one
//! input and tells, as a set of features, what it saw: which shapes, which errors, which of them
//! after which. An input that shows a new feature joins the pool that later inputs are made from;
//! at the end the smallest inputs that together show everything are the corpus, one escaped line
//! each in `sim/tests/corpus/scpi`. Features stand in for coverage of the code. Rejected: fuzzers
//! with real coverage, because they want another toolchain or some fifty packages.
//!
//! - `cargo test -p cresthold-sim --test scpi_fuzz` replays the corpus and mutates for a moment.
//! - The same with `--release ... -- --ignored --nocapture` mutates for `CRESTHOLD_FUZZ_MINUTES`
//!   (10 by default) from `CRESTHOLD_FUZZ_SEED` and rewrites the corpus.

#![allow(clippy::unwrap_used, reason = "a helper that fails is a test that fails")]
#![allow(clippy::panic, reason = "the panic is the report")]

mod corpus;
mod drive;
mod mutate;

use corpus::Corpus;
use drive::{Drive, Seen, TARGETS};
use mutate::Mutator;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::time::{Duration, Instant};

/// Time for new mutations in an ordinary run, all targets together: CI must stay short.
const SHORT: Duration = Duration::from_secs(2);
const DEFAULT_MINUTES: f64 = 10.0;
/// The ordinary run draws the same inputs everywhere; only how many it gets to depends on the
/// machine.
const DEFAULT_SEED: u64 = 1;
/// Inputs between two looks at the clock.
const BATCH: u64 = 256;

/// What one run of a target did.
struct Outcome {
    executions: u64,
    corpus: Corpus,
}

/// Drives a target with its corpus, then with mutations of it until the time is over.
fn fuzz(name: &str, drive: Drive, time: Duration, seed: u64) -> Outcome {
    let mut corpus = Corpus::load(name);
    let mut mutator = Mutator::new(seed);
    let mut executions = 0;
    let mut pool = Vec::new();
    for input in corpus.take() {
        let seen = watched(name, drive, &input);
        if corpus.offer(&input, &seen) {
            pool.push(input);
        }
        executions += 1;
    }
    let end = Instant::now() + time;
    while Instant::now() < end {
        for _ in 0..BATCH {
            let input = mutator.next(&pool);
            let seen = watched(name, drive, &input);
            if corpus.offer(&input, &seen) {
                pool.push(input);
            }
        }
        executions += BATCH;
    }
    Outcome { executions, corpus }
}

/// Runs one input; a panic is told with the smallest input that still causes it.
fn watched(name: &str, drive: Drive, input: &[u8]) -> Seen {
    let run = |input: &[u8]| {
        let mut seen = Seen::default();
        catch_unwind(AssertUnwindSafe(|| drive(input, &mut seen))).map(|()| seen)
    };
    run(input).unwrap_or_else(|_| {
        let mut small = input.to_vec();
        let mut at = 0;
        while at < small.len() {
            let mut without = small.clone();
            without.remove(at);
            if run(&without).is_err() { small = without } else { at += 1 }
        }
        panic!(
            "target {name} fails; once it is mended, keep this line in \
             sim/tests/corpus/scpi/{name}.txt:\n{}",
            small.escape_ascii()
        )
    })
}

#[test]
fn the_corpus_and_a_moment_of_mutations_break_nothing() {
    let share = SHORT / u32::try_from(TARGETS.len()).unwrap();
    for (name, drive) in TARGETS {
        let outcome = fuzz(name, drive, share, DEFAULT_SEED);
        println!("{name}: {} inputs", outcome.executions);
        assert!(outcome.corpus.len() > 10, "the corpus of {name} is gone");
    }
}

/// Takes its minutes from the environment and rewrites the corpus.
#[test]
#[ignore = "runs for minutes, 10 by default"]
fn minutes_of_mutations_break_nothing() {
    let number = |name: &str| std::env::var(name).ok().map(|text| text.parse::<f64>().unwrap());
    let minutes = number("CRESTHOLD_FUZZ_MINUTES").unwrap_or(DEFAULT_MINUTES);
    let seed = std::env::var("CRESTHOLD_FUZZ_SEED").map_or(DEFAULT_SEED, |s| s.parse().unwrap());
    let share = Duration::from_secs_f64(minutes * 60.0 / TARGETS.len() as f64);
    for (name, drive) in TARGETS {
        let Outcome { executions, corpus } = fuzz(name, drive, share, seed);
        let (features, tried) = (corpus.features(), corpus.len());
        let kept = corpus.store(name);
        println!(
            "{name}: {executions} inputs in {:.0} s, seed {seed}: {features} features, shown by \
             {tried} inputs, {kept} kept",
            share.as_secs_f64()
        );
    }
}
