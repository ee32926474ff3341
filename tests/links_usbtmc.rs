//! USB-TMC: the same contract over a device node. There is no such device in a test machine, so a
//! pseudo-terminal in raw mode stands in for the node: it frames, blocks and hangs up as files do.
//! What the driver does after a time-out is not modelled by it.

#![cfg(feature = "field")]
#![allow(clippy::unwrap_used, reason = "a helper that fails is a test that fails")]

mod links_yard;

use cresthold::instruments::Load;
use cresthold::instruments::link::{Link, LinkError, LinkSettings};
use cresthold::quantities::{Amps, Volts};
use cresthold_sim::wire::fault::{Mishap, Spell};
use cresthold_sim::wire::serve::PtyServer;
use links_yard::{DEADLINE, IDENTITY, SharedBench, run, setup};
use std::time::{Duration, Instant};

struct Node {
    server: PtyServer,
    settings: LinkSettings,
}

fn node(bench: &SharedBench) -> Node {
    let server = PtyServer::start(bench.instrument()).unwrap();
    let settings = LinkSettings::UsbTmc(server.path().to_owned());
    Node { server, settings }
}

async fn ask(link: &mut Link, message: &str) -> Result<String, LinkError> {
    let mut reply = Vec::new();
    link.query(message.as_bytes(), &mut reply, DEADLINE).await?;
    Ok(String::from_utf8(reply).unwrap())
}

#[test]
fn a_load_is_driven_through_a_device_node() {
    run(async {
        let bench = SharedBench::new();
        let node = node(&bench);
        let mut load = Load::new(Link::open(&node.settings).await.unwrap(), setup());
        load.prepare().await.unwrap();
        load.set_volts(Volts(30.0)).await.unwrap();
        load.input(true).await.unwrap();
        // (40 V - 30 V) / 2 ohm = 5 A.
        assert_eq!(load.measure().await.unwrap(), (Volts(30.0), Amps(5.0)));
        assert!(load.link().heartbeat().unwrap() > 10);
        load.input(false).await.unwrap();
        load.into_link().close().await;
        // Closed in order, it opens again at once.
        let mut link = Link::open(&node.settings).await.unwrap();
        link.resynchronise().await.unwrap();
        assert_eq!(ask(&mut link, "*IDN?").await.unwrap(), IDENTITY);
    });
}

#[test]
fn the_deadline_holds_though_the_driver_blocks() {
    run(async {
        let bench = SharedBench::new();
        let node = node(&bench);
        let mut link = Link::open(&node.settings).await.unwrap();
        link.resynchronise().await.unwrap();
        link.send(b"VOLT 12.5").await.unwrap();
        // The thread stays in its read; the caller doesn't.
        let late = Mishap::Late(DEADLINE * 3);
        node.server.control().set_fault(Box::new(Spell { mishap: late, replies: 1 }));
        let began = Instant::now();
        let error = ask(&mut link, "MEAS:VOLT?").await.unwrap_err();
        let took = began.elapsed();
        assert!(matches!(error, LinkError::Deadline { .. }), "{error}");
        // Never early; late by no more than a busy machine's scheduling.
        assert!(took >= DEADLINE && took < DEADLINE + Duration::from_secs(1), "{took:?}");
        assert!(matches!(ask(&mut link, "VOLT?").await, Err(LinkError::OutOfStep { .. })));
        // The late answer is not taken for the next one.
        link.resynchronise().await.unwrap();
        assert_eq!(ask(&mut link, "VOLT?").await.unwrap(), "12.5000");
    });
}

#[test]
fn garbage_and_doubled_answers_are_noticed() {
    run(async {
        let bench = SharedBench::new();
        let node = node(&bench);
        let mut link = Link::open(&node.settings).await.unwrap();
        link.resynchronise().await.unwrap();
        for mishap in [Mishap::Garbled, Mishap::Doubled] {
            node.server.control().set_fault(Box::new(Spell { mishap, replies: 1 }));
            let first = ask(&mut link, "VOLT?").await;
            let second = ask(&mut link, "CURR:PROT?").await;
            assert!(first.is_err() || second.is_err(), "{first:?} {second:?}");
            link.resynchronise().await.unwrap();
            assert_eq!(ask(&mut link, "VOLT?").await.unwrap(), "150.0000");
        }
    });
}

#[test]
fn a_node_that_is_pulled_out_opens_again_under_its_name() {
    run(async {
        let folder = tempfile::tempdir().unwrap();
        let name = folder.path().join("load-by-serial-number");
        let bench = SharedBench::new();
        let server = PtyServer::start_named(bench.instrument(), &name).unwrap();
        let settings = LinkSettings::UsbTmc(name.clone());
        let mut link = Link::open(&settings).await.unwrap();
        link.resynchronise().await.unwrap();
        let error = Link::open(&settings).await.unwrap_err();
        assert!(matches!(error, LinkError::Busy { .. }), "{error}");
        let instrument = server.stop().unwrap();
        assert!(ask(&mut link, "*IDN?").await.is_err());
        link.close().await;
        let error = Link::open(&settings).await.unwrap_err();
        assert!(
            error.to_string().contains("no such device; check cable and power, and"),
            "{error}"
        );
        // Another node under the same name.
        let _server = PtyServer::start_named(instrument, &name).unwrap();
        let mut link = Link::open(&settings).await.unwrap();
        link.resynchronise().await.unwrap();
        assert_eq!(ask(&mut link, "*IDN?").await.unwrap(), IDENTITY);
    });
}
