//! The servers on their lines, met by a reader that knows nothing but bytes.

#![cfg(feature = "wire")]
#![allow(clippy::unwrap_used, reason = "a helper that fails is a test that fails")]

use cresthold_sim::quantities::{Ohms, Volts};
use cresthold_sim::wire::fault::{Mishap, Spell};
use cresthold_sim::wire::instrument::{Instrument, VirtualLoad};
use cresthold_sim::wire::resistive::ResistiveBench;
use cresthold_sim::wire::serve::{PtyServer, TcpServer};
use std::fs::OpenOptions;
use std::io::{BufRead, BufReader, Read, Write};
use std::net::TcpStream;
use std::time::{Duration, Instant};

fn load() -> Box<dyn Instrument> {
    let bench = ResistiveBench::new(Volts(40.0), Ohms(2.0));
    Box::new(VirtualLoad::load("Test Yard,VL-1,0001,1.0", Box::new(bench)))
}

fn connect(server: &TcpServer) -> (TcpStream, BufReader<TcpStream>) {
    let stream = TcpStream::connect(server.address()).unwrap();
    stream.set_read_timeout(Some(Duration::from_secs(5))).unwrap();
    (stream.try_clone().unwrap(), BufReader::new(stream))
}

fn line(reader: &mut impl BufRead) -> String {
    let mut text = String::new();
    reader.read_line(&mut text).unwrap();
    text
}

#[test]
fn messages_are_framed_by_newline_not_by_packet() {
    let server = TcpServer::start(load()).unwrap();
    let (mut out, mut replies) = connect(&server);
    out.set_nodelay(true).unwrap();
    out.write_all(b"VOLT 12\nVOLT?\r\nVO").unwrap();
    assert_eq!(line(&mut replies), "12.0000\n");
    out.write_all(b"LT?\n").unwrap();
    assert_eq!(line(&mut replies), "12.0000\n");
}

#[test]
fn a_message_longer_than_the_buffer_is_an_error_and_no_more() {
    let server = TcpServer::start(load()).unwrap();
    let (mut out, mut replies) = connect(&server);
    out.write_all(&[b'V'; 5000]).unwrap();
    out.write_all(b"\nSYST:ERR?\n*OPC?\n").unwrap();
    assert_eq!(line(&mut replies), "-363,\"Input buffer overrun\"\n");
    assert_eq!(line(&mut replies), "1\n");
}

#[test]
fn a_second_connection_waits_for_the_first_to_end() {
    let server = TcpServer::start(load()).unwrap();
    let (mut first, mut first_replies) = connect(&server);
    first.write_all(b"*OPC?\n").unwrap();
    assert_eq!(line(&mut first_replies), "1\n");
    let (mut second, mut second_replies) = connect(&server);
    second.write_all(b"VOLT?\n").unwrap();
    first.write_all(b"*OPC?\n").unwrap();
    assert_eq!(line(&mut first_replies), "1\n");
    assert_eq!(server.control().handled(), 2);
    drop((first, first_replies));
    assert_eq!(line(&mut second_replies), "150.0000\n");
}

#[test]
fn stopping_waits_for_no_late_reply_and_no_slow_reader() {
    let server = TcpServer::start(load()).unwrap();
    let mishap = Mishap::Late(Duration::from_secs(60));
    server.control().set_fault(Box::new(Spell { mishap, replies: 1 }));
    let (mut out, _replies) = connect(&server);
    out.write_all(b"*OPC?\n").unwrap();
    while server.control().handled() == 0 {
        std::thread::yield_now();
    }
    let began = Instant::now();
    assert!(server.stop().is_some());
    assert!(began.elapsed() < Duration::from_secs(5));

    // A terminal whose reader never reads fills up; the server still stops.
    let server = PtyServer::start(load()).unwrap();
    let mut port = OpenOptions::new().read(true).write(true).open(server.path()).unwrap();
    server.control().set_fault(Box::new(|reply: &mut Vec<u8>| {
        *reply = vec![b'x'; 1 << 20];
        cresthold_sim::wire::fault::Fate::Sent
    }));
    port.write_all(b"*OPC?\n").unwrap();
    let mut bytes = [0; 16];
    assert!(port.read(&mut bytes).unwrap() > 0);
    let began = Instant::now();
    assert!(server.stop().is_some());
    assert!(began.elapsed() < Duration::from_secs(5));
}

#[test]
fn a_paused_line_swallows_and_a_resumed_one_answers() {
    let server = TcpServer::start(load()).unwrap();
    let (mut out, mut replies) = connect(&server);
    server.control().pause();
    out.write_all(b"VOLT 5\nVOLT?\n").unwrap();
    // Until the server has swallowed them; there is nothing to wait for but time.
    std::thread::sleep(Duration::from_millis(200));
    assert_eq!(server.control().handled(), 0);
    server.control().resume();
    out.write_all(b"VOLT?\n").unwrap();
    assert_eq!(line(&mut replies), "150.0000\n");
}
