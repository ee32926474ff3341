//! A recorded day at a 100 ms control period, one device, log included: processor time and cost per
//! step. Run with `cargo bench --bench recorded_day`.
//!
//! Night is not skipped: the channel looks up every 100 ms too, so the day has its 864 000 turns.
#![allow(clippy::unwrap_used, missing_docs, reason = "a benchmark")]

#[path = "../support/mod.rs"]
mod support;

use cresthold::control::record::Record;
use cresthold::rehearsal::Yard;
use cresthold::store::{ChannelFacts, Log, OpenFacts};
use cresthold::time::{Instant, Stamp, Utc};
use cresthold_sim::sky::recorded::{RecordedSky, embedded_payerne};
use std::time::Duration;
use support::{channel_config, crystalline_stand, perturb_and_observe};

const DAY: Duration = Duration::from_secs(86_400);
const REPEATS: usize = 5;

/// Processor time of this process so far (s), user and system: fields 14 and 15 of its stat file,
/// in hundredths of a second (proc(5); the clock tick is 100 Hz on every Linux of today).
fn processor_seconds() -> f64 {
    let stat = std::fs::read_to_string("/proc/self/stat").unwrap();
    let fields: Vec<&str> = stat.rsplit(')').next().unwrap().split_whitespace().collect();
    let ticks = |index: usize| fields[index - 3].parse::<f64>().unwrap();
    (ticks(14) + ticks(15)) / 100.0
}

fn main() {
    let mut costs: Vec<f64> = (0..REPEATS).map(|_| play()).collect();
    costs.sort_by(f64::total_cmp);
    println!("median {:.3} s of processor time per day", costs[REPEATS / 2]);
}

fn play() -> f64 {
    let directory = tempfile::tempdir().unwrap();
    let began = processor_seconds();
    let (day, site) = embedded_payerne();
    let utc: Utc = "2016-06-15T00:00:00Z".parse().unwrap();
    let mut config = channel_config(perturb_and_observe(0.25));
    config.daylight.look_every = config.period;
    let stand = crystalline_stand(config, 11);
    let mut yard = Yard::new(RecordedSky::new(day, site, 7), utc, vec![stand]);
    let facts = OpenFacts {
        began: Stamp { mono: Instant::ZERO, utc },
        version: "bench".to_owned(),
        station: "bench".to_owned(),
        fingerprint: String::new(),
        seed: Some(7),
        note: None,
        day: cresthold::control::DaySplit::UTC,
        channels: vec![ChannelFacts {
            name: "module".to_owned(),
            device: "module".to_owned(),
            tracker: "perturb-and-observe".to_owned(),
        }],
    };
    let mut log = Log::open(&directory.path().join("day.sqlite"), &facts).unwrap();
    let mut now = Instant::ZERO;
    while now < Instant::ZERO + DAY {
        now += Duration::from_secs(60);
        yard.run_until(now, &mut |record: Record| log.write(&record).unwrap());
        log.commit_if_due(now).unwrap();
    }
    yard.stop(now, &mut |record| log.write(&record).unwrap());
    log.finish().unwrap();
    let spent = processor_seconds() - began;
    let turns = yard.stands()[0].turns();
    let truth = yard.stands()[0].truth();
    println!(
        "{turns} turns, {spent:.3} s, {:.0} ns a turn; {:.2} of {:.2} delivered",
        spent / turns as f64 * 1e9,
        truth.delivered,
        truth.available
    );
    spent
}
