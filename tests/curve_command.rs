//! `cresthold curve` as people call it: tables, JSON, pictures, and what it refuses.
#![allow(clippy::unwrap_used, reason = "in tests, also outside #[test] functions")]
#![cfg(feature = "field")]

mod curve_common;

use cresthold::curve::{Point, csv};
use curve_common::{crystalline, exact_points};
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

fn run(arguments: &[&str], directory: &Path) -> Output {
    Command::new(env!("CARGO_BIN_EXE_cresthold"))
        .arg("curve")
        .args(arguments)
        .current_dir(directory)
        .output()
        .unwrap()
}

/// A curve at 850 W/m2 and 45 degC.
fn roof(directory: &Path) -> PathBuf {
    let file = directory.join("roof.csv");
    std::fs::write(&file, csv::write(&exact_points(&crystalline(), 850.0, 45.0, 100).1)).unwrap();
    file
}

#[test]
fn tables_json_and_pictures() {
    let scratch = tempfile::tempdir().unwrap();
    roof(scratch.path());
    let shown = run(&["roof.csv", "--area", "1.64", "--volts-error", "0.05,0.01"], scratch.path());
    let text = String::from_utf8(shown.stdout).unwrap();
    assert!(shown.status.success(), "{}", String::from_utf8_lossy(&shown.stderr));
    for word in ["good curve", "Pmp", "efficiency", "single diode", "well known", "voltage, gain"] {
        assert!(text.contains(word), "{word} is missing:\n{text}");
    }
    assert!(text.lines().all(|line| line.len() <= 120), "{text}");
    let arguments = ["roof.csv", "--json", "--svg", "a.svg", "--png", "a.png", "--csv", "b.csv"];
    let shown = run(&arguments, scratch.path());
    let json: serde_json::Value = serde_json::from_slice(&shown.stdout).unwrap();
    // The device's own crest; the standard's window costs 0.03 % here.
    let truth = exact_points(&crystalline(), 850.0, 45.0, 100).0.crest().watts.0;
    let pmp = json["figures"]["Pmp"]["value"].as_f64().unwrap();
    assert!((pmp / truth - 1.0).abs() < 1e-3, "{pmp} {truth}");
    assert_eq!(json["grade"], "good");
    assert!(json["figures"]["efficiency"]["value"].is_null());
    let svg = std::fs::read_to_string(scratch.path().join("a.svg")).unwrap();
    for word in ["<svg", "current (A)", "power (W)", "residual (mA)", "voltage (V)", "crest"] {
        assert!(svg.contains(word), "{word} is missing");
    }
    let png = std::fs::read(scratch.path().join("a.png")).unwrap();
    assert!(png.starts_with(b"\x89PNG\r\n\x1a\n") && png.len() > 10_000, "{}", png.len());
    let points: Vec<Point> =
        csv::read(&std::fs::read_to_string(scratch.path().join("b.csv")).unwrap()).unwrap();
    assert_eq!(points.len(), 100);
}

#[test]
fn what_a_station_states_becomes_a_budget_and_goes_with_the_points() {
    let scratch = tempfile::tempdir().unwrap();
    roof(scratch.path());
    std::fs::write(scratch.path().join("yard.toml"), cresthold::station::Station::REHEARSAL)
        .unwrap();
    let with = ["roof.csv", "--station", "yard.toml", "--channel", "slope-1"];
    let shown = run(&[&with[..], &["--budget", "Pmp", "--csv", "b.csv"]].concat(), scratch.path());
    let text = String::from_utf8(shown.stdout).unwrap();
    assert!(shown.status.success(), "{}", String::from_utf8_lossy(&shown.stderr));
    println!("{text}");
    let words = [
        "U (95 %)",
        "current, gain",
        "rectangular",
        "of the variance",
        "coverage factor, k",
        "correlation of the errors: Isc and Pmp +0.",
        "efficiency",
        "boost supply, voltage",
    ];
    for word in words {
        assert!(text.contains(word), "{word} is missing:\n{text}");
    }
    assert!(text.lines().all(|line| line.len() <= 132), "{text}");
    // The points carry what is known of them: no station is needed any more.
    let json = |arguments: &[&str]| -> serde_json::Value {
        let shown = run(arguments, scratch.path());
        assert!(shown.status.success(), "{}", String::from_utf8_lossy(&shown.stderr));
        serde_json::from_slice(&shown.stdout).unwrap()
    };
    let (first, again) = (json(&[&with[..], &["--json"]].concat()), json(&["b.csv", "--json"]));
    let of = |json: &serde_json::Value| json["figures"]["Pmp"]["expanded"].as_f64().unwrap();
    assert!((of(&again) / of(&first) - 1.0).abs() < 0.02, "{} {}", of(&first), of(&again));
    let k = first["figures"]["Isc"]["coverage_factor"].as_f64().unwrap();
    assert!((1.6..1.97).contains(&k), "{k}");
    assert!(first["budget"]["correlations"]["Isc-Pmp"].as_f64().unwrap() > 0.5);
    // Nothing known, nothing stated; and nothing to show of it.
    run(&["roof.csv", "--csv", "c.csv"], scratch.path());
    let bare = std::fs::read_to_string(scratch.path().join("c.csv")).unwrap();
    assert!(bare.starts_with("# nothing is stated of the instruments' errors\n"), "{bare}");
    let refused = run(&["roof.csv", "--budget", "Pmp"], scratch.path());
    assert_eq!(refused.status.code(), Some(10));
    let other = ["roof.csv", "--station", "yard.toml", "--channel", "nowhere"];
    assert_eq!(run(&other, scratch.path()).status.code(), Some(3));
}

#[test]
fn correction_to_standard_conditions() {
    let scratch = tempfile::tempdir().unwrap();
    roof(scratch.path());
    // Procedure 2 of 2021 with the device's own coefficients: 270.0 W at 1000 W/m2 and 25 degC.
    let arguments = [
        "roof.csv",
        "--json",
        "--method",
        "narrow",
        "--procedure",
        "2",
        "--correct-to",
        "1000,25",
        "--alpha",
        "0.005658",
        "--beta",
        "-0.1388",
        "--isc-stc",
        "9.43",
        "--voc-stc",
        "38.3",
        "--b1",
        "0.0415",
        "--b2",
        "0.002",
        "--series",
        "0.3",
        "--kappa",
        "0.0012",
    ];
    let shown = run(&arguments, scratch.path());
    assert!(shown.status.success(), "{}", String::from_utf8_lossy(&shown.stderr));
    let json: serde_json::Value = serde_json::from_slice(&shown.stdout).unwrap();
    let pmp = json["figures"]["Pmp"]["value"].as_f64().unwrap();
    assert!((pmp / 270.0 - 1.0).abs() < 3e-3, "{pmp}");
    assert_eq!(json["cell_temperature_degc"], 25.0);
    let shown = run(&["roof.csv", "roof.csv"], scratch.path());
    let text = String::from_utf8(shown.stdout).unwrap();
    assert!(text.starts_with("curve") && text.contains("at least 4"), "{text}");
}

#[test]
fn what_is_refused_has_its_exit_code_and_reason() {
    let scratch = tempfile::tempdir().unwrap();
    let file = roof(scratch.path());
    let text = std::fs::read_to_string(&file).unwrap();
    let write = |name: &str, text: &str| std::fs::write(scratch.path().join(name), text).unwrap();
    write("units.csv", &text.replace("voltage (V)", "voltage (mV)"));
    write("few.csv", &text.lines().take(6).collect::<Vec<_>>().join("\n"));
    write("half.csv", &text.lines().take(60).collect::<Vec<_>>().join("\n"));
    let mut lines: Vec<&str> = text.lines().collect();
    lines.swap(90, 91);
    write("jitter.csv", &lines.join("\n"));
    assert!(run(&["jitter.csv", "--sort"], scratch.path()).status.success());
    for (arguments, code, reason) in [
        (&["jitter.csv"][..], 10, "turns back"),
        (&["units.csv"], 10, "line 1: `voltage` must be in V"),
        (&["few.csv"], 10, "5 points, but at least 10"),
        (&["half.csv"], 10, "sweep across the crest"),
        (&["nothing.csv"], 10, "can't be read"),
        (&["roof.csv", "--correct-to", "1000,25"], 2, "--alpha"),
        (
            &["roof.csv", "--correct-to", "1000,25", "--alpha", "0.005", "--series", "0.3"],
            2,
            "--beta",
        ),
        (&["roof.csv", "--svg", "roof.csv"], 2, "must end in .svg"),
        (&["roof.csv", "roof.csv", "--svg", "a.svg"], 2, "one curve"),
        (&["roof.csv", "--png", "nowhere/a.png"], 6, "can't be written"),
    ] {
        let shown = run(arguments, scratch.path());
        let said = String::from_utf8_lossy(&shown.stderr);
        assert_eq!(shown.status.code(), Some(code), "{arguments:?}: {said}");
        assert!(said.contains(reason), "{arguments:?}: {said}");
        if code != 6 {
            assert!(shown.stdout.is_empty(), "{arguments:?} printed something all the same");
        }
    }
    // The file itself was not harmed.
    assert_eq!(std::fs::read_to_string(file).unwrap(), text);
}

#[test]
fn many_curves_give_a_table_and_coefficients() {
    let scratch = tempfile::tempdir().unwrap();
    let conditions = [(1000.0, 25.0), (900.0, 55.0), (600.0, 40.0), (300.0, 20.0), (800.0, 60.0)];
    let mut names = Vec::new();
    for (g, t) in conditions {
        let name = format!("{g}-{t}.csv");
        let points = exact_points(&crystalline(), g, t, 100).1;
        std::fs::write(scratch.path().join(&name), csv::write(&points)).unwrap();
        names.push(name);
    }
    let names: Vec<&str> = names.iter().map(String::as_str).collect();
    let shown = run(&names, scratch.path());
    let text = String::from_utf8(shown.stdout).unwrap();
    assert!(text.contains("Rsh (ohm)") && text.contains("beta"), "{text}");
    // The device's alpha is 0.005658 A/K.
    let alpha = text.lines().find(|line| line.starts_with("alpha")).unwrap();
    let alpha: f64 = alpha.split_whitespace().nth(1).unwrap().parse().unwrap();
    assert!((alpha / 0.005_658 - 1.0).abs() < 0.05, "{text}");
    let shown = run(&[&names[..], &["--json"]].concat(), scratch.path());
    let json: serde_json::Value = serde_json::from_slice(&shown.stdout).unwrap();
    assert_eq!(json.as_array().unwrap().len(), 5);
}

#[test]
fn the_shipped_curve_is_good() {
    let top = Path::new(env!("CARGO_MANIFEST_DIR"));
    let shown = run(&["deploy/curves/roof-module.csv", "--json"], top);
    let json: serde_json::Value = serde_json::from_slice(&shown.stdout).unwrap();
    assert_eq!(json["grade"], "good", "{json}");
}
