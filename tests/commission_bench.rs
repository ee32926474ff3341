//! Commissioning on virtual benches: it finds the figures that were planted, and names the mistakes.
//!
//! Each test has a bench of its own in real time, a few seconds long; they run side by side.
#![allow(clippy::unwrap_used, clippy::panic, reason = "a test: what is not there fails it")]

mod commission_yard;

use commission_yard::{Agreeing, NOON, Parts, Yard, fails, find, metered, wrong_reasons};
use cresthold::commission::{Light, Outcome, Reason, Verdict, page};
use cresthold::daemon::commission::Person;
use cresthold::daemon::stop::StopFlag;
use cresthold::quantities::{Amps, Irradiance, Ohms, Volts};
use cresthold::station::ChannelSpec;
use cresthold::store::Reader;
use cresthold::time::Utc;
use cresthold_sim::bench::{BoostWiring, Wiring};
use std::time::Duration;

/// Stated goals: settling within 10 %, noise within 20 %, offset within its uncertainty.
fn recovers(settling: Duration, seed: u64) {
    let mut parts = Parts { seed, ..Parts::default() };
    parts.load.settling = settling;
    let yard = Yard::new(std::slice::from_ref(&parts));
    let report = yard.commission(metered(&parts));
    let part = &report.channels[0];
    let found = part.settling.unwrap().tau.as_secs_f64() / settling.as_secs_f64();
    let (volts, amps) = part.noise.unwrap();
    let noise = (volts.0 / parts.load.volts_meter.noise, amps.0 / parts.load.amps_meter.noise);
    let (zero, sure) = part.amps_offset.unwrap();
    println!("settling {found:.3}, noise {noise:.3?}, zero {zero} +- {sure}");
    assert!((found - 1.0).abs() < 0.1, "settling {found} of the planted");
    for noise in [noise.0, noise.1] {
        assert!((noise - 1.0).abs() < 0.2, "noise {noise} of the planted");
    }
    let planted = Amps(parts.load.amps_meter.offset);
    assert!((zero - planted).abs() <= sure, "zero {zero} +- {sure}");
    let failed = report.all().filter(|check| check.verdict == Verdict::Failed).count();
    assert_eq!(failed, 0);
}

#[test]
fn the_planted_figures_come_back() {
    recovers(Duration::from_millis(40), 11);
}

#[test]
fn the_planted_figures_of_a_quick_load_come_back() {
    recovers(Duration::from_millis(15), 12);
}

#[test]
fn a_slow_load_is_found_slow_and_its_time_constant_proposed() {
    let mut parts = Parts { seed: 13, ..Parts::default() };
    parts.load.settling = Duration::from_millis(90);
    let yard = Yard::new(std::slice::from_ref(&parts));
    let report = yard.commission(metered(&parts));
    let check = find(&report, "settling, time constant");
    assert_eq!((check.verdict, check.reason), (Verdict::Doubtful, Some(Reason::Slow)));
    let proposal = report.channels[0].proposal.unwrap();
    let tau = proposal.settling.as_secs_f64();
    assert!((0.085..0.105).contains(&tau), "{tau}");
    // The house rule: five time constants at least.
    assert!(proposal.period.as_secs_f64() >= 0.45);
    assert_eq!(report.outcome(), Outcome::Passed, "a slow load needs a look, no screwdriver");
}

#[test]
fn a_sound_bench_passes_and_leaves_a_record() {
    let parts = Parts::default();
    let yard = Yard::new(&[parts.clone(), Parts { seed: 14, ..parts.clone() }]);
    let report = yard.commission(metered(&parts));
    assert_eq!(report.outcome(), Outcome::Passed);
    assert_eq!(report.count(Verdict::Doubtful), 0);
    let lines = &report.channels[1].lines;
    for key in ["settling_s = ", "latency_s = ", "period_s = ", "step_volts = ", "now 0.25"] {
        assert!(lines.contains(key), "{key} is missing in {lines}");
    }
    let reader = Reader::open(&yard.log()).unwrap();
    let ends = (Utc::from_micros(i64::MIN), Utc::from_micros(i64::MAX));
    let events = reader.events(ends.0, ends.1).unwrap();
    let record: Vec<_> = events.iter().filter(|event| event.code == "commission").collect();
    assert_eq!(record.len(), 3, "one for the station, one for each channel");
    assert!(record[0].detail.as_ref().unwrap().contains("\"outcome\":\"passed\""));
    let page = page::page(&report, &["<svg id=\"first\"/>".to_owned()]);
    for word in
        ["Signature", "Larkfell test yard", "slope-1", "<svg id=\"first\"/>", "live whenever"]
    {
        assert!(page.contains(word), "{word}");
    }
}

/// One planted mistake: its name, the bench, and what must be said of it.
struct Mistake {
    name: &'static str,
    parts: Parts,
    stated: &'static [(&'static str, &'static str)],
    light: Option<Light>,
    reason: Reason,
    also: &'static [Reason],
    /// Whether the load's input may have been on.
    input: bool,
}

fn mistake(name: &'static str, reason: Reason, plant: impl FnOnce(&mut Parts)) -> Mistake {
    let mut parts = Parts::default();
    plant(&mut parts);
    Mistake { name, parts, stated: &[], light: None, reason, also: &[], input: false }
}

fn boost(name: &'static str, reason: Reason, boost: BoostWiring, boost_scale: f64) -> Mistake {
    mistake(name, reason, |parts| {
        parts.wiring = Wiring { boost, boost_scale, ..Wiring::default() };
    })
}

fn wires() -> Vec<Mistake> {
    use BoostWiring::{Absent, Across, Reversed, Series};
    vec![
        mistake("device reversed", Reason::Polarity, |parts| {
            parts.wiring.device_reversed = true;
        }),
        boost("boost reversed", Reason::BoostReversed, Reversed, 1.0),
        boost("boost not in the loop", Reason::BoostNotInLoop, Absent, 1.0),
        boost("boost across the device", Reason::BoostAcross, Across, 1.0),
        boost("boost of another voltage", Reason::BoostVolts, Series, 1.5),
        boost("boost dead", Reason::BoostSilent, Series, 0.0),
        mistake("another instrument", Reason::Identity, |parts| parts.identity = "OTHER"),
        mistake("lead open by day", Reason::NoDevice, |parts| parts.irradiance = Irradiance::ZERO),
        Mistake {
            input: true,
            ..mistake("sense leads missing", Reason::SenseLeads, |parts| parts.lead = Ohms(0.5))
        },
    ]
}

fn ratings() -> Vec<Mistake> {
    vec![
        // 1.5 x 9.43 A = 14.1 A; a station's boost supply and protection lie above its envelope.
        Mistake {
            stated: &[("amps = 20.0", "amps = 12.0"), ("_amps_max = 15.5", "_amps_max = 11.5")],
            also: &[Reason::Envelope],
            input: true,
            ..mistake("boost below a bright edge", Reason::BoostRating, |_| {})
        },
        Mistake {
            stated: &[("_amps = 16.0", "_amps = 13.0"), ("_amps_max = 15.5", "_amps_max = 12.5")],
            also: &[Reason::Envelope],
            input: true,
            ..mistake("protection below a bright edge", Reason::Protection, |_| {})
        },
        // 111 V: the bench must stand it, or the guard would be the one to speak.
        Mistake {
            stated: &[
                ("device_volts_max = 48.0", "device_volts_max = 140.0"),
                ("= 80.0", "= 150.0"),
            ],
            light: Some(Light::default()),
            ..mistake("another device, by voltage", Reason::Device, |parts| {
                parts.thin_film = true;
                parts.load.volts_max = Volts(150.0);
                parts.load.volts_meter.range = 150.0;
            })
        },
        // The meter in the same plane shows twice the light.
        Mistake {
            light: Some(Light { irradiance: Some(Irradiance(1000.0)), module: None }),
            input: true,
            ..mistake("half a device, by current", Reason::Device, |parts| {
                parts.irradiance = Irradiance(500.0);
            })
        },
        // It sinks its full current only above 20 V; the station states 2 V.
        Mistake {
            input: true,
            ..mistake("load weak near short circuit", Reason::Capability, |parts| {
                parts.load.knee = Volts(20.0);
            })
        },
        mistake("load's range below its protection", Reason::Setting, |parts| {
            parts.load.amps_max = Amps(8.0);
        }),
    ]
}

/// Everything that is wrong with how one mistake was told.
fn told(mistake: &Mistake) -> Vec<String> {
    let mut yard = Yard::new(std::slice::from_ref(&mistake.parts));
    for (what, instead) in mistake.stated {
        yard = yard.stating(what, instead);
    }
    let report = yard.commission(mistake.light.unwrap_or_else(|| match mistake.reason {
        Reason::NoDevice => Light::default(),
        _ => metered(&mistake.parts),
    }));
    let mut wrong = wrong_reasons(&report, mistake.reason, mistake.also);
    let loaded = report.all().any(|check| check.what == "load follows its setpoint");
    if loaded != mistake.input {
        wrong.push(format!("input on: {loaded}"));
    }
    if report.outcome() != Outcome::Failed {
        wrong.push("not refused".to_owned());
    }
    wrong
}

#[test]
fn planted_mistakes_are_refused_with_the_right_reason() {
    let mistakes: Vec<Mistake> = wires().into_iter().chain(ratings()).collect();
    // Mostly they wait for instruments: all at once, on few processors.
    let told: Vec<Vec<String>> = std::thread::scope(|scope| {
        let all: Vec<_> = mistakes.iter().map(|one| scope.spawn(|| told(one))).collect();
        all.into_iter().map(|one| one.join().unwrap()).collect()
    });
    for (mistake, wrong) in mistakes.iter().zip(&told) {
        let how = if wrong.is_empty() { "as planted" } else { "WRONG" };
        println!("{:36} {:18} {how} {}", mistake.name, mistake.reason.word(), wrong.join("; "));
    }
    assert!(told.iter().all(Vec::is_empty), "see the table above");
}

#[test]
fn the_size_of_what_the_leads_lose_is_told() {
    let parts = Parts { lead: Ohms(0.5), ..Parts::default() };
    let report = Yard::new(std::slice::from_ref(&parts)).commission(metered(&parts));
    let ohms = find(&report, "resistance of the leads beyond the stated").found.unwrap();
    // Planted are 0.48 ohm beyond the stated 0.02.
    assert!((ohms.value - 0.48).abs() <= ohms.uncertainty.unwrap(), "{ohms}");
}

#[test]
fn exchanged_loads_are_told() {
    let parts = Parts::default();
    let both = [parts.clone(), Parts { seed: 15, ..parts.clone() }];
    let report = Yard::wired(&both, true).commission(metered(&parts));
    for part in &report.channels {
        assert_eq!(part.failures().collect::<Vec<_>>(), [Reason::Exchanged]);
    }
}

#[test]
fn a_clock_in_the_past_is_told_by_the_log_and_a_wrong_one_by_the_sun() {
    let parts = Parts { identity: "OTHER", ..Parts::default() };
    let yard = Yard::new(std::slice::from_ref(&parts));
    let light = metered(&parts);
    yard.commission(light);
    let report = yard.commission_at(light, "2016-06-14T11:30:00Z", &mut Agreeing(true));
    fails(&report, Reason::Clock, &[Reason::Identity]);

    let parts = Parts::default();
    let yard = Yard::new(std::slice::from_ref(&parts));
    let report = yard.commission_at(light, "2016-06-15T23:30:00Z", &mut Agreeing(false));
    fails(&report, Reason::Clock, &[]);
}

#[test]
fn by_night_it_does_what_can_be_done() {
    let mut parts = Parts { irradiance: Irradiance::ZERO, ..Parts::default() };
    parts.load.volts_meter.offset = 0.03;
    let yard = Yard::new(std::slice::from_ref(&parts));
    let report = yard.commission_at(Light::default(), "2016-06-15T23:30:00Z", &mut Agreeing(true));
    assert_eq!(report.outcome(), Outcome::Unfinished, "what was not made did not pass");
    assert_eq!(find(&report, "light on the device").reason, Some(Reason::Dark));
    assert_eq!(find(&report, "rise of the load's voltage, boost on").verdict, Verdict::Passed);
    assert!(report.channels[0].proposal.is_none());
    // In the dark the voltmeter shows its own zero.
    let zero = find(&report, "zero of the voltage, in the dark").found.unwrap();
    assert!((zero.value - 0.03).abs() <= zero.uncertainty.unwrap(), "{zero}");
}

#[test]
fn without_consent_nothing_is_energised() {
    let parts = Parts::default();
    let yard = Yard::new(std::slice::from_ref(&parts));
    let report = yard.commission_at(metered(&parts), NOON, &mut Agreeing(false));
    assert_eq!(report.outcome(), Outcome::Declined);
    assert!(!report.channels[0].energised);
}

/// Somebody who agrees and then, in the middle of the work, wants it to end.
struct Hasty(StopFlag);

impl Person for Hasty {
    fn agrees(&mut self, _: &ChannelSpec, _: bool) -> bool {
        let stop = self.0.clone();
        std::thread::spawn(move || {
            std::thread::sleep(Duration::from_millis(1500));
            stop.raise();
        });
        true
    }
    fn hears(&mut self, _: &str) {}
}

#[test]
fn a_request_to_stop_lets_the_channel_go() {
    let parts = Parts::default();
    let yard = Yard::new(std::slice::from_ref(&parts));
    let stop = StopFlag::default();
    let report = yard.commission_until(metered(&parts), NOON, &mut Hasty(stop.clone()), &stop);
    assert!(report.channels[0].energised);
    assert_eq!(report.outcome(), Outcome::Declined);
    assert_eq!(find(&report, "off at the end").verdict, Verdict::Passed);
}

#[test]
fn the_stations_sensors_tell_the_light() {
    let parts = Parts { seed: 41, ..Parts::default() };
    let yard = Yard::new(std::slice::from_ref(&parts)).with_sensors();
    let report = yard.commission(Light::default());
    let plane = find(&report, "sensor plane: plane-irradiance");
    let found = plane.found.unwrap();
    assert!((found.value - 820.0).abs() < 41.0, "the cell is good to 5 %: {found}");
    assert_eq!(plane.verdict, Verdict::Passed);
    assert_eq!(find(&report, "sensor air: air-temperature").verdict, Verdict::Passed);
    let dead = find(&report, "sensor dead: wind-speed");
    assert_eq!((dead.verdict, dead.reason), (Verdict::Failed, Some(Reason::Sensor)));
    fails(&report, Reason::Sensor, &[]);
    let limit = &find(&report, "open-circuit voltage").limit;
    assert!(limit.contains("W/m2, temperature not known"), "{limit}");
    let stated = yard.commission(Light { irradiance: Some(Irradiance(700.0)), module: None });
    let limit = &find(&stated, "open-circuit voltage").limit;
    assert!(limit.contains("at 700 W/m2"), "what a person states goes first: {limit}");
    // The whole identity of the instruments is on the page.
    let whole = "identity \"Larkfell,VL,0,1\"";
    let told = report.channels[0].instruments.iter().any(|(_, found)| found.contains(whole));
    assert!(told, "{:?}", report.channels[0].instruments);
}

#[test]
fn an_irradiance_at_night_is_a_zero() {
    let parts = Parts { irradiance: Irradiance::ZERO, seed: 42, ..Parts::default() };
    let yard = Yard::new(std::slice::from_ref(&parts)).with_sensors();
    let midnight = "2016-06-15T00:30:00Z";
    let report = yard.commission_at(Light::default(), midnight, &mut Agreeing(true));
    let plane = find(&report, "sensor plane: plane-irradiance");
    assert_eq!(plane.verdict, Verdict::Told);
    assert!(plane.says.contains("its zero at night"), "{}", plane.says);
}

/// A sound bench in light that moves, or is weak: nothing is wrong with it, and that is what is said.
fn sound_in(name: &str, parts: &Parts, light: Option<Light>) -> Vec<String> {
    let mut yard = Yard::new(std::slice::from_ref(parts));
    if light.is_none() {
        yard = yard.with_sensors();
    }
    let report = yard.commission(light.unwrap_or_default());
    let part = &report.channels[0];
    let wrong = part.checks.iter().filter(|check| check.verdict == Verdict::Failed);
    let mut wrong: Vec<String> = wrong
        .map(|check| format!("{name}: {} {:?}: {}", check.what, check.found, check.says))
        .collect();
    let told = part.checks.iter().filter(|check| check.reason == Some(Reason::Light));
    let mut told = told.filter(|check| check.verdict == Verdict::Skipped);
    if !told.any(|check| check.says.contains("commission again in steady light")) {
        wrong.push(format!("{name}: it passed"));
    }
    if light.is_some() && report.outcome() != Outcome::Unfinished {
        wrong.push(format!("{name}: {:?}", report.outcome()));
    }
    wrong
}

#[test]
fn a_sound_bench_does_not_fail_for_its_light() {
    /// A cloud draws over the sun.
    fn dims(t: f64) -> f64 {
        (1.0 - 0.07 * t).max(0.15)
    }
    /// Clouds come and go.
    fn broken(t: f64) -> f64 {
        0.65 + 0.35 * (2.1 * t).cos()
    }
    let of = |irradiance, clouds, seed| Parts {
        irradiance: Irradiance(irradiance),
        clouds,
        seed,
        ..Parts::default()
    };
    let cases = [
        ("dims, sensors", of(900.0, dims, 61), None),
        ("dims, metered", of(900.0, dims, 62), Some(Irradiance(900.0))),
        ("broken, sensors", of(900.0, broken, 63), None),
        ("broken, nobody measures", of(900.0, broken, 64), Some(Irradiance(f64::NAN))),
        ("weak, sensors", of(40.0, |_| 1.0, 65), None),
        ("weak, metered", of(40.0, |_| 1.0, 66), Some(Irradiance(47.0))),
        ("weak, nobody measures", of(40.0, |_| 1.0, 67), Some(Irradiance(f64::NAN))),
    ];
    let wrong: Vec<String> = std::thread::scope(|scope| {
        let all: Vec<_> = cases
            .iter()
            .map(|(name, parts, light)| {
                let light = light.map(|g| Light {
                    irradiance: Some(g).filter(|g| g.0.is_finite()),
                    module: None,
                });
                scope.spawn(move || sound_in(name, parts, light))
            })
            .collect();
        all.into_iter().flat_map(|one| one.join().unwrap()).collect()
    });
    assert!(wrong.is_empty(), "{wrong:#?}");
}
