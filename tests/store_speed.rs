//! How fast samples are written. Run with
//! `cargo test --release --test store_speed -- --ignored --nocapture`.

mod store_common;

use cresthold::control::record::Record;
use std::time::Instant;
use store_common::{open, place, sample};

/// A day of virtual time at ten samples a second must take seconds, not minutes. The bound holds
/// for the quickest block, since other programs on the machine only ever add; a block of 100 000
/// rows contains its share of commits, syncs and checkpoints.
#[test]
#[ignore = "a measurement: needs a release build and a quiet machine"]
fn a_sample_takes_at_most_1200_nanoseconds() {
    const BLOCKS: u32 = 20;
    const ROWS: u32 = 100_000;
    const ROWS_PER_COMMIT: u32 = 4096;
    let (_folder, path) = place();
    let mut log = open(&path);
    let mut nanos: Vec<f64> = Vec::new();
    for block in 0..BLOCKS {
        let first = block * ROWS;
        let samples: Vec<_> = (first..first + ROWS)
            .map(|row| Record::Sample(sample(0, f64::from(row) * 0.1)))
            .collect();
        let begin = Instant::now();
        for (row, record) in (0_u32..).zip(&samples) {
            log.write(record).unwrap();
            if row % ROWS_PER_COMMIT == ROWS_PER_COMMIT - 1 {
                log.commit().unwrap();
            }
        }
        log.commit().unwrap();
        nanos.push(begin.elapsed().as_secs_f64() * 1e9 / f64::from(ROWS));
    }
    nanos.sort_by(f64::total_cmp);
    let (least, median) = (nanos[0], nanos[nanos.len() / 2]);
    println!("{least:.0} ns a row at best, {median:.0} in the median");
    assert!(least <= 1200.0, "{least}");
}
