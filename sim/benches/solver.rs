//! How fast the single-diode solution is, on one core, beside pvlib on the same inputs and core.
//!
//! `cargo bench -p cresthold-sim --bench solver` writes a million seeded random inputs below
//! target/, times ours, then runs sim/tests/pvlib/timing.py. Ours is shown from sources already made
//! (one device, many voltages) and from bare parameters (every row a new device, as for pvlib). The Python is the one named by
//! CRESTHOLD_PYTHON, else a virtual environment below target/ with the pinned requirements; where
//! neither can be had, ours alone is shown.

use cresthold_sim::device::examples;
use cresthold_sim::device::single_diode::{Crest, CurveSummary, SingleDiode};
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
/// Repetitions of ours; the median over them and the chunks counts.
const REPEATS: usize = 9;
/// Rows at a time, so that they stay in the cache. pvlib has its own size, the better for it.
const CHUNK: usize = 1_000;
/// Voltages of one device in the curves.
const BLOCK: usize = 10_000;
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

fn median(mut times: Vec<f64>) -> f64 {
    times.sort_by(f64::total_cmp);
    times[times.len() / 2]
}

/// Nanoseconds per row that `work` takes on a chunk of rows (rows, sources, answers), the making of
/// the sources not counted: the median over all chunks and repetitions.
fn per_row<T>(
    rows: &[Row],
    answers: &mut [T],
    mut work: impl FnMut(&[Row], &[SingleDiode], &mut [T]),
) -> f64 {
    let mut times = Vec::with_capacity(REPEATS * rows.len() / CHUNK);
    let mut sources = Vec::with_capacity(CHUNK);
    for _ in 0..REPEATS {
        for (rows, answers) in rows.chunks(CHUNK).zip(answers.chunks_mut(CHUNK)) {
            sources.clear();
            sources.extend(rows.iter().map(source));
            let start = Instant::now();
            work(rows, &sources, answers);
            black_box(&answers);
            times.push(start.elapsed().as_secs_f64() * 1e9 / rows.len() as f64);
        }
    }
    median(times)
}

/// Nanoseconds per row, from sources already made and from bare parameters.
#[derive(Clone, Copy)]
struct Ours {
    curve: [f64; 2],
    current: [f64; 2],
    summary: [f64; 2],
    crest: [f64; 2],
}

/// Times ours and writes its answers for the comparison.
fn ours(rows: &[Row], directory: &Path) -> Result<Ours, Box<dyn Error>> {
    let mut amps = vec![Amps::ZERO; ROWS];
    let mut summaries = vec![CurveSummary::default(); ROWS];
    let mut crests = vec![Crest::default(); ROWS];
    let current = [
        per_row(rows, &mut amps, |rows, sources, amps| {
            for ((source, row), amps) in sources.iter().zip(rows).zip(amps) {
                *amps = source.current(Volts(row[5]));
            }
        }),
        per_row(rows, &mut amps, |rows, _, amps| {
            for (row, amps) in rows.iter().zip(amps) {
                *amps = source(row).current(Volts(row[5]));
            }
        }),
    ];
    let summary = [
        per_row(rows, &mut summaries, |_, sources, summaries| {
            for (source, summary) in sources.iter().zip(summaries) {
                *summary = full_summary(source);
            }
        }),
        per_row(rows, &mut summaries, |rows, _, summaries| {
            for (row, summary) in rows.iter().zip(summaries) {
                *summary = full_summary(&source(row));
            }
        }),
    ];
    let crest = [
        per_row(rows, &mut crests, |_, sources, crests| {
            for (source, crest) in sources.iter().zip(crests) {
                *crest = source.crest();
            }
        }),
        per_row(rows, &mut crests, |rows, _, crests| {
            for (row, crest) in rows.iter().zip(crests) {
                *crest = source(row).crest();
            }
        }),
    ];
    // Few devices, many voltages each: the device of a block's first row, voltages over its range.
    let swept: Vec<Volts> = (0..ROWS).map(|row| swept_volts(rows, row)).collect();
    let mut curve_amps = vec![Amps::ZERO; ROWS];
    let mut times = Vec::with_capacity(REPEATS * ROWS / BLOCK);
    for _ in 0..REPEATS {
        for (k, amps) in curve_amps.chunks_mut(BLOCK).enumerate() {
            let device = source(&rows[k * BLOCK]);
            let start = Instant::now();
            device.currents(&swept[k * BLOCK..], amps);
            black_box(&amps);
            times.push(start.elapsed().as_secs_f64() * 1e9 / BLOCK as f64);
        }
    }
    let curve = [median(times); 2];
    write_columns(&directory.join("curves.f64"), 2, |column, row| {
        [swept[row].0, curve_amps[row].0][column]
    })?;
    write_columns(&directory.join("inputs.f64"), 6, |column, row| rows[row][column])?;
    write_columns(&directory.join("ours.f64"), 6, |column, row| {
        let found = &summaries[row];
        [amps[row].0, found.isc.0, found.voc.0, found.vmp.0, found.imp.0, found.pmp.0][column]
    })?;
    Ok(Ours { curve, current, summary, crest })
}

/// Slight reverse to beyond Voc of the device that the row's block has, by the row's own fraction.
fn swept_volts(rows: &[Row], row: usize) -> Volts {
    let [il, i0, _, _, a, _] = rows[row / BLOCK * BLOCK];
    let [il_own, i0_own, _, _, a_own, v_own] = rows[row];
    Volts(a * (il / i0).ln() * v_own / (a_own * (il_own / i0_own).ln()))
}

/// What pvlib's singlediode gives: the summary and the currents at two more voltages.
fn full_summary(source: &SingleDiode) -> CurveSummary {
    let found = source.summary();
    black_box(source.current(found.voc / 2.0));
    black_box(source.current((found.voc + found.vmp) / 2.0));
    found
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
        let mut times = Vec::with_capacity(ROWS / CHUNK);
        for chunk in 0..ROWS / CHUNK {
            let start = Instant::now();
            for k in 0..CHUNK {
                let part = (chunk * CHUNK + k) as f64 / ROWS as f64;
                module.set_conditions(one * (0.2 + 0.8 * part), Celsius(20.0 + 30.0 * part));
                sum += module.crest().watts.0;
                for volts in [24.0, 27.0, 28.0, 29.0, 33.0] {
                    sum += module.current(Volts(volts)).0;
                }
            }
            times.push(start.elapsed().as_secs_f64() * 1e9 / CHUNK as f64);
        }
        black_box(sum);
        let step = median(times);
        println!("step, {name:<32}{step:>8.1}");
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

/// pvlib's table; the ratios are to ours from sources already made and from bare parameters.
fn show(lines: &str, ours: &Ours) {
    println!(
        "\n{:<22}{:>8}{:>11}{:>8}{:>8}{:>12}{:>12}{:>9}",
        "pvlib", "rows", "ns", "made", "bare", "max |dI| A", "max |dP|/P", "no value"
    );
    for line in lines.lines() {
        let fields: Vec<&str> = line.split('|').collect();
        let [label, rows, nanos, amps, power, missing] = fields[..] else {
            println!("{line}");
            continue;
        };
        let mine = match label.split(' ').next() {
            Some("curve") => ours.curve,
            Some("current") => ours.current,
            Some("summary") => ours.summary,
            _ => ours.crest,
        };
        let [made, bare] =
            mine.map(|mine| nanos.parse::<f64>().map_or(f64::NAN, |theirs| theirs / mine));
        println!(
            "{label:<22}{rows:>8}{nanos:>11}{made:>8.1}{bare:>8.1}{amps:>12}{power:>12}{missing:>9}"
        );
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
    println!("one core, {ROWS} rows, seed {SEED}, medians, ns");
    println!("{:<38}{:>8}{:>8}", "Cresthold", "made", "bare");
    for (name, [made, bare]) in [
        ("current, 10 000 voltages of a device", ours.curve),
        ("current", ours.current),
        ("summary and two more currents", ours.summary),
        ("crest", ours.crest),
    ] {
        println!("{name:<38}{made:>8.1}{bare:>8.1}");
    }
    plant_steps();
    match pvlib(&directory) {
        Ok(lines) => show(&lines, &ours),
        Err(why) => println!("no comparison: pvlib could not be had ({why})"),
    }
    Ok(())
}
