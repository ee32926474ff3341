//! One tracker on one bench through one scene, in virtual time.
//!
//! Model: the very [`Channel`] of the field, its guard in force, wired to a [`Bench`] that lives in
//! pieces through which conditions hold still ([`Scene`]). What was delivered and what the crest
//! offered are the plant's own truth, through every transient, from the end of the setup to the end
//! of the scene. The same seed gives the same bytes.

use super::outcome::{Outcome, Tally};
use super::sensed::Sensed;
use super::{BenchSettings, Plant};
use crate::control::record::{Event, Happening, Record};
use crate::control::{Channel, Input, Surroundings};
use crate::quantities::{Irradiance, Volts, Watts};
use crate::rehearsal::{Wired, World};
use crate::time::{Instant, Stamp, Utc};
use crate::trackers::TrackerConfig;
use cresthold_sim::bench::{Bench, Measurement};
use cresthold_sim::scene::{Exposure, Scene};
use std::time::Duration;

/// Wall time of a trial's beginning: only a label (2026-06-21T12:00:00Z).
const BEGAN: Utc = Utc::from_micros(1_782_043_200_000_000);

/// Why a trial can't be done.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum TrialError {
    /// The scene lights another number of substrings than the device has.
    #[error(
        "the scene lights {lit} substrings, the device has {has}; choose a scenario for this device"
    )]
    Substrings {
        /// Lit by the scene.
        lit: usize,
        /// In the device.
        has: usize,
    },
}

/// What is tried.
#[derive(Clone, Debug)]
pub struct Trial<'a> {
    /// The tracker.
    pub tracker: TrackerConfig,
    /// The bench.
    pub settings: &'a BenchSettings,
    /// The device.
    pub plant: &'a Plant,
    /// Feeds the noise of meters and sensors.
    pub seed: u64,
}

/// What is seen at one reading, the truth beside it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Moment {
    /// When the reading ended.
    pub at: Instant,
    /// Light on the device, or on its brightest substring (W/m2).
    pub irradiance: Irradiance,
    /// Device voltage as it is (V).
    pub volts: Volts,
    /// Power as it is (W).
    pub watts: Watts,
    /// Voltage of the crest (V).
    pub crest_volts: Volts,
    /// Power of the crest (W).
    pub crest_watts: Watts,
}

impl Trial<'_> {
    /// Runs it through `scene`.
    ///
    /// # Errors
    /// [`TrialError`] when scene and device don't fit.
    pub fn run(&self, scene: &mut dyn Scene) -> Result<Outcome, TrialError> {
        self.watch(scene, &mut |_| {})
    }

    /// The same, `watch` seeing each reading.
    ///
    /// # Errors
    /// [`TrialError`] when scene and device don't fit.
    pub fn watch(
        &self,
        scene: &mut dyn Scene,
        watch: &mut dyn FnMut(&Moment),
    ) -> Result<Outcome, TrialError> {
        let mut exposure = Exposure::default();
        scene.expose(Instant::ZERO, &mut exposure);
        let has = self.plant.source().substrings();
        if let Some(lit) = exposure.substrings().map(<[_]>::len).filter(|lit| *lit != has) {
            return Err(TrialError::Substrings { lit, has });
        }
        let (setup, end) = (scene.setup(), Instant::ZERO + scene.length());
        let channel = Channel::new(self.settings.channel(self.plant, self.tracker.clone()));
        let mut wired = Wired::new(channel, self.settings.bench(self.plant, self.seed), false);
        let sensed = Sensed::new(self.settings, setup, self.seed);
        let mut around = Around {
            scene,
            exposure,
            told: Exposure::default(),
            sensed,
            tally: Tally::new(setup),
            counts: Counts::default(),
            watch,
        };
        while wired.channel.next_wake() < end {
            let now = wired.channel.next_wake();
            around.pass(&mut wired.bench, now);
            if let Some(surroundings) = around.sense(now) {
                wired.channel.note_surroundings(surroundings);
            }
            wired.converse(stamp(now), Input::Wake, &mut around);
            around.counts.turns += 1;
        }
        around.pass(&mut wired.bench, end);
        let Around { tally, counts, .. } = around;
        let outcome = tally.close(wired.bench.now(), &wired.bench.truth());
        let held = wired.channel.wishes_held();
        Ok(Outcome {
            let_go: counts.let_go,
            held: counts.held + held,
            turns: counts.turns,
            ..outcome
        })
    }
}

fn stamp(mono: Instant) -> Stamp {
    Stamp { mono, utc: BEGAN + mono.saturating_since(Instant::ZERO) }
}

#[derive(Default)]
struct Counts {
    let_go: u32,
    held: u32,
    turns: u64,
}

/// The scene around a bench, and what is counted of it.
struct Around<'a> {
    scene: &'a mut dyn Scene,
    exposure: Exposure,
    /// What the bench has been told last.
    told: Exposure,
    sensed: Sensed,
    tally: Tally,
    counts: Counts,
    watch: &'a mut dyn FnMut(&Moment),
}

impl Around<'_> {
    /// Conditions as they are at `at` hold on the bench from now on.
    fn expose(&mut self, bench: &mut Bench, at: Instant) {
        self.scene.expose(at, &mut self.exposure);
        if self.exposure == self.told {
            return;
        }
        let cell = self.exposure.cell();
        let fits = match self.exposure.substrings() {
            Some(each) => bench.set_substring_conditions(each, cell).is_ok(),
            None => {
                bench.set_conditions(self.exposure.irradiance(), cell);
                true
            }
        };
        debug_assert!(fits, "the number of substrings was checked at the start");
        self.told.clone_from(&self.exposure);
    }
}

impl World for Around<'_> {
    fn pass(&mut self, bench: &mut Bench, to: Instant) {
        loop {
            let now = bench.now();
            if now >= self.tally.mark() {
                self.tally.tick(now, &bench.truth());
            }
            let left = to.min(self.tally.mark()).saturating_since(now);
            if to <= now {
                break;
            }
            let piece = self.scene.still_for(now).min(left);
            self.expose(bench, now + piece / 2);
            bench.advance(now + piece);
        }
    }

    fn sense(&mut self, now: Instant) -> Option<Surroundings> {
        self.sensed.look(now, &self.exposure)
    }

    fn before_window(&mut self, bench: &mut Bench, window: Duration) {
        self.expose(bench, bench.now() + window / 2);
    }

    fn measured(&mut self, bench: &Bench, _seen: &Measurement) {
        let (operating, crest) = (bench.operating(), bench.crest());
        (self.watch)(&Moment {
            at: bench.now(),
            irradiance: self.exposure.irradiance(),
            volts: operating.device,
            watts: operating.watts(),
            crest_volts: crest.volts,
            crest_watts: crest.watts,
        });
    }

    fn tell(&mut self, _bench: &Bench, _now: Stamp, record: Record) {
        let Record::Event(Event { what, .. }) = record else { return };
        match what {
            Happening::LetGo { .. } => self.counts.let_go += 1,
            Happening::WishHeld { times } => self.counts.held += times,
            _ => {}
        }
    }
}
