//! Sources laid out as columns, for the tests that ask both ways of solving.

use cresthold_sim::device::columns::{Columns, ColumnsError};
use cresthold_sim::device::single_diode::{CurveSummary, SingleDiode};
use cresthold_sim::quantities::{Amps, Ohms, Volts};

/// Parameters of many sources, column by column.
#[derive(Default)]
pub(crate) struct Table {
    pub(crate) il: Vec<Amps>,
    pub(crate) i0: Vec<Amps>,
    pub(crate) rs: Vec<Ohms>,
    pub(crate) rsh: Vec<Ohms>,
    pub(crate) a: Vec<Volts>,
}

impl Table {
    pub(crate) fn of<'a>(sources: impl IntoIterator<Item = &'a SingleDiode>) -> Self {
        let mut table = Self::default();
        for source in sources {
            table.il.push(source.photocurrent());
            table.i0.push(source.saturation());
            table.rs.push(source.series());
            table.rsh.push(source.shunt());
            table.a.push(source.ideality());
        }
        table
    }

    pub(crate) fn columns(&self) -> Columns<'_> {
        Columns {
            photocurrent: &self.il,
            saturation: &self.i0,
            series: &self.rs,
            shunt: &self.rsh,
            ideality: &self.a,
        }
    }

    pub(crate) fn currents(&self, volts: &[Volts]) -> Result<Vec<Amps>, ColumnsError> {
        let mut amps = vec![Amps::ZERO; volts.len()];
        self.columns().currents(volts, &mut amps).map(|()| amps)
    }

    pub(crate) fn summaries(&self) -> Result<Vec<CurveSummary>, ColumnsError> {
        let mut summaries = vec![CurveSummary::default(); self.il.len()];
        self.columns().summaries(&mut summaries).map(|()| summaries)
    }
}
