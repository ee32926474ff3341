//! Scenes by name: what is promised of each, and what they cost.

#![allow(clippy::unwrap_used, reason = "helpers of tests")]
#![allow(clippy::float_cmp, reason = "exact by construction")]

use cresthold_sim::scene::layout::Layout;
use cresthold_sim::scene::named::{SceneError, entries, named};
use cresthold_sim::scene::{Exposure, Scene};
use cresthold_sim::time::Instant;
use std::io::Write;
use std::time::Duration;

fn row() -> Layout {
    Layout::row(12, 2.0, 90.0).unwrap()
}

/// Every piece of a scene, by the rule of its trait: its middle, and how long it is.
fn play(
    scene: &mut dyn Scene,
    until: Duration,
    mut each: impl FnMut(Instant, &Exposure, Duration),
) {
    let mut seen = Exposure::default();
    let mut at = Instant::ZERO;
    let end = Instant::ZERO + until.min(scene.length());
    while at < end {
        let piece = scene.still_for(at).min(end.saturating_since(at));
        assert!(!piece.is_zero());
        scene.expose(at + piece / 2, &mut seen);
        each(at + piece / 2, &seen, piece);
        at += piece;
    }
}

fn same(a: &Exposure, b: &Exposure) -> bool {
    format!("{a:?}") == format!("{b:?}")
}

#[test]
fn every_scene_is_the_same_for_the_same_seed_however_it_is_asked() {
    for entry in entries() {
        let build = |seed| named(entry.name, &row(), seed).unwrap();
        let (mut one, mut two, mut other) = (build(1), build(1), build(2));
        let mut rare = Exposure::default();
        let mut strange = Exposure::default();
        let (mut count, mut differ) = (0_u32, false);
        play(one.as_mut(), Duration::from_secs(400), |at, seen, _| {
            count += 1;
            if count % 37 == 0 {
                two.expose(at, &mut rare);
                assert!(same(seen, &rare), "{}: {seen:?} {rare:?}", entry.name);
                other.expose(at, &mut strange);
                differ |= !same(seen, &strange);
            }
        });
        let drawn = entry.name != "alamosa-morning" && entry.name != "still-shade";
        assert!(differ || !drawn, "{}", entry.name);
    }
}

#[test]
fn every_scene_stays_within_bounds() {
    for entry in entries() {
        let mut scene = named(entry.name, &row(), 3).unwrap();
        assert!(scene.setup() <= scene.length() / 2);
        let (mut low, mut high, mut cold, mut warm) = (f64::MAX, 0.0_f64, f64::MAX, f64::MIN);
        play(scene.as_mut(), Duration::from_secs(4000), |at, seen, _| {
            let each = seen.substrings().map_or(1, <[_]>::len);
            assert!(each == 1 || each == 12, "{}", entry.name);
            let lights = seen.substrings().into_iter().flatten().copied();
            for light in lights.chain([seen.irradiance(), seen.sensed()]) {
                assert!((0.0..1800.0).contains(&light.0), "{} {at:?} {light:?}", entry.name);
                (low, high) = (low.min(light.0), high.max(light.0));
            }
            (cold, warm) = (cold.min(seen.cell().0), warm.max(seen.cell().0));
            assert!((-30.0..90.0).contains(&seen.cell().0), "{} {at:?} {seen:?}", entry.name);
            assert!(seen.back() <= seen.cell());
        });
        println!(
            "{:17} {low:5.0} .. {high:5.0} W/m2, cells {cold:5.1} .. {warm:5.1} degC",
            entry.name
        );
    }
}

/// What an exposure costs at the pace that the scene asks for: the least of short batches, as others
/// share the machine.
#[test]
fn what_an_hour_costs() {
    const BATCH: u32 = 500;
    for entry in entries() {
        for layout in [Layout::point(), row()] {
            let Ok(mut scene) = named(entry.name, &layout, 1) else { continue };
            let (mut least, mut count, mut sum) = (f64::MAX, 0_u32, 0.0);
            let mut clock = std::time::Instant::now();
            play(scene.as_mut(), Duration::from_secs(300), |_, seen, _| {
                count += 1;
                sum += seen.irradiance().0;
                if count % BATCH == 0 {
                    least = least.min(clock.elapsed().as_secs_f64() / f64::from(BATCH));
                    clock = std::time::Instant::now();
                }
            });
            if count < BATCH {
                println!("{:17} holds still: {count} exposures in 300 s", entry.name);
                continue;
            }
            let hourly = f64::from(count) * 3600.0 / scene.length().as_secs_f64().min(300.0);
            println!(
                "{:17} {:2} substrings: {:5.0} ns an exposure, {:.3} s an hour ({:.0})",
                entry.name,
                layout.count(),
                1e9 * least,
                least * hourly,
                sum / f64::from(count),
            );
        }
    }
}

/// Every scene as CSV, ten values a second, into the directory `CRESTHOLD_SCENES` (or the temporary
/// one): to look at.
#[test]
#[ignore = "writes files to look at"]
fn written_to_look_at() {
    let directory = std::env::var_os("CRESTHOLD_SCENES")
        .map_or_else(std::env::temp_dir, std::path::PathBuf::from);
    for entry in entries() {
        let mut scene = named(entry.name, &row(), 1).unwrap();
        let path = directory.join(format!("{}.csv", entry.name));
        let mut file = std::io::BufWriter::new(std::fs::File::create(&path).unwrap());
        let mut seen = Exposure::default();
        let tenth = Duration::from_millis(100);
        let tenths = u32::try_from(scene.length().as_millis() / 100).unwrap();
        for index in 0..tenths {
            let at = Instant::ZERO + tenth * index;
            scene.expose(at, &mut seen);
            let each = seen.substrings().map_or(vec![seen.irradiance()], <[_]>::to_vec);
            write!(file, "{:.1},{:.2},{:.2}", at.as_secs_f64(), seen.sensed().0, seen.cell().0)
                .unwrap();
            for light in each {
                write!(file, ",{:.2}", light.0).unwrap();
            }
            writeln!(file).unwrap();
        }
        println!("{}", path.display());
    }
}

#[test]
fn requests_are_refused_by_name() {
    let refused = |request: &str| named(request, &Layout::point(), 1).map(|_| ()).unwrap_err();
    assert!(refused("sunny").to_string().starts_with("no scene is called \"sunny\"; there are: "));
    assert!(refused("birds").to_string().contains("2 substrings or more"));
    assert!(matches!(refused("pointing,jitter"), SceneError::Setting { .. }));
    assert!(matches!(refused("pointing,gusts=1"), SceneError::Parameter { .. }));
    assert!(matches!(refused("pointing,jitter=nan"), SceneError::Range { .. }));
    assert!(matches!(refused("low-scud,edge=1000"), SceneError::Clouds(_)));
}

#[test]
fn names_are_plain_and_numbers_usual() {
    for entry in entries() {
        assert!(entry.name.chars().all(|c| c.is_ascii_lowercase() || c == '-'), "{}", entry.name);
        assert!(entry.what.len() <= 72, "{}: {}", entry.name, entry.what.len());
        for one in entry.parameters {
            assert!((one.least..=one.greatest).contains(&one.usual), "{} {}", entry.name, one.name);
        }
    }
}
