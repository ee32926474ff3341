//! `cresthold season`: what a campaign came to, from its log alone.

use super::Exit;
use super::cell::CellArgs;
use super::place::{Refusal, page_name, table_name, write};
use crate::daemon::progress::Progress;
use crate::quantities::Watts;
use crate::report::season::{BrightestDay, CurveTold, MatrixTold, SeasonReport, Told, matrix_csv};
use crate::report::season_log::{Dates, LoggedSeason, Rating};
use crate::report::season_page::page;
use crate::season::{Rules, evaluate};
use crate::store::{ChannelRow, Reader, StoreError};
use crate::yields::read;
use clap::Args;
use std::path::{Path, PathBuf};

/// Seed of the intervals: the same log gives the same figures.
const SEED: u64 = 1;

/// Sum up a campaign from its log: yields, ratios, losses, what does not count and why, yearly change
///
/// Yields and performance ratios after IEC 61724-1 by month and all (with --json by day, too), energy by
/// where it went, and every minute that doesn't count, with its reason: values outside limits, jumps, stuck
/// sensors, gaps. Nothing is filled in. Of several channels, the first is set beside each other one.
///
/// The rating is what --rated says, else what good curves of the log show in strong light. Minutes, day
/// totals and curves are enough: a log that was thinned out says the same.
#[derive(Debug, Args)]
#[command(after_help = "Examples:
  cresthold season yard.sqlite                                      all channels, all of the log
  cresthold season yard.sqlite --channel module-1 --rated 300 --gamma -0.35
  cresthold season yard.sqlite --rated module-1=300 --rated module-2=295 --gamma -0.35
                                several, side by side
  cresthold season yard.sqlite --from 2026-06-01 --to 2026-06-30    a month, both dates with it
  cresthold season yard.sqlite --page season.html                   a page to read, print and keep
  cresthold season yard.sqlite --channel module-1 --matrix module-1.csv
                                its power matrix; what it would make elsewhere:
  cresthold yield elsewhere.epw --matrix module-1.csv --tilt 20
  cresthold season yard.sqlite --json > season.json                 the same numbers, by day as well

Exit codes: 0 done; 2 command line, or no such channel or date in the log; 4 the log can't be read; \
6 the page or matrix can't be written.")]
pub(super) struct SumUpSeason {
    /// The log (.sqlite), of a run that has ended or still goes on; all its files are read
    log: PathBuf,
    /// This channel only; may be given several times
    #[arg(long, value_name = "NAME")]
    channel: Vec<String>,
    /// From this date on, as the log counts its days; the period never reaches beyond its first and
    /// last record
    #[arg(long, value_name = "YYYY-MM-DD", value_parser = super::picture::parse_date)]
    from: Option<String>,
    /// Up to and with this date
    #[arg(long, value_name = "YYYY-MM-DD", value_parser = super::picture::parse_date)]
    to: Option<String>,
    /// Power at 1000 W/m2 and 25 degC (W), of all channels or of one
    #[arg(long, value_name = "[NAME=]WATTS", value_parser = parse_rated)]
    rated: Vec<Stated>,
    /// Temperature coefficient of power (%/K), with its sign, of all channels or of one
    #[arg(long, value_name = "[NAME=]%/K", value_parser = parse_gamma, allow_hyphen_values = true)]
    gamma: Vec<Stated>,
    #[command(flatten)]
    cell: CellArgs,
    /// Print JSON instead of tables
    #[arg(long)]
    json: bool,
    /// Write a page with pictures, to read, print and keep, one HTML file
    #[arg(long, value_name = "FILE.html", value_parser = page_name)]
    page: Option<PathBuf>,
    /// Write the power matrix of the one channel as CSV, for `cresthold yield --matrix`
    #[arg(long, value_name = "FILE.csv", value_parser = table_name)]
    matrix: Option<PathBuf>,
}

/// Reads a channel, and shows how far it is.
pub(super) fn read_shown(
    reader: &Reader,
    channel: ChannelRow,
    dates: &Dates,
) -> Result<Option<LoggedSeason>, StoreError> {
    let mut progress: Option<Progress> = None;
    let logged = LoggedSeason::read(reader, channel, dates, |_, of| {
        progress.get_or_insert_with(|| Progress::new(of, "days read", false)).one_more();
    });
    if let Some(progress) = progress {
        progress.clear();
    }
    logged
}

/// A number, of all channels or of one.
#[derive(Clone, Debug)]
struct Stated {
    channel: Option<String>,
    value: f64,
}

/// What went wrong, before anything was printed.
#[derive(Debug, thiserror::Error)]
enum Problem {
    #[error(transparent)]
    Store(#[from] StoreError),
    #[error("{log}: there is no channel {channel}; it has {known}")]
    NoSuchChannel { log: String, channel: String, known: String },
    #[error("{log}: it has no record; let `run` write some")]
    Empty { log: String },
    #[error("--matrix: the log has {0} channels on these dates; choose one with --channel")]
    Channels(usize),
    #[error(
        "--rated {name}={rated}: {log} has minutes of {most:.1} W, {times:.0} times that: watts at 1000 W/m2 and \
         25 degC are meant{slip}"
    )]
    Rated { log: String, name: String, rated: f64, most: f64, times: f64, slip: String },
    #[error("--to must not lie before --from: no day is between them")]
    Backwards,
    #[error("{log}: it has no record on these dates; it has days from {first} to {last}")]
    Elsewhere { log: String, first: String, last: String },
}

impl SumUpSeason {
    pub(super) fn carry_out(&self) -> Exit {
        let report = match self.report() {
            Ok(report) => report,
            Err(problem) => {
                tell!("{problem}");
                return match problem {
                    Problem::Store(_) | Problem::Empty { .. } => Exit::Log,
                    Problem::NoSuchChannel { .. }
                    | Problem::Rated { .. }
                    | Problem::Backwards
                    | Problem::Channels(_)
                    | Problem::Elsewhere { .. } => Exit::Usage,
                };
            }
        };
        if let Some(path) = &self.page {
            // As it was called; an argument that is no text is shown as well as can be.
            let called: Vec<String> =
                std::env::args_os().skip(1).map(|one| one.to_string_lossy().into_owned()).collect();
            let command = format!("cresthold {}", called.join(" "));
            if let Err((exit, text)) = write(path, &page(&report, &command)) {
                tell!("{text}");
                return exit;
            }
        }
        let matrix = self.matrix.as_ref().map_or(Ok(()), |path| write_matrix(path, &report));
        if self.json {
            match serde_json::to_string_pretty(&report) {
                Ok(text) => sayln!("{text}"),
                Err(error) => tell!("{error}"),
            }
        } else {
            say!("{}", report.tables());
        }
        match matrix {
            Ok(()) => Exit::Done,
            Err((exit, text)) => {
                tell!("{text}");
                exit
            }
        }
    }

    fn report(&self) -> Result<SeasonReport, Problem> {
        if self.from.as_ref().zip(self.to.as_ref()).is_some_and(|(from, to)| to < from) {
            return Err(Problem::Backwards);
        }
        let reader = Reader::open(&self.log)?;
        let log = self.log.display().to_string();
        let channels = self.wanted(reader.channels()?, &log)?;
        let dates = Dates { from: self.from.clone(), to: self.to.clone() };
        let mut told: Vec<Told> = Vec::new();
        for channel in channels {
            let Some(logged) = read_shown(&reader, channel, &dates)? else { continue };
            let name = &logged.channel.name;
            let gamma = of(&self.gamma, name).map(|percent| percent / 100.0);
            let stated =
                of(&self.rated, name).map(|watts| Rating { watts: Watts(watts), curves: 0 });
            let over_back = self.cell.over_back();
            let rating = stated.or_else(|| logged.rating(gamma, over_back));
            if let Some(stated) = stated {
                plausible(&log, name, stated.watts, logged.largest_watts())?;
            }
            let device = Told::device(rating, gamma, over_back);
            let season = evaluate(&logged.record(), &device, &Rules::default(), SEED);
            let curves = CurveTold::all(&logged, gamma, over_back);
            let brightest = BrightestDay::of(&logged, &season);
            let (tracked, doubts) = (logged.tracked(), logged.doubts());
            // The minutes go: many channels' years would not fit into memory.
            let channel = logged.channel;
            told.push(Told {
                channel,
                rating,
                gamma,
                over_back,
                season,
                curves,
                brightest,
                tracked,
                doubts,
            });
        }
        if told.is_empty() {
            let mut dates: Vec<String> =
                reader.day_totals("", "9999-12-31")?.into_iter().map(|day| day.date).collect();
            dates.sort();
            return Err(match (dates.first().cloned(), dates.last().cloned()) {
                (Some(first), Some(last)) => Problem::Elsewhere { log, first, last },
                _ => Problem::Empty { log },
            });
        }
        if self.matrix.is_some() {
            match told.as_slice() {
                [_] => {}
                many => return Err(Problem::Channels(many.len())),
            }
        }
        Ok(SeasonReport::new(log, &told, SEED))
    }

    /// The channels asked for; all where none is. What is stated must be of one of the log's.
    fn wanted(&self, all: Vec<ChannelRow>, log: &str) -> Result<Vec<ChannelRow>, Problem> {
        let stated = self.rated.iter().chain(&self.gamma).filter_map(|one| one.channel.as_ref());
        let known = |name: &str| all.iter().any(|row| row.name == name);
        if let Some(name) = self.channel.iter().chain(stated).find(|name| !known(name)) {
            let names: Vec<&str> = all.iter().map(|row| row.name.as_str()).collect();
            return Err(Problem::NoSuchChannel {
                log: log.to_owned(),
                channel: name.clone(),
                known: if names.is_empty() { "none".to_owned() } else { names.join(", ") },
            });
        }
        let asked = |row: &ChannelRow| self.channel.is_empty() || self.channel.contains(&row.name);
        Ok(all.into_iter().filter(asked).collect())
    }
}

/// Refuses a rating that minutes of the log pass by far, as one in kilowatts: all of them would be left out as
/// impossible.
fn plausible(log: &str, name: &str, rated: Watts, most: Watts) -> Result<(), Problem> {
    /// Cloud edges give up to 1.8 times the rating; a digit forgotten is told beside the figures.
    const MOST: f64 = 20.0;
    /// A slip of kilowatts lies within these factors of it.
    const KILO: std::ops::RangeInclusive<f64> = 100.0..=2000.0;
    let times = most / rated;
    if times <= MOST {
        return Ok(());
    }
    let slip = if KILO.contains(&times) {
        format!("; for kW write {name}={}", rated.0 * 1000.0)
    } else {
        String::new()
    };
    let (log, name) = (log.to_owned(), name.to_owned());
    Err(Problem::Rated { log, name, rated: rated.0, most: most.0, times, slip })
}

/// What is stated of a channel: by its name, else of all; the last counts.
fn of(stated: &[Stated], name: &str) -> Option<f64> {
    let by_name = stated.iter().rev().find(|one| one.channel.as_deref() == Some(name));
    let of_all = || stated.iter().rev().find(|one| one.channel.is_none());
    by_name.or_else(of_all).map(|one| one.value)
}

fn parse_rated(text: &str) -> Result<Stated, String> {
    let stated = parse_stated(text).filter(|one| one.value > 0.0 && one.value <= 1e6);
    stated.ok_or_else(|| "write watts at 1000 W/m2 and 25 degC, as 300 or module-1=300".to_owned())
}

fn parse_gamma(text: &str) -> Result<Stated, String> {
    let stated = parse_stated(text).filter(|one| (-2.0..=0.2).contains(&one.value));
    stated.ok_or_else(|| {
        "write percent per kelvin with its sign (-2 to 0.2), as -0.35 or module-1=-0.35".to_owned()
    })
}

fn parse_stated(text: &str) -> Option<Stated> {
    let (channel, value) = match text.split_once('=') {
        Some((name, value)) => (Some(name.to_owned()), value),
        None => (None, text),
    };
    Some(Stated { channel, value: value.trim().parse().ok()? })
}

/// Writes the power matrix of the one channel.
fn write_matrix(path: &Path, report: &SeasonReport) -> Result<(), Refusal> {
    let one = &report.channels[0];
    if one.power_matrix.is_empty() {
        let text = "--matrix: nothing was written: no point of the power matrix is filled; that \
                    takes steady minutes about it";
        return Err((Exit::Usage, text.to_owned()));
    }
    let source = format!("{} ({}), {}", one.channel, one.device, report.log);
    let text = matrix_text(&one.power_matrix, one.rated_w, &source)
        .map_err(|why| (Exit::Usage, format!("--matrix: nothing was written: {why}")))?;
    write(path, &text)
}

/// The matrix as `yield --matrix` reads it; else why it can't be one.
fn matrix_text(
    points: &[MatrixTold],
    rated_w: Option<f64>,
    source: &str,
) -> Result<String, String> {
    let text = matrix_csv(points, rated_w, source);
    match read::matrix::read(&text) {
        Ok(_) => Ok(text),
        Err(error) => Err(format!(
            "the points that are filled ({}) make no matrix: {}; a longer campaign fills more",
            points.len(),
            error.what
        )),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_nobody_can_read_is_not_written() {
        let point = |light: f64, cell_degc: f64| MatrixTold {
            irradiance_w_m2: light,
            cell_degc,
            power_w: 0.3 * light,
            standard_error_w: 0.1,
            minutes: 40,
        };
        let one = matrix_text(&[point(800.0, 50.0)], Some(300.0), "yard").unwrap_err();
        assert!(one.contains("(1)") && one.contains("two irradiances or more"), "{one}");
        let many = [point(800.0, 25.0), point(800.0, 50.0), point(1000.0, 25.0)];
        assert!(matrix_text(&many, Some(300.0), "yard").is_ok());
    }
}
