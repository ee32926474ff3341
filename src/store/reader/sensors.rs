//! Sensors and their minutes out of the log.

use super::{MICROS_PER_SECOND, Part, number, stamp, whole_seconds};
use crate::control::record::Spread;
use crate::store::{Reader, StoreError};
use crate::time::{Stamp, Utc};

/// One sensor, as the newest run describes it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SensorRow {
    /// Its name, which tells it from the others.
    pub name: String,
    /// What it measures.
    pub quantity: String,
    /// The unit of its values.
    pub unit: String,
    /// Names of the channels that it serves.
    pub channels: Vec<String>,
}

/// One one-minute record of a sensor.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SensorMinuteRow {
    /// The boot it belongs to.
    pub boot: i64,
    /// Start of the UTC minute.
    pub start: Utc,
    /// When it was closed (whole microseconds).
    pub at: Stamp,
    /// The minute's values, in the sensor's unit.
    pub values: Spread,
    /// How many values were wanted.
    pub wanted: u32,
}

impl Reader {
    /// All sensors ever logged, by name.
    ///
    /// # Errors
    /// What SQLite reports.
    pub fn sensors(&self) -> Result<Vec<SensorRow>, StoreError> {
        // The current file comes first, and a sort keeps that: its words are the newest.
        let mut all = self.each(|_, part| part.sensors())?;
        all.sort_by(|a, b| a.name.cmp(&b.name));
        all.dedup_by(|later, kept| later.name == kept.name);
        Ok(all)
    }

    /// The one-minute records of a sensor that begin within `from..until`, in time order.
    ///
    /// # Errors
    /// What SQLite reports.
    pub fn sensor_minutes(
        &self,
        sensor: &str,
        from: Utc,
        until: Utc,
    ) -> Result<Vec<SensorMinuteRow>, StoreError> {
        let mut rows = self.each(|index, part| {
            let mut rows = part.sensor_minutes(sensor, from, until)?;
            rows.iter_mut().for_each(|row| row.boot = super::whole::shifted(index, row.boot));
            Ok(rows)
        })?;
        self.sort(&mut rows, |row| row.start);
        Ok(rows)
    }
}

impl Part {
    fn sensors(&self) -> Result<Vec<SensorRow>, StoreError> {
        self.packed("SELECT name, quantity, unit, channels FROM sensor ORDER BY name", [], |row| {
            let channels: String = row.get(3)?;
            let names = channels.split(", ").filter(|name| !name.is_empty());
            Ok(SensorRow {
                name: row.get(0)?,
                quantity: row.get(1)?,
                unit: row.get(2)?,
                channels: names.map(str::to_owned).collect(),
            })
        })
    }

    fn sensor_minutes(
        &self,
        sensor: &str,
        from: Utc,
        until: Utc,
    ) -> Result<Vec<SensorMinuteRow>, StoreError> {
        // Boot by boot, as the key has them: only then is a span of time no look through all rows.
        let sql = "SELECT m.boot, m.mono_us, m.utc_us, m.start_utc_s, m.count, m.wanted, \
                   m.mean, m.min, m.max, m.deviation \
                   FROM sensor AS s CROSS JOIN boot AS b CROSS JOIN sensor_minute AS m \
                   ON m.sensor = s.id AND m.boot = b.number \
                   WHERE s.name = ?1 AND m.start_utc_s >= ?2 AND m.start_utc_s < ?3 \
                   ORDER BY m.start_utc_s, m.boot, m.mono_us";
        let mut rows =
            self.list(sql, (sensor, whole_seconds(from), whole_seconds(until)), |row| {
                let count = row.get(4)?;
                let values = match count {
                    0 => Spread::default(),
                    _ => Spread {
                        count,
                        mean: number(row, 6)?,
                        min: number(row, 7)?,
                        max: number(row, 8)?,
                        deviation: number(row, 9)?,
                    },
                };
                Ok(SensorMinuteRow {
                    boot: row.get(0)?,
                    start: Utc::from_micros(
                        row.get::<_, i64>(3)?.saturating_mul(MICROS_PER_SECOND),
                    ),
                    at: stamp(row, 1)?,
                    values,
                    wanted: row.get(5)?,
                })
            })?;
        self.order(&mut rows, |row| (row.start, row.boot, row.at.mono));
        Ok(rows)
    }
}
