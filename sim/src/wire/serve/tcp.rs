//! An instrument on a TCP socket of this computer, one connection at a time.

use super::ServeError;
use super::line::{Desk, Ended, Running, Woken};
use crate::wire::fault::{Line, LineControl};
use crate::wire::instrument::Instrument;
use rustix::event::PollFlags;
use std::net::{Ipv4Addr, Shutdown, SocketAddr, TcpListener, TcpStream};
use std::os::fd::AsFd as _;
use std::sync::{Arc, Mutex, PoisonError};

/// The connection being served, if any.
type Current = Arc<Mutex<Option<TcpStream>>>;

/// Serves one instrument on 127.0.0.1 until dropped; a second connection waits for the first to
/// end, as it does with instruments that have one socket.
#[derive(Debug)]
pub struct TcpServer {
    address: SocketAddr,
    control: LineControl,
    current: Current,
    running: Running,
}

fn listen(port: u16) -> Result<(TcpListener, SocketAddr), ServeError> {
    let open = || {
        let listener = TcpListener::bind((Ipv4Addr::LOCALHOST, port))?;
        listener.set_nonblocking(true)?;
        let address = listener.local_addr()?;
        Ok((listener, address))
    };
    open().map_err(|source| ServeError::NoSocket { port, source })
}

fn run(
    instrument: Box<dyn Instrument>,
    control: LineControl,
    listener: TcpListener,
    current: &Current,
) -> Result<Running, ServeError> {
    let known = Arc::clone(current);
    Running::start("virtual-tcp", instrument, control, move |desk| {
        serve(desk, &listener, &known);
    })
}

/// Makes a fresh connection ready to be served and known to [`TcpServer::disconnect`].
fn welcome(stream: &TcpStream, current: &Current) -> std::io::Result<()> {
    stream.set_nonblocking(true)?;
    stream.set_nodelay(true)?;
    *current.lock().unwrap_or_else(PoisonError::into_inner) = Some(stream.try_clone()?);
    Ok(())
}

fn serve(desk: &mut Desk, listener: &TcpListener, current: &Current) {
    loop {
        if desk.wait(Some((listener.as_fd(), PollFlags::IN)), None) == Woken::Stopped {
            return;
        }
        // A connection that is gone before it was taken up is no reason to stop.
        let Ok((mut stream, _)) = listener.accept() else { continue };
        if welcome(&stream, current).is_err() {
            continue;
        }
        let ended = desk.converse(&mut stream, None, || {});
        *current.lock().unwrap_or_else(PoisonError::into_inner) = None;
        if ended == Ended::Stopped {
            return;
        }
    }
}

impl TcpServer {
    /// Serves `instrument` on a port the system chooses.
    ///
    /// # Errors
    /// [`ServeError::NoSocket`], [`ServeError::NoThread`].
    pub fn start(instrument: Box<dyn Instrument>) -> Result<Self, ServeError> {
        Self::start_on(instrument, 0)
    }

    /// Serves `instrument` on `port`; 0 lets the system choose.
    ///
    /// # Errors
    /// [`ServeError::NoSocket`], [`ServeError::NoThread`].
    pub fn start_on(instrument: Box<dyn Instrument>, port: u16) -> Result<Self, ServeError> {
        let (listener, address) = listen(port)?;
        let control = LineControl::default();
        let current = Current::default();
        let running = run(instrument, control.clone(), listener, &current)?;
        Ok(Self { address, control, current, running })
    }

    /// Where a reader connects to.
    #[must_use]
    pub const fn address(&self) -> SocketAddr {
        self.address
    }

    /// The line's strings.
    #[must_use]
    pub const fn control(&self) -> &LineControl {
        &self.control
    }

    /// Ends the connection being served, if any; the next one is welcome.
    pub fn disconnect(&self) {
        if let Some(stream) = &*self.current.lock().unwrap_or_else(PoisonError::into_inner) {
            // It may have ended by itself meanwhile.
            let _ = stream.shutdown(Shutdown::Both);
        }
    }

    /// Pulls the plug: connections are refused. The instrument comes back for another line.
    #[must_use]
    pub fn stop(mut self) -> Option<Box<dyn Instrument>> {
        self.running.stop()
    }
}

impl Line for TcpServer {
    fn control(&self) -> &LineControl {
        &self.control
    }

    fn hang_up(&mut self) -> Result<(), ServeError> {
        self.disconnect();
        Ok(())
    }

    fn take_away(&mut self) {
        self.running.pause();
    }

    fn renumber(&mut self) -> Result<(), ServeError> {
        // A socket has no number that an operator could mix up.
        Ok(())
    }

    fn bring_back(&mut self) -> Result<(), ServeError> {
        if !self.running.is_idle() {
            return Ok(());
        }
        let (listener, _) = listen(self.address.port())?;
        if let Some(instrument) = self.running.stop() {
            self.running = run(instrument, self.control.clone(), listener, &self.current)?;
        }
        Ok(())
    }
}
