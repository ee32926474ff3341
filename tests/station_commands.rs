//! `[commands.NAME]` and the links, senses and ranges that go with them: right and wrong ones.

#![cfg(feature = "field")]
#![allow(clippy::unwrap_used, clippy::panic, reason = "the panic is the report")]

#[path = "links_yard/odd.rs"]
#[allow(dead_code, reason = "only its station is used here")]
mod odd;

use cresthold::instruments::words::{Part, Template, Tripped};
use cresthold::quantities::{Amps, Ohms};
use cresthold::station::{Address, Station};
use odd::ODD_STATION;

/// The odd station with one piece replaced has exactly this problem, on the line of `to`.
#[track_caller]
fn wrong(from: &str, to: &str, key: &str, says: &str) {
    assert!(ODD_STATION.contains(from), "{from} is in the file");
    let text = ODD_STATION.replacen(from, to, 1);
    let error = Station::parse("odd.toml", &text).expect_err("it is wrong");
    let at = ODD_STATION.find(from).unwrap();
    let line = 1 + text[..at].matches('\n').count();
    assert_eq!(error.problems.len(), 1, "{error}");
    assert_eq!((error.problems[0].line, error.problems[0].key.as_str()), (line, key), "{error}");
    assert!(error.problems[0].text.contains(says), "{error}");
}

#[test]
fn a_description_is_read_whole() {
    let station = Station::parse("odd.toml", ODD_STATION).unwrap();
    let channel = &station.channels[0];
    let words = &channel.load.commands;
    assert_eq!(words.set_volts, Template::new("VSET {},1").unwrap().in_units(0.001, 0));
    assert_eq!(words.measure.parts, [Part::Amps, Part::Other, Part::Volts]);
    assert_eq!(words.status.as_ref().unwrap().tripped, Tripped::Word("YES".into()));
    assert_eq!(words.list.as_ref().unwrap().longest, 4);
    assert_eq!(words.clear, "*CLS", "what is not described stays as it is");
    assert_eq!(channel.load.range, Some(Amps(10.0)));
    assert!(channel.remote_sense && channel.control.path.lead == Ohms(0.0));
    assert_eq!(channel.boost.as_ref().unwrap().commands.output_on, "SINK RUN");
}

#[test]
fn messages_that_can_not_be_sent_are_refused() {
    let key = "commands.odd-load.set_protection";
    let from = r#"set_protection = { send = "LIMIT {}", scale = 0.001, decimals = 0 }"#;
    wrong(from, r#"set_protection = "LIMIT""#, key, "it has no {} for the value");
    wrong(from, r#"set_protection = "LIMIT {} {}""#, key, "one {} too many");
    wrong(from, r#"set_protection = "LIMIT {}\nRUN""#, key, r"it holds '\n'");
    wrong(from, r#"set_protection = "LIMIT {} \u00b0""#, key, "one line of printable ASCII");
    wrong(from, "set_protection = 5", key, "a whole number was found where text belongs");
    let key = "commands.odd-load.input_on";
    wrong(r#"input_on = "SINK RUN""#, r#"input_on = "SINK {}""#, key, "one {} too many");
    wrong(r#"input_on = "SINK RUN""#, r#"input_on = "A\r*RST""#, key, r"it holds '\r'");
    let long = format!("input_on = \"{}\"", "A".repeat(300));
    wrong(r#"input_on = "SINK RUN""#, &long, key, "longer than 200 characters");
}

#[test]
fn queries_without_an_answer_are_refused() {
    let says = "a query needs its answer; write { ask = \"FUNC:MODE?\"";
    let from = r#"mode = { ask = "MODE?", answer = "CV" }"#;
    wrong(from, r#"mode = "MODE?""#, "commands.odd-load.mode", says);
    let key = "commands.odd-load.mode.answer";
    wrong(from, r#"mode = { ask = "MODE?" }"#, key, "missing; state the word that it answers");
    let from = r#"clear_trip = "UNTRIP""#;
    let key = "commands.odd-load.status";
    let text = ODD_STATION.replacen(
        r#"status = { ask = "TRIP?", tripped = "YES" }"#,
        r#"status = "TRIP?""#,
        1,
    );
    let error = Station::parse("odd.toml", &text).unwrap_err().to_string();
    assert!(error.contains(key) && error.contains("a query needs its answer"), "{error}");
    assert!(ODD_STATION.contains(from));
    let from = r#"input = { ask = "SINK?", on = "RUN", off = "HALT" }"#;
    let same = r#"input = { ask = "SINK?", on = "RUN", off = "run" }"#;
    wrong(from, same, "commands.odd-load.input.off", "can't mean on and off");
    let from = r#"fields = ["amps", "other", "volts"], volts_scale = 0.001 }
status = { ask = "TRIP?", tripped = "YES" }
clear_trip"#;
    let key = "commands.odd-load.measure.fields";
    let twice = from.replace("\"other\"", "\"amps\"");
    wrong(from, &twice, key, "volts and amps must be in it once each");
    let unit = from.replace("volts_scale = 0.001", "volts_scale = 0");
    wrong(from, &unit, "commands.odd-load.measure.volts_scale", "outside 0.000001..=1000000");
}

#[test]
fn sets_that_do_not_fit_are_refused() {
    let from = "commands = \"odd-load\"";
    let key = "channel[1].load.commands";
    wrong(
        from,
        "commands = \"od-load\"",
        key,
        "there is no [commands.od-load]; did you mean odd-load?",
    );
    wrong(from, "commands = \"odd-supply\"", key, "this set is a supply's; name a load's");
    let key = "commands.odd-load.instrument";
    let text = ODD_STATION.replacen("instrument = \"load\"", "instrument = \"lamp\"", 1);
    let error = Station::parse("odd.toml", &text).unwrap_err();
    assert!(error.problems.iter().any(|it| it.key == key && it.line == 6), "{error}");
    wrong("averaging = {}", "average = {}", "commands.odd-load.average", "did you mean averaging?");
}

#[test]
fn sense_range_and_deadline_are_judged() {
    let remote = "remote_sense = true";
    let both = "remote_sense = true\nlead_ohms = 0.02";
    let says = "the load senses beyond the leads; take this out, or remote_sense";
    let text = ODD_STATION.replacen(remote, both, 1);
    let error = Station::parse("odd.toml", &text).unwrap_err();
    assert!(error.problems.len() == 1 && error.problems[0].text.contains(says), "{error}");
    assert_eq!(error.problems[0].key, "channel[1].lead_ohms");
    let key = "channel[1].load.range_amps";
    wrong("range_amps = 10", "range_amps = 9", key, "is less than current_protection_amps");
    let usb = r#"link = { usbtmc = "/dev/usbtmc-load" }"#;
    let text = ODD_STATION.replacen(r#"link = { tcp = "192.0.2.10:5025" }"#, usb, 1);
    let station = Station::parse("odd.toml", &text).unwrap();
    let path = "/dev/usbtmc-load".into();
    assert_eq!(station.channels[0].load.address, Address::UsbTmc { path });
    let text = text.replacen("range_amps = 10", "range_amps = 10\ndeadline_s = 0.2", 1);
    let error = Station::parse("odd.toml", &text).unwrap_err().to_string();
    assert!(
        error.contains("shorter than a USB-TMC driver can wait; state at least 0.5"),
        "{error}"
    );
}
