//! study draft
#![allow(clippy::unwrap_used, reason = "in tests, also outside #[test] functions")]

mod support;

use cresthold::control::record::{Curve, CurveEnd, CurvePoint, Record, SweepDirection};
use cresthold::control::{Channel, SeriesPath};
use cresthold::curve::uncertainty::{Analysis, Budget, Inputs, Instrument, Spec, budget};
use cresthold::curve::{self, Method, Point, fit::{Residual, fit}, quality::{Grade, Quality, quality}};
use cresthold::quantities::{Amps, Celsius, Irradiance, Ohms, Volts};
use cresthold::rehearsal::{Mounting, Stand, StandParts, Yard};
use cresthold::time::{Instant, Utc};
use cresthold_sim::bench::{Bench, Boost, LoadParams, Meter, Noise, Sensor, SensorParams};
use cresthold_sim::device::examples;
use cresthold_sim::sky::Place;
use cresthold_sim::sky::clear::{ClearSky, Weather};
use cresthold_sim::sky::clouds::{Clouds, CloudySky};
use cresthold_sim::sky::plane::Plane;
use cresthold_sim::sky::sun::Site;
use cresthold_sim::thermal::{Thermal, ThermalParams};
use std::time::Duration;
use support::{channel_config, perturb_and_observe};

fn inputs(gains: bool) -> Inputs {
    let on = |s: Spec| if gains { s } else { Spec::NONE };
    Inputs {
        volts: Instrument { gain: on(Spec::Limits(5e-4)), offset: on(Spec::Limits(0.01)), resolution: 0.001, noise: 0.008 },
        amps: Instrument { gain: on(Spec::Limits(1e-3)), offset: on(Spec::Limits(0.004)), resolution: 0.0005, noise: 0.002 },
        irradiance: Instrument { gain: on(Spec::Calibrated { expanded: 0.016, coverage: 2.0 }), offset: on(Spec::Limits(1.0)), resolution: 0.1, noise: 0.2 },
        raised: 6.0,
        boost: on(Spec::Limits(0.01)),
        leads: on(Spec::Limits(0.002)),
        delay: Spec::Limits(0.1),
        ..Inputs::PERFECT
    }
}

fn draw(spec: Spec, chance: &mut Noise) -> f64 {
    match spec {
        Spec::Limits(half) => half * chance.draw().atan2(chance.draw()) / std::f64::consts::PI,
        other => other.standard() * chance.draw(),
    }
}

fn stand(inputs: &Inputs, lag: f64, seed: u64) -> Stand {
    let mut chance = Noise::new(seed ^ 0x5eed);
    let mut config = channel_config(perturb_and_observe(0.25));
    config.sweep.every = Some(Duration::from_secs(30));
    config.sweep.conditions.irradiance_min = Some(Irradiance(400.0));
    config.path = SeriesPath { boost: Volts(6.0), lead: Ohms(0.02) };
    let meter = |i: &Instrument, range: f64, chance: &mut Noise| Meter {
        gain: draw(i.gain, chance), offset: draw(i.offset, chance), noise: i.noise, resolution: i.resolution, range };
    let mut load = LoadParams::usual(Volts(80.0), Amps(20.0), Amps(650.0).0.into_w());
    load.volts_meter = meter(&inputs.volts, 80.0, &mut chance);
    load.amps_meter = meter(&inputs.amps, 20.0, &mut chance);
    let boost = Boost { volts: Volts(6.0 + draw(inputs.boost, &mut chance)), limit: Amps(18.0) };
    let lead = Ohms(0.02 + draw(inputs.leads, &mut chance));
    let light = SensorParams { lag: Duration::from_secs_f64(lag), meter: meter(&inputs.irradiance, 2000.0, &mut chance), drift_per_day: 0.0 };
    Stand::new(StandParts {
        channel: Channel::new(config),
        bench: Bench::new(examples::crystalline_module(), load, Some(boost), lead, seed),
        thermal: Thermal::new(ThermalParams::OPEN_RACK, Celsius(12.0)),
        mounting: Mounting::Fixed(Plane::new(20.0, 180.0, 0.2).unwrap()),
        place: Place::default(),
        irradiance: Some(Sensor::new(light, seed + 1)),
        thermometer: Some(Sensor::new(SensorParams::MODULE_THERMOMETER, seed + 2)),
        boost_measured: false,
    })
}
trait IntoW { fn into_w(self) -> cresthold::quantities::Watts; }
impl IntoW for f64 { fn into_w(self) -> cresthold::quantities::Watts { cresthold::quantities::Watts(self) } }

type Out = (Quality, Budget, [f64; 3]);

fn look(points: &[CurvePoint], exposures: &[(Irradiance, Celsius)], inputs: &Inputs, delay: f64) -> Option<Out> {
    let made = |p: &CurvePoint| Point { volts: p.volts, amps: p.amps, irradiance: p.irradiance, cell: p.module_temperature, utc: Some(p.at.utc) };
    let curve = curve::Curve::sorted(points.iter().map(made).collect()).ok()?;
    let series = Some(fit(&curve, Residual::Current).ok()?.series.value);
    let method = Method { short_points: 15, ..Method::FIELD };
    let analysis = Analysis { series, delay, ..Analysis::plain(method) };
    let stated = budget(&curve, &analysis, inputs).ok()?;
    let mean = exposures.iter().map(|at| at.0.0).sum::<f64>() / exposures.len() as f64;
    let truth = |point: usize| examples::crystalline_reference().at(Irradiance(mean), exposures[point].1).summary();
    let power = |p: &CurvePoint| (p.volts * p.amps).0;
    let best = (0..points.len()).max_by(|a, b| power(&points[*a]).total_cmp(&power(&points[*b])))?;
    Some((quality(&curve, None), stated, [truth(points.len() - 1).isc.0, truth(0).voc.0, truth(best).pmp.0]))
}

fn curves(inputs: &Inputs, lag: f64, delay: f64, seed: u64, most: usize) -> Vec<Out> {
    let site = Site::new(46.815, 6.944, 491.0).unwrap();
    let clear = ClearSky::new(site, Weather::default()).unwrap();
    let sky = CloudySky::new(clear, Clouds::default(), seed).unwrap();
    let began: Utc = "2016-06-15T11:00:00Z".parse().unwrap();
    let mut yard = Yard::new(sky, began, vec![stand(inputs, lag, seed)]);
    let (mut points, mut exposures, mut found) = (Vec::new(), Vec::new(), Vec::new());
    let end = Instant::ZERO + Duration::from_secs(1800);
    while found.len() < most && yard.next_wake().unwrap() < end {
        let mut ended: Option<Curve> = None;
        let taken = points.len();
        yard.step(&mut |record| match record {
            Record::CurvePoint(point) => points.push(point),
            Record::Curve(curve) => ended = Some(curve),
            _ => {}
        });
        if points.len() > taken {
            exposures.push(yard.stands()[0].exposure());
        }
        if let Some(curve) = ended {
            assert_eq!(curve.direction, SweepDirection::Down);
            if curve.end == CurveEnd::Whole {
                found.extend(look(&points, &exposures, inputs, delay));
            }
            points.clear();
            exposures.clear();
        }
    }
    found
}

#[test]
fn study() {
    let env = |name: &str, default: f64| std::env::var(name).ok().and_then(|v| v.parse().ok()).unwrap_or(default);
    let gains = env("GAINS", 0.0) > 0.5;
    let (lag, delay) = (env("LAG", 0.0), env("DELAY", 0.0));
    let mut inputs = inputs(gains);
    inputs.delay = Spec::Limits(env("DELAYU", 0.0));
    let seeds = env("SEEDS", 250.0) as u64;
    let per = env("PER", 8.0) as usize;
    let mut all = Vec::new();
    for seed in 0..seeds { all.extend(curves(&inputs, lag, delay, seed, per)); }
    let mut why = std::collections::BTreeMap::<String, u32>::new();
    for (q, ..) in &all { for (g, r) in &q.reasons { *why.entry(format!("{g:?} {}", format!("{r:?}").split('(').next().unwrap())).or_default() += 1; } }
    println!("{why:?}");
    for grade in [Grade::Good, Grade::Fair, Grade::Poor] {
        let list: Vec<&Out> = all.iter().filter(|o| o.0.grade == grade).collect();
        println!("{grade:?}: {} of {}", list.len(), all.len());
        for (k, q) in ["Isc", "Voc", "Pmp"].into_iter().enumerate() {
            let n = list.len() as f64;
            let err = |o: &&&Out| o.1.values[k] - o.2[k];
            let covered = list.iter().filter(|o| err(o).abs() <= o.1.coverage[k] * o.1.combined[k]).count() as f64 / n;
            let within = list.iter().filter(|o| err(o).abs() <= [5e-4, 5e-4, 1e-3][k] * o.2[k]).count() as f64 / n;
            let z: Vec<f64> = list.iter().map(|o| err(&o) / o.1.combined[k]).collect();
            let mean = z.iter().sum::<f64>() / n;
            let sd = (z.iter().map(|z| (z - mean).powi(2)).sum::<f64>() / n).sqrt();
            let u = list.iter().map(|o| o.1.combined[k] / o.2[k]).sum::<f64>() / n;
            let kk = list.iter().map(|o| o.1.coverage[k]).sum::<f64>() / n;
            println!("  {q}: covered {:.1} %, within {:.1} %, z mean {mean:+.2} sd {sd:.2}, u {:.4} %, k {kk:.3}", 100.0 * covered, 100.0 * within, 100.0 * u);
        }
        if let Some(o) = list.first() { for l in &o.1.lines { println!("    {:30} {:.4} {:.4} {:.4} %", l.input, 100.*l.contributions[0]/o.2[0], 100.*l.contributions[1]/o.2[1], 100.*l.contributions[2]/o.2[2]); } }
    }
}
