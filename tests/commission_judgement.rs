//! What commissioning says of things that the virtual bench can't be wired for.
#![allow(clippy::unwrap_used, clippy::panic, reason = "a test: what is not there fails it")]

use cresthold::commission::boost::{Rise, wiring};
use cresthold::commission::clock::{Witnesses, clock};
use cresthold::commission::loaded::{Descent, Point, descent};
use cresthold::commission::ratings::ratings;
use cresthold::commission::{
    ChannelPart, Check, Commissioning, Light, Outcome, Reason, Verdict, page, text,
};
use cresthold::quantities::{Amps, Volts};
use cresthold::station::{ChannelSpec, Station};
use cresthold::time::Utc;

fn spec() -> ChannelSpec {
    Station::rehearsal().channels[0].clone()
}

fn utc(text: &str) -> Utc {
    text.parse().unwrap()
}

fn failed(checks: &[Check]) -> Vec<Reason> {
    let wrong = checks.iter().filter(|check| check.verdict == Verdict::Failed);
    wrong.filter_map(|check| check.reason).collect()
}

#[test]
fn a_computer_without_a_battery_clock_is_found_out() {
    let site = Station::rehearsal().site;
    let at = |now: &str, lit| Witnesses { now: utc(now), last_row: None, lit };
    let judged = |seen| failed(&clock(&site, seen, false));
    assert_eq!(judged(at("1970-01-01T00:01:00Z", None)), [Reason::Clock]);
    assert_eq!(judged(at("2027-06-15T11:30:00Z", Some(true))), []);
    // Twelve hours off: the sun is down by the clock.
    assert_eq!(judged(at("2027-06-15T23:30:00Z", Some(true))), [Reason::Clock]);
    let log = Some(utc("2027-06-15T11:31:00Z"));
    let seen = Witnesses { last_row: log, ..at("2027-06-15T11:30:00Z", None) };
    assert_eq!(judged(seen), [Reason::Clock]);
    // At dusk the devices may be lit or not.
    for lit in [true, false] {
        assert_eq!(judged(at("2027-06-15T19:50:00Z", Some(lit))), []);
    }
}

#[test]
fn a_rise_without_the_supplys_own_voltmeter() {
    let seen = |rise: f64, supply: Option<f64>| {
        let check = wiring(&Rise {
            stated: Volts(6.0),
            load: (Volts(36.0), Volts(36.0 + rise)),
            uncertainty: Volts(0.01),
            supply: supply.map(Volts),
            others: vec![("slope-2".to_owned(), Volts(0.1))],
        });
        check.reason
    };
    assert_eq!(seen(6.2, None), None, "5 % and a little");
    assert_eq!(seen(-6.0, None), Some(Reason::BoostReversed));
    assert_eq!(seen(0.0, None), Some(Reason::BoostNotInLoop));
    assert_eq!(seen(0.0, Some(0.0)), Some(Reason::BoostSilent));
    assert_eq!(seen(0.0, Some(36.0)), Some(Reason::BoostAcross));
    assert_eq!(seen(12.0, Some(12.0)), Some(Reason::BoostVolts));
    assert_eq!(seen(12.0, Some(6.0)), Some(Reason::BoostVolts));
}

/// A load that was told to go from 36 V down and stayed at `load` with `amps`.
fn stuck(load: f64, amps: f64, other: f64) -> Vec<Reason> {
    let point = |setpoint: f64, load: f64, amps: f64| Point {
        setpoint: Volts(setpoint),
        load: Volts(load),
        amps: Amps(amps),
        device: Volts(load - 6.0),
    };
    let seen = Descent {
        open: Volts(36.0),
        points: vec![point(40.0, 40.0, 1.0), point(20.0, load, amps)],
        back: Vec::new(),
        sensed: None,
        others: vec![("slope-2".to_owned(), Volts(other))],
    };
    failed(&descent(&spec(), None, Light::default(), &seen))
}

#[test]
fn a_load_that_does_not_follow_has_many_reasons() {
    let protection = spec().load.current_protection.0;
    assert_eq!(stuck(20.0, 7.0, 0.0), []);
    assert_eq!(stuck(42.0, 0.0, 0.0), [Reason::NoCurrent]);
    assert_eq!(stuck(30.0, protection * 0.99, 0.0), [Reason::Protection]);
    assert_eq!(stuck(41.0, 7.0, 0.0), [Reason::SenseLeads], "its voltmeter is elsewhere");
    assert_eq!(stuck(17.5, 3.0, 0.0), [], "below its setpoint it may lie");
    assert_eq!(stuck(41.0, 7.0, -30.0), [Reason::Exchanged, Reason::Exchanged]);
    assert_eq!(stuck(22.0, 7.0, 0.0), [Reason::Capability]);
}

#[test]
fn without_a_data_sheet_the_ratings_are_not_judged() {
    let checks = ratings(&spec(), None);
    assert_eq!(checks.len(), 1);
    assert_eq!(checks[0].verdict, Verdict::Skipped);
    assert!(checks[0].says.contains("[channel.rated]"));
}

#[test]
fn the_worst_decides_and_names_are_no_markup() {
    let check = || Check::passed("what", None, "a < b & c");
    let report = |checks: Vec<Check>| Commissioning {
        station: "<script>yard</script>".to_owned(),
        version: "0",
        span: (utc("2027-06-15T11:30:00Z"), utc("2027-06-15T11:31:00Z")),
        checks: Vec::new(),
        channels: vec![ChannelPart { name: "a".to_owned(), checks, ..ChannelPart::default() }],
    };
    let declined = Check { reason: Some(Reason::Declined), ..Check::skipped("what", "no") };
    let wrong = check().failed(Reason::Polarity, "exchange the leads");
    let live = check().failed(Reason::NotOff, "by hand");
    let doubtful = check().doubtful(Reason::Slow, "look");
    let outcome =
        |checks: &[&Check]| report(checks.iter().map(|c| (*c).clone()).collect()).outcome();
    assert_eq!(outcome(&[&doubtful]), Outcome::Passed);
    assert_eq!(outcome(&[&doubtful, &declined]), Outcome::Declined);
    assert_eq!(outcome(&[&declined, &wrong]), Outcome::Failed);
    assert_eq!(outcome(&[&wrong, &live, &declined]), Outcome::NotOff);
    let report = report(vec![wrong, doubtful]);
    let page = page::page(&report, &[]);
    assert!(!page.contains("<script>") && page.contains("a &lt; b &amp; c"));
    assert!(!page.contains("http"), "the page needs nothing beside it");
    let text = text::text(&report);
    assert!(text.contains("FAILED [polarity]") && text.contains("exchange the leads"), "{text}");
    assert!(text.lines().all(|line| line.chars().count() <= 100), "{text}");
}
