//! What the service manager is told: ready, alive, in so many words, ending.
//!
//! Model: the readiness protocol of systemd (sd_notify(3)). Nothing is told where nobody asked, that is
//! without `NOTIFY_SOCKET`. The watchdog is fed only while control turns: a channel that is stuck, or a
//! thread that hangs, starves it, and the manager starts the program anew, which begins with input off.
//! A log that can't be written does not starve it: starting anew would not mend a disk.
//!
//! Rejected: feeding from a thread of its own, which would live on happily while control is dead.

use sd_notify::NotifyState;
use std::time::{Duration, Instant as WallInstant};

/// How often the words are renewed, where no watchdog asks for more.
const WORDS_EVERY: Duration = Duration::from_secs(30);

/// The way to the service manager.
#[derive(Debug)]
pub(super) struct Supervisor {
    /// How often to feed the watchdog; none without one.
    feed_every: Option<Duration>,
    fed: Option<WallInstant>,
    said: Option<WallInstant>,
    ready: bool,
}

impl Supervisor {
    /// Whoever started this process.
    pub(super) fn new() -> Self {
        // A third: two meals may be missed by a busy machine.
        let feed_every = sd_notify::watchdog_enabled().map(|limit| limit / 3);
        Self { feed_every, fed: None, said: None, ready: false }
    }

    /// To be called often. `begun`: every channel has been called once; `turning`: none is stuck.
    pub(super) fn tick(&mut self, begun: bool, turning: bool, words: impl FnOnce() -> String) {
        self.tick_at(WallInstant::now(), (begun, turning), words, &mut tell);
    }

    fn tick_at(
        &mut self,
        now: WallInstant,
        (begun, turning): (bool, bool),
        words: impl FnOnce() -> String,
        tell: &mut dyn FnMut(NotifyState<'_>),
    ) {
        let over = |last: Option<WallInstant>, every| {
            last.is_none_or(|last| now.saturating_duration_since(last) >= every)
        };
        if begun && !self.ready {
            self.ready = true;
            tell(NotifyState::Ready);
        }
        if turning && self.feed_every.is_some_and(|every| over(self.fed, every)) {
            self.fed = Some(now);
            tell(NotifyState::Watchdog);
        }
        if over(self.said, WORDS_EVERY) {
            self.said = Some(now);
            tell(NotifyState::Status(&words()));
        }
    }

    /// The run is ending; letting go may take a while.
    pub(super) fn stopping() {
        tell(NotifyState::Stopping);
    }
}

/// A manager that doesn't listen must not disturb the run.
fn tell(state: NotifyState<'_>) {
    let _ = sd_notify::notify(&[state]);
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_watchdog_starves_while_a_channel_is_stuck() {
        let feed_every = Some(Duration::from_secs(10));
        let mut supervisor = Supervisor { feed_every, fed: None, said: None, ready: false };
        let began = WallInstant::now();
        let mut told = Vec::new();
        // Ready after 2 s; stuck from 25 to 45 s.
        for second in 0..60 {
            let now = began + Duration::from_secs(second);
            let state = (second >= 2, !(25..45).contains(&second));
            supervisor.tick_at(now, state, || "fine".to_owned(), &mut |state| {
                told.push((second, state.to_string()));
            });
        }
        let when = |text: &str| -> Vec<u64> {
            told.iter().filter(|(_, said)| said.contains(text)).map(|(at, _)| *at).collect()
        };
        assert_eq!(when("READY=1"), [2]);
        assert_eq!(when("WATCHDOG=1"), [0, 10, 20, 45, 55]);
        assert_eq!(when("STATUS=fine"), [0, 30]);
    }
}
