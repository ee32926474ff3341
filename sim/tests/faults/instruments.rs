//! Faults of loads and boost supplies.

use super::*;

#[test]
fn a_load_trips_and_tells_why() {
    on_both(Yard::load, |mut yard| {
        let mut client = yard.connect();
        client.say("FUNC VOLT;:VOLT 30;:INP ON");
        assert_eq!(client.ask("MEAS:CURR?"), "5.000000");
        yard.begin(What::Tripped, for_a_while());
        assert_eq!(client.ask("INP?;:MEAS:CURR?"), "0;0.000000");
        assert_eq!(client.ask("SYST:ERR?"), "-300,\"Device-specific error\"");
        client.say("INP ON");
        assert_eq!(client.ask("INP?"), "0", "the cause is still there");
        assert_eq!(client.ask("SYST:ERR?"), "-240,\"Hardware error\"");
        yard.end();
        assert_eq!(client.ask("INP?"), "0", "nobody switched it on");
        assert_eq!(client.ask("INP ON;INP?;:MEAS:CURR?"), "1;5.000000");
    });
}

#[test]
fn a_load_that_trips_once_can_be_switched_on_again() {
    let mut yard = Yard::load(false);
    let mut client = yard.connect();
    client.say("FUNC VOLT;:VOLT 30;:INP ON");
    assert_eq!(client.ask("INP?"), "1");
    yard.begin(What::Tripped, Lasting::Once);
    assert_eq!(client.ask("INP?"), "0");
    assert_eq!(client.ask("INP ON;INP?"), "1");
}

#[test]
fn a_boost_supply_collapses_while_its_output_is_on() {
    on_both(Yard::supply, |mut yard| {
        let mut client = yard.connect();
        assert_eq!(client.ask("VOLT 6;CURR 20;:OUTP ON;:MEAS:VOLT?"), "6.000000");
        yard.begin(What::Collapsed, for_a_while());
        assert_eq!(client.ask("OUTP?;:VOLT?;:MEAS:VOLT?"), "1;6.0000;0.000000");
        yard.end();
        assert_eq!(client.ask("MEAS:VOLT?"), "6.000000");
    });
}

#[test]
fn a_restarted_load_is_silent_and_then_as_after_power_on() {
    on_both(Yard::load, |mut yard| {
        let mut client = yard.connect();
        client.say("*CLS;FUNC VOLT;:VOLT 30;:CURR:PROT 8;:INP ON");
        assert_eq!(client.ask("INP?;*ESR?"), "1;0");
        yard.begin(What::Restarted, for_a_while());
        client.say("INP?");
        assert!(client.is_silent());
        yard.end();
        // PON is bit 7: IEEE 488.2-1992, 11.5.1.1 (from memory).
        assert_eq!(client.ask("*ESR?;:INP?;FUNC?"), "128;0;CURR");
        assert_eq!(client.ask("VOLT?;:CURR:PROT?"), "150.0000;30.0000");
        assert_eq!(client.ask("SYST:ERR?"), "0,\"No error\"");
    });
}

#[test]
fn a_restarted_supply_is_off_at_once() {
    let supply = Held::new(VirtualSupply::supply("S", Box::new(OpenSupply::default())));
    let mut line = supply.clone();
    let mut reply = Vec::new();
    line.handle(b"VOLT 6;:OUTP ON;:OUTP?", &mut reply);
    supply.power(false);
    line.handle(b"OUTP?", &mut reply);
    supply.power(true);
    line.handle(b"OUTP?;VOLT?", &mut reply);
    assert_eq!(reply, b"1\n0;0.0000\n");
}
