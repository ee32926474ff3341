//! Instruments with words of their own, described by a station file, in virtual time.

#![cfg(feature = "field")]
#![allow(clippy::unwrap_used, clippy::panic, reason = "a helper that fails is a test that fails")]
#![allow(clippy::float_cmp, reason = "numbers that the line carries exactly")]

mod links_yard;

use cresthold::control::{Command, Found};
use cresthold::daemon::bench::{bench_setup, link};
use cresthold::instruments::link::Link;
use cresthold::instruments::{Answer, Bench, BenchSetup, InstrumentError, ListPoint, Load};
use cresthold::quantities::{Amps, Volts};
use cresthold::station::Station;
use links_yard::odd::{ODD_STATION, Odd};
use links_yard::run_virtually;
use links_yard::wire::SharedDesk;
use std::time::Duration;

/// The odd load and supply, and the bench that the station file makes of them.
fn odd_bench() -> (Odd, Odd, SharedDesk, BenchSetup) {
    let station = Station::parse("odd.toml", ODD_STATION).unwrap();
    let mut setup = bench_setup(&station.channels[0], &link).unwrap();
    let (load, boost) = (Odd::new(), Odd::new());
    let desk = SharedDesk::new(Box::new(load.clone()));
    setup.load.0 = desk.settings("odd load");
    let supply = SharedDesk::new(Box::new(boost.clone()));
    setup.boost.as_mut().unwrap().0 = supply.settings("odd supply");
    (load, boost, desk, setup)
}

async fn odd_load() -> (Odd, Load) {
    let (odd, _, _, setup) = odd_bench();
    let mut load = Load::new(Link::open(&setup.load.0).await.unwrap(), setup.load.1);
    load.prepare().await.unwrap();
    (odd, load)
}

#[test]
fn every_operation_goes_by_its_description() {
    run_virtually(async {
        let (odd, mut load) = odd_load().await;
        odd.with(|odd| {
            assert!(!odd.on && odd.mode == "CV");
            // 60 V and 10 A in thousandths; the window of the station; the range that reaches.
            assert!((odd.millivolts, odd.milliamps) == (60_000.0, 10_000.0));
            assert!((odd.aperture, odd.range) == (0.04, 10.0));
        });
        load.set_volts(Volts(31.25)).await.unwrap();
        assert!(odd.with(|odd| odd.millivolts) == 31_250.0);
        load.input(true).await.unwrap();
        // (40 - 31.25) / 10.
        assert_eq!(load.measure().await.unwrap(), (Volts(31.25), Amps(0.875)));
        load.set_range(Amps(12.0)).await.unwrap();
        assert!(odd.with(|odd| odd.range) == 30.0);
        let error = load.set_range(Amps(99.0)).await.unwrap_err();
        assert!(error.to_string().contains("at least 99 A was set"), "{error}");
        load.set_averaging(Duration::from_millis(500)).await.unwrap();
        assert!(odd.with(|odd| odd.aperture) == 0.5);
        load.input(false).await.unwrap();
        assert!(!odd.with(|odd| odd.on));
    });
}

#[test]
fn a_list_runs_in_the_load_and_comes_back_in_order() {
    run_virtually(async {
        let (odd, mut load) = odd_load().await;
        load.input(true).await.unwrap();
        let steps = [40.0, 32.0, 24.0, 16.0, 8.0, 0.0].map(Volts);
        let began = tokio::time::Instant::now();
        let seen = |points: Vec<ListPoint>| -> Vec<_> {
            points.into_iter().map(|point| (point.volts, point.amps)).collect()
        };
        let points = seen(load.run_list(&steps, Duration::from_millis(250)).await.unwrap());
        assert!(began.elapsed() >= Duration::from_millis(6 * 250));
        let expected: Vec<_> = steps.map(|it| (it, Amps((40.0 - it.0) / 10.0))).to_vec();
        assert_eq!(points, expected);
        // In pieces of four and two; the last setpoint stands.
        odd.with(|odd| assert!(odd.ran.len() == 2 && odd.dwell == 0.25 && odd.millivolts == 0.0));
        // Without a description: step by step, the same points.
        let (_, _, _, mut setup) = odd_bench();
        setup.load.1.commands.list = None;
        let mut plain = Load::new(Link::open(&setup.load.0).await.unwrap(), setup.load.1);
        plain.prepare().await.unwrap();
        plain.input(true).await.unwrap();
        let again = plain.run_list(&steps, Duration::from_millis(250)).await.unwrap();
        assert_eq!(seen(again), expected);
    });
}

#[test]
fn a_list_that_is_broken_off_fails_and_the_next_thing_done_is_input_off() {
    run_virtually(async {
        let (odd, _, desk, setup) = odd_bench();
        let mut bench = Bench::new(setup);
        bench.carry_out(Command::Prepare).await.unwrap();
        bench.carry_out(Command::InputOn).await.unwrap();
        assert!(odd.with(|odd| odd.on));
        let steps = [40.0, 32.0, 24.0, 16.0].map(Volts);
        let cut = async {
            tokio::time::sleep(Duration::from_millis(600)).await;
            desk.with(|desk| desk.cuts += 1);
        };
        let (ran, ()) = tokio::join!(bench.run_list(&steps, Duration::from_millis(250)), cut);
        assert!(ran.is_err(), "{ran:?}");
        let prepared = bench.carry_out(Command::Prepare).await.unwrap();
        assert!(matches!(prepared, Answer::Prepared(Found { input_on: Some(true), .. })));
        assert!(!odd.with(|odd| odd.on), "found on, and switched off before anything else");
    });
}

#[test]
fn what_is_not_described_is_emulated() {
    run_virtually(async {
        let (_, _, desk, mut setup) = odd_bench();
        setup.load.1.commands.averaging = None;
        setup.load.1.commands.range = None;
        setup.load.1.commands.status = None;
        let mut load = Load::new(Link::open(&setup.load.0).await.unwrap(), setup.load.1);
        load.prepare().await.unwrap();
        load.set_volts(Volts(20.0)).await.unwrap();
        load.input(true).await.unwrap();
        load.set_averaging(Duration::from_millis(20)).await.unwrap();
        let before = desk.with(|desk| desk.handled.len());
        assert_eq!(load.measure().await.unwrap(), (Volts(20.0), Amps(2.0)));
        // Each takes 1 ms: one before the 20 ms begin, and one for each of them.
        let asked = desk.with(|desk| desk.handled.len()) - before;
        assert!((20..=22).contains(&asked), "{asked}");
        load.set_range(Amps(10.0)).await.unwrap();
        let error = load.set_range(Amps(10.1)).await.unwrap_err();
        assert!(matches!(error, InstrumentError::BeyondRange { .. }), "{error}");
    });
}

#[test]
fn what_is_no_number_is_never_sent() {
    run_virtually(async {
        let (_, _, desk, setup) = odd_bench();
        let mut load = Load::new(Link::open(&setup.load.0).await.unwrap(), setup.load.1);
        load.prepare().await.unwrap();
        let before = desk.with(|desk| desk.handled.len());
        for wrong in [f64::NAN, f64::INFINITY, f64::NEG_INFINITY] {
            let error = load.set_volts(Volts(wrong)).await.unwrap_err();
            assert!(matches!(error, InstrumentError::NoSetting { .. }), "{error}");
            let list = [Volts(1.0), Volts(wrong)];
            assert!(load.run_list(&list, Duration::ZERO).await.is_err());
        }
        assert_eq!(desk.with(|desk| desk.handled.len()), before);
    });
}

#[test]
fn a_trip_is_a_failed_command() {
    run_virtually(async {
        let (load, boost, _, setup) = odd_bench();
        let mut bench = Bench::new(setup);
        bench.carry_out(Command::Prepare).await.unwrap();
        bench.carry_out(Command::BoostOn).await.unwrap();
        bench.carry_out(Command::InputOn).await.unwrap();
        let answer = bench.carry_out(Command::Measure).await.unwrap();
        // The odd supply measures as the odd load does: 6 V when on.
        let Answer::Measured(_, _, Some(volts)) = answer else { panic!("{answer:?}") };
        assert_eq!(volts, Volts(6.0));
        for tripped in [&boost, &load] {
            tripped.with(|odd| odd.tripped = true);
            let error = bench.carry_out(Command::Measure).await.unwrap_err();
            assert!(matches!(error, InstrumentError::Tripped { .. }), "{error}");
            assert!(error.to_string().contains("`TRIP?` with `YES`"), "{error}");
            boost.with(|odd| odd.tripped = false);
            // Preparing lets go of the load's trip by its own words.
            bench.carry_out(Command::Prepare).await.unwrap();
            assert!(!load.with(|odd| odd.tripped || odd.on) && !boost.with(|odd| odd.on));
        }
        bench.close().await;
    });
}

#[test]
fn a_wrong_echo_is_a_fault() {
    run_virtually(async {
        let (odd, mut load) = odd_load().await;
        odd.with(|odd| odd.echo_error = 20.0);
        let error = load.set_volts(Volts(30.0)).await.unwrap_err();
        assert!(matches!(error, InstrumentError::Unverified { .. }), "{error}");
        assert!(error.to_string().contains("`VSET?` with `30020`, but 30 V was set"), "{error}");
        // Within its resolution (10 mV, as the station doesn't state another) it is the echo.
        odd.with(|odd| odd.echo_error = 9.0);
        load.set_volts(Volts(30.0)).await.unwrap();
    });
}

#[test]
fn settings_changed_behind_our_back_keep_the_input_off() {
    run_virtually(async {
        let (odd, mut load) = odd_load().await;
        for change in [
            |odd: &mut links_yard::odd::OddState| odd.mode = "CC",
            |odd: &mut links_yard::odd::OddState| odd.millivolts = 1000.0,
            |odd: &mut links_yard::odd::OddState| odd.milliamps = 30_000.0,
        ] {
            odd.with(change);
            let error = load.input(true).await.unwrap_err();
            assert!(matches!(error, InstrumentError::Unverified { .. }), "{error}");
            assert!(!odd.with(|odd| odd.on));
            load.prepare().await.unwrap();
        }
        load.set_volts(Volts(20.0)).await.unwrap();
        load.input(true).await.unwrap();
        load.measure().await.unwrap();
        // Off behind our back, its reading looks like the dark: it is asked.
        odd.with(|odd| odd.on = false);
        let error = load.measure().await.unwrap_err();
        assert!(error.to_string().contains("`SINK?` with `HALT`, so it is off"), "{error}");
    });
}

#[test]
fn what_it_was_doing_is_told_before_it_is_made_safe() {
    run_virtually(async {
        let (odd, _, desk, setup) = odd_bench();
        odd.with(|odd| (odd.on, odd.millivolts) = (true, 30_000.0));
        let mut bench = Bench::new(setup);
        let answer = bench.carry_out(Command::Prepare).await.unwrap();
        let found = Found { input_on: Some(true), load: Some(Volts(30.0)), amps: Some(Amps(1.0)) };
        assert_eq!(answer, Answer::Prepared(found));
        assert!(!odd.with(|odd| odd.on));
        // It was looked at before anything was set.
        let order = desk.with(|desk| desk.handled.clone());
        let place = |word: &str| order.iter().position(|it| it == word).unwrap();
        assert!(place("SINK?") < place("READ?") && place("READ?") < place("SINK HALT"));
        let answer = bench.carry_out(Command::Prepare).await.unwrap();
        assert_eq!(
            answer,
            Answer::Prepared(Found { input_on: Some(false), load: None, amps: None })
        );
    });
}

#[test]
fn the_boost_goes_off_though_the_load_is_gone() {
    run_virtually(async {
        let (_, boost, desk, setup) = odd_bench();
        let mut bench = Bench::new(setup);
        bench.carry_out(Command::Prepare).await.unwrap();
        bench.carry_out(Command::BoostOn).await.unwrap();
        desk.with(|desk| {
            desk.refused_until += Duration::from_secs(3600);
            desk.cuts += 1;
        });
        assert!(bench.carry_out(Command::InputOff).await.is_err());
        assert!(boost.with(|odd| odd.on));
        bench.carry_out(Command::BoostOff).await.unwrap();
        assert!(!boost.with(|odd| odd.on));
    });
}
