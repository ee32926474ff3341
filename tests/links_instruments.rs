//! Operations on the load and the boost supply over real lines.

#![cfg(feature = "field")]
#![allow(clippy::unwrap_used, reason = "a helper that fails is a test that fails")]

mod links_yard;

use cresthold::instruments::link::LinkError;
use cresthold::instruments::words::Template;
use cresthold::instruments::{InstrumentError, Load, Supply, SupplyCommands, SupplySetup};
use cresthold::quantities::{Amps, Volts};
use cresthold_sim::wire::LoadPort as _;
use cresthold_sim::wire::fault::{Fate, Mishap, Spell};
use cresthold_sim::wire::instrument::VirtualSupply;
use cresthold_sim::wire::resistive::OpenSupply;
use cresthold_sim::wire::serve::PtyServer;
use links_yard::{DEADLINE, Server, on_both_lines, run, setup};

#[test]
fn a_load_is_prepared_set_and_measured() {
    on_both_lines(async |server, bench| {
        bench.with(|bench| bench.set_input(true));
        let mut load = server.load().await;
        load.prepare().await.unwrap();
        bench.with(|bench| {
            assert!(!bench.input());
            assert_eq!((bench.volts(), bench.protection()), (Volts(60.0), Amps(8.5)));
        });
        load.set_volts(Volts(30.0)).await.unwrap();
        // Input off: the source's 40 V.
        assert_eq!(load.measure().await.unwrap(), (Volts(40.0), Amps(0.0)));
        load.input(true).await.unwrap();
        // (40 V - 30 V) / 2 ohm = 5 A.
        assert_eq!(load.measure().await.unwrap(), (Volts(30.0), Amps(5.0)));
        load.input(false).await.unwrap();
        assert!(!bench.with(|bench| bench.input()));
        // Prepared again, as after an error.
        load.prepare().await.unwrap();
    });
}

#[test]
fn another_identity_stops_before_anything_is_set() {
    on_both_lines(async |server, bench| {
        bench.with(|bench| bench.set_input(true));
        let mut stated = setup();
        for identity in ["Test Yard,VL-1,0002", ""] {
            stated.identity = identity.to_owned();
            let link = server.load().await.into_link();
            let mut load = Load::new(link, stated.clone());
            let error = load.prepare().await.unwrap_err();
            assert!(matches!(error, InstrumentError::WrongIdentity { .. }), "{error}");
            let text = error.to_string();
            assert!(text.contains("`*IDN?`") && text.contains("VL-1,0001"), "{text}");
            // Untouched: the input is still on, the setpoint where it was.
            assert!(bench.with(|bench| bench.input()));
            assert_eq!(bench.with(|bench| bench.volts()), Volts(150.0));
            load.into_link().close().await;
        }
    });
}

#[test]
fn a_setting_that_is_refused_is_said_so() {
    on_both_lines(async |server, _| {
        let mut beyond = setup();
        beyond.protection = Amps(99.0);
        let mut load = Load::new(server.load().await.into_link(), beyond);
        let error = load.prepare().await.unwrap_err();
        let text = error.to_string();
        assert!(matches!(error, InstrumentError::Unverified { .. }), "{text}");
        assert!(text.contains("`CURR:PROT?` with `30.0000`, but 99 A was set"), "{text}");
        assert!(text.starts_with("load 1 at "), "{text}");
    });
}

#[test]
fn a_command_that_is_refused_is_said_so() {
    on_both_lines(async |server, _| {
        let mut other = setup();
        other.commands.set_volts = Template::new("VOLTS {}").unwrap();
        other.start = Volts(150.0);
        let mut load = Load::new(server.load().await.into_link(), other);
        let error = load.prepare().await.unwrap_err();
        assert!(matches!(error, InstrumentError::Refused { count: 1, .. }), "{error}");
        assert!(error.to_string().contains("-113,\"Undefined header\""), "{error}");
    });
}

#[test]
fn codes_for_no_number_are_no_readings() {
    on_both_lines(async |server, _| {
        let mut load = server.load().await;
        load.prepare().await.unwrap();
        for (reply, word) in [("9.91E37;1.0", "voltage"), ("30.0;9.9E37", "current")] {
            server.control().set_fault(Box::new(move |out: &mut Vec<u8>| {
                *out = format!("{reply}\n").into_bytes();
                Fate::Sent
            }));
            let error = load.measure().await.unwrap_err();
            assert!(matches!(error, InstrumentError::NoReading { .. }), "{error}");
            assert!(error.to_string().contains(word), "{error}");
            // It was an answer: the link is still in step.
            assert!(load.link().in_step() && !error.is_link());
        }
        server.control().clear_fault();
        assert!(load.measure().await.is_ok());
    });
}

#[test]
fn an_answer_that_fits_no_question_puts_the_link_out_of_step() {
    on_both_lines(async |server, _| {
        let mut load = server.load().await;
        load.prepare().await.unwrap();
        server.control().set_fault(Box::new(|out: &mut Vec<u8>| {
            *out = b"VOLT\n".to_vec();
            Fate::Sent
        }));
        let error = load.measure().await.unwrap_err();
        assert!(matches!(error, InstrumentError::Unreadable { .. }) && error.is_link(), "{error}");
        assert!(!load.link().in_step());
        server.control().clear_fault();
        load.prepare().await.unwrap();
    });
}

#[test]
fn a_silent_load_is_named_with_command_and_address() {
    on_both_lines(async |server, _| {
        let mut load = server.load().await;
        load.prepare().await.unwrap();
        server.control().set_fault(Box::new(Spell { mishap: Mishap::Silent, replies: 1 }));
        let error = load.set_volts(Volts(31.0)).await.unwrap_err();
        let text = error.to_string();
        let address = server.settings().to_string();
        assert!(text.starts_with(&format!("load 1: {address}: no answer to `VOLT?`")), "{text}");
        let InstrumentError::Link { source, .. } = &error else { panic!("{error}") };
        assert!(matches!(**source, LinkError::Deadline { .. }));
        load.prepare().await.unwrap();
    });
}

#[test]
fn a_supply_is_prepared_and_switched() {
    run(async {
        let instrument =
            VirtualSupply::supply("Test Yard,VS-1,0002,1.0", Box::new(OpenSupply::default()));
        let server = Server::Pty(PtyServer::start(Box::new(instrument)).unwrap());
        let setup = SupplySetup {
            name: "boost 1".to_owned(),
            identity: "VS-1,0002".to_owned(),
            volts: Volts(4.5),
            limit: Amps(12.0),
            volts_resolution: Volts(0.001),
            amps_resolution: Amps(0.001),
            deadline: DEADLINE,
            commands: SupplyCommands::default(),
        };
        let mut supply = Supply::new(server.load().await.into_link(), setup);
        supply.prepare().await.unwrap();
        assert_eq!(supply.measure().await.unwrap(), (Volts(0.0), Amps(0.0)));
        supply.output(true).await.unwrap();
        assert_eq!(supply.measure().await.unwrap(), (Volts(4.5), Amps(0.0)));
        supply.output(false).await.unwrap();
        supply.into_link().close().await;
    });
}
