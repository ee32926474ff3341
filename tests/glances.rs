//! Glances: a channel that looks at another voltage for one reading, as soon as the load has settled. Told
//! of the crest line, which looks for other crests in shade.
#![allow(clippy::unwrap_used, reason = "a test: what is not there fails it")]

use cresthold::control::record::{Record, Sample};
use cresthold::control::{Channel, GLANCED_AFTER, Input, Punctuality};
use cresthold::quantities::WattHours;
use cresthold::rehearsal::{Wired, World};
use cresthold::study::{BenchSettings, Plant};
use cresthold::time::{Instant, Stamp, Utc};
use cresthold::trackers::{CrestLineConfig, TrackerConfig};
use cresthold_sim::bench::{Bench, Measurement};
use cresthold_sim::device::{Device, examples};
use cresthold_sim::scene::layout::Layout;
use cresthold_sim::scene::named::named;
use cresthold_sim::scene::{Exposure, Scene};
use std::time::Duration;

/// A scene around a bench, and what the channel told.
struct Around {
    scene: Box<dyn Scene>,
    exposure: Exposure,
    energy: WattHours,
    samples: Vec<Sample>,
    /// The energy by trapezoids alone: when the last reading was (s), its power (W), the sum (J).
    trapezoids: Option<(f64, f64, f64)>,
}

impl Around {
    fn expose(&mut self, bench: &mut Bench, at: Instant) {
        self.scene.expose(at, &mut self.exposure);
        let each = self.exposure.substrings().unwrap();
        bench.set_substring_conditions(each, self.exposure.cell()).unwrap();
    }
}

impl World for Around {
    fn pass(&mut self, bench: &mut Bench, to: Instant) {
        while bench.now() < to {
            let now = bench.now();
            let piece = self.scene.still_for(now).min(to.saturating_since(now));
            self.expose(bench, now + piece / 2);
            bench.advance(now + piece);
        }
    }

    fn before_window(&mut self, bench: &mut Bench, window: Duration) {
        self.expose(bench, bench.now() + window / 2);
    }

    fn measured(&mut self, bench: &Bench, seen: &Measurement) {
        let (at, watts) = (bench.now().as_secs_f64(), (seen.load * seen.amps).0);
        let (before, last, sum) = self.trapezoids.unwrap_or((at, watts, 0.0));
        self.trapezoids = Some((at, watts, sum + 0.5 * (last + watts) * (at - before)));
    }

    fn tell(&mut self, _bench: &Bench, _now: Stamp, record: Record) {
        match record {
            Record::Sample(sample) => self.samples.push(sample),
            Record::Day(total) => self.energy = total.energy,
            _ => {}
        }
    }
}

/// A turn: when it was due, whether it was a glance, and when its conversation was over.
#[derive(Clone, Copy)]
struct Turn {
    due: Instant,
    glance: bool,
    over: Instant,
}

/// Four modules in a row under a scene, and the crest line on them.
struct Run {
    around: Around,
    turns: Vec<Turn>,
    punctual: Punctuality,
    delivered: WattHours,
}

fn run(request: &str, settings: &BenchSettings) -> Run {
    let modules = (0..4).map(|_| examples::crystalline_module()).collect();
    let plant = Plant::new("string", Device::string(modules).unwrap());
    let row = Layout::row(plant.source().substrings(), 0.33, 90.0).unwrap();
    let scene = named(request, &row, 1).unwrap();
    let end = Instant::ZERO + scene.length();
    let began: Utc = "2026-06-21T12:00:00Z".parse().unwrap();
    let stamp = |mono: Instant| Stamp { mono, utc: began + mono.saturating_since(Instant::ZERO) };
    let tracker = TrackerConfig::CrestLine(CrestLineConfig {});
    let channel = Channel::new(settings.channel(&plant, tracker));
    let mut wired = Wired::new(channel, settings.bench(&plant, 1), false);
    let mut around = Around {
        scene,
        exposure: Exposure::default(),
        energy: WattHours::ZERO,
        samples: vec![],
        trapezoids: None,
    };
    let (mut turns, mut punctual) = (vec![], Punctuality::default());
    while wired.channel.next_wake() < end {
        let (due, glance) = (wired.channel.next_wake(), wired.channel.glances());
        around.pass(&mut wired.bench, due);
        punctual.began(due, due, wired.channel.pace());
        let over = wired.converse(stamp(due), Input::Wake, &mut around).mono;
        turns.push(Turn { due, glance, over });
    }
    around.pass(&mut wired.bench, end);
    wired.converse(stamp(end), Input::Stop, &mut around);
    Run { around, turns, punctual, delivered: wired.bench.truth().delivered }
}

/// Each glance is asked for when the load has had its time since the setpoint, the next turn lies one
/// period after the last glance, and none of those in between counts as due.
#[test]
fn glances_follow_one_another_and_then_the_period_goes_on() {
    for settings in [BenchSettings::default(), BenchSettings::slow()] {
        let ran = run("shifting-shade", &settings);
        let begun = ran.turns.iter().position(|turn| turn.glance).unwrap();
        for pair in ran.turns[begun - 1..].windows(2) {
            let [before, turn] = pair else { unreachable!("windows of two") };
            if turn.glance {
                let settle = turn.due.saturating_since(before.over);
                assert_eq!(settle, settings.settling * GLANCED_AFTER);
                assert!(turn.due.saturating_since(before.due) < settings.period);
            } else {
                assert_eq!(turn.due.saturating_since(before.due), settings.period);
            }
        }
        let glances = ran.turns.iter().filter(|turn| turn.glance).count();
        let seen = ran.punctual.turns();
        println!("{glances} glances, {} turns due", seen.due);
        assert!(glances > 100, "{glances}");
        assert_eq!(seen.late, 0);
        assert!(seen.due as usize <= ran.turns.len() - glances, "{}", seen.due);
    }
}

/// What is booked through searches and looks is what was delivered. With a load that settles at once it is
/// right to what light that changes within a turn of a second does to any booking; trapezoids alone book
/// more than 1 % too little. One that takes its time loses, on its ways between crests, what nobody
/// sees: thousands of looks in an hour of shade that never rests make that 0.3 %.
#[test]
fn the_energy_of_glances_is_booked() {
    let quick = BenchSettings { settling: Duration::from_millis(2), ..BenchSettings::slow() };
    let usual = [(BenchSettings::default(), 2e-3), (BenchSettings::slow(), 4e-3)];
    for (settings, most) in [(quick, 5e-4)].into_iter().chain(usual) {
        let ran = run("shifting-shade", &settings);
        let off = ran.around.energy / ran.delivered - 1.0;
        let plain = ran.around.trapezoids.unwrap().2 / 3600.0 / ran.delivered.0 - 1.0;
        println!("{} of {}: {off:.6}, by trapezoids {plain:.6}", ran.around.energy, ran.delivered);
        assert!(off.abs() < most, "{off}");
        if settings == quick {
            assert!(plain < -0.01, "{plain}");
        }
    }
}

/// Samples tell of the held voltage: in shade that stays they don't move, whatever is looked at.
#[test]
fn glances_go_into_no_sample() {
    let ran = run("still-shade", &BenchSettings::slow());
    let settled = Instant::ZERO + Duration::from_secs(120);
    let (mut least, mut most, mut looks) = (f64::INFINITY, 0.0_f64, 0);
    for sample in ran.around.samples.iter().filter(|sample| sample.at.mono > settled) {
        (least, most) = (least.min(sample.volts.0), most.max(sample.volts.0));
        looks += 60 - sample.readings.min(60);
    }
    println!("{least} V to {most} V");
    assert!(most / least < 1.02 && looks > 0, "{least} V to {most} V, {looks} looks");
}
