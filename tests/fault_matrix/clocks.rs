//! The wall clock goes wrong under the daemon's own tasks: nothing but labels may show it.

use crate::cell::{Link, Place};
use crate::trial::{self, Plan, Ran, Stop};
use crate::yard::links;
use std::time::Duration;

const FORTY_YEARS: i64 = 14_610 * 86_400_000_000;
const SECOND: i64 = 1_000_000;

fn run(clock: &'static [(u64, i64)]) -> Ran {
    trial::run(&Plan {
        links: links(Place::Load, Link::Tcp),
        spare: false,
        seed: crate::seed(),
        fault: None,
        stop: Stop::At(Duration::from_secs(70)),
        slack: 0.0,
        clock,
    })
}

/// Samples and points but for their times.
fn told(ran: &Ran) -> (Vec<String>, Vec<String>) {
    let samples = ran.log.samples.iter();
    let samples =
        samples.map(|row| format!("{:?} {:?} {:?}", row.activity, row.readings, row.means));
    (samples.collect(), ran.log.points.iter().map(|point| format!("{:?}", &point[1..])).collect())
}

#[test]
fn a_wall_clock_that_is_set_changes_no_figure() {
    let right = run(&[]);
    for (what, clock, code, corrected) in [
        ("-40 years", &[(20, -FORTY_YEARS)][..], "clock-doubted", true),
        ("told the time", &[(0, -FORTY_YEARS), (20, FORTY_YEARS)], "clock-set", true),
        ("+20 min", &[(20, 1200 * SECOND)], "clock-set", false),
        ("-30 s", &[(20, -30 * SECOND)], "clock-set", false),
        ("+20 min and back", &[(25, 1200 * SECOND), (40, -1200 * SECOND)], "clock-set", true),
    ] {
        let ran = run(clock);
        let energy = ran.log.energy / right.log.energy - 1.0;
        println!("{what}: {:.6} Wh, {energy:+.1e}; {:?}", ran.log.energy, ran.log.first(code));
        assert!(energy.abs() < 1e-6, "{what}: {} against {}", ran.log.energy, right.log.energy);
        let count = ran.log.events.iter().filter(|event| event.code == code).count();
        // A clock that is wrong from the beginning is set once.
        let steps = clock.iter().filter(|(s, _)| *s > 0).count();
        assert_eq!(count, steps, "{what}: {:?}", ran.log.events);
        assert!(told(&ran) == told(&right), "{what}");
        assert_eq!(ran.switches, right.switches);
        if corrected {
            for (found, wanted) in ran.log.samples.iter().zip(&right.log.samples) {
                // Rows are kept to a millisecond.
                assert!((found.at - wanted.at).abs() < 2e-3, "{what}: {} {}", found.at, wanted.at);
            }
        }
    }
}
