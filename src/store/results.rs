//! What whole curves say, written beside them.
//!
//! Model: the log is given a pure function that looks at a curve's points; it is called where the
//! curve is written, thus on the writer's thread and never in the way of control, with the points as
//! they stand in the log. The store itself knows nothing of curves. Rejected: results that come with
//! the record, which would put the analysis into the control path.

use super::pack::Keys;
use super::reader::{CurvePointRow, points_of};
use crate::control::record::{ChannelId, Curve, CurveEnd, SweepDirection};
use crate::quantities::{Amps, Celsius, Irradiance, Volts, Watts};
use rusqlite::{Connection, Result, Row, params};
use std::sync::Arc;

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
    /// How Voc was found.
    pub voc_origin: Option<String>,
    /// Efficiency (1), where the area is known.
    pub efficiency: Option<f64>,
    /// Expanded uncertainties of Isc, Voc, Pmp, Vmp, Imp, FF and efficiency, where known.
    pub expanded: [Option<Expanded>; UNCERTAIN],
}

/// Figures that have an uncertainty.
pub const UNCERTAIN: usize = 7;

/// An expanded uncertainty, in its figure's unit.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Expanded {
    /// `U = k u`.
    pub value: f64,
    /// `k`.
    pub coverage: f64,
}

/// One number that a station states about a channel's instruments.
#[derive(Clone, Debug, PartialEq)]
pub struct StatedRow {
    /// What is uncertain.
    pub input: String,
    /// How it is known.
    pub known: String,
    /// The number, in the input's unit.
    pub value: f64,
    /// Coverage factor, where it is expanded.
    pub coverage: Option<f64>,
    /// The unit.
    pub unit: String,
}

/// Looks at the points of a whole curve, in the order they were taken.
#[derive(Clone)]
pub struct Appraise(Arc<Look>);

type Look = dyn Fn(ChannelId, SweepDirection, &[CurvePointRow]) -> CurveResult + Send + Sync;

impl Appraise {
    /// From a function that looks; it is told the channel, as the station counts it, and the way the
    /// curve was taken.
    pub fn new(
        look: impl Fn(ChannelId, SweepDirection, &[CurvePointRow]) -> CurveResult
        + Send
        + Sync
        + 'static,
    ) -> Self {
        Self(Arc::new(look))
    }
}

impl std::fmt::Debug for Appraise {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("Appraise")
    }
}

/// Writes what is stated of a channel in a boot.
pub(super) fn state(conn: &Connection, keys: Keys, rows: &[StatedRow]) -> Result<()> {
    let mut insert = conn.prepare_cached("INSERT INTO stated VALUES (?1,?2,?3,?4,?5,?6,?7)")?;
    for r in rows {
        let numbers = (r.value, r.coverage);
        insert.execute((
            keys.boot,
            keys.channel,
            &r.input,
            &r.known,
            numbers.0,
            numbers.1,
            &r.unit,
        ))?;
    }
    Ok(())
}

/// Appraises a curve that is in the log already, if it is whole, and writes the result.
pub(super) fn appraise(conn: &Connection, keys: Keys, c: &Curve, look: &Appraise) -> Result<()> {
    if c.end != CurveEnd::Whole {
        return Ok(());
    }
    let points = points_of(conn, (keys.boot, keys.channel, c.curve))?;
    if points.len() != usize::from(c.points) {
        return Ok(());
    }
    let r = (look.0)(c.channel, c.direction, &points);
    let finite = |value: Option<f64>| value.filter(|value| value.is_finite());
    let [isc, voc, pmp, vmp, imp, ff, efficiency] =
        r.expanded.map(|one| (one.map(|one| one.value), one.map(|one| one.coverage)));
    conn.prepare_cached(
        "INSERT INTO curve_result VALUES (?1,?2,?3,?4,?5,?6,?7,?8,?9,?10,?11,?12,?13,?14,\
         ?15,?16, ?17,?18,?19,?20,?21,?22,?23,?24,?25,?26,?27,?28,?29,?30)",
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
        r.voc_origin,
        finite(r.efficiency),
        isc.0,
        isc.1,
        voc.0,
        voc.1,
        pmp.0,
        pmp.1,
        vmp.0,
        vmp.1,
        imp.0,
        imp.1,
        ff.0,
        ff.1,
        efficiency.0,
        efficiency.1,
    ])?;
    Ok(())
}

/// The columns of a result, for a row that begins with them at `first`.
pub(super) const COLUMNS: &str = "grade, reasons, isc_a, isc_origin, voc_v, pmp_w, vmp_v, imp_a, \
                                  ff, irradiance, module_temperature, voc_origin, efficiency, \
                                  isc_expanded_a, isc_k, voc_expanded_v, voc_k, pmp_expanded_w, \
                                  pmp_k, vmp_expanded_v, vmp_k, imp_expanded_a, imp_k, \
                                  ff_expanded, ff_k, efficiency_expanded, efficiency_k";

/// Reads [`COLUMNS`]; none where the curve has no result.
pub(super) fn result(row: &Row<'_>, first: usize) -> Result<Option<CurveResult>> {
    let Some(grade) = row.get(first)? else {
        return Ok(None);
    };
    let mut expanded = [None; UNCERTAIN];
    for (k, one) in expanded.iter_mut().enumerate() {
        let at = first + 13 + 2 * k;
        let value: Option<f64> = row.get(at)?;
        let coverage: Option<f64> = row.get(at + 1)?;
        *one = value.zip(coverage).map(|(value, coverage)| Expanded { value, coverage });
    }
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
        voc_origin: row.get(first + 11)?,
        efficiency: row.get(first + 12)?,
        expanded,
    }))
}
