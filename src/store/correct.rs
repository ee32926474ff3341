//! Labels put right: what a run wrote while its wall clock was wrong, once the true time is known.
//!
//! Model: every row has its place on the monotonic clock, so a span of it can be moved by the step that
//! the wall clock made. Rows of a run's first minutes are few, and samples and minutes are labelled by
//! their stretch, so that a correction changes some hundred rows. Only rows that were labelled by the
//! wrong clock are moved: those nearer to its offset than to the right one's, so that doing it twice
//! does nothing.
//!
//! Rejected: correcting in the views (every query by time would have to know every step).

use rusqlite::{Connection, Result, params};

/// A span of a boot and what its labels are to be moved by.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Correction {
    /// Span on the monotonic clock (us).
    pub(super) from: i64,
    pub(super) until: i64,
    /// What the right wall clock is ahead of the monotonic one (us).
    pub(super) offset: i64,
    /// What the right one is ahead of the wrong one (us).
    pub(super) shift: i64,
}

/// Rows of a table `t` that a correction (boot, from, until, offset, shift) concerns, given the names of
/// a row's two clocks.
fn wrong(mono: &str, utc: &str) -> String {
    format!(
        "boot = ?1 AND {mono} >= ?2 AND {mono} < ?3 \
         AND abs({utc} - {mono} - ?4 + ?5) < abs({utc} - {mono} - ?4)"
    )
}

impl Correction {
    /// Whether a row at `mono` with this offset was labelled by the wrong clock.
    pub(super) const fn concerns(&self, mono: i64, offset: i64) -> bool {
        let wrong = self.offset.saturating_sub(self.shift);
        self.from <= mono
            && mono < self.until
            && offset.abs_diff(wrong) < offset.abs_diff(self.offset)
    }

    /// Moves the labels of what `boot` has written.
    pub(super) fn apply(&self, conn: &Connection, boot: i64) -> Result<()> {
        let of = params![boot, self.from, self.until, self.offset, self.shift];
        for (table, mono, utc) in [
            ("stretch", "mono_us", "utc_us"),
            ("event", "mono_us", "utc_us"),
            ("clock", "mono_us", "utc_us"),
            ("curve_point", "mono_us", "utc_us"),
            ("curve", "mono_us", "utc_us"),
            ("curve", "began_mono_us", "began_utc_us"),
        ] {
            let which = wrong(mono, utc);
            conn.execute(&format!("UPDATE {table} SET {utc} = {utc} + ?5 WHERE {which}"), of)?;
        }
        let which = wrong("mono_us", "utc_us");
        conn.execute(
            &format!(
                "UPDATE sensor_minute SET utc_us = utc_us + ?5, \
                 start_utc_s = start_utc_s + CAST(round(?5 / 1e6) AS INTEGER) WHERE {which}"
            ),
            of,
        )?;
        let days: Vec<(i64, String, i64)> = conn
            .prepare(&format!(
                "SELECT channel, date, part FROM day WHERE {which} ORDER BY channel, mono_us"
            ))?
            .query_map(of, |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?)))?
            .collect::<Result<_>>()?;
        for (channel, date, part) in days {
            conn.execute(
                "UPDATE day SET utc_us = utc_us + ?5, date = moved.date, part = 1 + coalesce( \
                     (SELECT max(part) FROM day AS d WHERE d.channel = ?1 AND d.boot = ?2 \
                      AND d.date = moved.date), -1) \
                 FROM (SELECT date(((coalesce(began_mono_us, mono_us) + mono_us) / 2 + ?6 \
                                    + (SELECT day_ahead_us FROM boot WHERE number = ?2)) / 1e6, \
                                   'unixepoch') AS date FROM day \
                       WHERE channel = ?1 AND boot = ?2 AND date = ?3 AND part = ?4) AS moved \
                 WHERE day.channel = ?1 AND day.boot = ?2 AND day.date = ?3 AND day.part = ?4",
                params![channel, boot, date, part, self.shift, self.offset],
            )?;
        }
        conn.execute(
            "INSERT OR IGNORE INTO correction VALUES (?1, ?2, ?3, ?4)",
            params![boot, self.from, self.until, self.shift],
        )?;
        Ok(())
    }
}
