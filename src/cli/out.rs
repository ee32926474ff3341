//! What a command says, on standard output and standard error.
//!
//! Whoever reads may stop reading (`cresthold check yard.toml | head -1`). That is no error: what is left
//! unsaid is dropped, the command goes on and ends with the exit code of its work. The standard
//! macros panic there instead, and a panic with a bench energised is the last thing wanted. Any other
//! failure of standard output, such as a full disk behind `>`, is told once on standard error, and a
//! command that did its work otherwise ends with the exit code of the system's refusals.
//!
//! Rejected: ending the process at once, as pipes usually do: a run has loads to let go.

use std::fmt;
use std::io::{self, ErrorKind, Write};
use std::sync::atomic::{AtomicBool, Ordering};

/// Standard output failed, and that was told.
static TOLD: AtomicBool = AtomicBool::new(false);

/// Says `text` on standard output.
pub(super) fn say(text: fmt::Arguments<'_>) {
    let mut out = io::stdout().lock();
    let Err(error) = out.write_fmt(text).and_then(|()| out.flush()) else { return };
    if error.kind() != ErrorKind::BrokenPipe && !TOLD.swap(true, Ordering::Relaxed) {
        tell(format_args!("standard output can't be written: {error}; its text is not whole\n"));
    }
}

/// Whether standard output failed, other than by a reader who has enough.
pub(super) fn failed() -> bool {
    TOLD.load(Ordering::Relaxed)
}

/// Tells `text` on standard error; where that is closed, too, nobody listens.
pub(super) fn tell(text: fmt::Arguments<'_>) {
    let _ = io::stderr().lock().write_fmt(text);
}

/// From here on warnings of the rooms are told on standard error, as they are.
pub(super) fn tell_warnings() {
    let lines =
        tracing_subscriber::fmt().with_writer(|| Lines).with_target(false).with_level(false);
    let warnings = lines.without_time().with_max_level(tracing::Level::WARN);
    let _ = warnings.try_init(); // somebody listens already
}

/// Lines for standard error.
struct Lines;

impl Write for Lines {
    fn write(&mut self, text: &[u8]) -> io::Result<usize> {
        tell(format_args!("{}", String::from_utf8_lossy(text)));
        Ok(text.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

/// Text on standard output.
macro_rules! say {
    ($($text:tt)*) => { $crate::cli::out::say(format_args!($($text)*)) };
}

/// A line on standard output.
macro_rules! sayln {
    ($($text:tt)*) => { $crate::cli::out::say(format_args!("{}\n", format_args!($($text)*))) };
}

/// A line on standard error.
macro_rules! tell {
    ($($text:tt)*) => { $crate::cli::out::tell(format_args!("{}\n", format_args!($($text)*))) };
}
