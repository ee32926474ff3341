//! Curves out of a log, as points for the curve room.

use crate::curve::Point;
use crate::store::{CurvePointRow, Reader, StoreError};
use crate::time::Utc;

/// A curve's name, `CHANNEL TIME`, and its points in the order they were taken.
pub type Named = (String, Vec<Point>);

/// All whole curves of a log, by channel and time; of one channel, if it is named.
///
/// Points without a voltage or a current are left out. The module's temperature stands for the
/// cell's, which lies some kelvin above it in full light.
///
/// # Errors
/// What the log's reader says.
pub fn logged_curves(reader: &Reader, channel: Option<&str>) -> Result<Vec<Named>, StoreError> {
    let (first, last) = (Utc::from_micros(i64::MIN), Utc::from_micros(i64::MAX));
    let mut found = Vec::new();
    let wanted = reader.channels()?.into_iter();
    for row in wanted.filter(|row| channel.is_none_or(|name| name == row.name)) {
        for curve in reader.curves(row.id, first, last)?.iter().filter(|curve| curve.whole) {
            let points = reader.curve_points(row.id, curve.boot, curve.curve)?;
            let name = format!("{} {}", row.name, curve.began.utc);
            found.push((name, points.iter().filter_map(point).collect()));
        }
    }
    Ok(found)
}

fn point(row: &CurvePointRow) -> Option<Point> {
    Some(Point {
        volts: row.volts?,
        amps: row.amps?,
        irradiance: row.irradiance,
        cell: row.module_temperature,
        utc: Some(row.at.utc),
    })
}
