//! One run as it was heard: what its log must hold.

use cresthold::control::record::Sample;
use cresthold::store::Status;

/// Entries that the writer takes at once.
const BATCH: usize = 4096;

/// A sample as it was offered to the writer.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Kept {
    /// Monotonic time of its run (us).
    pub(crate) mono: i64,
    pub(crate) sample: Sample,
}

/// A day's totals as they were offered.
#[derive(Clone, Copy, Debug)]
pub(crate) struct DayKept {
    /// When its book was begun, which it is known by, and when they were taken (us).
    pub(crate) began: i64,
    pub(crate) mono: i64,
    /// Energy (Wh), time covered and missing (s).
    pub(crate) totals: [f64; 3],
}

/// What was offered to the writer, and how much of it is told as kept.
#[derive(Debug)]
pub(crate) struct Offered<T> {
    pub(crate) all: Vec<T>,
    told: usize,
}

impl<T> Default for Offered<T> {
    fn default() -> Self {
        Self { all: Vec::new(), told: 0 }
    }
}

impl<T> Offered<T> {
    pub(crate) fn told(&self) -> &[T] {
        &self.all[..self.told]
    }

    fn tell(&mut self) {
        self.told = self.all.len();
    }
}

/// See the module.
#[derive(Debug, Default)]
pub(crate) struct RunBook {
    /// When it began by its own wall clock (us), which no other run of the life shares.
    pub(crate) key: i64,
    /// When it truly began (s of the life).
    pub(crate) began: f64,
    pub(crate) samples: Offered<Kept>,
    /// Energy of each minute (Wh).
    pub(crate) minutes: Offered<f64>,
    pub(crate) days: Offered<DayKept>,
    /// Codes.
    pub(crate) events: Offered<&'static str>,
    /// Entries offered since the writer last had nothing left.
    waiting: usize,
    /// What the measurements of the run make, none across a gap (Wh).
    pub(crate) measured: f64,
    /// Time (s of the life) and power (W) of the last one.
    pub(crate) last_measure: Option<(f64, f64)>,
    /// Whether it may have been a glance: it came sooner than a period allows.
    pub(crate) glanced: bool,
    /// Left out, lost and refused, as the writer counted.
    pub(crate) counted: u64,
    pub(crate) under_way: bool,
    /// Whether it ended in order, with all it had written.
    pub(crate) whole: bool,
    /// Whether its wall clock was right all the time.
    pub(crate) right_clock: bool,
}

impl RunBook {
    pub(crate) fn new(key: i64, began: f64, right_clock: bool) -> Self {
        Self { key, began, right_clock, under_way: true, ..Self::default() }
    }

    /// One more entry is offered.
    pub(crate) fn offer(&mut self) {
        self.waiting += 1;
    }

    /// The writer came round.
    pub(crate) fn turned(&mut self, status: &Status) {
        if status.waiting == 0 {
            if self.waiting < BATCH {
                self.tell();
            }
            self.waiting = 0;
        }
        self.count(status);
    }

    /// The run is over; `whole` where it has said that all it had is written.
    pub(crate) fn end(&mut self, whole: bool, status: Option<&Status>) {
        (self.under_way, self.whole) = (false, whole);
        status.into_iter().for_each(|status| self.count(status));
        if whole {
            self.tell();
        }
    }

    fn count(&mut self, status: &Status) {
        self.counted = status.left_out + status.lost + status.refused;
    }

    fn tell(&mut self) {
        self.samples.tell();
        self.minutes.tell();
        self.days.tell();
        self.events.tell();
    }
}
