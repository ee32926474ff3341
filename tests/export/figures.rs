//! What an export costs. Run with `cargo test --test export -- --ignored --nocapture`.

use crate::store_common::{facts, place, sample, second};
use cresthold::control::record::Record;
use cresthold::store::Log;
use std::fs;
use std::path::Path;
use std::process::Command;
use std::time::{Duration, Instant};

const DAYS: u32 = 30;
const SECONDS: u32 = DAYS * 86_400;

/// Runs the program and tells how long it took and how much memory it had at most (MB).
fn measured(folder: &Path, arguments: &[&str]) -> (f64, f64) {
    let began = Instant::now();
    let mut child = Command::new(env!("CARGO_BIN_EXE_cresthold"))
        .arg("export")
        .args(arguments)
        .current_dir(folder)
        .spawn()
        .unwrap();
    let mut most = 0.0_f64;
    let status = loop {
        let status = fs::read_to_string(format!("/proc/{}/status", child.id())).unwrap_or_default();
        let line = status.lines().find_map(|line| line.strip_prefix("VmHWM:"));
        let kilobytes = line.and_then(|line| line.trim().trim_end_matches(" kB").parse().ok());
        most = most.max(kilobytes.unwrap_or(0.0) / 1000.0);
        if let Some(status) = child.try_wait().unwrap() {
            break status;
        }
        std::thread::sleep(Duration::from_millis(5));
    };
    assert!(status.success());
    (began.elapsed().as_secs_f64(), most)
}

#[test]
#[ignore = "a measurement"]
fn a_month_of_samples_at_one_second() {
    let (folder, path) = place();
    let mut log = Log::open(&path, &facts()).unwrap();
    for s in 0..SECONDS {
        log.write(&Record::Sample(sample(0, f64::from(s)))).unwrap();
    }
    log.finish().unwrap();
    assert_eq!(second(f64::from(SECONDS)).utc.date(), "2016-07-15");
    let megabytes = |name: &str| fs::metadata(folder.path().join(name)).unwrap().len() as f64 / 1e6;
    println!("log: {SECONDS} samples, {:.1} MB", megabytes("roof log.db"));
    for out in ["month.csv", "month.parquet"] {
        let (seconds, memory) =
            measured(folder.path(), &["roof log.db", "--rows", "samples", "--out", out]);
        println!(
            "{out}: {:.1} MB in {seconds:.2} s, {:.2} us a row, at most {memory:.1} MB of memory",
            megabytes(out),
            seconds * 1e6 / f64::from(SECONDS)
        );
        // A month or a year: the same. A group of rows and a piece of the log, not the log.
        assert!(memory < 100.0, "{memory} MB");
    }
}
