//! What the swarm tells of its lives.

use crate::life::Outcome;
use std::collections::BTreeMap;
use std::fmt::Write as _;

const YEAR: f64 = 365.25;

/// Years, lives, faults by class, and what was compared.
pub(crate) fn table(lives: &[Outcome], seconds: f64) -> String {
    let mut faults: BTreeMap<&str, u64> = BTreeMap::new();
    let mut events: BTreeMap<&str, u64> = BTreeMap::new();
    for life in lives {
        life.faults.iter().for_each(|(what, times)| *faults.entry(what).or_default() += times);
        life.events.iter().for_each(|(what, times)| *events.entry(what).or_default() += times);
    }
    let sum = |of: fn(&Outcome) -> u64| lives.iter().map(of).sum::<u64>();
    let years = years(lives);
    let mut text = String::new();
    let _ = writeln!(text, "{years:.1} years in {} lives, {seconds:.0} s", lives.len());
    for (title, counts) in [("went wrong", &faults), ("told", &events)] {
        let _ = writeln!(text, "{title}:");
        for line in counts.iter().collect::<Vec<_>>().chunks(4) {
            for (what, times) in line {
                let _ = write!(text, "{times:>8} {what:<26}");
            }
            text.push('\n');
        }
    }
    let least = lives.iter().map(|life| life.efficiency).fold(f64::NAN, f64::min);
    let _ = writeln!(
        text,
        "{} runs; {} samples compared with the plant; {} rows with what was offered, {} of the told \
         ones counted as left out, {} untold ones lost with a run; {} recorded inputs replayed; once healed at least {:.1} % of \
         the crest's energy",
        sum(|life| life.runs),
        sum(|life| life.compared),
        sum(|life| life.rows),
        sum(|life| life.counted),
        sum(|life| life.untold),
        sum(|life| life.replayed),
        100.0 * least,
    );
    text
}

pub(crate) fn years(lives: &[Outcome]) -> f64 {
    lives.iter().map(|life| life.days).sum::<f64>() / YEAR
}

/// Fails where a life had problems, and says how to live it again.
pub(crate) fn fail_where_wrong(lives: &[Outcome]) {
    let mut text = String::new();
    for life in lives.iter().filter(|life| !life.problems.is_empty()) {
        let seed = life.seed;
        let _ = writeln!(
            text,
            "seed {seed}; again: CRESTHOLD_SWARM_SEED={seed} cargo test --test swarm years -- --nocapture"
        );
        life.problems.iter().for_each(|problem| {
            let _ = writeln!(text, "  {problem}");
        });
    }
    assert!(text.is_empty(), "\n{text}");
}
