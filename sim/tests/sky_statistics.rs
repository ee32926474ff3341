//! scratch
#![allow(clippy::unwrap_used, reason = "helpers of tests")]
use cresthold_sim::quantities::MetresPerSecond;
use cresthold_sim::sky::Place;
use cresthold_sim::sky::clouds::{CloudField, Clouds};
use cresthold_sim::time::Utc;
use std::time::Duration;

fn noon() -> Utc {
    "2016-06-15T11:33:00Z".parse().unwrap()
}
const DIRECT: f64 = 860.0;
const DIFFUSE: f64 = 110.0;
const UP: f64 = 0.88;
fn light(field: &CloudField, place: Place) -> (f64, f64, f64) {
    let s = field.shade(noon(), place);
    let clear = DIRECT * UP + DIFFUSE;
    let direct = DIRECT * (1.0 - s.depth * s.opacity);
    let global = direct * UP
        + DIFFUSE
        + 0.15 * (DIRECT - direct) * UP
        + field.clouds().enhancement * s.glare * clear;
    (s.depth, direct, global)
}
fn runs(flags: impl Iterator<Item = bool>, step: f64) -> Vec<f64> {
    let (mut list, mut run) = (Vec::new(), 0u32);
    for f in flags {
        if f {
            run += 1
        } else if run > 0 {
            list.push(step * f64::from(run));
            run = 0
        }
    }
    list
}
fn table(name: &str, list: &[f64]) {
    println!("{name}: {} runs", list.len());
    let mut last: Option<(f64, f64)> = None;
    for half in 0..24 {
        let low = 25.0 * 2f64.powf(0.5 * f64::from(half));
        let high = low * 2f64.sqrt();
        let n = list.iter().filter(|&&l| l >= low && l < high).count();
        let density = n as f64 / (high - low);
        let slope = last.map(|(l, d): (f64, f64)| (density / d).ln() / (low / l).ln());
        println!(
            "{low:8.0} {n:6} {:10.3e} x5/3 {:10.3e} slope {slope:.2?}",
            density,
            density * (low * 1.19f64).powf(5.0 / 3.0)
        );
        last = Some((low, density));
    }
}
#[test]
fn explore() {
    let get = |k: &str, d: f64| std::env::var(k).ok().map_or(d, |v| v.parse().unwrap());
    let clouds = Clouds {
        cover: get("COVER", 0.4),
        largest: get("LARGEST", 12800.0),
        edge: get("EDGE", 100.0),
        enhancement: get("ENH", 0.3),
        ..Clouds::default()
    };
    let v = clouds.speed.0;
    let n = get("N", 2e6) as u32;
    let step = 20.0;
    for seed in 1..2 {
        let field = CloudField::new(clouds, seed).unwrap();
        let all: Vec<_> = (0..n)
            .map(|i| light(&field, Place { east: -step * f64::from(i), north: 0.0 }))
            .collect();
        let clear = DIRECT * UP + DIFFUSE;
        table("clouds", &runs(all.iter().map(|a| a.0 > 0.5), step));
        table("clear gaps", &runs(all.iter().map(|a| a.0 <= 0.5), step));
        let shadows = runs(all.iter().map(|a| a.1 < 120.0), step);
        table("shadows", &shadows);
        let enh = runs(all.iter().map(|a| a.2 > 1.01 * clear && a.2 > clear + 10.0), step);
        table("enhancement", &enh);
        println!(
            "mean depth {:.3} shadow share {:.3} enh share {:.3}; max {:.3}",
            all.iter().map(|a| a.0).sum::<f64>() / all.len() as f64,
            shadows.iter().sum::<f64>() / step / f64::from(n),
            enh.iter().sum::<f64>() / step / f64::from(n),
            all.iter().map(|a| a.2).fold(0.0, f64::max) / clear
        );
        for level in [50.0, 100.0, 200.0, 300.0, 400.0, 500.0] {
            let mut e = runs(all.iter().map(|a| a.2 > clear + level), step);
            e.sort_by(f64::total_cmp);
            if e.is_empty() {
                continue;
            }
            let q = |p: f64| e[((e.len() - 1) as f64 * p) as usize] / v;
            println!(
                "excess > {level}: {} events, mean {:.1} s, median {:.1}, 90 % {:.1}, 99 % {:.1}, max {:.1}",
                e.len(),
                e.iter().sum::<f64>() / v / e.len() as f64,
                q(0.5),
                q(0.9),
                q(0.99),
                q(1.0)
            );
        }
        // transitions in time
        let dt = 0.25;
        let (mut durations, mut lengths, mut speeds) = (vec![], vec![], vec![]);
        let mut prev: Option<(usize, bool)> = None;
        let mut last = None;
        let m = n / 4;
        for i in 0..m {
            let d = light(&field, Place { east: -v * dt * f64::from(i), north: 0.0 }).0;
            if let Some(l) = last {
                let c = |x: f64| (l < x) != (d < x);
                if c(0.1) || c(0.9) {
                    let low = c(0.1);
                    if let Some((from, was)) = prev
                        && was != low
                    {
                        let dur = dt * (i as usize - from) as f64;
                        // apparent speed from gradient of depth by 3 sensors at the middle
                        let x = -v * dt * (from as f64 + i as f64) * 0.5;
                        let at =
                            |e: f64, nn: f64| light(&field, Place { east: x + e, north: nn }).0;
                        let gx = at(10.0, 0.0) - at(-10.0, 0.0);
                        let gy = at(0.0, 10.0) - at(0.0, -10.0);
                        let cos = gx.abs() / gx.hypot(gy);
                        durations.push(dur);
                        speeds.push(v * cos);
                        lengths.push(v * cos * dur);
                    }
                    prev = Some((i as usize, low));
                }
            }
            last = Some(d);
        }
        for (name, list) in
            [("duration", &mut durations), ("speed", &mut speeds), ("length", &mut lengths)]
        {
            list.sort_by(f64::total_cmp);
            let q = |p: f64| list[((list.len() - 1) as f64 * p) as usize];
            println!(
                "{name}: {} mean {:.2} q10 {:.2} median {:.2} q90 {:.2}",
                list.len(),
                list.iter().sum::<f64>() / list.len() as f64,
                q(0.1),
                q(0.5),
                q(0.9)
            );
        }
        let _ = (MetresPerSecond(0.0), Duration::ZERO);
    }
}
