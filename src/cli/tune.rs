//! `cresthold tune`: a map of a tracker's setting and the control period, for a device, a bench and a sky.

use super::Exit;
use super::compare::{
    BenchOptions, Meant, carried_out, parse_period, parse_shard, parts, plant_named,
    scenarios_like, wanted, write_json,
};
use super::place::{json_name, not_read, page_name, table_name, write};
use crate::report::tuning::{answer, csv, station_lines, table};
use crate::report::tuning_page::page;
use crate::station::SETTLED_AFTER;
use crate::study::{BenchSettings, Grid, Plant, STEP, Shard, Tuning};
use clap::Args;
use std::path::PathBuf;
use std::time::Duration;

/// Steps unless stated, shares of the open-circuit voltage: two to three per factor of two.
const VALUES: &str = "0.1%,0.14%,0.2%,0.28%,0.4%,0.56%,0.8%,1.1%,1.6%,2.2%,3.2%";
/// Periods unless stated, over the shortest that a station accepts: the first shows why it does not
/// accept less.
const PERIODS: [f64; 6] = [0.5, 1.0, 2.0, 4.0, 8.0, 16.0];
/// Seeds at most: a mistyped number shall not run for days.
const MOST_SEEDS: u64 = 100_000;

/// Find setting and period: a tracker over a grid of both, in simulation, theory drawn beside it
///
/// The mean over all scenarios is what counts. Settings that can't be told apart from the best, in pairs
/// of the same seeds, are marked. The lines at the end are for the station file.
#[derive(Debug, Args)]
#[command(after_help = "Examples:
  cresthold tune --device crystalline-module --page map.html
  cresthold tune --scenario broken-clouds --bench slow --values 0.5%,1%,2% --periods 0.4s,1s,2s
  cresthold tune --tracker fractional-voc:share=0.8 --key look_every_s \\
      --values 5,10,20,40 --periods 0.1s

Exit codes: 0 done; 2 command line; 6 a file can't be read or written; 11 the parts don't fit \
together.")]
pub(super) struct Tune {
    /// Method, and settings that stay
    #[arg(long, value_name = "TRACKER", default_value = "perturb-and-observe")]
    tracker: String,
    /// The setting that is varied
    #[arg(long, value_name = "KEY", default_value = STEP)]
    key: String,
    /// Its values; with %, shares of the open-circuit voltage
    #[arg(long, value_name = "VALUE,...", value_delimiter = ',', default_value = VALUES)]
    values: Vec<String>,
    /// Control periods (from half to sixteen times the shortest that a station accepts)
    #[arg(long, value_name = "TIME,...", value_delimiter = ',', value_parser = parse_period)]
    periods: Vec<Duration>,
    /// The device
    #[arg(long, value_name = "NAME", default_value = Plant::NAMES[2], value_parser = plant_named)]
    device: Plant,
    /// Scenarios by name or group, * for any text, or NAME,NUMBER=VALUE; repeat for more (dynamic)
    #[arg(long = "scenario", value_name = "NAME", value_parser = scenarios_like)]
    scenarios: Vec<Meant>,
    /// How many seeds
    #[arg(long, value_name = "N", default_value_t = 5, value_parser = clap::value_parser!(u64).range(2..=MOST_SEEDS))]
    seeds: u64,
    /// The first seed
    #[arg(long, value_name = "SEED", default_value_t = 1)]
    first_seed: u64,
    #[command(flatten)]
    bench: BenchOptions,
    /// Do only part PART of OF; write it with --json
    #[arg(long, value_name = "PART/OF", value_parser = parse_shard, requires = "json")]
    shard: Option<Shard>,
    /// Join parts written with --shard and --json instead of running anything; repeat for each part
    #[arg(long, value_name = "FILE", conflicts_with = "shard")]
    join: Vec<PathBuf>,
    /// Write all results as JSON
    #[arg(long, value_name = "FILE.json", value_parser = json_name)]
    json: Option<PathBuf>,
    /// Write the map as CSV
    #[arg(long, value_name = "FILE.csv", value_parser = table_name, conflicts_with = "shard")]
    csv: Option<PathBuf>,
    /// Write a page with the map, one HTML file
    #[arg(long, value_name = "FILE.html", value_parser = page_name, conflicts_with = "shard")]
    page: Option<PathBuf>,
    /// Threads (all processors)
    #[arg(long, value_name = "N")]
    threads: Option<usize>,
    /// Show no progress
    #[arg(long)]
    quiet: bool,
}

impl Tune {
    pub(super) fn carry_out(&self) -> Exit {
        let tuning = if self.join.is_empty() { self.tune() } else { join(&self.join) };
        match tuning.and_then(|tuning| self.tell(&tuning)) {
            Ok(()) => Exit::Done,
            Err((exit, text)) => {
                tell!("{text}");
                exit
            }
        }
    }

    fn tune(&self) -> Result<Tuning, (Exit, String)> {
        let bench = self.bench.first();
        let grid = Grid {
            tracker: self.tracker.clone(),
            key: self.key.clone(),
            values: self.values.clone(),
            periods: if self.periods.is_empty() { periods(&bench.1) } else { self.periods.clone() },
            bench,
            plant: self.device.clone(),
            scenarios: wanted(&self.scenarios),
            seeds: (0..self.seeds).map(|index| self.first_seed.wrapping_add(index)).collect(),
            shard: self.shard,
        };
        let usage = |error: &dyn std::fmt::Display| (Exit::Usage, error.to_string());
        let plan = grid.plan().map_err(|error| usage(&error))?;
        let rule = grid.rule().map_err(|error| usage(&error))?;
        let comparison = carried_out(plan, self.threads, self.quiet)?;
        Ok(Tuning { key: self.key.clone(), rule, comparison })
    }

    fn tell(&self, tuning: &Tuning) -> Result<(), (Exit, String)> {
        if let Some(path) = &self.json {
            self.join.iter().try_for_each(|part| not_read(path, part))?;
            write_json(path, tuning)?;
        }
        if let Some(Shard { part, of }) = tuning.comparison.shard {
            let trials = tuning.comparison.cells.len();
            sayln!("part {part} of {of}: {trials} trials; join the parts for the map");
            return Ok(());
        }
        let map = tuning.map().ok_or_else(|| {
            let text = "a station takes no period of this grid: each is too short for the load, or outside \
                        of 0.02 s to 60 s; or a value is no number. State other --periods, and numbers as \
                        --values";
            (Exit::Usage, text.to_owned())
        })?;
        if let Some(path) = &self.csv {
            write(path, &csv(tuning, &map))?;
        }
        if let Some(path) = &self.page {
            write(path, &page(tuning, &map))?;
        }
        say!("{}", table(tuning, &map));
        for sentence in answer(tuning, &map) {
            sayln!("\n{sentence}");
        }
        say!("\nfor the station file:\n{}", station_lines(tuning, &map));
        Ok(())
    }
}

fn join(paths: &[PathBuf]) -> Result<Tuning, (Exit, String)> {
    Tuning::join(parts(paths)?).map_err(|error| (Exit::Study, error.to_string()))
}

fn periods(bench: &BenchSettings) -> Vec<Duration> {
    let shortest = bench.settling * SETTLED_AFTER + bench.window + bench.latency;
    PERIODS.map(|factor| shortest.mul_f64(factor)).to_vec()
}
