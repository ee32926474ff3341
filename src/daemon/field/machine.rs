//! What a run takes from the machine that it runs on.
//!
//! Model: a real run takes the system's clock, locked files and a writer on a thread of its own, and
//! looks around ten times a second. A harness that lives through years in virtual time has a wall
//! clock that steps, a disk that falls ill, and more leisure.

use crate::control::WRITTEN;
use crate::control::record::Record;
use crate::daemon::wall;
use crate::store::{Book, OpenTails, Opened, StoreError, Writer, locked_tail};
use crate::time::Utc;
use std::rc::Rc;
use std::time::Duration;

/// How the writer of a log that was opened is started.
pub type StartWriter = Rc<dyn Fn(Opened, Book) -> Result<Writer, StoreError>>;

/// See the module.
#[derive(Clone)]
pub struct Machine {
    /// How often the shell looks for a request to stop or for a curve, feeds the watchdog, and
    /// redraws (s).
    pub tick: Duration,
    /// How often the sensors' board judges (s): alarms count in seconds.
    pub judge: Duration,
    /// The wall clock.
    pub wall: Rc<dyn Fn() -> Utc>,
    /// A wall clock that shows an earlier time is wrong.
    pub earliest: Utc,
    /// How tails are opened.
    pub tails: OpenTails,
    /// How the writer is started.
    pub writer: StartWriter,
    /// Whether control waits for the recorder; never on a roof. In virtual time hours pass within a
    /// second, and no disk keeps up.
    pub recorder_waits: bool,
    /// Hears every record before it goes to the writer.
    pub heard: Rc<dyn Fn(&Record)>,
}

impl Default for Machine {
    fn default() -> Self {
        Self {
            tick: Duration::from_millis(100),
            judge: Duration::from_secs(1),
            wall: Rc::new(wall),
            earliest: WRITTEN,
            tails: locked_tail,
            writer: Rc::new(Writer::start_with),
            recorder_waits: false,
            heard: Rc::new(|_| {}),
        }
    }
}

impl Machine {
    /// The same with a wall clock that stands at `began` now and goes with the runtime's time.
    #[must_use]
    pub fn dated(self, began: Utc) -> Self {
        let since = tokio::time::Instant::now();
        let earliest = self.earliest.min(began);
        Self { wall: Rc::new(move || began + since.elapsed()), earliest, ..self }
    }
}
