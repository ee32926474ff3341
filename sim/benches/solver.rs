//! How fast the single-diode solution is, on one core, beside pvlib on the same inputs and core.
//!
//! `cargo bench -p cresthold-sim --bench solver` writes a million seeded random inputs below
//! target/, times ours, then runs sim/tests/pvlib/timing.py. The Python is the one named by
//! CRESTHOLD_PYTHON, else a virtual environment below target/ with the pinned requirements; where
//! neither can be had, ours alone is shown.

use cresthold_sim::device::examples;
use cresthold_sim::device::single_diode::{CurveSummary, SingleDiode};
use cresthold_sim::quantities::{Amps, Celsius, Irradiance, Ohms, Volts};
use rand::{RngExt, SeedableRng};
use rand_xoshiro::Xoshiro256PlusPlus;
use std::error::Error;
use std::fs;
use std::hint::black_box;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::Instant;

const ROWS: usize = 1_000_000;
const SEED: u64 = 20_060_116;
/// Repetitions of ours; the median counts.
const REPEATS: usize = 9;
/// The core both sides keep to.
const CORE: &str = "1";
/// Set in the copy of this program that runs pinned to the core.
const PINNED: &str = "CRESTHOLD_BENCH_PINNED";

/// Five parameters and a voltage, in SI units.
type Row = [f64; 6];

/// Ordinary devices, cell to high-voltage module; voltages from slight reverse to beyond Voc.
fn rows() -> Vec<Row> {
    let mut rng = Xoshiro256PlusPlus::seed_from_u64(SEED);
    let mut row = || {
        let mut between = |low: f64, high: f64| low + (high - low) * rng.random::<f64>();
        let (il, a) = (between(0.05, 12.0), 10_f64.powf(between(-1.5, 1.0)));
        let decades = between(18.0, 30.0);
        let scale = a / il;
        let rs = scale * 10_f64.powf(between(-2.0, 0.5));
        let rsh = scale * 10_f64.powf(between(2.0, 4.5));
        [il, il * (-decades).exp(), rs, rsh, a, a * decades * between(-0.1, 1.1)]
    };
    (0..ROWS).map(|_| row()).collect()
}

fn source(row: &Row) -> SingleDiode {
    let [il, i0, rs, rsh, a, _] = *row;
    SingleDiode::new(Amps(il), Amps(i0), Ohms(rs), Ohms(rsh), Volts(a))
        .expect("the sweep stays within the ranges")
}

/// Median nanoseconds per row of `work` over all rows.
fn median(mut work: impl FnMut()) -> f64 {
    let mut times: Vec<f64> = (0..REPEATS)
        .map(|_| {
            let start = Instant::now();
            work();
            start.elapsed().as_secs_f64() * 1e9 / ROWS as f64
        })
        .collect();
    times.sort_by(f64::total_cmp);
    times[REPEATS / 2]
}

struct Ours {
    current: f64,
    raw_current: f64,
    summary: f64,
    raw_summary: f64,
    crest: f64,
}

/// Times ours and writes its answers for the comparison.
fn ours(rows: &[Row], directory: &Path) -> Result<Ours, Box<dyn Error>> {
    let sources: Vec<_> = rows.iter().map(source).collect();
    let mut amps = vec![Amps::ZERO; ROWS];
    let current = median(|| {
        for ((source, row), amps) in sources.iter().zip(rows).zip(&mut amps) {
            *amps = source.current(Volts(row[5]));
        }
        black_box(&amps);
    });
    let raw_current = median(|| {
        for (row, amps) in rows.iter().zip(&mut amps) {
            *amps = source(row).current(Volts(row[5]));
        }
        black_box(&amps);
    });
    let mut summaries = vec![CurveSummary::default(); ROWS];
    let summary = median(|| {
        for (source, summary) in sources.iter().zip(&mut summaries) {
            *summary = source.summary();
        }
        black_box(&summaries);
    });
    // As pvlib's singlediode from bare parameters, with its two extra points of the curve.
    let raw_summary = median(|| {
        let mut extra = 0.0;
        for (row, summary) in rows.iter().zip(&mut summaries) {
            let source = source(row);
            *summary = source.summary();
            let (half, beyond) = (summary.voc / 2.0, (summary.voc + summary.vmp) / 2.0);
            extra += source.current(half).0 + source.current(beyond).0;
        }
        black_box((&summaries, extra));
    });
    let mut watts = 0.0;
    let crest = median(|| {
        watts += sources.iter().map(|source| source.crest().watts.0).sum::<f64>();
    });
    black_box(watts);
    write_columns(&directory.join("inputs.f64"), 6, |column, row| rows[row][column])?;
    write_columns(&directory.join("ours.f64"), 6, |column, row| {
        let found = &summaries[row];
        [amps[row].0, found.isc.0, found.voc.0, found.vmp.0, found.imp.0, found.pmp.0][column]
    })?;
    Ok(Ours { current, raw_current, summary, raw_summary, crest })
}

fn write_columns(
    path: &Path,
    columns: usize,
    value: impl Fn(usize, usize) -> f64,
) -> Result<(), Box<dyn Error>> {
    let mut bytes = Vec::with_capacity(columns * ROWS * 8);
    for column in 0..columns {
        for row in 0..ROWS {
            bytes.extend(value(column, row).to_le_bytes());
        }
    }
    Ok(fs::write(path, bytes)?)
}

/// One control step of the plant: new conditions, a crest, five currents.
fn plant_steps() {
    let one = Irradiance(1000.0);
    let scenes = [
        ("uniform module", [1.0, 1.0, 1.0]),
        ("one substring shaded", [1.0, 0.6, 1.0]),
        ("three unequal substrings", [1.0, 0.8, 0.6]),
    ];
    for (name, shares) in scenes {
        let module = examples::crystalline_module().with_mismatch(&shares);
        let mut module = module.expect("factors within their range");
        let mut sum = 0.0;
        let step = median(|| {
            for k in 0..ROWS {
                let part = k as f64 / ROWS as f64;
                module.set_conditions(one * (0.2 + 0.8 * part), Celsius(20.0 + 30.0 * part));
                sum += module.crest().watts.0;
                for volts in [24.0, 27.0, 28.0, 29.0, 33.0] {
                    sum += module.current(Volts(volts)).0;
                }
            }
        });
        black_box(sum);
        println!("{name:<42}{step:>10.1} ns  set_conditions, crest, five currents");
    }
}

fn target() -> PathBuf {
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
fn pvlib(directory: &Path) -> Result<String, String> {
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

fn show(lines: &str, ours: &Ours) {
    println!(
        "\n{:<24}{:>9}{:>11}{:>9}{:>12}{:>12}{:>9}",
        "pvlib", "rows", "ns/row", "ratio", "max |dI| A", "max |dP|/P", "no value"
    );
    for line in lines.lines() {
        let fields: Vec<&str> = line.split('|').collect();
        let [label, rows, nanos, amps, power, missing] = fields[..] else {
            println!("{line}");
            continue;
        };
        let mine = match label.split(' ').next() {
            Some("current") => ours.raw_current,
            Some("summary") => ours.raw_summary,
            _ => ours.crest,
        };
        let ratio = nanos.parse::<f64>().map_or(f64::NAN, |theirs| theirs / mine);
        println!("{label:<24}{rows:>9}{nanos:>11}{ratio:>9.1}{amps:>12}{power:>12}{missing:>9}");
    }
}

/// Runs this program again on one core, where the system can.
fn pinned_copy() -> bool {
    let Ok(program) = std::env::current_exe() else { return false };
    let mut command = Command::new("taskset");
    command.args(["-c", CORE]).arg(program).env(PINNED, "1");
    command.status().is_ok_and(|status| status.success())
}

fn main() -> Result<(), Box<dyn Error>> {
    if std::env::var_os(PINNED).is_none() {
        if pinned_copy() {
            return Ok(());
        }
        println!("not pinned to one core: taskset is missing or failed");
    }
    let directory = target().join("bench-solver");
    fs::create_dir_all(&directory)?;
    let ours = ours(&rows(), &directory)?;
    println!("one core, {ROWS} rows, seed {SEED}, median of {REPEATS}");
    for (name, nanos) in [
        ("current", ours.current),
        ("current from bare parameters", ours.raw_current),
        ("summary", ours.summary),
        ("summary and two points, bare parameters", ours.raw_summary),
        ("crest", ours.crest),
    ] {
        println!("{name:<42}{nanos:>10.1} ns");
    }
    plant_steps();
    match pvlib(&directory) {
        Ok(lines) => show(&lines, &ours),
        Err(why) => println!("no comparison: pvlib could not be had ({why})"),
    }
    Ok(())
}
