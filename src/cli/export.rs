//! `cresthold export`: a log as CSV or Parquet.

use super::Exit;
use super::place::{Refusal, not_a_log, part_of};
use crate::daemon::progress::Progress;
use crate::daemon::stop::StopFlag;
use crate::export::{About, CsvSheet, Export, ExportError, ParquetSheet, Rows, Wanted, Zone};
use crate::store::Reader;
use crate::time::Utc;
use clap::builder::PossibleValue;
use clap::{Args, ValueEnum};
use std::fs::File;
use std::io::{self, BufWriter, ErrorKind, IsTerminal as _, Write};
use std::path::{Path, PathBuf};

/// Export a log as CSV or Parquet, for other programs: units and time zone stand in the column names
///
/// All files of the log are read, the months before and those beside it too; a run may go on writing.
/// Rows come channel after channel, each in the order of time. Empty means not known. Times are those of
/// the wall clock: of a minute its start, of a curve its beginning; in Parquet they are moments of UTC,
/// which tools show in any zone.
///
/// Minutes, of channels and sensors, tell mean, least, largest and deviation. Samples are the means over
/// the seconds that the station states, and may be gone from months long over. Where the wall clock was
/// set under way, `since boot (s)` tells the order of taking.
#[derive(Debug, Args)]
#[command(after_help = "Examples:
  cresthold export yard.sqlite --out yard.parquet
  cresthold export yard.sqlite --rows days > days.csv
  cresthold export yard.sqlite --rows samples --channel module-a --from 2026-06-21 --out june.csv
  cresthold export yard.sqlite --rows events --from 2026-06-01T06:00 --zone +01:00

Exit codes: 0 done; 2 command line; 4 the log can't be read; 6 the table can't be written.")]
pub(super) struct WriteTable {
    /// The log (SQLite), of a run that has ended or still goes on
    log: PathBuf,
    /// What a row is
    #[arg(long, value_enum, value_name = "KIND", default_value = "minutes")]
    rows: Rows,
    /// Only this channel (of sensors: those that serve it); repeat for more
    #[arg(long = "channel", value_name = "NAME")]
    channels: Vec<String>,
    /// Only rows from this moment on, ISO 8601; a date, or date and time, in --zone unless it names its own
    #[arg(long, value_name = "TIME", value_parser = parse_moment)]
    from: Option<Moment>,
    /// Only rows before this moment; of a date all of it counts
    #[arg(long, value_name = "TIME", value_parser = parse_until)]
    to: Option<Moment>,
    /// Where the table goes, a name ending in .csv or .parquet; without it, CSV on standard output
    #[arg(long, value_name = "FILE", value_parser = parse_out)]
    out: Option<PathBuf>,
    /// The zone of times in CSV: UTC, or an offset such as +01:00; dates of days stay the log's own
    #[arg(long, value_name = "ZONE", default_value = "UTC", allow_hyphen_values = true)]
    zone: Zone,
    /// Show no progress
    #[arg(long)]
    quiet: bool,
}

impl ValueEnum for Rows {
    fn value_variants<'a>() -> &'a [Self] {
        &Self::ALL
    }

    fn to_possible_value(&self) -> Option<PossibleValue> {
        let what = match self {
            Self::Samples => "means over the seconds that the station states",
            Self::Minutes => "one-minute records: mean, least, largest, deviation, energy",
            Self::Days => "totals of a day",
            Self::Events => "what happened",
            Self::Curves => "I-V curves: crest, ends, grade, uncertainties",
            Self::Points => {
                "points of I-V curves, also of one that a power cut left without an end"
            }
            Self::Sensors => "one-minute records of the sensors",
        };
        Some(PossibleValue::new(self.word()).help(what))
    }
}

/// A moment as it was written.
#[derive(Clone, Copy, Debug)]
enum Moment {
    /// With a zone of its own.
    At(Utc),
    /// Without.
    Local(jiff::civil::DateTime),
}

impl Moment {
    fn in_zone(self, zone: Zone) -> Option<Utc> {
        match self {
            Self::At(at) => Some(at),
            Self::Local(local) => zone.moment(local),
        }
    }
}

impl WriteTable {
    pub(super) fn carry_out(&self) -> Exit {
        match self.export() {
            Ok(()) => Exit::Done,
            Err((exit, text)) => {
                tell!("{text}");
                exit
            }
        }
    }

    fn export(&self) -> Result<(), Refusal> {
        let wanted = self.wanted()?;
        let reader = Reader::open(&self.log).map_err(|error| self.refused(error.into()))?;
        let export = Export::new(&reader, wanted).map_err(|error| self.refused(error))?;
        let Some(out) = &self.out else { return self.to_standard_output(&export) };
        not_a_log(out)?;
        let part = part_of(out);
        let written = self.to_file(&reader, &export, &part).and_then(|rows| {
            std::fs::rename(&part, out).map_err(|error| self.refused(ExportError::Write(error)))?;
            Ok(rows)
        });
        if written.is_err() {
            // What is not whole helps nobody; that it can't be removed changes nothing.
            let _ = std::fs::remove_file(&part);
        }
        let rows = written?;
        sayln!("{}: {rows} {}", out.display(), self.rows.word());
        Ok(())
    }

    fn wanted(&self) -> Result<Wanted, Refusal> {
        let usage = |text: &str| (Exit::Usage, text.to_owned());
        let moment = |moment: Option<Moment>| {
            let Some(moment) = moment else { return Ok(None) };
            let at = moment.in_zone(self.zone);
            at.map(Some).ok_or_else(|| usage("a time is out of the calendar's range"))
        };
        let (from, until) = (moment(self.from)?, moment(self.to)?);
        if from.zip(until).is_some_and(|(from, until)| until <= from) {
            return Err(usage("--to must be later than --from: no row can lie between them"));
        }
        let channels = self.channels.clone();
        Ok(Wanted { rows: self.rows, channels, from, until, zone: self.zone })
    }

    fn to_standard_output(&self, export: &Export<'_>) -> Result<(), Refusal> {
        // A line of progress would stand between the rows.
        let quiet = self.quiet || io::stdout().is_terminal();
        let out = BufWriter::new(io::stdout().lock());
        let written = self.as_csv(export, out, quiet).and_then(|(rows, mut out)| {
            out.flush().map_err(ExportError::Write)?;
            Ok(rows)
        });
        match written {
            Ok(0) => tell!("log {}: no {} there", self.log.display(), self.rows.word()),
            Ok(_) => {}
            // Whoever reads has enough.
            Err(ExportError::Write(error)) if error.kind() == ErrorKind::BrokenPipe => {}
            Err(error) => return Err(self.refused(error)),
        }
        Ok(())
    }

    fn to_file(&self, reader: &Reader, export: &Export<'_>, path: &Path) -> Result<u64, Refusal> {
        let write = || {
            // Without a handler it ends as any program does, and leaves the part.
            let stop = StopFlag::on_signals().unwrap_or_default();
            let file = File::create(path).map_err(ExportError::Write)?;
            let out = BufWriter::new(Breakable { file, stop });
            let (rows, out) = if self.out.as_deref().is_some_and(|out| is(out, "csv")) {
                self.as_csv(export, out, self.quiet)?
            } else {
                self.as_parquet(reader, export, out)?
            };
            let out = out.into_inner().map_err(|error| ExportError::Write(error.into_error()))?;
            out.file.sync_all().map_err(ExportError::Write)?;
            Ok(rows)
        };
        write().map_err(|error| self.refused(error))
    }

    fn as_csv<W: Write>(
        &self,
        export: &Export<'_>,
        out: W,
        quiet: bool,
    ) -> Result<(u64, W), ExportError> {
        let progress = Progress::new(export.pieces(), "parts", quiet);
        let mut sheet = CsvSheet::new(out, &export.headings(), self.zone)?;
        let rows = export.write(&mut sheet, &mut || progress.one_more());
        progress.clear();
        Ok((rows?, sheet.finish()?))
    }

    fn as_parquet<W: Write + Send>(
        &self,
        reader: &Reader,
        export: &Export<'_>,
        out: W,
    ) -> Result<(u64, W), ExportError> {
        let progress = Progress::new(export.pieces(), "parts", self.quiet);
        let boots = reader.boots()?;
        let newest = boots.iter().max_by_key(|boot| boot.began);
        let about = About {
            station: newest.map(|boot| boot.station.clone()).unwrap_or_default(),
            channels: self.channels.clone(),
            rows: self.rows.word().to_owned(),
            version: env!("CARGO_PKG_VERSION").to_owned(),
        };
        let mut sheet = ParquetSheet::new(out, &export.headings(), &about)?;
        let rows = export.write(&mut sheet, &mut || progress.one_more());
        progress.clear();
        Ok((rows?, sheet.finish()?))
    }

    fn refused(&self, error: ExportError) -> Refusal {
        match error {
            // Its text names the log already.
            ExportError::Store(error) => (Exit::Log, error.to_string()),
            ExportError::NoSuchChannel { .. } => {
                (Exit::Usage, format!("log {}: {error}", self.log.display()))
            }
            ExportError::Write(error) => {
                let place = self
                    .out
                    .as_deref()
                    .map_or_else(|| "standard output".to_owned(), |out| out.display().to_string());
                let text = format!("{place}: the table can't be written ({error})");
                (Exit::System, format!("{text}; make room or name another place with --out"))
            }
        }
    }
}

/// A file whose writing ends when somebody asks for it.
struct Breakable {
    file: File,
    stop: StopFlag,
}

impl Write for Breakable {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        if self.stop.is_raised() {
            return Err(io::Error::other("interrupted; what was there before is left as it was"));
        }
        self.file.write(bytes)
    }

    fn flush(&mut self) -> io::Result<()> {
        self.file.flush()
    }
}

fn is(path: &Path, ending: &str) -> bool {
    path.extension().is_some_and(|extension| extension.eq_ignore_ascii_case(ending))
}

fn parse_out(text: &str) -> Result<PathBuf, String> {
    let path = PathBuf::from(text);
    if is(&path, "csv") || is(&path, "parquet") {
        Ok(path)
    } else {
        Err("the table's name must end in .csv or .parquet, which says what it becomes".to_owned())
    }
}

/// An end: that of a date is its last moment.
fn parse_until(text: &str) -> Result<Moment, String> {
    match parse_moment(text)? {
        Moment::Local(midnight) if !text.contains(['T', 't', ' ']) => {
            let next = midnight.checked_add(jiff::Span::new().days(1));
            next.map(Moment::Local).map_err(|_| "a date within the calendar's range".to_owned())
        }
        moment => Ok(moment),
    }
}

fn parse_moment(text: &str) -> Result<Moment, String> {
    if let Ok(at) = text.parse() {
        return Ok(Moment::At(at));
    }
    text.parse().map(Moment::Local).map_err(|_| {
        "write a date such as 2026-06-21, or date and time such as 2026-06-21T06:00 or \
         2026-06-21T06:00:00+01:00"
            .to_owned()
    })
}
