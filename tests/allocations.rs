//! The controller allocates nothing once it tracks, whichever tracker it has.
//!
//! Model: a global allocator that counts, and two hours of the recorded day in virtual time. The
//! whole yard is measured, plant and sky included: they allocate nothing either, so nothing has to
//! be told apart. Allocations are counted process-wide, so this file holds one test only.

#![allow(unsafe_code, reason = "a global allocator can't be written without; it only counts")]
#![allow(clippy::unwrap_used, reason = "the shared helpers may fail as a test does")]

mod support;

use cresthold::control::SweepBy;
use cresthold::control::record::{Activity, Record};
use cresthold::quantities::{MetresPerSecond, Volts};
use cresthold::rehearsal::Yard;
use cresthold::time::{Instant, Utc};
use cresthold::trackers::{
    FractionalVocConfig, HoldConfig, IncrementalConductanceConfig, TrackerConfig,
};
use cresthold_sim::sky::recorded::{RecordedSky, embedded_payerne};
use std::alloc::{GlobalAlloc, Layout, System};
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Duration;
use support::{channel_config, crystalline_stand, perturb_and_observe};

/// The system's allocator, counting what is asked of it.
struct Counting;

static ALLOCATIONS: AtomicU64 = AtomicU64::new(0);

// SAFETY: every call goes to the system's allocator unchanged, which keeps the contract.
unsafe impl GlobalAlloc for Counting {
    unsafe fn alloc(&self, layout: Layout) -> *mut u8 {
        ALLOCATIONS.fetch_add(1, Ordering::Relaxed);
        // SAFETY: the caller keeps the contract of `alloc`.
        unsafe { System.alloc(layout) }
    }

    unsafe fn dealloc(&self, block: *mut u8, layout: Layout) {
        // SAFETY: the block came from `System`, with this layout.
        unsafe { System.dealloc(block, layout) }
    }

    unsafe fn realloc(&self, block: *mut u8, layout: Layout, size: usize) -> *mut u8 {
        ALLOCATIONS.fetch_add(1, Ordering::Relaxed);
        // SAFETY: the block came from `System`, with this layout.
        unsafe { System.realloc(block, layout, size) }
    }
}

#[global_allocator]
static COUNTING: Counting = Counting;

/// From the morning's darkness into the light and to the crest.
const WARM_UP: Duration = Duration::from_secs(10 * 3600);
const MEASURED: Duration = Duration::from_secs(2 * 3600);

/// One of each in the registry.
fn trackers() -> [TrackerConfig; 4] {
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
    ]
}

#[test]
fn nothing_is_allocated_while_tracking() {
    assert_eq!(trackers().map(|tracker| tracker.name()), TrackerConfig::NAMES);
    let before = ALLOCATIONS.load(Ordering::Relaxed);
    drop(std::hint::black_box(Box::new(before)));
    assert!(ALLOCATIONS.load(Ordering::Relaxed) > before, "the counter counts");

    let began: Utc = "2016-06-15T00:00:00Z".parse().unwrap();
    for tracker in trackers() {
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
        assert_eq!(yard.stands()[0].channel().activity(), Activity::Tracking, "{}", tracker.name());

        let before = ALLOCATIONS.load(Ordering::Relaxed);
        yard.run_until(Instant::ZERO + WARM_UP + MEASURED, &mut |record| {
            records += 1;
            curves += u32::from(matches!(record, Record::Curve(_)));
        });
        let allocations = ALLOCATIONS.load(Ordering::Relaxed) - before;
        println!("{}: {records} records, {allocations} allocations", tracker.name());
        // One sample a second and more.
        assert!(records > 7200, "{}: only {records} records", tracker.name());
        assert!(curves >= 10, "{}: only {curves} curves", tracker.name());
        assert_eq!(allocations, 0, "{}", tracker.name());
        assert_eq!(yard.stands()[0].channel().activity(), Activity::Tracking, "{}", tracker.name());
    }
}
