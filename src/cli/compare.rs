//! `cresthold compare`: trackers tried against each other on the embedded plant.

use super::Exit;
use super::place::{json_name, not_read, page_name, table_name, write};
use super::run::parse_length;
use crate::daemon::{compare, crew};
use crate::report::comparison::{by_scenario, csv, tables, warnings};
use crate::report::comparison_page::page;
use crate::study::{
    BenchSettings, Comparison, Contender, DYNAMIC, Plan, Plant, Scenario, SensorFault,
    SensorSettings, Shard, scenarios,
};
use clap::{Args, ValueEnum};
use cresthold_sim::bench::SensorParams;
use cresthold_sim::scene::named::entries;
use std::ops::RangeInclusive;
use std::path::{Path, PathBuf};
use std::time::Duration;

/// What a wrong irradiance sensor's value is multiplied by, and how late a late one is.
const WRONG_GAIN: f64 = 1.1;
const LATE: Duration = Duration::from_secs(5);
/// Seeds at most: a mistyped number shall not run for days.
const MOST_SEEDS: u64 = 100_000;

/// Compare trackers: each through the same scenarios on the same simulated benches, in virtual time
///
/// Every trial is the controller of the field, its guard in force, on a simulated device, load and
/// meters; what the crest offered is the plant's own truth. Without options: crest-line, and the
/// textbook's trackers with steps of 0.5 % of the open-circuit voltage (0.25 % to 2 % where they vary), on the generator model of EN
/// 50530 / IEC 62891 (crystalline and thin film) and on a single-diode module, through the standards' 17 ramps, ten
/// seeds. Hold and fractional voltage are always shown: what can't beat them is not worth its trouble.
///
/// A tracker is METHOD:KEY=VALUE,... with the words of a station file's [channel.tracker]; a value with %
/// is a share of the device's open-circuit voltage.
///
/// Trackers meet the same noise and the same clouds; differences are paired by scenario and seed, with
/// 95 % intervals over the seeds. The same options give the same bytes, on any number of threads.
#[derive(Debug, Args)]
#[command(after_help = "Examples:
  cresthold compare
  cresthold compare --tracker perturb-and-observe:step_volts=0.25% \\
      --tracker perturb-and-observe:step_volts=1%
  cresthold compare --scenario 'low-*' --scenario static --device crystalline-module --bench slow
  cresthold compare --shard 2/4 --json part-2.json       on one of four machines
  cresthold compare --join part-1.json --join part-2.json --join part-3.json --join part-4.json \\
      --page all.html

Devices: standard-crystalline, standard-thin-film, crystalline-module, thin-film-module,
crystalline-string (four modules in a row, for shade), receiver (of a concentrator).
Scenarios: cresthold compare --list; of those that are no standard's, numbers may be changed:
  cresthold compare --device crystalline-string --scenario broken-clouds,cover=0.7,speed=15

Exit codes: 0 done; 2 command line; 6 a file can't be read or written; 11 the parts don't fit \
together.")]
pub(super) struct Compare {
    /// A tracker and its settings; repeat for more
    #[arg(long = "tracker", value_name = "TRACKER", value_parser = Contender::new)]
    trackers: Vec<Contender>,
    /// Tracker that differences are told against; without it, the first that is no baseline
    #[arg(long, value_name = "TRACKER")]
    reference: Option<String>,
    /// A device; repeat for more
    #[arg(long = "device", value_name = "NAME", value_parser = plant_named)]
    plants: Vec<Plant>,
    /// Scenarios by name or group, * for any text, or NAME,NUMBER=VALUE; repeat for more (dynamic)
    #[arg(long = "scenario", value_name = "NAME", value_parser = scenarios_like)]
    scenarios: Vec<Meant>,
    /// How many seeds
    #[arg(long, value_name = "N", default_value_t = 10, value_parser = clap::value_parser!(u64).range(1..=MOST_SEEDS))]
    seeds: u64,
    /// The first seed
    #[arg(long, value_name = "SEED", default_value_t = 1)]
    first_seed: u64,
    #[command(flatten)]
    bench: BenchOptions,
    /// Control period instead of the bench's own (0.1s)
    #[arg(long, value_name = "TIME", value_parser = parse_period)]
    period: Option<Duration>,
    /// Do only part PART of OF; write it with --json
    #[arg(long, value_name = "PART/OF", value_parser = parse_shard, requires = "json")]
    shard: Option<Shard>,
    /// Join parts written with --shard and --json instead of running anything; repeat for each part
    #[arg(long, value_name = "FILE", conflicts_with_all = ["trackers", "plants", "scenarios", "shard"])]
    join: Vec<PathBuf>,
    /// Write all results as JSON
    #[arg(long, value_name = "FILE.json", value_parser = json_name)]
    json: Option<PathBuf>,
    /// Write all trials as CSV
    #[arg(long, value_name = "FILE.csv", value_parser = table_name)]
    csv: Option<PathBuf>,
    /// Write a page with pictures, one HTML file
    #[arg(long, value_name = "FILE.html", value_parser = page_name, conflicts_with = "shard")]
    page: Option<PathBuf>,
    /// Threads (all processors)
    #[arg(long, value_name = "N")]
    threads: Option<usize>,
    /// Show no progress
    #[arg(long)]
    quiet: bool,
    /// List the scenarios and end
    #[arg(long)]
    list: bool,
}

/// A bench that is invented, of the usual size.
#[derive(Clone, Copy, Debug, ValueEnum)]
enum Preset {
    /// 100 ms period, 15 ms settling
    Usual,
    /// 1 s period, 60 ms settling: a slow serial load
    Slow,
    /// 20 ms period, 1.5 ms settling
    Fast,
}

/// An irradiance sensor in the plane of the device.
#[derive(Clone, Copy, Debug, ValueEnum)]
enum SensorChoice {
    /// None
    None,
    /// A sound pyranometer
    Sound,
    /// Stuck at the end of the setup
    Stuck,
    /// Silent from the end of the setup on
    Dead,
    /// 10 % too high
    Wrong,
    /// 5 s late
    Late,
}

#[derive(Debug, Args)]
pub(super) struct BenchOptions {
    /// The bench; repeat for more
    #[arg(long = "bench", value_enum, value_name = "BENCH")]
    presets: Vec<Preset>,
    /// Time constant of the load (15ms)
    #[arg(long, value_name = "TIME", value_parser = parse_settling)]
    settling: Option<Duration>,
    /// Noise of a reading, as a share of full scale (1e-4)
    #[arg(long, value_name = "SHARE", value_parser = parse_size, allow_negative_numbers = true)]
    noise: Option<f64>,
    /// Resolution of readings and setpoint, as a share of full scale (1e-5)
    #[arg(long, value_name = "SHARE", value_parser = parse_size, allow_negative_numbers = true)]
    resolution: Option<f64>,
    /// Offset of the amps, as a share of full scale (0)
    #[arg(long, value_name = "SHARE", value_parser = parse_share, allow_negative_numbers = true)]
    offset_amps: Option<f64>,
    /// Offset of the volts, as a share of full scale (0)
    #[arg(long, value_name = "SHARE", value_parser = parse_share, allow_negative_numbers = true)]
    offset_volts: Option<f64>,
    /// An irradiance sensor, and what is wrong with it
    #[arg(long, value_enum, default_value = "none")]
    sensor: SensorChoice,
}

impl BenchOptions {
    fn benches(&self, period: Option<Duration>) -> Vec<(String, BenchSettings)> {
        let presets: &[Preset] =
            if self.presets.is_empty() { &[Preset::Usual] } else { &self.presets };
        let with = |(name, usual): (String, BenchSettings)| {
            (name, BenchSettings { period: period.unwrap_or(usual.period), ..usual })
        };
        presets.iter().map(|preset| with(self.bench(*preset))).collect()
    }

    /// The first bench asked for.
    pub(super) fn first(&self) -> (String, BenchSettings) {
        self.bench(self.presets.first().copied().unwrap_or(Preset::Usual))
    }

    fn bench(&self, preset: Preset) -> (String, BenchSettings) {
        let (name, usual) = match preset {
            Preset::Usual => ("usual", BenchSettings::default()),
            Preset::Slow => ("slow", BenchSettings::slow()),
            Preset::Fast => ("fast", BenchSettings::fast()),
        };
        let settings = BenchSettings {
            settling: self.settling.unwrap_or(usual.settling),
            noise: self.noise.unwrap_or(usual.noise),
            resolution: self.resolution.unwrap_or(usual.resolution),
            offset_amps: self.offset_amps.unwrap_or(usual.offset_amps),
            offset_volts: self.offset_volts.unwrap_or(usual.offset_volts),
            irradiance: self.sensor.settings(),
            ..usual
        };
        (name.to_owned(), settings)
    }
}

impl SensorChoice {
    fn settings(self) -> Option<SensorSettings> {
        let fault = match self {
            Self::None => return None,
            Self::Sound => None,
            Self::Stuck => Some(SensorFault::Stuck),
            Self::Dead => Some(SensorFault::Dead),
            Self::Wrong => Some(SensorFault::Wrong(WRONG_GAIN)),
            Self::Late => Some(SensorFault::Late(LATE)),
        };
        Some(SensorSettings { params: SensorParams::PYRANOMETER, fault })
    }
}

impl Compare {
    pub(super) fn carry_out(&self) -> Exit {
        if self.list {
            say!("{}", listed());
            return Exit::Done;
        }
        let comparison = if self.join.is_empty() { self.compare() } else { join(&self.join) };
        match comparison.and_then(|comparison| self.tell(&comparison)) {
            Ok(()) => Exit::Done,
            Err((exit, text)) => {
                tell!("{text}");
                exit
            }
        }
    }

    fn compare(&self) -> Result<Comparison, (Exit, String)> {
        let plan = self.plan().map_err(|error| (Exit::Usage, error.to_string()))?;
        carried_out(plan, self.threads, self.quiet)
    }

    fn plan(&self) -> Result<Plan, crate::study::ContenderError> {
        let mut contenders = self.trackers.clone();
        if contenders.is_empty() {
            contenders =
                Contender::COMPARED.into_iter().map(Contender::new).collect::<Result<_, _>>()?;
        }
        let mut plants = self.plants.clone();
        if plants.is_empty() {
            plants = Plant::COMPARED.into_iter().filter_map(Plant::named).collect();
        }
        let seeds = (0..self.seeds).map(|index| self.first_seed.wrapping_add(index)).collect();
        Plan {
            contenders,
            benches: self.bench.benches(self.period),
            plants,
            scenarios: wanted(&self.scenarios),
            seeds,
            shard: self.shard,
        }
        .with_baselines()
    }

    fn tell(&self, comparison: &Comparison) -> Result<(), (Exit, String)> {
        if let Some(path) = &self.json {
            self.join.iter().try_for_each(|part| not_read(path, part))?;
            write_json(path, comparison)?;
        }
        if let Some(path) = &self.csv {
            write(path, &csv(comparison))?;
        }
        if let Some(Shard { part, of }) = comparison.shard {
            sayln!(
                "part {part} of {of}: {} trials; join the parts for tables",
                comparison.cells.len()
            );
            return Ok(());
        }
        let against = self.reference(comparison)?;
        if let Some(path) = &self.page {
            write(path, &page(comparison, against))?;
        }
        say!("{}{}", by_scenario(comparison), tables(comparison, against));
        for warning in warnings(comparison) {
            tell!("{warning}");
        }
        Ok(())
    }

    fn reference(&self, comparison: &Comparison) -> Result<usize, (Exit, String)> {
        let Some(wanted) = &self.reference else {
            let first = comparison.trackers.iter().position(|tracker| !tracker.baseline);
            return Ok(first.unwrap_or(0));
        };
        comparison.trackers.iter().position(|tracker| tracker.text == *wanted).ok_or_else(|| {
            let text = format!(
                "--reference {wanted}: no such tracker is compared; name it as with --tracker"
            );
            (Exit::Usage, text)
        })
    }
}

/// All scenarios: group, name, and what the simulation's scenes are.
fn listed() -> String {
    let what = |name: &str| entries().iter().find(|entry| entry.name == name);
    let row = |scenario: &Scenario| {
        let what = what(scenario.name()).map_or("", |entry| entry.what);
        format!("{:13} {:24} {what}", scenario.group(), scenario.name()).trim_end().to_owned()
            + "\n"
    };
    scenarios().iter().map(row).collect()
}

fn join(paths: &[PathBuf]) -> Result<Comparison, (Exit, String)> {
    Comparison::join(parts(paths)?).map_err(|error| (Exit::Study, error.to_string()))
}

/// Reads what --json wrote.
pub(super) fn parts<T: serde::de::DeserializeOwned>(
    paths: &[PathBuf],
) -> Result<Vec<T>, (Exit, String)> {
    let mut parts = vec![];
    for path in paths {
        let unread = |error: &dyn std::fmt::Display, exit| {
            (exit, format!("{}: {error}; name a file written with --json", path.display()))
        };
        let text = std::fs::read_to_string(path).map_err(|error| unread(&error, Exit::System))?;
        parts.push(serde_json::from_str(&text).map_err(|error| unread(&error, Exit::Study))?);
    }
    Ok(parts)
}

/// Writes as JSON.
pub(super) fn write_json(path: &Path, value: &impl serde::Serialize) -> Result<(), (Exit, String)> {
    let text = serde_json::to_string(value)
        .map_err(|error| (Exit::System, format!("the results can't be written: {error}")))?;
    write(path, &text)
}

/// Runs a plan on all cores and says what it took.
pub(super) fn carried_out(
    plan: Plan,
    threads: Option<usize>,
    quiet: bool,
) -> Result<Comparison, (Exit, String)> {
    let usage = |error: &dyn std::fmt::Display| (Exit::Usage, error.to_string());
    let prepared = plan.prepare().map_err(|error| usage(&error))?;
    let threads = threads.unwrap_or_else(crew::all_threads);
    let (comparison, cost) =
        compare::run(&prepared, threads, quiet).map_err(|error| usage(&error))?;
    if !quiet {
        tell!(
            "{} trials, {} turns in {:.1} s on {} threads: {:.0} ns a turn",
            prepared.len(),
            cost.turns,
            cost.seconds,
            cost.threads,
            cost.turn_nanoseconds()
        );
    }
    Ok(comparison)
}

/// The scenarios asked for, each once; the standards' ramps where nothing is asked for.
pub(super) fn wanted(asked: &[Meant]) -> Vec<Scenario> {
    if asked.is_empty() {
        return scenarios().into_iter().filter(|one| one.group() == DYNAMIC).collect();
    }
    let mut wanted: Vec<Scenario> = vec![];
    for scenario in asked.iter().flat_map(|meant| &meant.0) {
        if !wanted.iter().any(|one| one.name() == scenario.name()) {
            wanted.push(scenario.clone());
        }
    }
    wanted
}

/// Scenarios that a name, a group, a pattern or a request with numbers means; at least one.
#[derive(Clone, Debug)]
pub(super) struct Meant(Vec<Scenario>);

pub(super) fn scenarios_like(pattern: &str) -> Result<Meant, String> {
    let found: Vec<_> = scenarios().into_iter().filter(|scenario| scenario.is(pattern)).collect();
    if !found.is_empty() {
        return Ok(Meant(found));
    }
    Scenario::request(pattern).map(|scenario| Meant(vec![scenario])).map_err(|error| {
        format!("{error}; groups and the standards' names: cresthold compare --list")
    })
}

pub(super) fn plant_named(name: &str) -> Result<Plant, String> {
    Plant::named(name).ok_or_else(|| format!("choose one of {}", Plant::NAMES.join(", ")))
}

fn parse_share(text: &str) -> Result<f64, String> {
    match text.parse::<f64>() {
        Ok(share) if (-0.1..=0.1).contains(&share) => Ok(share),
        _ => Err("state a share of full scale, within -0.1..=0.1, such as 1e-4".to_owned()),
    }
}

/// The size of something, which has no sign.
fn parse_size(text: &str) -> Result<f64, String> {
    let size = text.parse::<f64>().ok().filter(|share| (0.0..=0.1).contains(share));
    size.ok_or_else(|| "state a share of full scale, within 0..=0.1, such as 1e-4".to_owned())
}

/// A control period: what a simulated bench can be run with, which is more than a station accepts.
pub(super) fn parse_period(text: &str) -> Result<Duration, String> {
    const PERIODS: RangeInclusive<Duration> = Duration::from_millis(1)..=Duration::from_secs(600);
    let period = parse_length(text).ok().filter(|period| PERIODS.contains(period));
    period.ok_or_else(|| "state a control period, within 1ms..=10min, such as 0.1s".to_owned())
}

/// A load's time constant.
fn parse_settling(text: &str) -> Result<Duration, String> {
    const SPANS: RangeInclusive<Duration> = Duration::from_micros(1)..=Duration::from_secs(60);
    let span = parse_length(text).ok().filter(|span| SPANS.contains(span));
    span.ok_or_else(|| "state a time constant, within 1us..=60s, such as 15ms".to_owned())
}

pub(super) fn parse_shard(text: &str) -> Result<Shard, String> {
    let wrong = || "write PART/OF, such as 2/4; parts count from 1".to_owned();
    let (part, of) = text.split_once('/').ok_or_else(wrong)?;
    let (part, of) = (part.parse().map_err(|_| wrong())?, of.parse().map_err(|_| wrong())?);
    if (1..=of).contains(&part) { Ok(Shard { part, of }) } else { Err(wrong()) }
}
