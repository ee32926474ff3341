//! A yard to try links in: one virtual load on a pseudo-terminal or on a socket.

#![allow(dead_code, reason = "each test file uses its part")]
#![allow(clippy::unwrap_used, reason = "a helper that fails is a test that fails")]
#![allow(clippy::needless_pass_by_value, reason = "a test is handed over whole")]

pub(crate) mod odd;
pub(crate) mod wire;

use cresthold::instruments::link::{Link, LinkSettings, SerialSettings};
use cresthold::instruments::{Load, LoadCommands, LoadSetup};
use cresthold::quantities::{Amps, Ohms, Volts};
use cresthold_sim::wire::instrument::{Instrument, VirtualLoad};
use cresthold_sim::wire::resistive::ResistiveBench;
use cresthold_sim::wire::serve::{LineControl, PtyServer, TcpServer};
use cresthold_sim::wire::{LoadPort, Measured};
use std::sync::{Arc, Mutex};
use std::time::Duration;

pub(crate) const IDENTITY: &str = "Test Yard,VL-1,0001,1.0";
/// Long enough for a loaded machine, short enough for a test.
pub(crate) const DEADLINE: Duration = Duration::from_millis(500);

/// A bench that the test can look at while the instrument has it.
#[derive(Clone)]
pub(crate) struct SharedBench(Arc<Mutex<ResistiveBench>>);

impl SharedBench {
    /// 40 V behind 2 ohm.
    pub(crate) fn new() -> Self {
        Self(Arc::new(Mutex::new(ResistiveBench::new(Volts(40.0), Ohms(2.0)))))
    }

    pub(crate) fn with<T>(&self, look: impl FnOnce(&mut ResistiveBench) -> T) -> T {
        look(&mut self.0.lock().unwrap())
    }

    pub(crate) fn instrument(&self) -> Box<dyn Instrument> {
        Box::new(VirtualLoad::load(IDENTITY, Box::new(self.clone())))
    }
}

impl LoadPort for SharedBench {
    fn set_volts(&mut self, volts: Volts) {
        self.with(|bench| bench.set_volts(volts));
    }
    fn volts(&self) -> Volts {
        self.with(|bench| bench.volts())
    }
    fn volts_max(&self) -> Volts {
        self.with(|bench| bench.volts_max())
    }
    fn set_protection(&mut self, amps: Amps) {
        self.with(|bench| bench.set_protection(amps));
    }
    fn protection(&self) -> Amps {
        self.with(|bench| bench.protection())
    }
    fn amps_max(&self) -> Amps {
        self.with(|bench| bench.amps_max())
    }
    fn set_input(&mut self, on: bool) {
        self.with(|bench| bench.set_input(on));
    }
    fn input(&self) -> bool {
        self.with(|bench| bench.input())
    }
    fn measure(&mut self) -> Measured {
        self.with(ResistiveBench::measure)
    }
}

#[derive(Debug)]
pub(crate) enum Server {
    Pty(PtyServer),
    Tcp(TcpServer),
}

impl Server {
    pub(crate) fn settings(&self) -> LinkSettings {
        match self {
            Self::Pty(server) => LinkSettings::Serial(SerialSettings::new(server.path(), 115_200)),
            Self::Tcp(server) => LinkSettings::Tcp {
                host: server.address().ip().to_string(),
                port: server.address().port(),
            },
        }
    }

    pub(crate) fn control(&self) -> &LineControl {
        match self {
            Self::Pty(server) => server.control(),
            Self::Tcp(server) => server.control(),
        }
    }

    pub(crate) async fn link(&self) -> Link {
        let mut link = Link::open(&self.settings()).await.unwrap();
        link.resynchronise().await.unwrap();
        link
    }

    pub(crate) async fn load(&self) -> Load {
        Load::new(Link::open(&self.settings()).await.unwrap(), setup())
    }
}

/// The same instrument on both kinds of line, one after the other.
pub(crate) fn on_both_lines(test: impl AsyncFn(&Server, &SharedBench)) {
    for tcp in [false, true] {
        let bench = SharedBench::new();
        let server = if tcp {
            Server::Tcp(TcpServer::start(bench.instrument()).unwrap())
        } else {
            Server::Pty(PtyServer::start(bench.instrument()).unwrap())
        };
        run(test(&server, &bench));
    }
}

/// Runs on a current-thread runtime, as the daemon does.
pub(crate) fn run<T>(test: impl Future<Output = T>) -> T {
    tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap().block_on(test)
}

/// Runs in virtual time: whenever all wait, time goes on to what comes next.
pub(crate) fn run_virtually<T>(test: impl Future<Output = T>) -> T {
    let mut builder = tokio::runtime::Builder::new_current_thread();
    builder.enable_all().start_paused(true).build().unwrap().block_on(test)
}

pub(crate) fn setup() -> LoadSetup {
    LoadSetup {
        name: "load 1".to_owned(),
        identity: "Test Yard,VL-1,0001".to_owned(),
        protection: Amps(8.5),
        range: None,
        window: Duration::ZERO,
        start: Volts(60.0),
        volts_resolution: Volts(0.001),
        amps_resolution: Amps(0.001),
        deadline: DEADLINE,
        commands: LoadCommands::default(),
    }
}
