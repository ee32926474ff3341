//! Partial shade: how many local crests a string of modules has in it, and where the global one goes.

#![allow(clippy::unwrap_used, reason = "helpers of tests")]

use cresthold_sim::device::single_diode::Crest;
use cresthold_sim::device::{Device, examples};
use cresthold_sim::quantities::Volts;
use cresthold_sim::scene::layout::Layout;
use cresthold_sim::scene::named::named;
use cresthold_sim::scene::{Exposure, Scene};
use cresthold_sim::time::Instant;
use std::collections::BTreeMap;
use std::time::Duration;

/// Four modules of three substrings.
fn string() -> Device {
    Device::string((0..4).map(|_| examples::crystalline_module()).collect()).unwrap()
}

fn row() -> Layout {
    Layout::row(12, 0.33, 90.0).unwrap()
}

/// What the curve of a string is like at a moment.
struct Look {
    at: f64,
    /// Local crests that a tracker could be caught on: 5 % of the global one and more.
    crests: usize,
    global: Crest,
    voc: Volts,
    /// The best of the other crests, as a share of the global one.
    second: f64,
}

fn looks(request: &str, seed: u64, every: Duration) -> Vec<Look> {
    let mut scene = named(request, &row(), seed).unwrap();
    let (mut device, mut seen) = (string(), Exposure::default());
    let (mut list, mut at) = (Vec::new(), Instant::ZERO);
    while at < Instant::ZERO + scene.length() {
        scene.expose(at, &mut seen);
        match seen.substrings() {
            Some(each) => device.set_substring_irradiances(each, seen.cell()).unwrap(),
            None => device.set_conditions(seen.irradiance(), seen.cell()),
        }
        let mut buffer = [Crest::default(); 12];
        let global = device.crest();
        let found = device.crests(&mut buffer);
        let other = |crest: &&Crest| (crest.volts - global.volts).abs().0 > 1.0;
        let second = found.iter().filter(other).map(|crest| crest.watts / global.watts);
        list.push(Look {
            at: at.as_secs_f64(),
            crests: found.iter().filter(|crest| crest.watts / global.watts > 0.05).count(),
            global,
            voc: device.open_circuit(),
            second: second.fold(0.0, f64::max),
        });
        at += every;
    }
    list
}

/// Where the global crest jumps to another hump.
fn jumps(looks: &[Look]) -> usize {
    let far = |pair: &[Look]| {
        let share = |look: &Look| look.global.volts / look.voc;
        (share(&pair[1]) - share(&pair[0])).abs() > 0.1
    };
    looks.windows(2).filter(|pair| far(pair)).count()
}

#[test]
fn still_shade_has_the_crests_asked_for() {
    for crests in 2..=6 {
        let mut humps = BTreeMap::new();
        let mut near = 0.0_f64;
        for seed in 0..40 {
            let request = format!("still-shade,crests={crests},minutes=1");
            let look = &looks(&request, seed, Duration::from_secs(60))[0];
            assert!(look.crests <= crests && look.crests + 1 >= crests.min(4), "{}", look.crests);
            let tenth = format!("{:.1}", look.global.volts / look.voc);
            *humps.entry(tenth).or_insert(0) += 1;
            near += look.second / 40.0;
        }
        println!(
            "{crests} crests: shares of Voc where the global one lies {humps:?}; the next has {near:.3} of it"
        );
        assert!(humps.len() >= 2, "{humps:?}");
        assert!(near > 0.75 && near < 1.0);
    }
}

#[test]
fn shifting_shade_moves_the_global_crest_from_hump_to_hump() {
    for seed in 1..6 {
        let looks = looks("shifting-shade", seed, Duration::from_millis(500));
        let jumps = jumps(&looks);
        let mut times = BTreeMap::new();
        for look in &looks {
            *times.entry(look.crests).or_insert(0_u32) += 1;
        }
        let few =
            |crests: usize| times.get(&crests).copied().unwrap_or(0) * 100 / looks.len() as u32;
        println!(
            "seed {seed}: {jumps} jumps in {:.0} s; half seconds by crests {times:?}",
            looks.last().unwrap().at
        );
        assert!(jumps >= 12, "{jumps}");
        assert!(few(2) > 5 && few(3) > 5 && few(4) + few(5) > 5, "{times:?}");
    }
}

#[test]
fn creeping_shadows_move_the_global_crest() {
    for request in ["mast-shadow", "chimney-shadow"] {
        let all: Vec<_> = (1..5).map(|seed| looks(request, seed, Duration::from_secs(2))).collect();
        for looks in &all {
            let crests = looks.iter().map(|look| look.crests).max().unwrap();
            let least = looks.iter().map(|look| look.global.watts.0).fold(f64::MAX, f64::min);
            let most = looks.iter().map(|look| look.global.watts.0).fold(0.0, f64::max);
            println!(
                "{request}: up to {crests} crests, {} jumps, {least:.0} to {most:.0} W",
                jumps(looks)
            );
            assert!(crests >= 2 && least < 0.95 * most);
        }
    }
    // A chimney darkens several substrings, so that giving them up pays, and the mast never does for long.
    assert!(jumps(&looks("chimney-shadow", 1, Duration::from_secs(2))) >= 2);
}

#[test]
fn birds_are_short() {
    let looks = looks("birds", 1, Duration::from_millis(20));
    let top = looks.iter().map(|look| look.global.watts.0).fold(0.0, f64::max);
    let low = looks.iter().filter(|look| look.global.watts.0 < 0.97 * top).count();
    let share = low as f64 / looks.len() as f64;
    println!("light of the string reduced for {:.1} % of the time", 100.0 * share);
    assert!(share > 0.02 && share < 0.5);
}
