//! Many devices at once: currents and summaries of rows of parameters, one row a device.
//!
//! Model: that of [`single_diode`](super::single_diode), solved for blocks of rows side by side in
//! the processor's wide registers. All ordinary rows take the same few steps; rows without series
//! resistance, in the dark, ruled by their shunt or far outside a working range are solved by
//! [`SingleDiode`], row by row. Both agree within a few 1e-15 of the larger of `IL` and the current
//! (of Voc for voltages), and the block's answers are the same bits on every processor; rows left
//! to [`SingleDiode`] see the system's `ln` and `exp`.
//!
//! Rejected: one set of sources made first and kept (it is the making that costs), and threads (the
//! caller may give each its part of the columns).

mod kernel;

use super::error::ParameterError;
use super::single_diode::{
    CurveSummary, IDEALITY, PHOTOCURRENT, SATURATION, SERIES, SHUNT, SingleDiode,
};
use crate::quantities::{Amps, Ohms, Volts};
use kernel::{Block, Lane, ROWS, Summary};

/// Parameters of many sources, as in [`SingleDiode::new`]; all columns equally long.
///
/// ```
/// use cresthold_sim::device::columns::Columns;
/// use cresthold_sim::device::single_diode::CurveSummary;
/// use cresthold_sim::quantities::{Amps, Ohms, Volts};
/// # fn main() -> Result<(), cresthold_sim::device::columns::ColumnsError> {
/// let cells = Columns {
///     photocurrent: &[Amps(7.0), Amps(3.5)],
///     saturation: &[Amps(6e-7); 2],
///     series: &[Ohms(0.1); 2],
///     shunt: &[Ohms(20.0); 2],
///     ideality: &[Volts(0.5); 2],
/// };
/// let mut found = [CurveSummary::default(); 2];
/// cells.summaries(&mut found)?;
/// // pvlib's test of bishop88 and singlediode: Voc 8.106300146586 V, Pmp 38.19421054758 W.
/// assert!((found[0].voc.0 - 8.106300146586).abs() < 1e-11);
/// assert!((found[0].pmp.0 - 38.19421054758).abs() < 1e-10);
/// # Ok(())
/// # }
/// ```
#[derive(Clone, Copy, Debug)]
pub struct Columns<'a> {
    /// Photocurrents `IL` (A, 0..=1e6).
    pub photocurrent: &'a [Amps],
    /// Saturation currents `I0` (A, 1e-200..=1e3).
    pub saturation: &'a [Amps],
    /// Series resistances `Rs` (ohm, 0..=1e6).
    pub series: &'a [Ohms],
    /// Shunt resistances `Rsh` (ohm, 1e-6..=inf).
    pub shunt: &'a [Ohms],
    /// Modified idealities `a = n Ns k T/q` (V, 1e-4..=1e5).
    pub ideality: &'a [Volts],
}

/// Why columns could not be solved.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum ColumnsError {
    /// A column is longer or shorter than the photocurrents.
    #[error("columns of devices: {column} has {found} rows, photocurrent {wanted}; give every column one value per device")]
    Length {
        /// Which column, in words.
        column: &'static str,
        /// Its rows.
        found: usize,
        /// Rows of the photocurrents.
        wanted: usize,
    },
    /// A parameter lies outside its range.
    #[error("row {row} of the columns: {problem}")]
    Row {
        /// The first such row, from zero.
        row: usize,
        /// Which parameter, and its range.
        problem: ParameterError,
    },
}

impl Columns<'_> {
    /// Currents (A) at one terminal voltage (V, any sign) per row, as [`SingleDiode::current`].
    ///
    /// # Errors
    /// [`ColumnsError`] when lengths differ or a parameter is outside its range; `amps` is then
    /// filled up to somewhere before that row.
    pub fn currents(&self, volts: &[Volts], amps: &mut [Amps]) -> Result<(), ColumnsError> {
        self.check_lengths([("voltage", volts.len()), ("current", amps.len())])?;
        let (mut v, mut found, mut again) = ([0.0; ROWS], [0.0; ROWS], [false; ROWS]);
        for (start, amps) in (0..).step_by(ROWS).zip(amps.chunks_mut(ROWS)) {
            let block = self.block(start)?;
            let volts = &volts[start..start + amps.len()];
            fill(&mut v, volts, |volts| volts.0);
            kernel::currents(&block, &v, &mut found, &mut again);
            for (amps, found) in amps.iter_mut().zip(found) {
                *amps = Amps(found);
            }
            for k in rows_of(&again, amps.len()) {
                amps[k] = self.row(start + k)?.current(volts[k]);
            }
        }
        Ok(())
    }

    /// Isc, Voc and the crest of every row, as [`SingleDiode::summary`].
    ///
    /// # Errors
    /// As [`Self::currents`].
    pub fn summaries(&self, summaries: &mut [CurveSummary]) -> Result<(), ColumnsError> {
        self.check_lengths([("summary", summaries.len())])?;
        let mut found = Summary::EMPTY;
        for (start, summaries) in (0..).step_by(ROWS).zip(summaries.chunks_mut(ROWS)) {
            let block = self.block(start)?;
            kernel::summaries(&block, &mut found);
            for (k, summary) in summaries.iter_mut().enumerate() {
                let (vmp, imp) = (Volts(found.vmp[k]), Amps(found.imp[k]));
                let (isc, voc) = (Amps(found.isc[k]), Volts(found.voc[k]));
                *summary = CurveSummary { isc, voc, vmp, imp, pmp: vmp * imp };
            }
            for k in rows_of(&found.again, summaries.len()) {
                summaries[k] = self.row(start + k)?.summary();
            }
        }
        Ok(())
    }

    /// The source of one row.
    fn row(&self, row: usize) -> Result<SingleDiode, ColumnsError> {
        SingleDiode::new(
            self.photocurrent[row],
            self.saturation[row],
            self.series[row],
            self.shunt[row],
            self.ideality[row],
        )
        .map_err(|problem| ColumnsError::Row { row, problem })
    }

    fn check_lengths<const N: usize>(
        &self,
        others: [(&'static str, usize); N],
    ) -> Result<(), ColumnsError> {
        let wanted = self.photocurrent.len();
        let own = [
            ("saturation current", self.saturation.len()),
            ("series resistance", self.series.len()),
            ("shunt resistance", self.shunt.len()),
            ("modified ideality", self.ideality.len()),
        ];
        match own.into_iter().chain(others).find(|(_, found)| *found != wanted) {
            Some((column, found)) => Err(ColumnsError::Length { column, found, wanted }),
            None => Ok(()),
        }
    }

    /// The rows from `start`, all within their ranges.
    fn block(&self, start: usize) -> Result<Block, ColumnsError> {
        let end = self.photocurrent.len().min(start + ROWS);
        let mut block = Block::EMPTY;
        fill(&mut block.il, &self.photocurrent[start..end], |amps| amps.0);
        fill(&mut block.i0, &self.saturation[start..end], |amps| amps.0);
        fill(&mut block.rs, &self.series[start..end], |ohms| ohms.0);
        fill(&mut block.rsh, &self.shunt[start..end], |ohms| ohms.0);
        fill(&mut block.a, &self.ideality[start..end], |volts| volts.0);
        let columns = [
            (&PHOTOCURRENT, &block.il),
            (&SATURATION, &block.i0),
            (&SERIES, &block.rs),
            (&SHUNT, &block.rsh),
            (&IDEALITY, &block.a),
        ];
        if columns.iter().all(|(range, lane)| range.holds(*lane)) {
            return Ok(block);
        }
        for row in start..end {
            self.row(row)?;
        }
        Ok(block)
    }
}

/// Copies a column's part into a lane; its last value fills what a shorter part leaves.
fn fill<T: Copy>(lane: &mut Lane, column: &[T], bare: impl Fn(T) -> f64) {
    if let Some(column) = column.first_chunk::<ROWS>() {
        for (lane, value) in lane.iter_mut().zip(column) {
            *lane = bare(*value);
        }
        return;
    }
    let Some(last) = column.last() else { return };
    let padded = column.iter().chain(std::iter::repeat(last));
    for (lane, value) in lane.iter_mut().zip(padded) {
        *lane = bare(*value);
    }
}

/// The marked ones of the first `rows` rows.
fn rows_of(marks: &[bool; ROWS], rows: usize) -> impl Iterator<Item = usize> {
    let any = marks.iter().fold(false, |any, mark| any | mark);
    let rows = if any { rows } else { 0 };
    marks.iter().take(rows).enumerate().filter_map(|(k, mark)| mark.then_some(k))
}
