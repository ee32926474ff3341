//! A trial of a comparison once more, to see it: power and voltage beside the crest.
//!
//! Model: a comparison keeps what came out, not each reading. A trial depends on nothing but tracker,
//! bench, device, scenario and seed, all of which the comparison names; so it can be done again from the
//! file alone. A bench with a sensor and a device or tracker that isn't built in are not rebuilt from
//! their words: then there is no trace.

use super::comparison::{BenchRow, Comparison, Place};
use super::scenario::{Scenario, scenarios};
use super::trial::{Moment, Trial};
use super::{BenchSettings, Contender, Plant};
use crate::time::Instant;
use std::time::Duration;

/// Periods that a trace shows.
const PERIODS: u32 = 400;

/// A stretch of one trial.
#[derive(Clone, Debug)]
pub struct Trace {
    /// Which tracker.
    pub tracker: usize,
    /// Each reading of the stretch.
    pub moments: Vec<Moment>,
}

impl BenchRow {
    /// The bench itself; none where a sensor is on it.
    #[must_use]
    pub fn settings(&self) -> Option<BenchSettings> {
        let seconds = |s: f64| Duration::try_from_secs_f64(s).ok();
        (self.sensor == "none").then_some(BenchSettings {
            period: seconds(self.period_s)?,
            settling: seconds(self.settling_s)?,
            latency: seconds(self.latency_s)?,
            window: seconds(self.window_s)?,
            noise: self.noise,
            resolution: self.resolution,
            offset_volts: self.offset_volts,
            offset_amps: self.offset_amps,
            ..BenchSettings::default()
        })
    }
}

impl Comparison {
    /// The stretch of a scenario in which the first of `trackers` lost most, with the first seed, for each
    /// of them; none when the trials can't be rebuilt from the comparison.
    #[must_use]
    pub fn traces(&self, trackers: &[usize], place: Place, scenario: usize) -> Option<Vec<Trace>> {
        let all = |tracker: &usize| self.moments(*tracker, place, scenario);
        let all: Vec<Vec<Moment>> = trackers.iter().map(all).collect::<Option<_>>()?;
        let span = Duration::try_from_secs_f64(self.benches[place.bench].period_s).ok()? * PERIODS;
        let from = worst_stretch(all.first()?, span)?;
        let within = |one: &Moment| one.at >= from && one.at < from + span;
        let cut = |(tracker, moments): (&usize, Vec<Moment>)| Trace {
            tracker: *tracker,
            moments: moments.into_iter().filter(within).collect(),
        };
        Some(trackers.iter().zip(all).map(cut).collect())
    }

    /// The readings of one trial after its setup, with the first seed.
    fn moments(&self, tracker: usize, place: Place, scenario: usize) -> Option<Vec<Moment>> {
        let plant = Plant::named(&self.plants[place.plant].name)?;
        let name = &self.scenarios[scenario].name;
        let known = scenarios().into_iter().find(|one| one.name() == name);
        let scenario = known.map_or_else(|| Scenario::request(name).ok(), Some)?;
        let seed = scenario.seed(*self.seeds.first()?);
        let trial = Trial {
            tracker: Contender::new(&self.trackers[tracker].text).ok()?.tracker(&plant).ok()?,
            settings: &self.benches[place.bench].settings()?,
            plant: &plant,
            seed,
        };
        let mut scene = scenario.scene(&plant, seed).ok()?;
        let counted = Instant::ZERO + scene.setup();
        let mut moments = vec![];
        let mut watch = |one: &Moment| {
            if one.at >= counted {
                moments.push(*one);
            }
        };
        trial.watch(&mut *scene, &mut watch).ok()?;
        Some(moments)
    }
}

/// Where the stretch of `span` with the largest loss begins.
fn worst_stretch(moments: &[Moment], span: Duration) -> Option<Instant> {
    let loss = |one: &Moment| (one.crest_watts - one.watts).0;
    let (mut lost, mut first, mut worst) = (0.0, 0, None);
    for one in moments {
        lost += loss(one);
        while one.at.saturating_since(moments[first].at) > span {
            lost -= loss(&moments[first]);
            first += 1;
        }
        if worst.is_none_or(|(most, _)| lost > most) {
            worst = Some((lost, moments[first].at));
        }
    }
    worst.map(|(_, at)| at)
}
