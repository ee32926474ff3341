//! What the log holds at the end of a life, against what was offered to it.

use crate::accounts::{self, Accounts};
use crate::judge::Judge;
use crate::plan::Plan;
use crate::runbook::{Kept, RunBook};
use cresthold::store::{Reader, others};
use rusqlite::Connection;
use std::collections::HashMap;
use std::path::Path;

/// What was found.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Found {
    pub(crate) rows: u64,
    /// Samples that are in no file, and that the writer had counted.
    pub(crate) counted: u64,
    /// Samples in no file that nobody had told as kept.
    pub(crate) untold: u64,
    /// Of all rows (FNV-1a: Fowler, Noll, Vo, from memory).
    pub(crate) digest: u64,
}

/// A row of the log.
struct Row {
    /// When its run began by its own wall clock (us).
    key: i64,
    mono: i64,
    utc: i64,
    readings: i64,
    /// uV, uA, uW, mW/m2, mdegC.
    values: [Option<i64>; 5],
}

impl Row {
    fn digest(digest: u64, row: &Self) -> u64 {
        let numbers = [row.key, row.mono, row.utc, row.readings].map(Some);
        numbers.iter().chain(&row.values).fold(digest, |digest, number| {
            (digest ^ number.unwrap_or(i64::MIN) as u64).wrapping_mul(0x0100_0000_01b3)
        })
    }
}

const SAMPLES: &str = "SELECT b.began_utc_us, t.mono_us + s.id % 4194304 * 1000, \
     t.utc_us + s.id % 4194304 * 1000, s.readings, s.volts_uv, s.amps_ua, s.watts_uw, \
     s.irradiance_mw_m2, s.module_temperature_mdegc, t.boot \
     FROM sample AS s JOIN stretch AS t ON t.id = s.id / 4194304 JOIN boot AS b ON b.number = t.boot \
     ORDER BY s.id";

/// Rows are kept to a millisecond (us).
const KEPT_TO: i64 = 1000;

/// Checks the files of the log at `path`.
pub(crate) fn check(path: &Path, plan: &Plan, judge: &mut Judge) -> Found {
    let end = plan.ends.as_secs_f64();
    // Whoever opens the log takes up what a run left.
    if let Err(error) = Reader::open(path).and_then(|reader| reader.boots()) {
        judge.problem(end, format_args!("the log can't be read: {error}"));
        return Found::default();
    }
    let (mut rows, mut accounts) = (Vec::new(), Accounts::new());
    for file in others(path).into_iter().chain([path.to_path_buf()]) {
        if let Err(why) = read(&file, (&mut rows, &mut accounts)) {
            judge.problem(end, format_args!("{}: {why}", file.display()));
        }
    }
    let runs: HashMap<i64, usize> =
        judge.runs.iter().enumerate().map(|(place, run)| (run.key, place)).collect();
    let mut seen: Vec<Vec<u8>> =
        judge.runs.iter().map(|run| vec![0; run.samples.all.len()]).collect();
    let mut problems = Vec::new();
    for row in &rows {
        let Some(&place) = runs.get(&row.key) else {
            problems.push(format!("a row of a run that never was: {}", row.key));
            continue;
        };
        let run = &judge.runs[place];
        match place_of(run, row) {
            Some(index) => {
                seen[place][index] += 1;
                problems.extend(differs(plan, run, &run.samples.all[index], row));
            }
            None => problems.push(format!("run {place}: a row that nobody offered: {}", row.mono)),
        }
    }
    let digest = rows.iter().fold(0xcbf2_9ce4_8422_2325, Row::digest);
    let mut found = Found { rows: rows.len() as u64, digest, ..Found::default() };
    for (place, run) in judge.runs.iter().enumerate() {
        account((place, run), &seen[place], &mut found, &mut problems);
        let others = accounts.remove(&run.key).unwrap_or_default().problems(run);
        problems.extend(others.into_iter().map(|problem| format!("run {place}: {problem}")));
    }
    problems.extend(accounts.keys().map(|key| format!("rows of a run that never was: {key}")));
    problems.into_iter().for_each(|problem| judge.problem(end, problem));
    found
}

/// Reads a file's rows, in their order; what is wrong with the file itself.
fn read(file: &Path, (rows, accounts): (&mut Vec<Row>, &mut Accounts)) -> Result<(), String> {
    let conn = Connection::open(file).map_err(|error| error.to_string())?;
    let sound: String = conn
        .query_row("PRAGMA integrity_check", [], |row| row.get(0))
        .map_err(|error| error.to_string())?;
    if sound != "ok" {
        return Err(format!("integrity_check: {sound}"));
    }
    accounts::read(&conn, accounts).map_err(|error| error.to_string())?;
    let mut samples = conn.prepare(SAMPLES).map_err(|error| error.to_string())?;
    let mut found = samples.query([]).map_err(|error| error.to_string())?;
    let mut before = HashMap::new();
    while let Some(row) = found.next().map_err(|error| error.to_string())? {
        let get = |column| row.get::<_, Option<i64>>(column).unwrap();
        let number = |column| get(column).unwrap();
        let (mono, boot) = (number(1), number(9));
        if before.insert(boot, mono).is_some_and(|before| mono < before) {
            return Err(format!("rows of boot {boot} out of order at {mono} us"));
        }
        let (key, utc, readings) = (number(0), number(2), number(3));
        let values = std::array::from_fn(|i| get(4 + i));
        rows.push(Row { key, mono, utc, readings, values });
    }
    Ok(())
}

/// Which of the run's samples the row is.
fn place_of(run: &RunBook, row: &Row) -> Option<usize> {
    let place = run.samples.all.partition_point(|kept| kept.mono < row.mono);
    run.samples.all.get(place).filter(|kept| kept.mono < row.mono + KEPT_TO).map(|_| place)
}

/// Whether the row says something else than what was offered.
fn differs(plan: &Plan, run: &RunBook, kept: &Kept, row: &Row) -> Option<String> {
    let sample = &kept.sample;
    let offered = [
        Some(sample.volts.0 * 1e6),
        Some(sample.amps.0 * 1e6),
        Some(sample.watts.0 * 1e6),
        sample.irradiance.map(|it| it.0 * 1e3),
        sample.module_temperature.map(|it| it.0 * 1e3),
    ];
    let same = offered.iter().zip(&row.values).all(|(offered, row)| match (offered, row) {
        (Some(offered), Some(row)) => (offered - *row as f64).abs() <= 1.0,
        (None, None) => true,
        (Some(offered), None) => !offered.is_finite(),
        (None, Some(_)) => false,
    });
    if !same || row.readings != i64::from(sample.readings) {
        return Some(format!("{offered:?} was offered, {:?} is kept", row.values));
    }
    // A right clock labels right.
    let began = plan.began.as_micros() + (run.began * 1e6).round() as i64;
    let off = (row.utc - began - row.mono).abs();
    (run.right_clock && off > 2 * KEPT_TO).then(|| format!("labelled {off} us off"))
}

/// Every sample is there once, unless it was never told as kept or is counted.
fn account(
    (place, run): (usize, &RunBook),
    seen: &[u8],
    found: &mut Found,
    problems: &mut Vec<String>,
) {
    let twice = seen.iter().filter(|times| **times > 1).count();
    if twice > 0 {
        problems.push(format!("run {place}: {twice} samples are there twice"));
    }
    let missing = |seen: &[u8]| seen.iter().filter(|times| **times == 0).count() as u64;
    let (told, untold) = seen.split_at(run.samples.told().len());
    let (lost, untold) = (missing(told), missing(untold));
    if lost > run.counted {
        let counted = run.counted;
        problems.push(format!(
            "run {place}: {lost} of {} samples told as kept are nowhere, {counted} are counted",
            run.samples.told().len()
        ));
    }
    if run.whole && lost + untold > run.counted {
        problems.push(format!("run {place} ended whole, but {untold} samples are nowhere"));
    }
    found.counted += lost;
    found.untold += untold;
}
