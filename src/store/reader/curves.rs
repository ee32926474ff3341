//! I-V curves out of the log.

use super::{MICRO, MILLI, Part, StoredChannel, stamp, stamp_of};
use crate::control::record::CurveEnd;
use crate::quantities::{Amps, Celsius, Irradiance, Volts, WattHours};
use crate::store::StoreError;
use crate::store::results::{COLUMNS, CurveResult, StatedRow, result};
use crate::time::{Stamp, Utc};
use rusqlite::{Connection, Row};
use std::collections::HashSet;

/// One I-V curve that ended.
#[derive(Clone, Debug, PartialEq)]
pub struct CurveRow {
    /// The boot it belongs to.
    pub boot: i64,
    /// Its number within boot and channel, from 1.
    pub curve: u32,
    /// When it began (whole microseconds).
    pub began: Stamp,
    /// When it ended (whole microseconds).
    pub at: Stamp,
    /// How many points were taken.
    pub points: u32,
    /// Which way it went: `down`, `up` or `both`.
    pub direction: String,
    /// Why it ended: `whole`, or what broke it off.
    pub ending: String,
    /// Whether it ended whole and all its points are in the log.
    pub whole: bool,
    /// Energy missed by it (Wh), where it was known.
    pub missed: Option<WattHours>,
    /// What it says, where somebody looked.
    pub result: Option<CurveResult>,
}

/// An I-V curve without an end in the log: a power cut took it, or the curve is under way.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Endless {
    /// The boot it belongs to.
    pub boot: i64,
    /// Its number within boot and channel, from 1.
    pub curve: u32,
    /// When its first point was taken (whole microseconds).
    pub began: Utc,
}

/// One point of an I-V curve. A value that was no number is absent.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct CurvePointRow {
    /// Its place in the curve, from 0.
    pub point: u32,
    /// When (whole microseconds).
    pub at: Stamp,
    /// Device voltage (V, to 1 uV).
    pub volts: Option<Volts>,
    /// Device current (A, to 1 uA).
    pub amps: Option<Amps>,
    /// The device voltage asked for (V, to 1 uV).
    pub setpoint: Option<Volts>,
    /// Irradiance (W/m2, to 1 mW/m2).
    pub irradiance: Option<Irradiance>,
    /// Module temperature (degC, to 1 mdegC).
    pub module_temperature: Option<Celsius>,
}

impl Part {
    /// The curves of a channel that began within `from..until` of the wall clock, broken-off ones
    /// too, in the order of the wall clock.
    pub(super) fn curves(
        &self,
        channel: StoredChannel,
        from: Utc,
        until: Utc,
    ) -> Result<Vec<CurveRow>, StoreError> {
        let sql = format!(
            "SELECT boot, curve, began_mono_us, began_utc_us, mono_us, utc_us, points, \
             direction, ending, ending = 'whole' AND points = (SELECT count(*) \
             FROM curve_point AS p WHERE p.boot = k.boot AND p.channel = k.channel \
             AND p.curve = k.curve), missed_wh, {COLUMNS} \
             FROM curve AS k LEFT JOIN curve_result AS r USING (boot, channel, curve) \
             WHERE channel = ?1 AND began_utc_us >= ?2 \
             AND began_utc_us < ?3 ORDER BY began_utc_us, boot, curve"
        );
        let mut rows =
            self.list(&sql, (channel.0, from.as_micros(), until.as_micros()), |row| {
                Ok(CurveRow {
                    boot: row.get(0)?,
                    curve: row.get(1)?,
                    began: stamp(row, 2)?,
                    at: stamp(row, 4)?,
                    points: row.get(6)?,
                    direction: row.get(7)?,
                    ending: row.get(8)?,
                    whole: row.get(9)?,
                    missed: row.get::<_, Option<f64>>(10)?.map(WattHours),
                    result: result(row, 11)?,
                })
            })?;
        self.order(&mut rows, |row| (row.began.utc, row.boot, row.curve));
        if !self.is_packed() {
            // Its points may lie in tables and tail.
            for row in
                rows.iter_mut().filter(|row| !row.whole && row.ending == CurveEnd::Whole.word())
            {
                let points = self.curve_points(channel, row.boot, row.curve)?;
                row.whole = points.len() == usize::try_from(row.points).unwrap_or(usize::MAX);
            }
        }
        Ok(rows)
    }

    /// The curves of a channel that have points and no end, in the order of the wall clock.
    pub(super) fn endless(&self, channel: StoredChannel) -> Result<Vec<Endless>, StoreError> {
        let sql = "WITH endless AS (SELECT DISTINCT boot, curve FROM curve_point WHERE channel = ?1 \
                   EXCEPT SELECT boot, curve FROM curve WHERE channel = ?1) \
                   SELECT boot, curve, (SELECT min(utc_us) FROM curve_point AS p \
                   WHERE p.boot = e.boot AND p.channel = ?1 AND p.curve = e.curve) AS began \
                   FROM endless AS e ORDER BY began, boot, curve";
        let mut found = self.list(sql, [channel.0], |row| {
            let began = Utc::from_micros(row.get(2)?);
            Ok(Endless { boot: row.get(0)?, curve: row.get(1)?, began })
        })?;
        if !self.is_packed() {
            // Points in the tables may have more, or their end, in the tail.
            let sql = "SELECT boot, curve FROM curve WHERE channel = ?1";
            let ended: HashSet<(i64, u32)> = self
                .list(sql, [channel.0], |row| Ok((row.get(0)?, row.get(1)?)))?
                .into_iter()
                .collect();
            found.retain(|one| !ended.contains(&(one.boot, one.curve)));
            found.sort_by_key(|one| (one.boot, one.curve, one.began));
            found.dedup_by_key(|one| (one.boot, one.curve));
            found.sort_by_key(|one| (one.began, one.boot, one.curve));
        }
        Ok(found)
    }

    /// The points of one curve, in the order they were taken.
    pub(super) fn curve_points(
        &self,
        channel: StoredChannel,
        boot: i64,
        curve: u32,
    ) -> Result<Vec<CurvePointRow>, StoreError> {
        let mut points = self.list(POINTS, (boot, channel.0, curve), point)?;
        self.order(&mut points, |row| row.point);
        Ok(points)
    }

    /// What the station of a boot states of a channel's instruments; nothing where it states nothing.
    ///
    /// # Errors
    /// What SQLite reports.
    pub(super) fn stated(
        &self,
        channel: StoredChannel,
        boot: i64,
    ) -> Result<Vec<StatedRow>, StoreError> {
        let sql = "SELECT input, known, value, coverage, unit FROM stated \
                   WHERE boot = ?1 AND channel = ?2 ORDER BY input, known";
        self.packed(sql, (boot, channel.0), |row| {
            Ok(StatedRow {
                input: row.get(0)?,
                known: row.get(1)?,
                value: row.get(2)?,
                coverage: row.get(3)?,
                unit: row.get(4)?,
            })
        })
    }
}

const POINTS: &str = "SELECT point, mono_us, utc_us, volts_uv, amps_ua, setpoint_uv, \
                      irradiance_mw_m2, module_temperature_mdegc FROM curve_point \
                      WHERE boot = ?1 AND channel = ?2 AND curve = ?3 ORDER BY point";

/// The points of the curve of a boot and channel with a number.
pub(in crate::store) fn points_of(
    conn: &Connection,
    key: (i64, i64, u32),
) -> rusqlite::Result<Vec<CurvePointRow>> {
    conn.prepare_cached(POINTS)?.query_map(key, point)?.collect()
}

fn point(row: &Row<'_>) -> rusqlite::Result<CurvePointRow> {
    #[expect(clippy::cast_precision_loss, reason = "53 bits of microvolts are 9 GV")]
    let value = |index: usize, units: f64| -> rusqlite::Result<Option<f64>> {
        Ok(row.get::<_, Option<i64>>(index)?.map(|whole| whole as f64 / units))
    };
    Ok(CurvePointRow {
        point: row.get(0)?,
        at: stamp_of(row.get(1)?, row.get(2)?),
        volts: value(3, MICRO)?.map(Volts),
        amps: value(4, MICRO)?.map(Amps),
        setpoint: value(5, MICRO)?.map(Volts),
        irradiance: value(6, MILLI)?.map(Irradiance),
        module_temperature: value(7, MILLI)?.map(Celsius),
    })
}
