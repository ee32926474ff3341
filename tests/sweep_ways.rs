//! The ways of a sweep in virtual time: fast, by the load's own list, with several readings a point,
//! without a boost supply, and on a shaded module that has two crests.
#![allow(clippy::unwrap_used, reason = "in tests, also outside #[test] functions")]

mod support;

use cresthold::control::record::{
    Activity, ChannelId, Curve, CurveEnd, CurvePoint, DayTotal, Record, SweepDirection,
};
use cresthold::control::{Channel, ChannelConfig, SweepBy};
use cresthold::quantities::{
    Amps, Celsius, Irradiance, MetresPerSecond, Ohms, Volts, WattHours, Watts,
};
use cresthold::rehearsal::{Mounting, Outage, Stand, StandParts, Yard};
use cresthold::report::curve::CurveReport;
use cresthold::report::curve_result::{appraise, report};
use cresthold::report::summary::Summary;
use cresthold::station::Station;
use cresthold::store::CurvePointRow;
use cresthold::time::{Instant, Utc};
use cresthold::trackers::{IncrementalConductanceConfig, TrackerConfig};
use cresthold_sim::bench::{Bench, Boost, LoadParams, Sensor, SensorParams};
use cresthold_sim::device::{Device, examples};
use cresthold_sim::sky::{Place, Sky, SkyState, SunVector};
use cresthold_sim::thermal::{Thermal, ThermalParams};
use std::time::Duration;
use support::{BOOST, channel_config, perturb_and_observe};

const NOON: &str = "2016-06-15T11:30:00Z";
/// By then the channel has woken and found its crest.
const READY: Instant = Instant::from_nanos(60 * 1_000_000_000);

/// A sun that brightens by so much each second, to 800 W/m2 when the channel is ready.
struct Rising(f64);

impl Sky for Rising {
    fn state(&mut self, at: Utc, _: Place) -> SkyState {
        let since = at.saturating_since(NOON.parse().unwrap()).as_secs_f64();
        let light = Irradiance(800.0 + self.0 * (since - 60.0));
        SkyState {
            global: light,
            direct: light,
            diffuse: Irradiance::ZERO,
            air: Celsius(18.0),
            wind: MetresPerSecond(2.0),
            sun: SunVector::from_degrees(30.0, 180.0),
        }
    }
}

/// A load that is read in 5 ms: 4 ms of window, 1 ms of latency; it settles with 1 ms.
fn quick() -> LoadParams {
    let mut load = LoadParams::usual(Volts(60.0), Amps(20.0), Watts(600.0));
    load.settling = Duration::from_millis(1);
    load.window = Duration::from_millis(4);
    load.latency = Duration::from_millis(1);
    load
}

fn config() -> ChannelConfig {
    let mut config = channel_config(perturb_and_observe(0.25));
    config.sweep.settle = Duration::from_millis(5);
    config
}

struct Play {
    yard: Yard<Rising>,
    records: Vec<Record>,
}

impl Play {
    fn new(config: ChannelConfig, device: Device, rising: f64) -> Self {
        let switched = config.boost_switched;
        let boost = switched.then_some(Boost { volts: BOOST, limit: Amps(18.0) });
        let wind = MetresPerSecond(2.0);
        let cell =
            Thermal::steady(&ThermalParams::OPEN_RACK, Irradiance(800.0), Celsius(18.0), wind);
        let stand = Stand::new(StandParts {
            channel: Channel::new(config),
            bench: Bench::new(device, quick(), boost, Ohms::ZERO, 5),
            thermal: Thermal::new(ThermalParams::OPEN_RACK, cell),
            mounting: Mounting::TwoAxis,
            place: Place::default(),
            irradiance: Some(Sensor::new(SensorParams::REFERENCE_CELL, 6)),
            thermometer: Some(Sensor::new(SensorParams::MODULE_THERMOMETER, 7)),
            boost_measured: false,
        });
        let mut play = Self {
            yard: Yard::new(Rising(rising), NOON.parse().unwrap(), vec![stand]),
            records: Vec::new(),
        };
        play.until(READY);
        assert_eq!(play.doing(), Activity::Tracking);
        play.records.clear();
        play
    }

    fn until(&mut self, end: Instant) {
        self.yard.run_until(end, &mut |record| self.records.push(record));
    }

    fn doing(&self) -> Activity {
        self.yard.stands()[0].channel().activity()
    }

    /// A curve, which is over within a minute; how long it took.
    fn sweep(&mut self) -> (Curve, Vec<CurvePoint>, Duration) {
        self.yard.stands_mut()[0].request_sweep();
        self.until(self.yard.next_wake().unwrap() + Duration::from_secs(60));
        let curve = |record: &Record| match record {
            Record::Curve(curve) => Some(*curve),
            _ => None,
        };
        let curve = self.records.iter().find_map(curve).unwrap();
        let point = |record: &Record| match record {
            Record::CurvePoint(point) => Some(*point),
            _ => None,
        };
        let points = self.records.iter().filter_map(point).collect();
        (curve, points, curve.at.mono.saturating_since(curve.began.mono))
    }
}

fn module() -> Device {
    examples::crystalline_module()
}

fn said(points: &[CurvePoint]) -> CurveReport {
    let rows: Vec<CurvePointRow> = points.iter().map(row).collect();
    report("curve", SweepDirection::Down, &rows, None).unwrap()
}

fn row(point: &CurvePoint) -> CurvePointRow {
    CurvePointRow {
        point: u32::from(point.index),
        at: point.at,
        volts: Some(point.volts),
        amps: Some(point.amps),
        setpoint: Some(point.setpoint),
        irradiance: point.irradiance,
        module_temperature: point.module_temperature,
    }
}

/// Open circuit was looked at, whatever an ammeter's zero makes of it; where Voc is from is told alike by
/// the figure and by its uncertainty.
#[test]
fn an_ammeters_zero_is_no_lack_of_the_curve_and_is_told_by_figure_and_uncertainty_alike() {
    let (_, points, _) = Play::new(config(), module(), 0.0).sweep();
    let stated = Station::rehearsal().channels[0].stated.unwrap();
    for (zero, origin) in [(0.02, "extrapolated"), (-0.02, "interpolated")] {
        let mut points = points.clone();
        points.iter_mut().for_each(|point| point.amps += Amps(zero));
        let rows: Vec<CurvePointRow> = points.iter().map(row).collect();
        let report = report("curve", SweepDirection::Down, &rows, Some(&stated)).unwrap();
        assert_eq!(report.parameters.voc.origin.word(), origin);
        let lines = report.budget.unwrap().lines;
        let told = lines.iter().any(|line| line.input.starts_with("Voc extrapolated"));
        assert_eq!(told, origin == "extrapolated", "{zero}");
        let why: Vec<String> = report.quality.reasons.iter().map(|(_, why)| why.text()).collect();
        assert!(!why.iter().any(|why| why.contains("open circuit")), "{why:?}");
        let result = appraise(SweepDirection::Down, &rows, Some(&stated));
        assert_eq!(result.voc_origin.as_deref(), Some(origin));
    }
}

#[test]
fn a_hundred_points_at_5_ms_a_reading_end_within_1_5_s() {
    let mut took = Vec::new();
    for by in [SweepBy::Steps, SweepBy::List(100), SweepBy::List(20)] {
        let mut config = config();
        config.sweep.by = by;
        let (curve, points, time) = Play::new(config, module(), 0.0).sweep();
        assert_eq!((curve.end, curve.points), (CurveEnd::Whole, 100), "{by:?}");
        let report = said(&points);
        println!(
            "{by:?}: 100 points in {:.3} s, {} {}",
            time.as_secs_f64(),
            report.parameters.pmp,
            report.quality.grade.word()
        );
        assert!(report.quality.reasons.iter().all(|(_, why)| !why.text().contains("open circuit")));
        assert!(time < Duration::from_millis(1500), "{by:?}: {time:?}");
        assert!(points.windows(2).all(|two| two[1].volts < two[0].volts + Volts(0.02)), "{by:?}");
        took.push((time, report.parameters.pmp));
    }
    assert!(
        took[1].0 < took[0].0 && took[1].0 < took[2].0,
        "the list saves the setpoints: {took:?}"
    );
    // The meters' noise of 1e-4 of their range, over some thirty points at the crest.
    assert!((took[1].1 / took[0].1 - 1.0).abs() < 1e-3, "{took:?}");
}

#[test]
fn the_points_of_a_list_have_their_own_time_and_light() {
    let mut config = config();
    config.sweep.by = SweepBy::List(100);
    config.sweep.direction = SweepDirection::Both;
    // 5 W/m2 each second: 4.5 W/m2 in a list of 100 points.
    let (curve, points, _) = Play::new(config, module(), 5.0).sweep();
    assert_eq!((curve.end, curve.points), (CurveEnd::Whole, 199));
    assert!(points.windows(2).all(|two| two[1].at.mono > two[0].at.mono));
    assert!(points.windows(2).all(|two| two[1].at.utc > two[0].at.utc));
    for point in &points {
        let past = point.at.mono.saturating_since(Instant::ZERO).as_secs_f64();
        // The cell's gain is -0.3 %.
        let light = (800.0 + 5.0 * (past - 60.0)) * 0.997;
        // Its noise is 0.2 W/m2, and what is seen is that of a reading's end.
        assert!((point.irradiance.unwrap().0 - light).abs() < 1.1, "{point:?}, {light}");
    }
    assert!(curve.at.mono >= points.last().unwrap().at.mono);
}

#[test]
fn a_limit_lets_go_by_steps_at_once_and_by_list_when_the_list_has_ended() {
    for by in [SweepBy::Steps, SweepBy::List(40)] {
        let mut config = config();
        config.sweep.by = by;
        // At the crest 7.0 A flow, in short circuit 7.6 A.
        config.envelope.device_amps_max = Amps(7.3);
        let mut play = Play::new(config, module(), 0.0);
        play.yard.stands_mut()[0].request_sweep();
        play.until(play.yard.next_wake().unwrap() + Duration::from_secs(3));
        let curve = play.records.iter().find_map(|record| match record {
            Record::Curve(curve) => Some(*curve),
            _ => None,
        });
        let curve = curve.unwrap();
        println!("{by:?}: {} points", curve.points);
        assert_eq!((curve.end, play.doing()), (CurveEnd::LetGo, Activity::Resting), "{by:?}");
        assert!((20..99).contains(&curve.points), "{by:?}: {}", curve.points);
    }
}

#[test]
fn a_line_that_dies_breaks_a_list_off() {
    let mut config = config();
    config.sweep.by = SweepBy::List(40);
    let mut play = Play::new(config, module(), 0.0);
    let now = play.yard.next_wake().unwrap();
    let outage =
        Outage { from: now + Duration::from_millis(300), until: now + Duration::from_secs(2) };
    play.yard.stands_mut()[0].plan_outage(outage);
    let (curve, points, _) = play.sweep();
    // The list under way ends, and then nobody answers.
    assert_eq!((curve.end, usize::from(curve.points)), (CurveEnd::LinkLost, points.len()));
    assert!((40..100).contains(&points.len()), "{}", points.len());
    assert_eq!(play.doing(), Activity::Tracking, "and it is at its crest again");
}

#[test]
fn more_readings_a_point_leave_less_noise() {
    let noise = |readings: u16| {
        let mut config = config();
        config.sweep.readings = readings;
        let (curve, points, time) = Play::new(config, module(), 0.0).sweep();
        assert_eq!((curve.end, curve.points), (CurveEnd::Whole, 100));
        // Second differences where the curve is straight: of variance 6 times a point's.
        let flat: Vec<f64> =
            points.iter().filter(|p| p.volts < Volts(20.0)).map(|p| p.amps.0).collect();
        let bends = flat.windows(3).map(|w| (w[0] - 2.0 * w[1] + w[2]).powi(2));
        let noise = (bends.sum::<f64>() / (6.0 * (flat.len() - 2) as f64)).sqrt();
        println!("{readings} readings: {:.2} mA, {:.2} s", noise * 1e3, time.as_secs_f64());
        noise
    };
    let (one, many) = (noise(1), noise(16));
    // A quarter; from some thirty points, to 13 % each.
    assert!((2.5..6.0).contains(&(one / many)), "{one} {many}");
}

#[test]
fn without_a_boost_supply_all_points_lie_in_reach_and_short_circuit_is_extrapolated() {
    for by in [SweepBy::Steps, SweepBy::List(100)] {
        let mut config = config();
        (config.boost_switched, config.path.boost) = (false, Volts::ZERO);
        config.envelope.boost_amps_max = None;
        config.envelope.device_amps_max = Amps(9.5);
        config.sweep.by = by;
        let (curve, points, _) = Play::new(config, module(), 0.0).sweep();
        assert_eq!(curve.end, CurveEnd::Whole);
        let lowest = points.last().unwrap();
        println!("{by:?}: {} points, the last {} {}", curve.points, lowest.volts, lowest.amps);
        // It sinks 20 A from 2 V up: 7.6 A at 0.76 V, or the 9.5 A of the envelope at 0.95 V.
        assert!((0.7..1.0).contains(&lowest.volts.0), "{by:?}: {}", lowest.volts);
        assert!(curve.points >= 98, "{by:?}: {}", curve.points);
        let low = &points[points.len() - 20..points.len() - 2];
        let gaps = low.windows(2).map(|two| (two[0].volts - two[1].volts).0);
        let (least, most) = gaps.fold((f64::MAX, 0.0_f64), |(a, b), gap| (a.min(gap), b.max(gap)));
        assert!(least > 0.5 * most, "{by:?}: steps of {least} V to {most} V: clustered");
        let report = said(&points);
        let isc = report.parameters.isc;
        assert_eq!(isc.origin.word(), "extrapolated", "{by:?}");
        assert!(report.table().contains("extrapolated"));
        let text = report.quality.reasons.iter().map(|(_, why)| why.text()).collect::<String>();
        assert!(text.contains("short circuit extrapolated"), "{by:?}: {text}");
        assert!((isc.value.unwrap().0 / 7.6 - 1.0).abs() < 0.01, "{by:?}: {:?}", isc.value);
    }
}

/// One of three substrings in the shade: the crest of all three, and that of the two in the light, which
/// is higher.
#[test]
fn after_a_sweep_the_tracker_begins_at_the_higher_of_two_crests() {
    let trackers = [
        perturb_and_observe(0.25),
        TrackerConfig::IncrementalConductance(IncrementalConductanceConfig {
            step: Volts(0.25),
            dead_band: 0.01,
        }),
    ];
    for tracker in trackers {
        let mut config = config();
        config.tracker = tracker.clone();
        let shaded = module().with_mismatch(&[1.0, 1.0, 0.4]).unwrap();
        let mut play = Play::new(config, shaded, 0.0);
        let share = |play: &Play| {
            let sample = play.yard.stands()[0].last_sample().unwrap();
            sample.watts / sample.crest.unwrap()
        };
        let before = share(&play);
        let (curve, points, _) = play.sweep();
        let best =
            points.iter().max_by(|a, b| (a.volts * a.amps).0.total_cmp(&(b.volts * b.amps).0));
        let after = share(&play);
        let volts = play.yard.stands()[0].last_sample().unwrap().volts;
        println!(
            "{}: {:.1} % of the crest before, {:.2} % after, {} missed",
            tracker.name(),
            before * 100.0,
            after * 100.0,
            curve.missed
        );
        assert!(before < 0.8, "it sat at the lower crest: {before}");
        assert!(after > 0.995, "{after}");
        assert!((volts - best.unwrap().volts).abs() < Volts(1.0), "{volts}");
        // What it has cost is in the day's books, and in the summary.
        let end = play.yard.next_wake().unwrap();
        play.yard.stop(end, &mut |record| play.records.push(record));
        let day = |record: &Record| match record {
            Record::Day(day) => Some(*day),
            _ => None,
        };
        let day: DayTotal = play.records.iter().rev().find_map(day).unwrap();
        assert_eq!(day.sweep_missed, curve.missed);
        let mut summary = Summary::default();
        summary.take(&day);
        assert_eq!(WattHours(summary.sums(ChannelId(0)).sweep_missed), curve.missed);
        let table = summary.table(&["shaded".to_owned()]);
        assert!(table.contains("missed by it") && table.contains(" Wh"), "{table}");
    }
}
