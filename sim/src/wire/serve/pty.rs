//! An instrument on a pseudo-terminal, the nearest thing to a serial line that a computer has in it.
//!
//! Pseudo-terminals don't model parity, baud rate or modem lines; everything else is the real path.

use super::ServeError;
use super::line::Running;
use crate::wire::fault::{Line, LineControl};
use crate::wire::instrument::Instrument;
use rustix::fs::{Mode, OFlags, fcntl_setfl, open};
use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
use rustix::termios::{OptionalActions, ioctl_tiocnxcl, tcgetattr, tcsetattr};
use std::ffi::OsString;
use std::fs::File;
use std::io;
use std::os::fd::OwnedFd;
use std::os::unix::ffi::OsStringExt as _;
use std::path::{Path, PathBuf};
use std::time::Duration;

/// How often an idle server frees the terminal from a reader's lock. A reader that was killed
/// leaves the "exclusive" mark on a terminal which the server still holds open.
const FREEING_INTERVAL: Duration = Duration::from_secs(1);

/// Serves one instrument on a pseudo-terminal until dropped.
#[derive(Debug)]
pub struct PtyServer {
    path: PathBuf,
    name: Option<PathBuf>,
    control: LineControl,
    running: Running,
}

/// A pseudo-terminal in raw mode: our end, the other end, the other end's path.
fn terminal() -> Result<(File, OwnedFd, PathBuf), ServeError> {
    open_terminal().map_err(|source| ServeError::NoTerminal { source })
}

fn open_terminal() -> io::Result<(File, OwnedFd, PathBuf)> {
    let ours = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY | OpenptFlags::CLOEXEC)?;
    grantpt(&ours)?;
    unlockpt(&ours)?;
    let path = PathBuf::from(OsString::from_vec(ptsname(&ours, Vec::new())?.into_bytes()));
    let other = open(&path, OFlags::RDWR | OFlags::NOCTTY | OFlags::CLOEXEC, Mode::empty())?;
    let mut settings = tcgetattr(&other)?;
    settings.make_raw();
    tcsetattr(&other, OptionalActions::Now, &settings)?;
    fcntl_setfl(&ours, OFlags::NONBLOCK)?;
    Ok((File::from(ours), other, path))
}

fn run(
    instrument: Box<dyn Instrument>,
    control: LineControl,
    mut ours: File,
    other: OwnedFd,
) -> Result<Running, ServeError> {
    Running::start("virtual-pty", instrument, control, move |desk| {
        // Held open here, the other end survives a reader that closes its own.
        desk.converse(&mut ours, Some(FREEING_INTERVAL), || {
            // A failure leaves the mark; the reader's own message then says "busy".
            let _ = ioctl_tiocnxcl(&other);
        });
    })
}

impl PtyServer {
    /// Serves `instrument` on a fresh pseudo-terminal.
    ///
    /// # Errors
    /// [`ServeError::NoTerminal`], [`ServeError::NoThread`].
    pub fn start(instrument: Box<dyn Instrument>) -> Result<Self, ServeError> {
        let (ours, other, path) = terminal()?;
        let control = LineControl::default();
        let running = run(instrument, control.clone(), ours, other)?;
        Ok(Self { path, name: None, control, running })
    }

    /// Serves `instrument` under a name that outlives this pseudo-terminal: a symbolic link at
    /// `name`, replaced if it is one already, removed when the server is dropped.
    ///
    /// # Errors
    /// Those of [`PtyServer::start`], and [`ServeError::NoName`].
    pub fn start_named(instrument: Box<dyn Instrument>, name: &Path) -> Result<Self, ServeError> {
        let mut server = Self::start(instrument)?;
        server.name = Some(name.to_owned());
        server.follow()?;
        Ok(server)
    }

    /// Lets the name lead to the terminal of the moment.
    fn follow(&self) -> Result<(), ServeError> {
        let Some(name) = &self.name else { return Ok(()) };
        let no_name = |source| ServeError::NoName { path: name.clone(), source };
        if name.is_symlink() {
            std::fs::remove_file(name).map_err(no_name)?;
        }
        std::os::unix::fs::symlink(&self.path, name).map_err(no_name)
    }

    /// Takes the name away if it is ours: another server may have taken it over.
    fn forget(&self) {
        if let Some(name) = &self.name
            && std::fs::read_link(name).is_ok_and(|target| target == self.path)
        {
            // Left behind it would lead to nothing, which is harmless.
            let _ = std::fs::remove_file(name);
        }
    }

    /// The path that a reader opens.
    #[must_use]
    pub fn path(&self) -> &Path {
        self.name.as_deref().unwrap_or(&self.path)
    }

    /// The line's strings.
    #[must_use]
    pub const fn control(&self) -> &LineControl {
        &self.control
    }

    /// Pulls the plug: the reader sees a hang-up. The instrument comes back for another line.
    #[must_use]
    pub fn stop(mut self) -> Option<Box<dyn Instrument>> {
        self.running.stop()
    }
}

impl Line for PtyServer {
    fn control(&self) -> &LineControl {
        &self.control
    }

    fn hang_up(&mut self) -> Result<(), ServeError> {
        self.renumber()?;
        self.follow()
    }

    fn take_away(&mut self) {
        self.forget();
        self.running.pause();
    }

    fn renumber(&mut self) -> Result<(), ServeError> {
        // As the system does: a name never leads to a number that another line may take.
        self.forget();
        // Opened while the old one is still there, the new one gets another number.
        let (ours, other, path) = terminal()?;
        let lost = || ServeError::NoThread { source: io::Error::other("its thread is gone") };
        let instrument = self.running.stop().ok_or_else(lost)?;
        self.running = run(instrument, self.control.clone(), ours, other)?;
        self.path = path;
        Ok(())
    }

    fn bring_back(&mut self) -> Result<(), ServeError> {
        if self.running.is_idle() {
            self.renumber()?;
        }
        self.follow()
    }
}

impl Drop for PtyServer {
    fn drop(&mut self) {
        self.forget();
    }
}
