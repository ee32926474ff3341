//! I-V curves taken in virtual time: whole ones, broken-off ones, and what the log makes of them.
#![allow(clippy::unwrap_used, reason = "a test: what is not there fails it")]

mod support;

use cresthold::control::record::{
    Activity, Curve, CurveEnd, CurvePoint, DayTotal, Record, Sample, SweepDirection,
};
use cresthold::control::{ChannelConfig, Steady, SweepConditions};
use cresthold::quantities::{Amps, Irradiance, MetresPerSecond, Volts};
use cresthold::rehearsal::{Outage, Yard};
use cresthold::report::curve_result::{appraise, stated_of, stated_rows};
use cresthold::station::Station;
use cresthold::store::{Appraise, ChannelFacts, CurveResult, Expanded, Log, OpenFacts, Reader};
use cresthold::time::{Instant, Stamp, Utc};
use cresthold_sim::device::examples;
use cresthold_sim::sky::recorded::{RecordedSky, embedded_payerne};
use std::time::Duration;
use support::{channel_config, crystalline_stand, perturb_and_observe};

const NOON: Instant = Instant::from_nanos(12 * 3_600_000_000_000);

fn config() -> ChannelConfig {
    channel_config(perturb_and_observe(0.25))
}

#[derive(Default)]
struct Told {
    records: Vec<Record>,
}

impl Told {
    fn curves(&self) -> Vec<Curve> {
        let curve = |record: &Record| match record {
            Record::Curve(curve) => Some(*curve),
            _ => None,
        };
        self.records.iter().filter_map(curve).collect()
    }

    fn points(&self, curve: u32) -> Vec<CurvePoint> {
        let point = |record: &Record| match record {
            Record::CurvePoint(point) if point.curve == curve => Some(*point),
            _ => None,
        };
        self.records.iter().filter_map(point).collect()
    }

    fn samples(&self) -> Vec<Sample> {
        let sample = |record: &Record| match record {
            Record::Sample(sample) => Some(*sample),
            _ => None,
        };
        self.records.iter().filter_map(sample).collect()
    }

    fn day(&self) -> DayTotal {
        let day = |record: &Record| match record {
            Record::Day(day) => Some(*day),
            _ => None,
        };
        self.records.iter().rev().find_map(day).unwrap()
    }
}

fn noon(config: ChannelConfig) -> (Yard<RecordedSky>, Told) {
    let (day, site) = embedded_payerne();
    let began: Utc = "2016-06-15T00:00:00Z".parse().unwrap();
    let sky = RecordedSky::new(day, site, 7).with_wind(MetresPerSecond(2.0));
    let mut yard = Yard::new(sky, began, vec![crystalline_stand(config, 11)]);
    let mut told = Told::default();
    yard.run_until(NOON, &mut |record| told.records.push(record));
    assert_eq!(yard.stands()[0].channel().activity(), Activity::Tracking);
    (yard, told)
}

/// Runs on for so many seconds.
fn on(yard: &mut Yard<RecordedSky>, told: &mut Told, from: Instant, seconds: f64) -> Instant {
    let until = from + Duration::from_secs_f64(seconds);
    yard.run_until(until, &mut |record| told.records.push(record));
    until
}

#[test]
fn a_curve_reaches_from_open_circuit_to_short_circuit_and_back_to_the_crest_it_shows() {
    let (mut yard, mut told) = noon(config());
    assert!(told.curves().is_empty(), "nobody asked");
    yard.stands_mut()[0].request_sweep();
    on(&mut yard, &mut told, NOON, 30.0);
    let curves = told.curves();
    assert_eq!(curves.len(), 1);
    let curve = curves[0];
    assert_eq!((curve.end, curve.points, curve.curve), (CurveEnd::Whole, 100, 1));
    let points = told.points(1);
    let indices: Vec<u16> = points.iter().map(|point| point.index).collect();
    assert_eq!(indices, (0..100).collect::<Vec<u16>>());
    let (first, last) = (points[0], points[99]);
    // The ammeter's noise is 2 mA here.
    assert!(first.amps.abs() < Amps(0.01), "{}", first.amps);
    assert!(last.volts < Volts(-0.1) && last.volts > Volts(-0.2), "{}", last.volts);
    assert!(points.windows(2).all(|two| two[1].volts < two[0].volts), "down, point by point");
    // Noon of a day of broken cloud: the device in this light, by the plant's own equations.
    let irradiance = first.irradiance.unwrap();
    let mut device = examples::crystalline_module();
    device.set_conditions(irradiance, first.module_temperature.unwrap());
    let off = (first.volts / device.open_circuit() - 1.0).abs();
    // The cell is some kelvins warmer than the back: -0.3 %/K.
    assert!(off < 0.02, "Voc off by {off}");
    let best = points.iter().max_by(|a, b| (a.volts * a.amps).0.total_cmp(&(b.volts * b.amps).0));
    let samples = told.samples();
    let ended = curve.at.mono;
    let after = samples.iter().find(|s| s.at.mono > ended).unwrap();
    assert_eq!(after.activity, Activity::Tracking);
    let away = (after.volts - best.unwrap().volts).abs();
    // Ten steps of 0.25 V at most within the sample's second, usually two.
    assert!(away < Volts(1.3), "{away} from the crest the sweep found");
    println!("{curve:?}\nlight {irradiance}, best {:?}, after {:?}", best.unwrap(), after.volts);
}

#[test]
fn samples_say_which_readings_were_a_sweep() {
    let (mut yard, mut told) = noon(config());
    let end = on(&mut yard, &mut told, NOON, 0.45);
    yard.stands_mut()[0].request_sweep();
    on(&mut yard, &mut told, end, 20.0);
    let curve = told.curves()[0];
    let samples: Vec<Sample> =
        told.samples().into_iter().filter(|s| s.at.mono > NOON - Duration::from_secs(1)).collect();
    let readings: u32 = samples.iter().map(|s| s.readings).sum();
    let sweeping: u32 =
        samples.iter().filter(|s| s.activity == Activity::Sweeping).map(|s| s.readings).sum();
    assert_eq!(sweeping, 101, "one reading per point, and one after the jump to open circuit");
    assert!(readings > 200);
    for sample in &samples {
        let within = sample.at.mono > curve.began.mono && sample.at.mono <= curve.at.mono;
        let doing = if within { Activity::Sweeping } else { Activity::Tracking };
        assert_eq!(sample.activity, doing, "{}", sample.at.utc);
        // The crest beside each sample is that of its own readings.
        let crest = sample.crest.unwrap();
        assert!(sample.watts < crest * 1.01, "{} of {crest}", sample.watts);
    }
    let stamps: Vec<u64> = samples.iter().map(|s| s.at.mono.as_nanos()).collect();
    assert!(stamps.windows(2).all(|two| two[1] > two[0]), "no two samples of one moment");
}

#[test]
fn up_and_both_take_their_points() {
    for (direction, points) in [(SweepDirection::Up, 101), (SweepDirection::Both, 199)] {
        let mut config = config();
        config.sweep.direction = direction;
        config.sweep.beyond = Volts(0.5);
        config.envelope.reverse_allowance = Volts(0.3);
        let (mut yard, mut told) = noon(config);
        yard.stands_mut()[0].request_sweep();
        on(&mut yard, &mut told, NOON, 30.0);
        let curve = told.curves()[0];
        assert_eq!((curve.end, curve.points), (CurveEnd::Whole, points), "{direction:?}");
        let lowest = told.points(1).iter().map(|p| p.volts.0).fold(f64::INFINITY, f64::min);
        assert!((-0.5..-0.2).contains(&lowest), "{direction:?}: {lowest}");
    }
}

/// Without a boost supply the load's knee is where a curve ends; the guard says so.
#[test]
fn a_load_that_cannot_sink_the_current_bounds_the_curve() {
    let mut config = config();
    config.envelope.capability = cresthold::control::Capability::new(&[
        cresthold::control::CapabilityPoint { volts: Volts(0.0), amps: Amps(0.0) },
        // 16 A only at 32 V of the load: 4 A at 8 V, 2 V of the device.
        cresthold::control::CapabilityPoint { volts: Volts(32.0), amps: Amps(16.0) },
    ])
    .unwrap();
    let (mut yard, mut told) = noon(config);
    yard.stands_mut()[0].request_sweep();
    on(&mut yard, &mut told, NOON, 30.0);
    let curve = told.curves()[0];
    assert_eq!(curve.end, CurveEnd::Whole);
    let last = *told.points(1).last().unwrap();
    let sinks = (last.volts.0 + 6.0) / 2.0;
    println!("{} points, last {} {}", curve.points, last.volts, last.amps);
    assert!(curve.points < 100);
    // To the current of the point before, a step of less than 0.1 A away on the flat part.
    assert!((last.amps.0 - sinks).abs() < 0.2, "{} A of {sinks} A", last.amps.0);
}

#[test]
fn whatever_breaks_a_sweep_off_is_told_and_nothing_half_passes_for_whole() {
    let in_the_middle = NOON + Duration::from_secs(5);
    // The run ends.
    let (mut yard, mut told) = noon(config());
    yard.stands_mut()[0].request_sweep();
    on(&mut yard, &mut told, NOON, 5.0);
    yard.stop(in_the_middle, &mut |record| told.records.push(record));
    let curve = told.curves()[0];
    assert_eq!((curve.end, usize::from(curve.points)), (CurveEnd::Stopped, told.points(1).len()));
    assert!((30..60).contains(&curve.points), "{}", curve.points);
    assert_eq!(yard.stands()[0].channel().activity(), Activity::Stopped);
    // The link fails, and comes back.
    let (mut yard, mut told) = noon(config());
    let until = in_the_middle + Duration::from_secs(2);
    yard.stands_mut()[0].plan_outage(Outage { from: in_the_middle, until });
    yard.stands_mut()[0].request_sweep();
    let end = on(&mut yard, &mut told, NOON, 60.0);
    assert_eq!(told.curves()[0].end, CurveEnd::LinkLost);
    assert_eq!(yard.stands()[0].channel().activity(), Activity::Tracking);
    yard.stands_mut()[0].request_sweep();
    on(&mut yard, &mut told, end, 20.0);
    assert_eq!((told.curves()[1].curve, told.curves()[1].end), (2, CurveEnd::Whole));
}

/// What sweeps have cost, against what only the plant knows.
#[test]
fn the_energy_missed_by_sweeps_is_told() {
    for direction in SweepDirection::ALL {
        let mut config = config();
        config.sweep.direction = direction;
        config.sweep.every = Some(Duration::from_secs(60));
        let steady = Steady { change: 0.01, over: Duration::from_secs(30) };
        config.sweep.conditions.steady = Some(steady);
        let (mut yard, mut told) = noon(config);
        told.records.clear();
        let (mut missed, mut lost, mut end) = (0.0, 0.0, NOON);
        let mut before = None;
        for _ in 0..36_000 {
            let truth = yard.stands()[0].truth();
            let ended = told.curves().len();
            end = on(&mut yard, &mut told, end, 0.1);
            let sweeps = yard.stands()[0].channel().activity() == Activity::Sweeping;
            if sweeps && before.is_none() {
                before = Some(truth);
            }
            if let (Some(curve), Some(from)) = (told.curves().get(ended), before) {
                let to = yard.stands()[0].truth();
                lost += ((to.available - from.available) - (to.delivered - from.delivered)).0;
                missed += curve.missed.0;
                before = None;
            }
            told.records.retain(|record| matches!(record, Record::Curve(_)));
        }
        let count = told.curves().len();
        println!("{direction:?}: {missed} Wh missed by {count}, the plant says {lost} Wh");
        assert!(count >= 5);
        // The crest's power meanwhile is known from two readings only, in moving light.
        assert!((missed / lost - 1.0).abs() < 0.03, "{missed} of {lost}");
        yard.stop(end, &mut |record| told.records.push(record));
        assert!(told.day().sweep_missed.0 >= missed);
    }
}

#[test]
fn a_due_sweep_waits_for_its_conditions_and_one_that_is_asked_for_does_not() {
    let every = Some(Duration::from_secs(60));
    let steady = Steady { change: 0.01, over: Duration::from_secs(30) };
    let demands = [
        SweepConditions { irradiance_min: Some(Irradiance(2000.0)), ..Default::default() },
        SweepConditions { sun_min: Some(89.0), ..Default::default() },
        SweepConditions { steady: Some(Steady { change: 1e-6, ..steady }), ..Default::default() },
    ];
    for conditions in demands {
        let mut config = config();
        (config.sweep.every, config.sweep.conditions) = (every, conditions);
        let (mut yard, mut told) = noon(config);
        assert!(told.curves().is_empty(), "{conditions:?}");
        yard.stands_mut()[0].request_sweep();
        on(&mut yard, &mut told, NOON, 15.0);
        assert_eq!(told.curves().len(), 1);
    }
    // This day's light is steady now and then; every curve began in such a moment.
    let mut config = config();
    config.sweep.every = every;
    config.sweep.conditions = SweepConditions {
        irradiance_min: Some(Irradiance(300.0)),
        steady: Some(steady),
        sun_min: Some(20.0),
    };
    let (_, told) = noon(config);
    let mut dwell_on_it = 0;
    for curve in told.curves() {
        // A sample is the mean of the second before it, which must lie in the span as a whole.
        let second = Duration::from_secs(1);
        let span = curve.began.mono - steady.over + second..=curve.began.mono;
        let lit = told.samples().into_iter().filter(|s| span.contains(&s.at.mono));
        let lit: Vec<f64> = lit.filter_map(|s| s.irradiance).map(|g| g.0).collect();
        let (least, most) =
            lit.iter().fold((f64::MAX, 0.0_f64), |(a, b), g| (a.min(*g), b.max(*g)));
        assert!(most - least <= 0.011 * most && least > 299.0, "{least} to {most}");
        dwell_on_it += 1;
    }
    println!("{dwell_on_it} curves in a morning of broken cloud");
    assert!((3..400).contains(&dwell_on_it), "{dwell_on_it}");
}

/// A curve every ten minutes of a day: time told apart, energy within the accounting's accuracy.
#[test]
fn sweeps_on_schedule_are_counted_apart_and_their_energy_is_counted() {
    let mut config = config();
    config.sweep.every = Some(Duration::from_secs(600));
    let (mut yard, mut told) = noon(config);
    yard.stop(NOON, &mut |record| told.records.push(record));
    let day = told.day();
    let curves = told.curves();
    let whole = curves.iter().filter(|curve| curve.end == CurveEnd::Whole).count();
    println!(
        "{whole} of {} curves whole, sweeping {:?} of {:?}",
        curves.len(),
        day.sweeping,
        day.tracking
    );
    assert!(whole > 40 && whole + 1 >= curves.len());
    let took: f64 =
        curves.iter().map(|c| c.at.mono.saturating_since(c.began.mono).as_secs_f64()).sum();
    // The last interval of each is the way back to the crest, and counts as that.
    assert!((day.sweeping.as_secs_f64() / took - 1.0).abs() < 0.02, "{:?}, {took}", day.sweeping);
    let truth = yard.stands()[0].truth();
    let off = day.energy.0 / truth.delivered.0 - 1.0;
    println!("energy off by {:.4} %", off * 100.0);
    // Trapezoids over the two jumps of each sweep err by up to half a period of full power each:
    // 0.1 s in 600 s. Measured 0.002 %.
    assert!(off.abs() < 2e-4, "{off}");
}

fn facts(began: Utc) -> OpenFacts {
    OpenFacts {
        began: Stamp { mono: Instant::ZERO, utc: began },
        version: "test".to_owned(),
        station: "yard".to_owned(),
        fingerprint: String::new(),
        seed: None,
        note: None,
        day: cresthold::control::DaySplit::UTC,
        channels: vec![ChannelFacts {
            name: "east".to_owned(),
            device: "module".to_owned(),
            tracker: "hold".to_owned(),
        }],
    }
}

#[test]
fn curves_come_back_from_the_log_and_a_hole_shows() {
    let (mut yard, mut told) = noon(config());
    told.records.clear();
    yard.stands_mut()[0].request_sweep();
    let end = on(&mut yard, &mut told, NOON, 15.0);
    yard.stands_mut()[0].request_sweep();
    let end = on(&mut yard, &mut told, end, 15.0);
    yard.stands_mut()[0].request_sweep();
    on(&mut yard, &mut told, end, 5.0);
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("curves.sqlite");
    let began: Utc = "2016-06-15T00:00:00Z".parse().unwrap();
    let mut log = Log::open(&path, &facts(began))
        .unwrap()
        .with_appraisal(Appraise::new(|_, direction, rows| appraise(direction, rows, None)));
    for record in &told.records {
        // One point of the second curve gets lost on the way.
        if !matches!(record, Record::CurvePoint(point) if point.curve == 2 && point.index == 50) {
            log.write(record).unwrap();
        }
    }
    let rows = log.finish().unwrap();
    assert_eq!(rows.curves, 2, "the third never ended");
    let reader = Reader::open(&path).unwrap();
    let id = reader.channels().unwrap()[0].id;
    let curves = reader.curves(id, began, began + Duration::from_secs(86_400)).unwrap();
    let seen: Vec<_> = curves.iter().map(|c| (c.curve, c.points, c.whole)).collect();
    assert_eq!(seen, [(1, 100, true), (2, 100, false)]);
    assert_eq!((curves[0].direction.as_str(), curves[0].ending.as_str()), ("down", "whole"));
    // What the whole one says is beside it, and what each has cost.
    let result = curves[0].result.clone().unwrap();
    println!("{result:?}");
    // The light jumped meanwhile.
    assert_eq!(result.grade, "poor");
    assert!(result.reasons.contains("irradiance changed"), "{result:?}");
    assert_eq!(result.isc_origin.as_deref(), Some("interpolated"));
    let best = told.points(1).iter().map(|p| (p.volts * p.amps).0).fold(0.0, f64::max);
    assert!((result.pmp.unwrap().0 / best - 1.0).abs() < 0.05, "{result:?}, {best}");
    assert!(curves[1].result.is_none());
    for (row, curve) in curves.iter().zip(told.curves()) {
        assert!((row.missed.unwrap() - curve.missed).0.abs() < 1e-12);
    }
    let points = reader.curve_points(id, 1, 1).unwrap();
    for (row, point) in points.iter().zip(told.points(1)) {
        assert_eq!(row.point, u32::from(point.index));
        // Stored in whole microvolts and microamperes.
        assert!((row.volts.unwrap() - point.volts).abs() < Volts(0.51e-6));
        assert!((row.amps.unwrap() - point.amps).abs() < Amps(0.51e-6));
        assert!(row.irradiance.is_some() && row.module_temperature.is_some());
    }
    assert_eq!(points.len(), 100);
    let conn = rusqlite::Connection::open(&path).unwrap();
    let unended: i64 = conn
        .query_row("SELECT count(*) FROM curve_point_view WHERE ending IS NULL", [], |r| r.get(0))
        .unwrap();
    assert!(unended > 30, "{unended}");
    let whole: i64 = conn.query_row("SELECT sum(whole) FROM curve_view", [], |r| r.get(0)).unwrap();
    assert_eq!(whole, 1);
    let seen: (String, f64) = conn
        .query_row("SELECT grade, pmp_w FROM curve_view WHERE grade IS NOT NULL", [], |r| {
            Ok((r.get(0)?, r.get(1)?))
        })
        .unwrap();
    assert_eq!(seen, (result.grade, result.pmp.unwrap().0));
}

#[test]
fn what_is_stated_and_what_follows_from_it_come_back_from_the_log() {
    let (mut yard, mut told) = noon(config());
    told.records.clear();
    yard.stands_mut()[0].request_sweep();
    on(&mut yard, &mut told, NOON, 15.0);
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("curves.sqlite");
    let began: Utc = "2016-06-15T00:00:00Z".parse().unwrap();
    let station = Station::rehearsal();
    let stated = station.channels[0].stated.unwrap();
    let mut log = Log::open(&path, &facts(began)).unwrap();
    log.state(&stated_rows(&station)[..1]).unwrap();
    let one = |k: u8| Expanded { value: 0.5, coverage: 1.0 + f64::from(k) };
    let mut log = log.with_appraisal(Appraise::new(move |_, direction, rows| {
        let result = appraise(direction, rows, Some(&stated));
        // The light jumped: no uncertainty would be honest. One is put in, to see it come back.
        assert_eq!(result.expanded, [None; 7]);
        CurveResult { expanded: [0, 1, 2, 3, 4, 5, 6].map(|k| Some(one(k))), ..result }
    }));
    for record in &told.records {
        log.write(record).unwrap();
    }
    log.finish().unwrap();
    let reader = Reader::open(&path).unwrap();
    let id = reader.channels().unwrap()[0].id;
    assert_eq!(stated_of(reader.stated(id, 1).unwrap()).unwrap(), Some(stated));
    let curves = reader.curves(id, began, began + Duration::from_secs(86_400)).unwrap();
    let result = curves[0].result.clone().unwrap();
    assert_eq!(result.expanded, [0, 1, 2, 3, 4, 5, 6].map(|k| Some(one(k))));
    // The ammeter's zero is a little high here: no point lies beyond 0 A.
    assert_eq!(result.voc_origin.as_deref(), Some("extrapolated"));
    // The module's area is stated, too.
    assert!((0.05..0.25).contains(&result.efficiency.unwrap()), "{result:?}");
    let conn = rusqlite::Connection::open(&path).unwrap();
    let sql = "SELECT pmp_expanded_w || ' ' || efficiency_k FROM curve_view";
    let seen: String = conn.query_row(sql, [], |r| r.get(0)).unwrap();
    assert_eq!(seen, "0.5 7.0");
    let sql = "SELECT known || ' ' || value FROM stated_view \
               WHERE channel = 'east' AND input = 'current, gain'";
    let seen: String = conn.query_row(sql, [], |r| r.get(0)).unwrap();
    assert_eq!(seen, "limits 0.001");
}
