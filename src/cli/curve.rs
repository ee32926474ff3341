//! `cresthold curve`: what current-voltage curves in CSV files or in a log say.

use super::{Exit, picture};
use crate::curve::translate::{Procedure, Procedure1, Procedure4, Procedure2021, SeriesAt};
use crate::curve::uncertainty::{
    AnalysisError, Correction, Inputs, Quantity, Spec, Stated, UnknownRow,
};
use crate::curve::{Conditions, Curve, CurveError, Method, branches, csv};
use crate::quantities::{Amps, Celsius, Irradiance, Ohms, Volts};
use crate::report::curve::{CurveReport, Wanted, trend};
use crate::report::curve_budget::of_figure;
use crate::report::curve_log::{CurveLogError, Named, logged_curves};
use crate::report::curve_picture::{png_file, svg};
use crate::station::{Station, StationError};
use crate::store::{Reader, StoreError};
use clap::{Args, ValueEnum};
use std::path::{Path, PathBuf};

/// Sum up a current-voltage curve: crest, ends, quality, single diode, uncertainty, pictures
#[derive(Debug, Args)]
#[command(
    after_help = "The file: comma-separated values; the header names the columns with their units,
  voltage (V),current (A),irradiance (W/m2),cell temperature (degC),time (UTC)
of which the first two are needed. Lines that begin with # count for nothing. The voltage
rises or falls throughout, or goes there and back; current is positive when the device delivers.

Examples:
  cresthold curve roof.csv
  cresthold curve roof.csv --svg roof.svg --png roof.png --json > roof.json
  cresthold curve roof.csv --area 1.64 --volts-error 0.05,0.01 --amps-error 0.1,0.005 \\
      --irradiance-error 1 --cell-error 2
  cresthold curve roof.csv --at 812,46.5 --correct-to 1000,25 --alpha 0.0057 --beta -0.138 \\
      --series 0.3 --csv roof-stc.csv
  cresthold curve 2026-05.csv 2026-06.csv 2026-07.csv --procedure 2 --correct-to 1000,25 \\
      --alpha 0.0057 --beta -0.138 --isc-stc 9.43 --voc-stc 38.3 --b1 0.043 --series 0.3
  cresthold curve yard.sqlite --channel module-1 --sort
  cresthold curve roof.csv --station yard.toml --channel module-1 --budget Pmp

Uncertainties follow from what is known of the instruments: in a log what the station stated then, in
a CSV file its comments `# stated: ...`, else the accuracies of --station's channel. An option
--...-error goes before that number.

Exit codes: 0 done; 2 command line; 4 the log can't be read; 6 a file can't be written; 10 the file is no usable curve."
)]
pub(super) struct CurveFile {
    /// The curve, as CSV, or a log (.sqlite) with curves; of several, one line each is printed
    #[arg(required = true)]
    files: Vec<PathBuf>,
    /// Of a log, this channel's curves only; with --station, the channel that took the curve
    #[arg(long, value_name = "NAME")]
    channel: Option<String>,
    /// Take what is known of the instruments from this station file, for curves that don't say
    #[arg(long, value_name = "STATION.toml", requires = "channel")]
    station: Option<PathBuf>,
    /// Print the uncertainty budget of one figure: input by input, with sensitivities
    #[arg(long, value_name = "FIGURE", value_parser = parse_figure, conflicts_with = "json")]
    budget: Option<Quantity>,
    /// Print JSON instead of tables
    #[arg(long)]
    json: bool,
    /// Draw current, power, crest, fit and residual of one curve as SVG
    #[arg(long, value_name = "FILE.svg", value_parser = picture::parse_out)]
    svg: Option<PathBuf>,
    /// The same as PNG
    #[arg(long, value_name = "FILE.png", value_parser = parse_png)]
    png: Option<PathBuf>,
    /// Write the points of one curve as they were summed up: corrected, in rising voltage
    #[arg(long, value_name = "FILE.csv")]
    csv: Option<PathBuf>,
    /// Points around the crest and at the ends: `standard` after ASTM E1036, `narrow` for a
    /// hundred points with noise
    #[arg(long, value_enum, default_value_t = Choice::Standard)]
    method: Choice,
    /// Take voltages that go up and down by a little, as readings with noise do: sort them
    #[arg(long)]
    sort: bool,
    /// Irradiance (W/m2) and cell temperature (degC) of points that don't state their own
    #[arg(long, value_name = "G,T", value_parser = parse_pair, allow_hyphen_values = true)]
    at: Option<(f64, f64)>,
    /// Correct to this irradiance (W/m2) and cell temperature (degC); needs --alpha, --series and
    /// what the procedure asks for
    #[arg(long, value_name = "G,T", value_parser = parse_pair, allow_hyphen_values = true,
          requires_all = ["alpha", "series"])]
    correct_to: Option<(f64, f64)>,
    /// Procedure of IEC 60891: 1 needs --beta; 2 (of 2021) --beta, --isc-stc, --voc-stc and --b1;
    /// 4, for silicon, --cells
    #[arg(long, value_enum, default_value_t = ProcedureChoice::One)]
    procedure: ProcedureChoice,
    /// Temperature coefficient of the short-circuit current (A/K)
    #[arg(long, value_name = "A/K", allow_hyphen_values = true)]
    alpha: Option<f64>,
    /// Temperature coefficient of the open-circuit voltage (V/K), below zero
    #[arg(long, value_name = "V/K", allow_hyphen_values = true)]
    beta: Option<f64>,
    /// Series resistance of the correction (ohm)
    #[arg(long, value_name = "OHM")]
    series: Option<f64>,
    /// Short-circuit current at standard conditions (A)
    #[arg(long, value_name = "A")]
    isc_stc: Option<f64>,
    /// Open-circuit voltage at standard conditions (V)
    #[arg(long, value_name = "V")]
    voc_stc: Option<f64>,
    /// Irradiance correction factor B1 of Voc
    #[arg(long, value_name = "NUMBER")]
    b1: Option<f64>,
    /// Irradiance correction factor B2 of Voc
    #[arg(long, value_name = "NUMBER", default_value_t = 0.0, allow_hyphen_values = true)]
    b2: f64,
    /// Curve correction factor of procedures 1 and 2 (ohm/K)
    #[arg(long, value_name = "OHM/K", default_value_t = 0.0, allow_hyphen_values = true)]
    kappa: f64,
    /// Cells in series, for procedure 4
    #[arg(long, value_name = "N")]
    cells: Option<u32>,
    /// Area (m2), for the efficiency; of a concentrator the aperture's, with direct irradiance
    #[arg(long, value_name = "M2")]
    area: Option<f64>,
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
}

#[derive(Clone, Copy, Debug, ValueEnum)]
enum Choice {
    Standard,
    Narrow,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
enum ProcedureChoice {
    #[value(name = "1")]
    One,
    #[value(name = "2")]
    Two,
    #[value(name = "4")]
    Four,
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
        "{file}: no channel is called {channel}, or it states no accuracy; see [channel.load.accuracy]"
    )]
    NothingStated { file: String, channel: String },
    #[error("{file}: {error}")]
    Stated { file: String, error: UnknownRow },
    #[error(
        "{name}: no uncertainty of {figure} is known: no accuracies are stated; name --station"
    )]
    NoBudget { name: String, figure: &'static str },
    #[error(
        "{file}: no whole curve of this channel in the log; let `run` take some ([channel.sweep])"
    )]
    Empty { file: String },
    #[error("{name}: {error}")]
    Curve { name: String, error: CurveError },
    #[error("{name}: {error}")]
    Analysis { name: String, error: AnalysisError },
    #[error("{option} is missing: this procedure needs {what}")]
    Missing { option: &'static str, what: &'static str },
    #[error(
        "pictures and points are of one curve; name one file, or leave --svg, --png, --csv out"
    )]
    OneOnly,
    #[error("{file}: can't be written ({error}); name another place")]
    Write { file: String, error: String },
}

impl Problem {
    fn exit(&self) -> Exit {
        match self {
            Self::Missing { .. } | Self::OneOnly => Exit::Usage,
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
                eprintln!("{problem}");
                problem.exit()
            }
        }
    }

    fn reports(&self) -> Result<Vec<CurveReport>, Problem> {
        let station = self.stated_by_station()?;
        let mut named = Vec::new();
        for file in &self.files {
            named.extend(self.read(file)?);
        }
        let pictures = self.svg.is_some() || self.png.is_some() || self.csv.is_some();
        if pictures && named.len() > 1 {
            return Err(Problem::OneOnly);
        }
        if let [one] = &named[..] {
            return Ok(vec![self.report(one, station.as_ref())?]);
        }
        // Of many curves, one that says nothing must not hide the others.
        let mut reports = Vec::new();
        let mut last = None;
        for one in &named {
            match self.report(one, station.as_ref()) {
                Ok(report) => reports.push(report),
                Err(problem) => {
                    eprintln!("{problem}");
                    last = Some(problem);
                }
            }
        }
        match last {
            Some(problem) if reports.is_empty() => Err(problem),
            _ => Ok(reports),
        }
    }

    /// The curves in a file: one of a table, many of a log.
    fn read(&self, path: &Path) -> Result<Vec<Named>, Problem> {
        let file = path.display().to_string();
        if path.extension().is_some_and(|extension| extension.eq_ignore_ascii_case("sqlite")) {
            let read = |reader: Reader| logged_curves(&reader, self.channel.as_deref());
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
        let (Some(path), Some(channel)) = (&self.station, &self.channel) else { return Ok(None) };
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
        station: Option<&Stated>,
    ) -> Result<CurveReport, Problem> {
        let wanted = self.wanted(stated.as_ref().or(station))?;
        let mut points = points.to_vec();
        if let Some((irradiance, cell)) = self.at {
            for p in &mut points {
                p.irradiance = p.irradiance.or(Some(Irradiance(irradiance)));
                p.cell = p.cell.or(Some(Celsius(cell)));
            }
        }
        let no_curve = |error| Problem::Curve { name: name.clone(), error };
        let mut runs = branches(&points).into_iter();
        let made = if self.sort { Curve::sorted } else { Curve::new };
        let curve = made(runs.next().unwrap_or_default()).map_err(no_curve)?;
        let back = runs.next().map(made).transpose().map_err(no_curve)?;
        CurveReport::new(name, &curve, back.as_ref(), &wanted)
            .map_err(|error| Problem::Analysis { name: name.clone(), error })
    }

    fn wanted(&self, stated: Option<&Stated>) -> Result<Wanted, Problem> {
        let method = match self.method {
            Choice::Standard => Method::ASTM,
            Choice::Narrow => Method::FIELD,
        };
        let known = Wanted::of(method, stated);
        Ok(Wanted {
            correction: self.correction()?,
            area: self.area.or(known.area),
            inputs: self.inputs(known.inputs),
            ..known
        })
    }

    fn correction(&self) -> Result<Option<Correction>, Problem> {
        let (Some((irradiance, cell)), Some(alpha), Some(series)) =
            (self.correct_to, self.alpha, self.series)
        else {
            return Ok(None);
        };
        // The analysis puts the curve's own Isc in.
        let isc = Amps::ZERO;
        let (ohms, kappa) = (Ohms(series), self.kappa);
        let procedure = match self.procedure {
            ProcedureChoice::One => {
                let beta = needed(self.beta, "--beta", "the temperature coefficient of Voc (V/K)")?;
                let series = SeriesAt { ohms, kappa, at: None };
                Procedure::One(Procedure1 { isc, alpha, beta, series })
            }
            ProcedureChoice::Two => {
                let isc = needed(self.isc_stc, "--isc-stc", "Isc at standard conditions (A)")?;
                let voc = needed(self.voc_stc, "--voc-stc", "Voc at standard conditions (V)")?;
                let beta = needed(self.beta, "--beta", "the temperature coefficient of Voc (V/K)")?;
                let b1 = needed(self.b1, "--b1", "how Voc follows the logarithm of irradiance")?;
                Procedure::Two2021(Procedure2021 {
                    voc_stc: Volts(voc),
                    alpha_rel: alpha / isc,
                    beta_rel: beta / voc,
                    b1,
                    b2: self.b2,
                    series: ohms,
                    kappa,
                })
            }
            ProcedureChoice::Four => {
                let cells = needed(self.cells, "--cells", "the number of silicon cells in series")?;
                let temperature_first = false;
                Procedure::Four(Procedure4 { isc, alpha, series: ohms, cells, temperature_first })
            }
        };
        let to = Conditions { irradiance: Irradiance(irradiance), cell: Celsius(cell) };
        Ok(Some(Correction { procedure, to }))
    }

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

    fn hand_out(&self, reports: &[CurveReport]) -> Result<(), Problem> {
        let [report] = reports else {
            if self.json {
                let all: Vec<String> = reports.iter().map(CurveReport::json).collect();
                println!("[{}]", all.join(","));
            } else {
                print!("{}", trend(reports));
            }
            return Ok(());
        };
        if self.json {
            println!("{}", report.json());
        } else {
            print!("{}", report.table());
        }
        if let Some(figure) = self.budget {
            let table = report.budget.as_ref().and_then(|budget| of_figure(budget, figure));
            let nothing =
                || Problem::NoBudget { name: report.name.clone(), figure: figure.symbol().0 };
            print!("\n{}", table.ok_or_else(nothing)?);
        }
        if let Some(file) = &self.svg {
            save(file, svg(report).map(String::into_bytes))?;
        }
        if let Some(file) = &self.png {
            save(file, png_file(report))?;
        }
        if let Some(file) = &self.csv {
            let table = csv::write(report.curve.points());
            save(file, Ok(format!("{}{table}", report.stated_comment()).into_bytes()))?;
        }
        Ok(())
    }
}

fn needed<T>(value: Option<T>, option: &'static str, what: &'static str) -> Result<T, Problem> {
    value.ok_or(Problem::Missing { option, what })
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

/// Only a name of a picture: a slip of the hand must not overwrite a curve.
fn parse_png(text: &str) -> Result<PathBuf, String> {
    let path = PathBuf::from(text);
    if path.extension().is_some_and(|extension| extension.eq_ignore_ascii_case("png")) {
        Ok(path)
    } else {
        Err("the picture's name must end in .png, so that it can't overwrite a curve".to_owned())
    }
}
