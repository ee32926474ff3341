//! The option that says how warm cells are where a log has the back of the module: the same for every command
//! that reads one.

use super::curve::parse_number;
use crate::yields::OverBack;
use clap::Args;

#[derive(Debug, Args)]
pub(super) struct CellArgs {
    /// Of a log: how much warmer than the sensed back of the module its cells are at 1000 W/m2, less in
    /// proportion in less light (K, 0 to 30); 3 for glass modules on an open rack, 0 to take the sensor's
    /// temperature for the cells' [default: 3]
    #[arg(long, value_name = "K", value_parser = over_back, allow_negative_numbers = true)]
    cell_above: Option<OverBack>,
}

impl CellArgs {
    /// What was stated, or the usual.
    pub(super) fn over_back(&self) -> OverBack {
        self.cell_above.unwrap_or_default()
    }

    pub(super) const fn is_given(&self) -> bool {
        self.cell_above.is_some()
    }
}

fn over_back(text: &str) -> Result<OverBack, String> {
    let found = parse_number(text).ok().and_then(OverBack::new);
    found.ok_or_else(|| format!("write kelvins from 0 to {}, such as 3", OverBack::MOST))
}
