//! Links and identities: how instruments are reached.

use super::reader::{Section, Whole};
use super::spec::{Address, Flow, Parity};
use std::cell::RefCell;
use std::path::PathBuf;

const FORMS: &str = "write \"plant\", { tcp = \"192.0.2.10:5025\" }, \
                     { serial = \"/dev/serial/by-id/...\", baud = 115200 } or \
                     { usbtmc = \"/dev/usbtmc0\" }";
const BAUD: Whole =
    Whole { key: "baud", low: 300, high: 4_000_000, hint: "state the instrument's speed in baud" };
const DATA_BITS: Whole =
    Whole { key: "data_bits", low: 7, high: 8, hint: "state the bits of a character" };
const STOP_BITS: Whole = Whole { key: "stop_bits", low: 1, high: 2, hint: "state the stop bits" };
const TCP_FORM: &str =
    "write host:port, as \"192.0.2.10:5025\" or \"[2001:db8::10]:5025\", port 1..=65535";
const IDENTITY: &str = "state text that its reply to *IDN? contains, so that no other instrument \
                        is driven by mistake";

/// Whether the instruments are simulated, and the links met so far.
pub(super) struct Links {
    /// Whether the file has a `[plant]`.
    pub(super) plant: bool,
    seen: RefCell<Vec<(String, String)>>,
}

impl Links {
    pub(super) fn new(plant: bool) -> Self {
        Self { plant, seen: RefCell::new(vec![]) }
    }

    /// The link of a load, which must have one.
    pub(super) fn needed(&self, section: &mut Section<'_>) -> Option<Address> {
        section.needed("link", FORMS)?;
        self.if_any(section)
    }

    /// The link, if there is one; notes what is wrong with it.
    pub(super) fn if_any(&self, section: &mut Section<'_>) -> Option<Address> {
        let value = section.value("link")?;
        let address = match value.get_ref().as_str() {
            Some("plant") => Some(Address::Plant),
            Some(other) => {
                section.note("link", format!("\"{other}\" is no link; {FORMS}"));
                None
            }
            None if value.get_ref().is_table() => real(section.inline("link", value)),
            None => {
                section.note("link", format!("this is no link; {FORMS}"));
                None
            }
        }?;
        self.judge(section, &address);
        Some(address)
    }

    /// The identity that goes with a link; real instruments need one.
    pub(super) fn identity(
        &self,
        section: &mut Section<'_>,
        address: Option<&Address>,
    ) -> Option<String> {
        let real = address.is_some_and(|address| *address != Address::Plant);
        let text = if real {
            section.text("identity", IDENTITY)
        } else {
            section.text_if_any("identity", IDENTITY)
        };
        text.map(str::to_owned)
    }

    /// Notes a sensor's link that a load or a supply has, or other sensors with other settings.
    pub(super) fn judge_shared(&self, section: &Section<'_>, address: &Address) {
        let place = address.to_string();
        if let Some((_, first)) = self.seen.borrow().iter().find(|(other, _)| *other == place) {
            let text = format!("{place} is taken by {first}; every instrument needs its own link");
            section.note("link", text);
        }
    }

    fn judge(&self, section: &Section<'_>, address: &Address) {
        if *address == Address::Plant {
            if !self.plant {
                let text = "there is no [plant] table to simulate it; add one, or write the \
                            instrument's real link";
                section.note("link", text);
            }
            return;
        }
        if self.plant {
            let text = "a real instrument in a station with a [plant] table; write \"plant\", or \
                        take [plant] out and make every link real";
            section.note("link", text);
        }
        let place = address.to_string();
        let mut seen = self.seen.borrow_mut();
        if let Some((_, first)) = seen.iter().find(|(other, _)| *other == place) {
            let text = format!("{place} is taken by {first}; every instrument needs its own link");
            section.note("link", text);
        }
        seen.push((place, section.path_of("link")));
    }
}

/// A serial line, a TCP connection or a USB-TMC device, from a table like `{ tcp = "..." }`.
pub(super) fn real(mut section: Section<'_>) -> Option<Address> {
    let found = ["serial", "tcp", "usbtmc"].map(|key| section.has(key));
    let address = match found {
        [true, false, false] => serial_line(&mut section),
        [false, true, false] => tcp_connection(&mut section),
        [false, false, true] => {
            let path = section.text("usbtmc", "state the device node, best by a udev rule's link");
            path.map(|path| Address::UsbTmc { path: PathBuf::from(path) })
        }
        _ => {
            section.note("", format!("it must have one of tcp, serial and usbtmc; {FORMS}"));
            None
        }
    };
    section.finish();
    address
}

fn serial_line(section: &mut Section<'_>) -> Option<Address> {
    let path = section.text("serial", "state the device node, best by /dev/serial/by-id");
    let baud = section.whole(&BAUD, None);
    let data_bits = section.whole(&DATA_BITS, Some(8));
    let parity = section.choice("parity", &["none", "even", "odd"], Some(0));
    let stop_bits = section.whole(&STOP_BITS, Some(1));
    let flow = section.choice("flow", &["none", "software", "hardware"], Some(0));
    Some(Address::Serial {
        path: PathBuf::from(path?),
        baud: u32::try_from(baud?).ok()?,
        data_bits: u8::try_from(data_bits?).ok()?,
        parity: [Parity::None, Parity::Even, Parity::Odd][parity?],
        stop_bits: u8::try_from(stop_bits?).ok()?,
        flow: [Flow::None, Flow::Software, Flow::Hardware][flow?],
    })
}

fn tcp_connection(section: &mut Section<'_>) -> Option<Address> {
    let written = section.text("tcp", TCP_FORM)?;
    let address = host_and_port(written);
    if address.is_none() {
        section.note("tcp", format!("\"{written}\" is no address; {TCP_FORM}"));
    }
    address.map(|(host, port)| Address::Tcp { host: host.to_owned(), port })
}

fn host_and_port(written: &str) -> Option<(&str, u16)> {
    let (host, port) = written.rsplit_once(':')?;
    let port = port.parse().ok().filter(|port| *port > 0)?;
    if let Some(six) = host.strip_prefix('[') {
        let six = six.strip_suffix(']')?;
        return six.parse::<std::net::Ipv6Addr>().is_ok().then_some((six, port));
    }
    let fits = |c: char| c.is_ascii_alphanumeric() || "-._".contains(c);
    (!host.is_empty() && host.chars().all(fits)).then_some((host, port))
}
