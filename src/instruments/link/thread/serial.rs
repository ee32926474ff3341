//! A serial port: blocking reads and writes that end at a deadline. Between jobs its thread sleeps in
//! its channel; within one it sleeps in `poll` until bytes come.

use super::{Job, Patience, Port, Task, ThreadLine};
use crate::instruments::link::error::Broken;
use crate::instruments::link::{
    DataBits, FlowControl, LinkError, MAX_REPLY, Parity, SerialSettings, StopBits, check_stray,
    take_line,
};
use serialport::{SerialPort, TTYPort};
use std::io::{self, Read as _, Write as _};
use std::time::{Duration, Instant};

/// Bytes read at once.
const CHUNK: usize = 512;
const PERMISSION: &str = "add the service's user to the group that owns it (usually \
                          `usermod -aG dialout USER`) and start the service again";

impl ThreadLine {
    pub(in crate::instruments::link) async fn serial(
        settings: &SerialSettings,
    ) -> Result<Self, LinkError> {
        let address: Box<str> = settings.path.display().to_string().into();
        let settings = settings.clone();
        Self::open(address, Patience::Own, move || {
            Ok(Serial { port: open(&settings)?, pending: Vec::with_capacity(CHUNK) })
        })
        .await
    }
}

fn open(settings: &SerialSettings) -> Result<TTYPort, LinkError> {
    let address: Box<str> = settings.path.display().to_string().into();
    let builder = serialport::new(&*address, settings.baud)
        .data_bits(match settings.data_bits {
            DataBits::Seven => serialport::DataBits::Seven,
            DataBits::Eight => serialport::DataBits::Eight,
        })
        .parity(match settings.parity {
            Parity::None => serialport::Parity::None,
            Parity::Odd => serialport::Parity::Odd,
            Parity::Even => serialport::Parity::Even,
        })
        .stop_bits(match settings.stop_bits {
            StopBits::One => serialport::StopBits::One,
            StopBits::Two => serialport::StopBits::Two,
        })
        .flow_control(match settings.flow {
            FlowControl::None => serialport::FlowControl::None,
            FlowControl::Software => serialport::FlowControl::Software,
            FlowControl::Hardware => serialport::FlowControl::Hardware,
        });
    builder.open_native().map_err(|error| match error.kind {
        serialport::ErrorKind::Io(io::ErrorKind::PermissionDenied) => {
            LinkError::PermissionDenied { address, remedy: PERMISSION }
        }
        serialport::ErrorKind::Io(io::ErrorKind::NotFound) => LinkError::no_such_device(address),
        // The crate's word for a port that another program holds.
        serialport::ErrorKind::NoDevice => LinkError::Busy { address },
        _ => LinkError::NotOpened { address, detail: error.description.into() },
    })
}

struct Serial {
    port: TTYPort,
    /// Bytes read behind the last line's newline.
    pending: Vec<u8>,
}

/// Time left until `deadline`.
fn left(deadline: Instant) -> Result<Duration, Broken> {
    let left = deadline.saturating_duration_since(Instant::now());
    if left.is_zero() { Err(Broken::Deadline) } else { Ok(left) }
}

impl Port for Serial {
    fn carry_out(&mut self, job: &mut Job) -> Result<(), Broken> {
        match job.task {
            Task::Exchange => {
                self.look(job.deadline)?;
                check_stray(&mut self.pending, &mut job.reply)?;
                self.write(&job.out, job.deadline)?;
                self.read_line(&mut job.reply, job.deadline)
            }
            Task::Write => self.write(&job.out, job.deadline),
            Task::ReadLine => self.read_line(&mut job.reply, job.deadline),
            Task::Receive => {
                if self.pending.is_empty() {
                    self.receive(job.deadline)?;
                }
                job.reply.append(&mut self.pending);
                Ok(())
            }
            Task::Drain(silence) => self.drain(silence, job.deadline),
        }
    }
}

impl Serial {
    /// Takes in what has already arrived.
    fn look(&mut self, deadline: Instant) -> Result<(), Broken> {
        let waiting = self.port.bytes_to_read().map_err(|error| broken(error.into()))?;
        if waiting > 0 && self.pending.len() <= MAX_REPLY { self.receive(deadline) } else { Ok(()) }
    }

    /// Reads what there is, once there is something. Never `read_exact`: it starts its timeout anew
    /// with every byte.
    fn receive(&mut self, deadline: Instant) -> Result<(), Broken> {
        let mut bytes = [0; CHUNK];
        loop {
            self.port.set_timeout(left(deadline)?).map_err(|error| broken(error.into()))?;
            match self.port.read(&mut bytes) {
                Ok(0) => return Err(Broken::Closed),
                Ok(count) => {
                    self.pending.extend_from_slice(&bytes[..count]);
                    return Ok(());
                }
                Err(error) if is_passing(&error) => {}
                Err(error) => return Err(broken(error)),
            }
        }
    }

    /// Writes without waiting for the last bit to leave: draining the port can block for ever when
    /// flow control holds it.
    fn write(&mut self, out: &[u8], deadline: Instant) -> Result<(), Broken> {
        let mut rest = out;
        while !rest.is_empty() {
            self.port.set_timeout(left(deadline)?).map_err(|error| broken(error.into()))?;
            match self.port.write(rest) {
                Ok(count) => rest = &rest[count..],
                Err(error) if is_passing(&error) => {}
                Err(error) => return Err(broken(error)),
            }
        }
        Ok(())
    }

    fn read_line(&mut self, reply: &mut Vec<u8>, deadline: Instant) -> Result<(), Broken> {
        while !take_line(&mut self.pending, reply)? {
            self.receive(deadline)?;
        }
        Ok(())
    }

    fn drain(&mut self, silence: Duration, deadline: Instant) -> Result<(), Broken> {
        loop {
            self.pending.clear();
            match self.receive(Instant::now() + silence) {
                Err(Broken::Deadline) => return Ok(()),
                Ok(()) if Instant::now() < deadline => {}
                Ok(()) => return Err(Broken::NeverSilent),
                Err(broken) => return Err(broken),
            }
        }
    }
}

/// After a hang-up every call on a terminal fails with EIO, for which the crate has no kind.
fn broken(error: io::Error) -> Broken {
    if error.kind() == io::ErrorKind::Other { Broken::Closed } else { error.into() }
}

fn is_passing(error: &io::Error) -> bool {
    matches!(
        error.kind(),
        io::ErrorKind::TimedOut | io::ErrorKind::Interrupted | io::ErrorKind::WouldBlock
    )
}
