//! `cresthold station`: the built-in station file, to copy and change.

use super::Exit;
use crate::station::Station;
use clap::Args;

/// Print the built-in rehearsal station's file, every key explained, to copy and change
#[derive(Debug, Args)]
#[command(name = "station", after_help = "Example:\n  cresthold station > yard.toml")]
pub(super) struct PrintStation {}

impl PrintStation {
    #[expect(clippy::unused_self, reason = "all subcommands are carried out alike")]
    pub(super) fn carry_out(&self) -> Exit {
        say!("{}", Station::rehearsal().text);
        Exit::Done
    }
}
