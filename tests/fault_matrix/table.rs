//! The matrix as a table.

use crate::cell::{Cell, Phase};
use crate::judge::Verdict;
use cresthold_sim::wire::fault::What;
use std::collections::BTreeMap;

/// One row per fault, place and line, one column per phase: seconds, `-` where there is no such
/// cell, `u` where the end was told as unconfirmed, `!` where it fails.
pub(crate) fn table(verdicts: &[(Cell, Verdict)], seed: u64) -> String {
    let of: BTreeMap<String, &Verdict> =
        verdicts.iter().map(|(cell, verdict)| (cell.to_string(), verdict)).collect();
    let mut rows: Vec<Cell> = verdicts.iter().map(|(cell, _)| *cell).collect();
    let kind = |cell: &Cell| What::NAMES.iter().position(|name| *name == cell.kind);
    rows.sort_by_key(|cell| (cell.place, kind(cell), cell.link));
    rows.dedup_by_key(|cell| (cell.place, cell.kind, cell.link));
    let mut text = format!(
        "seed {seed}. Seconds from the fault's end until tracking with whole samples; stopping: \
         seconds until the run is over.\n{:<12} {:<13} {:<11}",
        "where", "fault", "line"
    );
    for phase in Phase::ALL {
        text += &format!(" {:>9}", phase.word());
    }
    text += "  seed of the row's first cell\n";
    for row in rows {
        text += &format!("{:<12} {:<13} {:<11}", row.place.word(), row.kind, row.link.word());
        for phase in Phase::ALL {
            let cell = match of.get(&Cell { phase, ..row }.to_string()) {
                None => "-  ".to_owned(),
                Some(verdict) if verdict.unsure && verdict.problems.is_empty() => {
                    format!("{:.1} u", verdict.seconds)
                }
                Some(verdict) if verdict.problems.is_empty() => format!("{:.1}  ", verdict.seconds),
                Some(verdict) => format!("{:.1} !", verdict.seconds),
            };
            text += &format!(" {cell:>9}");
        }
        text += &format!("  {:016x}\n", Cell { phase: Phase::Waking, ..row }.seed(seed));
    }
    text += &summary(verdicts);
    text
}

fn summary(verdicts: &[(Cell, Verdict)]) -> String {
    let worst = |stopping: bool| {
        verdicts
            .iter()
            .filter(|(cell, _)| (cell.phase == Phase::Stopping) == stopping)
            .max_by(|a, b| a.1.seconds.total_cmp(&b.1.seconds))
            .map_or_else(String::new, |(cell, it)| format!("{:.1} s ({cell})", it.seconds))
    };
    let sum = |pick: fn(&Verdict) -> usize| verdicts.iter().map(|(_, it)| pick(it)).sum::<usize>();
    format!(
        "{} cells; slowest recovery {}, slowest end {}; {} samples compared with their very \
         measurements, {} with the span's least and largest\n",
        verdicts.len(),
        worst(false),
        worst(true),
        sum(|it| it.samples.0),
        sum(|it| it.samples.1)
    )
}

/// Fails with every problem of every cell that has some.
pub(crate) fn fail_where_broken(verdicts: &[(Cell, Verdict)], seed: u64) {
    const SHOWN: usize = 4;
    let mut text = String::new();
    let mut count = 0;
    for (cell, verdict) in verdicts.iter().filter(|(_, it)| !it.problems.is_empty()) {
        count += 1;
        text += &format!("CRESTHOLD_MATRIX_SEED={seed} CRESTHOLD_MATRIX_CELL={cell}\n");
        for problem in verdict.problems.iter().take(SHOWN) {
            text += &format!("    {problem}\n");
        }
        if verdict.problems.len() > SHOWN {
            text += &format!("    and {} more\n", verdict.problems.len() - SHOWN);
        }
    }
    assert!(count == 0, "{count} cells are broken:\n{text}");
}
