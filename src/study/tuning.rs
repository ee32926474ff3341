//! Which setting and which period: a tracker over a grid of both, and the rule of theory beside it.
//!
//! Model: a grid is a comparison whose trackers differ in one setting and whose benches differ in the
//! period; so it is paired by seed, cut into shards and reproducible as any comparison. The best
//! setting is the one with the largest mean efficiency over all scenarios. Every other one is told
//! against it in pairs: where the 95 % interval of the difference reaches over zero, the two are not told apart, and
//! both are marked. The intervals are each for itself; with a hundred settings some that are truly a
//! little worse escape, and the best one's own mean is flattered by having been chosen.
//!
//! The rule ([`Rule`]) is that of Femia, Petrone, Spagnuolo & Vitelli 2005, IEEE TPEL 20(4) 963-973
//! (from memory), for control of the voltage. A step dV away from the crest costs a dV^2 with
//! a = -P''/2; meanwhile the light changes the power by V K |dG/dt| T within a period T, K = dIsc/dG. The
//! tracker takes the one for the other unless
//!
//! ```text
//! dV > sqrt(V K |dG/dt| T / a)
//! ```
//!
//! which is a bound on the single decision. Over a ramp the least loss lies at about 0.64 of it, where
//! drift and steady loss balance (derived and held in `tests/study_tuning.rs`). And a period must be longer than the power takes to settle, within a tenth of the step: for a load with
//! one time constant tau and a latency, T > latency + tau ln 10.
//!
//! Rejected: a search that climbs toward the best setting. The map shows how flat the top is, and that
//! is what one wants to know.

use super::comparison::{Comparison, JoinError, Place};
use super::contender::{Contender, ContenderError};
use super::plan::{Plan, PlanError};
use super::statistics::Estimate;
use super::{BenchSettings, Plant, Scenario, Shard};
use crate::quantities::{Irradiance, STC_TEMPERATURE, Volts};
use crate::time::{Instant, seconds};
use cresthold_sim::scene::Exposure;
use serde::{Deserialize, Serialize};
use std::time::Duration;

/// The setting that the rule speaks of.
pub const STEP: &str = "step_volts";
/// How often a scene's light is looked at (s): a quarter of the standards' steepest ramp's second.
const LOOK: Duration = Duration::from_millis(250);
/// Slower changes (W/m2/s) are none.
const STILL: f64 = 1e-3;
/// Darker moments (W/m2) don't enter the rule: they have no energy worth a step.
const DARK: f64 = 5.0;
/// Steps of irradiance that the curvature is computed for, per factor of ten.
const PER_DECADE: f64 = 40.0;
/// Part of the crest's voltage over which the curvature is taken.
const CURVATURE_STEP: f64 = 0.01;

/// What is mapped.
#[derive(Clone, Debug)]
pub struct Grid {
    /// Method, and settings that stay, as on the command line.
    pub tracker: String,
    /// The setting that is varied.
    pub key: String,
    /// Its values, as on the command line.
    pub values: Vec<String>,
    /// The periods.
    pub periods: Vec<Duration>,
    /// The bench, and what it is called.
    pub bench: (String, BenchSettings),
    /// The device.
    pub plant: Plant,
    /// The scenarios.
    pub scenarios: Vec<Scenario>,
    /// The seeds, at least two.
    pub seeds: Vec<u64>,
    /// Which part is done; none: all.
    pub shard: Option<Shard>,
}

/// The rule for one device and sky: the least step is `sqrt(c T)` (V), T in seconds.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Rule {
    /// Periods should be longer (s).
    pub settled_s: f64,
    /// c where the light changes hardest (V2/s).
    pub hardest: f64,
    /// c that half of the time with changing light stays below (V2/s).
    pub median: f64,
}

/// A grid's results.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Tuning {
    /// The setting that was varied.
    pub key: String,
    /// What theory says.
    pub rule: Rule,
    /// All trials.
    pub comparison: Comparison,
}

/// One setting at one period.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Spot {
    /// Which tracker of the comparison.
    pub tracker: usize,
    /// Which bench.
    pub bench: usize,
    /// The period (s).
    pub period_s: f64,
    /// The setting, in the station file's unit.
    pub value: f64,
    /// Mean efficiency over all scenarios.
    pub eta: Estimate,
    /// How much less it is than the best, paired by seed.
    pub behind: Estimate,
    /// Whether it is the best, or not told apart from it.
    pub even: bool,
    /// Whether a station accepts the period with this load.
    pub accepted: bool,
}

/// A grid as a map.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Map {
    /// Every setting at every period, settings outermost.
    pub spots: Vec<Spot>,
    /// Which is best among those that a station accepts.
    pub best: usize,
}

impl Grid {
    /// The grid as a plan: trackers are settings, benches are periods.
    ///
    /// # Errors
    /// [`ContenderError`] when the tracker refuses a setting.
    pub fn plan(&self) -> Result<Plan, ContenderError> {
        let colon = if self.tracker.contains(':') { "," } else { ":" };
        let line = |value: &String| format!("{}{colon}{}={value}", self.tracker, self.key);
        let contenders = self
            .values
            .iter()
            .map(|value| Contender::new(&line(value)))
            .collect::<Result<_, _>>()?;
        let bench = |period: &Duration| {
            let name = format!("{}-{}s", self.bench.0, seconds(*period));
            (name, BenchSettings { period: *period, ..self.bench.1 })
        };
        Ok(Plan {
            contenders,
            benches: self.periods.iter().map(bench).collect(),
            plants: vec![self.plant.clone()],
            scenarios: self.scenarios.clone(),
            seeds: self.seeds.clone(),
            shard: self.shard,
        })
    }

    /// The rule for this device, bench and sky (with the first seed).
    ///
    /// # Errors
    /// [`PlanError::Scene`] when a scenario can't be on the device.
    pub fn rule(&self) -> Result<Rule, PlanError> {
        let mut found = vec![];
        for scenario in &self.scenarios {
            let seed = scenario.seed(self.seeds.first().copied().unwrap_or(1));
            found.append(&mut changes(&self.plant, scenario, seed)?);
        }
        found.sort_by(f64::total_cmp);
        let bench = &self.bench.1;
        Ok(Rule {
            settled_s: bench.latency.as_secs_f64() + bench.settling.as_secs_f64() * 10_f64.ln(),
            hardest: found.last().copied().unwrap_or(0.0),
            median: found.get(found.len() / 2).copied().unwrap_or(0.0),
        })
    }
}

/// c (V2/s) at each moment of a scenario at which the light changes.
fn changes(plant: &Plant, scenario: &Scenario, seed: u64) -> Result<Vec<f64>, PlanError> {
    let mut scene = scenario.scene(plant, seed).map_err(|error| PlanError::Scene {
        scenario: scenario.name().to_owned(),
        plant: plant.name().to_owned(),
        error: Box::new(error),
    })?;
    let (mut exposure, mut found) = (Exposure::default(), vec![]);
    let mut known: Vec<Option<f64>> = vec![];
    let (mut at, end) = (Instant::ZERO + scene.setup(), Instant::ZERO + scene.length());
    let mut before = None;
    while at <= end {
        scene.expose(at, &mut exposure);
        let light = exposure.irradiance().0;
        if let Some(before) = before {
            let slope = (light - before) / LOOK.as_secs_f64();
            let middle = f64::midpoint(light, before);
            if slope.abs() > STILL && middle > DARK {
                let place = ((middle / DARK).log10() * PER_DECADE).round();
                let index = place as usize;
                known.resize(known.len().max(index + 1), None);
                let rounded = Irradiance(DARK * 10_f64.powf(place / PER_DECADE));
                let per_slope =
                    *known[index].get_or_insert_with(|| Rule::coefficient(plant, rounded, 1.0));
                found.push(per_slope * slope.abs());
            }
        }
        before = Some(light);
        at += LOOK;
    }
    Ok(found)
}

impl Rule {
    /// c (V2/s) for light that changes by `slope` (W/m2/s) at `irradiance`, at 25 degC.
    ///
    /// ```
    /// use cresthold::quantities::Irradiance;
    /// use cresthold::study::{Plant, Rule};
    /// // The crystalline generator of EN 50530 at 1000 W/m2 has a = 0.5624 W/V2 and K = 0.011111 A m2/W;
    /// // 100 W/m2/s with a period of 1 s need 14.0 V (computed by hand).
    /// let plant = Plant::named("standard-crystalline").unwrap();
    /// let c = Rule::coefficient(&plant, Irradiance(1000.0), 100.0);
    /// assert!((c.sqrt() - 14.0).abs() < 0.1, "{}", c.sqrt());
    /// ```
    #[must_use]
    pub fn coefficient(plant: &Plant, irradiance: Irradiance, slope: f64) -> f64 {
        let mut source = plant.source().clone();
        source.set_conditions(irradiance, STC_TEMPERATURE);
        let crest = source.crest();
        let (volts, step) = (crest.volts.0, crest.volts.0 * CURVATURE_STEP);
        let watts = |volts: f64| volts * source.current(Volts(volts)).0;
        let beside = f64::midpoint(watts(volts + step), watts(volts - step));
        let curvature = (watts(volts) - beside) / (step * step);
        let per_light = source.short_circuit().0 / irradiance.0;
        let c = volts * per_light * slope.abs() / curvature;
        if c.is_finite() { c.max(0.0) } else { 0.0 }
    }

    /// The least step (V) for `c` (V2/s) and a period (s).
    #[must_use]
    pub fn step(c: f64, period_s: f64) -> f64 {
        (c * period_s).sqrt()
    }
}

impl Tuning {
    /// Joins shards to the whole.
    ///
    /// # Errors
    /// [`JoinError`] when they are not exactly the parts of one grid.
    pub fn join(parts: Vec<Self>) -> Result<Self, JoinError> {
        let first = parts.first().ok_or(JoinError::Nothing)?;
        let (key, rule) = (first.key.clone(), first.rule);
        let other = parts.iter().position(|part| part.key != key || part.rule != rule);
        if let Some(index) = other {
            return Err(JoinError::Different { index: index + 1 });
        }
        let parts = parts.into_iter().map(|part| part.comparison).collect();
        Ok(Self { key, rule, comparison: Comparison::join(parts)? })
    }

    /// The setting of a tracker of the comparison, in the station file's unit.
    #[must_use]
    pub fn value(&self, tracker: usize) -> Option<f64> {
        let lines = self.comparison.trackers.get(tracker)?.station_lines.first()?;
        let line = |line: &str| {
            let (key, value) = line.split_once('=')?;
            (key.trim() == self.key).then(|| value.trim().parse().ok())?
        };
        lines.lines().find_map(line)
    }

    /// The map; none of a shard, or where no period is accepted.
    #[must_use]
    pub fn map(&self) -> Option<Map> {
        let comparison = &self.comparison;
        let scenarios: Vec<usize> = (0..comparison.scenarios.len()).collect();
        let places = (0..comparison.trackers.len())
            .flat_map(|tracker| (0..comparison.benches.len()).map(move |bench| (tracker, bench)));
        let (mut spots, mut each) = (vec![], vec![]);
        for (tracker, bench) in places {
            let found = comparison.each_seed(tracker, Place { bench, plant: 0 }, &scenarios);
            if found.len() != comparison.seeds.len() || comparison.shard.is_some() {
                return None;
            }
            let row = &comparison.benches[bench];
            spots.push(Spot {
                tracker,
                bench,
                period_s: row.period_s,
                value: self.value(tracker)?,
                eta: Estimate::of(&found),
                behind: Estimate::default(),
                even: false,
                accepted: row.is_accepted(),
            });
            each.push(found);
        }
        let accepted = (0..spots.len()).filter(|at| spots[*at].accepted);
        let best = accepted.max_by(|a, b| spots[*a].eta.mean.total_cmp(&spots[*b].eta.mean))?;
        for (at, spot) in spots.iter_mut().enumerate() {
            spot.behind = Estimate::of_pairs(&each[best], &each[at])?;
            spot.even = !spot.behind.is_clear();
        }
        Some(Map { spots, best })
    }
}
