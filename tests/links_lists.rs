//! What a load can do by itself against the virtual load, over a socket and a pseudo-terminal: the
//! same curve natively and emulated.

#![cfg(feature = "field")]
#![allow(clippy::unwrap_used, clippy::panic, reason = "a test that fails may panic")]

mod commission_yard;

use commission_yard::{Parts, Yard};
use cresthold::daemon::bench::{link, load_setup};
use cresthold::daemon::serve::{Offer, VirtualBench};
use cresthold::instruments::link::Link;
use cresthold::instruments::{InstrumentError, Load};
use cresthold::quantities::{Amps, Volts};
use cresthold::station::{Address, ChannelSpec, Flow, Parity, Station};
use cresthold_sim::wire::SupplyPort;
use cresthold_sim::wire::instrument::{Held, VirtualLoad};
use cresthold_sim::wire::serve::{PtyServer, TcpServer};
use std::time::Duration;

const DWELL: Duration = Duration::from_millis(150);
/// Noise of 4 mA and 8 mV twice, at up to 1 A/V beyond the knee, and a module that warms meanwhile.
const ROOM: Amps = Amps(0.1);

/// Sixteen load voltages from near open circuit to near short circuit (6 V of boost).
fn steps() -> Vec<Volts> {
    (0..16).map(|step| Volts(41.0 - 2.2 * f64::from(step))).collect()
}

async fn curve(spec: &ChannelSpec, address: &Address, native: bool) -> Vec<(Volts, Amps)> {
    let mut setup = load_setup(spec);
    assert!(setup.commands.list.is_some(), "the printed station describes it");
    if !native {
        (setup.commands.list, setup.commands.averaging) = (None, None);
        setup.commands.range = None;
        setup.range = Some(Amps(20.0));
    }
    let mut load = Load::new(Link::open(&link(address).unwrap()).await.unwrap(), setup);
    load.prepare().await.unwrap();
    assert_eq!(load.identity(), spec.load.identity.as_deref().unwrap());
    load.set_range(Amps(16.0)).await.unwrap();
    let beyond = load.set_range(Amps(900.0)).await.unwrap_err();
    let told = matches!(beyond, InstrumentError::BeyondRange { .. });
    assert_eq!(told, !native, "{beyond}");
    load.prepare().await.unwrap();
    load.set_averaging(Duration::from_millis(40)).await.unwrap();
    load.input(true).await.unwrap();
    let points = load.run_list(&steps(), DWELL).await.unwrap();
    assert!(points.windows(2).all(|two| two[1].at - two[0].at >= DWELL), "{points:?}");
    let points: Vec<_> = points.into_iter().map(|point| (point.volts, point.amps)).collect();
    // After its list the load went back to its former setpoint, and settles at the new one.
    tokio::time::sleep(Duration::from_millis(500)).await;
    let (volts, amps) = load.measure().await.unwrap();
    assert!((volts - *steps().last().unwrap()).abs() < Volts(0.1), "the last one stands: {volts}");
    assert!((amps - points.last().unwrap().1).abs() < ROOM);
    load.input(false).await.unwrap();
    load.into_link().close().await;
    points
}

#[test]
fn a_list_gives_the_same_curve_on_every_line_and_emulated() {
    let offer =
        Offer { port: Some(0), terminals: None, at: Duration::from_secs(12 * 3600), speed: 1.0 };
    let bench = VirtualBench::start(&Station::rehearsal(), &offer).unwrap();
    let station = Station::parse("bench.toml", &bench.station_file()).unwrap();
    drop(bench);
    // The printed station's words against a load under a sun that stands still.
    let mut parts = Parts::default();
    parts.load.settling = Duration::from_millis(10);
    let yard = Yard::new(std::slice::from_ref(&parts));
    let mut plant = yard.plants[0].clone();
    SupplyPort::set_volts(&mut plant, Volts(6.0));
    plant.set_limit(Amps(20.0));
    plant.set_output(true);
    let spec = &station.channels[0];
    let load = VirtualLoad::load(spec.load.identity.as_deref().unwrap(), Box::new(plant));
    let load = Held::new(load);
    let socket = TcpServer::start(Box::new(load.clone())).unwrap();
    let terminal = PtyServer::start(Box::new(load)).unwrap();
    let socket = Address::Tcp { host: "127.0.0.1".to_owned(), port: socket.address().port() };
    let terminal = Address::Serial {
        path: terminal.path().to_owned(),
        baud: 115_200,
        data_bits: 8,
        parity: Parity::None,
        stop_bits: 1,
        flow: Flow::None,
    };
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
    runtime.block_on(async {
        let first = curve(spec, &terminal, true).await;
        assert!(first[15].1 > Amps(1.0) && first[15].1 > first[0].1 + Amps(1.0), "{first:?}");
        for (address, native) in [(&terminal, false), (&socket, true), (&socket, false)] {
            let again = curve(spec, address, native).await;
            for (one, two) in first.iter().zip(&again) {
                assert!((one.0 - two.0).abs() < Volts(0.1), "{address} {native}: {one:?} {two:?}");
                assert!((one.1 - two.1).abs() < ROOM, "{address} {native}: {one:?} {two:?}");
            }
        }
    });
}
