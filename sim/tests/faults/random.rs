//! Faults drawn at random.

use super::*;
use cresthold_sim::wire::fault::{RandomFaults, Role};

fn places() -> Vec<Place> {
    [("a load", Role::Load, false), ("b boost", Role::Supply, true), ("c", Role::Sensor, true)]
        .map(|(name, role, terminal)| Place { name: name.to_owned(), role, terminal })
        .to_vec()
}

#[test]
fn the_same_seed_gives_the_same_faults() {
    let draw = |seed| RandomFaults::new(seed, Duration::from_secs(10), &places()).take(500);
    assert!(draw(7).eq(draw(7)));
    assert!(!draw(7).eq(draw(8)));
}

#[test]
fn they_fit_come_in_order_and_at_the_stated_rate() {
    let places = places();
    let mean = Duration::from_secs(10);
    let faults: Vec<Fault> = RandomFaults::new(3, mean, &places).take(5000).collect();
    assert!(faults.iter().all(|fault| fault.what.fits(&places[fault.place]).is_ok()));
    assert!(faults.is_sorted_by_key(|fault| fault.at));
    // The mean of 5000 exponential intervals has a deviation of 1 / sqrt(5000) = 1.4 %.
    let rate = faults[4999].at.as_secs_f64() / 5000.0;
    assert!((rate - 10.0).abs() < 0.6, "{rate}");
    for name in What::NAMES {
        assert!(faults.iter().any(|fault| fault.what.name() == name), "{name} never happens");
    }
}

#[test]
fn a_player_needs_no_real_time() {
    // A day of faults at a load in memory: whatever they are, at the end it answers again.
    let mut yard = Yard::load(false);
    let random = RandomFaults::new(1, Duration::from_secs(20), &[yard.victims[0].place.clone()]);
    yard.player.add(random.take_while(|fault| fault.at < Duration::from_secs(2000)));
    let (mut now, mut begun, mut ended) = (Instant::ZERO, 0, 0);
    while let Some(next) = yard.player.next(now) {
        now = next;
        for notice in yard.player.advance(now, &mut yard.victims) {
            assert_eq!(notice.trouble, None);
            *if notice.begins { &mut begun } else { &mut ended } += 1;
        }
        // Nobody asks, so counted faults never end by themselves.
        if now > at(Duration::from_secs(3000)) {
            break;
        }
    }
    ended += yard.player.finish(now, &mut yard.victims).len();
    assert!(begun > 50 && ended > 20 && ended <= begun, "{begun} {ended}");
    assert_eq!(yard.connect().ask("*OPC?"), "1");
}
