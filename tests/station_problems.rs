//! Station files that are wrong: every kind of problem, at its line, under its key.

#![allow(clippy::panic, reason = "helpers of tests; the panic is the report")]

use cresthold::control::SweepBy;
use cresthold::station::Station;
use proptest::prelude::*;

/// The rehearsal file with one piece replaced.
fn changed(from: &str, to: &str) -> String {
    assert!(Station::REHEARSAL.contains(from), "{from} is in the file");
    Station::REHEARSAL.replacen(from, to, 1)
}

fn line_of(text: &str, piece: &str) -> usize {
    let at = text.find(piece).unwrap_or_else(|| panic!("{piece} is in the text"));
    1 + text[..at].matches('\n').count()
}

/// `text` has exactly one problem: on the first line that has `piece`, under `key`, with `says`.
#[track_caller]
fn one_problem(text: &str, piece: &str, key: &str, says: &str) {
    problem_at(text, line_of(text, piece), key, says);
}

#[track_caller]
fn problem_at(text: &str, line: usize, key: &str, says: &str) {
    let error = Station::parse("yard.toml", text).expect_err("it is wrong");
    assert_eq!(error.problems.len(), 1, "{error}");
    let problem = &error.problems[0];
    assert_eq!(problem.key, key, "{error}");
    assert_eq!(problem.line, line, "{error}");
    assert!(problem.text.contains(says), "{error}");
}

/// The same, after one replacement, at the replacement's last line.
#[track_caller]
fn wrong(from: &str, to: &str, key: &str, says: &str) {
    let start = line_of(Station::REHEARSAL, from);
    problem_at(&changed(from, to), start + to.trim_end().matches('\n').count(), key, says);
}

#[test]
fn the_sentence_is_whole() {
    let text = changed("device_volts_max = 48.0", "device_volts_max = 700");
    let error = Station::parse("yard.toml", &text).unwrap_err();
    let line = line_of(&text, "device_volts_max = 700");
    let expected = format!(
        "yard.toml:{line}: channel[1].envelope.device_volts_max: 700 V is outside 1..=600 V; \
         state the largest open-circuit voltage plus a margin"
    );
    assert_eq!(error.to_string(), expected);
}

#[test]
fn unknown_keys_are_told_with_the_nearest() {
    wrong("seed = 1", "sede = 1", "sede", "did you mean seed?");
    wrong("lead_ohms = 0.05", "lead_ohm = 0.05", "channel[2].lead_ohm", "did you mean lead_ohms?");
    let says = "unknown key; known here: elevation, latitude, longitude";
    wrong("[site]", "[site]\ncolour = 1", "site.colour", says);
    wrong("[site]", "[site]\n\"a b\" = 1", "site.\"a b\"", says);
}

#[test]
fn missing_keys_are_told_at_their_table() {
    let text = changed("longitude = 6.944", "# longitude = 6.944");
    one_problem(&text, "[site]", "site.longitude", "missing; state degrees east");
    let text = Station::REHEARSAL.replace("volts = 6.0     #", "#");
    one_problem(&text, "[channel.boost]", "channel[1].boost.volts", "missing; state its output");
    let text = changed("name = \"Larkfell test yard\"", "");
    let key = "name";
    one_problem(&text, "# Larkfell", key, "missing; state the station's name");
}

#[test]
fn missing_tables_are_told_once() {
    let text = "name = \"x\"\n[[channel]]\nname = \"y\"\n";
    let error = Station::parse("x.toml", text).unwrap_err();
    let keys: Vec<_> = error.problems.iter().map(|p| (p.line, p.key.as_str())).collect();
    let expected = [
        (1, "site"),
        (2, "channel[1].lead_ohms"),
        (2, "channel[1].mounting"),
        (2, "channel[1].load"),
        (2, "channel[1].envelope"),
        (2, "channel[1].tracker"),
        (2, "channel[1].daylight.wake_volts"),
    ];
    assert_eq!(keys, expected);
}

#[test]
fn wrong_types_are_told() {
    let number = "was found where a number belongs";
    wrong("latitude = 46.815", "latitude = \"46.815\"", "site.latitude", number);
    wrong("latitude = 46.815", "latitude = 2016-06-15", "site.latitude", "a date or time");
    wrong("seed = 1", "seed = 1.5", "seed", "a number was found where a whole number belongs");
    wrong("name = \"slope-1\"", "name = 1", "channel[1].name", "where text belongs");
    wrong("two_axis = true\n", "two_axis = 1\n", "channel[3].mounting.two_axis", "true or false");
    wrong("mismatch = [1.0, 0.99, 1.0]", "mismatch = 1", "channel[1].mismatch", "list of numbers");
    wrong("[plant]", "[[plant]]", "plant", "a list was found where a table belongs");
    let one =
        "name = \"x\"\nsite = {latitude=0, longitude=0, elevation=0}\n[channel]\nname = \"y\"";
    one_problem(one, "[channel]", "channel", "add at least one [[channel]]");
}

#[test]
fn ranges_are_told_with_their_unit() {
    wrong(
        "elevation = 491.0",
        "elevation = 9001",
        "site.elevation",
        "9001 m is outside -450..=9000 m",
    );
    wrong("period_s = 0.1 ", "period_s = 0.01 ", "control.period_s", "outside 0.02..=60 s");
    wrong("seed = 1", "seed = -1", "seed", "-1 is outside 0..=9223372036854775807");
    wrong("step_volts = 0.6", "step_volts = 51", "channel[2].tracker.step_volts", "0.001..=50 V");
    wrong("times = 6", "times = 0", "channel[1].retry.times", "outside 1..=1000");
    wrong("gain = 0.005 #", "gain = 0.5 #", "channel[1].irradiance.gain", "outside -0.2..=0.2;");
    wrong("wind_mps = 2.0", "wind_mps = 1e300", "plant.wind_mps", "1e300 m/s is outside");
    wrong("[1.0, 0.99, 1.0]", "[1.0, 2.5, 1.0]", "channel[1].mismatch", "2.5 is outside 0..=2");
}

#[test]
fn numbers_that_are_none_are_told() {
    for number in ["nan", "inf", "-inf", "+nan", "1e999"] {
        let to = format!("latitude = {number}");
        let error = Station::parse("yard.toml", &changed("latitude = 46.815", &to)).unwrap_err();
        assert_eq!(error.problems.len(), 1, "{error}");
        assert_eq!(error.problems[0].key, "site.latitude");
        assert!(error.to_string().contains("is no finite number"), "{error}");
    }
}

#[test]
fn crossing_limits_are_told() {
    let envelope = |key: &str| format!("channel[1].envelope.{key}");
    wrong(
        "sleep = 10.0",
        "sleep = 20.0",
        "channel[1].daylight.sleep",
        "must lie below wake (20 W/m2)",
    );
    wrong(
        "amps = 20.0     #",
        "amps = 15.0     #",
        "channel[1].boost.amps",
        "less than device_amps_max",
    );
    let says = "53.9 V is less than device_volts_max plus the boost voltage (48 V + 6 V = 54 V)";
    wrong("load_volts_max = 80.0", "load_volts_max = 53.9", &envelope("load_volts_max"), says);
    wrong("load_watts_max = 650.0", "load_watts_max = 519", &envelope("load_watts_max"), "(520 W)");
    let text = changed("volts = 6.0     #", "volts = 2.0     #").replacen(
        "_volts = 0.5  #",
        "_volts = 2.5  #",
        1,
    );
    let key = envelope("reverse_allowance_volts");
    one_problem(&text, "_volts = 2.5", &key, "2.5 V below zero can't be reached with 2 V of boost");
    wrong("wake_volts = 60.0", "wake_volts = 132", "channel[2].daylight.wake_volts", "never wake");
}

#[test]
fn rhythms_that_do_not_fit_are_told() {
    let says = "sample_every_s (0.05 s) is less than period_s (0.1 s)";
    wrong("sample_every_s = 1.0", "sample_every_s = 0.05", "control.sample_every_s", says);
    let says = "max_gap_s (0.1 s) is not more than period_s (0.1 s)";
    wrong("max_gap_s = 5.0", "max_gap_s = 0.1", "control.max_gap_s", says);
    // 5 x 16 ms + 20 ms + 5 ms = 105 ms, more than the period of [control].
    let text = changed("settling_s = 0.015", "settling_s = 0.016");
    let says =
        "0.1 s is too short for channel[1].load: 5 x settling_s + window_s + latency_s = 0.105 s";
    one_problem(&text, "period_s = 0.1 ", "control.period_s", says);
    // The channel's own period is told at the channel.
    let own = "lead_ohms = 0.05\nperiod_s = 0.09";
    let text = changed("lead_ohms = 0.05", own);
    one_problem(&text, "period_s = 0.09", "channel[2].period_s", "state at least 0.1");
    wrong("deadline_s = 0.5 #", "deadline_s = 0.025 #", "channel[1].load.deadline_s", "(0.025 s)");
    wrong(
        "longest_s = 600.0",
        "longest_s = 4.0",
        "channel[1].retry.longest_s",
        "less than first_s",
    );
}

#[test]
fn ratings_that_do_not_fit_are_told() {
    let key = "channel[1].load.current_protection_amps";
    wrong("_amps = 16.0", "_amps = 15.0", key, "15 A is less than device_amps_max (15.5 A)");
    let key = "channel[1].envelope.capability";
    wrong("[2.0, 20.0]] #", "[2.0, 9.0]] #", key, "never sinks device_amps_max (15.5 A)");
    wrong("[[0.0, 0.0], [2.0, 20.0]] #", "[[3.0, 0.0], [2.0, 20.0]] #", key, "point 2 of");
    wrong("[[0.0, 0.0], [2.0, 20.0]] #", "[[0.0], [2.0, 20.0]] #", key, "a point of 1 numbers");
    wrong("[[0.0, 0.0], [2.0, 20.0]] #", "[] #", key, "curve is empty");
    wrong("[[0.0, 0.0], [2.0, 20.0]] #", "[1.0] #", key, "list of numbers");
}

#[test]
fn limits_that_sensors_check_are_told() {
    let envelope = |key: &str| format!("channel[1].envelope.{key}");
    let hot = "device_temperature_max_degc = 95.0";
    let says = "301 degC is outside -40..=300 degC; state the largest back-of-module temperature";
    let key = envelope("device_temperature_max_degc");
    wrong(hot, "device_temperature_max_degc = 301", &key, says);
    let told = |line: &str, key: &str, says: &str| {
        wrong(hot, &format!("{line} #"), &envelope(key), says);
    };
    told("irradiance_max = 10", "irradiance_max", "10 W/m2 is outside 50..=5000 W/m2");
    told("pointing_error_max_deg = 0", "pointing_error_max_deg", "outside 0.01..=90 degrees");
    told("needs_on_sun = 1", "needs_on_sun", "where true or false belongs");
    told("blind_grace_s = -1", "blind_grace_s", "outside 0..=3600 s");
    let key = "load_watts_over_heatsink";
    told("load_watts_over_heatsink = [[300, 40], [600, 70]]", key, "point 2 of the derating");
    told("load_watts_over_heatsink = [[300, 40], [200, 40]]", key, "degC must rise");
    told("load_watts_over_heatsink = [[-1, 40]]", key, "watts at least 0");
    told("load_watts_over_heatsink = []", key, "the derating is empty");
    told("load_watts_over_heatsink = [[300]]", key, "a point of 1 numbers; write [[watts, degC]");
    told("load_watts_over_heatsink = 300", key, "this is no list");
    let both = "load_watts_over_air = [[300, 40]]\nload_watts_over_heatsink = [[300, 40]] #";
    let text = changed(hot, both);
    let says = "derated by load_watts_over_heatsink already";
    one_problem(&text, "load_watts_over_air = [[", &envelope("load_watts_over_air"), says);
    wrong("boost_rise_s = 1.0  ", "boost_rise_s = 31 ", &envelope("boost_rise_s"), "0.05..=30 s");
    let says = "256 is outside 1..=100";
    wrong("follow_readings = 5 ", "follow_readings = 256 ", &envelope("follow_readings"), says);
}

#[test]
fn accuracies_that_do_not_fit_are_told() {
    let gain = "gain_volts = { limits = 0.0005 }";
    let key = "channel[1].load.accuracy.gain_volts";
    wrong(gain, "gain_volts = 0.0005", key, "where a table belongs");
    wrong(gain, "gain_volts = { limits = 0.5 }", &format!("{key}.limits"), "outside 0..=0.1");
    wrong(
        gain,
        "gain_volts = { expanded = 0.001 }",
        &format!("{key}.k"),
        "missing; state the cert",
    );
    wrong(gain, "gain_volts = { limits = 0.001, k = 2 }", &format!("{key}.k"), "unknown key");
    wrong(gain, "gain_volts = {}", key, "write { limits = ... }");
    // What the load's table makes necessary.
    let without = changed("lead_accuracy = { limits = 0.002 } #", "#");
    let channel = "[[channel]]\nname = \"slope-1\"";
    one_problem(&without, channel, "channel[1].lead_accuracy", "missing beside");
    let without = changed("accuracy = { limits = 0.01 } # error of its voltage", "# ");
    one_problem(&without, "[channel.boost]", "channel[1].boost", "missing beside");
    let without = changed("gain = { expanded = 0.016, k = 2 } #", "gain = {} #");
    one_problem(&without, "gain = {} #", "channel[1].irradiance.accuracy.gain", "one of the three");
    // And what says nothing without it.
    let start = Station::REHEARSAL.find("\n[channel.load.accuracy]").unwrap_or(0);
    let end = Station::REHEARSAL[start..].find("[channel.analysis]").unwrap_or(0);
    let mut text = Station::REHEARSAL.to_owned();
    text.replace_range(start..start + end, "\n");
    let error = Station::parse("yard.toml", &text).expect_err("accuracies for nothing").to_string();
    for key in ["lead_accuracy", "analysis", "boost", "irradiance", "module_temperature"] {
        assert!(error.contains(&format!("channel[1].{key}: its accuracy says nothing")), "{error}");
    }
}

#[test]
fn sweeps_that_do_not_fit_are_told() {
    let sweep = |key: &str| format!("channel[1].sweep.{key}");
    wrong("dwell_s = 0.1 ", "dwell_s = 0.05 ", &sweep("dwell_s"), "too short for the load");
    wrong("dwell_s = 0.1 ", "dwell_s = 5.0 ", &sweep("dwell_s"), "not less than max_gap_s (5 s)");
    wrong("points = 100 ", "points = 9 ", &sweep("points"), "outside 10..=2000");
    wrong("direction = \"down\"", "direction = \"dwn\"", &sweep("direction"), "did you mean down?");
    // 100 points at 0.1 s are 10 s; both ways 20 s.
    let every = "[channel.sweep]\nevery_s = 19 ";
    let says = "a sweep takes 10 s, more than half of every_s (19 s)";
    wrong("[channel.sweep]", every, &sweep("every_s"), says);
    let text = changed("[channel.sweep]", "[channel.sweep]\nevery_s = 39 ");
    let text = text.replacen("direction = \"down\"", "direction = \"both\"", 1);
    one_problem(&text, "every_s = 39", &sweep("every_s"), "state at least 40");
    // Nine readings more at 25 ms each are 0.325 s a point.
    let text = changed("[channel.sweep]", "[channel.sweep]\nevery_s = 60 ");
    let text = text.replacen("readings = 1 ", "readings = 10 ", 1);
    one_problem(&text, "every_s = 60", &sweep("every_s"), "a sweep takes 32.5 s");
    wrong("readings = 1 ", "readings = 0 ", &sweep("readings"), "outside 1..=100");
    wrong("by = \"steps\"", "by = \"lists\"", &sweep("by"), "did you mean list?");
    let text = changed("by = \"steps\"", "by = \"list\"");
    let station = Station::parse("yard.toml", &text).expect("a simulated load has a list");
    // 2 s at 0.1 s a point.
    assert_eq!(station.channels[0].control.sweep.by, SweepBy::List(20));
    let text = text.replacen("readings = 1 ", "readings = 4 ", 1);
    one_problem(&text, "readings = 4", &sweep("readings"), "a list has one reading a point, not 4");
}

#[test]
fn conditions_that_nobody_can_check_are_told() {
    let sweep = |key: &str| format!("channel[1].sweep.{key}");
    let from = "[channel.sweep]";
    for key in ["irradiance_min", "steady_percent", "sun_min_degrees"] {
        let says = "says nothing without every_s";
        wrong(from, &format!("{from}\n{key} = 10 "), &sweep(key), says);
    }
    for key in ["irradiance_min", "steady_percent"] {
        let text = changed(from, &format!("{from}\nevery_s = 600.0\n{key} = 10 "));
        assert!(Station::parse("yard.toml", &text).is_ok());
        let text = text.replacen("[channel.irradiance", "[channel.other", 2);
        let error = Station::parse("yard.toml", &text).unwrap_err();
        let told = error.problems.iter().find(|problem| problem.key == sweep(key));
        let told = told.unwrap_or_else(|| panic!("{error}"));
        assert_eq!(told.line, line_of(&text, &format!("{key} = 10")), "{error}");
        assert!(
            told.text.contains("add [channel.irradiance], or take the condition out"),
            "{error}"
        );
    }
    // The same on real instruments, whose sensors are [[sensor]] tables.
    let real = include_str!("../deploy/stations/one-module-own-words.toml");
    let stating = |what: &str| {
        let text = format!("[channel.sweep]\n{what}\n[channel.tracker]");
        real.replacen("[channel.tracker]", &text, 1)
    };
    let text = stating("every_s = 600.0\nsteady_percent = 2");
    let says = "no [[sensor]] gives module-1 its plane-irradiance or direct-irradiance";
    one_problem(&text, "steady_percent", &sweep("steady_percent"), says);
    // And a list wants a load that has one.
    assert!(Station::parse("yard.toml", &stating("by = \"list\"")).is_ok());
    let text = stating("by = \"list\"").replacen("list = {", "# list = {", 1);
    one_problem(&text, "by = \"list\"", &sweep("by"), "the load's words describe no list");
    // Where the sun stands is known at every site, and a station without one is none.
    let text = changed(from, &format!("{from}\nevery_s = 600.0\nsun_min_degrees = 10 "));
    assert!(Station::parse("yard.toml", &text).is_ok());
}

#[test]
fn trackers_are_told() {
    let key = "channel[1].tracker.method";
    let names = "choose one of: hold, fractional-voc, perturb-and-observe, incremental-conductance";
    wrong("method = \"perturb-and-observe\"", "method = \"perturb\"", key, names);
    let to = "method = \"perturb-an-observe\"";
    wrong("method = \"perturb-and-observe\"", to, key, "did you mean perturb-and-observe?");
    let key = "channel[1].tracker.dead_band";
    let says = "perturb-and-observe has no such setting; it has: step_volts";
    wrong("step_volts = 0.2 #", "step_volts = 0.2\ndead_band = 0.1 #", key, says);
}

#[test]
fn settings_of_other_trackers_are_told() {
    let method = "method = \"perturb-and-observe\"\nstep_volts = 0.2 #";
    let tracker = |settings: &str| format!("method = {settings} #");
    let told = |settings: &str, key: &str, says: &str| {
        wrong(method, &tracker(settings), &format!("channel[1].tracker{key}"), says);
    };
    told("\"hold\"\nvolts = 48", ".volts", "48 V is not below device_volts_max (48 V)");
    told("\"hold\"\nshare = 0.96", ".share", "0.96 is outside 0.5..=0.95");
    told("\"hold\"\nvolts = 30\nshare = 0.8", ".share", "either volts or share");
    told("\"fractional-voc\"\nshare = 0.8\nlook_every_s = 0.5", ".look_every_s", "1..=3600 s");
    told(
        "\"fractional-voc\"\nshare = 0.8\nstep_volts = 1",
        ".step_volts",
        "it has: share, look_every_s",
    );
    told(
        "\"variable-step\"\nstep_volts = 0.5\nleast_step_volts = 0.6",
        ".least_step_volts",
        "0.6 V is above step_volts (0.5 V)",
    );
    told("\"crest-line\"\nstep_volts = 1", ".step_volts", "crest-line has no settings");
    told("\"incremental-conductance\"\nstep_volts = 1\ndead_band = 1", ".dead_band", "0..=0.5");
    let text = changed(method, "method = \"hold\" #");
    let says = "hold needs either volts (V) or share";
    one_problem(&text, "[channel.tracker]", "channel[1].tracker.volts", says);
}

#[test]
fn names_are_told() {
    let line = line_of(Station::REHEARSAL, "name = \"slope-1\"");
    let says = format!("\"slope-1\" is the name of another channel too (line {line})");
    wrong("name = \"slope-2\"", "name = \"slope-1\" ", "channel[2].name", &says);
    wrong(
        "name = \"slope-2\"",
        "name = \"slope 2\"",
        "channel[2].name",
        "letters, digits, - and _",
    );
    wrong("name = \"Larkfell test yard\"", "name = \" \"", "name", "the text is empty");
    let long = format!("name = \"{}\"", "x".repeat(61));
    wrong("name = \"Larkfell test yard\"", &long, "name", "1 to 60 characters");
}

#[test]
fn devices_are_told() {
    let says = "choose one of: crystalline-module, thin-film-module, concentrator-receiver";
    wrong("device = \"thin-film-module\"", "device = \"organic\"", "channel[2].device", says);
    wrong("[1.0, 0.99, 1.0]", "[1.0, 0.99]", "channel[1].mismatch", "number of mismatch factors");
    let key = "channel[3].mounting.tilt_deg";
    wrong("two_axis = true\n", "two_axis = true\ntilt_deg = 3\n", key, "has no such number");
}

/// The shipped network example with one piece replaced.
#[track_caller]
fn real_wrong(from: &str, to: &str, key: &str, says: &str) {
    let text = include_str!("../deploy/stations/one-module-tcp.toml");
    let start = line_of(text, from);
    let line = start + to.trim_end().matches('\n').count();
    problem_at(&text.replacen(from, to, 1), line, key, says);
}

#[test]
fn links_are_told() {
    let key = "channel[1].load.link";
    let link = "link = { tcp = \"192.0.2.10:5025\" }";
    real_wrong(link, "link = \"plant\"", key, "there is no [plant] table");
    real_wrong(link, "link = \"usb\"", key, "\"usb\" is no link; write");
    real_wrong(link, "link = 5", key, "this is no link; write");
    real_wrong(link, "link = {}", key, "one of tcp, serial and usbtmc");
    let serial = "link = { serial = \"/dev/ttyS0\", baud = 9600, parity = \"mark\" }";
    let says = "choose one of: none, even, odd";
    real_wrong(link, serial, "channel[1].load.link.parity", says);
    let serial = "link = { serial = \"/dev/ttyS0\" }";
    real_wrong(link, serial, "channel[1].load.link.baud", "missing; state the instrument's speed");
    let serial = "link = { serial = \"/dev/ttyS0\", baud = 9600, data_bits = 9 }";
    real_wrong(link, serial, "channel[1].load.link.data_bits", "9 is outside 7..=8");
    for address in ["192.0.2.10", "192.0.2.10:0", "192.0.2.10:70000", ":5025", "a b:1", "[x]:1"] {
        let to = format!("link = {{ tcp = \"{address}\" }}");
        real_wrong(link, &to, "channel[1].load.link.tcp", "is no address; write host:port");
    }
    let says = "192.0.2.10:5025 is taken by channel[1].load.link";
    real_wrong("192.0.2.11:5025", "192.0.2.10:5025", "channel[1].boost.link", says);
}

/// A missing key is told at its table's header, so the helper above doesn't fit.
#[test]
fn a_real_instrument_needs_an_identity() {
    let text = include_str!("../deploy/stations/one-module-tcp.toml");
    let text = text.replacen("identity = \"SUPPLY-SERIAL-NUMBER\"\n", "", 1);
    let says = "missing; state text that its reply to *IDN? contains";
    one_problem(&text, "[channel.boost]", "channel[1].boost.identity", says);
}

#[test]
fn plant_and_real_instruments_do_not_mix() {
    let to = "link = { tcp = \"192.0.2.10:5025\" }\n";
    let text = changed("link = \"plant\" #", &format!("identity = \"X\"\n{to} #"));
    let error = Station::parse("yard.toml", &text).unwrap_err().to_string();
    let line = line_of(&text, to);
    let says = format!("yard.toml:{line}: channel[1].load.link: a real instrument in a station");
    assert!(error.contains(&says), "{error}");
    let says = "channel[1].load.noise_volts: describes a simulated load, and this one is real";
    assert!(error.contains(says), "{error}");
    let real = "describes a simulated device, and this station has no [plant]";
    real_wrong("name = \"module-1\"", "name = \"m\"\ndevice = \"x\"", "channel[1].device", real);
    let to = "[channel.irradiance]\n\n[channel.tracker]";
    let text = include_str!("../deploy/stations/one-module-tcp.toml");
    let text = text.replacen("[channel.tracker]", to, 1);
    let says = "sensors are read on a plant only";
    one_problem(&text, "[channel.irradiance]", "channel[1].irradiance", says);
}

#[test]
fn a_supply_without_a_link_reports_nothing() {
    let to = "volts = 6.0\nmeasured = true\n#";
    let text = include_str!("../deploy/stations/one-module-serial.toml");
    let text = text.replacen("volts = 6.0", to, 1);
    let asked = text.replacen("measured = true", "identity = \"X\"", 1);
    let key = "channel[1].boost.identity";
    one_problem(&asked, "identity = \"X\"", key, "a supply without a link can't be asked");
    let key = "channel[1].boost.measured";
    one_problem(&text, "measured = true", key, "a supply without a link can't report");
}

#[test]
fn no_channel_is_told() {
    let start = "name = \"x\"\nsite = { latitude = 0, longitude = 0, elevation = 0 }\n";
    one_problem(start, "name", "channel", "missing; add at least one [[channel]]");
    let text = format!("{start}channel = []\n");
    one_problem(&text, "channel", "channel", "there is none; add at least one [[channel]]");
}

#[test]
fn what_is_no_toml_is_told() {
    let error = Station::parse("yard.toml", "name = \"x\"\nseed = \n[site\n").unwrap_err();
    let lines: Vec<_> = error.problems.iter().map(|problem| problem.line).collect();
    assert_eq!(lines, [2, 3], "{error}");
    assert!(error.to_string().starts_with("yard.toml:2: this is no TOML: "), "{error}");
    let error = Station::parse("yard.toml", "seed = 1\nseed = 2\n").unwrap_err();
    assert_eq!((error.problems.len(), error.problems[0].line), (1, 2), "{error}");
}

/// All at once: each of these lines is wrong in its own way, and each is told, in order.
#[test]
fn many_problems_are_told_at_once() {
    let mut text = Station::REHEARSAL.to_owned();
    let changes = [
        ("latitude = 46.815", "latitude = 91", "site.latitude"),
        ("period_s = 0.1 ", "period_s = true ", "control.period_s"),
        ("wind_mps = 2.0", "wind = 2.0", "plant.wind"),
        ("device = \"crystalline-module\"", "device = 7", "channel[1].device"),
        ("tilt_deg = 20.0 ", "tilt_deg = nan ", "channel[1].mounting.tilt_deg"),
        ("amps = 20.0     #", "amps = 2.0     #", "channel[1].boost.amps"),
        ("step_volts = 0.2 #", "step_volts = 99 #", "channel[1].tracker.step_volts"),
        ("sleep = 10.0", "sleep = 30", "channel[1].daylight.sleep"),
        ("name = \"slope-2\"", "name = \"slope-1\"", "channel[2].name"),
        ("dead_band = 0.02", "dead_bandd = 0.02", "channel[2].tracker.dead_bandd"),
        ("two_axis = true\n", "two_axis = 2\n", "channel[3].mounting.two_axis"),
    ];
    let mut expected = vec![];
    for (from, to, key) in changes {
        expected.push((line_of(&text, from), key));
        text = text.replacen(from, to, 1);
    }
    let error = Station::parse("yard.toml", &text).unwrap_err();
    let found: Vec<_> = error.problems.iter().map(|p| (p.line, p.key.as_str())).collect();
    assert_eq!(found, expected, "{error}");
    assert_eq!(error.to_string().lines().count(), expected.len());
}

/// Whatever the text: an answer, and a refusal names at least one line that exists.
fn answers(text: &str) {
    if let Err(error) = Station::parse("yard.toml", text) {
        assert!(!error.problems.is_empty());
        for problem in &error.problems {
            assert!(problem.line >= 1 && problem.line <= 1 + text.matches('\n').count());
            assert!(!problem.text.contains('\n'), "{error}");
            assert!(!problem.text.contains("fault of the program"), "{error}");
        }
    }
}

proptest! {
    #[test]
    fn any_text_is_answered(text in any::<String>()) {
        answers(&text);
    }

    #[test]
    fn any_toml_like_text_is_answered(text in "[a-z\\[\\]{}=,.\"#0-9 \n-]{0,300}") {
        answers(&text);
    }

    /// Pieces of the rehearsal file cut out, doubled or overwritten.
    #[test]
    fn a_damaged_file_is_answered(
        damage in prop::collection::vec((any::<prop::sample::Index>(), 0_usize..30, ".{0,6}"), 1..6)
    ) {
        let mut text: Vec<char> = Station::REHEARSAL.chars().collect();
        for (at, length, instead) in damage {
            let at = at.index(text.len());
            let end = (at + length).min(text.len());
            text.splice(at..end, instead.chars());
        }
        answers(&text.into_iter().collect::<String>());
    }

    /// One value replaced by another of any kind: still TOML, so the reader itself is tried.
    #[test]
    fn a_strange_value_is_answered(
        place in any::<prop::sample::Index>(),
        value in prop::sample::select(vec![
            "0", "-1", "1e308", "-1e-308", "nan", "inf", "true", "\"\"", "\"plant\"", "[]", "[[]]",
            "[[1, 2]]", "[{}]", "{}", "{ tcp = \"a:1\" }", "1979-05-27", "9223372036854775807",
            "0xffffffffffffffff", "99999999999999999999",
        ]),
    ) {
        let lines: Vec<&str> = Station::REHEARSAL.lines().collect();
        let keys: Vec<usize> =
            (0..lines.len()).filter(|i| lines[*i].contains(" = ") && !lines[*i].starts_with('#')).collect();
        let chosen = keys[place.index(keys.len())];
        let (key, _) = lines[chosen].split_once(" = ").unwrap();
        let line = format!("{key} = {value}");
        let mut lines = lines.clone();
        lines[chosen] = &line;
        answers(&lines.join("\n"));
    }
}
