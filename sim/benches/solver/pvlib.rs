//! The other side of the comparison: a Python with pvlib, its run, and the table.

use crate::{CORE, Ours};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

/// Where things may be put.
pub(crate) fn target() -> PathBuf {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("../target");
    std::env::var_os("CARGO_TARGET_DIR").map_or(root, PathBuf::from)
}

/// A Python with pvlib, or why there is none.
fn python(scripts: &Path) -> Result<PathBuf, String> {
    if let Some(named) = std::env::var_os("CRESTHOLD_PYTHON") {
        return Ok(PathBuf::from(named));
    }
    let venv = target().join("pvlib-venv");
    let python = venv.join("bin/python");
    let run = |command: &mut Command| match command.stdout(Stdio::null()).status() {
        Ok(status) if status.success() => Ok(()),
        Ok(status) => Err(format!("{command:?}: {status}")),
        Err(error) => Err(format!("{command:?}: {error}")),
    };
    if !python.exists() {
        run(Command::new("python3").args(["-m", "venv"]).arg(&venv))?;
    }
    let requirements = scripts.join("requirements.txt");
    run(Command::new(&python).args(["-m", "pip", "install", "-q", "-r"]).arg(requirements))?;
    Ok(python)
}

/// Runs the pvlib side; its lines, or why there are none.
pub(crate) fn table(directory: &Path) -> Result<String, String> {
    let scripts = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/pvlib");
    let output = Command::new(python(&scripts)?)
        .arg(scripts.join("timing.py"))
        .arg(directory)
        .arg(CORE)
        // A processor model forced on OpenBLAS would slow numpy down.
        .env_remove("OPENBLAS_CORETYPE")
        .stderr(Stdio::inherit())
        .output()
        .map_err(|error| error.to_string())?;
    if !output.status.success() {
        return Err(format!("timing.py: {}", output.status));
    }
    String::from_utf8(output.stdout).map_err(|error| error.to_string())
}

/// pvlib's table; the ratios are how many times as long it takes as each of ours. Below it, like
/// with like: a million devices at once.
pub(crate) fn show(lines: &str, ours: &Ours) {
    println!(
        "\n{:<22}{:>8}{:>9}{:>8}{:>8}{:>8}{:>12}{:>12}{:>9}",
        "pvlib", "rows", "ns", "/made", "/chunks", "/whole", "max |dI| A", "max |dP|/P", "no value"
    );
    let (mut one_call, mut fastest) = (f64::NAN, f64::NAN);
    for line in lines.lines() {
        let fields: Vec<&str> = line.split('|').collect();
        let [label, rows, nanos, amps, power, missing] = fields[..] else {
            println!("{line}");
            continue;
        };
        let theirs = nanos.parse().unwrap_or(f64::NAN);
        let mine = match label.split(' ').next() {
            Some("curve") => ours.curve,
            Some("current") => ours.current,
            _ => ours.summary,
        };
        match label {
            "current lw, one call" => one_call = theirs,
            _ if label.starts_with("summary") => fastest = theirs.min(fastest),
            _ => {}
        }
        let [made, chunks, whole] = mine.map(|mine| theirs / mine);
        print!("{label:<22}{rows:>8}{nanos:>9}{made:>8.1}{chunks:>8.1}{whole:>8.1}");
        println!("{amps:>12}{power:>12}{missing:>9}");
    }
    let [mine, summary] = [ours.current[2], ours.summary[2]];
    let (ratio, summaries) = (one_call / mine, fastest / summary);
    println!(
        "\ncurrent, one call for all: {mine:.1} ns against {one_call:.1} ns, {ratio:.1} times"
    );
    println!(
        "summary, fastest method: {summary:.1} ns against {fastest:.1} ns, {summaries:.1} times"
    );
}
