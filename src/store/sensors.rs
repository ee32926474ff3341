//! The sensors' rows: what each is.

use super::pack;
use super::rows::EventRow;
use crate::control::record::Severity;
use crate::time::Stamp;
use rusqlite::{Connection, OptionalExtension, Result, params};

/// What a sensor is, as the log tells it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SensorFacts {
    /// Name, which keeps its number in the log for ever.
    pub name: String,
    /// What it measures.
    pub quantity: String,
    /// Its unit.
    pub unit: String,
    /// The channels that it serves, by name.
    pub channels: String,
    /// Its place in the order of trust.
    pub rank: u32,
    /// Its link, in words.
    pub link: String,
    /// What its raw number means, in words.
    pub conversion: String,
    /// Its calibration, in words.
    pub calibration: String,
}

impl SensorFacts {
    fn words(&self) -> String {
        let Self { name: _, quantity, unit: _, channels, rank, link, conversion, calibration } =
            self;
        format!("{quantity} for {channels}, rank {rank}, {link}, {conversion}, {calibration}")
    }
}

const KNOWN: &str = "SELECT quantity, unit, channels, rank, link, conversion, calibration FROM sensor WHERE name = ?1";
const ENROL: &str = "INSERT INTO sensor VALUES (NULL, ?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8) \
     ON CONFLICT (name) DO UPDATE SET quantity = ?2, unit = ?3, channels = ?4, rank = ?5, \
     link = ?6, conversion = ?7, calibration = ?8 RETURNING id";

/// Finds or makes the row of a sensor; a change of its words is an event, so that none gets lost.
pub(super) fn enrol(conn: &Connection, boot: i64, at: Stamp, facts: &SensorFacts) -> Result<i64> {
    let known = conn
        .query_row(KNOWN, [&facts.name], |row| {
            Ok(SensorFacts {
                name: facts.name.clone(),
                quantity: row.get(0)?,
                unit: row.get(1)?,
                channels: row.get(2)?,
                rank: row.get(3)?,
                link: row.get(4)?,
                conversion: row.get(5)?,
                calibration: row.get(6)?,
            })
        })
        .optional()?;
    let id = conn.query_row(
        ENROL,
        params![
            facts.name,
            facts.quantity,
            facts.unit,
            facts.channels,
            facts.rank,
            facts.link,
            facts.conversion,
            facts.calibration,
        ],
        |row| row.get(0),
    )?;
    if let Some(known) = known.filter(|known| known != facts) {
        let (name, before, now) = (&facts.name, known.words(), facts.words());
        let text = format!("sensor {name} changed: before {before}; now {now}");
        let (severity, code) = (Severity::Note.word(), "sensor-changed");
        let row = EventRow { channel: None, at, severity, code, text: &text, detail: None };
        pack::write_event(conn, boot, &row)?;
    }
    Ok(id)
}
