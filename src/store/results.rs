//! What whole curves say, written beside them.
//!
//! Model: the log is given a pure function that looks at a curve's points; it is called where the
//! curve is written, thus on the writer's thread and never in the way of control, with the points as
//! they stand in the log. The store itself knows nothing of curves. Rejected: results that come with
//! the record, which would put the analysis into the control path.

use super::pack::Keys;
use super::reader::{CurvePointRow, points_of};
use crate::control::record::{Curve, CurveEnd, SweepDirection};
use crate::quantities::{Amps, Celsius, Irradiance, Volts, Watts};
use rusqlite::{Connection, Result, Row, params};

/// What a curve says. Values are at its mean irradiance.
#[derive(Clone, Debug, PartialEq)]
pub struct CurveResult {
    /// Its grade, a word.
    pub grade: String,
    /// Why it has no better one, in words; empty where nothing was found.
    pub reasons: String,
    /// Short-circuit current (A).
    pub isc: Option<Amps>,
    /// How it was found: `measured`, `interpolated`, `extrapolated`, `out of reach`.
    pub isc_origin: Option<String>,
    /// Open-circuit voltage (V).
    pub voc: Option<Volts>,
    /// Power at the crest (W).
    pub pmp: Option<Watts>,
    /// Voltage at the crest (V).
    pub vmp: Option<Volts>,
    /// Current at the crest (A).
    pub imp: Option<Amps>,
    /// Fill factor (1).
    pub ff: Option<f64>,
    /// Mean irradiance (W/m2).
    pub irradiance: Option<Irradiance>,
    /// Mean module temperature (degC).
    pub module_temperature: Option<Celsius>,
}

/// Looks at the points of a whole curve, in the order they were taken.
pub type Appraise = fn(SweepDirection, &[CurvePointRow]) -> CurveResult;

/// Appraises a curve that is in the log already, if it is whole, and writes the result.
pub(super) fn appraise(conn: &Connection, keys: Keys, c: &Curve, look: Appraise) -> Result<()> {
    if c.end != CurveEnd::Whole {
        return Ok(());
    }
    let points = points_of(conn, (keys.boot, keys.channel, c.curve))?;
    if points.len() != usize::from(c.points) {
        return Ok(());
    }
    let r = look(c.direction, &points);
    let finite = |value: Option<f64>| value.filter(|value| value.is_finite());
    conn.prepare_cached(
        "INSERT INTO curve_result VALUES (?1,?2,?3,?4,?5,?6,?7,?8,?9,?10,?11,?12,?13,?14)",
    )?
    .execute(params![
        keys.boot,
        keys.channel,
        c.curve,
        r.grade,
        r.reasons,
        finite(r.isc.map(|v| v.0)),
        r.isc_origin,
        finite(r.voc.map(|v| v.0)),
        finite(r.pmp.map(|v| v.0)),
        finite(r.vmp.map(|v| v.0)),
        finite(r.imp.map(|v| v.0)),
        finite(r.ff),
        finite(r.irradiance.map(|v| v.0)),
        finite(r.module_temperature.map(|v| v.0)),
    ])?;
    Ok(())
}

/// The columns of a result, for a row that begins with them at `first`.
pub(super) const COLUMNS: &str = "grade, reasons, isc_a, isc_origin, voc_v, pmp_w, vmp_v, imp_a, \
                                  ff, irradiance, module_temperature";

/// Reads [`COLUMNS`]; none where the curve has no result.
pub(super) fn result(row: &Row<'_>, first: usize) -> Result<Option<CurveResult>> {
    let Some(grade) = row.get(first)? else {
        return Ok(None);
    };
    Ok(Some(CurveResult {
        grade,
        reasons: row.get(first + 1)?,
        isc: row.get::<_, Option<f64>>(first + 2)?.map(Amps),
        isc_origin: row.get(first + 3)?,
        voc: row.get::<_, Option<f64>>(first + 4)?.map(Volts),
        pmp: row.get::<_, Option<f64>>(first + 5)?.map(Watts),
        vmp: row.get::<_, Option<f64>>(first + 6)?.map(Volts),
        imp: row.get::<_, Option<f64>>(first + 7)?.map(Amps),
        ff: row.get(first + 8)?,
        irradiance: row.get::<_, Option<f64>>(first + 9)?.map(Irradiance),
        module_temperature: row.get::<_, Option<f64>>(first + 10)?.map(Celsius),
    }))
}
