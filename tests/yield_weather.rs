//! Weather files: what the readers take, and what they say of bad ones.
//!
//! The lines are made up; which field is which follows the formats' open descriptions, named in the modules.

#![allow(clippy::unwrap_used, reason = "helpers of tests")]

use cresthold::quantities::{Celsius, Irradiance, MetresPerSecond};
use cresthold::yields::{Weather, read};
use proptest::prelude::*;

const TMY: &str = "724365,\"GULL ROCK, OUTER\",ZZ,-9.0,55.317,-160.517,7\n\
Date (MM/DD/YYYY),Time (HH:MM),ETR (W/m^2),GHI (W/m^2),DNI (W/m^2),DHI (W/m^2),Dry-bulb (C),Wspd (m/s),Alb (unitless),Pwat (cm)\n\
06/30/1997,23:00,0,41,3,40,4.0,2.1,-9900,1.4\n\
06/30/1997,24:00,0,12,-9900,12,3.5,-9900,0.24,-9900\n\
07/01/1988,01:00,0,0,0,0,9.0,0.0,0,0.0\n";

fn epw() -> String {
    let mut text = String::from("LOCATION,Larkfell,-,ZZZ,invented,000000,52.30,4.77,1.0,-2.0\n");
    text.push_str(
        "DESIGN CONDITIONS,0\nCOMMENTS 1,made up\nDATA PERIODS,1,1,Data,Sunday, 1/ 1,12/31\n",
    );
    for (hour, global, direct, air, wind, albedo) in [
        (1, "0", "0", "5.1", "6.7", "0.000"),
        (13, "212", "9999", "99.8", "999", "0.2"),
        (24, "9999.", "10", "-3", "0", "999"),
    ] {
        // 6 dates, 7 to 13, light 14 to 16, 17 to 21, wind, 23 to 32, albedo, the rest.
        text.push_str(&format!(
            "1995,3,1,{hour},60,?9,{},1.8,79,100100,0,1415,288,{global},{direct},17,0,0,0,0,340,{wind},6,6,20.0,420,9,999999999,0,0.0500,0,88,{albedo},0.0,0.0\n",
            if air == "99.8" { "14.2" } else { air }
        ));
    }
    text
}

fn times(weather: &Weather) -> Vec<String> {
    weather.hours.iter().map(|hour| hour.start.to_string()).collect()
}

/// 24:00 of the last day of June, nine hours west, begins at 08:00 UTC of the first of July, and is June's.
#[test]
fn a_tmy3_file_is_read() {
    let weather = read::weather(TMY).unwrap();
    assert_eq!(weather.name, "GULL ROCK, OUTER");
    assert!((weather.site.longitude() + 160.517).abs() < 1e-12);
    let starts =
        ["1997-07-01T07:00:00.000Z", "1997-07-01T08:00:00.000Z", "1988-07-01T09:00:00.000Z"];
    assert_eq!(times(&weather), starts);
    let [first, second, third] = weather.hours[..] else { panic!("three hours") };
    assert_eq!((first.month, second.month, third.month), (6, 6, 7));
    assert_eq!((first.global, first.direct), (Some(Irradiance(41.0)), Some(Irradiance(3.0))));
    assert_eq!((second.direct, second.wind, second.albedo), (None, None, Some(0.24)));
    assert_eq!((first.albedo, third.albedo, third.air), (None, None, Celsius(9.0)));
    assert_eq!((first.water, second.water, third.water), (Some(1.4), None, None));
}

/// Hour 1 in a zone one hour east begins at 23:00 UTC of the day before.
#[test]
fn an_epw_file_is_read() {
    let weather = read::weather(&epw()).unwrap();
    assert_eq!((weather.name.as_str(), weather.site.elevation()), ("Larkfell", -2.0));
    let starts =
        ["1995-02-28T23:00:00.000Z", "1995-03-01T11:00:00.000Z", "1995-03-01T22:00:00.000Z"];
    assert_eq!(times(&weather), starts);
    let [first, second, third] = weather.hours[..] else { panic!("three hours") };
    assert!(weather.hours.iter().all(|hour| hour.month == 3));
    assert_eq!((first.albedo, first.wind), (None, Some(MetresPerSecond(6.7))));
    assert_eq!((second.global, second.direct, second.wind), (Some(Irradiance(212.0)), None, None));
    assert_eq!((second.diffuse, second.albedo), (Some(Irradiance(17.0)), Some(0.2)));
    assert_eq!((third.global, third.air, third.albedo), (None, Celsius(-3.0), None));
}

/// The same hours in both formats and in plain CSV are the same weather.
#[test]
fn a_plain_file_says_the_same() {
    let plain = "# name: GULL ROCK, OUTER\n# latitude: 55.317\n# longitude: -160.517\n# elevation: 7\n# kept by hand\n\
        air (degC),start,diffuse (W/m2),global (W/m2),direct (W/m2),wind (m/s),albedo,water (cm)\n\
        4.0,1997-06-30T22:00:00-09:00,40,41,3,2.1,,1.4\n\
        3.5,1997-06-30T23:00:00-09:00,12,12,,,0.24,\n\n\
        9.0,1988-07-01T00:00:00-09:00,0,0,0,0.0,,\n";
    assert_eq!(read::weather(plain).unwrap(), read::weather(TMY).unwrap());
    // Windows' line ends and mark.
    let marked = format!("\u{feff}{}", plain.replace('\n', "\r\n"));
    assert_eq!(read::weather(&marked).unwrap(), read::weather(TMY).unwrap());
}

/// Each mistake is told with its line.
#[test]
fn mistakes_are_told_with_their_line() {
    let told = |text: &str| read::weather(text).unwrap_err().to_string();
    let spoilt = |from: &str, to: &str| told(&TMY.replacen(from, to, 1));
    assert_eq!(
        spoilt("55.317", "155.3"),
        "line 1: latitude 155.3 is not on the earth: give degrees north, -90..=90"
    );
    assert_eq!(spoilt("-9.0", "UTC"), "line 1: time zone `UTC` is none: hours east of Greenwich");
    assert_eq!(spoilt("GHI (W/m^2)", "GHI"), "line 2: there is no column `GHI (W/m^2)`");
    assert_eq!(
        spoilt("06/30/1997,24", "06/31/1997,24"),
        "line 4: `1997`, `06`, `31` is no year, month and day"
    );
    assert_eq!(spoilt("24:00", "25:00"), "line 4: time `25:00` is no full hour of 01:00..=24:00");
    assert_eq!(
        spoilt("0,41,3", "0,4l,3"),
        "line 3: irradiance `4l` is no number (decimal point, no unit)"
    );
    assert_eq!(spoilt("4.0,2.1", "-9900,2.1"), "line 3: air temperature is missing");
    assert_eq!(
        spoilt("4.0,2.1", "277,2.1"),
        "line 3: air temperature 277 degC is out of range, -90..=65 degC"
    );
    let spoilt = |from: &str, to: &str| told(&epw().replacen(from, to, 1));
    assert_eq!(
        spoilt("DATA PERIODS,1,1", "DATA PERIODS,1,4"),
        "line 4: `4` lines an hour: only hourly files are read"
    );
    assert_eq!(
        spoilt("DATA PERIODS", "DATA"),
        "line 7: the file ends without a line `DATA PERIODS`"
    );
    assert_eq!(spoilt("3,1,13,", "3,1,0,"), "line 6: hour `0` is none of 1..=24");
    assert_eq!(
        spoilt(",288,212", ",288,2120"),
        "line 6: irradiance 2120 W/m2 is out of range, -50..=2000 W/m2"
    );
    let head = "# latitude: 1\n# longitude: 2\n# elevation: 3\n";
    let plain = |rest: &str| told(&format!("{head}{rest}"));
    assert!(
        plain("start,wind\n").starts_with("line 4: there is no column `wind`; known are start,")
    );
    assert_eq!(plain("start,air (degC),start\n"), "line 4: the column `start` comes twice");
    assert_eq!(plain("start\n"), "line 4: there is no column `air (degC)`");
    let one = "start,air (degC)\n2021-01-01T00:00:00Z,1\n";
    assert_eq!(plain(one), "line 5: the file ends with fewer than two spans of weather");
    assert_eq!(
        plain(&format!("{one}2021-01-01T00:00:00Z,1\n")),
        "line 6: this span begins as the one before does"
    );
    assert!(
        plain(&format!("{one}2021-01-01T06:00:00Z,1\n")).starts_with("line 6: the first two spans")
    );
    assert!(
        plain(&format!("{one}yesterday,1\n")).starts_with("line 6: start `yesterday` is no time")
    );
    assert_eq!(told("").split(':').next(), Some("line 1"));
    assert!(
        told("# latitude: 1\nstart,air (degC)\n2021-01-01T00:00:00Z,1\n2021-01-01T01:00:00Z,1\n")
            .contains("must all be there")
    );
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]
    /// No text makes a reader panic, and what it takes lies in its ranges.
    #[test]
    fn no_text_is_too_odd(at in 0_usize..4000, what in "\\PC{0,6}|,|\n|\"|-9900|99999999999", which in 0_usize..3) {
        let whole = match which {
            0 => TMY.to_owned(),
            1 => epw(),
            _ => "# latitude: 55\n# longitude: 7\n# elevation: 7\nstart,global (W/m2),air (degC)\n\
                  1997-06-30T22:00:00Z,41,2.1\n1997-06-30T23:00:00Z,41,2.1\n".to_owned(),
        };
        let mut letters: Vec<char> = whole.chars().collect();
        let at = at % letters.len();
        letters.splice(at..(at + 1), what.chars());
        if let Ok(weather) = read::weather(&letters.into_iter().collect::<String>()) {
            prop_assert!(!weather.hours.is_empty() && weather.span.as_secs() >= 60);
            for hour in weather.hours {
                prop_assert!((1..=12).contains(&hour.month) && hour.air.is_finite());
                prop_assert!(hour.global.is_none_or(|light| (-50.0..=2000.0).contains(&light.0)));
            }
        }
    }
}
