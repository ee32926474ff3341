//! A script as a tracker that can't do harm.

use super::call::{Failure, Run};
use super::{ScriptConfig, Trouble};
use crate::trackers::{
    Observation, PerturbAndObserve, PerturbAndObserveConfig, Start, Tracker, Wish,
};

/// After this many failed steps in a row another tracker takes over: a second at 10 Hz.
pub const FAILURES: u32 = 10;
/// The other tracker's step, as a share of the open-circuit voltage: what is usual for perturb and
/// observe at this period.
const FALLBACK_STEP: f64 = 0.005;

/// Runs a script, and perturb and observe in its place when it fails.
#[derive(Clone, Debug)]
pub struct Scripted {
    run: Run,
    fallback: PerturbAndObserve,
    /// Failed steps in a row; [`FAILURES`] when the fallback has taken over.
    failures: u32,
    /// Whether a failure has been told since the channel woke.
    told: bool,
    trouble: Option<Trouble>,
}

impl Scripted {
    /// A tracker with these settings.
    #[must_use]
    pub fn new(config: &ScriptConfig) -> Self {
        Self {
            run: Run::new(config),
            fallback: fallback(0.0),
            failures: 0,
            told: false,
            trouble: None,
        }
    }

    fn replaced(&self) -> bool {
        self.failures >= FAILURES
    }

    fn failed(&mut self, failure: &Failure) {
        let (fault, line) = failure.fault();
        self.failures += 1;
        if self.replaced() {
            self.trouble = Some(Trouble { fault, line, replaced_after: self.failures });
        } else if !self.told {
            self.trouble = Some(Trouble { fault, line, replaced_after: 0 });
        }
        self.told = true;
    }
}

fn fallback(open_circuit: f64) -> PerturbAndObserve {
    let step = crate::quantities::Volts(open_circuit * FALLBACK_STEP);
    PerturbAndObserve::new(PerturbAndObserveConfig { step })
}

impl Tracker for Scripted {
    fn start(&mut self, from: &Start) -> Wish {
        // A new day, or the end of a rest: a new chance. A sweep is no reason for one.
        if from.crest.is_none() {
            (self.failures, self.told) = (0, false);
        }
        self.fallback = fallback(from.open_circuit.0);
        let foothold = self.fallback.start(from);
        if self.replaced() {
            return foothold;
        }
        match self.run.start(from) {
            Ok(wish) => wish,
            Err(failure) => {
                self.failed(&failure);
                foothold
            }
        }
    }

    fn step(&mut self, seen: &Observation) -> Wish {
        if self.replaced() {
            return self.fallback.step(seen);
        }
        match self.run.step(seen) {
            Ok(wish) => {
                self.failures = 0;
                wish
            }
            Err(failure) => {
                self.failed(&failure);
                Wish::Hold(seen.setpoint)
            }
        }
    }

    fn trouble(&mut self) -> Option<Trouble> {
        self.trouble.take()
    }
}
