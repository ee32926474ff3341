//! What an exchange costs. Run with `cargo test --release --test links_cost -- --ignored --nocapture`.

#![cfg(feature = "field")]
#![allow(clippy::unwrap_used, reason = "a helper that fails is a test that fails")]

mod links_yard;

use cresthold::quantities::Volts;
use links_yard::{on_both_lines, run};
use std::collections::BTreeMap;
use std::time::Duration;

/// CPU time of each thread by name (ns): the first field of `schedstat` (proc(5), from memory).
fn cpu() -> BTreeMap<String, (u64, u64)> {
    let mut times = BTreeMap::new();
    for task in std::fs::read_dir("/proc/self/task").unwrap().flatten() {
        let read = |name: &str| std::fs::read_to_string(task.path().join(name)).unwrap_or_default();
        let stat = read("schedstat");
        let mut fields = stat.split_whitespace().map(|field| field.parse::<u64>().unwrap_or(0));
        let (nanos, _, slices) = (fields.next(), fields.next(), fields.next());
        let entry: &mut (u64, u64) = times.entry(read("comm").trim().to_owned()).or_default();
        entry.0 += nanos.unwrap_or(0);
        entry.1 += slices.unwrap_or(0);
    }
    times
}

fn resident() -> String {
    let status = std::fs::read_to_string("/proc/self/status").unwrap();
    status.lines().find(|line| line.starts_with("VmRSS")).unwrap_or("").to_owned()
}

/// Ten turns a second of one setting (sent, read back) and one measurement, for ten seconds.
#[test]
#[ignore = "a measurement of twenty seconds, not a check"]
fn cpu_of_ten_turns_a_second() {
    const TURNS: u64 = 100;
    run(async {});
    on_both_lines(async |server, _| {
        let mut load = server.load().await;
        load.prepare().await.unwrap();
        load.input(true).await.unwrap();
        let mut tick = tokio::time::interval(Duration::from_millis(100));
        let before = cpu();
        let resident_before = resident();
        for turn in 0..TURNS {
            tick.tick().await;
            load.set_volts(Volts(30.0 + 0.01 * (turn % 10) as f64)).await.unwrap();
            load.measure().await.unwrap();
        }
        println!("{}: {resident_before} -> {}", server.settings(), resident());
        for (thread, (nanos, slices)) in cpu() {
            let (nanos_before, slices_before) = before.get(&thread).copied().unwrap_or_default();
            println!(
                "  {thread}: {:.1} us and {:.1} wake-ups a turn",
                (nanos - nanos_before) as f64 / 1e3 / TURNS as f64,
                (slices - slices_before) as f64 / TURNS as f64
            );
        }
    });
}
