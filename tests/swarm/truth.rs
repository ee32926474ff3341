//! Whether a record is true of the plant.

use crate::judge::{ASKED, Judge, micros, seconds};
use crate::oracle::exactness::{Exactness, LIGHT_OFF, bounds, nearest, wrong_means, wrong_point};
use crate::plan::{FIRST_SENSOR, THERMOMETER};
use crate::runbook::Kept;
use crate::yard::AGE_PERIODS;
use cresthold::control::record::{CurvePoint, Sample};
use cresthold_sim::wire::fault::{SensorFault, What};

/// The yard's load: seven standard deviations, beyond which one reading in 4e11 lies; a swarm takes 1e7.
const EXACTNESS: Exactness = Exactness { full_scale: 65.0, most: (50.0, 14.0), sigmas: 7.0 };
/// How far a right temperature may be off: noise of 0.05 K and a microvolt at the meter (K).
const WARMTH_OFF: f64 = 0.45;

impl Judge {
    /// A sample is the mean of readings, each of which shows the plant as it was then.
    pub(crate) fn sample(&mut self, sample: &Sample) {
        let began = self.runs.last().map_or(0.0, |run| run.began);
        let at = began + seconds(sample.at.mono);
        let mono = micros(sample.at.mono);
        let mut of = Vec::new();
        while let Some(measure) = self.measures.front().filter(|it| it.at <= at) {
            if measure.at > self.before {
                of.push(bounds(measure));
            }
            self.measures.pop_front();
        }
        let (readings, measured) = (sample.readings as usize, of.len());
        let what = format!("{:?}, {readings} readings of {measured}", sample.activity);
        let means = [sample.volts.0, sample.amps.0, sample.watts.0];
        for wrong in wrong_means(means, sample.readings, &of, &EXACTNESS) {
            self.problem(at, format_args!("{what}: {wrong}"));
        }
        self.surroundings(sample, at);
        self.before = at;
        self.compared += 1;
        if let Some(run) = self.runs.last_mut() {
            run.samples.all.push(Kept { mono, sample: *sample });
        }
    }

    /// Irradiance and temperature are right or absent, but where a sensor lies believably.
    fn surroundings(&mut self, sample: &Sample, at: f64) {
        let p = self.period();
        let from = self.before.max(at - 1.5 * p) - AGE_PERIODS * p - ASKED;
        if self.moments.front().is_none_or(|first| first.at > from && from > 0.0) {
            return;
        }
        let (mut light, mut back) = ((f64::MAX, f64::MIN), (f64::MAX, f64::MIN));
        for it in self.moments.iter().filter(|it| it.at >= from && it.at <= at) {
            light = (light.0.min(it.light), light.1.max(it.light));
            back = (back.0.min(it.back), back.1.max(it.back));
        }
        let checks = [
            (false, sample.irradiance.map(|it| it.0), light, LIGHT_OFF, "W/m2"),
            (true, sample.module_temperature.map(|it| it.0), back, WARMTH_OFF, "degC"),
        ];
        for (warmth, value, (low, high), off, unit) in checks {
            let Some(value) = value.filter(|_| !self.lies(warmth, from, at)) else { continue };
            if !(value >= low - off && value <= high + off) {
                let what = format!("{:?}, {} readings", sample.activity, sample.readings);
                self.problem(
                    at,
                    format_args!("{what}: {value:.2} {unit} where {low:.2} to {high:.2} was"),
                );
            }
        }
    }

    /// Whether a sensor of warmth or of light showed something wrong that may pass for right.
    fn lies(&self, warmth: bool, from: f64, at: f64) -> bool {
        let of = |place: usize| place >= FIRST_SENSOR && (place == THERMOMETER) == warmth;
        let lie = self.plan.faults.iter().any(|fault| {
            let wrong = matches!(
                fault.what,
                What::Sensor(SensorFault::Stuck | SensorFault::Drifting { .. })
            );
            wrong && of(fault.place) && at >= fault.at.as_secs_f64() && from <= self.ends(fault)
        });
        let covered = self
            .plan
            .covered
            .iter()
            .any(|(begins, ends)| at >= begins.as_secs_f64() && from <= ends.as_secs_f64());
        lie || !warmth && covered
    }

    /// A point of a curve is the reading of its own moment.
    pub(crate) fn point(&mut self, point: &CurvePoint) {
        let began = self.runs.last().map_or(0.0, |run| run.began);
        let at = began + seconds(point.at.mono);
        // Where there is none, its sample was heard first, and took the measurement along.
        if let Some(near) = nearest(self.measures.iter(), at, 0.3) {
            for wrong in wrong_point([point.volts.0, point.amps.0], &near, &EXACTNESS) {
                self.problem(at, format_args!("curve's point: {wrong}"));
            }
        }
    }
}
