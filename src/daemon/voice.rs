//! Standard error for those who may not wait for whoever reads it.
//!
//! Model: a terminal can be held (Ctrl-S), a connection can hang, a journal can be busy; a write then
//! waits, for hours if need be. The thread that control turns on therefore writes nothing: it hands its
//! words to a thread that does, and goes on. What finds no room is left out, and how many lines that
//! were is said once there is room again.
//!
//! Rejected: a non-blocking standard error (the flag belongs to the terminal, and so to every other
//! program on it).

use std::io::{self, Write};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::mpsc::{Receiver, SyncSender, TrySendError, sync_channel};
use std::thread;
use std::time::Duration;

/// So many texts wait at most: a burst of a station's warnings, or some pictures of its status.
const MOST_WAITING: usize = 64;
/// How long the end of a run waits for its words to be written.
const LAST_WORDS: Duration = Duration::from_secs(1);

enum Said {
    Text(Vec<u8>),
    /// All before this is written: whoever waits for that is told.
    Mark(SyncSender<()>),
}

/// The way to the thread that writes.
#[derive(Clone, Debug)]
pub struct Voice {
    said: SyncSender<Said>,
    left_out: Arc<AtomicU64>,
}

impl Voice {
    /// A voice on standard error.
    ///
    /// # Errors
    /// When the system gives no thread.
    pub fn new() -> io::Result<Self> {
        Self::on(io::stderr())
    }

    /// A voice on whatever takes bytes.
    ///
    /// # Errors
    /// When the system gives no thread.
    pub fn on(out: impl Write + Send + 'static) -> io::Result<Self> {
        let (said, heard) = sync_channel(MOST_WAITING);
        thread::Builder::new().name("voice".to_owned()).spawn(move || speak(&heard, out))?;
        Ok(Self { said, left_out: Arc::default() })
    }

    /// Hands a text over; whether there was room for it.
    pub(super) fn say(&self, text: Vec<u8>) -> bool {
        self.said.try_send(Said::Text(text)).is_ok()
    }

    /// Says how many lines were left out until now; whether there is nothing of that kind left to say.
    fn owns_up(&self) -> bool {
        let lines = self.left_out.load(Ordering::Relaxed);
        if lines == 0 {
            return true;
        }
        let text = format!(
            "{lines} lines left out: nobody took them in time; the events are in the log\n"
        );
        let said = self.say(text.into_bytes());
        if said {
            self.left_out.fetch_sub(lines, Ordering::Relaxed);
        }
        said
    }

    /// Waits a moment until all is written that was said.
    pub fn drain(&self) {
        self.owns_up();
        let (done, told) = sync_channel(1);
        let until = std::time::Instant::now() + LAST_WORDS;
        let mut mark = Said::Mark(done);
        while let Err(TrySendError::Full(back)) = self.said.try_send(mark) {
            if std::time::Instant::now() >= until {
                return;
            }
            mark = back;
            thread::sleep(LAST_WORDS / 20);
        }
        let left = until.saturating_duration_since(std::time::Instant::now());
        // Nothing else can be done for a reader who doesn't read.
        let _ = told.recv_timeout(left);
    }
}

/// Each write is one line of the run's own log, whole.
impl Write for Voice {
    fn write(&mut self, line: &[u8]) -> io::Result<usize> {
        if !(self.owns_up() && self.say(line.to_vec())) {
            self.left_out.fetch_add(1, Ordering::Relaxed);
        }
        Ok(line.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

/// Writes until nobody is left who could say something.
fn speak(heard: &Receiver<Said>, mut out: impl Write) {
    for said in heard {
        // Where standard error is closed, or who waited has gone on, nobody listens.
        let _ = match said {
            Said::Text(text) => out.write_all(&text).and_then(|()| out.flush()).is_ok(),
            Said::Mark(done) => done.send(()).is_ok(),
        };
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::sync::Mutex;

    /// Takes bytes only while its gate is open.
    #[derive(Clone, Default)]
    struct Held {
        gate: Arc<Mutex<()>>,
        taken: Arc<Mutex<Vec<u8>>>,
    }

    impl Write for Held {
        fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
            let _open = self.gate.lock().expect("no holder panics");
            self.taken.lock().expect("no holder panics").extend_from_slice(bytes);
            Ok(bytes.len())
        }

        fn flush(&mut self) -> io::Result<()> {
            Ok(())
        }
    }

    #[test]
    fn what_nobody_takes_is_left_out_and_counted() {
        let held = Held::default();
        let mut voice = Voice::on(held.clone()).expect("a thread");
        let shut = held.gate.lock().expect("no holder panics");
        for line in 0..1000 {
            let line = format!("line {line}\n");
            voice.write_all(line.as_bytes()).expect("never waits and never fails");
        }
        // With nobody reading, the end is not held up either.
        voice.drain();
        drop(shut);
        voice.drain();
        voice.write_all(b"back\n").expect("never waits and never fails");
        voice.drain();
        let taken = held.taken.lock().expect("no holder panics").clone();
        let text = String::from_utf8(taken).expect("text");
        let kept = text.lines().filter(|line| line.starts_with("line ")).count();
        let told: usize = text
            .lines()
            .filter_map(|line| line.split_once(" lines left out")?.0.parse::<usize>().ok())
            .sum();
        // One is in the writer's hands, the others wait.
        assert!(kept == MOST_WAITING || kept == MOST_WAITING + 1, "{kept}");
        assert_eq!(kept + told, 1000, "{text}");
        assert!(text.starts_with("line 0\n") && text.ends_with("back\n"), "{text}");
    }
}
