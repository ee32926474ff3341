//! Where a sensor's raw numbers come from.

use super::super::link::real;
use super::super::reader::{Number, Section, Whole};
use super::super::spec::Address;
use super::Known;
use crate::control::record::ChannelId;
use crate::modbus::{Format, Kind, Request, Table, WordOrder};
use std::time::Duration;

const LINK: &str = "write { tcp = \"192.0.2.20:502\", unit = 1 } or { serial = \"/dev/serial/by-id/...\", \
                    baud = 9600, unit = 1 } for Modbus, the same without unit for a meter that is \
                    asked by a query, or { channel = \"NAME\" } for a cell that a channel holds";
const UNIT: Whole =
    Whole { key: "unit", low: 1, high: 247, hint: "state the Modbus unit's number" };
const ADDRESS: Whole = Whole {
    key: "address",
    low: 0,
    high: 65_535,
    hint: "state the protocol's address, from zero: register 30001 of a manual is input 0",
};
const DEADLINE: Number = Number {
    key: "deadline_s",
    low: 0.02,
    high: 30.0,
    unit: "s",
    hint: "state when a reply counts as lost",
};
/// Unless stated.
const DEFAULT_DEADLINE: Duration = Duration::from_secs(1);
const TABLES: [&str; 4] = ["coil", "discrete", "holding", "input"];
const ORDERS: [&str; 2] = ["high-first", "low-first"];
const QUERY: &str =
    "state what the meter is asked, as \"MEAS:VOLT?\"; it answers in V, ohm or degC";
const IDENTITY: &str =
    "state text that its reply to *IDN? contains, so that no other meter is read";
/// Longest query (characters): instruments take 256 at least.
const LONGEST_QUERY: usize = 120;

/// Where a sensor's raw numbers come from.
#[derive(Clone, Debug, PartialEq)]
pub enum SensorSource {
    /// Registers of a Modbus unit.
    Modbus {
        /// The bus: RTU on a serial line, or TCP.
        address: Address,
        /// What is asked for.
        request: Request,
        /// How the number lies in its registers; none for a bit.
        format: Option<Format>,
        /// A later reply counts as lost (s, 0.02..=30).
        deadline: Duration,
    },
    /// A meter that is asked in words.
    Meter {
        /// Its line.
        address: Address,
        /// Text that its answer to `*IDN?` must contain.
        identity: String,
        /// What it is asked.
        query: String,
        /// A later reply counts as lost (s, 0.02..=30).
        deadline: Duration,
    },
    /// The current of a channel that holds a reference cell near short circuit (A).
    Channel(ChannelId),
}

impl SensorSource {
    /// The line, where there is one.
    #[must_use]
    pub const fn address(&self) -> Option<&Address> {
        match self {
            Self::Modbus { address, .. } | Self::Meter { address, .. } => Some(address),
            Self::Channel(_) => None,
        }
    }

    /// Whether the two, which are on the same line, can be.
    pub(super) fn fits(&self, other: &Self, name: &str) -> Result<(), String> {
        let (Some(ours), Some(theirs)) = (self.address(), other.address()) else { return Ok(()) };
        let same = match (self, other) {
            (Self::Modbus { .. }, Self::Modbus { .. }) => ours == theirs,
            (Self::Meter { identity: one, .. }, Self::Meter { identity: two, .. }) => {
                ours == theirs && one == two
            }
            _ => false,
        };
        if same {
            return Ok(());
        }
        Err(format!(
            "sensor {name} is on {theirs} too, but with other settings; on one line all of them \
             must be the same"
        ))
    }
}

pub(super) fn read(section: &mut Section<'_>, known: &Known<'_>) -> Option<SensorSource> {
    let deadline = section.seconds_or(&DEADLINE, DEFAULT_DEADLINE);
    let value = section.needed("link", LINK);
    let keys = ["register", "query", "identity"];
    let Some(value) = value.filter(|value| value.get_ref().is_table()) else {
        if value.is_some() {
            section.note("link", format!("this is no sensor's link; {LINK}"));
        }
        for key in keys {
            section.has(key);
        }
        return None;
    };
    let mut link = section.inline("link", value);
    if link.has("channel") {
        section.forbid(&keys, "a cell that is read through a channel has none; take it out");
        section.has(DEADLINE.key);
        let name = link.text("channel", "name the channel that holds the cell")?;
        let channel = known.channel(&link, "channel", name);
        link.finish();
        return channel.map(SensorSource::Channel);
    }
    let modbus = link.has(UNIT.key);
    let unit = if modbus { link.whole(&UNIT, None) } else { None };
    let address = real(link);
    if let Some(address) = &address {
        known.links.judge_shared(section, address);
    }
    if modbus {
        section.forbid(&["query", "identity"], "Modbus has none; take it out, or unit");
        if matches!(address, Some(Address::UsbTmc { .. })) {
            section
                .note("link", "Modbus runs on serial and tcp lines, not on usbtmc; take unit out");
            return None;
        }
        let register = register(section, unit.and_then(|unit| u8::try_from(unit).ok()));
        let (request, format) = register?;
        return Some(SensorSource::Modbus {
            address: address?,
            request,
            format,
            deadline: deadline?,
        });
    }
    section.forbid(&["register"], "a meter has none; take it out, or add unit to the link");
    let identity = section.text("identity", IDENTITY);
    let query = query(section);
    Some(SensorSource::Meter {
        address: address?,
        identity: identity?.to_owned(),
        query: query?,
        deadline: deadline?,
    })
}

fn query(section: &mut Section<'_>) -> Option<String> {
    let query = section.text("query", QUERY)?.trim();
    let fits = query.len() <= LONGEST_QUERY
        && query.contains('?')
        && query.chars().all(|c| c.is_ascii_graphic() || c == ' ');
    if !fits {
        section.note("query", format!("{query:?} is no query of one line; {QUERY}"));
    }
    fits.then(|| query.to_owned())
}

/// The register map; the unit may be wrong and noted already.
fn register(section: &mut Section<'_>, unit: Option<u8>) -> Option<(Request, Option<Format>)> {
    let mut map = section.table("register", "state table, address and type of the register");
    let table = map.choice("table", &TABLES, None).map(|place| Table::ALL[place]);
    let address = map.whole(&ADDRESS, None).and_then(|address| u16::try_from(address).ok());
    let bits = table.is_some_and(Table::is_bits);
    let format = if bits {
        map.forbid(&["type", "word_order"], "a coil or discrete input is one bit; take it out");
        Some(None)
    } else {
        let kind = map.choice("type", &Kind::NAMES, None).map(|place| Kind::ALL[place]);
        let order = map.choice("word_order", &ORDERS, Some(0));
        let order = order.map(|place| [WordOrder::HighFirst, WordOrder::LowFirst][place]);
        kind.zip(order).map(|(kind, order)| Some(Format { kind, order }))
    };
    let count = match format {
        Some(Some(format)) => format.kind.registers(),
        _ => 1,
    };
    let request = match (unit, table, address) {
        (Some(unit), Some(table), Some(address)) => {
            let request = Request::read(unit, table, address, count);
            if let Err(why) = &request {
                map.note(ADDRESS.key, why.to_string());
            }
            request.ok()
        }
        _ => None,
    };
    map.finish();
    request.zip(format)
}
