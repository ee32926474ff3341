//! The results of a comparison: all cells, and what they say.
//!
//! Model: a [`Comparison`] is plain data. It goes to JSON and back without losing a bit, so that
//! shards done on many machines join to the bytes of the whole. Means and differences are computed
//! from the cells whenever they are wanted, never stored.

use super::BenchSettings;
use super::outcome::Outcome;
use super::plant::Plant;
use super::scenario::{STATIC, Scenario, level_name};
use super::statistics::Estimate;
use crate::station::{PERIODS_S, SETTLED_AFTER};
use crate::time::seconds;
use cresthold_sim::scene::standard::{CEC, EUROPEAN, LEVELS, weighted};
use serde::{Deserialize, Serialize};
use std::mem::take;

/// Number of the data's form; another one is refused.
pub const FORMAT: u32 = 1;

/// Part `part` (1..) of `of` parts.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Shard {
    /// Which part, from one.
    pub part: usize,
    /// Of how many.
    pub of: usize,
}

/// A tracker of a comparison.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct TrackerRow {
    /// Method and settings, as on the command line.
    pub text: String,
    /// Whether it is one that every tracker must beat.
    pub baseline: bool,
    /// For each device, what to paste below `[channel.tracker]`.
    pub station_lines: Vec<String>,
}

/// A bench of a comparison; shares are of full scale.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct BenchRow {
    /// Its name.
    pub name: String,
    /// Control period (s).
    pub period_s: f64,
    /// Time constant of the load (s).
    pub settling_s: f64,
    /// From a command to its effect (s).
    pub latency_s: f64,
    /// Measurement window (s).
    pub window_s: f64,
    /// Noise of a reading.
    pub noise: f64,
    /// Resolution.
    pub resolution: f64,
    /// Offset of volts.
    pub offset_volts: f64,
    /// Offset of amps.
    pub offset_amps: f64,
    /// The irradiance sensor, in words.
    pub sensor: String,
}

/// A device of a comparison, under standard conditions.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct PlantRow {
    /// Its name.
    pub name: String,
    /// Open-circuit voltage (V).
    pub voc_v: f64,
    /// Short-circuit current (A).
    pub isc_a: f64,
    /// Power at the crest (W).
    pub pmp_w: f64,
    /// Voltage at the crest (V).
    pub vmp_v: f64,
}

/// A scenario of a comparison.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ScenarioRow {
    /// Its name.
    pub name: String,
    /// The group whose mean it enters.
    pub group: String,
    /// Its slope (W/m2/s), where it has one.
    pub slope: Option<f64>,
}

/// One trial's result; places in the comparison's lists, and the seed itself.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Cell {
    /// Its number in the plan.
    pub number: usize,
    /// Which tracker.
    pub tracker: usize,
    /// Which bench.
    pub bench: usize,
    /// Which device.
    pub plant: usize,
    /// Which scenario.
    pub scenario: usize,
    /// Which seed.
    pub seed: u64,
    /// What came out.
    pub outcome: Outcome,
}

/// All results of a comparison, or of a shard of one.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Comparison {
    /// [`FORMAT`].
    pub format: u32,
    /// The trackers, baselines first where they were added.
    pub trackers: Vec<TrackerRow>,
    /// The benches.
    pub benches: Vec<BenchRow>,
    /// The devices.
    pub plants: Vec<PlantRow>,
    /// The scenarios.
    pub scenarios: Vec<ScenarioRow>,
    /// The seeds.
    pub seeds: Vec<u64>,
    /// Which part this is; none: the whole.
    pub shard: Option<Shard>,
    /// The results, by number.
    pub cells: Vec<Cell>,
}

/// Why shards don't join.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum JoinError {
    /// There is nothing to join.
    #[error("there are no parts to join; name at least one file")]
    Nothing,
    /// Written by another version.
    #[error(
        "part {index} is of form {found}, this program reads form {FORMAT}; use one version for all parts"
    )]
    Format {
        /// Which part, from one.
        index: usize,
        /// Its form.
        found: u32,
    },
    /// The parts are of different comparisons.
    #[error(
        "part {index} is of another comparison than the first; all parts need the same options but --shard"
    )]
    Different {
        /// Which part, from one.
        index: usize,
    },
    /// Cells are there twice.
    #[error("cell {number} is in two parts; name each part once")]
    Twice {
        /// The cell's number.
        number: usize,
    },
    /// Cells are missing.
    #[error("{missing} of {of} cells are missing, the first is number {first}; name all parts")]
    Missing {
        /// How many.
        missing: usize,
        /// Of how many.
        of: usize,
        /// The first one's number.
        first: usize,
    },
}

/// What one tracker did on one bench and device in one group of scenarios.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Summary {
    /// Mean efficiency, all scenarios alike.
    pub eta: Estimate,
    /// The scenario with the least efficiency (mean over seeds), and that.
    pub worst: (usize, f64),
    /// Efficiency of the worst second of all.
    pub worst_second: f64,
    /// How often the guard let go.
    pub let_go: u32,
    /// Efficiencies with European and CEC weights, where all their levels are there.
    pub weighted: Option<(f64, f64)>,
}

/// A bench with a device on it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Place {
    /// Which bench.
    pub bench: usize,
    /// Which device.
    pub plant: usize,
}

impl Comparison {
    /// Joins shards to the whole.
    ///
    /// # Errors
    /// [`JoinError`] when they are not exactly the parts of one comparison.
    pub fn join(parts: Vec<Self>) -> Result<Self, JoinError> {
        let mut parts = parts.into_iter();
        let mut whole = parts.next().ok_or(JoinError::Nothing)?;
        whole.check_format(1)?;
        whole.shard = None;
        for (index, mut part) in parts.enumerate() {
            let index = index + 2;
            part.check_format(index)?;
            part.shard = None;
            // All but the cells must be equal.
            let (ours, theirs) = (take(&mut whole.cells), take(&mut part.cells));
            if part != whole {
                return Err(JoinError::Different { index });
            }
            whole.cells = ours;
            whole.cells.extend(theirs);
        }
        whole.cells.sort_by_key(|cell| cell.number);
        whole.check_whole()?;
        Ok(whole)
    }

    fn check_format(&self, index: usize) -> Result<(), JoinError> {
        let found = self.format;
        if found == FORMAT { Ok(()) } else { Err(JoinError::Format { index, found }) }
    }

    fn check_whole(&self) -> Result<(), JoinError> {
        if let Some(pair) = self.cells.windows(2).find(|pair| pair[0].number == pair[1].number) {
            return Err(JoinError::Twice { number: pair[0].number });
        }
        let of = self.trackers.len()
            * self.benches.len()
            * self.plants.len()
            * self.scenarios.len()
            * self.seeds.len();
        let missing = of.saturating_sub(self.cells.len());
        let gap =
            (0..of).find(|number| self.cells.get(*number).is_none_or(|c| c.number != *number));
        match gap {
            Some(first) => Err(JoinError::Missing { missing, of, first }),
            None => Ok(()),
        }
    }

    /// All benches and devices, benches outermost.
    pub fn places(&self) -> impl Iterator<Item = Place> {
        let plants = self.plants.len();
        (0..self.benches.len())
            .flat_map(move |bench| (0..plants).map(move |plant| Place { bench, plant }))
    }

    /// The groups of scenarios, in order.
    #[must_use]
    pub fn groups(&self) -> Vec<&str> {
        let mut groups: Vec<&str> = vec![];
        for row in &self.scenarios {
            if !groups.contains(&row.group.as_str()) {
                groups.push(&row.group);
            }
        }
        groups
    }

    /// The places of a group's scenarios.
    #[must_use]
    pub fn scenarios_of(&self, group: &str) -> Vec<usize> {
        (0..self.scenarios.len()).filter(|at| self.scenarios[*at].group == group).collect()
    }

    /// The outcomes of a tracker in a scenario, one per seed.
    pub fn outcomes(
        &self,
        tracker: usize,
        place: Place,
        scenario: usize,
    ) -> impl Iterator<Item = &Outcome> {
        // The cells of one place lie together, by number.
        let wanted = (tracker, place.bench, place.plant, scenario);
        let key = |cell: &Cell| (cell.tracker, cell.bench, cell.plant, cell.scenario);
        let from = self.cells.partition_point(|cell| key(cell) < wanted);
        self.cells[from..]
            .iter()
            .take_while(move |cell| key(cell) == wanted)
            .map(|one| &one.outcome)
    }

    /// Efficiency of a tracker in a scenario.
    #[must_use]
    pub fn eta(&self, tracker: usize, place: Place, scenario: usize) -> Estimate {
        let etas: Vec<f64> = self.outcomes(tracker, place, scenario).map(Outcome::eta).collect();
        Estimate::of(&etas)
    }

    /// For each seed the mean efficiency over these scenarios.
    #[must_use]
    pub fn each_seed(&self, tracker: usize, place: Place, scenarios: &[usize]) -> Vec<f64> {
        let mut sums = vec![(0.0, 0_u32); self.seeds.len()];
        for scenario in scenarios {
            for (sum, outcome) in sums.iter_mut().zip(self.outcomes(tracker, place, *scenario)) {
                sum.0 += outcome.eta();
                sum.1 += 1;
            }
        }
        sums.into_iter().filter(|(_, n)| *n > 0).map(|(sum, n)| sum / f64::from(n)).collect()
    }

    /// What a tracker did in a group; none without cells, as in a shard.
    #[must_use]
    pub fn summary(&self, tracker: usize, place: Place, group: &str) -> Option<Summary> {
        let scenarios = self.scenarios_of(group);
        let etas = self.each_seed(tracker, place, &scenarios);
        if etas.is_empty() {
            return None;
        }
        let mean = |at: &usize| (*at, self.eta(tracker, place, *at).mean);
        let worst = scenarios.iter().map(mean).min_by(|a, b| a.1.total_cmp(&b.1))?;
        let all = || scenarios.iter().flat_map(|at| self.outcomes(tracker, place, *at));
        Some(Summary {
            eta: Estimate::of(&etas),
            worst,
            worst_second: all().map(|one| one.worst_second).fold(1.0, f64::min),
            let_go: all().map(|one| one.let_go).sum(),
            weighted: (group == STATIC).then(|| self.weighted(tracker, place)).flatten(),
        })
    }

    /// How much better `tracker` was than `against`, paired by scenario and seed.
    #[must_use]
    pub fn difference(
        &self,
        tracker: usize,
        against: usize,
        place: Place,
        group: &str,
    ) -> Option<Estimate> {
        let scenarios = self.scenarios_of(group);
        let each = |tracker| self.each_seed(tracker, place, &scenarios);
        Estimate::of_pairs(&each(tracker), &each(against))
    }

    /// Static efficiency with European and CEC weights.
    fn weighted(&self, tracker: usize, place: Place) -> Option<(f64, f64)> {
        let found: Vec<(f64, f64)> = LEVELS
            .into_iter()
            .filter_map(|level| {
                let name = level_name(level);
                let at = self.scenarios.iter().position(|row| row.name == name)?;
                Some((level, self.eta(tracker, place, at).mean))
            })
            .collect();
        Some((weighted(&EUROPEAN, &found)?, weighted(&CEC, &found)?))
    }
}

impl BenchRow {
    /// The shortest control period that a station accepts with this load (s).
    #[must_use]
    pub fn shortest_period_s(&self) -> f64 {
        self.settling_s * f64::from(SETTLED_AFTER) + self.window_s + self.latency_s
    }

    /// Whether the load has settled and been measured when the next turn begins.
    #[must_use]
    pub fn settles(&self) -> bool {
        // A nanosecond is how finely a duration is written.
        self.period_s >= self.shortest_period_s() - 1e-9
    }

    /// Whether a station takes its period with this load.
    #[must_use]
    pub fn is_accepted(&self) -> bool {
        self.settles() && PERIODS_S.contains(&self.period_s)
    }

    pub(super) fn of(name: &str, bench: &BenchSettings) -> Self {
        Self {
            name: name.to_owned(),
            period_s: seconds(bench.period),
            settling_s: seconds(bench.settling),
            latency_s: seconds(bench.latency),
            window_s: seconds(bench.window),
            noise: bench.noise,
            resolution: bench.resolution,
            offset_volts: bench.offset_volts,
            offset_amps: bench.offset_amps,
            sensor: bench.irradiance.map_or_else(|| "none".to_owned(), |sensor| sensor.words()),
        }
    }
}

impl PlantRow {
    pub(super) fn of(plant: &Plant) -> Self {
        Self {
            name: plant.name().to_owned(),
            voc_v: plant.open_circuit().0,
            isc_a: plant.short_circuit().0,
            pmp_w: plant.crest().watts.0,
            vmp_v: plant.crest().volts.0,
        }
    }
}

impl ScenarioRow {
    pub(super) fn of(scenario: &Scenario) -> Self {
        Self {
            name: scenario.name().to_owned(),
            group: scenario.group().to_owned(),
            slope: scenario.slope(),
        }
    }
}
