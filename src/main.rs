//! The binary: arguments, run, exit code.

fn main() {}
