//! Sensors that show something else than they should.

use crate::time::Instant;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

/// What is wrong with a sensor's value.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum SensorFault {
    /// It keeps showing its last value.
    Stuck,
    /// Its value runs away, by this much per second (in the sensor's unit).
    Drifting {
        /// Change per second.
        per_second: f64,
    },
    /// It shows what its interface has for "not a number".
    NotANumber,
}

#[derive(Debug, Default)]
struct State {
    fault: Option<(SensorFault, Instant)>,
    last: Option<f64>,
}

/// A sensor's fault, to be put on and taken off while it works; clones are the same one.
///
/// ```
/// use cresthold_sim::{time::Instant, wire::fault::{SensorFault, Sickness}};
/// use std::time::Duration;
/// let sickness = Sickness::default();
/// let second = |s| Instant::ZERO + Duration::from_secs(s);
/// assert_eq!(sickness.show(second(0), 800.0), 800.0);
/// sickness.set(Some(SensorFault::Stuck), second(1));
/// assert_eq!(sickness.show(second(2), 300.0), 800.0);
/// sickness.set(Some(SensorFault::Drifting { per_second: -2.0 }), second(3));
/// assert_eq!(sickness.show(second(8), 300.0), 290.0);
/// sickness.set(None, second(9));
/// assert_eq!(sickness.show(second(9), 300.0), 300.0);
/// ```
#[derive(Clone, Debug, Default)]
pub struct Sickness(Arc<Mutex<State>>);

impl Sickness {
    /// Puts a fault on from `now` on, or takes it off.
    pub fn set(&self, fault: Option<SensorFault>, now: Instant) {
        self.hold().fault = fault.map(|fault| (fault, now));
    }

    /// What is shown at `now` in place of `healthy`; NaN where it is not a number.
    #[must_use]
    pub fn show(&self, now: Instant, healthy: f64) -> f64 {
        let mut state = self.hold();
        let shown = match state.fault {
            None => healthy,
            Some((SensorFault::NotANumber, _)) => return f64::NAN,
            Some((SensorFault::Stuck, _)) => state.last.unwrap_or(healthy),
            Some((SensorFault::Drifting { per_second }, since)) => {
                healthy + per_second * now.saturating_since(since).as_secs_f64()
            }
        };
        state.last = Some(shown);
        shown
    }

    fn hold(&self) -> MutexGuard<'_, State> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }
}
