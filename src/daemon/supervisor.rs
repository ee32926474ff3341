//! What the service manager is told: ready, alive, in so many words, ending.
//!
//! Model: the readiness protocol of systemd (sd_notify(3)). Nothing is told where nobody asked, that is
//! without `NOTIFY_SOCKET`. The watchdog is fed only while control turns: a channel that is stuck, or a
//! thread that hangs, starves it, and the manager starts the program anew, which begins with input off.
//! A log that can't be written does not starve it: starting anew would not mend a disk.
//!
//! The manager's socket holds some ten messages. One that does not read them, as while it is busy with
//! itself, would make an ordinary send wait, and control with it: nothing here waits. What could not be
//! told is told at the next turn.
//!
//! Rejected: feeding from a thread of its own, which would live on happily while control is dead.

use sd_notify::NotifyState;
use std::io;
use std::os::unix::ffi::OsStrExt as _;
use std::os::unix::net::{SocketAddr, UnixDatagram};
use std::path::Path;
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
        tell: &mut dyn FnMut(&NotifyState<'_>) -> bool,
    ) {
        let over = |last: Option<WallInstant>, every| {
            last.is_none_or(|last| now.saturating_duration_since(last) >= every)
        };
        if begun && !self.ready {
            self.ready = tell(&NotifyState::Ready);
        }
        let hungry = self.feed_every.is_some_and(|every| over(self.fed, every));
        if turning && hungry && tell(&NotifyState::Watchdog) {
            self.fed = Some(now);
        }
        if over(self.said, WORDS_EVERY) && tell(&NotifyState::Status(&words())) {
            self.said = Some(now);
        }
    }

    /// The run is ending; letting go may take a while.
    pub(super) fn stopping() {
        // Nobody waits for a manager that does not listen.
        let _ = tell(&NotifyState::Stopping);
    }
}

/// Whether that was told, or nobody asked. A manager that doesn't listen must not disturb the run.
fn tell(state: &NotifyState<'_>) -> bool {
    let Some(name) = std::env::var_os("NOTIFY_SOCKET") else { return true };
    let message = format!("{state}\n");
    let told = manager(Path::new(&name)).and_then(|socket| socket.send(message.as_bytes()));
    told.is_ok()
}

/// The manager's socket: a file, or a name that begins with @ and is no file's.
fn manager(name: &Path) -> io::Result<UnixDatagram> {
    let socket = UnixDatagram::unbound()?;
    socket.set_nonblocking(true)?;
    let address = match name.as_os_str().as_bytes().strip_prefix(b"@") {
        Some(name) => abstract_address(name)?,
        None => SocketAddr::from_pathname(name)?,
    };
    socket.connect_addr(&address)?;
    Ok(socket)
}

#[cfg(target_os = "linux")]
fn abstract_address(name: &[u8]) -> io::Result<SocketAddr> {
    use std::os::linux::net::SocketAddrExt as _;
    SocketAddr::from_abstract_name(name)
}

#[cfg(not(target_os = "linux"))]
fn abstract_address(_name: &[u8]) -> io::Result<SocketAddr> {
    Err(io::ErrorKind::Unsupported.into())
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
                true
            });
        }
        let when = |text: &str| -> Vec<u64> {
            told.iter().filter(|(_, said)| said.contains(text)).map(|(at, _)| *at).collect()
        };
        assert_eq!(when("READY=1"), [2]);
        assert_eq!(when("WATCHDOG=1"), [0, 10, 20, 45, 55]);
        assert_eq!(when("STATUS=fine"), [0, 30]);
    }

    /// More messages than any queue holds, to a manager that reads none of them.
    #[test]
    fn nobody_who_listens_holds_it_up() {
        let directory = tempfile::tempdir().expect("a scratch directory");
        let name = directory.path().join("notify");
        let deaf = UnixDatagram::bind(&name).expect("a socket");
        let send = || manager(&name).and_then(|socket| socket.send(b"WATCHDOG=1\n"));
        let errors: Vec<_> = (0..10_000).filter_map(|_| send().err()).collect();
        assert!(errors.iter().all(|error| error.kind() == io::ErrorKind::WouldBlock), "{errors:?}");
        assert!(!errors.is_empty() && errors.len() < 10_000);
        // What could not be told is told as soon as there is room again.
        let mut supervisor = Supervisor { feed_every: None, fed: None, said: None, ready: false };
        let mut deaf_until = |room: bool| {
            supervisor.tick_at(WallInstant::now(), (true, true), String::new, &mut |_| room);
            (supervisor.ready, supervisor.said.is_some())
        };
        assert_eq!(deaf_until(false), (false, false));
        assert_eq!(deaf_until(true), (true, true));
        drop(deaf);
    }
}
