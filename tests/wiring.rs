//! Wiring sheets: drawable for every station, legible, and with the right numbers.
#![cfg(feature = "field")]
#![allow(clippy::unwrap_used, reason = "helpers of tests stand outside the test functions")]

use cresthold::report::wiring::figures::{Expected, ratings};
use cresthold::report::wiring::{drawing, page};
use cresthold::station::Station;
use proptest::prelude::*;
use roxmltree::{Document, ParsingOptions};
use std::path::Path;
use std::process::Command;

const SERIAL: &str = include_str!("../deploy/stations/one-module-serial.toml");
const TCP: &str = include_str!("../deploy/stations/one-module-tcp.toml");

fn top(path: &str) -> std::path::PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join(path)
}

fn station(text: &str) -> Station {
    Station::parse("yard.toml", text).unwrap()
}

/// `text` without the table `[name]`.
fn without(text: &str, name: &str) -> String {
    let (before, rest) = text.split_once(&format!("[{name}]")).unwrap();
    let after = rest.find("\n[").unwrap();
    format!("{before}{}", &rest[after + 1..])
}

fn without_boost(text: &str) -> String {
    // Without a supply nothing can be driven below 0 V.
    without(text, "channel.boost").replace("reverse_allowance_volts = 0.5", "")
}

/// Every kind of channel there is to draw.
fn stations() -> Vec<Station> {
    let sensed = SERIAL.replace("lead_ohms = 0.02", "lead_ohms = 0.0");
    let beam = sensed.replace("tilt_deg = 30.0", "two_axis = true");
    let beam = beam.replace("azimuth_deg = 180.0", "");
    let over = SERIAL.replace("device_volts_max = 48.0", "device_volts_max = 39.0");
    let over = over.replace("load_watts_max = 600.0", "load_watts_max = 520.0");
    let flat = SERIAL.replace("open_circuit_volts_per_kelvin = -0.119", "");
    let long = format!("/dev/serial/by-id/usb-{}-if00-port0", "Adapter_0123456789".repeat(12));
    let mut texts = vec![SERIAL.to_owned(), TCP.to_owned(), without(SERIAL, "channel.rated")];
    texts.extend([without_boost(&beam), sensed, beam, over, flat]);
    texts.push(SERIAL.replace("/dev/serial/by-id/usb-adapter-1", &long));
    texts.push(TCP.replace("SERIAL-NUMBER", &"W".repeat(100)));
    let mut all: Vec<_> = texts.iter().map(|text| station(text)).collect();
    for entry in std::fs::read_dir(top("deploy/stations")).unwrap() {
        all.push(Station::load(&entry.unwrap().path()).unwrap());
    }
    all.push(Station::rehearsal());
    all
}

/// A text of a drawing and the box it takes.
#[derive(Debug)]
struct Lettering {
    text: String,
    left: f64,
    right: f64,
    top: f64,
    bottom: f64,
    base: f64,
}

/// Mean width of a letter of common sans-serif faces (sizes of the face), and with bold letters.
const MEAN: f64 = 0.54;
const MEAN_BOLD: f64 = 0.58;

fn lettering(svg: &str) -> Vec<Lettering> {
    let document = Document::parse(svg).unwrap();
    let texts = document.descendants().filter(|node| node.has_tag_name("text"));
    texts
        .map(|node| {
            let number = |name| node.attribute(name).unwrap().parse::<f64>().unwrap();
            let text = node.text().unwrap().to_owned();
            let (x, base, size) = (number("x"), number("y"), number("font-size"));
            let mean = if node.attribute("font-weight").is_some() { MEAN_BOLD } else { MEAN };
            let width = text.chars().count() as f64 * mean * size;
            let left = match node.attribute("text-anchor").unwrap() {
                "start" => x,
                "middle" => x - width / 2.0,
                _ => x - width,
            };
            // Capitals rise 0.73 above the base line, tails reach 0.21 below it.
            let (top, bottom) = (base - 0.73 * size, base + 0.21 * size);
            Lettering { text, left, right: left + width, top, bottom, base }
        })
        .collect()
}

fn legible(svg: &str) {
    let all = lettering(svg);
    for (index, one) in all.iter().enumerate() {
        assert!(one.left >= 0.0 && one.right <= 1120.0, "beyond the sheet: {one:?}");
        assert!(one.top >= 0.0 && one.bottom <= 792.0, "beyond the sheet: {one:?}");
        for other in &all[index + 1..] {
            let apart = one.right <= other.left || other.right <= one.left;
            let stacked = one.bottom <= other.top || other.bottom <= one.top;
            assert!(apart || stacked, "one on the other:\n{one:?}\n{other:?}");
        }
    }
    for bad in ["NaN", "inf ", "-0.00"] {
        assert!(!all.iter().any(|one| one.text.contains(bad)), "{bad}");
    }
}

/// The cells right of a label, in the table that it stands in.
fn row(svg: &str, label: &str) -> Vec<String> {
    let all = lettering(svg);
    let head = all.iter().find(|one| one.text == label).expect(label);
    let same = |one: &&Lettering| (one.base - head.base).abs() < 0.01 && one.left > head.left;
    let end = if head.left < 600.0 { 700.0 } else { 1120.0 };
    all.iter().filter(same).filter(|one| one.right < end).map(|one| one.text.clone()).collect()
}

#[test]
fn every_station_can_be_drawn_and_read() {
    for station in stations() {
        for channel in &station.channels {
            let svg = drawing(&station, channel);
            legible(&svg);
            let words: Vec<_> = lettering(&svg).into_iter().map(|one| one.text).collect();
            let words = words.join(" ");
            for caution in [
                "Live whenever it is lit",
                "DC arcs don't go out by themselves",
                "Hot load",
                "Local electrical codes and licensed practice rule",
            ] {
                assert!(words.contains(caution), "no {caution}");
            }
            let boosted = channel.boost.is_some();
            assert_eq!(words.contains("Boost polarity"), boosted);
            assert_eq!(words.contains("No boost supply"), !boosted);
        }
        let options = ParsingOptions { allow_dtd: true, ..ParsingOptions::default() };
        let html = page(&station);
        let document = Document::parse_with_options(&html, options).unwrap();
        let sheets = document.descendants().filter(|node| node.has_tag_name("title"));
        assert_eq!(sheets.count(), 1 + station.channels.len());
        // Nothing is fetched from elsewhere.
        for node in document.descendants() {
            assert!(!node.has_attribute("src"));
            assert!(node.attribute("href").is_none_or(|link| link.starts_with('#')));
        }
    }
}

/// Worked by hand: V_load = V_dev + V_b - I R (Kirchhoff), with 6 V and 0.02 ohm.
#[test]
fn the_numbers_are_those_of_the_series_path() {
    let text = SERIAL
        .replace("open_circuit_volts = 38.3", "open_circuit_volts = 45.0")
        .replace("short_circuit_amps = 9.3", "short_circuit_amps = 9.4")
        .replace("crest_volts = 31.1", "crest_volts = 37.0")
        .replace("crest_amps = 8.69", "crest_amps = 8.9")
        .replace("per_kelvin = -0.119", "per_kelvin = -0.13");
    let station = station(&text);
    let channel = &station.channels[0];
    let svg = drawing(&station, channel);
    // Open circuit, crest, short circuit; open at -20 degC: 45 + 0.13 * 45 = 50.85 V; short at
    // 1500 W/m2: 1.5 * 9.4 = 14.1 A.
    let expected = [
        ("1 to 2: device", ["45.00 V", "37.00 V", "0.00 V", "50.85 V", "0.00 V"]),
        ("3 to 4: boost supply", ["6.00 V"; 5]),
        // 8.9 * 0.02 = 0.178; 9.4 * 0.02 = 0.188; 14.1 * 0.02 = 0.282.
        ("leads, fuse, disconnect lose", ["0.00 V", "0.18 V", "0.19 V", "0.00 V", "0.28 V"]),
        ("5 to 6: load", ["51.00 V", "42.82 V", "5.81 V", "56.85 V", "5.72 V"]),
        ("current I", ["0.00 A", "8.90 A", "9.40 A", "0.00 A", "14.10 A"]),
        // 42.822 * 8.9 = 381.1; 5.812 * 9.4 = 54.6; 5.718 * 14.1 = 80.6.
        ("heat of the load", ["0 W", "381 W", "55 W", "0 W", "81 W"]),
        // 2 V for 20 A: a tenth of a volt per ampere.
        ("the load needs 5 to 6 at least", ["0.00 V", "0.89 V", "0.94 V", "0.00 V", "1.41 V"]),
    ];
    for (label, cells) in expected {
        assert_eq!(row(&svg, label), cells, "{label}");
    }
    assert_eq!(row(&svg, "device, open"), ["50.9 V", "48.0 V", "OVER"]);
    assert_eq!(row(&svg, "load, open"), ["56.9 V", "80.0 V", "fits"]);
    assert_eq!(row(&svg, "boost supply's rating"), ["14.10 A", "20.00 A", "fits"]);
    // 1.5 * 8.9 = 13.35 A; (37 + 6 - 0.267) * 13.35 = 570.5 W.
    assert_eq!(row(&svg, "load's heat, crest and bright"), ["570 W", "600 W", "fits"]);
    let all: Vec<_> = lettering(&svg).into_iter().map(|one| one.text).collect();
    let all = all.join(" ");
    assert!(all.contains("OVER: choose other parts, or correct device_volts_max."), "{all}");
    // 45 + 6 with the supply the right way round, 45 - 6 with it reversed.
    assert!(
        all.contains(
            "6.0 V more than 1 to 2 (51.0 V at 1000 W/m\u{b2}). Less (39.0 V) means reversed"
        ),
        "{all}"
    );
    assert!(all.contains("56.9 V and 14.1 A DC or more"), "{all}");
    let expected = Expected::of(channel).unwrap();
    assert!(expected.short.reached() && expected.bright_short.reached());
    assert_eq!(ratings(channel, Some(&expected)).iter().filter(|one| !one.fits).count(), 1);
}

#[test]
fn without_a_boost_supply_the_sheet_says_what_is_not_reached() {
    let station = station(&without_boost(SERIAL));
    let svg = drawing(&station, &station.channels[0]);
    let texts: Vec<_> = lettering(&svg).into_iter().map(|one| one.text).collect();
    assert!(
        texts.iter().any(|text| text == "Not reached by the load: short circuit; short, bright.")
    );
    assert!(!texts.iter().any(|text| text.starts_with("3 to 4")));
}

#[test]
fn the_sheet_shows_a_channels_sensors_and_what_its_links_are() {
    let text = include_str!("../deploy/stations/modules-with-sensors.toml");
    let station = station(text);
    let words = |index: usize| {
        let svg = drawing(&station, &station.channels[index]);
        legible(&svg);
        lettering(&svg).into_iter().map(|one| one.text).collect::<Vec<_>>().join(" ")
    };
    let first = words(0);
    assert!(first.contains("irradiance in this plane"), "{first}");
    assert!(first.contains("temperature at the back"), "{first}");
    assert!(
        first.contains("plane-1 (plane- irradiance)")
            || first.contains("plane-1 (plane-irradiance)"),
        "{first}"
    );
    assert!(first.contains("Modbus TCP 192.0.2.20:502, unit 1"), "{first}");
    assert!(first.contains("held by channel cell"), "{first}");
    let own = Station::load(&top("deploy/stations/one-module-own-words.toml")).unwrap();
    let svg = drawing(&own, &own.channels[0]);
    let all: Vec<_> = lettering(&svg).into_iter().map(|one| one.text).collect();
    let all = all.join(" ");
    assert!(all.contains("USB-TMC /dev/") && all.contains("TCP 192.0.2.11:5025"), "{all}");
}

#[test]
fn without_a_data_sheet_the_sheet_names_the_keys() {
    let station = station(&without(SERIAL, "channel.rated"));
    let channel = &station.channels[0];
    assert_eq!(Expected::of(channel), None);
    let svg = drawing(&station, channel);
    let texts: Vec<_> = lettering(&svg).into_iter().map(|one| one.text).collect();
    let all = texts.join(" ");
    for key in ["[channel.rated]", "open_circuit_volts", "short_circuit_amps", "crest_volts"] {
        assert!(all.contains(key), "{key}");
    }
    assert_eq!(row(&svg, "device, open"), ["\u{2013}", "48.0 V"]);
}

#[test]
fn the_picture_in_the_readme_is_what_the_program_draws() {
    let station = station(TCP);
    let kept = std::fs::read_to_string(top("deploy/pictures/module-1-wiring.svg")).unwrap();
    assert!(
        kept == drawing(&station, &station.channels[0]),
        "draw it again: cargo run -- wiring deploy/stations/one-module-tcp.toml --svg deploy/pictures"
    );
    let readme = std::fs::read_to_string(top("README.md")).unwrap();
    assert!(readme.contains("(deploy/pictures/module-1-wiring.svg)"));
}

#[test]
fn the_command_writes_beside_the_station_file_and_tells_its_errors_apart() {
    let folder = tempfile::tempdir().unwrap();
    let run = |arguments: &[&str]| {
        let mut command = Command::new(env!("CARGO_BIN_EXE_cresthold"));
        let command = command.arg("wiring").args(arguments).current_dir(folder.path());
        let output = command.output().unwrap();
        (output.status.code(), String::from_utf8(output.stdout).unwrap())
    };
    let read = |name: &str| std::fs::read_to_string(folder.path().join(name)).unwrap();
    std::fs::write(folder.path().join("roof.toml"), TCP).unwrap();
    assert_eq!(run(&["roof.toml"]), (Some(0), "roof-wiring.html\n".to_owned()));
    assert_eq!(read("roof-wiring.html"), page(&station(TCP)));
    assert_eq!(run(&[]).0, Some(0));
    assert_eq!(read("cresthold-rehearsal-wiring.html"), page(&Station::rehearsal()));
    assert_eq!(run(&["--svg", "a/b"]).0, Some(0));
    for name in ["slope-1", "slope-2", "mast-1"] {
        assert!(read(&format!("a/b/{name}-wiring.svg")).starts_with("<svg "));
    }
    assert_eq!(run(&["roof.toml", "--out", "wall.html"]), (Some(0), "wall.html\n".to_owned()));
    // A slip of the hand overwrites nothing.
    assert_eq!(run(&["--out", "roof.toml"]).0, Some(2));
    assert_eq!(read("roof.toml"), TCP);
    assert_eq!(run(&["nowhere.toml"]).0, Some(3));
    assert_eq!(run(&["--svg", "roof.toml"]).0, Some(6));
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 64, failure_persistence: None, ..ProptestConfig::default() })]
    /// Whatever people call things, the sheet is well-formed, and nothing covers anything.
    #[test]
    fn any_names_can_be_drawn(name in "[ -~\u{e4}\u{3b1}\u{65e5}&<>]{1,60}", identity in "[!-~]{1,200}") {
        prop_assume!(!name.trim().is_empty());
        let text = TCP
            .replace("One module, network", &escaped(&name))
            .replace("LOAD-SERIAL-NUMBER", &escaped(&identity));
        let station = station(&text);
        legible(&drawing(&station, &station.channels[0]));
        let options = ParsingOptions { allow_dtd: true, ..ParsingOptions::default() };
        Document::parse_with_options(&page(&station), options).unwrap();
    }
}

/// As it may stand in a TOML string.
fn escaped(text: &str) -> String {
    text.replace('\\', "\\\\").replace('"', "\\\"")
}
