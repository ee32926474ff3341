//! A Modbus bus over real lines, with faults: what it answers is right, or nothing.

#![allow(clippy::unwrap_used, clippy::panic, reason = "a test that fails may panic")]

use cresthold::instruments::link::{Bus, BusError, BusSettings, SerialSettings};
use cresthold::modbus::{Exception, Request, Table};
use cresthold_sim::wire::fault::{Fate, Mishap, Spell};
use cresthold_sim::wire::modbus::ModbusDevice;
use cresthold_sim::wire::serve::{LineControl, PtyServer, TcpServer};
use std::sync::Arc;
use std::sync::atomic::{AtomicU16, Ordering};
use std::time::Duration;

/// Long enough for a busy machine.
const DEADLINE: Duration = Duration::from_millis(400);
/// Later than the deadline, so that the reply finds other requests on the line.
const LATE: Duration = Duration::from_millis(600);

enum Server {
    Pty(PtyServer),
    Tcp(TcpServer),
}

impl Server {
    fn settings(&self) -> BusSettings {
        match self {
            Self::Pty(server) => BusSettings::Rtu(SerialSettings::new(server.path(), 115_200)),
            Self::Tcp(server) => BusSettings::Tcp {
                host: server.address().ip().to_string(),
                port: server.address().port(),
            },
        }
    }

    fn control(&self) -> &LineControl {
        match self {
            Self::Pty(server) => server.control(),
            Self::Tcp(server) => server.control(),
        }
    }
}

/// A yard with two units whose every register says where it is read from and when: the first word
/// is unit and address, the second counts the readings.
struct Yard {
    server: Server,
    count: Arc<AtomicU16>,
}

impl Yard {
    fn new(serial: bool, echoes: bool) -> Self {
        let count = Arc::new(AtomicU16::new(0));
        let mut device = if serial { ModbusDevice::rtu() } else { ModbusDevice::tcp() };
        for unit in [1_u8, 2] {
            let count = Arc::clone(&count);
            device = device.with_unit(unit, move |_: Table, address: u16, values: &mut [u16]| {
                if address > 100 {
                    return Err(Exception::IllegalAddress);
                }
                values[0] = u16::from(unit) * 1000 + address;
                values[1] = count.fetch_add(1, Ordering::SeqCst);
                Ok(())
            });
        }
        let device = Box::new(if echoes { device } else { device.without_echo() });
        let server = if serial {
            Server::Pty(PtyServer::start(device).unwrap())
        } else {
            Server::Tcp(TcpServer::start(device).unwrap())
        };
        Self { server, count }
    }

    /// Reads once; panics at a wrong value.
    async fn read(&self, bus: &mut Option<Bus>, unit: u8, address: u16) -> Result<(), BusError> {
        if bus.as_ref().is_none_or(Bus::is_broken) {
            if let Some(bus) = bus.take() {
                bus.close().await;
            }
            let opened = Bus::open(&self.server.settings()).await;
            *bus = Some(opened.map_err(|error| BusError::Link(Box::new(error)))?);
        }
        let asked = self.count.load(Ordering::SeqCst);
        let request = Request::read(unit, Table::Input, address, 2).unwrap();
        let answer = bus.as_mut().unwrap().read(&request, DEADLINE).await?;
        let (place, count) = (answer.get(0).unwrap(), answer.get(1).unwrap());
        assert_eq!(place, u16::from(unit) * 1000 + address, "another register's value");
        assert!(count >= asked, "an answer from before the question");
        Ok(())
    }

    /// Reads in turn until a value comes; answers how many tries it took.
    async fn recover(&self, bus: &mut Option<Bus>) -> u32 {
        for attempt in 1..=30 {
            let (unit, address) = (1 + u8::from(attempt % 2 == 0), u16::try_from(attempt).unwrap());
            if self.read(bus, unit, address).await.is_ok() {
                return attempt;
            }
            tokio::time::sleep(Duration::from_millis(20)).await;
        }
        panic!("the bus does not recover");
    }
}

fn run(test: impl Future<Output = ()>) {
    tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap().block_on(test);
}

fn faults() -> Vec<Mishap> {
    vec![
        Mishap::Silent,
        Mishap::Late(LATE),
        Mishap::Garbled,
        Mishap::Truncated(0),
        Mishap::Truncated(1),
        Mishap::Truncated(4),
        Mishap::Truncated(8),
        Mishap::Doubled,
    ]
}

fn survives(serial: bool) {
    run(async {
        let yard = Yard::new(serial, true);
        let mut bus = None;
        yard.recover(&mut bus).await;
        for mishap in faults() {
            for replies in [1, 2, 3] {
                yard.server.control().set_fault(Box::new(Spell { mishap, replies }));
                // While it lasts, values may come or not; none may be wrong.
                for address in 0..4 {
                    let unit = 1 + u8::from(address == 2);
                    let _ = yard.read(&mut bus, unit, address).await;
                }
                yard.server.control().clear_fault();
                yard.recover(&mut bus).await;
            }
        }
    });
}

#[test]
fn serial_answers_are_right_or_absent() {
    survives(true);
}

#[test]
fn tcp_answers_are_right_or_absent() {
    survives(false);
}

#[test]
fn the_late_answer_is_never_taken_for_the_next() {
    run(async {
        let yard = Yard::new(true, true);
        let mut bus = None;
        yard.recover(&mut bus).await;
        yard.read(&mut bus, 1, 5).await.unwrap();
        // The answer to register 5 comes while register 6 of the same unit is asked for: everything
        // about its frame fits but the register.
        let spell = Spell { mishap: Mishap::Late(LATE), replies: 1 };
        yard.server.control().set_fault(Box::new(spell));
        let silent = yard.read(&mut bus, 1, 5).await.unwrap_err();
        assert!(matches!(silent, BusError::Silent { unit: 1, .. }), "{silent}");
        let mut doubted = 0;
        while let Err(error) = yard.read(&mut bus, 1, 6).await {
            assert!(matches!(error, BusError::InDoubt { .. }), "{error}");
            doubted += 1;
            assert!(doubted < 10);
        }
        assert!(doubted > 0, "the late answer was not noticed");
    });
}

#[test]
fn another_units_answer_is_none() {
    run(async {
        let yard = Yard::new(true, true);
        let mut bus = None;
        yard.recover(&mut bus).await;
        yard.read(&mut bus, 1, 5).await.unwrap();
        // Unit 2 answers in unit 1's place, CRC and all.
        yard.server.control().set_fault(Box::new(|reply: &mut Vec<u8>| {
            let body = reply.len() - 2;
            reply[0] = 2;
            let sum = cresthold::modbus::crc(&reply[..body]);
            reply[body..].copy_from_slice(&sum.to_le_bytes());
            Fate::Sent
        }));
        let wrong = yard.read(&mut bus, 1, 5).await.unwrap_err();
        assert!(wrong.to_string().contains("it comes from unit 2"), "{wrong}");
        yard.server.control().clear_fault();
        yard.recover(&mut bus).await;
    });
}

#[test]
fn refusals_are_told_in_words_and_keep_the_line_in_step() {
    run(async {
        for serial in [true, false] {
            let yard = Yard::new(serial, true);
            let mut bus = None;
            yard.recover(&mut bus).await;
            let refused = yard.read(&mut bus, 1, 101).await.unwrap_err();
            assert!(refused.to_string().contains("it has no such address"), "{refused}");
            assert!(!bus.as_ref().unwrap().is_broken());
            yard.read(&mut bus, 1, 1).await.unwrap();
        }
    });
}

#[test]
fn a_unit_deaf_to_echoes_is_believed_after_a_long_silence() {
    run(async {
        let yard = Yard::new(true, false);
        let mut bus = None;
        for _ in 0..2 {
            let doubt = yard.read(&mut bus, 1, 1).await.unwrap_err();
            assert!(matches!(doubt, BusError::InDoubt { .. }), "{doubt}");
        }
        tokio::time::sleep(Duration::from_millis(3100)).await;
        yard.read(&mut bus, 1, 1).await.unwrap();
        yard.read(&mut bus, 1, 2).await.unwrap();
    });
}

#[test]
fn an_unplugged_line_is_opened_again() {
    run(async {
        let yard = Yard::new(false, true);
        let mut bus = None;
        yard.recover(&mut bus).await;
        let Server::Tcp(server) = &yard.server else { unreachable!() };
        server.disconnect();
        assert!(yard.read(&mut bus, 1, 1).await.is_err());
        assert!(bus.as_ref().unwrap().is_broken());
        assert!(yard.recover(&mut bus).await <= 2);
    });
}

/// An independent implementation of the protocol reads from our device.
#[test]
fn another_implementation_reads_the_virtual_device() {
    use tokio_modbus::client::{Reader as _, tcp};
    run(async {
        let yard = Yard::new(false, true);
        let Server::Tcp(server) = &yard.server else { unreachable!() };
        let unit = tokio_modbus::Slave(2);
        let mut context = tcp::connect_slave(server.address(), unit).await.unwrap();
        let words = context.read_input_registers(7, 2).await.unwrap().unwrap();
        assert_eq!(words, [2007, 0]);
        let refused = context.read_holding_registers(101, 2).await.unwrap();
        assert_eq!(refused, Err(tokio_modbus::ExceptionCode::IllegalDataAddress));
    });
}

/// A generator small enough to stand here (Marsaglia 2003, xorshift, 13/7/17).
struct Dice(u64);

impl Dice {
    fn below(&mut self, most: u64) -> u64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        self.0 % most
    }

    fn mishap(&mut self) -> Mishap {
        match self.below(6) {
            0 => Mishap::Silent,
            1 | 2 => Mishap::Late(Duration::from_millis(self.below(1500))),
            3 => Mishap::Garbled,
            4 => Mishap::Truncated(usize::try_from(self.below(9)).unwrap()),
            _ => Mishap::Doubled,
        }
    }
}

/// Minutes of random faults; prints what came of them.
#[test]
#[ignore = "takes minutes: cargo test --test modbus_bus -- --ignored --nocapture"]
fn random_faults_for_minutes() {
    run(async {
        for (serial, seed) in [(true, 0x5EED_0001), (false, 0x5EED_0002)] {
            let yard = Yard::new(serial, true);
            let mut dice = Dice(seed);
            let mut bus = None;
            let (mut right, mut absent) = (0, 0);
            for _ in 0..400 {
                if dice.below(3) == 0 {
                    let replies = 1 + u32::try_from(dice.below(2)).unwrap();
                    let mishap = dice.mishap();
                    yard.server.control().set_fault(Box::new(Spell { mishap, replies }));
                }
                let unit = 1 + u8::try_from(dice.below(2)).unwrap();
                let address = u16::try_from(dice.below(100)).unwrap();
                match yard.read(&mut bus, unit, address).await {
                    Ok(()) => right += 1,
                    Err(_) => absent += 1,
                }
            }
            let line = if serial { "RTU" } else { "TCP" };
            println!("{line}, seed {seed:#x}: {right} right, {absent} absent, 0 wrong");
            assert!(right > 0);
        }
    });
}
