//! `cresthold yield` as its users call it: the numbers of the chain, the same in tables, JSON and CSV.
#![allow(clippy::unwrap_used, reason = "a test: what is not there fails it")]

use serde_json::Value;
use std::process::{Command, Output};

const GREENSBORO: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/data/weather-greensboro.csv");

fn yields(arguments: &[&str]) -> Output {
    let mut command = Command::new(env!("CARGO_BIN_EXE_cresthold"));
    command.arg("yield").args(arguments).output().unwrap()
}

fn json(arguments: &[&str]) -> Value {
    let answer = yields(&[arguments, &["--json"]].concat());
    assert_eq!(answer.status.code(), Some(0), "{}", String::from_utf8_lossy(&answer.stderr));
    serde_json::from_slice(&answer.stdout).unwrap()
}

fn text(bytes: &[u8]) -> String {
    String::from_utf8(bytes.to_vec()).unwrap()
}

fn number(value: &Value) -> f64 {
    value.as_f64().unwrap()
}

/// The module on a fixed plane, 2 % dirt, as pvlib 0.16.1 reckons it (`tests/pvlib/yield_chain.py`): the
/// year's energy within 0.05 %, the bound of the chain's own test. The module is the same by name, by data
/// sheet (pvlib's example of `fit_desoto`, whose result the named one is) and by five parameters; a
/// data sheet fixes it to the digits that it has.
#[test]
fn a_year_is_what_pvlib_makes_of_it() {
    let table = include_str!("data/yield-by-pvlib.csv");
    let row = table.lines().find(|line| line.starts_with("greensboro,south-perez-physical,"));
    let mut columns = table.lines().find(|line| line.starts_with("place,")).unwrap().split(',');
    let place = columns.position(|name| name == "year_wh").unwrap();
    let stated: f64 = row.unwrap().split(',').nth(place).unwrap().parse().unwrap();
    let devices: [&[&str]; 3] = [
        &["--device", "crystalline-module"],
        &["--data-sheet", "isc=9.43,voc=38.3,imp=8.71,vmp=31.0,alpha=0.005658,beta=-0.13788"],
        &["--five", "il=9.45232,i0=3.2246e-10,rs=0.297814,rsh=125.798,a=1.59128,alpha=0.005658"],
    ];
    for device in devices {
        let rest = ["--tilt", "35", "--azimuth", "180", "--soiling", "2", "--draws", "0"];
        let found = json(&[&[GREENSBORO][..], device, &rest].concat());
        let energy = number(&found["total"]["energy_kwh"]) * 1e3;
        println!("{device:?}: {energy:.1} Wh, {:+.5} %", (energy / stated - 1.0) * 100.0);
        assert!((energy / stated - 1.0).abs() < 5e-4, "{energy} against {stated}");
    }
}

#[test]
fn months_losses_hours_and_tables_tell_the_same() {
    let scratch = tempfile::tempdir().unwrap();
    let hours = scratch.path().join("hours.csv");
    let arguments =
        [GREENSBORO, "--tilt", "35", "--tracked", "99.5", "--hours", hours.to_str().unwrap()];
    let found = json(&arguments);
    let total = number(&found["total"]["energy_kwh"]);
    let close = |a: f64, b: f64| (a - b).abs() < 1e-9 * total; // rounding of 8760 sums
    let months = found["months"].as_array().unwrap();
    assert_eq!(months.len(), 12);
    assert!(close(months.iter().map(|month| number(&month["energy_kwh"])).sum(), total));
    assert!(close(total, number(&found["total"]["crest_kwh"]) * 0.995));
    let loss = |name: &str| number(&found["losses"][name]);
    let lost =
        loss("optical_kwh") + loss("low_light_kwh") + loss("warmth_kwh") + loss("tracking_kwh");
    assert!(close(loss("reference_kwh") - lost, loss("delivered_kwh")));
    assert!(close(loss("delivered_kwh"), total));
    let ratio =
        total / (number(&found["rated_w"]) * 1e-3 * number(&found["total"]["plane_kwh_m2"]));
    assert!((ratio - number(&found["total"]["performance_ratio"])).abs() < 1e-12);

    let written = std::fs::read_to_string(&hours).unwrap();
    let last = |line: &str| line.rsplit(',').next().unwrap().parse::<f64>();
    let sum: f64 = written.lines().skip(1).map(|line| last(line).unwrap()).sum();
    assert_eq!(written.lines().count(), 1 + 8760);
    // Each hour is written to 0.1 mW.
    assert!((sum - total * 1e3).abs() < 8760.0 * 1e-4, "{sum} {total}");
    assert!(written.lines().nth(13).unwrap().contains('Z'), "times with zone");

    let table = text(&yields(&arguments).stdout);
    for value in [total, loss("reference_kwh"), -loss("warmth_kwh")] {
        assert!(table.contains(&format!("{value:.1}")), "{value} in\n{table}");
    }
    assert!(table.contains("36.100 degrees north, 79.950 degrees west"), "{table}");
}

/// The draws' variance is the sum of the terms' (the chain is close to linear): 2000 draws know a standard
/// deviation to 1.6 %, and the chain's bend adds less; P50 and P90 are then those of a normal distribution
/// within the same of their distance. Same seed, same bytes.
#[test]
fn the_spread_is_the_sum_of_its_terms() {
    let arguments = [GREENSBORO, "--tilt", "35", "--draws", "2000", "--seed", "7"];
    let found = json(&arguments);
    let spread = &found["spread"];
    let terms = spread["terms"].as_array().unwrap();
    let sum: f64 = terms.iter().map(|term| number(&term[1]).powi(2)).sum();
    let deviation = number(&spread["deviation_kwh"]);
    println!("drawn {deviation:.3} kWh, by terms {:.3} kWh", sum.sqrt());
    assert!((deviation / sum.sqrt() - 1.0).abs() < 0.05);
    let shares: f64 = terms.iter().map(|term| number(&term[2])).sum();
    assert!((shares - 1.0).abs() < 1e-12);
    let level = |wanted: u32| {
        let levels = spread["exceeded_kwh"].as_array().unwrap();
        number(&levels.iter().find(|level| level[0] == f64::from(wanted)).unwrap()[1])
    };
    let stated = number(&spread["stated_kwh"]);
    // Standard errors of a median and of a tenth of 2000: 1.25 and 1.71 deviations over their root.
    assert!((level(50) - stated).abs() < 0.12 * deviation, "{} {stated}", level(50));
    assert!((level(50) - level(90) - 1.2816 * deviation).abs() < 0.15 * deviation);
    let few = |seed| yields(&[GREENSBORO, "--draws", "100", "--seed", seed]).stdout;
    assert_eq!(few("7"), few("7"));
    assert_ne!(few("7"), few("8"));
}

/// Ten years of the same weather but for one that is a tenth darker: they speak for themselves, and tell
/// a deviation from year to year of 0.1/sqrt(10) = 3.16 %, and somewhat more as darker light is more diffuse
/// (Erbs) and a tilted plane sees less of it.
#[test]
fn years_of_weather_speak_for_themselves() {
    let scratch = tempfile::tempdir().unwrap();
    let file = scratch.path().join("ten.csv");
    let mut text = String::from(
        "# latitude: 46.8\n# longitude: 6.9\n# elevation: 491\nstart,global (W/m2),air (degC)\n",
    );
    for year in 2011..=2020 {
        let light = if year == 2013 { 450.0 } else { 500.0 };
        for month in 1..=12 {
            for day in 1..=28 {
                for hour in 0..24 {
                    let light = if (10..14).contains(&hour) { light } else { 0.0 };
                    text.push_str(&format!(
                        "{year}-{month:02}-{day:02}T{hour:02}:00:00Z,{light},15\n"
                    ));
                }
            }
        }
    }
    std::fs::write(&file, &text).unwrap();
    let few = json(&[file.to_str().unwrap(), "--tilt", "35"]);
    // 336 of 365 days are no whole year.
    assert_eq!(few["spread"]["years"], Value::Null);
    let mut whole = text;
    for year in 2011..=2020 {
        for day in 29..=30 {
            for month in [1, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12] {
                for hour in 0..24 {
                    whole.push_str(&format!("{year}-{month:02}-{day}T{hour:02}:00:00Z,0,15\n"));
                }
            }
        }
    }
    std::fs::write(&file, whole).unwrap();
    let found = json(&[file.to_str().unwrap(), "--tilt", "35"]);
    assert_eq!(found["spread"]["years"], 10);
    let stated = json(&[file.to_str().unwrap(), "--tilt", "35", "--doubt-year", "3"]);
    assert_eq!(stated["spread"]["years"], Value::Null, "what is stated counts");
    let year = &found["spread"]["terms"][0];
    let share = number(&year[1]) / number(&found["spread"]["stated_kwh"]);
    println!("year to year {:.3} %", share * 100.0);
    assert!((0.0316..0.037).contains(&share), "{share}");
}

/// Two days second by second: the parts add up, the load's limit is in it, and threads change nothing.
#[test]
fn seconds_are_in_the_balance() {
    let scratch = tempfile::tempdir().unwrap();
    let file = scratch.path().join("two-days.csv");
    let whole = std::fs::read_to_string(GREENSBORO).unwrap();
    let head = whole.lines().take_while(|line| !line.starts_with(|c: char| c.is_ascii_digit()));
    let days = whole.lines().filter(|line| line.contains("-06-11T") || line.contains("-06-12T"));
    std::fs::write(&file, head.chain(days).collect::<Vec<_>>().join("\n")).unwrap();
    let file = file.to_str().unwrap();
    let with = |threads: &str| {
        json(&[file, "--tilt", "35", "--seconds", "--load-watts", "180", "--threads", threads])
    };
    let found = with("1");
    assert_eq!(found, with("2"));
    let loss = |name: &str| number(&found["losses"][name]);
    let lost = ["optical", "low_light", "warmth", "averaging", "limits", "tracking"];
    let lost: f64 = lost.iter().map(|name| loss(&format!("{name}_kwh"))).sum();
    let reference = loss("reference_kwh");
    assert!((reference - lost - loss("delivered_kwh")).abs() < 1e-9 * reference);
    assert!(loss("limits_kwh") > 0.01 * reference, "a load for 180 W under a module of 270 W");
    assert!((0.0..0.01 * reference).contains(&loss("tracking_kwh")), "{found}");
    assert!(loss("averaging_kwh").abs() < 0.02 * reference, "{found}");
    let energy = number(&found["total"]["energy_kwh"]);
    assert!((energy - loss("delivered_kwh")).abs() < 1e-9 * reference);
}

#[test]
fn a_station_s_channel_is_the_device() {
    let yard = concat!(env!("CARGO_MANIFEST_DIR"), "/src/station/rehearsal.toml");
    let found = json(&[GREENSBORO, "--station", yard, "--channel", "slope-1"]);
    assert!(found["assumed"][1][1].as_str().unwrap().starts_with("fixed, tilt"), "{found}");
    // The yard is Payerne's (46.815 N, 6.944 E), the weather Greensboro's (36.1 N, 79.95 W): by the great circle 6,965 km.
    let notes: Vec<&str> =
        found["assumed"].as_array().unwrap().iter().filter_map(|pair| pair[1].as_str()).collect();
    assert!(
        notes.contains(&"the weather is from 6965 km away of where the station stands"),
        "{notes:?}"
    );
    let answer = yields(&[GREENSBORO, "--station", yard, "--channel", "nowhere"]);
    assert_eq!(answer.status.code(), Some(2));
    assert!(text(&answer.stderr).contains("there are"), "{}", text(&answer.stderr));
}

/// Light that comes in the night is another place's; what the weather lacks is told; two days are no year;
/// and no file of worth is written over.
#[test]
fn what_does_not_fit_is_told() {
    let scratch = tempfile::tempdir().unwrap();
    let write = |name: &str, text: &str| {
        let path = scratch.path().join(name);
        std::fs::write(&path, text).unwrap();
        path.to_str().unwrap().to_owned()
    };
    let whole = std::fs::read_to_string(GREENSBORO).unwrap();
    let east = write("east.csv", &whole.replace("longitude: -79.95", "longitude: 79.95"));
    let answer = yields(&[&east]);
    assert_eq!(answer.status.code(), Some(3));
    assert!(text(&answer.stderr).contains("west is negative"), "{}", text(&answer.stderr));

    let days = write(
        "days.csv",
        "# latitude: 46.8\n# longitude: 6.9\n# elevation: 491\nstart,global (W/m2),air (degC)\n\
         2021-06-01T10:00:00+01:00,700,15\n2021-06-01T11:00:00+01:00,750,15\n\
         2021-06-01T13:00:00+01:00,800,17\n",
    );
    let answer = yields(&[&days]);
    let told = text(&answer.stdout);
    for word in [
        "3 spans without wind: 1.0 m/s",
        "after Erbs",
        "gaps between spans: 1",
        "not a year of weather",
    ] {
        assert!(told.contains(word), "{word}: {told}");
    }
    assert!(!told.contains("P50"), "{told}");

    let before = std::fs::read(&days).unwrap();
    let answer = yields(&[&days, "--hours", &days]);
    assert_eq!(answer.status.code(), Some(2), "{}", text(&answer.stderr));
    assert_eq!(std::fs::read(&days).unwrap(), before);
    let answer = yields(&[&days, "--hours", "yard.toml"]);
    assert!(answer.status.code() == Some(2) && text(&answer.stderr).contains("end in .csv"));
    let log = write("log.csv", "SQLite format 3\0 and more");
    assert_eq!(yields(&[&days, "--hours", &log]).status.code(), Some(2));
    assert_eq!(std::fs::read_dir(scratch.path()).unwrap().count(), 3, "no leftovers");
}

/// The year's energy (Wh) of a case of `tests/pvlib/yield_chain.py`, of a module at Greensboro.
fn by_pvlib(case: &str) -> f64 {
    let table = include_str!("data/yield-by-pvlib.csv");
    let row = table.lines().find(|line| line.starts_with(&format!("greensboro,{case},")));
    row.unwrap().split(',').nth(3).unwrap().parse().unwrap()
}

#[test]
fn a_power_matrix_is_a_device() {
    let scratch = tempfile::tempdir().unwrap();
    let file = scratch.path().join("matrix.csv");
    let points = "1100,25,354.174\n1000,15,330.862\n1000,25,322.305\n1000,50,298.954\n1000,75,273.651\n\
        800,25,257.561\n600,25,192.278\n600,75,162.966\n400,25,126.445\n400,50,117.062\n200,25,61.137\n\
        100,15,30.159\n100,25,29.250\n";
    let head = "irradiance (W/m2),temperature (degC),power (W)\n";
    std::fs::write(&file, format!("# measured\n{head}{points}")).unwrap();
    let file = file.to_str().unwrap();
    let with = [GREENSBORO, "--matrix", file, "--tilt", "20", "--glass", "martin-ruiz:0.16"];
    let found = json(&with);
    let energy = number(&found["total"]["energy_kwh"]) * 1e3;
    assert!((energy / by_pvlib("matrix") - 1.0).abs() < 5e-4, "{energy}");
    let rating = number(&found["energy_rating"]["rating"]);
    assert!((rating - number(&found["total"]["performance_ratio"])).abs() < 1e-12);
    assert_eq!(found["chain"]["mount"]["tilt_deg"], 20.0);
    // A dirty one has none.
    let dirty = json(&[&with[..], &["--soiling", "3"]].concat());
    assert_eq!(dirty["energy_rating"], Value::Null);
    let shown = text(&yields(&with).stdout);
    assert!(shown.contains(&format!("energy rating {rating:.4} in this climate")), "{shown}");
}

#[test]
fn the_light_s_colour_is_in_it() {
    let with = [GREENSBORO, "--tilt", "35", "--spectrum", "multi-silicon"];
    let found = json(&with);
    let energy = number(&found["total"]["energy_kwh"]) * 1e3;
    assert!((energy / by_pvlib("coloured") - 1.0).abs() < 5e-4, "{energy}");
    assert_eq!(found["energy_rating"], Value::Null);
    let loss = |name: &str| number(&found["losses"][name]);
    let terms = ["optical_kwh", "colour_kwh", "low_light_kwh", "warmth_kwh", "tracking_kwh"];
    let lost: f64 = terms.iter().map(|name| loss(name)).sum();
    let reference = loss("reference_kwh");
    assert!((reference - lost - loss("delivered_kwh")).abs() < 1e-9 * reference);
    // Without colour the optical term is the same: glass and dirt don't see it.
    let plain = json(&[GREENSBORO, "--tilt", "35"]);
    assert!(
        (loss("optical_kwh") - number(&plain["losses"]["optical_kwh"])).abs() < 1e-9 * reference
    );
    assert!(text(&yields(&with).stdout).contains("the light's colour"));
}

#[test]
fn devices_and_spectra_that_can_t_be_are_told() {
    let scratch = tempfile::tempdir().unwrap();
    let head = "irradiance (W/m2),temperature (degC),power (W)\n";
    let good = scratch.path().join("matrix.csv");
    std::fs::write(&good, format!("{head}1000,25,300\n1000,50,270\n400,25,115\n")).unwrap();
    let file = good.to_str().unwrap();
    let dry = scratch.path().join("dry.csv");
    let whole = std::fs::read_to_string(GREENSBORO).unwrap();
    let without: Vec<&str> = whole
        .lines()
        .map(|line| if line.starts_with('#') { line } else { line.rsplit_once(',').unwrap().0 })
        .collect();
    std::fs::write(&dry, without.join("\n")).unwrap();
    let spoilt = scratch.path().join("spoilt.csv");
    let cases: [(Vec<&str>, &str, i32, &str); 6] = [
        (
            vec![GREENSBORO, "--matrix", "SPOILT"],
            "1000,25,30\n1000,50,270\n1000,15,312\n400,25,115\n",
            3,
            "30 W at 1000 W/m2 and 25 degC is 0.10 times",
        ),
        (vec![dry.to_str().unwrap(), "--spectrum", "cigs"], head, 2, "precipitable water"),
        (vec![GREENSBORO, "--matrix", "SPOILT"], "1,2\n", 3, "spoilt.csv:1: there is no column"),
        (
            vec![GREENSBORO, "--matrix", "SPOILT"],
            "1000,25,300\n800,25,x\n",
            3,
            "spoilt.csv:3: power `x`",
        ),
        (
            vec![GREENSBORO, "--matrix", "SPOILT"],
            "800,50,200\n800,25,230\n400,25,120\n",
            3,
            "nothing tells the rating",
        ),
        (vec![GREENSBORO, "--matrix", file, "--seconds"], head, 2, "knows no curve"),
    ];
    for (arguments, rows, code, word) in cases {
        let rows = if rows.starts_with("1,2") { rows.to_owned() } else { format!("{head}{rows}") };
        std::fs::write(&spoilt, rows).unwrap();
        let given: Vec<&str> = arguments
            .iter()
            .map(|one| if *one == "SPOILT" { spoilt.to_str().unwrap() } else { one })
            .collect();
        let answer = yields(&given);
        let told = text(&answer.stderr);
        assert_eq!(answer.status.code(), Some(code), "{given:?}: {told}");
        assert!(told.contains(word), "{given:?}: {told}");
    }
}

#[test]
fn mistakes_are_told_with_file_and_line() {
    let scratch = tempfile::tempdir().unwrap();
    let file = scratch.path().join("year.csv");
    let whole = std::fs::read_to_string(GREENSBORO).unwrap();
    let spoilt: Vec<String> = whole
        .lines()
        .enumerate()
        .map(|(at, line)| if at == 999 { line.replace(',', ",x") } else { line.to_owned() })
        .collect();
    std::fs::write(&file, spoilt.join("\n")).unwrap();
    let answer = yields(&[file.to_str().unwrap()]);
    assert_eq!(answer.status.code(), Some(3));
    assert!(text(&answer.stderr).contains("year.csv:1000: "), "{}", text(&answer.stderr));
    assert_eq!(text(&answer.stdout), "");

    for (arguments, code, word) in [
        (&["nowhere.epw"][..], 6, "can't be read"),
        (&[GREENSBORO, "--soiling", "1,2,3"], 2, "give one, or twelve"),
        (&[GREENSBORO, "--device", "receiver"], 2, "--acceptance"),
        (&[GREENSBORO, "--data-sheet", "isc=9"], 2, "voc is missing"),
        (&[GREENSBORO, "--data-sheet", "isc=9,vco=3"], 2, "no key `vco`"),
        (&[GREENSBORO, "--tilt", "200"], 2, "0..=180"),
        (&[GREENSBORO, "--tracked", "0.98"], 2, "50..=100"),
        (&[GREENSBORO, "--draws", "1"], 2, "100 to"),
        (&[GREENSBORO, "--heat-sink", "4"], 2, "up to 0.2"),
        (
            &[GREENSBORO, "--data-sheet", "isc=9,voc=38,imp=8.5,vmp=31,alpha=0.06,beta=-0.14"],
            2,
            "not in %/K",
        ),
        (
            &[GREENSBORO, "--five", "il=9,i0=3e-10,rs=300,rsh=125,a=1.6,alpha=0.005"],
            2,
            "fill factor",
        ),
    ] {
        let answer = yields(arguments);
        let told = text(&answer.stderr);
        assert_eq!(answer.status.code(), Some(code), "{arguments:?}: {told}");
        assert!(told.contains(word), "{arguments:?}: {told}");
    }
}
