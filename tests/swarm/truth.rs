//! Whether a record is true of the plant.

use crate::judge::{ASKED, Judge, micros, seconds};
use crate::plan::{FIRST_SENSOR, THERMOMETER};
use crate::runbook::Kept;
use crate::witness::Measure;
use crate::yard::AGE_PERIODS;
use cresthold::control::record::{CurvePoint, Sample};
use cresthold_sim::bench::Operating;
use cresthold_sim::wire::fault::{SensorFault, What};

/// Noise of one reading of the yard's load (V, A): 1e-4 of 65 V and of 20 A.
const NOISE: [f64; 2] = [6.5e-3, 2e-3];
/// Seven standard deviations: one reading in 4e11 lies beyond, and a swarm takes 1e7.
const SIGMAS: f64 = 7.0;
/// Resolution of meters and of the log, and what settling leaves (V, A, W).
const STEP: [f64; 3] = [3e-3, 2e-3, 0.1];
/// How far a right irradiance and a right temperature may be off: noise of 0.3 W/m2 and 0.05 K, and
/// a microvolt at the meter (W/m2, K).
const SENSORS_OFF: (f64, f64) = (2.5, 0.45);
fn tolerances(readings: u32) -> [f64; 3] {
    let spread = SIGMAS / f64::from(readings.max(1)).sqrt();
    // 50 V times the ammeter's noise and 14 A times the voltmeter's.
    let power = 50.0 * NOISE[1] + 14.0 * NOISE[0];
    [spread * NOISE[0] + STEP[0], spread * NOISE[1] + STEP[1], spread * power + STEP[2]]
}

fn values(truth: &Operating) -> [f64; 3] {
    [truth.device.0, truth.amps.0, truth.watts().0]
}

/// Least and largest truth of one measurement.
fn bounds(measure: &Measure) -> ([f64; 3], [f64; 3]) {
    let [a, b] = measure.truth.each_ref().map(values);
    (std::array::from_fn(|i| a[i].min(b[i])), std::array::from_fn(|i| a[i].max(b[i])))
}

/// Least and largest that a mean over `readings` of these measurements can be: the mean of all of
/// them, or, where some got lost on the line, anything within their span.
fn span(of: &[([f64; 3], [f64; 3])], readings: usize, quantity: usize) -> (f64, f64) {
    let (lows, highs) = (of.iter().map(|b| b.0[quantity]), of.iter().map(|b| b.1[quantity]));
    if readings == of.len() {
        return (lows.sum::<f64>() / readings as f64, highs.sum::<f64>() / readings as f64);
    }
    (lows.fold(f64::INFINITY, f64::min), highs.fold(f64::NEG_INFINITY, f64::max))
}

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
        if readings > measured {
            self.problem(at, format_args!("{what}: more readings than measurements"));
        } else {
            let off = tolerances(sample.readings);
            let means = [sample.volts.0, sample.amps.0, sample.watts.0];
            for (i, unit) in ["V", "A", "W"].into_iter().enumerate() {
                let ((low, high), value) = (span(&of, readings, i), means[i]);
                if !(value >= low - off[i] && value <= high + off[i]) {
                    self.problem(
                        at,
                        format_args!("{what}: {value:.4} {unit}, not {low:.4} to {high:.4}"),
                    );
                }
            }
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
            (false, sample.irradiance.map(|it| it.0), light, SENSORS_OFF.0, "W/m2"),
            (true, sample.module_temperature.map(|it| it.0), back, SENSORS_OFF.1, "degC"),
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
        let near = self
            .measures
            .iter()
            .filter(|measure| (measure.at - at).abs() < 0.3)
            .min_by(|a, b| (a.at - at).abs().total_cmp(&(b.at - at).abs()));
        let Some((low, high)) = near.map(bounds) else {
            // Its sample was heard first, and took the measurement along.
            return;
        };
        let off = tolerances(1);
        for (i, value) in [point.volts.0, point.amps.0].into_iter().enumerate() {
            if !(value >= low[i] - off[i] && value <= high[i] + off[i]) {
                let (low, high) = (low[i], high[i]);
                self.problem(
                    at,
                    format_args!("curve's point: {value:.4} where {low:.4} to {high:.4} was"),
                );
            }
        }
    }
}
