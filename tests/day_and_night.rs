//! Sleeping and waking in virtual time: dawn and dusk, an eclipse, snow on the device and on the sensor, a
//! sensor that is covered or dead.
#![allow(clippy::unwrap_used, reason = "a test: what is not there fails it")]

mod support;

use cresthold::control::record::{DayTotal, Event, Record};
use cresthold::quantities::{Celsius, Irradiance, MetresPerSecond};
use cresthold::rehearsal::{Cover, Yard};
use cresthold::time::{Instant, Utc};
use cresthold_sim::sky::recorded::{RecordedSky, embedded_payerne};
use cresthold_sim::sky::sun::Site;
use cresthold_sim::sky::{Place, Sky, SkyState};
use std::collections::BTreeMap;
use std::sync::LazyLock;
use std::time::Duration;
use support::{channel_config, crystalline_stand, perturb_and_observe};

struct Lived {
    total: DayTotal,
    events: Vec<Event>,
}

fn at(hours: f64) -> Instant {
    Instant::ZERO + Duration::from_secs_f64(hours * 3600.0)
}

/// A cover over hours of the day.
fn cover(from: f64, until: f64, device: f64, sensor: f64) -> Cover {
    Cover { from: at(from), until: at(until), device, sensor }
}

/// The recorded day under covers, at a period of a second.
fn live(covers: &[Cover]) -> Lived {
    let (day, site) = embedded_payerne();
    let began: Utc = "2016-06-15T00:00:00Z".parse().unwrap();
    let sky = RecordedSky::new(day, site, 7).with_wind(MetresPerSecond(2.0));
    let mut config = channel_config(perturb_and_observe(0.25));
    config.period = Duration::from_secs(1);
    let mut yard = Yard::new(sky, began, vec![crystalline_stand(config, 11)]);
    covers.iter().for_each(|cover| yard.stands_mut()[0].plan_cover(*cover));
    let (mut total, mut events) = (None, Vec::new());
    let mut log = |record| match record {
        Record::Day(day) => total = Some(day),
        Record::Event(event) => events.push(event),
        _ => {}
    };
    yard.run_until(at(24.0), &mut log);
    yard.stop(at(24.0) - Duration::from_millis(1), &mut log);
    Lived { total: total.unwrap(), events }
}

static OPEN: LazyLock<Lived> = LazyLock::new(|| live(&[]));

impl Lived {
    fn count(&self, code: &str) -> usize {
        self.events.iter().filter(|event| event.what.code() == code).count()
    }

    /// Energy as a share of what the device gives without covers.
    fn share(&self) -> f64 {
        self.total.energy.0 / OPEN.total.energy.0
    }

    fn print(&self, what: &str) {
        println!("{what}: {:.2} % of the open day", self.share() * 100.0);
        for event in &self.events {
            println!("  {} {}", event.at.utc, event.what);
        }
        assert_eq!(self.count("let-go"), 0, "{what}");
        assert_eq!(self.count("locked-off"), 0, "{what}");
    }
}

#[test]
fn a_plain_day_wakes_and_sleeps_once_or_little_more() {
    OPEN.print("the day as it was");
    assert!(OPEN.count("woke") <= 3, "flicker at dawn and dusk costs little");
    assert_eq!(OPEN.count("woke"), OPEN.count("fell-asleep") + OPEN.count("no-yield"));
    assert_eq!(OPEN.count("sensor-doubted"), 0, "nothing is invented on a sound day");
    assert_eq!(OPEN.count("no-yield"), 0);
}

/// A covered sensor, at noon, from before dawn, or for all of the day, costs nothing but the dawn.
#[test]
fn a_covered_sensor_does_not_put_a_producing_device_to_sleep() {
    // At dawn the sun must be 10 degrees up before it speaks against the sensor, which on this day is
    // 1.2 h after sunrise and 1 % of the energy.
    for (what, from, until, least) in [
        ("at noon", 11.0, 13.0, 0.9999),
        ("until 9:00", 0.0, 9.0, 0.985),
        ("all day", 0.0, 24.0, 0.985),
    ] {
        let lived = live(&[cover(from, until, 1.0, 0.001)]);
        lived.print(what);
        assert!(lived.share() > least, "{what}: {}", lived.share());
        assert_eq!(lived.count("sensor-doubted"), 1, "{what}: told once");
        assert!(lived.count("woke") <= 4, "{what}");
    }
}

/// Snow on the device while the sensor, warm from its own electronics, is free. Under thin snow the
/// device yields a little; under thick snow nothing, and the load must not hunt.
#[test]
fn a_device_under_snow_does_not_make_the_load_hunt() {
    for (what, through) in [("thin", 0.02), ("thick", 0.001), ("none at all", 0.0)] {
        let lived = live(&[cover(0.0, 11.0, through, 1.0)]);
        lived.print(what);
        // Naps double from one minute to half an hour: 6 tries in the first hour, 2 an hour then in the
        // 6.5 h until the thaw, and a few that more light through the snow brings.
        assert!(lived.count("woke") <= 24, "{what}: {}", lived.count("woke"));
        // Three fifths of this day's energy come after the thaw at 11:00: it is back at the crest at
        // once, since its volts have risen.
        assert!(lived.share() > 0.59, "{what}: {}", lived.share());
    }
}

/// Both are covered: it is as dark as at night.
#[test]
fn an_eclipse_is_a_short_night() {
    let mut covers = Vec::new();
    // Two hours of partial phases in steps of a minute around three minutes of totality.
    for minute in 0..120_u32 {
        let from = 10.0 + f64::from(minute) / 60.0;
        let phase = (f64::from(minute) - 60.0).abs() / 60.0;
        let left = if phase < 0.03 { 1e-5 } else { phase };
        covers.push(cover(from, from + 1.0 / 60.0, left, left));
    }
    let lived = live(&covers);
    lived.print("eclipse");
    assert!(lived.count("woke") <= OPEN.count("woke") + 2);
    assert_eq!(lived.count("no-yield") + lived.count("sensor-doubted"), 0);
    // The light that is left is used: half of two hours of some ten that count.
    assert!(lived.share() > 0.85, "{}", lived.share());
}

/// Light that comes and goes around the limits all morning.
#[test]
fn flicker_costs_few_switchings() {
    let covers: Vec<Cover> = (0..180)
        .map(|step| {
            let from = 6.0 + f64::from(step) / 60.0;
            let left = if step % 4 < 2 { 1e-4 } else { 0.2 };
            cover(from, from + 1.0 / 60.0, left, left)
        })
        .collect();
    let lived = live(&covers);
    lived.print("flicker");
    // Three hours of it have 45 such nights.
    assert!(lived.count("woke") <= 15, "{}", lived.count("woke"));
}

/// A clear sky at 78 degrees north: 800 W/m2 of direct light wherever the sun is above the horizon.
#[derive(Clone)]
struct FarNorth(Site);

impl Sky for FarNorth {
    fn state(&mut self, at: Utc, _: Place) -> SkyState {
        let sun = self.0.sun(at);
        let direct = if sun.up > 0.0 { 800.0 } else { 0.0 };
        let diffuse = direct / 10.0;
        SkyState {
            global: Irradiance(direct * sun.up.max(0.0) + diffuse),
            direct: Irradiance(direct),
            diffuse: Irradiance(diffuse),
            air: Celsius(2.0),
            wind: MetresPerSecond(2.0),
            sun,
        }
    }
}

/// Days in the far north, at a period of ten seconds; totals by book, and events.
fn far_north(began: &str, days: u32) -> (Vec<DayTotal>, Vec<Event>) {
    let mut config = channel_config(perturb_and_observe(0.25));
    config.period = Duration::from_secs(10);
    config.sample_every = Duration::from_secs(60);
    config.max_gap = Duration::from_secs(30);
    config.max_sensor_age = Duration::from_secs(30);
    let sky = FarNorth(Site::new(78.2, 15.6, 30.0).unwrap());
    let mut yard = Yard::new(sky, began.parse().unwrap(), vec![crystalline_stand(config, 11)]);
    let (mut totals, mut events) = (BTreeMap::new(), Vec::new());
    let mut log = |record| match record {
        Record::Day(day) => {
            totals.insert(day.began, day);
        }
        Record::Event(event) => events.push(event),
        _ => {}
    };
    let end = at(24.0 * f64::from(days));
    yard.run_until(end, &mut log);
    yard.stop(end - Duration::from_millis(1), &mut log);
    (totals.into_values().collect(), events)
}

/// The sun does not set: it wakes once, and the days are told apart all the same.
#[test]
fn a_polar_summer_is_one_long_day() {
    let (totals, events) = far_north("2016-06-19T00:00:00Z", 5);
    let count = |code: &str| events.iter().filter(|event| event.what.code() == code).count();
    assert_eq!((count("woke"), count("fell-asleep"), count("zeros-read")), (1, 0, 0));
    let dates: Vec<String> = totals.iter().map(|total| total.day.date()).collect();
    assert_eq!(dates, ["2016-06-19", "2016-06-20", "2016-06-21", "2016-06-22", "2016-06-23"]);
    // About the solstice one day is as the other; the first has its start in it.
    for total in &totals[1..] {
        let share = total.energy.0 / totals[1].energy.0;
        assert!((share - 1.0).abs() < 0.01, "{share}");
        assert_eq!(total.missing, Duration::ZERO);
        assert!(total.covered.abs_diff(Duration::from_secs(86_400)) <= Duration::from_secs(20));
    }
}

/// The sun does not rise: nothing wakes it, and the zeros are told twice a day.
#[test]
fn a_polar_winter_is_one_long_night() {
    let (totals, events) = far_north("2016-12-19T00:00:00Z", 5);
    let count = |code: &str| events.iter().filter(|event| event.what.code() == code).count();
    assert_eq!((count("woke"), count("let-go"), count("no-yield")), (0, 0, 0));
    // One every twelve hours, begun with the first look, and one at the end.
    assert!((9..=10).contains(&count("zeros-read")), "{}", count("zeros-read"));
    assert!(totals.iter().all(|total| total.energy.0 == 0.0 && total.gaps == 0));
}
