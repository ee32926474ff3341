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
use super::single_diode::{CurveSummary, SingleDiode};
use crate::quantities::{Amps, Ohms, Volts};
use kernel::{Block, ROWS, Summary};

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
    #[error(
        "columns of devices: {column} has {found} rows, photocurrent {wanted}; give every column one value per device"
    )]
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
    /// [`ColumnsError`] when lengths differ or a parameter is outside its range; the answers from
    /// the block of that row onward are then not written.
    pub fn currents(&self, volts: &[Volts], amps: &mut [Amps]) -> Result<(), ColumnsError> {
        self.check_lengths([("voltage", volts.len()), ("current", amps.len())])?;
        let (mut found, mut done) = ([Amps::ZERO; ROWS], [false; ROWS]);
        let (mut spare, mut spare_volts) = (Spare::EMPTY, [Volts::ZERO; ROWS]);
        for (start, amps) in (0..).step_by(ROWS).zip(amps.chunks_mut(ROWS)) {
            let volts = &volts[start..];
            let lane = padded(volts, &mut spare_volts);
            kernel::currents(self.block(start, &mut spare), lane, &mut found, &mut done);
            amps.copy_from_slice(&found[..amps.len()]);
            for k in left(&done, amps.len()) {
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
        let (mut found, mut spare) = (Summary::EMPTY, Spare::EMPTY);
        for (start, summaries) in (0..).step_by(ROWS).zip(summaries.chunks_mut(ROWS)) {
            kernel::summaries(self.block(start, &mut spare), &mut found);
            for (k, summary) in summaries.iter_mut().enumerate() {
                let (vmp, imp) = (found.vmp[k], found.imp[k]);
                let (isc, voc) = (found.isc[k], found.voc[k]);
                *summary = CurveSummary { isc, voc, vmp, imp, pmp: vmp * imp };
            }
            for k in left(&found.done, summaries.len()) {
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

    /// The rows from `start` as a block; what is missing of one is put into `spare`.
    #[inline]
    fn block<'a>(&'a self, start: usize, spare: &'a mut Spare) -> Block<'a> {
        Block {
            il: padded(&self.photocurrent[start..], &mut spare.il),
            i0: padded(&self.saturation[start..], &mut spare.i0),
            rs: padded(&self.series[start..], &mut spare.rs),
            rsh: padded(&self.shunt[start..], &mut spare.rsh),
            a: padded(&self.ideality[start..], &mut spare.a),
        }
    }
}

/// Room for a last, incomplete block.
struct Spare {
    il: [Amps; ROWS],
    i0: [Amps; ROWS],
    rs: [Ohms; ROWS],
    rsh: [Ohms; ROWS],
    a: [Volts; ROWS],
}

impl Spare {
    const EMPTY: Self = Self {
        il: [Amps::ZERO; ROWS],
        i0: [Amps::ZERO; ROWS],
        rs: [Ohms::ZERO; ROWS],
        rsh: [Ohms::ZERO; ROWS],
        a: [Volts::ZERO; ROWS],
    };
}

/// The start of what is left of a column, which has a row at least; where that is less than a block,
/// `spare` holds it, and the last value again and again.
#[inline]
fn padded<'a, T: Copy>(column: &'a [T], spare: &'a mut [T; ROWS]) -> &'a [T; ROWS] {
    if let Some(full) = column.first_chunk() {
        return full;
    }
    for (k, spare) in spare.iter_mut().enumerate() {
        *spare = column[k.min(column.len() - 1)];
    }
    spare
}

/// Those of the first `rows` rows that are not done.
#[inline]
fn left(done: &[bool; ROWS], rows: usize) -> impl Iterator<Item = usize> {
    let all = done.iter().fold(true, |all, done| all & done);
    let rows = if all { 0 } else { rows };
    done.iter().take(rows).enumerate().filter_map(|(k, done)| (!done).then_some(k))
}
