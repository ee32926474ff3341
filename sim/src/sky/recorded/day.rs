//! A recorded day: one-minute rows of a CSV file, read strictly.
//!
//! Model: columns are found by name, in any order; unknown ones are ignored. Every problem of the
//! file is collected, up to [`MOST_PROBLEMS`](super::MOST_PROBLEMS), and reported at once with its line and column, so
//! that a file is mended in one go. A `Day` that exists is whole: minutes without gap, in order.
//!
//! Columns: `time_utc` (start of the minute, ISO 8601), `ghi`, `dni`, `dhi` (W/m2), `temp_air`
//! (degC), `pressure` (hPa); optional `wind_speed` (m/s); optional, but all three or none,
//! `ghi_std`, `ghi_min`, `ghi_max` (W/m2): the statistics of the minute's samples.
//!
//! Two mercies: a pyranometer looking at the night sky reads a little below zero, so values from
//! -[`NIGHT_OFFSET`] to zero are taken as zero; and in one row either `dni` or `dhi` may be blank,
//! as the other two components give it (global = direct cos z + diffuse).

use super::problem::{DayError, Fault, Problem, Problems};
use crate::quantities::{Celsius, Irradiance, MetresPerSecond};
use crate::time::Utc;
use std::path::Path;

/// Largest irradiance taken, global or diffuse (W/m2). The largest global ever reported is 2177
/// (Cordero et al. 2023, BAMS 104(6), read in a press copy).
pub const LARGEST_GLOBAL: f64 = 2200.0;
/// Largest direct normal irradiance taken (W/m2): outside the atmosphere at perihelion it is 1414,
/// [`super::super::sun::extraterrestrial`]; the rest is instrument error.
pub const LARGEST_DIRECT: f64 = 1450.0;
/// How far below zero an irradiance may be read (W/m2); such values become zero. Thermal offsets
/// of some W/m2 are usual (the second reference day has -4.4), beyond this an instrument is faulty.
pub const NIGHT_OFFSET: f64 = 15.0;
/// How far a minute's mean may lie outside its own minimum and maximum (W/m2): records are rounded
/// to whole W/m2.
const ROUNDING: f64 = 1.0;
/// Air temperatures taken (degC); the extremes on record are -89 and 57.
const AIR_RANGE: (f64, f64) = (-90.0, 60.0);
/// Pressures taken (hPa): from the summit of Everest to the Dead Sea's shore.
const PRESSURE_RANGE: (f64, f64) = (300.0, 1100.0);
/// Wind speeds taken (m/s): up to a hurricane's.
const WIND_RANGE: (f64, f64) = (0.0, 75.0);
/// Fewest minutes that make a day worth having.
const FEWEST_MINUTES: usize = 2;
/// Microseconds of a minute.
const MINUTE: i64 = 60_000_000;

/// One recorded minute.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Minute {
    /// Mean global horizontal irradiance (W/m2).
    pub global: Irradiance,
    /// Spread of the global irradiance within the minute, where recorded.
    pub spread: Option<Spread>,
    /// Mean direct normal irradiance (W/m2); none where blank.
    pub direct: Option<Irradiance>,
    /// Mean diffuse horizontal irradiance (W/m2); none where blank.
    pub diffuse: Option<Irradiance>,
    /// Mean air temperature (degC).
    pub air: Celsius,
    /// Mean wind speed (m/s), where recorded.
    pub wind: Option<MetresPerSecond>,
    /// Mean air pressure (hPa).
    pub pressure: f64,
}

/// How the samples of one minute were spread.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Spread {
    /// Standard deviation of the samples (W/m2).
    pub deviation: Irradiance,
    /// Least sample (W/m2).
    pub least: Irradiance,
    /// Greatest sample (W/m2).
    pub greatest: Irradiance,
}

/// A recorded day (or any span of at least two minutes), whole and in order.
#[derive(Clone, Debug, PartialEq)]
pub struct Day {
    start: Utc,
    minutes: Vec<Minute>,
}

impl Day {
    /// Reads a day from a file.
    ///
    /// # Errors
    /// [`DayError`] lists what is wrong with the file.
    pub fn load(path: &Path) -> Result<Self, DayError> {
        let name = path.display().to_string();
        let text = std::fs::read_to_string(path).map_err(|error| DayError {
            file: name.clone(),
            problems: vec![Problem {
                line: 0,
                column: "",
                fault: Fault::Unreadable(error.to_string()),
            }],
            more: 0,
        })?;
        Self::parse(&name, &text)
    }

    /// Reads a day from text; `name` is what problems call the file.
    ///
    /// ```
    /// use cresthold_sim::sky::recorded::Day;
    /// let text = "time_utc,ghi,dni,dhi,temp_air,pressure\n\
    ///             2016-06-15T10:00:00Z,958,953,130,18.3,947\n\
    ///             2016-06-15T10:02:00Z,961,952,135,18.5,94.7\n";
    /// let error = Day::parse("noon.csv", text).unwrap_err().to_string();
    /// assert_eq!(
    ///     error,
    ///     "noon.csv: line 3, column pressure: 94.7 hPa is impossible; 300..=1100 hPa would be \
    ///      right\n\
    ///      noon.csv: line 3, column time_utc: 1 minute(s) missing before \
    ///      2016-06-15T10:02:00.000Z; fill them or cut the record there"
    /// );
    /// ```
    ///
    /// # Errors
    /// [`DayError`] lists what is wrong with the text.
    pub fn parse(name: &str, text: &str) -> Result<Self, DayError> {
        let mut reader = csv::ReaderBuilder::new()
            .flexible(true)
            .has_headers(false)
            .trim(csv::Trim::All)
            .from_reader(text.as_bytes());
        let mut problems = Problems::default();
        let mut rows = reader.records();
        let header = rows.next().and_then(Result::ok).unwrap_or_default();
        let columns = Columns::find(&header, &mut problems);
        let mut day = Self { start: Utc::default(), minutes: Vec::new() };
        if let Some(columns) = columns {
            day.collect(&columns, rows, &mut problems);
        }
        if problems.is_empty() { Ok(day) } else { Err(problems.into_error(name)) }
    }

    fn collect<'a>(
        &mut self,
        columns: &Columns,
        rows: impl Iterator<Item = csv::Result<csv::StringRecord>> + 'a,
        problems: &mut Problems,
    ) {
        let mut before = None;
        let mut count = 0;
        let mut last_line = 1;
        for row in rows {
            let row = match row {
                Ok(row) => row,
                Err(error) => {
                    problems.add(last_line + 1, "", Fault::Unreadable(error.to_string()));
                    return;
                }
            };
            count += 1;
            let line = row.position().map_or(0, csv::Position::line);
            last_line = line;
            let mut cells = Cells { row: &row, line, problems };
            if row.len() != columns.width {
                let fault = Fault::Fields { found: row.len(), expected: columns.width };
                cells.report("", fault);
                continue;
            }
            let minute = cells.minute(columns);
            let stamp = cells.stamp(columns.time, before);
            if before.is_none() {
                self.start = stamp.unwrap_or_default();
            }
            before = stamp;
            self.minutes.extend(minute);
        }
        if count < FEWEST_MINUTES {
            problems.add(last_line, "", Fault::TooShort(count));
        }
    }

    /// Start of the first minute.
    #[must_use]
    pub const fn start(&self) -> Utc {
        self.start
    }

    /// End of the last minute.
    #[must_use]
    pub fn end(&self) -> Utc {
        let minutes = i64::try_from(self.minutes.len()).unwrap_or(i64::MAX);
        Utc::from_micros(self.start.as_micros().saturating_add(minutes.saturating_mul(MINUTE)))
    }

    /// The minutes, in order and without gap.
    #[must_use]
    pub fn minutes(&self) -> &[Minute] {
        &self.minutes
    }
}

/// Where each column stands in a row.
struct Columns {
    width: usize,
    time: usize,
    global: usize,
    direct: usize,
    diffuse: usize,
    air: usize,
    pressure: usize,
    wind: Option<usize>,
    spread: Option<[usize; 3]>,
}

const STATISTICS: [&str; 3] = ["ghi_std", "ghi_min", "ghi_max"];

impl Columns {
    fn find(header: &csv::StringRecord, problems: &mut Problems) -> Option<Self> {
        let mut place = |name: &'static str, missing: Option<Fault>| {
            let mut places = (0..header.len()).filter(|&index| header.get(index) == Some(name));
            let first = places.next();
            if places.next().is_some() {
                problems.add(1, name, Fault::RepeatedColumn);
            }
            if let (None, Some(fault)) = (first, missing) {
                problems.add(1, name, fault);
            }
            first
        };
        let required = ["time_utc", "ghi", "dni", "dhi", "temp_air", "pressure"]
            .map(|name| place(name, Some(Fault::MissingColumn)));
        let any = STATISTICS.iter().any(|&name| header.iter().any(|field| field == name));
        let spread = STATISTICS.map(|name| place(name, any.then_some(Fault::HalfStatistics)));
        let wind = place("wind_speed", None);
        let [time, global, direct, diffuse, air, pressure] = required;
        let [deviation, least, greatest] = spread;
        Some(Self {
            width: header.len(),
            time: time?,
            global: global?,
            direct: direct?,
            diffuse: diffuse?,
            air: air?,
            pressure: pressure?,
            wind,
            spread: if any { Some([deviation?, least?, greatest?]) } else { None },
        })
    }
}

/// One row under the reader's eye.
struct Cells<'a> {
    row: &'a csv::StringRecord,
    line: u64,
    problems: &'a mut Problems,
}

impl Cells<'_> {
    fn report(&mut self, column: &'static str, fault: Fault) {
        self.problems.add(self.line, column, fault);
    }

    /// A number or nothing; text that is neither is reported and `Err`.
    fn number(&mut self, index: usize, column: &'static str) -> Result<Option<f64>, ()> {
        let text = self.row.get(index).unwrap_or_default();
        if text.is_empty() {
            return Ok(None);
        }
        match text.parse::<f64>() {
            Ok(value) if value.is_nan() => Ok(None),
            Ok(value) => Ok(Some(value)),
            Err(_) => {
                self.report(column, Fault::NotANumber(text.to_owned()));
                Err(())
            }
        }
    }

    fn within(
        &mut self,
        value: f64,
        column: &'static str,
        (least, greatest): (f64, f64),
        unit: &'static str,
    ) -> Option<f64> {
        if (least..=greatest).contains(&value) {
            return Some(value);
        }
        self.report(column, Fault::Impossible { value, least, greatest, unit });
        None
    }

    fn required(
        &mut self,
        index: usize,
        column: &'static str,
        range: (f64, f64),
        unit: &'static str,
    ) -> Option<f64> {
        match self.number(index, column) {
            Ok(Some(value)) => self.within(value, column, range, unit),
            Ok(None) => {
                self.report(column, Fault::Blank);
                None
            }
            Err(()) => None,
        }
    }

    fn irradiance(&mut self, index: usize, column: &'static str) -> Option<Irradiance> {
        let range = (-NIGHT_OFFSET, LARGEST_GLOBAL);
        self.required(index, column, range, "W/m2").map(|value| Irradiance(value.max(0.0)))
    }

    /// Direct and diffuse; at most one of them blank.
    fn components(
        &mut self,
        columns: &Columns,
    ) -> Option<(Option<Irradiance>, Option<Irradiance>)> {
        let direct = self.number(columns.direct, "dni");
        let diffuse = self.number(columns.diffuse, "dhi");
        if direct == Ok(None) && diffuse == Ok(None) {
            self.report("dhi", Fault::BothBlank);
            return None;
        }
        let mut checked = |value: Option<f64>, column, largest| match value {
            None => Some(None),
            Some(value) => self
                .within(value, column, (-NIGHT_OFFSET, largest), "W/m2")
                .map(|value| Some(Irradiance(value.max(0.0)))),
        };
        let direct = direct.ok().and_then(|value| checked(value, "dni", LARGEST_DIRECT));
        let diffuse = diffuse.ok().and_then(|value| checked(value, "dhi", LARGEST_GLOBAL));
        Some((direct?, diffuse?))
    }

    fn spread(&mut self, [deviation, least, greatest]: [usize; 3]) -> Option<Spread> {
        let deviation = self.irradiance(deviation, STATISTICS[0]);
        let least = self.irradiance(least, STATISTICS[1]);
        let greatest = self.irradiance(greatest, STATISTICS[2]);
        Some(Spread { deviation: deviation?, least: least?, greatest: greatest? })
    }

    fn minute(&mut self, columns: &Columns) -> Option<Minute> {
        let global = self.irradiance(columns.global, "ghi");
        let spread = columns.spread.map(|places| self.spread(places));
        let components = self.components(columns);
        let air = self.required(columns.air, "temp_air", AIR_RANGE, "degC");
        let wind = columns.wind.map(|index| self.required(index, "wind_speed", WIND_RANGE, "m/s"));
        let pressure = self.required(columns.pressure, "pressure", PRESSURE_RANGE, "hPa");
        if let (Some(mean), Some(Some(Spread { least, greatest, .. }))) = (global, spread)
            && !(least.0 - ROUNDING..=greatest.0 + ROUNDING).contains(&mean.0)
        {
            let (least, greatest) = (least.0, greatest.0);
            self.report("ghi", Fault::OutsideSpread { mean: mean.0, least, greatest });
        }
        let (direct, diffuse) = components?;
        Some(Minute {
            global: global?,
            spread: flatten(spread)?,
            direct,
            diffuse,
            air: Celsius(air?),
            wind: flatten(wind)?.map(MetresPerSecond),
            pressure: pressure?,
        })
    }

    /// The stamp to judge the next row by: this row's, or where that is wrong, what it should be.
    fn stamp(&mut self, index: usize, before: Option<Utc>) -> Option<Utc> {
        let text = self.row.get(index).unwrap_or_default();
        let Ok(stamp) = text.parse::<Utc>() else {
            self.report("time_utc", Fault::NotATime(text.to_owned()));
            return before.map(|before| Utc::from_micros(before.as_micros() + MINUTE));
        };
        if stamp != stamp.minute_start() {
            self.report("time_utc", Fault::NotAMinute(stamp));
        }
        let stamp = stamp.minute_start();
        let Some(before) = before else { return Some(stamp) };
        let step = stamp.as_micros().saturating_sub(before.as_micros());
        if step < 0 {
            self.report("time_utc", Fault::OutOfOrder { stamp, before });
            return Some(before);
        } else if step == 0 {
            self.report("time_utc", Fault::Duplicate(stamp));
        } else if step > MINUTE {
            self.report("time_utc", Fault::Gap { stamp, missing: step / MINUTE - 1 });
        }
        Some(stamp)
    }
}

/// A column that isn't there is fine; one whose value is refused is not.
fn flatten<T>(column: Option<Option<T>>) -> Option<Option<T>> {
    match column {
        None => Some(None),
        Some(None) => None,
        Some(value) => Some(value),
    }
}
