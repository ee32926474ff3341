//! A recorded day in virtual time: what the log says against what the plant knows.
#![allow(clippy::unwrap_used, reason = "a test: what is not there fails it")]

mod support;

use cresthold::control::record::{DayTotal, Event, Happening, Record};
use cresthold::quantities::{MetresPerSecond, WattHours};
use cresthold::rehearsal::{Outage, Yard};
use cresthold::time::{Instant, Utc};
use cresthold_sim::sky::recorded::{RecordedSky, embedded_payerne};
use std::time::Duration;
use support::{channel_config, crystalline_stand, perturb_and_observe};

const DAY: Duration = Duration::from_secs(86_400);

struct Played {
    yard: Yard<RecordedSky>,
    days: Vec<DayTotal>,
    events: Vec<Event>,
    samples: usize,
    minutes_energy: f64,
}

fn play(outage: Option<Outage>) -> Played {
    let (day, site) = embedded_payerne();
    let began: Utc = "2016-06-15T00:00:00Z".parse().unwrap();
    let sky = RecordedSky::new(day, site, 7).with_wind(MetresPerSecond(2.0));
    let stand = crystalline_stand(channel_config(perturb_and_observe(0.25)), 11);
    let mut yard = Yard::new(sky, began, vec![stand]);
    if let Some(outage) = outage {
        yard.stands_mut()[0].plan_outage(outage);
    }
    let (mut days, mut events, mut samples, mut minutes_energy) = (vec![], vec![], 0, 0.0);
    let mut log = |record| match record {
        Record::Sample(_) => samples += 1,
        Record::Minute(minute) => minutes_energy += minute.energy.0,
        Record::Day(day) => days.push(day),
        Record::Event(event) => events.push(event),
        Record::CurvePoint(_) | Record::Curve(_) => {}
    };
    yard.run_until(Instant::ZERO + DAY, &mut log);
    yard.stop(Instant::ZERO + DAY - Duration::from_millis(1), &mut log);
    Played { yard, days, events, samples, minutes_energy }
}

/// 0.02 % is what issue-level accuracy asks of the accounting: trapezoids over settled readings
/// against the plant's integral through every transient. The load here has noise and resolution
/// but no gain error, which would be the instrument's and not the accounting's.
#[test]
fn energy_in_the_log_equals_the_plants_own_integral() {
    let played = play(None);
    let truth = played.yard.stands()[0].truth();
    let total = played.days.last().unwrap();
    let off = (total.energy.0 / truth.delivered.0 - 1.0).abs();
    println!("delivered {:.3}, logged {:.3}: {:.5} %", truth.delivered, total.energy, off * 100.0);
    println!("available {:.3}", truth.available);
    for event in &played.events {
        println!("{} {}", event.at.utc, event.what);
    }
    println!("{total:?}");
    assert!(off < 2e-4, "off by {off}");
    assert!((played.minutes_energy / total.energy.0 - 1.0).abs() < 1e-9);
    assert_eq!(total.available, Some(truth.available));
    assert!(total.gaps == 0 && total.missing.is_zero());
    assert!(played.samples > 50_000);
}

#[test]
fn ten_minutes_of_outage_are_a_gap_and_not_energy() {
    let from = Instant::ZERO + Duration::from_secs(12 * 3600);
    let until = from + Duration::from_secs(600);
    let played = play(Some(Outage { from, until }));
    let whole = play(None);
    let total = played.days.last().unwrap();
    println!("{total:?}");
    let missing = total.missing.as_secs_f64();
    // The outage, and at most one wait of the reconnecting (longest so far 64 * 5 s) after it.
    assert!((600.0..600.0 + 330.0).contains(&missing), "missing {missing} s");
    assert_eq!(total.gaps, 1);
    assert!(played.events.iter().any(|event| event.what == Happening::LinkLost));
    assert!(played.events.iter().any(|event| matches!(event.what, Happening::Gap { .. })));
    let lost = whole.days.last().unwrap().energy - total.energy;
    assert!(lost > WattHours(5.0), "noon without readings must be missing: {lost}");
}
