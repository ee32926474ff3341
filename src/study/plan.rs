//! What is compared: trackers x benches x devices x scenarios x seeds, cell by cell.
//!
//! Model: the cells are numbered, seeds innermost. A cell's result depends on nothing but the cell, so
//! they may be done in any order, on any number of threads, and in shards: shard `k` of `n` has the
//! cells whose number leaves `k - 1` when divided by `n`.

use super::comparison::{
    BenchRow, Cell, Comparison, FORMAT, PlantRow, ScenarioRow, Shard, TrackerRow,
};
use super::contender::{Contender, ContenderError};
use super::scenario::Scenario;
use super::trial::{Trial, TrialError};
use super::{BenchSettings, Plant};
use crate::trackers::TrackerConfig;
use cresthold_sim::scene::named::SceneError;

/// What is compared.
#[derive(Clone, Debug)]
pub struct Plan {
    /// The trackers.
    pub contenders: Vec<Contender>,
    /// The benches, by name.
    pub benches: Vec<(String, BenchSettings)>,
    /// The devices.
    pub plants: Vec<Plant>,
    /// The scenarios.
    pub scenarios: Vec<Scenario>,
    /// The seeds.
    pub seeds: Vec<u64>,
    /// Which part of it is done; none: all.
    pub shard: Option<Shard>,
}

/// Why a comparison can't be done.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum PlanError {
    /// A contender can't be used.
    #[error("{0}")]
    Contender(#[from] ContenderError),
    /// A scene and a device don't fit.
    #[error("scenario {scenario} on {plant}: {error}")]
    Trial {
        /// The scenario.
        scenario: String,
        /// The device.
        plant: String,
        /// Why.
        error: TrialError,
    },
    /// A scene can't be on a device.
    #[error("scenario {scenario} on {plant}: {error}")]
    Scene {
        /// The scenario.
        scenario: String,
        /// The device.
        plant: String,
        /// Why.
        error: Box<SceneError>,
    },
    /// There is nothing to compare.
    #[error("there is nothing to compare: no {what}; state at least one")]
    Nothing {
        /// What is missing.
        what: &'static str,
    },
}

/// One cell's place in the plan.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct At {
    tracker: usize,
    bench: usize,
    plant: usize,
    scenario: usize,
    seed: usize,
}

/// A plan whose trackers are set up for each device: ready to run.
#[derive(Clone, Debug)]
pub struct Prepared {
    plan: Plan,
    /// By contender, then by device.
    trackers: Vec<Vec<TrackerConfig>>,
    /// The numbers of the cells to be done.
    cells: Vec<usize>,
}

impl Plan {
    /// Adds the baselines that every comparison shows, in front, where they are missing.
    ///
    /// # Errors
    /// [`ContenderError`] when one can't be used.
    pub fn with_baselines(mut self) -> Result<Self, ContenderError> {
        for (place, text) in Contender::BASELINES.into_iter().enumerate() {
            let baseline = Contender::new(text)?;
            let there = |one: &Contender| one.method() == baseline.method();
            if !self.contenders.iter().any(there) {
                self.contenders.insert(place.min(self.contenders.len()), baseline);
            }
        }
        Ok(self)
    }

    /// How many cells it has, all shards together.
    #[must_use]
    pub fn cells(&self) -> usize {
        self.contenders.len()
            * self.benches.len()
            * self.plants.len()
            * self.scenarios.len()
            * self.seeds.len()
    }

    /// Sets the trackers up for each device.
    ///
    /// # Errors
    /// [`PlanError`] when a tracker refuses its settings for a device, or nothing is left to do.
    pub fn prepare(self) -> Result<Prepared, PlanError> {
        let counts = [
            ("tracker", self.contenders.len()),
            ("bench", self.benches.len()),
            ("device", self.plants.len()),
            ("scenario", self.scenarios.len()),
            ("seed", self.seeds.len()),
        ];
        if let Some((what, _)) = counts.into_iter().find(|(_, count)| *count == 0) {
            return Err(PlanError::Nothing { what });
        }
        let each = |one: &Contender| self.plants.iter().map(|plant| one.tracker(plant)).collect();
        let trackers = self.contenders.iter().map(each).collect::<Result<_, _>>()?;
        let all = 0..self.cells();
        let cells = match self.shard {
            None => all.collect(),
            Some(Shard { part, of }) => {
                all.skip(part.saturating_sub(1)).step_by(of.max(1)).collect()
            }
        };
        Ok(Prepared { plan: self, trackers, cells })
    }

    fn at(&self, mut number: usize) -> At {
        let mut next = |count: usize| {
            let place = number % count;
            number /= count;
            place
        };
        let seed = next(self.seeds.len());
        let scenario = next(self.scenarios.len());
        let plant = next(self.plants.len());
        let bench = next(self.benches.len());
        At { tracker: number, bench, plant, scenario, seed }
    }
}

impl Prepared {
    /// How many cells are to be done.
    #[must_use]
    pub fn len(&self) -> usize {
        self.cells.len()
    }

    /// Whether there is nothing to do, as in a shard of more than there are cells.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.cells.is_empty()
    }

    /// The `index`-th cell's result (0..[`len`](Self::len)).
    ///
    /// # Errors
    /// [`PlanError::Trial`] and [`PlanError::Scene`] when a scene and a device don't fit.
    pub fn run(&self, index: usize) -> Result<Cell, PlanError> {
        let number = self.cells[index];
        let plan = &self.plan;
        let at = plan.at(number);
        let (plant, scenario) = (&plan.plants[at.plant], &plan.scenarios[at.scenario]);
        let seed = scenario.seed(plan.seeds[at.seed]);
        let trial = Trial {
            tracker: self.trackers[at.tracker][at.plant].clone(),
            settings: &plan.benches[at.bench].1,
            plant,
            seed,
        };
        let names = || (scenario.name().to_owned(), plant.name().to_owned());
        let mut scene = scenario.scene(plant, seed).map_err(|error| {
            let (scenario, plant) = names();
            PlanError::Scene { scenario, plant, error: Box::new(error) }
        })?;
        let outcome = trial.run(&mut *scene).map_err(|error| {
            let (scenario, plant) = names();
            PlanError::Trial { scenario, plant, error }
        })?;
        let At { tracker, bench, plant, scenario, seed } = at;
        Ok(Cell { number, tracker, bench, plant, scenario, seed: plan.seeds[seed], outcome })
    }

    /// The comparison from all cells' results, in any order.
    #[must_use]
    pub fn finish(&self, mut cells: Vec<Cell>) -> Comparison {
        cells.sort_by_key(|cell| cell.number);
        let plan = &self.plan;
        Comparison {
            format: FORMAT,
            trackers: plan.contenders.iter().map(|one| self.tracker_row(one)).collect(),
            benches: plan.benches.iter().map(|(name, bench)| BenchRow::of(name, bench)).collect(),
            plants: plan.plants.iter().map(PlantRow::of).collect(),
            scenarios: plan.scenarios.iter().map(ScenarioRow::of).collect(),
            seeds: plan.seeds.clone(),
            shard: plan.shard,
            cells,
        }
    }

    fn tracker_row(&self, contender: &Contender) -> TrackerRow {
        let lines = |plant| contender.station_lines(plant).unwrap_or_default();
        TrackerRow {
            text: contender.text().to_owned(),
            baseline: Contender::BASELINES
                .iter()
                .any(|text| text.split(':').next() == Some(contender.method())),
            station_lines: self.plan.plants.iter().map(lines).collect(),
        }
    }
}
