//! Minutes, days and events of a log, against what was offered to it.

use crate::runbook::{DayKept, RunBook};
use rusqlite::{Connection, Result};
use std::collections::{BTreeMap, HashMap};

/// What all files hold of one run.
#[derive(Debug, Default)]
pub(crate) struct Account {
    minutes: u64,
    /// Their energy (Wh).
    energy: f64,
    /// The newest totals of each day, by when its book was begun (us).
    days: BTreeMap<i64, DayKept>,
    events: BTreeMap<String, u64>,
}

/// By the beginning of each run, by its own wall clock (us).
pub(crate) type Accounts = HashMap<i64, Account>;

const MINUTES: &str = "SELECT b.began_utc_us, count(*), total(m.energy_wh) FROM minute_view AS m \
     JOIN boot AS b ON b.number = m.boot GROUP BY m.boot";
const DAYS: &str = "SELECT b.began_utc_us, d.began_mono_us, d.mono_us, d.energy_wh, d.covered_s, \
     d.missing_s FROM day AS d JOIN boot AS b ON b.number = d.boot";
const EVENTS: &str = "SELECT b.began_utc_us, e.code, count(*) FROM event AS e \
     JOIN boot AS b ON b.number = e.boot GROUP BY e.boot, e.code";

/// Energy of a minute is kept to a microwatt-hour, and so is that of its mean power (Wh).
const MINUTE_KEPT_TO: f64 = 2e-6;
/// Totals are kept as they are, but for digits of sums (Wh, s).
const DAY_KEPT_TO: f64 = 1e-6;

/// Adds what a file holds.
pub(crate) fn read(conn: &Connection, accounts: &mut Accounts) -> Result<()> {
    let mut minutes = conn.prepare(MINUTES)?;
    let mut rows = minutes.query([])?;
    while let Some(row) = rows.next()? {
        let account = accounts.entry(row.get(0)?).or_default();
        account.minutes += row.get::<_, i64>(1)?.unsigned_abs();
        account.energy += row.get::<_, f64>(2)?;
    }
    let mut days = conn.prepare(DAYS)?;
    let mut rows = days.query([])?;
    while let Some(row) = rows.next()? {
        let (began, mono) = (row.get(1)?, row.get(2)?);
        let day = DayKept { began, mono, totals: [row.get(3)?, row.get(4)?, row.get(5)?] };
        newest(&mut accounts.entry(row.get(0)?).or_default().days, day);
    }
    let mut events = conn.prepare(EVENTS)?;
    let mut rows = events.query([])?;
    while let Some(row) = rows.next()? {
        let events = &mut accounts.entry(row.get(0)?).or_default().events;
        *events.entry(row.get(1)?).or_default() += row.get::<_, i64>(2)?.unsigned_abs();
    }
    Ok(())
}

fn newest(days: &mut BTreeMap<i64, DayKept>, day: DayKept) {
    let known = days.entry(day.began).or_insert(day);
    if day.mono >= known.mono {
        *known = day;
    }
}

impl Account {
    /// What is wrong with it, beside what was offered.
    pub(crate) fn problems(&self, run: &RunBook) -> Vec<String> {
        let mut problems = Vec::new();
        self.minutes(run, &mut problems);
        self.days(run, &mut problems);
        self.events(run, &mut problems);
        problems
    }

    /// How many minutes were made of samples after the run broke off.
    fn rebuilt(&self) -> u64 {
        self.events.get("minute-rebuilt").copied().unwrap_or_default()
    }

    /// Whether totals are those of one of the last that were offered before them, or of none, and a rebuilt minute's,
    /// which has no more time than has passed since.
    fn is_rebuilt(&self, kept: &DayKept, run: &RunBook) -> bool {
        /// What an offered one may be ahead of the kept one that is added to: rows of a commit are lost with a run.
        const LAST: usize = 3;
        /// The reading that closes a minute ends the first span of the next (s).
        const READING_S: f64 = 70.0;
        let time = |day: &DayKept| day.totals[1] + day.totals[2];
        let none = DayKept { began: kept.began, mono: kept.began, totals: [0.0; 3] };
        let before = |day: &&DayKept| day.began == kept.began && day.mono <= kept.mono;
        let last = run.days.all.iter().rev().filter(before).take(LAST);
        let grown = |day: &DayKept| {
            let (passed, more) = ((kept.mono - day.mono) as f64 / 1e6, time(kept) - time(day));
            (-DAY_KEPT_TO..=passed + READING_S).contains(&more)
                && kept.totals[0] - day.totals[0] >= -DAY_KEPT_TO
        };
        self.rebuilt() > 0 && last.chain([&none]).any(grown)
    }

    fn minutes(&self, run: &RunBook, problems: &mut Vec<String>) {
        let (told, offered) = (run.minutes.told().len() as u64, run.minutes.all.len() as u64);
        let (found, rebuilt) = (self.minutes, self.rebuilt());
        if found + run.counted < told || found > offered + rebuilt {
            problems.push(format!("{found} minutes are kept of {offered}, {told} were told"));
        }
        let energy: f64 = run.minutes.all.iter().sum();
        if found == offered
            && rebuilt == 0
            && (self.energy - energy).abs() > MINUTE_KEPT_TO * offered as f64
        {
            problems.push(format!("minutes have {} Wh, offered were {energy}", self.energy));
        }
        // What a minute was made of is in it once: no more than was seen, as of the offered ones.
        let most = 1.01 * run.measured + 0.05;
        if rebuilt > 0 && self.energy > most {
            problems.push(format!(
                "{} Wh in minutes with a rebuilt one, {most} were seen",
                self.energy
            ));
        }
    }

    /// The newest totals that were told are there, or newer ones; all of a run's together are the
    /// minutes'.
    fn days(&self, run: &RunBook, problems: &mut Vec<String>) {
        let (mut told, mut offered) = (BTreeMap::new(), BTreeMap::new());
        run.days.told().iter().for_each(|day| newest(&mut told, *day));
        run.days.all.iter().for_each(|day| newest(&mut offered, *day));
        for (began, day) in &told {
            let kept = self.days.get(began).filter(|kept| kept.mono >= day.mono);
            if kept.is_none() && run.counted == 0 {
                problems.push(format!("the day that began at {began} us is nowhere"));
            }
        }
        for (began, kept) in &self.days {
            let same = |day: &&DayKept| {
                let near = |(a, b): (&f64, &f64)| (a - b).abs() <= DAY_KEPT_TO;
                day.mono == kept.mono && day.totals.iter().zip(&kept.totals).all(near)
            };
            let known =
                run.days.all.iter().rev().filter(|day| day.began == *began).any(|day| same(&day));
            if !known && !self.is_rebuilt(kept, run) {
                problems.push(format!("totals that nobody offered: {kept:?}"));
            }
        }
        let energy: f64 = offered.values().map(|day| day.totals[0]).sum();
        let minutes: f64 = run.minutes.all.iter().sum();
        if run.whole && (energy - minutes).abs() > DAY_KEPT_TO * minutes.abs().max(1.0) {
            problems.push(format!("days have {energy} Wh, minutes {minutes}"));
        }
    }

    fn events(&self, run: &RunBook, problems: &mut Vec<String>) {
        let count = |codes: &[&'static str]| {
            codes.iter().fold(BTreeMap::<_, u64>::new(), |mut counts, code| {
                *counts.entry(*code).or_default() += 1;
                counts
            })
        };
        let told = count(run.events.told());
        for (code, offered) in count(&run.events.all) {
            let found = self.events.get(code).copied().unwrap_or_default();
            let told = told.get(code).copied().unwrap_or_default();
            if found + run.counted < told || found > offered {
                problems.push(format!("{found} events {code} of {offered}, {told} were told"));
            }
        }
    }
}
