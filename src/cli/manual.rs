//! `cresthold manual`: man pages and completions, out of the same definitions as `--help`.

use super::{Arguments, Exit};
use clap::{Args, CommandFactory};
use clap_complete::{Shell, generate_to};
use std::io::Error;
use std::path::{Path, PathBuf};

/// Write man pages and shell completions into a directory
///
/// One page per command, cresthold.1, cresthold-run.1 and so on, and completions for bash, zsh and
/// fish. The package holds them already.
#[derive(Debug, Args)]
#[command(after_help = "Example:
  cresthold manual manual/ && man manual/cresthold-run.1

Exit codes: 0 done; 2 command line; 6 the directory can't be written.")]
pub(super) struct WriteManual {
    /// The directory; made if it does not exist
    directory: PathBuf,
}

impl WriteManual {
    pub(super) fn carry_out(&self) -> Exit {
        match write(&self.directory) {
            Ok(()) => Exit::Done,
            Err(error) => {
                tell!("{}: can't be written: {error}", self.directory.display());
                Exit::System
            }
        }
    }
}

fn write(directory: &Path) -> Result<(), Error> {
    std::fs::create_dir_all(directory)?;
    let mut command = Arguments::command();
    for shell in [Shell::Bash, Shell::Zsh, Shell::Fish] {
        generate_to(shell, &mut command, "cresthold", directory)?;
    }
    clap_mangen::generate_to(command.disable_help_subcommand(true), directory)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A page of 80 columns begins its examples in the eighth, and a word has to find room.
    #[test]
    fn no_example_begins_beyond_what_a_page_can_show() {
        const MOST: usize = 40;
        let command = Arguments::command();
        let mut seen = 0;
        for command in command.get_subcommands().chain([&command]) {
            let help = command.get_after_help().map(ToString::to_string).unwrap_or_default();
            for line in help.lines() {
                let indent = line.len() - line.trim_start().len();
                assert!(indent <= MOST, "{}: {line}", command.get_name());
                seen += 1;
            }
        }
        assert!(seen > 0);
    }
}
