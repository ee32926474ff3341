//! The controller allocates nothing once it tracks, whichever built-in tracker it has; a tracker from
//! outside keeps within its bounds.
//!
//! Model: a global allocator that counts, and two hours of the recorded day in virtual time. The
//! whole yard is measured, plant and sky included: they allocate nothing either, so nothing has to
//! be told apart. Allocations are counted process-wide, so this file holds one test only.

#![cfg(feature = "field")]
#![allow(unsafe_code, reason = "a global allocator can't be written without; it only counts")]
#![allow(clippy::unwrap_used, reason = "the shared helpers may fail as a test does")]

mod support;

use cresthold::control::record::{Activity, Record};
use cresthold::control::{Channel, Command, Input, Outbox, Reading, Surroundings, SweepBy};
use cresthold::quantities::{Amps, MetresPerSecond, Volts};
use cresthold::recording::{Listener, Overheard, Word};
use cresthold::rehearsal::Yard;
use cresthold::time::{Instant, Stamp, Utc};
use cresthold::trackers::{
    CrestLineConfig, FractionalVocConfig, HoldConfig, IncrementalConductanceConfig, Observation,
    RampSeparatingConfig, Script, ScriptConfig, Scripted, Start, Tracker, TrackerConfig,
    VariableStepConfig,
};
use cresthold_sim::scene::layout::Layout as Row;
use cresthold_sim::scene::named::{entries, named};
use cresthold_sim::scene::{Exposure, Scene};
use cresthold_sim::sky::recorded::{RecordedSky, embedded_payerne};
use std::alloc::{GlobalAlloc, Layout, System};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, AtomicUsize, Ordering};
use std::sync::mpsc::{SyncSender, sync_channel};
use std::time::Duration;
use support::{channel_config, crystalline_stand, perturb_and_observe};

/// The system's allocator, counting what is asked of it.
struct Counting;

static ALLOCATIONS: AtomicU64 = AtomicU64::new(0);
/// Bytes in use, and the most there were.
static IN_USE: AtomicUsize = AtomicUsize::new(0);
static MOST: AtomicUsize = AtomicUsize::new(0);

fn grown(by: usize) {
    let now = IN_USE.fetch_add(by, Ordering::Relaxed) + by;
    MOST.fetch_max(now, Ordering::Relaxed);
}

// SAFETY: every call goes to the system's allocator unchanged, which keeps the contract.
unsafe impl GlobalAlloc for Counting {
    unsafe fn alloc(&self, layout: Layout) -> *mut u8 {
        ALLOCATIONS.fetch_add(1, Ordering::Relaxed);
        grown(layout.size());
        // SAFETY: the caller keeps the contract of `alloc`.
        unsafe { System.alloc(layout) }
    }

    unsafe fn dealloc(&self, block: *mut u8, layout: Layout) {
        IN_USE.fetch_sub(layout.size(), Ordering::Relaxed);
        // SAFETY: the block came from `System`, with this layout.
        unsafe { System.dealloc(block, layout) }
    }

    unsafe fn realloc(&self, block: *mut u8, layout: Layout, size: usize) -> *mut u8 {
        ALLOCATIONS.fetch_add(1, Ordering::Relaxed);
        grown(size);
        IN_USE.fetch_sub(layout.size(), Ordering::Relaxed);
        // SAFETY: the block came from `System`, with this layout.
        unsafe { System.realloc(block, layout, size) }
    }
}

#[global_allocator]
static COUNTING: Counting = Counting;

/// From the morning's darkness into the light and to the crest.
const WARM_UP: Duration = Duration::from_secs(10 * 3600);
const MEASURED: Duration = Duration::from_secs(2 * 3600);

/// One of each in the registry but the last, which is a script's.
fn trackers() -> [TrackerConfig; 7] {
    [
        TrackerConfig::Hold(HoldConfig::Share(0.8)),
        TrackerConfig::FractionalVoc(FractionalVocConfig {
            share: 0.8,
            look_every: Duration::from_secs(30),
        }),
        perturb_and_observe(0.25),
        TrackerConfig::IncrementalConductance(IncrementalConductanceConfig {
            step: Volts(0.25),
            dead_band: 0.01,
        }),
        TrackerConfig::RampSeparating(RampSeparatingConfig { step: Volts(0.25) }),
        TrackerConfig::VariableStep(VariableStepConfig { largest: Volts(1.0), least: Volts(0.1) }),
        TrackerConfig::CrestLine(CrestLineConfig {}),
    ]
}

#[test]
fn nothing_is_allocated_while_tracking() {
    let names = trackers().map(|tracker| tracker.name());
    assert_eq!(TrackerConfig::NAMES.split_last(), Some((&"script", &names[..])));
    let before = ALLOCATIONS.load(Ordering::Relaxed);
    drop(std::hint::black_box(Box::new(before)));
    assert!(ALLOCATIONS.load(Ordering::Relaxed) > before, "the counter counts");

    let began: Utc = "2016-06-15T00:00:00Z".parse().unwrap();
    for tracker in trackers() {
        let name = tracker.name();
        let mut config = channel_config(tracker);
        // Curves too, in the middle of it.
        config.sweep.every = Some(Duration::from_secs(610));
        if config.tracker == trackers()[0] {
            config.sweep.by = SweepBy::List(25);
        }
        let (day, site) = embedded_payerne();
        let sky = RecordedSky::new(day, site, 7).with_wind(MetresPerSecond(2.0));
        let stand = crystalline_stand(config, 11);
        let mut yard = Yard::new(sky, began, vec![stand]);
        let (mut records, mut curves) = (0_u32, 0_u32);
        yard.run_until(Instant::ZERO + WARM_UP, &mut |_| {});
        assert_eq!(yard.stands()[0].channel().activity(), Activity::Tracking, "{name}");

        let before = ALLOCATIONS.load(Ordering::Relaxed);
        yard.run_until(Instant::ZERO + WARM_UP + MEASURED, &mut |record| {
            records += 1;
            curves += u32::from(matches!(record, Record::Curve(_)));
        });
        let allocations = ALLOCATIONS.load(Ordering::Relaxed) - before;
        println!("{name}: {records} records, {allocations} allocations");
        // One sample a second and more.
        assert!(records > 7200, "{name}: only {records} records");
        assert!(curves >= 10, "{name}: only {curves} curves");
        assert_eq!(allocations, 0, "{name}");
        assert_eq!(yard.stands()[0].channel().activity(), Activity::Tracking, "{name}");
    }
    scripts_keep_within_their_bounds();
}

/// What a script that grows in every way it can takes at most (bytes): 9 calls of 64 variables, each a
/// map of 64 values of 16 bytes with names of up to 64 bytes and its nodes, some 9 kB.
const MOST_OF_A_STEP: usize = 6_000_000;
/// What stays between two steps: a memory of 64 values with such names, and the one before.
const MOST_KEPT: usize = 20_000;

/// Part of the one test of this file, since allocations are counted for the whole process.
fn scripts_keep_within_their_bounds() {
    let name = "n".repeat(60);
    let many = |what: &str| (0..60).map(|i| format!("let v{i} = {what}; ")).collect::<String>();
    let named: String = (10..60).map(|i| format!("{name}{i}: {i}, ")).collect();
    let bombs = [
        "let x = []; loop { x.push(1.0); }".to_owned(),
        "let x = [1]; loop { x = [x, x]; }".to_owned(),
        "let x = \"a\"; loop { x += x; }".to_owned(),
        "loop { this.more = this; }".to_owned(),
        "this.kept = [this.kept]; 30.0".to_owned(),
        format!("let m = #{{ {named} }}; this.kept = m; {} 30.0", many("m")),
        format!("let m = #{{ {named} }}; {} deeper(m, 0); 30.0", many("m")),
    ];
    for bomb in bombs {
        let text = format!(
            "fn start(from, set) {{ this.kept = (); from.foothold }}\n\
             fn deeper(m, n) {{ {} deeper(m, n + 1); }}\n\
             fn step(seen, set) {{ {bomb} }}",
            many("m")
        );
        let config = ScriptConfig::new(Arc::new(Script::new("bomb.rhai", &text).unwrap()));
        let mut tracker = Scripted::new(&config);
        let start = Start { at: Instant::ZERO, open_circuit: Volts(37.0), crest: None };
        let seen = Observation {
            at: Instant::ZERO,
            volts: Volts(30.0),
            amps: Amps(8.0),
            setpoint: Volts(30.0),
            irradiance: None,
            module_temperature: None,
        };
        tracker.start(&start);
        let before = IN_USE.load(Ordering::Relaxed);
        MOST.store(before, Ordering::Relaxed);
        for turn in 0..500 {
            // A new chance before the fallback takes over.
            if turn % 9 == 0 {
                tracker.start(&start);
            }
            tracker.step(&seen);
        }
        let most = MOST.load(Ordering::Relaxed).saturating_sub(before);
        let kept = IN_USE.load(Ordering::Relaxed).saturating_sub(before);
        println!("{most:8} bytes at most, {kept:6} kept: {bomb:.60}");
        assert!(most < MOST_OF_A_STEP && kept < MOST_KEPT, "{most} {kept}: {bomb:.60}");
    }
    scenes_allocate_nothing();
    listening_allocates_nothing();
}

/// Ten minutes of every scene by name, after its first exposure.
fn scenes_allocate_nothing() {
    let row = Row::row(12, 1.0, 90.0).unwrap();
    let mut seen = Exposure::default();
    for entry in entries() {
        let mut scene = named(entry.name, &row, 5).unwrap();
        scene.expose(Instant::ZERO, &mut seen);
        let before = ALLOCATIONS.load(Ordering::Relaxed);
        for tenth in 0..6000_u32 {
            scene.expose(Instant::ZERO + Duration::from_millis(100) * tenth, &mut seen);
        }
        let allocations = ALLOCATIONS.load(Ordering::Relaxed) - before;
        assert_eq!(allocations, 0, "{}", entry.name);
    }
}

/// A listener as the daemon has it: what it hears goes into a bounded queue.
struct Ear(SyncSender<Word>);

impl Listener for Ear {
    fn hear(&mut self, word: Word) {
        self.0.try_send(word).unwrap();
    }
}

/// A channel allocates nothing while somebody listens, or might.
fn listening_allocates_nothing() {
    for listened in [false, true] {
        let (queue, words) = sync_channel(1024);
        let channel = Channel::new(channel_config(perturb_and_observe(0.25)));
        let mut channel = Overheard::new(channel, listened.then(|| Ear(queue)));
        let (mut out, mut load, mut heard, mut before) = (Outbox::new(), None, 0, 0);
        for turn in 0..20_000_u32 {
            if turn == 1000 {
                before = ALLOCATIONS.load(Ordering::Relaxed);
            }
            let mono = channel.next_wake();
            let now = Stamp { mono, utc: Utc::default() + mono.saturating_since(Instant::ZERO) };
            channel.note_surroundings(Surroundings::default());
            let mut input = Input::Wake;
            while let Some(command) = channel.handle(now, input, &mut out) {
                input = match command {
                    Command::SetVoltage(setpoint) => {
                        load = Some(setpoint.load());
                        Input::Done
                    }
                    Command::InputOff => {
                        load = None;
                        Input::Done
                    }
                    Command::Measure => {
                        // 37 V and 8 A with 6 V in series: a device as the scripts' trial has it.
                        let load = load.unwrap_or(Volts(43.0)).min(Volts(43.0));
                        let amps = Amps(8.0 * (1.0 - ((load.0 - 6.0) / 37.0).powi(8)));
                        Input::Reading(Reading { at: mono, load, amps, boost: Some(Volts(6.0)) })
                    }
                    _ => Input::Done,
                };
                out.clear();
            }
            out.clear();
            heard += words.try_iter().count();
        }
        let allocations = ALLOCATIONS.load(Ordering::Relaxed) - before;
        assert_eq!(channel.activity(), Activity::Tracking);
        println!("listened to: {listened}, {heard} words, {allocations} allocations");
        // Around, wake, reading, done, and what came of each.
        assert_eq!(heard > 7 * 19_000, listened, "{heard} words");
        assert_eq!(allocations, 0, "listened to: {listened}");
    }
}
