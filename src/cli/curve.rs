//! `cresthold curve`: what current-voltage curves in CSV files or in a log say.

mod correction;

use super::Exit;
use super::cell::CellArgs;
use super::place::{picture_name, table_name};
use crate::curve::translate::BetweenError;
use crate::curve::uncertainty::{
    AnalysisError, Correction, Inputs, Quantity, Spec, Stated, UnknownRow,
};
use crate::curve::{Conditions, Curve, CurveError, Method, branches, csv};
use crate::quantities::{Amps, Celsius, Irradiance, Volts};
use crate::report::curve::{CurveReport, Wanted};
use crate::report::curve_budget::of_figure;
use crate::report::curve_log::{CurveLogError, Named, logged_curves};
use crate::report::curve_picture::{png_file, svg};
use crate::report::curve_result;
use crate::report::curve_trend::Trend;
use crate::station::{Station, StationError};
use crate::store::{Reader, StoreError};
use clap::{Args, ValueEnum};
use correction::{CorrectionArgs, interpolated};
use std::path::{Path, PathBuf};

/// Sum up current-voltage curves: crest, ends, quality, single diode, uncertainty, pictures
///
/// One curve gives its figures, each with its unit; several give a line each, and what they say of the
/// device together: temperature and irradiance coefficients, series resistance, one single diode for all.
#[derive(Debug, Args)]
#[command(
    after_help = "The file: comma-separated values; the header names the columns with their units,
  voltage (V),current (A),irradiance (W/m2),cell temperature (degC),time (UTC)
of which the first two are needed. Lines that begin with # count for nothing. The voltage
rises or falls throughout, or goes there and back; current is positive when the device delivers.

Examples:
  cresthold curve roof.csv                                   the figures of one curve
  cresthold curve roof.csv --svg roof.svg --png roof.png     and pictures of it
  cresthold curve roof.csv --json > roof.json                the same for a script
  cresthold curve roof.csv --area 1.64 --volts-error 0.05,0.01 --amps-error 0.1,0.005 \\
      --irradiance-error 1 --cell-error 2                    with uncertainties
  cresthold curve receiver.csv --area 0.85                   a concentrator: the aperture's area;
                                the irradiance column is the direct one
  cresthold curve roof.csv --at 812,46.5 --correct-to 1000,25 --alpha 0.0057 --beta -0.138 \\
      --series 0.3 --csv roof-stc.csv                        corrected, and written as a curve
  cresthold curve dim.csv bright.csv --procedure 3 --correct-to 800,35
                                between two curves
  cresthold curve yard.sqlite --channel module-1 --cell-above 3
                                a campaign: trend and coefficients
  cresthold curve yard.sqlite --channel module-1 --cell-above 3 --correct-to 1000,25 \\
      --own-coefficients                                     its curves at standard conditions
  cresthold curve yard.sqlite --channel module-1 --only 17 --svg noon.svg
                                one of its curves, by its number there
  cresthold curve roof.csv --station yard.toml --channel module-1 --budget Pmp
                                how well Pmp is known, input by input

Uncertainties follow from what is known of the instruments: of a log what its station stated, of \
a CSV file its comments `# stated: ...`, else what --station states of the channel. A limit of error \
among the options takes that one's place.

Exit codes: 0 done; 2 command line; 4 the log can't be read; 6 a file can't be written; 10 no \
usable curve."
)]
pub(super) struct CurveFile {
    /// The curve, as CSV, or a log (.sqlite) with curves; of several, one line each is printed
    #[arg(required = true)]
    files: Vec<PathBuf>,
    /// Of a log, this channel's curves only; with --station, the channel that took the curve
    #[arg(long, value_name = "NAME")]
    channel: Option<String>,
    /// Of several curves these only, by their numbers in the table
    #[arg(long, value_name = "NO", value_delimiter = ',', value_parser = clap::value_parser!(u32).range(1..))]
    only: Vec<u32>,
    /// Points around the crest and at the ends: `standard` after ASTM E1036, `narrow` for a
    /// hundred points with noise, `log` as a log's own figures are found [default: standard;
    /// with a log, log]
    #[arg(long, value_enum)]
    method: Option<Choice>,
    /// Take voltages that go up and down by a little, as readings with noise do: sort them (a log's
    /// always are)
    #[arg(long)]
    sort: bool,
    /// Irradiance (W/m2) and cell temperature (degC) of points that don't state their own
    #[arg(long, value_name = "G,T", value_parser = parse_conditions, allow_hyphen_values = true)]
    at: Option<(f64, f64)>,
    #[command(flatten)]
    cell: CellArgs,
    /// Area (m2), for the efficiency; of a concentrator the aperture's, with direct irradiance
    #[arg(long, value_name = "M2", value_parser = parse_area)]
    area: Option<f64>,
    #[command(flatten)]
    output: Output,
    #[command(flatten)]
    correction: CorrectionArgs,
    #[command(flatten)]
    errors: Errors,
}

#[derive(Debug, Args)]
#[command(next_help_heading = "Output")]
struct Output {
    /// Print JSON instead of tables
    #[arg(long)]
    json: bool,
    /// Draw current, power, crest, fit and residual of one curve as SVG
    #[arg(long, value_name = "FILE.svg", value_parser = picture_name)]
    svg: Option<PathBuf>,
    /// The same as PNG
    #[arg(long, value_name = "FILE.png", value_parser = parse_png)]
    png: Option<PathBuf>,
    /// Write the points of one curve as they were summed up: corrected, in rising voltage
    #[arg(long, value_name = "FILE.csv", value_parser = table_name)]
    csv: Option<PathBuf>,
}

#[derive(Debug, Args)]
#[command(next_help_heading = "Uncertainty (JCGM 100), where at least one is stated")]
struct Errors {
    /// Limits of the voltmeter's error: percent of reading and volts
    #[arg(long, value_name = "%,V", value_parser = parse_pair)]
    volts_error: Option<(f64, f64)>,
    /// Limits of the ammeter's error: percent of reading and amperes
    #[arg(long, value_name = "%,A", value_parser = parse_pair)]
    amps_error: Option<(f64, f64)>,
    /// Limits of the irradiance's error: percent
    #[arg(long, value_name = "%")]
    irradiance_error: Option<f64>,
    /// Limits of the cell temperature's error (K)
    #[arg(long, value_name = "K")]
    cell_error: Option<f64>,
    /// Take what is known of the instruments from this station file, for curves that don't say
    #[arg(long, value_name = "STATION.toml", requires = "channel")]
    station: Option<PathBuf>,
    /// Print the budget of one figure as well: input by input, with sensitivities
    #[arg(long, value_name = "FIGURE", value_parser = parse_figure, conflicts_with = "json")]
    budget: Option<Quantity>,
}

#[derive(Clone, Copy, Debug, ValueEnum)]
enum Choice {
    Standard,
    Narrow,
    Log,
}

/// What went wrong, before anything was printed.
#[derive(Debug, thiserror::Error)]
enum Problem {
    #[error("{file}: can't be read ({error}); name a curve as CSV")]
    Read { file: String, error: std::io::Error },
    #[error("{file}: {error}")]
    Csv { file: String, error: csv::CsvError },
    #[error("{0}")]
    Log(#[from] CurveLogError),
    #[error("{0}")]
    Store(#[from] StoreError),
    #[error("{0}")]
    Station(#[from] StationError),
    #[error(
        "{file}: there is no channel {channel}, or it states no accuracy; see [channel.load.accuracy] \
         in what `cresthold station` prints"
    )]
    NothingStated { file: String, channel: String },
    #[error("{file}: {error}")]
    Stated { file: String, error: UnknownRow },
    #[error(
        "{name}: no uncertainty of {figure} is stated: nothing is known of the instruments (name \
         --station), or the light moved too much"
    )]
    NoUncertainty { name: String, figure: &'static str },
    #[error(
        "{file}: no whole curve of this channel in the log; let `run` take some ([channel.sweep])"
    )]
    Empty { file: String },
    #[error("{name}: {error}")]
    Curve { name: String, error: CurveError },
    #[error("{name}: {error}")]
    Analysis { name: String, error: AnalysisError },
    #[error("{name}: {error}")]
    Between { name: String, error: BetweenError },
    #[error("coefficients of these curves: {0}")]
    Coefficients(String),
    #[error("{option} is missing: this procedure needs {what}")]
    Missing { option: &'static str, what: &'static str },
    #[error("{option} {given}: {why}")]
    Implausible { option: &'static str, given: f64, why: String },
    #[error(
        "pictures and points are of one curve; name one file, pick one with --only, or leave --svg, \
         --png, --csv out"
    )]
    OneOnly,
    #[error(
        "procedure 3 goes between two curves, and there are {found}; name two, or pick two with --only"
    )]
    NotTwo { found: usize },
    #[error("there are {found} curves, and --only asks for number {no}; see the table of all")]
    NoSuch { no: u32, found: usize },
    #[error(
        "of a curve between two no uncertainty is known; leave the limits of error out, or look at \
         both curves by themselves"
    )]
    NoBudget,
    #[error("{file}: can't be written ({error}); name another place")]
    Write { file: String, error: String },
}

impl Problem {
    fn exit(&self) -> Exit {
        match self {
            Self::Missing { .. }
            | Self::Implausible { .. }
            | Self::OneOnly
            | Self::NotTwo { .. }
            | Self::NoSuch { .. }
            | Self::NoBudget => Exit::Usage,
            Self::Write { .. } => Exit::System,
            Self::Log(_) | Self::Store(_) => Exit::Log,
            Self::Station(_) | Self::NothingStated { .. } => Exit::Station,
            _ => Exit::Curve,
        }
    }
}

impl CurveFile {
    pub(super) fn carry_out(&self) -> Exit {
        match self.reports().and_then(|reports| self.hand_out(&reports)) {
            Ok(()) => Exit::Done,
            Err(problem) => {
                tell!("{problem}");
                problem.exit()
            }
        }
    }

    fn reports(&self) -> Result<Vec<CurveReport>, Problem> {
        let plain = self.wanted(None);
        let stated = self.correction.stated()?;
        let between = self.correction.between()?;
        let named = self.picked()?;
        self.correction.plausible(&named, self.at.map(|(irradiance, _)| irradiance))?;
        if let Some(to) = between {
            return self.between(&named, to, &plain).map(|report| vec![report]);
        }
        if self.output.pictures() && named.len() > 1 {
            return Err(Problem::OneOnly);
        }
        let Some(to) = self.correction.own() else {
            return self.all(&named, |_| self.wanted(stated));
        };
        let form = self.correction.form()?;
        let reports = self.all(&named, |_| plain)?;
        let trend = Trend::new(&reports, &plain.method, form);
        let found = match &trend.coefficients {
            Some(Ok(found)) => found,
            Some(Err(error)) => {
                let left_out = trend.left_out();
                return Err(Problem::Coefficients(format!("{error}; {}", left_out.trim_end())));
            }
            None => return Ok(reports),
        };
        // The analysis puts each curve's own ends in.
        let procedure = found.procedure(Amps::ZERO, Volts::ZERO);
        self.all(&named, |_| self.wanted(Some(Correction { procedure, to })))
    }

    /// All curves of all files, or those that are wanted.
    fn picked(&self) -> Result<Vec<Named>, Problem> {
        let station = self.stated_by_station()?;
        let mut named = Vec::new();
        for file in &self.files {
            named.extend(self.read(file)?);
        }
        for (.., stated) in &mut named {
            *stated = stated.or(station);
        }
        if self.only.is_empty() {
            return Ok(named);
        }
        let found = named.len();
        let pick = |no: &u32| {
            let curve = named.get(*no as usize - 1).cloned();
            curve.ok_or(Problem::NoSuch { no: *no, found })
        };
        self.only.iter().map(pick).collect()
    }

    /// A report of each curve. Of many, one that says nothing must not hide the others.
    fn all(
        &self,
        named: &[Named],
        wanted: impl Fn(&str) -> Wanted,
    ) -> Result<Vec<CurveReport>, Problem> {
        let mut reports = Vec::new();
        let mut last = None;
        for one in named {
            match self.report(one, &wanted(&one.0)) {
                Ok(report) => reports.push(report),
                Err(problem) => {
                    if named.len() > 1 {
                        tell!("{problem}");
                    }
                    last = Some(problem);
                }
            }
        }
        match last {
            Some(problem) if reports.is_empty() => Err(problem),
            _ => Ok(reports),
        }
    }

    /// Procedure 3.
    fn between(
        &self,
        named: &[Named],
        to: Conditions,
        plain: &Wanted,
    ) -> Result<CurveReport, Problem> {
        let [first, second] = named else {
            return Err(Problem::NotTwo { found: named.len() });
        };
        if plain.inputs.is_some() {
            return Err(Problem::NoBudget);
        }
        let of = |one: &Named| self.report(one, plain);
        interpolated(&of(first)?, &of(second)?, to, plain)
    }

    /// The curves in a file: one of a table, many of a log.
    fn read(&self, path: &Path) -> Result<Vec<Named>, Problem> {
        let file = path.display().to_string();
        if is_log(path) {
            let over = self.cell.over_back();
            let read = |reader: Reader| logged_curves(&reader, self.channel.as_deref(), over);
            let found = read(Reader::open(path)?)?;
            return if found.is_empty() { Err(Problem::Empty { file }) } else { Ok(found) };
        }
        let text = std::fs::read_to_string(path)
            .map_err(|error| Problem::Read { file: file.clone(), error })?;
        let points =
            csv::read(&text).map_err(|error| Problem::Csv { file: file.clone(), error })?;
        let stated =
            Stated::from_comment(&text).map_err(|error| Problem::Stated { file, error })?;
        let name = path.file_stem().unwrap_or_default().to_string_lossy().into_owned();
        Ok(vec![(name, points, stated)])
    }

    /// What the station file says of the channel's instruments.
    fn stated_by_station(&self) -> Result<Option<Stated>, Problem> {
        let (Some(path), Some(channel)) = (&self.errors.station, &self.channel) else {
            return Ok(None);
        };
        let station = Station::load(path)?;
        let found = station.channels.iter().find(|spec| spec.name == *channel);
        let nothing = || Problem::NothingStated {
            file: path.display().to_string(),
            channel: channel.clone(),
        };
        Ok(Some(found.and_then(|spec| spec.stated).ok_or_else(nothing)?))
    }

    fn report(
        &self,
        (name, points, stated): &Named,
        wanted: &Wanted,
    ) -> Result<CurveReport, Problem> {
        let known = Wanted::of(wanted.method, stated.as_ref());
        let wanted = &Wanted {
            correction: wanted.correction,
            area: wanted.area.or(known.area),
            inputs: self.errors.inputs(known.inputs),
            ..known
        };
        let mut points = points.clone();
        if let Some((irradiance, cell)) = self.at {
            for p in &mut points {
                p.irradiance = p.irradiance.or(Some(Irradiance(irradiance)));
                p.cell = p.cell.or(Some(Celsius(cell)));
            }
        }
        let no_curve = |error| Problem::Curve { name: name.clone(), error };
        let mut runs = branches(&points).into_iter();
        let of_log = self.files.iter().any(|file| is_log(file));
        let sort = self.sort || of_log;
        let made = if sort { Curve::sorted } else { Curve::new };
        let curve = made(runs.next().unwrap_or_default()).map_err(no_curve)?;
        let back = runs.next().map(made).transpose().map_err(no_curve)?;
        let mut report = CurveReport::new(name, &curve, back.as_ref(), wanted)
            .map_err(|error| Problem::Analysis { name: name.clone(), error })?;
        report.over_back = of_log.then(|| self.cell.over_back());
        Ok(report)
    }

    fn wanted(&self, correction: Option<Correction>) -> Wanted {
        let log = self.files.iter().any(|file| is_log(file));
        let method = match self.method {
            None if log => curve_result::METHOD,
            None | Some(Choice::Standard) => Method::ASTM,
            Some(Choice::Narrow) => Method::FIELD,
            Some(Choice::Log) => curve_result::METHOD,
        };
        let (area, inputs) = (self.area, self.errors.inputs(None));
        Wanted { correction, area, inputs, ..Wanted::of(method, None) }
    }

    fn hand_out(&self, reports: &[CurveReport]) -> Result<(), Problem> {
        let output = &self.output;
        let [report] = reports else {
            let trend = Trend::new(reports, &self.wanted(None).method, self.correction.form()?);
            if output.json {
                sayln!("{}", trend.json());
            } else {
                say!("{}", trend.table());
            }
            return Ok(());
        };
        if output.json {
            sayln!("{}", report.json());
        } else {
            say!("{}", report.table());
        }
        if let Some(figure) = self.errors.budget {
            let table = report.budget.as_ref().and_then(|budget| of_figure(budget, figure));
            let (name, figure) = (report.name.clone(), figure.symbol().0);
            let nothing = || Problem::NoUncertainty { name, figure };
            say!("\n{}", table.ok_or_else(nothing)?);
        }
        if let Some(file) = &output.svg {
            save(file, svg(report).map(String::into_bytes))?;
        }
        if let Some(file) = &output.png {
            save(file, png_file(report))?;
        }
        if let Some(file) = &output.csv {
            let table = csv::write(report.curve.points());
            save(file, Ok(format!("{}{table}", report.stated_comment()).into_bytes()))?;
        }
        Ok(())
    }
}

impl Output {
    fn pictures(&self) -> bool {
        self.svg.is_some() || self.png.is_some() || self.csv.is_some()
    }
}

impl Errors {
    /// What is known of the instruments, with what the options say in its place; none if nothing is.
    fn inputs(&self, known: Option<Inputs>) -> Option<Inputs> {
        let stated = self.volts_error.is_some()
            || self.amps_error.is_some()
            || self.irradiance_error.is_some()
            || self.cell_error.is_some();
        if !stated {
            return known;
        }
        let mut inputs = known.unwrap_or(Inputs::PERFECT);
        for (pair, instrument) in
            [(self.volts_error, &mut inputs.volts), (self.amps_error, &mut inputs.amps)]
        {
            if let Some((percent, offset)) = pair {
                instrument.gain = Spec::Limits(percent / 100.0);
                instrument.offset = Spec::Limits(offset);
            }
        }
        if let Some(percent) = self.irradiance_error {
            inputs.irradiance.gain = Spec::Limits(percent / 100.0);
        }
        if let Some(kelvin) = self.cell_error {
            inputs.cell = Spec::Limits(kelvin);
        }
        Some(inputs)
    }
}

fn is_log(path: &Path) -> bool {
    path.extension().is_some_and(|extension| extension.eq_ignore_ascii_case("sqlite"))
}

fn save(file: &Path, bytes: Result<Vec<u8>, String>) -> Result<(), Problem> {
    let written =
        bytes.and_then(|bytes| std::fs::write(file, bytes).map_err(|error| error.to_string()));
    written.map_err(|error| Problem::Write { file: file.display().to_string(), error })
}

/// A figure by its symbol.
fn parse_figure(text: &str) -> Result<Quantity, String> {
    let named = |quantity: &Quantity| quantity.symbol().0.eq_ignore_ascii_case(text);
    let names = Quantity::ALL.map(|quantity| quantity.symbol().0).join(", ");
    Quantity::ALL.into_iter().find(named).ok_or_else(|| format!("name one of {names}"))
}

/// Two finite numbers with a comma between them.
fn parse_pair(text: &str) -> Result<(f64, f64), String> {
    let number = |text: &str| text.trim().parse::<f64>().ok().filter(|x| x.is_finite());
    let pair = text.split_once(',').and_then(|(a, b)| number(a).zip(number(b)));
    pair.ok_or_else(|| "write two numbers with a comma between them, such as 1000,25".to_owned())
}

/// Irradiance (W/m2) and cell temperature (degC) of a device outdoors or in a laboratory.
fn parse_conditions(text: &str) -> Result<(f64, f64), String> {
    /// A thousandth of full light to what a concentrator's cells are never given: no sky has more than some 1700.
    const LIGHT: std::ops::RangeInclusive<f64> = 5.0..=2000.0;
    /// Colder and hotter than any site or laboratory.
    const WARMTH: std::ops::RangeInclusive<f64> = -70.0..=150.0;
    let (irradiance, cell) = parse_pair(text)?;
    if !LIGHT.contains(&irradiance) {
        let slip = if (0.0..=2.0).contains(&irradiance) {
            format!("; for kW/m2 write {}", irradiance * 1000.0)
        } else {
            String::new()
        };
        return Err(format!(
            "irradiance {irradiance}: state W/m2 ({} to {}){slip}",
            LIGHT.start(),
            LIGHT.end()
        ));
    }
    if !WARMTH.contains(&cell) {
        let slip = if cell > *WARMTH.end() {
            format!("; for kelvin write {:.2}", cell - 273.15)
        } else {
            String::new()
        };
        return Err(format!(
            "cell temperature {cell}: state degC ({} to {}){slip}",
            WARMTH.start(),
            WARMTH.end()
        ));
    }
    Ok((irradiance, cell))
}

pub(super) fn parse_number(text: &str) -> Result<f64, String> {
    let number = text.trim().parse::<f64>().ok().filter(|x| x.is_finite());
    number.ok_or_else(|| "write a number with a decimal point".to_owned())
}

fn parse_area(text: &str) -> Result<f64, String> {
    let area = parse_number(text).ok().filter(|area| *area > 0.0);
    area.ok_or_else(|| "write square metres, more than 0, such as 1.64".to_owned())
}

/// Only a name of a picture: a slip of the hand must not overwrite a curve.
fn parse_png(text: &str) -> Result<PathBuf, String> {
    let path = PathBuf::from(text);
    if path.extension().is_some_and(|extension| extension.eq_ignore_ascii_case("png")) {
        Ok(path)
    } else {
        Err("the picture's name must end in .png, so that it can't overwrite a curve".to_owned())
    }
}
