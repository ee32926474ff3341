//! An instrument on a pseudo-terminal, the nearest thing to a serial line that a computer has in it.
//!
//! Pseudo-terminals don't model parity, baud rate or modem lines; everything else is the real path.

use super::ServeError;
use super::line::{LineControl, Running};
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
fn terminal() -> io::Result<(File, OwnedFd, PathBuf)> {
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

impl PtyServer {
    /// Serves `instrument` on a fresh pseudo-terminal.
    ///
    /// # Errors
    /// [`ServeError::NoTerminal`], [`ServeError::NoThread`].
    pub fn start(instrument: Box<dyn Instrument>) -> Result<Self, ServeError> {
        let (mut ours, other, path) =
            terminal().map_err(|source| ServeError::NoTerminal { source })?;
        let control = LineControl::default();
        let running = Running::start("virtual-pty", instrument, control.clone(), move |desk| {
            // Held open here, the other end survives a reader that closes its own.
            desk.converse(&mut ours, Some(FREEING_INTERVAL), || {
                // A failure leaves the mark; the reader's own message then says "busy".
                let _ = ioctl_tiocnxcl(&other);
            });
        })?;
        Ok(Self { path, name: None, control, running })
    }

    /// Serves `instrument` under a name that outlives this pseudo-terminal: a symbolic link at
    /// `name`, replaced if it is one already, removed when the server is dropped.
    ///
    /// # Errors
    /// Those of [`PtyServer::start`], and [`ServeError::NoName`].
    pub fn start_named(instrument: Box<dyn Instrument>, name: &Path) -> Result<Self, ServeError> {
        let mut server = Self::start(instrument)?;
        let no_name = |source| ServeError::NoName { path: name.to_owned(), source };
        if name.is_symlink() {
            std::fs::remove_file(name).map_err(no_name)?;
        }
        std::os::unix::fs::symlink(&server.path, name).map_err(no_name)?;
        server.name = Some(name.to_owned());
        Ok(server)
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

impl Drop for PtyServer {
    fn drop(&mut self) {
        // Only our own link: another server may have taken the name over.
        if let Some(name) = &self.name
            && std::fs::read_link(name).is_ok_and(|target| target == self.path)
        {
            let _ = std::fs::remove_file(name);
        }
    }
}
