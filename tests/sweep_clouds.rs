//! Seeded sweeps through the rehearsal's bench, with the noise, steps and lags of its instruments, a boost
//! supply and moving clouds, against the plant's truth.
//!
//! The truth of a figure is the device's own equations at the mean irradiance of the sweep (of the plant's
//! values at its points, not of a sensor's) and at the cell temperature of the moment in which the
//! figure's points were taken: the last for Isc, the first for Voc, that of largest power for Pmp. A
//! module in moving light warms and cools, 0.4 K in half a sweep of 10 s after a cloud, which is
//! 0.1 % of Voc: a curve has no one temperature.
//!
//! Each seed is another sky, and where errors are drawn another bench: gains, offsets, boost supply,
//! leads out of the distributions that the station file states. Only then has coverage a meaning. The
//! first curve of a bench that is graded good counts, so that no bench counts twice.
#![allow(clippy::unwrap_used, reason = "in tests, also outside #[test] functions")]

use cresthold::control::Channel;
use cresthold::control::record::{Curve, CurveEnd, CurvePoint, Record};
use cresthold::curve::uncertainty::{Inputs, Instrument, Spec, Stated};
use cresthold::quantities::{Celsius, Irradiance, Ohms, Volts};
use cresthold::rehearsal::{Stand, Yard, stand_parts};
use cresthold::report::curve_result::appraise;
use cresthold::station::{ChannelSpec, Station};
use cresthold::store::{CurvePointRow, CurveResult};
use cresthold::time::{Instant, Utc};
use cresthold_sim::bench::{Meter, Noise, Sensor, SensorParams};
use cresthold_sim::sky::clear::{ClearSky, Weather};
use cresthold_sim::sky::clouds::{Clouds, CloudySky};
use cresthold_sim::sky::sun::Site;
use std::collections::BTreeMap;
use std::time::Duration;

const EVERY: Duration = Duration::from_secs(30);
/// Curves of one bench at most, around noon.
const TRIES: u32 = 20;
/// Largest deviation of Isc, Voc and Pmp that is asked for.
const LIMITS: [f64; 3] = [5e-4, 5e-4, 1e-3];
const NAMES: [&str; 3] = ["Isc", "Voc", "Pmp"];

/// What a bench's errors are.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Errors {
    /// Noise, steps and lags alone, and that is what is stated.
    Noise,
    /// All that the station states, drawn.
    Drawn,
}

/// The rehearsal's crystalline module. Its substrings are alike here: the 1 % by which one of them differs
/// there bends the curve near 0 V, where Isc's line takes it for straight, and Isc is covered in 92.6 %
/// of cases in place of 94.4 %; Voc and Pmp are covered alike (measured once, with all of it drawn).
fn module() -> ChannelSpec {
    let mut spec = Station::rehearsal().channels.swap_remove(0);
    spec.mismatch.clear();
    spec.control.sweep.every = Some(EVERY);
    // As a campaign would: in a cloud's shadow the noise of both current and irradiance is four times
    // what it is beside it, 0.1 % a point.
    spec.control.sweep.conditions.irradiance_min = Some(Irradiance(400.0));
    spec
}

fn draw(spec: Spec, chance: &mut Noise) -> f64 {
    match spec {
        // The direction of two normal deviates: any value alike.
        Spec::Limits(half) => half * chance.draw().atan2(chance.draw()) / std::f64::consts::PI,
        other => other.standard() * chance.draw(),
    }
}

/// What is stated of a bench with such errors.
fn stated(spec: &ChannelSpec, errors: Errors) -> Stated {
    let stated = spec.stated.unwrap();
    let bare = |one: Instrument| Instrument { gain: Spec::NONE, offset: Spec::NONE, ..one };
    let Inputs { volts, amps, irradiance, raised, delay, .. } = stated.inputs;
    let noise = Inputs {
        volts: bare(volts),
        amps: bare(amps),
        irradiance: bare(irradiance),
        raised,
        delay,
        ..Inputs::PERFECT
    };
    match errors {
        Errors::Noise => Stated { inputs: noise, ..stated },
        Errors::Drawn => stated,
    }
}

fn stand(spec: &ChannelSpec, stated: &Stated, seed: u64) -> Stand {
    let inputs = &stated.inputs;
    let mut chance = Noise::new(seed ^ 0x5eed);
    let mut spec = spec.clone();
    spec.load.gain_volts = draw(inputs.volts.gain, &mut chance);
    spec.load.offset_volts.0 = draw(inputs.volts.offset, &mut chance);
    spec.load.gain_amps = draw(inputs.amps.gain, &mut chance);
    spec.load.offset_amps.0 = draw(inputs.amps.offset, &mut chance);
    let control = spec.control.clone();
    let boost = spec.boost.as_mut().unwrap();
    // Not measured: what it really gives is what it was set to and an error.
    boost.measured = false;
    boost.volts += Volts(draw(inputs.boost, &mut chance));
    spec.control.path.lead += Ohms(draw(inputs.leads, &mut chance));
    let light = &inputs.irradiance;
    let meter = Meter {
        gain: draw(light.gain, &mut chance),
        offset: draw(light.offset, &mut chance),
        noise: light.noise,
        resolution: light.resolution,
        ..SensorParams::REFERENCE_CELL.meter
    };
    let lag = spec.irradiance.unwrap().lag;
    let sensor = SensorParams { lag, meter, ..SensorParams::REFERENCE_CELL };
    let mut parts = stand_parts(&spec, 0, seed).unwrap();
    parts.channel = Channel::new(control);
    parts.irradiance = Some(Sensor::new(sensor, seed + 1));
    Stand::new(parts)
}

/// A curve, its points, and what the device was exposed to at each.
type Taken = (CurveResult, Vec<CurvePointRow>, Vec<(Irradiance, Celsius)>);

fn row(point: &CurvePoint) -> CurvePointRow {
    CurvePointRow {
        point: u32::from(point.index),
        at: point.at,
        volts: Some(point.volts),
        amps: Some(point.amps),
        setpoint: Some(point.setpoint),
        irradiance: point.irradiance,
        module_temperature: point.module_temperature,
    }
}

/// The curves of a bench until the first good one.
fn curves(spec: &ChannelSpec, stated: &Stated, seed: u64) -> Vec<Taken> {
    let site = Site::new(46.815, 6.944, 491.0).unwrap();
    let clear = ClearSky::new(site, Weather::default()).unwrap();
    let sky = CloudySky::new(clear, Clouds::default(), seed).unwrap();
    let began: Utc = "2016-06-15T11:00:00Z".parse().unwrap();
    let mut yard = Yard::new(sky, began, vec![stand(spec, stated, seed)]);
    let (mut points, mut exposures, mut found) = (Vec::new(), Vec::new(), Vec::<Taken>::new());
    let end = Instant::ZERO + EVERY * TRIES;
    let good = |taken: &Taken| taken.0.grade == "good";
    while !found.last().is_some_and(good) && yard.next_wake().unwrap() < end {
        let mut ended: Option<Curve> = None;
        yard.step(&mut |record| match record {
            Record::CurvePoint(point) => points.push(row(&point)),
            Record::Curve(curve) => ended = Some(curve),
            _ => {}
        });
        exposures.resize(points.len(), yard.stands()[0].exposure());
        if let Some(curve) = ended {
            let (points, exposures) = (std::mem::take(&mut points), std::mem::take(&mut exposures));
            if curve.end == CurveEnd::Whole {
                found.push((appraise(curve.direction, &points, Some(stated)), points, exposures));
            }
        }
    }
    found
}

/// Isc, Voc, Pmp as the plant has them.
fn truth(spec: &ChannelSpec, (_, points, exposures): &Taken) -> [f64; 3] {
    let mean = exposures.iter().map(|at| at.0.0).sum::<f64>() / exposures.len() as f64;
    let mut device = spec.build_device().unwrap();
    let power = |row: &CurvePointRow| (row.volts.unwrap() * row.amps.unwrap()).0;
    let best = (0..points.len()).max_by(|a, b| power(&points[*a]).total_cmp(&power(&points[*b])));
    let mut at = |point: usize| {
        device.set_conditions(Irradiance(mean), exposures[point].1);
        (device.current(Volts::ZERO).0, device.open_circuit().0, device.crest().watts.0)
    };
    [at(points.len() - 1).0, at(0).1, at(best.unwrap()).2]
}

#[derive(Default)]
struct Tally {
    curves: usize,
    within: [usize; 3],
    covered: [usize; 3],
    /// Sizes of the errors, of the expanded uncertainties (shares), and coverage factors.
    sizes: [Vec<f64>; 3],
    stated: [Vec<f64>; 3],
    factors: [f64; 3],
}

impl Tally {
    fn add(&mut self, result: &CurveResult, truth: [f64; 3]) {
        let found = [result.isc.map(|v| v.0), result.voc.map(|v| v.0), result.pmp.map(|v| v.0)];
        self.curves += 1;
        for k in 0..3 {
            let Some(off) = found[k].map(|value| (value / truth[k] - 1.0).abs()) else { continue };
            self.within[k] += usize::from(off <= LIMITS[k]);
            self.sizes[k].push(off);
            // A curve in light that moved too much states none.
            let Some(expanded) = result.expanded[k] else { continue };
            let share = expanded.value / truth[k];
            self.covered[k] += usize::from(off <= share);
            self.stated[k].push(share);
            self.factors[k] += expanded.coverage;
        }
    }

    fn shares(&self, counts: [usize; 3]) -> [f64; 3] {
        counts.map(|count| count as f64 / self.curves as f64)
    }

    fn print(&mut self, grade: &str) {
        let within = self.shares(self.within);
        for k in 0..3 {
            let middle = |list: &mut Vec<f64>, part: usize| {
                list.sort_by(f64::total_cmp);
                list.get(list.len().saturating_sub(1) * part / 100).map_or(f64::NAN, |x| 100.0 * x)
            };
            let (error, worse) = (middle(&mut self.sizes[k], 50), middle(&mut self.sizes[k], 95));
            println!(
                "{grade:5}  {:6}  {}  {:5.1} %  {error:.4} %  {worse:.4} %  {:.4} %  {:.2}  {:5.1} %",
                self.curves,
                NAMES[k],
                100.0 * within[k],
                middle(&mut self.stated[k], 50),
                self.factors[k] / self.stated[k].len() as f64,
                100.0 * self.covered[k] as f64 / self.stated[k].len() as f64,
            );
        }
    }
}

/// Looks at benches until so many have a good curve; the tally of those.
fn study(errors: Errors, wanted: usize) -> Tally {
    let spec = module();
    let known = stated(&spec, errors);
    let mut grades: BTreeMap<String, Tally> = BTreeMap::new();
    let mut reasons: BTreeMap<String, usize> = BTreeMap::new();
    let (mut all, mut seeds, mut good) = (0, 0, 0);
    while good < wanted {
        seeds += 1;
        for taken in curves(&spec, &known, seeds) {
            all += 1;
            good += usize::from(taken.0.grade == "good");
            grades.entry(taken.0.grade.clone()).or_default().add(&taken.0, truth(&spec, &taken));
            for reason in taken.0.reasons.split("; ").filter(|reason| !reason.is_empty()) {
                let words = reason.split_whitespace().take(3).collect::<Vec<_>>().join(" ");
                *reasons.entry(words).or_default() += 1;
            }
        }
    }
    println!("\n{errors:?}: {seeds} benches, {all} curves; not good because: {reasons:?}");
    println!("grade  curves       within  median    95 % of   U median  k     covered");
    for (grade, tally) in &mut grades {
        tally.print(grade);
    }
    grades.remove("good").unwrap_or_default()
}

/// A part of the studies below; so few say no more than that nothing is far off.
#[test]
fn sweeps_under_moving_clouds() {
    let good = study(Errors::Noise, 50);
    assert!(good.shares(good.within).iter().all(|share| *share >= 0.9));
    assert!(good.shares(good.covered).iter().all(|share| *share >= 0.85));
    let good = study(Errors::Drawn, 50);
    assert!(good.shares(good.covered).iter().all(|share| *share >= 0.85));
}

/// The limits are about the sweep: a bench without errors but noise. The coverage is about the budget.
#[test]
#[ignore = "a study of thousands of sweeps; under a minute on a quiet machine"]
fn a_thousand_good_sweeps_lie_within_limits_and_their_uncertainty_covers_the_truth() {
    let good = study(Errors::Noise, 1000);
    assert!(good.shares(good.within).iter().all(|share| *share >= 0.95));
    assert!(good.shares(good.covered).iter().all(|share| (0.93..=0.97).contains(share)));
}

/// Another bench each time, out of what the station file states.
#[test]
#[ignore = "a study of thousands of sweeps; under a minute on a quiet machine"]
fn a_thousand_benches_of_stated_accuracy_are_covered() {
    let good = study(Errors::Drawn, 1000);
    assert!(good.shares(good.covered).iter().all(|share| (0.93..=0.97).contains(share)));
}
