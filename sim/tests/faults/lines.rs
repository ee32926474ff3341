//! Faults of replies and connections.

use super::*;
use cresthold_sim::wire::fault::Mishap;

#[test]
fn replies_are_spoilt_as_many_as_stated_and_no_more() {
    let late = Duration::from_millis(300);
    for (mishap, seen) in [
        (Mishap::Garbled, b"\xb42.\xb000\xb0".as_slice()),
        (Mishap::Doubled, b"42.0000"),
        (Mishap::Late(late), b"42.0000"),
    ] {
        on_both(Yard::load, |mut yard| {
            let mut client = yard.connect();
            client.say("VOLT 42");
            assert_eq!(client.ask("VOLT?"), "42.0000");
            yard.begin(What::Replies(mishap), Lasting::Replies(1));
            let asked = std::time::Instant::now();
            client.say("VOLT?");
            assert_eq!(client.line(), seen, "{mishap:?}");
            match mishap {
                Mishap::Doubled => assert_eq!(client.line(), seen),
                Mishap::Late(by) => assert!(asked.elapsed() >= by),
                _ => {}
            }
            assert_eq!(client.ask("VOLT?"), "42.0000", "after {mishap:?}");
            yard.end();
        });
    }
}

#[test]
fn replies_get_lost_in_part_or_whole() {
    for (mishap, seen) in [(Mishap::Truncated(4), b"42.0".as_slice()), (Mishap::Silent, b"")] {
        on_both(Yard::load, |mut yard| {
            let mut client = yard.connect();
            client.say("VOLT 42");
            yard.begin(What::Replies(mishap), for_a_while());
            for _ in 0..3 {
                client.say("VOLT?");
                assert_eq!(client.take(seen.len()), seen);
                assert!(client.is_silent(), "{mishap:?}");
            }
            yard.end();
            assert_eq!(client.ask("VOLT?"), "42.0000");
        });
    }
}

#[test]
fn a_connection_ends_and_the_next_is_welcome() {
    on_both(Yard::load, |mut yard| {
        let mut client = yard.connect();
        client.say("VOLT 42");
        assert_eq!(client.ask("VOLT?"), "42.0000");
        yard.begin(What::Closed, Lasting::Once);
        assert!(client.is_hung_up());
        drop(client);
        assert_eq!(yard.connect().ask("VOLT?"), "42.0000", "the same instrument");
        assert_eq!(yard.player.advance(at(END), &mut yard.victims), [], "it is over");
    });
}

#[test]
fn connections_are_refused_for_a_while() {
    on_both(Yard::load, |mut yard| {
        let mut client = yard.connect();
        client.say("VOLT 42");
        assert_eq!(client.ask("*OPC?"), "1");
        yard.begin(What::Refused, for_a_while());
        assert!(client.is_hung_up());
        drop(client);
        assert!(yard.way.connect().is_err());
        yard.end();
        assert_eq!(yard.connect().ask("VOLT?"), "42.0000");
    });
}

#[test]
fn a_terminal_gets_another_number_and_its_name_follows() {
    let mut yard = Yard::load(true);
    let Way::Terminal(name) = &yard.way else { unreachable!() };
    let name = name.clone();
    let before = std::fs::read_link(&name).unwrap();
    let mut client = yard.connect();
    assert_eq!(client.ask("*OPC?"), "1");
    yard.begin(What::Renumbered, for_a_while());
    assert!(client.is_hung_up());
    drop(client);
    assert!(!name.is_symlink(), "the name is not told yet, and leads nowhere");
    yard.end();
    assert_ne!(std::fs::read_link(&name).unwrap(), before);
    assert_eq!(yard.connect().ask("*OPC?"), "1");
    drop(yard);
    assert!(!name.is_symlink(), "the name goes with the server");
}

#[test]
fn a_port_that_somebody_took_is_tried_again() {
    let mut yard = Yard::load(false);
    let Way::Socket(address) = yard.way else { unreachable!() };
    yard.begin(What::Refused, for_a_while());
    let thief = std::net::TcpListener::bind(address).unwrap();
    let notices = yard.player.advance(at(END), &mut yard.victims);
    assert!(notices[0].trouble.as_ref().unwrap().contains("can't listen"), "{notices:?}");
    let again = yard.player.next(at(END)).unwrap();
    assert_eq!(yard.player.advance(again, &mut yard.victims), [], "said once");
    drop(thief);
    let again = yard.player.next(again).unwrap();
    let notices = yard.player.advance(again, &mut yard.victims);
    assert!(notices[0].trouble.is_none(), "{notices:?}");
    assert_eq!(yard.connect().ask("*OPC?"), "1");
}

#[test]
fn a_fault_takes_the_place_of_another_of_its_kind() {
    let mut yard = Yard::load(false);
    yard.begin(What::Replies(Mishap::Silent), Lasting::For(Duration::from_secs(60)));
    let second = Fault {
        at: END,
        lasting: Lasting::Replies(1),
        what: What::Replies(Mishap::Garbled),
        place: 0,
    };
    yard.player.add(std::iter::once(second));
    let notices = yard.player.advance(at(END), &mut yard.victims);
    let told: Vec<_> = notices.iter().map(|n| (n.fault.what.name(), n.begins)).collect();
    assert_eq!(told, [("dropped", false), ("garbled", true)]);
    let mut client = yard.connect();
    client.say("*OPC?;*OPC?");
    assert_eq!(client.line(), b"\xb1;1");
    assert_eq!(client.ask("*OPC?"), "1", "the first one is over for good");
}
