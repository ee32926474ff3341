//! `cresthold season` as people call it, on the log of a rehearsal.
#![allow(clippy::unwrap_used, reason = "in tests, also outside #[test] functions")]
#![cfg(feature = "field")]

use cresthold::station::Station;
use cresthold::store::{DayRow, Reader};
use serde_json::Value;
use std::path::Path;
use std::process::{Command, Output};

fn cresthold(arguments: &[&str], directory: &Path) -> Output {
    Command::new(env!("CARGO_BIN_EXE_cresthold"))
        .args(arguments)
        .current_dir(directory)
        .output()
        .unwrap()
}

fn text(bytes: &[u8]) -> String {
    String::from_utf8(bytes.to_vec()).unwrap()
}

fn json(arguments: &[&str], directory: &Path) -> Value {
    let shown = cresthold(arguments, directory);
    assert!(shown.status.success(), "{}", text(&shown.stderr));
    serde_json::from_slice(&shown.stdout).unwrap()
}

#[track_caller]
fn near(found: &Value, wanted: f64, within: f64) {
    let found = found.as_f64().unwrap();
    assert!((found - wanted).abs() <= within, "{found} is not {wanted} +- {within}");
}

/// The recorded day and the morning after.
#[test]
fn a_rehearsal_s_log_is_summed_up_as_its_day_totals_say() {
    let scratch = tempfile::tempdir().unwrap();
    let here = scratch.path();
    let run = ["run", "--speed", "max", "--for", "36h", "--log", "yard.sqlite", "--quiet"];
    assert!(cresthold(&run, here).status.success());
    let with = ["season", "yard.sqlite", "--rated", "slope-1=400", "--gamma", "-0.4", "--json"];
    let found = json(&with, here);
    let reader = Reader::open(&here.join("yard.sqlite")).unwrap();
    let totals = reader.day_totals("", "9999-12-31").unwrap();
    assert_eq!(totals.len(), 6, "three channels, two days");
    for channel in found["channels"].as_array().unwrap() {
        let mut sum = 0.0;
        for total in totals.iter().filter(|total| channel["channel"] == total.channel) {
            let days = channel["days"].as_array().unwrap();
            let day = days.iter().find(|day| day["period"] == total.date).unwrap();
            // 1440 minutes, each kept to 1 uWh: half of that each, at random.
            near(&day["energy_wh"], total.energy.0, 1e-4);
            near(&day["crest_wh"], total.available.unwrap().0, 1e-9);
            // Day totals integrate while the channel is awake; minutes have means, also of the dawn
            // that it slept through: up to 20 W/m2 for half an hour, twice.
            let irradiation = day["irradiation_wh_m2"].as_f64().unwrap();
            let more = irradiation - total.irradiation.0;
            assert!((-0.002 * irradiation..20.0).contains(&more), "{more} of {irradiation}");
            sum += total.energy.0;
        }
        near(&channel["total"]["energy_wh"], sum, 2e-4);
        assert_eq!(channel["exclusions"].as_array().unwrap().len(), 0, "{}", channel["exclusions"]);
        near(&channel["total"]["completeness"], 1.0, 0.0);
        // It sleeps below its wake threshold, which is dimmer than what counts as light; a minute each to
        // look up and start.
        assert!(channel["total"]["availability"].as_f64().unwrap() > 0.99);
    }
    what_it_should_have_made(here, &totals);
    // The dark morning after by itself: noise of the meters is no power.
    let dark = ["season", "yard.sqlite", "--channel", "slope-1", "--from", "2016-06-16", "--json"];
    let dark = json(&dark, here);
    assert_eq!(dark["channels"][0]["exclusions"].as_array().unwrap().len(), 0, "{dark}");
    // A digit forgotten.
    let wrong = cresthold(&["season", "yard.sqlite", "--rated", "slope-1=40"], here);
    assert!(text(&wrong.stdout).contains("is that its rating?"), "{}", text(&wrong.stdout));
    // Dates that the log doesn't have, and dates the wrong way round.
    for (from, to, word) in [
        ("2017-01-01", "2017-02-01", "2016-06-15 to 2016-06-16"),
        ("2016-06-16", "2016-06-15", "--to must not lie before --from"),
    ] {
        let refused = cresthold(&["season", "yard.sqlite", "--from", from, "--to", to], here);
        assert_eq!(refused.status.code(), Some(2));
        assert!(text(&refused.stderr).contains(word), "{}", text(&refused.stderr));
    }
    let slope = &found["channels"][0];
    let (total, losses) = (&slope["total"], &slope["total"]["losses"]);
    let of = |key: &str| losses[key].as_f64().unwrap();
    // A day of broken clouds fills no matrix; the plant knows the crest.
    assert!(losses["low_light_wh"].is_null());
    let left = of("reference_wh") - of("temperature_wh") - of("rest_wh") - of("sweeps_wh");
    let left = left - of("tracker_wh");
    let left = left - of("asleep_wh") - of("outages_wh") - of("measured_wh");
    // Sums of 2000 minutes of some Wh.
    assert!(left.abs() < 1e-9, "{losses}");
    let ratio = total["counted_energy_wh"].as_f64().unwrap()
        / 400.0
        / (total["irradiation_wh_m2"].as_f64().unwrap() / 1000.0);
    near(&total["performance_ratio"], ratio, 1e-12);
    // Warm modules: a corrected ratio is higher.
    assert!(total["performance_ratio_25_degc"].as_f64().unwrap() > ratio);

    // A date alone is that day; the tables say the same numbers.
    let one =
        ["season", "yard.sqlite", "--channel", "slope-1", "--rated", "400", "--to", "2016-06-15"];
    let day = json(&[&one[..], &["--json"]].concat(), here);
    assert_eq!(day["channels"].as_array().unwrap().len(), 1);
    let energy = slope["days"][0]["energy_wh"].as_f64().unwrap();
    near(&day["channels"][0]["total"]["energy_wh"], energy, 1e-9);
    let shown = text(&cresthold(&one, here).stdout);
    println!("{shown}");
    for word in [format!("{energy:.1} Wh"), "rating 400.00 W (stated)".to_owned()] {
        assert!(shown.contains(&word), "{word} is missing:\n{shown}");
    }
    assert!(shown.contains("--gamma slope-1=%/K") && shown.contains("excluded: nothing"));
    assert!(shown.lines().all(|line| line.len() <= 120), "{shown}");
}

/// The log as weather: measured is what the day totals say, expected what the plant says that the crest had, within
/// the sensors' errors (1 % of irradiance, 1 K) and the mismatch of its cells.
fn what_it_should_have_made(here: &Path, totals: &[DayRow]) {
    let station = text(&cresthold(&["station"], here).stdout);
    std::fs::write(here.join("plain.toml"), station).unwrap();
    for channel in ["slope-1", "slope-2", "mast-1"] {
        let with = ["yield", "yard.sqlite", "--station", "plain.toml", "--channel", channel];
        let found = json(&[&with[..], &["--to", "2016-06-15", "--json"]].concat(), here);
        let of_channel = |row: &&DayRow| row.channel == channel && row.date == "2016-06-15";
        let day = totals.iter().find(of_channel).unwrap();
        let total = &found["total"];
        // Kept to 1 uWh a minute.
        near(&total["measured_kwh"], day.energy.0 / 1e3, 1e-6);
        let crest = day.available.unwrap().0 / 1e3;
        println!("{channel}: expected {}, the crest had {crest:.4}", total["energy_kwh"]);
        near(&total["energy_kwh"], crest, 0.02 * crest);
        assert!(found["weather"]["latitude_deg"].is_null() && found["spread"].is_null());
        assert!(found["chain"]["mount"].is_null(), "{found}");
        let shown = text(&cresthold(&with, here).stdout);
        assert!(shown.contains("of expected") && shown.contains("as the log has it"), "{shown}");
    }
    let cases: [(&[&str], &str); 5] = [
        (&["--device", "crystalline-module"], "choose one with --channel"),
        (&["--channel", "slope-1"], "say what the device is"),
        (&["--channel", "roof", "--device", "receiver"], "it has slope-1, slope-2, mast-1"),
        (&["--channel", "slope-1", "--device", "receiver", "--tilt", "30"], "leave it out"),
        (
            &["--channel", "slope-1", "--device", "receiver", "--from", "2030-01-01"],
            "no record of slope-1 on these dates",
        ),
    ];
    for (more, word) in cases {
        let refused = cresthold(&[&["yield", "yard.sqlite"], more].concat(), here);
        assert_eq!(refused.status.code(), Some(2), "{more:?}");
        assert!(text(&refused.stderr).contains(word), "{more:?}: {}", text(&refused.stderr));
    }
}

/// A morning with curves: good ones in strong light tell the rating.
#[test]
fn curves_of_the_log_tell_the_rating() {
    let scratch = tempfile::tempdir().unwrap();
    let here = scratch.path();
    let station = text(&cresthold(&["station"], here).stdout);
    let (off, on) = ("# every_s = 600.0", "every_s = 600.0");
    assert!(station.contains(off));
    std::fs::write(here.join("yard.toml"), station.replacen(off, on, 1)).unwrap();
    let run =
        ["run", "yard.toml", "--speed", "max", "--for", "14h", "--log", "yard.sqlite", "--quiet"];
    let ran = cresthold(&run, here);
    assert!(ran.status.success(), "{}", text(&ran.stderr));
    let found = json(&["season", "yard.sqlite", "--gamma", "-0.4", "--json"], here);
    let shown = text(&cresthold(&["season", "yard.sqlite", "--channel", "slope-1"], here).stdout);
    assert!(shown.contains("tell the rating once --gamma is stated"), "{shown}");
    let slope = &found["channels"][0];
    let rated = Station::rehearsal().channels[0].rated.unwrap();
    let truth = (rated.crest_volts * rated.crest_amps).0;
    // The sensor may be off by 2.5 K (1 %), and a coefficient of data sheets that is off by 0.05 %/K costs 1 % at
    // 45 degC.
    near(&slope["rated_w"], truth, 0.02 * truth);
    one_warmth(here);
    assert!(slope["rated_by_curves"].as_u64().unwrap() >= 3, "{}", slope["rated_by_curves"]);
    assert!(found["channels"][1]["rated_w"].is_null(), "it took no curves");
    // What sweeps cost is what the day's total says: all were in minutes that count.
    let reader = Reader::open(&here.join("yard.sqlite")).unwrap();
    let totals = reader.day_totals("", "9999-12-31").unwrap();
    let missed: f64 =
        totals.iter().filter(|row| row.channel == "slope-1").map(|row| row.sweep_missed.0).sum();
    near(&slope["total"]["losses"]["sweeps_wh"], missed, 1e-6);
    assert!(missed > 1.0, "{missed}");
    // What good curves say of the tracker is what the plant knows, within two standard errors.
    let by_curves = &slope["tracked_by_curves"];
    println!("{by_curves}, of crest {}", slope["total"]["of_crest"]);
    // Each curve is told, the good ones with uncertainties.
    let curves = slope["curves"].as_array().unwrap();
    let good = curves.iter().filter(|curve| curve["grade"] == "good");
    assert!(good.clone().count() >= 3 && curves.len() > 50, "{}", curves.len());
    for curve in good {
        let (ff, pmp) = (&curve["ff"]["value"], &curve["pmp_w"]);
        let product =
            curve["isc_a"]["value"].as_f64().unwrap() * curve["voc_v"]["value"].as_f64().unwrap();
        near(ff, pmp["value"].as_f64().unwrap() / product, 1e-9);
        assert!(pmp["expanded"].as_f64().unwrap() > 0.0 && pmp["coverage"].as_f64().unwrap() > 1.5);
    }

    // A day of broken clouds has no steady minutes; and a matrix is one channel's.
    let with = ["season", "yard.sqlite", "--gamma", "-0.4", "--matrix", "matrix.csv"];
    // What the one channel came to is told nevertheless.
    for (more, word, told) in [
        (&[][..], "choose one with --channel", false),
        (&["--channel", "slope-1"], "no point of the power", true),
    ] {
        let refused = cresthold(&[&with[..], more].concat(), here);
        assert_eq!(refused.status.code(), Some(2));
        assert!(text(&refused.stderr).contains(word), "{}", text(&refused.stderr));
        assert_eq!(text(&refused.stdout).contains("slope-1"), told);
        assert!(!here.join("matrix.csv").exists());
    }

    // Two channels with ratings are set side by side; two days are too few for an interval.
    let with = ["season", "yard.sqlite", "--rated", "slope-2=150", "--gamma", "-0.4"];
    let shown = text(&cresthold(&with, here).stdout);
    assert!(shown.contains("slope-1 less slope-2") && shown.contains("too few days"), "{shown}");
    assert!(shown.lines().all(|line| line.len() <= 120), "{shown}");
}

#[test]
fn what_is_not_there_is_refused_with_a_word_on_what_to_do() {
    let scratch = tempfile::tempdir().unwrap();
    let here = scratch.path();
    let run = ["run", "--speed", "max", "--for", "1h", "--log", "yard.sqlite", "--quiet"];
    assert!(cresthold(&run, here).status.success());
    let cases: [(&[&str], i32, &str); 8] = [
        (&["none.sqlite"], 4, "none.sqlite"),
        (
            &["yard.sqlite", "--channel", "roof"],
            2,
            "there is no channel roof; it has slope-1, slope-2, mast-1",
        ),
        (&["yard.sqlite", "--rated", "roof=300"], 2, "there is no channel roof"),
        (&["yard.sqlite", "--from", "2010-01-01"], 0, ""),
        (&["yard.sqlite", "--from", "2030-01-01"], 2, "it has no record on these dates"),
        (&["yard.sqlite", "--gamma", "0.35"], 2, "with its sign"),
        (&["yard.sqlite", "--matrix", "yard.toml"], 2, "must end in .csv"),
        (&["yard.sqlite", "--rated", "0"], 2, "as 300 or module-1=300"),
    ];
    for (arguments, code, says) in cases {
        let shown = cresthold(&[&["season"], arguments].concat(), here);
        let told = text(&shown.stderr);
        assert_eq!(shown.status.code(), Some(code), "{arguments:?}: {told}");
        assert!(told.contains(says), "{arguments:?}: {told}");
    }
}

/// Every command that reads the log takes the cells to be as warm, unless told otherwise, and says so.
fn one_warmth(here: &Path) {
    let one = |command: &[&str], key: &str, more: &[&str]| {
        let of = ["yard.sqlite", "--channel", "slope-1", "--json"];
        json(&[command, &of, more].concat(), here).pointer(key).unwrap().clone()
    };
    for (command, key) in [
        (&["season", "--gamma", "-0.4"][..], "/channels/0/rated_w"),
        (&["curve", "--only", "30"], "/cell_temperature_degc"),
        (&["yield", "--device", "crystalline-module"], "/total/energy_kwh"),
    ] {
        let [usual, stated, back] = [&[][..], &["--cell-above", "3"], &["--cell-above", "0"]]
            .map(|more| one(command, key, more));
        println!("{command:?} {key}: {usual}, of the back alone {back}");
        assert!(
            usual.is_number() && usual == stated && usual != back,
            "{command:?}: {usual} {stated}"
        );
    }
    for command in
        [&["season"][..], &["curve", "--only", "30"], &["yield", "--device", "crystalline-module"]]
    {
        let told = cresthold(&[command, &["yard.sqlite", "--channel", "slope-1"]].concat(), here);
        let told = text(&told.stdout);
        assert!(told.contains("3 K over the module's back at 1000 W/m2"), "{told}");
    }
}

/// Slips of the hand are refused with what was meant.
#[test]
fn slips_are_told() {
    let scratch = tempfile::tempdir().unwrap();
    let here = scratch.path();
    let run = ["run", "--speed", "max", "--for", "10h", "--log", "yard.sqlite", "--quiet"];
    assert!(cresthold(&run, here).status.success());
    let season = ["season", "yard.sqlite", "--channel", "slope-1"];
    let device = ["yield", "yard.sqlite", "--channel", "slope-1", "--device", "crystalline-module"];
    for (command, more, word) in [
        (&season[..], &["--from", "2016-06-15T10:00"][..], "write 2016-06-15"),
        (&device, &["--to", "2016-06-15 18:00"], "write 2016-06-15"),
        (&season, &["--rated", "0.27"], "for kW write slope-1=270"),
        (&season, &["--cell-above", "-3"], "write kelvins from 0 to 30"),
    ] {
        let refused = cresthold(&[command, more].concat(), here);
        assert_eq!(refused.status.code(), Some(2), "{more:?}");
        assert!(text(&refused.stderr).contains(word), "{more:?}: {}", text(&refused.stderr));
    }
    // No progress is shown, which is no mistake where there is none to be shown.
    let told = cresthold(&[&device[..], &["--quiet"]].concat(), here);
    let shown = text(&told.stdout);
    assert!(told.status.success() && shown.contains("0.42 days"), "{shown}");
    assert!(!shown.contains("0.00 years"), "{shown}");
}
