//! A USB-TMC device through the kernel's character device.
//!
//! Model: one `write` is one message, `read` asks for its answer and blocks until that comes or the
//! driver gives up (5 s unless somebody changed it; 0.5 s at least). The device says nothing unasked,
//! so there is nothing to drain; a `read` of nothing means that it is out of step, not that it is
//! gone. The caller's deadline is kept by the asynchronous side; an answer that comes later ends in
//! a buffer that nobody looks at.
//!
//! Tried on pseudo-terminals only, since there is no such device in a test machine: framing,
//! deadlines, late and lost answers. Not tried: how the driver and a real device go on after a read
//! that timed out. The driver's abort and clear are `ioctl`s, which would be unsafe code here; a
//! device that stays out of step is reported as such and wants to be switched off and on.

use super::{Job, Patience, Port, Task, ThreadLine};
use crate::instruments::link::error::Broken;
use crate::instruments::link::{LinkError, check_stray, take_line};
use std::fs::{File, OpenOptions, TryLockError};
use std::io::{self, Read as _, Write as _};
use std::path::Path;
use std::time::{Duration, Instant};

/// Bytes read at once: longer than any answer but an array.
const CHUNK: usize = 2048;
/// After its deadline the driver may block a read for its own timeout, 5 s by default, and once
/// more for what a scheduler may add.
const DRIVER_TIMEOUT: Duration = Duration::from_millis(6500);
impl ThreadLine {
    pub(in crate::instruments::link) async fn usbtmc(path: &Path) -> Result<Self, LinkError> {
        let address: Box<str> = path.display().to_string().into();
        let path = path.to_owned();
        Self::open(address, Patience::Driver(DRIVER_TIMEOUT), move || open(&path)).await
    }
}

fn open(path: &Path) -> Result<Device, LinkError> {
    let address: Box<str> = path.display().to_string().into();
    let node = OpenOptions::new().read(true).write(true).open(path);
    let node = node.map_err(|error| match error.kind() {
        io::ErrorKind::PermissionDenied => LinkError::PermissionDenied {
            address: address.clone(),
            remedy: "the node is root's until a udev rule gives it to a group; add the rule, and \
                     the service's user to that group",
        },
        io::ErrorKind::NotFound => LinkError::NoSuchDevice {
            address: address.clone(),
            remedy: "and name it by a link that a udev rule makes of its serial number, since the \
                     numbers change",
        },
        _ => LinkError::NotOpened { address: address.clone(), detail: error.to_string().into() },
    })?;
    // The driver lets in whoever comes; the lock keeps our own programs apart.
    match node.try_lock() {
        Ok(()) => Ok(Device { node, pending: Vec::with_capacity(CHUNK) }),
        Err(TryLockError::WouldBlock) => Err(LinkError::Busy { address }),
        Err(TryLockError::Error(error)) => {
            Err(LinkError::NotOpened { address, detail: error.to_string().into() })
        }
    }
}

struct Device {
    node: File,
    /// Bytes read behind the last line's newline.
    pending: Vec<u8>,
}

impl Port for Device {
    fn carry_out(&mut self, job: &mut Job) -> Result<(), Broken> {
        match job.task {
            Task::Exchange => {
                check_stray(&mut self.pending, &mut job.reply)?;
                self.write(&job.out)?;
                self.read_line(&mut job.reply, job.deadline)
            }
            Task::Write => self.write(&job.out),
            Task::ReadLine | Task::Receive => self.read_line(&mut job.reply, job.deadline),
            Task::Drain(_) => {
                self.pending.clear();
                Ok(())
            }
        }
    }
}

impl Device {
    /// In one call: each call is a message with an end of its own.
    fn write(&mut self, out: &[u8]) -> Result<(), Broken> {
        loop {
            match self.node.write(out) {
                Ok(count) if count == out.len() => return Ok(()),
                Ok(_) => return Err(Broken::Io(io::ErrorKind::WriteZero.into())),
                Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
                Err(error) => return Err(broken(error)),
            }
        }
    }

    fn read_line(&mut self, reply: &mut Vec<u8>, deadline: Instant) -> Result<(), Broken> {
        let mut bytes = [0; CHUNK];
        while !take_line(&mut self.pending, reply)? {
            if Instant::now() >= deadline {
                return Err(Broken::Deadline);
            }
            match self.node.read(&mut bytes) {
                Ok(0) => return Err(Broken::Empty),
                Ok(count) => self.pending.extend_from_slice(&bytes[..count]),
                Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
                Err(error) => return Err(broken(error)),
            }
        }
        Ok(())
    }
}

/// The driver's own timeout is a deadline like ours.
fn broken(error: io::Error) -> Broken {
    if error.kind() == io::ErrorKind::TimedOut { Broken::Deadline } else { error.into() }
}
