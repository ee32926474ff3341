//! The virtual instruments' front ends, message by message. Section numbers from memory.

#![allow(clippy::unwrap_used, reason = "a helper that fails is a test that fails")]

use cresthold_sim::quantities::{Ohms, Volts};
use cresthold_sim::wire::instrument::{Instrument, VirtualLoad, VirtualSupply};
use cresthold_sim::wire::resistive::{OpenSupply, ResistiveBench};
use proptest::prelude::*;
use std::time::Duration;

/// 40 V behind 2 ohm.
fn load() -> VirtualLoad {
    VirtualLoad::load("Test Yard,VL-1,0001,1.0", Box::new(bench()))
}

fn bench() -> ResistiveBench {
    ResistiveBench::new(Volts(40.0), Ohms(2.0))
}

fn supply() -> VirtualSupply {
    VirtualSupply::supply("Test Yard,VS-1,0002,1.0", Box::new(OpenSupply::default()))
}

/// The reply without its newline; empty where there is none.
fn say(instrument: &mut dyn Instrument, message: &str) -> String {
    let mut reply = Vec::new();
    instrument.handle(message.as_bytes(), &mut reply);
    let text = String::from_utf8(reply).unwrap();
    if text.is_empty() { text } else { text.strip_suffix('\n').unwrap().to_owned() }
}

#[test]
fn a_load_is_prepared_and_measured() {
    let mut load = load();
    assert_eq!(say(&mut load, "*IDN?"), "Test Yard,VL-1,0001,1.0");
    assert_eq!(say(&mut load, "FUNC:MODE VOLT;:FUNC?"), "VOLT");
    assert_eq!(say(&mut load, "CURR:PROT 8.5;PROT?"), "8.5000");
    assert_eq!(say(&mut load, "SOUR:VOLT 30 V;:VOLT?"), "30.0000");
    assert_eq!(say(&mut load, "INP ON;INP?;*OPC?"), "1;1");
    // (40 V - 30 V) / 2 ohm = 5 A.
    assert_eq!(say(&mut load, "MEAS:VOLT?;CURR?"), "30.000000;5.000000");
    assert_eq!(say(&mut load, "VOLT 3.5E4MV;VOLT?;:MEAS:CURR?"), "35.0000;2.500000");
    assert_eq!(say(&mut load, "INP OFF;INP?;:MEAS:VOLT?;CURR?"), "0;40.000000;0.000000");
    assert_eq!(say(&mut load, "SYST:ERR?"), "0,\"No error\"");
}

#[test]
fn a_supply_is_set_and_measured() {
    let mut supply = supply();
    assert_eq!(say(&mut supply, "VOLT 4.5;CURR 12;VOLT?;CURR?"), "4.5000;12.0000");
    assert_eq!(say(&mut supply, "OUTP ON;OUTP:STAT?"), "1");
    assert_eq!(say(&mut supply, "MEAS:VOLT?;CURR?"), "4.500000;0.000000");
    assert_eq!(say(&mut supply, "*RST;OUTP?;VOLT?"), "0;0.0000");
}

#[test]
fn what_is_wrong_lands_in_the_queue() {
    let mut load = load();
    for (message, error) in [
        ("VOLT 151", "-222,\"Data out of range\""),
        ("VOLT -1", "-222,\"Data out of range\""),
        ("VOLT INF", "-222,\"Data out of range\""),
        ("VOLTS 5", "-113,\"Undefined header\""),
        ("VOLT2 5", "-114,\"Header suffix out of range\""),
        ("*FOO", "-113,\"Undefined header\""),
        ("MEAS:VOLT", "-113,\"Undefined header\""),
        ("VOLT", "-109,\"Missing parameter\""),
        ("VOLT 1,2", "-108,\"Parameter not allowed\""),
        ("VOLT? 3", "-224,\"Illegal parameter value\""),
        ("*CLS 1", "-108,\"Parameter not allowed\""),
        ("VOLT 'x'", "-104,\"Data type error\""),
        ("VOLT 5 A", "-131,\"Invalid suffix\""),
        ("FUNC FISH", "-141,\"Invalid character data\""),
        ("*ESE 256", "-222,\"Data out of range\""),
        ("FUNC VOLT;:INP ON;:FUNC CURR", "-221,\"Settings conflict\""),
    ] {
        assert_eq!(say(&mut load, message), "", "{message}");
        assert_eq!(say(&mut load, "SYST:ERR?"), error, "{message}");
        assert_eq!(say(&mut load, "SYST:ERR:NEXT?"), "0,\"No error\"");
    }
    // An error stops the message; what was answered before it is still sent.
    assert_eq!(say(&mut load, "*RST;VOLT 20;VOLT?;VOLT 999;VOLT 30"), "20.0000");
    assert_eq!(say(&mut load, "VOLT?"), "20.0000");
}

#[test]
fn the_queue_is_bounded_and_says_so() {
    let mut load = load();
    (0..40).for_each(|_| drop(say(&mut load, "FISH")));
    let errors: Vec<_> = (0..17).map(|_| say(&mut load, "SYST:ERR?")).collect();
    // SCPI-1999 volume 2, 21.8.1: the last place holds -350.
    assert_eq!(errors[14], "-113,\"Undefined header\"");
    assert_eq!(errors[15], "-350,\"Queue overflow\"");
    assert_eq!(errors[16], "0,\"No error\"");
}

#[test]
fn registers_follow_ieee_488_2_chapter_11() {
    let mut load = load();
    assert_eq!(say(&mut load, "*ESR?"), "128"); // power on
    assert_eq!(say(&mut load, "*ESR?"), "0"); // reading clears
    say(&mut load, "FISH");
    say(&mut load, "VOLT 999");
    say(&mut load, "*OPC");
    assert_eq!(say(&mut load, "*ESE 32;*ESE?"), "32");
    assert_eq!(say(&mut load, "*STB?"), "36"); // events and errors
    assert_eq!(say(&mut load, "*SRE 32;*SRE?;*STB?"), "32;116"); // with message and summary
    assert_eq!(say(&mut load, "*ESR?"), "49"); // command, execution, operation complete
    assert_eq!(say(&mut load, "*CLS;*STB?"), "0");
    assert_eq!(say(&mut load, "*TST?;*WAI;*OPC?"), "0;1");
    load.overrun();
    assert_eq!(say(&mut load, "SYST:ERR:COUN?"), "1");
    assert_eq!(say(&mut load, "SYST:ERR?"), "-363,\"Input buffer overrun\"");
    assert_eq!(say(&mut load, "SYST:VERS?"), "1999.0");
}

#[test]
fn limits_can_be_asked_for_and_named() {
    let mut load = load();
    assert_eq!(say(&mut load, "VOLT? MAX;VOLT? MIN"), "150.0000;0.0000");
    assert_eq!(say(&mut load, "VOLT MIN;VOLT?"), "0.0000");
    assert_eq!(say(&mut load, "CURR:PROT MAX;PROT?"), "30.0000");
}

#[test]
fn a_load_left_in_constant_current_draws_nothing() {
    let mut load = load();
    assert_eq!(say(&mut load, "FUNC?;:VOLT 30;INP ON;INP?;:MEAS:CURR?"), "CURR;1;0.000000");
}

#[test]
fn one_message_measures_once_and_says_how_long() {
    let mut bench = bench();
    bench.takes = Duration::from_millis(20);
    let mut load = VirtualLoad::load("Test Yard,VL-1,0001,1.0", Box::new(bench));
    let mut reply = Vec::new();
    let setting = load.handle(b"VOLT 30", &mut reply);
    let measuring = load.handle(b"MEAS:VOLT?;CURR?", &mut reply);
    assert_eq!(measuring - setting, Duration::from_millis(20));
}

proptest! {
    #[test]
    fn no_message_panics(message in prop::collection::vec(any::<u8>(), 0..60), known in 0_usize..4) {
        let mut load = load();
        let start = ["", "VOLT ", "MEAS:VOLT?;", "*ESE "][known];
        let mut text = start.as_bytes().to_vec();
        text.extend(message.iter().filter(|byte| **byte != b'\n'));
        let mut reply = Vec::new();
        load.handle(&text, &mut reply);
        prop_assert!(reply.is_empty() || reply.ends_with(b"\n"));
        prop_assert_eq!(reply.iter().filter(|byte| **byte == b'\n').count(), usize::from(!reply.is_empty()));
    }
}

#[test]
fn a_meter_answers_what_it_is_asked() {
    use cresthold_sim::wire::instrument::{MeterFunction, VirtualMeter};
    let mut meter = VirtualMeter::meter("Test Yard,VM-1,0003,1.0", |what| match what {
        MeterFunction::Volts => Some(6.902e-3),
        MeterFunction::Ohms => Some(123.2419),
        MeterFunction::Temperature => None,
    });
    assert_eq!(say(&mut meter, "*IDN?"), "Test Yard,VM-1,0003,1.0");
    assert_eq!(say(&mut meter, "MEAS:VOLT?"), "0.0069020");
    assert_eq!(say(&mut meter, "MEASure:SCALar:FRESistance?"), "123.2419000");
    assert_eq!(say(&mut meter, "MEAS:TEMP?"), "");
    assert_eq!(say(&mut meter, "SYST:ERR?"), "-240,\"Hardware error\"");
    assert_eq!(say(&mut meter, "MEAS:VOLT 3"), "");
    assert_eq!(say(&mut meter, "SYST:ERR?"), "-113,\"Undefined header\"");
    // No number, as SCPI-1999 writes it.
    let mut broken = VirtualMeter::meter("Test Yard,VM-1,0003,1.0", |_| Some(f64::NAN));
    assert_eq!(say(&mut broken, "MEAS:RES?"), "9.91E+37");
}
