//! Bugs on purpose, at places where the logger or what it stands on may have some. They live in the
//! swarm's own layers and in what it hands to the daemon; the shipped program has no such switch.

use crate::disk;
use crate::oracle::witness::Witness;
use cresthold::quantities::{Amps, Volts};
use cresthold::station::Station;
use cresthold::store::{StoreError, TailFile};
use cresthold_sim::wire::{LoadPort, Measured, SupplyPort};
use std::cell::Cell;
use std::io::Result;
use std::path::Path;
use std::sync::{Arc, Mutex};
use std::time::Duration;

/// One bug.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Bug {
    /// What is flushed does not reach the disk.
    SwallowedFlush,
    /// One write in some hundreds is told as done and is not.
    SwallowedWrite,
    /// Now and then the answer before is taken for the answer.
    StaleReading,
    /// A boost supply that has collapsed is told to be well.
    UnseenCollapse,
    /// An end is boost off, then input off.
    BoostOffFirst,
    /// The input goes on at once, before the boost supply was measured.
    InputOnFirst,
    /// Energy is counted across gaps.
    BridgedGap,
    /// A limit of the envelope is not watched.
    UnwatchedLimit,
    /// A lost link is not tried again for days.
    EndlessWait,
    /// The computer's time is that of the zone.
    SummerTime,
}

impl Bug {
    pub(crate) const ALL: [Self; 10] = [
        Self::SwallowedFlush,
        Self::SwallowedWrite,
        Self::StaleReading,
        Self::UnseenCollapse,
        Self::BoostOffFirst,
        Self::InputOnFirst,
        Self::BridgedGap,
        Self::UnwatchedLimit,
        Self::EndlessWait,
        Self::SummerTime,
    ];

    pub(crate) fn named(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|bug| format!("{bug:?}") == name)
    }

    /// What the daemon is to believe of its station.
    pub(crate) fn spoil(self, station: &mut Station) {
        let control = &mut station.channels[0].control;
        match self {
            Self::BridgedGap => control.max_gap = Duration::from_secs(86_400),
            Self::UnwatchedLimit => control.envelope.sensed.device_temperature_max = None,
            Self::EndlessWait => {
                control.retry.first = Duration::from_secs(5 * 86_400);
                control.retry.longest = control.retry.first;
            }
            _ => {}
        }
    }

    /// What the wall clock is ahead (us).
    pub(crate) fn ahead(self) -> i64 {
        if self == Self::SummerTime { 3_600_000_000 } else { 0 }
    }
}

#[derive(Default)]
struct State {
    measured: u32,
    last: Option<Measured>,
    off_later: bool,
}

/// What stands between the instruments' front ends and the plant; without a bug, nothing.
#[derive(Clone)]
pub(crate) struct Terminals {
    witness: Witness,
    bug: Option<Bug>,
    state: Arc<Mutex<State>>,
}

impl Terminals {
    pub(crate) fn new(witness: Witness, bug: Option<Bug>) -> Self {
        Self { witness, bug, state: Arc::default() }
    }

    fn has(&self, bug: Bug) -> bool {
        self.bug == Some(bug)
    }

    fn with<T>(&self, look: impl FnOnce(&mut State) -> T) -> T {
        look(&mut self.state.lock().unwrap())
    }
}

impl LoadPort for Terminals {
    fn set_volts(&mut self, volts: Volts) {
        LoadPort::set_volts(&mut self.witness, volts);
    }
    fn volts(&self) -> Volts {
        LoadPort::volts(&self.witness)
    }
    fn volts_max(&self) -> Volts {
        LoadPort::volts_max(&self.witness)
    }
    fn set_protection(&mut self, amps: Amps) {
        self.witness.set_protection(amps);
    }
    fn protection(&self) -> Amps {
        self.witness.protection()
    }
    fn amps_max(&self) -> Amps {
        LoadPort::amps_max(&self.witness)
    }
    fn set_input(&mut self, on: bool) {
        let later = self.has(Bug::BoostOffFirst) && !on && self.witness.output();
        self.with(|state| state.off_later = later);
        if !later {
            self.witness.set_input(on);
        }
    }
    fn input(&self) -> bool {
        self.witness.input() && !self.with(|state| state.off_later)
    }
    fn measure(&mut self) -> Measured {
        /// Every so many measurements.
        const STALE: u32 = 500;
        let measured = LoadPort::measure(&mut self.witness);
        let stale = self.has(Bug::StaleReading);
        self.with(|state| {
            state.measured += 1;
            let before = state.last.replace(measured);
            before.filter(|_| stale && state.measured.is_multiple_of(STALE)).unwrap_or(measured)
        })
    }
}

impl SupplyPort for Terminals {
    fn set_volts(&mut self, volts: Volts) {
        SupplyPort::set_volts(&mut self.witness, volts);
    }
    fn volts(&self) -> Volts {
        SupplyPort::volts(&self.witness)
    }
    fn volts_max(&self) -> Volts {
        SupplyPort::volts_max(&self.witness)
    }
    fn set_limit(&mut self, amps: Amps) {
        self.witness.set_limit(amps);
    }
    fn limit(&self) -> Amps {
        self.witness.limit()
    }
    fn amps_max(&self) -> Amps {
        SupplyPort::amps_max(&self.witness)
    }
    fn set_output(&mut self, on: bool) {
        self.witness.set_output(on);
        if on && self.has(Bug::InputOnFirst) {
            self.witness.set_input(true);
        }
        if !on && self.with(|state| std::mem::take(&mut state.off_later)) {
            self.witness.set_input(false);
        }
    }
    fn output(&self) -> bool {
        self.witness.output()
    }
    fn measure(&mut self) -> Measured {
        let measured = SupplyPort::measure(&mut self.witness);
        if self.has(Bug::UnseenCollapse) && self.output() {
            return Measured { volts: SupplyPort::volts(self), ..measured };
        }
        measured
    }
    fn set_collapsed(&mut self, collapsed: bool) {
        self.witness.set_collapsed(collapsed);
    }
}

/// A tail that swallows one write in so many.
#[derive(Debug)]
struct Leaky(Box<dyn TailFile>);

thread_local! {
    static WRITES: Cell<u32> = const { Cell::new(0) };
}

/// A tail of [`Bug::SwallowedWrite`].
pub(crate) fn leaky_tail(log: &Path) -> std::result::Result<Box<dyn TailFile>, StoreError> {
    Ok(Box::new(Leaky(disk::tail(log)?)))
}

impl TailFile for Leaky {
    fn read(&mut self) -> Result<Vec<u8>> {
        self.0.read()
    }
    fn write(&mut self, offset: u64, bytes: &[u8]) -> Result<()> {
        const SWALLOWED: u32 = 300;
        let count = WRITES.get() + 1;
        WRITES.set(count);
        if count.is_multiple_of(SWALLOWED) { Ok(()) } else { self.0.write(offset, bytes) }
    }
    fn sync(&mut self) -> Result<()> {
        self.0.sync()
    }
    fn clear(&mut self) -> Result<()> {
        self.0.clear()
    }
    fn remove(&mut self) -> Result<()> {
        self.0.remove()
    }
}
