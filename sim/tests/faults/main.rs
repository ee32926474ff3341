//! Every fault over real sockets and pseudo-terminals, seen by a reader that knows nothing but
//! bytes. The faults' time is the test's own, so nothing waits for them.

#![cfg(feature = "wire")]
#![allow(clippy::unwrap_used, reason = "a helper that fails is a test that fails")]

mod instruments;
mod lines;
mod random;
mod reader;
mod sensors;

use cresthold_sim::quantities::{Ohms, Volts};
use cresthold_sim::time::Instant;
use cresthold_sim::wire::fault::{Body, Fault, Lasting, Line, Notice, Place, Player, Victim, What};
use cresthold_sim::wire::instrument::{Held, Instrument, VirtualLoad, VirtualSupply};
use cresthold_sim::wire::resistive::{OpenSupply, ResistiveBench};
use cresthold_sim::wire::serve::{PtyServer, TcpServer};
use reader::{Client, Way};
use std::sync::atomic::{AtomicU32, Ordering};
use std::time::Duration;

/// When faults begin and end here.
const BEGIN: Duration = Duration::from_secs(1);
const END: Duration = Duration::from_secs(3);

fn at(since: Duration) -> Instant {
    Instant::ZERO + since
}

/// One instrument on one line, its faults, and the way to it.
struct Yard {
    victims: Vec<Victim>,
    player: Player,
    way: Way,
}

impl Yard {
    fn new(body: Body, instrument: Box<dyn Instrument>, terminal: bool) -> Self {
        static COUNT: AtomicU32 = AtomicU32::new(0);
        let (line, way): (Box<dyn Line>, Way) = if terminal {
            let number = COUNT.fetch_add(1, Ordering::SeqCst);
            let name = format!("cresthold-faults-{}-{number}", std::process::id());
            let path = std::env::temp_dir().join(name);
            (Box::new(PtyServer::start_named(instrument, &path).unwrap()), Way::Terminal(path))
        } else {
            let server = TcpServer::start(instrument).unwrap();
            let way = Way::Socket(server.address());
            (Box::new(server), way)
        };
        let role = match &body {
            Body::Load(_) => cresthold_sim::wire::fault::Role::Load,
            Body::Supply(_) => cresthold_sim::wire::fault::Role::Supply,
            Body::Sensor(_) => cresthold_sim::wire::fault::Role::Sensor,
        };
        let place = Place { name: "it".to_owned(), role, terminal };
        let victims = vec![Victim { place, body, lines: vec![line] }];
        Self { victims, player: Player::new(), way }
    }

    /// A load at 40 V behind 2 ohm.
    fn load(terminal: bool) -> Self {
        let bench = ResistiveBench::new(Volts(40.0), Ohms(2.0));
        let load = Held::new(VirtualLoad::load("Test Yard,VL-1,0001,1.0", Box::new(bench)));
        Self::new(Body::Load(load.clone()), Box::new(load), terminal)
    }

    fn supply(terminal: bool) -> Self {
        let port = Box::new(OpenSupply::default());
        let supply = Held::new(VirtualSupply::supply("Test Yard,VS-1,0002,1.0", port));
        Self::new(Body::Supply(supply.clone()), Box::new(supply), terminal)
    }

    /// Begins a fault; it fits, and is told.
    fn begin(&mut self, what: What, lasting: Lasting) {
        let fault = Fault { at: BEGIN, lasting, what, place: 0 };
        assert_eq!(what.fits(&self.victims[0].place), Ok(()));
        self.player.add(std::iter::once(fault));
        assert_eq!(self.player.next(at(Duration::ZERO)), Some(at(BEGIN)));
        let notices = self.player.advance(at(BEGIN), &mut self.victims);
        assert_eq!(notices, [Notice { fault, begins: true, trouble: None }]);
    }

    /// Lets it end, which is told; a fault that is over at once is told only once.
    fn end(&mut self) {
        let notices = self.player.advance(at(END), &mut self.victims);
        assert_eq!(notices.len(), 1);
        assert!(!notices[0].begins && notices[0].trouble.is_none(), "{notices:?}");
        assert_eq!(self.player.next(at(END)), None, "nothing is left");
    }

    fn connect(&self) -> Client {
        self.way.connect().unwrap()
    }
}

/// The span from [`BEGIN`] to [`END`].
fn for_a_while() -> Lasting {
    Lasting::For(END - BEGIN)
}

fn on_both(make: impl Fn(bool) -> Yard, test: impl Fn(Yard)) {
    for terminal in [false, true] {
        test(make(terminal));
    }
}
