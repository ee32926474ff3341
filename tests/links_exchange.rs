//! Links over real pseudo-terminals and real sockets: exchanges, faults, alignment.

#![cfg(feature = "field")]
#![allow(clippy::unwrap_used, reason = "a helper that fails is a test that fails")]

mod links_yard;

use cresthold::instruments::link::{Link, LinkError, LinkSettings, SerialSettings};
use cresthold::quantities::Volts;
use cresthold_sim::wire::fault::{Fate, Mishap, Spell};
use cresthold_sim::wire::serve::{PtyServer, TcpServer};
use links_yard::{DEADLINE, IDENTITY, Server, SharedBench, on_both_lines, run};
use std::time::{Duration, Instant};

async fn ask(link: &mut Link, message: &str) -> Result<String, LinkError> {
    let mut reply = Vec::new();
    link.query(message.as_bytes(), &mut reply, DEADLINE).await?;
    Ok(String::from_utf8(reply).unwrap())
}

fn fault(server: &Server, mishap: Mishap) {
    server.control().set_fault(Box::new(Spell { mishap, replies: 1 }));
}

#[test]
fn messages_and_answers_pass() {
    on_both_lines(async |server, bench| {
        let mut link = server.link().await;
        assert_eq!(ask(&mut link, "*IDN?").await.unwrap(), IDENTITY);
        link.send(b"VOLT 31.5").await.unwrap();
        assert_eq!(ask(&mut link, "VOLT?").await.unwrap(), "31.5000");
        assert_eq!(bench.with(|bench| cresthold_sim::wire::LoadPort::volts(bench)), Volts(31.5));
        link.close().await;
        // Closed in order, it opens again at once.
        let mut again = server.link().await;
        assert_eq!(ask(&mut again, "VOLT?").await.unwrap(), "31.5000");
    });
}

#[test]
fn a_fresh_link_refuses_until_it_is_aligned() {
    on_both_lines(async |server, _| {
        let mut link = Link::open(&server.settings()).await.unwrap();
        assert!(matches!(ask(&mut link, "VOLT?").await, Err(LinkError::OutOfStep { .. })));
        assert!(matches!(link.send(b"VOLT 5").await, Err(LinkError::OutOfStep { .. })));
        link.resynchronise().await.unwrap();
        assert!(ask(&mut link, "VOLT?").await.is_ok());
    });
}

#[test]
fn silence_ends_at_the_deadline_and_names_command_and_address() {
    on_both_lines(async |server, _| {
        let mut link = server.link().await;
        server.control().pause();
        let began = Instant::now();
        let error = ask(&mut link, "MEAS:VOLT?;CURR?").await.unwrap_err();
        let took = began.elapsed();
        // Never early; late by no more than a busy machine's scheduling.
        assert!(took >= DEADLINE && took < DEADLINE + Duration::from_secs(1), "{took:?}");
        let text = error.to_string();
        assert!(text.contains("`MEAS:VOLT?;CURR?`"), "{text}");
        assert!(text.starts_with(&server.settings().to_string()), "{text}");
        assert!(text.contains("within 0.5 s, got nothing; check cable"), "{text}");
        // Dead for good: the attempt to align says so as well.
        let error = link.resynchronise().await.unwrap_err();
        assert!(matches!(error, LinkError::Deadline { .. }), "{error}");
        server.control().resume();
        link.resynchronise().await.unwrap();
        assert_eq!(ask(&mut link, "*IDN?").await.unwrap(), IDENTITY);
    });
}

#[test]
fn a_late_reply_is_never_taken_for_the_next_answer() {
    on_both_lines(async |server, _| {
        let mut link = server.link().await;
        for late in [DEADLINE + Duration::from_millis(20), DEADLINE * 3] {
            link.send(b"VOLT 12.5").await.unwrap();
            fault(server, Mishap::Late(late));
            let error = ask(&mut link, "MEAS:VOLT?").await.unwrap_err();
            assert!(matches!(error, LinkError::Deadline { .. }), "{error}");
            // Without asking the instrument anything, the link refuses.
            let handled = server.control().handled();
            assert!(matches!(ask(&mut link, "VOLT?").await, Err(LinkError::OutOfStep { .. })));
            assert_eq!(server.control().handled(), handled);
            link.resynchronise().await.unwrap();
            assert_eq!(ask(&mut link, "VOLT?").await.unwrap(), "12.5000");
        }
    });
}

#[test]
fn garbage_is_refused_and_mended() {
    on_both_lines(async |server, _| {
        let mut link = server.link().await;
        fault(server, Mishap::Garbled);
        let error = ask(&mut link, "*IDN?").await.unwrap_err();
        assert!(matches!(error, LinkError::Garbage { .. }), "{error}");
        assert!(error.to_string().contains("`\\xd4es\\xf4"), "{error}");
        assert!(!link.in_step());
        // The first number of the alignment is garbled, too.
        fault(server, Mishap::Garbled);
        link.resynchronise().await.unwrap();
        assert_eq!(ask(&mut link, "*IDN?").await.unwrap(), IDENTITY);
    });
}

#[test]
fn an_answer_that_comes_twice_is_noticed() {
    on_both_lines(async |server, _| {
        let mut link = server.link().await;
        fault(server, Mishap::Doubled);
        assert_eq!(ask(&mut link, "VOLT?").await.unwrap(), "150.0000");
        let error = ask(&mut link, "CURR:PROT?").await.unwrap_err();
        assert!(matches!(error, LinkError::Unasked { .. }), "{error}");
        link.resynchronise().await.unwrap();
        assert_eq!(ask(&mut link, "CURR:PROT?").await.unwrap(), "30.0000");
    });
}

#[test]
fn half_an_answer_is_shown_in_the_error() {
    on_both_lines(async |server, _| {
        let mut link = server.link().await;
        fault(server, Mishap::Truncated(5));
        let error = ask(&mut link, "*IDN?").await.unwrap_err();
        assert!(error.to_string().contains("got `Test `"), "{error}");
        link.resynchronise().await.unwrap();
    });
}

#[test]
fn an_answer_without_end_is_bounded() {
    on_both_lines(async |server, _| {
        let mut link = server.link().await;
        server.control().set_fault(Box::new(|reply: &mut Vec<u8>| {
            *reply = vec![b'x'; 20_000];
            Fate::Sent
        }));
        let error = ask(&mut link, "*IDN?").await.unwrap_err();
        assert!(matches!(error, LinkError::TooLong { .. }), "{error}");
        assert!(error.to_string().len() < 500, "{error}");
        server.control().clear_fault();
        link.resynchronise().await.unwrap();
        assert_eq!(ask(&mut link, "*IDN?").await.unwrap(), IDENTITY);
    });
}

#[test]
fn a_caller_that_gives_up_leaves_the_link_out_of_step() {
    on_both_lines(async |server, _| {
        let mut link = server.link().await;
        fault(server, Mishap::Late(Duration::from_millis(150)));
        let brief = Duration::from_millis(20);
        assert!(tokio::time::timeout(brief, ask(&mut link, "VOLT?")).await.is_err());
        assert!(!link.in_step());
        link.resynchronise().await.unwrap();
        assert_eq!(ask(&mut link, "*IDN?").await.unwrap(), IDENTITY);
    });
}

#[test]
fn an_instrument_that_knows_no_alignment_is_said_so() {
    run(async {
        let bench = SharedBench::new();
        let server = Server::Tcp(TcpServer::start(bench.instrument()).unwrap());
        let mut link = Link::open(&server.settings()).await.unwrap();
        server.control().set_fault(Box::new(|reply: &mut Vec<u8>| {
            *reply = b"7.5\n".to_vec();
            Fate::Sent
        }));
        let error = link.resynchronise().await.unwrap_err();
        assert!(matches!(error, LinkError::NotAligned { .. }), "{error}");
        assert!(error.to_string().contains("answered `7.5`"), "{error}");
        assert!(!link.in_step());
    });
}

/// Whatever happens to replies, an answer that is accepted is the answer to its question.
#[test]
fn a_swarm_of_faults_never_shifts_an_answer() {
    let brief = Duration::from_millis(60);
    on_both_lines(async |server, _| {
        let seed = 0x5eed_u32;
        println!("seed {seed:#x}");
        let mut state = seed;
        let mut draw = |bound: u32| {
            // Numerical Recipes' linear congruential generator (constants from memory).
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            (state >> 16) % bound
        };
        let mut link = server.link().await;
        let (mut answered, mut failed) = (0, 0);
        let mut reply = Vec::new();
        for question in 0..80 {
            if draw(10) == 0 {
                let mishap = match draw(5) {
                    0 => Mishap::Silent,
                    1 => Mishap::Late(brief + Duration::from_millis(u64::from(draw(300)))),
                    2 => Mishap::Garbled,
                    3 => Mishap::Truncated(draw(4) as usize),
                    _ => Mishap::Doubled,
                };
                fault(server, mishap);
            }
            let number = 2 + question;
            let message = format!("*SRE {};*SRE?", number & 0x3f);
            match link.query(message.as_bytes(), &mut reply, brief).await {
                Ok(()) => {
                    assert_eq!(reply, (number & 0x3f).to_string().into_bytes());
                    answered += 1;
                }
                Err(_) => {
                    failed += 1;
                    link.resynchronise().await.unwrap();
                }
            }
        }
        println!("{answered} answered, {failed} failed and mended");
        assert!(answered > 60 && failed > 3);
    });
}

#[test]
fn a_socket_that_is_cut_opens_again() {
    run(async {
        let bench = SharedBench::new();
        let server = TcpServer::start(bench.instrument()).unwrap();
        let port = server.address().port();
        let server = Server::Tcp(server);
        let mut link = server.link().await;
        let Server::Tcp(tcp) = &server else { unreachable!() };
        tcp.disconnect();
        let error = ask(&mut link, "*IDN?").await.unwrap_err();
        assert!(matches!(error, LinkError::Closed { .. }), "{error}");
        link.close().await;
        let mut link = server.link().await;
        assert_eq!(ask(&mut link, "*IDN?").await.unwrap(), IDENTITY);
        link.close().await;

        let settings = server.settings();
        let Server::Tcp(tcp) = server else { unreachable!() };
        let instrument = tcp.stop().unwrap();
        let error = Link::open(&settings).await.unwrap_err();
        assert!(matches!(error, LinkError::Refused { .. }), "{error}");
        let server = Server::Tcp(TcpServer::start_on(instrument, port).unwrap());
        let mut link = server.link().await;
        assert_eq!(ask(&mut link, "*IDN?").await.unwrap(), IDENTITY);
    });
}

#[test]
fn a_terminal_that_is_pulled_opens_again_under_its_name() {
    run(async {
        let folder = tempfile::tempdir().unwrap();
        let name = folder.path().join("by-id-load");
        let bench = SharedBench::new();
        let pty = PtyServer::start_named(bench.instrument(), &name).unwrap();
        let server = Server::Pty(pty);
        let mut link = server.link().await;
        let settings = server.settings();
        let Server::Pty(pty) = server else { unreachable!() };
        let instrument = pty.stop().unwrap();
        let error = ask(&mut link, "*IDN?").await.unwrap_err();
        assert!(matches!(error, LinkError::Closed { .. }), "{error}");
        link.close().await;
        let error = Link::open(&settings).await.unwrap_err();
        assert!(matches!(error, LinkError::NoSuchDevice { .. }), "{error}");
        assert!(error.to_string().contains("by-id-load: no such device"), "{error}");

        let server = Server::Pty(PtyServer::start_named(instrument, &name).unwrap());
        let mut link = server.link().await;
        assert_eq!(ask(&mut link, "*IDN?").await.unwrap(), IDENTITY);
        drop(server);
        assert!(!name.is_symlink());
    });
}

#[test]
fn a_port_is_held_by_one() {
    run(async {
        let bench = SharedBench::new();
        let server = Server::Pty(PtyServer::start(bench.instrument()).unwrap());
        let first = server.link().await;
        let error = Link::open(&server.settings()).await.unwrap_err();
        assert!(matches!(error, LinkError::Busy { .. }), "{error}");
        first.close().await;
        server.link().await.close().await;
    });
}

#[test]
fn what_is_no_port_is_said_so() {
    run(async {
        let file = tempfile::NamedTempFile::new().unwrap();
        let settings = LinkSettings::Serial(SerialSettings::new(file.path(), 9600));
        let error = Link::open(&settings).await.unwrap_err();
        assert!(matches!(error, LinkError::NotOpened { .. }), "{error}");
        // A name that can't exist (RFC 6761, 6.4).
        let settings = LinkSettings::Tcp { host: "load.invalid".to_owned(), port: 5025 };
        let error = Link::open(&settings).await.unwrap_err();
        let told = matches!(error, LinkError::Unreachable { .. } | LinkError::OpenDeadline { .. });
        assert!(told && error.to_string().starts_with("load.invalid:5025"), "{error}");
    });
}
