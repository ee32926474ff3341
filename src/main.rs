//! The binary: arguments, run, exit code. Exit codes are documented in [`cresthold::cli::Exit`].

use std::process::ExitCode;

fn main() -> ExitCode {
    cresthold::cli::main()
}
