//! The beginning of a run in the log: its boot, its channels, and how the one before ended.

use super::log::{ChannelFacts, DayBefore, OpenFacts};
use super::pack::{self, STRETCH_BITS};
use super::rows::EventRow;
use crate::control::record::{ChannelId, Happening, Severity};
use crate::quantities::WattHours;
use crate::time::{Stamp, Utc};
use rusqlite::{Connection, OptionalExtension, TransactionBehavior};

/// Days whose energy is looked up at the start.
const NEWEST_DAYS: i64 = 8;

/// When the last run wrote its last row, if it began but did not end. Boots that are no runs, as
/// those of commissioning, are passed over. Rows that must be looked up by time alone (minutes,
/// days) are not needed: each of them comes with samples or events.
pub(super) fn broken_off(conn: &Connection) -> rusqlite::Result<Option<Utc>> {
    let (began, ended) = (Happening::RunBegan.code(), Happening::RunEnded.code());
    let newest = "SELECT boot FROM event WHERE code = ?1 ORDER BY id DESC LIMIT 1";
    let run: Option<i64> = conn.query_row(newest, [began], |row| row.get(0)).optional()?;
    let Some(run) = run else { return Ok(None) };
    conn.query_row(
        "SELECT max(coalesce((SELECT utc_us FROM event WHERE boot = ?1 ORDER BY id DESC LIMIT 1), 0), \
                    coalesce((SELECT max(t.utc_us + (SELECT max(s.id) FROM sample AS s \
                                   WHERE s.id BETWEEN t.id << ?3 AND t.id + 1 << ?3) \
                                  % (1 << ?3) * 1000) \
                              FROM stretch AS t WHERE t.boot = ?1), 0)) \
         WHERE NOT EXISTS (SELECT 1 FROM event WHERE boot = ?1 AND code = ?2)",
        (run, ended, STRETCH_BITS),
        |row| row.get(0),
    )
    .optional()
    .map(|last| last.map(Utc::from_micros))
}

/// The time of the event that was written last.
pub(super) fn newest_event(conn: &Connection) -> rusqlite::Result<Option<Utc>> {
    let newest = "SELECT utc_us FROM event ORDER BY id DESC LIMIT 1";
    let newest: Option<i64> = conn.query_row(newest, [], |row| row.get(0)).optional()?;
    Ok(newest.map(Utc::from_micros))
}

/// The energy of the newest days by channel, as the boots before this one have it. More than one day, since the
/// clock may turn out to be wrong.
pub(super) fn days_before(
    conn: &Connection,
    boot: i64,
    channels: &[i64],
) -> rusqlite::Result<Vec<DayBefore>> {
    let mut statement = conn.prepare(
        "SELECT channel, date, coalesce(sum(energy_wh), 0.0) FROM day WHERE boot < ?1 \
         AND date IN (SELECT DISTINCT date FROM day ORDER BY date DESC LIMIT ?2) \
         GROUP BY channel, date",
    )?;
    let row = |row: &rusqlite::Row<'_>| Ok((row.get(0)?, row.get(1)?, row.get(2)?));
    let mut found = Vec::new();
    for row in statement.query_map((boot, NEWEST_DAYS), row)? {
        let (channel, date, energy): (i64, String, f64) = row?;
        let place = channels.iter().position(|known| *known == channel);
        if let Some(place) = place.and_then(|place| u16::try_from(place).ok()) {
            found.push(DayBefore { channel: ChannelId(place), date, energy: WattHours(energy) });
        }
    }
    Ok(found)
}

/// Writes the boot and its channels; answers the boot's number and the channels' numbers.
pub(super) fn begin_boot(
    conn: &mut Connection,
    facts: &OpenFacts,
) -> rusqlite::Result<(i64, Vec<i64>)> {
    let transaction = conn.transaction_with_behavior(TransactionBehavior::Immediate)?;
    let boot: i64 = transaction.query_row(
        "INSERT INTO boot SELECT coalesce(max(number), 0) + 1, ?1, ?2, ?3, ?4, ?5, ?6, ?7 FROM boot \
         RETURNING number",
        (
            facts.began.utc.as_micros(),
            &facts.version,
            &facts.station,
            &facts.fingerprint,
            facts.seed.map(|seed| seed.to_string()),
            &facts.note,
            facts.day.ahead_micros(),
        ),
        |row| row.get(0),
    )?;
    let mut channels = Vec::with_capacity(facts.channels.len());
    for channel in &facts.channels {
        channels.push(enrol(&transaction, boot, facts.began, channel)?);
    }
    transaction.commit()?;
    Ok((boot, channels))
}

/// Finds or makes the row of a channel; a change of its words is an event, so that none gets lost.
fn enrol(conn: &Connection, boot: i64, at: Stamp, facts: &ChannelFacts) -> rusqlite::Result<i64> {
    let known: Option<(i64, String, String)> = conn
        .query_row(
            "SELECT id, device, tracker FROM channel WHERE name = ?1",
            [&facts.name],
            |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?)),
        )
        .optional()?;
    let id = conn.query_row(
        "INSERT INTO channel VALUES (NULL, ?1, ?2, ?3) \
         ON CONFLICT (name) DO UPDATE SET device = ?2, tracker = ?3 RETURNING id",
        (&facts.name, &facts.device, &facts.tracker),
        |row| row.get(0),
    )?;
    if let Some((_, device, tracker)) = known
        && (&device, &tracker) != (&facts.device, &facts.tracker)
    {
        let text = format!(
            "the channel changed: before {device}, {tracker}; now {}, {}",
            facts.device, facts.tracker
        );
        let row = EventRow {
            channel: Some(id),
            at,
            severity: Severity::Note.word(),
            code: "channel-changed",
            text: &text,
            detail: None,
        };
        pack::write_event(conn, boot, &row)?;
    }
    Ok(id)
}

/// The month that the file was begun in is `month` after all.
pub(super) fn learn_month(conn: &Connection, month: &str) -> rusqlite::Result<()> {
    conn.execute("UPDATE file SET month = ?1", [month]).map(|_| ())
}

/// The month that the file was begun in: `month`, if it is new.
pub(super) fn month(conn: &Connection, month: &str) -> rusqlite::Result<String> {
    conn.execute("UPDATE file SET month = ?1 WHERE month IS NULL", [month])?;
    conn.query_row("SELECT month FROM file", [], |row| row.get(0))
}
