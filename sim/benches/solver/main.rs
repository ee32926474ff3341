//! How fast the single-diode solution is, on one core, beside pvlib on the same inputs and core.
//!
//! `cargo bench -p cresthold-sim --bench solver` writes a million seeded random inputs below
//! target/, times ours, then runs sim/tests/pvlib/timing.py. Ours is shown from sources already
//! made, from bare parameters in chunks, and from bare parameters in one call for the million, every
//! row a new device, as pvlib gets them. The Python is the one named by CRESTHOLD_PYTHON, else a
//! virtual environment below target/ with the pinned requirements; where neither can be had, ours
//! alone is shown.

mod pvlib;

use cresthold_sim::device::columns::Columns;
use cresthold_sim::device::examples;
use cresthold_sim::device::single_diode::{CurveSummary, SingleDiode};
use cresthold_sim::quantities::{Amps, Celsius, Irradiance, Ohms, Volts};
use rand::{RngExt, SeedableRng};
use rand_xoshiro::Xoshiro256PlusPlus;
use std::error::Error;
use std::fs;
use std::hint::black_box;
use std::ops::Range;
use std::path::Path;
use std::process::Command;
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

const WITHIN: &str = "the sweep stays within the ranges";

/// A device per row and a voltage, column by column.
#[derive(Default)]
struct Table {
    il: Vec<Amps>,
    i0: Vec<Amps>,
    rs: Vec<Ohms>,
    rsh: Vec<Ohms>,
    a: Vec<Volts>,
    v: Vec<Volts>,
}

impl Table {
    /// Ordinary devices, cell to high-voltage module; voltages from slight reverse to beyond Voc.
    fn random() -> Self {
        let mut rng = Xoshiro256PlusPlus::seed_from_u64(SEED);
        let mut between = |low: f64, high: f64| low + (high - low) * rng.random::<f64>();
        let mut table = Self::default();
        for _ in 0..ROWS {
            let (il, a) = (between(0.05, 12.0), 10_f64.powf(between(-1.5, 1.0)));
            let decades = between(18.0, 30.0);
            let scale = a / il;
            table.il.push(Amps(il));
            table.i0.push(Amps(il * (-decades).exp()));
            table.rs.push(Ohms(scale * 10_f64.powf(between(-2.0, 0.5))));
            table.rsh.push(Ohms(scale * 10_f64.powf(between(2.0, 4.5))));
            table.a.push(Volts(a));
            table.v.push(Volts(a * decades * between(-0.1, 1.1)));
        }
        table
    }

    fn source(&self, row: usize) -> SingleDiode {
        SingleDiode::new(self.il[row], self.i0[row], self.rs[row], self.rsh[row], self.a[row])
            .expect(WITHIN)
    }

    fn columns(&self, rows: Range<usize>) -> Columns<'_> {
        Columns {
            photocurrent: &self.il[rows.clone()],
            saturation: &self.i0[rows.clone()],
            series: &self.rs[rows.clone()],
            shunt: &self.rsh[rows.clone()],
            ideality: &self.a[rows],
        }
    }
}

fn median(mut times: Vec<f64>) -> f64 {
    times.sort_by(f64::total_cmp);
    times[times.len() / 2]
}

/// Nanoseconds per row of `work`, which gets the first row of a chunk, what `ready` made for it
/// outside the time, and room for the answers: the median over all chunks and repetitions.
fn per_row<T, M>(
    chunk: usize,
    answers: &mut [T],
    ready: impl Fn(usize) -> M,
    mut work: impl FnMut(usize, &M, &mut [T]),
) -> f64 {
    let mut times = Vec::with_capacity(REPEATS * answers.len() / chunk);
    for _ in 0..REPEATS {
        for (k, answers) in answers.chunks_mut(chunk).enumerate() {
            let made = ready(k * chunk);
            let start = Instant::now();
            work(k * chunk, &made, answers);
            black_box(&answers);
            times.push(start.elapsed().as_secs_f64() * 1e9 / answers.len() as f64);
        }
    }
    median(times)
}

/// Nanoseconds per row: from sources made before, from bare parameters in chunks and in one call.
type Times = [f64; 3];

/// [`Times`] of one source's answer at a voltage, and of the answers of many.
fn three_ways<T>(
    table: &Table,
    answers: &mut [T],
    one: impl Fn(&SingleDiode, Volts) -> T,
    mut many: impl FnMut(Columns<'_>, &[Volts], &mut [T]),
) -> Times {
    let sources = |start| (start..start + CHUNK).map(|row| table.source(row)).collect::<Vec<_>>();
    let made = per_row(CHUNK, answers, sources, |start, sources, answers| {
        for ((source, volts), answer) in sources.iter().zip(&table.v[start..]).zip(answers) {
            *answer = one(source, *volts);
        }
    });
    let [chunks, whole] = [CHUNK, ROWS].map(|size| {
        let nothing = |_| ();
        per_row(size, answers, nothing, |start, (), answers| {
            let rows = start..start + answers.len();
            many(table.columns(rows.clone()), &table.v[rows], answers);
        })
    });
    [made, chunks, whole]
}

/// [`Times`] for a curve, a current and a summary.
struct Ours {
    curve: Times,
    current: Times,
    summary: Times,
}

/// Times ours and writes its answers, those from bare parameters, for the comparison.
fn ours(table: &Table, directory: &Path) -> Result<Ours, Box<dyn Error>> {
    let mut amps = vec![Amps::ZERO; ROWS];
    let current = three_ways(table, &mut amps, SingleDiode::current, |columns, volts, amps| {
        columns.currents(volts, amps).expect(WITHIN);
    });
    let mut summaries = vec![CurveSummary::default(); ROWS];
    // What pvlib's singlediode gives: the summary and the currents at two more voltages.
    let more = [|s: &CurveSummary| s.voc / 2.0, |s: &CurveSummary| (s.voc + s.vmp) / 2.0];
    let one = |source: &SingleDiode, _| {
        let found = source.summary();
        black_box(more.map(|more| source.current(more(&found))));
        found
    };
    let (mut volts, mut two_more) = (vec![Volts::ZERO; ROWS], vec![Amps::ZERO; ROWS]);
    let summary = three_ways(table, &mut summaries, one, |columns, _, summaries| {
        columns.summaries(summaries).expect(WITHIN);
        let (volts, amps) = (&mut volts[..summaries.len()], &mut two_more[..summaries.len()]);
        for more in more {
            for (volts, summary) in volts.iter_mut().zip(&*summaries) {
                *volts = more(summary);
            }
            columns.currents(volts, amps).expect(WITHIN);
            black_box(&amps);
        }
    });
    // Few devices, many voltages each: the device of a block's first row, voltages over its range.
    let swept: Vec<Volts> = (0..ROWS).map(|row| swept_volts(table, row)).collect();
    let mut curve_amps = vec![Amps::ZERO; ROWS];
    let curve = per_row(
        BLOCK,
        &mut curve_amps,
        |start| table.source(start),
        |start, device, amps| device.currents(&swept[start..], amps),
    );
    write_columns(&directory.join("curves.f64"), 2, |column, row| {
        [swept[row].0, curve_amps[row].0][column]
    })?;
    write_columns(&directory.join("inputs.f64"), 6, |column, row| {
        let Table { il, i0, rs, rsh, a, v } = table;
        [il[row].0, i0[row].0, rs[row].0, rsh[row].0, a[row].0, v[row].0][column]
    })?;
    write_columns(&directory.join("ours.f64"), 6, |column, row| {
        let found = &summaries[row];
        [amps[row].0, found.isc.0, found.voc.0, found.vmp.0, found.imp.0, found.pmp.0][column]
    })?;
    Ok(Ours { curve: [curve; 3], current, summary })
}

/// Slight reverse to beyond Voc of the device that the row's block has, by the row's own fraction.
fn swept_volts(table: &Table, row: usize) -> Volts {
    let open = |row: usize| table.a[row] * (table.il[row] / table.i0[row]).ln();
    open(row / BLOCK * BLOCK) * (table.v[row] / open(row))
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
    let directory = pvlib::target().join("bench-solver");
    fs::create_dir_all(&directory)?;
    let ours = ours(&Table::random(), &directory)?;
    println!("one core, {ROWS} rows, seed {SEED}, medians, ns");
    println!("{:<38}{:>8}{:>8}{:>8}", "Cresthold", "made", "chunks", "whole");
    for (name, [made, chunks, whole]) in [
        ("current, 10 000 voltages of a device", ours.curve),
        ("current", ours.current),
        ("summary and two more currents", ours.summary),
    ] {
        println!("{name:<38}{made:>8.1}{chunks:>8.1}{whole:>8.1}");
    }
    plant_steps();
    match pvlib::table(&directory) {
        Ok(lines) => pvlib::show(&lines, &ours),
        Err(why) => println!("no comparison: pvlib could not be had ({why})"),
    }
    Ok(())
}
