//! Curves out of a log, as points for the curve room.

use super::curve_result::stated_of;
use crate::control::record::SweepDirection;
use crate::curve::Point;
use crate::curve::uncertainty::{Stated, UnknownRow};
use crate::store::{CurvePointRow, Reader, StoreError};
use crate::time::Utc;
use crate::yields::OverBack;

/// A curve's name, `CHANNEL TIME`, its points in the order they were taken, and what is stated of the
/// instruments, if anything.
pub type Named = (String, Vec<Point>, Option<Stated>);

/// Why a log gives no curves.
#[derive(Debug, thiserror::Error)]
pub enum CurveLogError {
    /// It can't be read.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// It states what this program doesn't know.
    #[error(transparent)]
    Stated(#[from] UnknownRow),
}

/// All whole curves of a log, by channel and time; of one channel, if it is named.
///
/// Points without a voltage or a current are left out. The cell's temperature is by [`OverBack`].
///
/// # Errors
/// [`CurveLogError`].
pub fn logged_curves(
    reader: &Reader,
    channel: Option<&str>,
    over: OverBack,
) -> Result<Vec<Named>, CurveLogError> {
    let (first, last) = (Utc::from_micros(i64::MIN), Utc::from_micros(i64::MAX));
    let mut found = Vec::new();
    let wanted = reader.channels()?.into_iter();
    for row in wanted.filter(|row| channel.is_none_or(|name| name == row.name)) {
        for curve in reader.curves(row.id, first, last)?.iter().filter(|curve| curve.whole) {
            let points = reader.curve_points(row.id, curve.boot, curve.curve)?;
            let name = format!("{} {}", row.name, to_the_second(curve.began.utc));
            // An upward curve begins with a look at open circuit, where it also ends.
            let looked = usize::from(curve.direction == SweepDirection::Up.word());
            let stated = stated_of(reader.stated(row.id, curve.boot)?)?;
            let points = points.iter().skip(looked).filter_map(|row| point(row, over)).collect();
            found.push((name, points, stated));
        }
    }
    Ok(found)
}

/// A channel takes no two curves in one second.
fn to_the_second(utc: Utc) -> String {
    let text = utc.to_string();
    text.split_once('.').map_or(text.clone(), |(seconds, _)| format!("{seconds}Z"))
}

pub(super) fn point(row: &CurvePointRow, over: OverBack) -> Option<Point> {
    let (back, light) = (row.module_temperature, row.irradiance);
    Some(Point {
        volts: row.volts?,
        amps: row.amps?,
        irradiance: row.irradiance,
        cell: back.zip(light).map(|(back, light)| over.cell(back, light)),
        utc: Some(row.at.utc),
    })
}
