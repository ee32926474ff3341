//! What a campaign came to: tables for a terminal and one value for JSON, of the same numbers.

use super::season_log::Rating;
use super::table::align;
use crate::quantities::{WattHours, Watts};
use crate::season::{
    Day, Degradation, Device, Difference, Exclusion, LIGHT, Losses, MatrixPoint, POINTS,
    PowerMatrix, Quantity, Reason, Season, Totals, side_by_side,
};
use crate::store::ChannelRow;
use serde::Serialize;
use std::fmt::Write as _;

/// From this total on energies are shown in kWh (Wh).
const MANY: f64 = 10_000.0;
/// More minutes beyond the rating than this share of the light are no faults of a meter.
const TOO_OFTEN: f64 = 0.05;
/// Lines of exclusions on a terminal.
const SHOWN: usize = 30;
/// A day must have so much of its light to be set beside another channel's (share): half a day is other
/// weather.
const WHOLE: f64 = 0.9;

/// The seasons of a log's channels.
#[derive(Clone, Debug, Serialize)]
pub struct SeasonReport {
    /// The log.
    pub log: String,
    /// By channel.
    pub channels: Vec<ChannelTold>,
    /// Channels side by side.
    pub pairs: Vec<PairTold>,
}

/// One channel's season.
#[derive(Clone, Debug, Serialize)]
pub struct ChannelTold {
    /// Its name.
    pub channel: String,
    /// Kind of device, newest.
    pub device: String,
    /// Tracker, newest.
    pub tracker: String,
    /// Power at 1000 W/m2 and 25 degC (W).
    pub rated_w: Option<f64>,
    /// The curves that the rating is the median of; 0 where it was stated.
    pub rated_by_curves: Option<usize>,
    /// Temperature coefficient of power (%/K).
    pub gamma_percent_per_k: Option<f64>,
    /// All of it.
    pub total: PeriodTold,
    /// By month.
    pub months: Vec<PeriodTold>,
    /// By day.
    pub days: Vec<PeriodTold>,
    /// What doesn't count.
    pub exclusions: Vec<ExclusionTold>,
    /// Change in a year.
    pub degradation: Option<DegradationTold>,
    /// Power by irradiance and temperature, the points that the minutes fill.
    pub power_matrix: Vec<MatrixTold>,
    /// What is missing, and how to get it.
    pub notes: Vec<String>,
}

/// Figures of a day, a month, or all.
#[derive(Clone, Debug, Serialize)]
pub struct PeriodTold {
    /// Which, ISO 8601, or `all`.
    pub period: String,
    /// How long it is (h).
    pub hours: f64,
    /// Energy delivered (Wh).
    pub energy_wh: f64,
    /// Of the minutes whose irradiance and power count (Wh).
    pub counted_energy_wh: f64,
    /// Of the same minutes (Wh/m2).
    pub irradiation_wh_m2: f64,
    /// Irradiation over 1000 W/m2 (h).
    pub reference_yield_h: f64,
    /// Counted energy over rating (h).
    pub final_yield_h: Option<f64>,
    /// Final over reference yield.
    pub performance_ratio: Option<f64>,
    /// The same, corrected to 25 degC.
    pub performance_ratio_25_degc: Option<f64>,
    /// Energy over rating around the clock.
    pub capacity_factor: Option<f64>,
    /// Share of the light in which the channel held the device.
    pub availability: Option<f64>,
    /// Share of the light in which irradiance and power count.
    pub completeness: Option<f64>,
    /// Minutes of light.
    pub light_min: u32,
    /// Of these, concluded from other days.
    pub presumed_light_min: u32,
    /// Energy at the crest (Wh), on a simulated plant.
    pub crest_wh: Option<f64>,
    /// Energy over that.
    pub of_crest: Option<f64>,
    /// Where the rest went.
    pub losses: Option<LossesTold>,
}

/// Energy by where it went (Wh); losses are positive.
#[derive(Clone, Copy, Debug, Serialize)]
pub struct LossesTold {
    /// Rating times reference yield.
    pub reference_wh: f64,
    /// By the module's temperature.
    pub temperature_wh: Option<f64>,
    /// Low light, spectrum, dirt, shade, tracker and errors together.
    pub rest_wh: f64,
    /// By sweeps.
    pub sweeps_wh: f64,
    /// Asleep or starting.
    pub asleep_wh: f64,
    /// Let go, stopped, without a link, or missing.
    pub outages_wh: f64,
    /// What was delivered.
    pub measured_wh: f64,
    /// Reference energy of minutes whose temperature is not known.
    pub temperature_unknown_wh: f64,
}

/// A stretch of time that doesn't count.
#[derive(Clone, Debug, Serialize)]
pub struct ExclusionTold {
    /// Start, ISO 8601.
    pub from: String,
    /// End.
    pub until: String,
    /// The channel.
    pub channel: String,
    /// What doesn't count.
    pub quantity: &'static str,
    /// Why.
    pub reason: &'static str,
    /// Minutes lost.
    pub minutes: u32,
}

/// A point of the power matrix.
#[derive(Clone, Copy, Debug, Serialize)]
pub struct MatrixTold {
    /// Irradiance (W/m2).
    pub irradiance_w_m2: f64,
    /// Temperature of the module (degC).
    pub module_degc: f64,
    /// Power (W).
    pub power_w: f64,
    /// Its standard error by the minutes' scatter (W).
    pub standard_error_w: f64,
    /// Minutes that it is from.
    pub minutes: usize,
}

impl From<&MatrixPoint> for MatrixTold {
    fn from(point: &MatrixPoint) -> Self {
        Self {
            irradiance_w_m2: point.irradiance.0,
            module_degc: point.module.0,
            power_w: point.watts.0,
            standard_error_w: point.error.0,
            minutes: point.minutes,
        }
    }
}

/// The yearly change.
#[derive(Clone, Copy, Debug, Serialize)]
pub struct DegradationTold {
    /// Rate (%/year).
    pub percent_per_year: f64,
    /// Its 95 % interval.
    pub low: f64,
    /// The upper end.
    pub high: f64,
    /// Days that count.
    pub days: usize,
    /// Pairs of days.
    pub pairs: usize,
}

/// Two channels side by side.
#[derive(Clone, Debug, Serialize)]
pub struct PairTold {
    /// The one.
    pub channel: String,
    /// The other.
    pub other: String,
    /// What is compared.
    pub figure: &'static str,
    /// How much more the one has, the mean of days.
    pub difference: f64,
    /// Its 95 % interval.
    pub interval: Option<(f64, f64)>,
    /// Days that both know.
    pub days: usize,
    /// Whether the interval lies on one side of zero.
    pub clear: bool,
}

/// A season with what it is of.
#[derive(Debug)]
pub struct Told<'a> {
    /// The channel.
    pub channel: &'a ChannelRow,
    /// Its rating.
    pub rating: Option<Rating>,
    /// Temperature coefficient of power (1/K).
    pub gamma: Option<f64>,
    /// What it came to.
    pub season: &'a Season,
}

impl Told<'_> {
    /// What is known of the device.
    #[must_use]
    pub fn device(rating: Option<Rating>, gamma: Option<f64>) -> Device {
        Device { rated: rating.map(|rating| rating.watts), gamma }
    }

    /// Daily performance ratios, corrected to 25 degC if asked for, of days whose light is known.
    fn ratios(&self, corrected: bool) -> Option<Vec<(i64, f64)>> {
        let rated = self.rating?.watts;
        let whole = |day: &&Day| day.totals.completeness().is_some_and(|share| share >= WHOLE);
        let ratio = |day: &Day| {
            let totals = &day.totals;
            let plain = || totals.counted.performance_ratio(rated);
            let ratio = if corrected { totals.corrected_ratio(rated) } else { plain() };
            Some((day.number, ratio?))
        };
        Some(self.season.days.iter().filter(whole).filter_map(ratio).collect())
    }
}

impl SeasonReport {
    /// Puts seasons together; pairs are the first channel with each other one.
    #[must_use]
    pub fn new(log: String, told: &[Told<'_>], seed: u64) -> Self {
        let pairs = told.split_first().map_or_else(Vec::new, |(first, others)| {
            others.iter().filter_map(|other| pair(first, other, seed)).collect()
        });
        Self { log, channels: told.iter().map(ChannelTold::new).collect(), pairs }
    }

    /// The tables for a terminal.
    #[must_use]
    pub fn tables(&self) -> String {
        let parts: Vec<String> = self.channels.iter().map(ChannelTold::tables).collect();
        let mut text = parts.join("\n");
        if !self.pairs.is_empty() {
            text.push_str(&side_by_side_table(&self.pairs));
        }
        text.push_str(
            "\nYr: irradiation / 1000 W/m2; Yf: energy / rating; PR: Yf / Yr, over the minutes whose \
             irradiance and power\nboth count, after IEC 61724-1. Available, complete: shares of the \
             minutes of light",
        );
        let _ = writeln!(text, " ({LIGHT:.0} or more).");
        text
    }
}

fn pair(one: &Told<'_>, other: &Told<'_>, seed: u64) -> Option<PairTold> {
    let corrected = one.gamma.is_some() && other.gamma.is_some();
    let found = side_by_side(&one.ratios(corrected)?, &other.ratios(corrected)?, seed)?;
    let Difference { mean, interval, days } = found;
    Some(PairTold {
        channel: one.channel.name.clone(),
        other: other.channel.name.clone(),
        figure: if corrected { "daily PR at 25 degC" } else { "daily PR" },
        difference: mean,
        interval,
        days,
        clear: found.is_clear(),
    })
}

impl ChannelTold {
    fn new(told: &Told<'_>) -> Self {
        let season = told.season;
        let rated = told.rating.map(|rating| rating.watts);
        let period = |name: &str, totals: &Totals| PeriodTold::new(name, totals, rated);
        let name = &told.channel.name;
        let degradation = season.degradation.as_ref();
        Self {
            channel: name.clone(),
            device: told.channel.device.clone(),
            tracker: told.channel.tracker.clone(),
            rated_w: rated.map(|rated| rated.0),
            rated_by_curves: told.rating.map(|rating| rating.curves),
            gamma_percent_per_k: told.gamma.map(|gamma| gamma * 100.0),
            total: period("all", &season.all),
            months: season.months.iter().map(|month| period(&month.name, &month.totals)).collect(),
            days: season.days.iter().map(|day| period(&day.date, &day.totals)).collect(),
            exclusions: season.exclusions.iter().map(|one| exclusion(name, one)).collect(),
            degradation: degradation.ok().map(DegradationTold::from),
            power_matrix: season.matrix.points.iter().map(MatrixTold::from).collect(),
            notes: notes(told),
        }
    }

    fn tables(&self) -> String {
        let mut text = format!("{}: {}, {}\n", self.channel, self.device, self.tracker);
        if let (Some(watts), Some(curves)) = (self.rated_w, self.rated_by_curves) {
            let source = match curves {
                0 => "stated".to_owned(),
                1 => "one good curve of the log".to_owned(),
                _ => format!("the median of {curves} good curves of the log"),
            };
            let _ = writeln!(text, "rating {watts:.2} W ({source})");
        }
        if let Some(gamma) = self.gamma_percent_per_k {
            let _ = writeln!(text, "temperature coefficient of power {gamma} %/K");
        }
        let _ = write!(text, "\n{}", self.periods());
        if let Some(losses) = &self.total.losses {
            let _ = write!(text, "\n{}", losses_table(losses));
        }
        if let Some(rate) = &self.degradation {
            let _ = writeln!(
                text,
                "\nyearly change {:+.2} % (95 %: {:+.2} % to {:+.2} %), year on year from {} pairs of {} days",
                rate.percent_per_year, rate.low, rate.high, rate.pairs, rate.days
            );
        }
        if !self.power_matrix.is_empty() {
            let _ = write!(text, "\n{}", matrix_table(&self.power_matrix));
        }
        let _ = write!(text, "\n{}", self.exclusion_table());
        for note in &self.notes {
            let _ = writeln!(text, "{note}");
        }
        text
    }

    fn periods(&self) -> String {
        let rated = self.rated_w.is_some();
        let warm = rated && self.gamma_percent_per_k.is_some();
        let crest = self.total.of_crest.is_some();
        let columns: [(&str, bool); 11] = [
            ("period", true),
            ("energy", true),
            ("irradiation", true),
            ("Yr", true),
            ("Yf", rated),
            ("PR", rated),
            ("PR 25 degC", warm),
            ("capacity", rated),
            ("available", true),
            ("complete", true),
            ("of crest", crest),
        ];
        let kilo = self.total.energy_wh >= MANY;
        let wanted = |cells: [String; 11]| -> Vec<String> {
            cells.into_iter().zip(columns).filter(|(_, of)| of.1).map(|(cell, _)| cell).collect()
        };
        let rows: Vec<Vec<String>> = self
            .months
            .iter()
            .chain(std::iter::once(&self.total))
            .map(|period| wanted(period.cells(kilo)))
            .collect();
        let head: Vec<&str> = columns.iter().filter(|of| of.1).map(|of| of.0).collect();
        align(&head, &rows)
    }

    fn exclusion_table(&self) -> String {
        let all = &self.exclusions;
        if all.is_empty() {
            return "excluded: nothing\n".to_owned();
        }
        let mut shown: Vec<&ExclusionTold> = all.iter().collect();
        shown.sort_by_key(|one| std::cmp::Reverse(one.minutes));
        let (left, lost) = shown
            .split_at(SHOWN.min(shown.len()))
            .1
            .iter()
            .fold((0, 0), |(count, minutes), one| (count + 1, minutes + u64::from(one.minutes)));
        shown.truncate(SHOWN);
        shown.sort_by_key(|one| one.from.as_str());
        let row = |one: &&ExclusionTold| {
            let time = |text: &str| text.replace(":00.000Z", "Z");
            vec![
                time(&one.from),
                time(&one.until),
                format!("{} min", one.minutes),
                one.quantity.to_owned(),
                one.reason.to_owned(),
            ]
        };
        let rows: Vec<Vec<String>> = shown.iter().map(row).collect();
        let mut text = align(&["excluded from", "until", "lost", "", ""], &rows);
        if left > 0 {
            let _ =
                writeln!(text, "and {left} more, which together lose {lost} min; --json has each");
        }
        text
    }
}

/// The matrix as its standard draws it.
fn matrix_table(points: &[MatrixTold]) -> String {
    let mut temperatures: Vec<f64> =
        POINTS.iter().flat_map(|(_, warm)| warm.iter().copied()).collect();
    temperatures.sort_by(f64::total_cmp);
    temperatures.dedup();
    let same = |a: f64, b: f64| (a - b).abs() < 1e-9;
    let cell = |light: f64, module: f64, known: &[f64]| {
        let at =
            |one: &&MatrixTold| same(one.irradiance_w_m2, light) && same(one.module_degc, module);
        match points.iter().find(at) {
            Some(one) => format!("{:.2} +- {:.2}", one.power_w, one.standard_error_w),
            None if known.iter().any(|one| same(*one, module)) => "-".to_owned(),
            None => String::new(),
        }
    };
    let rows = POINTS.iter().map(|(light, known)| {
        let cells = temperatures.iter().map(|module| cell(*light, *module, known));
        std::iter::once(format!("{light:.0} W/m2")).chain(cells).collect()
    });
    let rows: Vec<Vec<String>> = rows.collect();
    let heads: Vec<String> = temperatures.iter().map(|one| format!("{one:.0} degC")).collect();
    let mut header = vec!["power (W)"];
    header.extend(heads.iter().map(String::as_str));
    let (filled, wanted) = (points.len(), PowerMatrix::wanted());
    format!(
        "{}{filled} of the {wanted} points of IEC 61853-1 filled by steady minutes; +- standard error by \
         their scatter alone\n",
        align(&header, &rows)
    )
}

impl PeriodTold {
    fn new(name: &str, totals: &Totals, rated: Option<Watts>) -> Self {
        let counted = &totals.counted;
        Self {
            period: name.to_owned(),
            hours: totals.hours,
            energy_wh: totals.energy.0,
            counted_energy_wh: counted.energy.0,
            irradiation_wh_m2: counted.plane.0,
            reference_yield_h: counted.reference_yield(),
            final_yield_h: rated.map(|rated| counted.final_yield(rated)),
            performance_ratio: rated.and_then(|rated| counted.performance_ratio(rated)),
            performance_ratio_25_degc: rated.and_then(|rated| totals.corrected_ratio(rated)),
            capacity_factor: rated.and_then(|rated| totals.capacity_factor(rated)),
            availability: totals.availability(),
            completeness: totals.completeness(),
            light_min: totals.light,
            presumed_light_min: totals.presumed,
            crest_wh: totals.crest.map(|crest| crest.0),
            of_crest: totals.of_crest(),
            losses: totals.losses.as_ref().map(LossesTold::from),
        }
    }

    fn cells(&self, kilo: bool) -> [String; 11] {
        let hours = |hours: Option<f64>| hours.map_or("-".to_owned(), |h| format!("{h:.2} h"));
        let plain = |share: Option<f64>| share.map_or("-".to_owned(), |s| format!("{s:.4}"));
        let percent =
            |share: Option<f64>| share.map_or("-".to_owned(), |s| format!("{:.2} %", s * 100.0));
        let of = |value: f64, unit: &str| {
            if kilo {
                format!("{:.2} k{unit}", value / 1000.0)
            } else {
                format!("{value:.1} {unit}")
            }
        };
        [
            self.period.clone(),
            of(self.energy_wh, "Wh"),
            of(self.irradiation_wh_m2, "Wh/m2"),
            hours(Some(self.reference_yield_h)),
            hours(self.final_yield_h),
            plain(self.performance_ratio),
            plain(self.performance_ratio_25_degc),
            percent(self.capacity_factor),
            percent(self.availability),
            percent(self.completeness),
            percent(self.of_crest),
        ]
    }
}

impl From<&Losses> for LossesTold {
    fn from(losses: &Losses) -> Self {
        Self {
            reference_wh: losses.reference.0,
            temperature_wh: losses.temperature.map(|WattHours(lost)| lost),
            rest_wh: losses.rest.0,
            sweeps_wh: losses.sweeps.0,
            asleep_wh: losses.asleep.0,
            outages_wh: losses.outages.0,
            measured_wh: losses.measured.0,
            temperature_unknown_wh: losses.temperature_unknown.0,
        }
    }
}

impl From<&Degradation> for DegradationTold {
    fn from(found: &Degradation) -> Self {
        let Degradation { rate, low, high, days, pairs } = *found;
        Self { percent_per_year: rate, low, high, days, pairs }
    }
}

fn exclusion(channel: &str, one: &Exclusion) -> ExclusionTold {
    ExclusionTold {
        from: one.from.to_string(),
        until: one.until.to_string(),
        channel: channel.to_owned(),
        quantity: one.quantity.word(),
        reason: one.reason.word(),
        minutes: one.minutes,
    }
}

impl LossesTold {
    /// From what the light offered to what was measured: names and energies (Wh), losses below zero.
    pub(super) fn terms(&self) -> Vec<(&'static str, f64)> {
        let rest = if self.temperature_wh.is_some() {
            "rest: low light, spectrum, dirt, shade, tracker, errors"
        } else {
            "rest: temperature, low light, spectrum, dirt, shade, tracker, errors"
        };
        let mut terms = vec![("reference: rating x Yr", self.reference_wh)];
        terms.extend(self.temperature_wh.map(|lost| ("temperature, against 25 degC", -lost)));
        terms.extend([
            (rest, -self.rest_wh),
            ("sweeps", -self.sweeps_wh),
            ("asleep or starting", -self.asleep_wh),
            ("outages", -self.outages_wh),
            ("measured", self.measured_wh),
        ]);
        terms
    }
}

fn losses_table(losses: &LossesTold) -> String {
    let whole = losses.reference_wh;
    let rows: Vec<Vec<String>> = losses
        .terms()
        .into_iter()
        .map(|(name, wh)| {
            let share = 100.0 * wh / whole;
            let share = if whole > 0.0 { format!("{} %", fixed(share, 2)) } else { "-".to_owned() };
            vec![name.to_owned(), format!("{} Wh", fixed(wh, 1)), share]
        })
        .collect();
    align(&["where the energy went", "energy", "of reference"], &rows)
}

/// With so many digits, and no minus before a nothing.
pub(super) fn fixed(value: f64, digits: usize) -> String {
    let text = format!("{value:.digits$}");
    let nothing = text.bytes().all(|byte| b"-0.".contains(&byte));
    if nothing { text.replace('-', "") } else { text }
}

fn side_by_side_table(pairs: &[PairTold]) -> String {
    let row = |pair: &PairTold| {
        let interval = pair
            .interval
            .map_or("too few days".to_owned(), |(low, high)| format!("{low:+.4} to {high:+.4}"));
        let verdict = match (pair.interval, pair.clear) {
            (None, _) => "",
            (Some(_), true) => "apart",
            (Some(_), false) => "not apart",
        };
        vec![
            format!("{} less {}", pair.channel, pair.other),
            pair.figure.to_owned(),
            format!("{:+.4}", pair.difference),
            interval,
            pair.days.to_string(),
            verdict.to_owned(),
        ]
    };
    let rows: Vec<Vec<String>> = pairs.iter().map(row).collect();
    let head = ["side by side", "figure", "difference", "95 %", "days", ""];
    format!("\n{}", align(&head, &rows))
}

/// What is missing, and how to get it.
/// Minutes whose power is outside its limits.
fn beyond_the_rating(season: &Season) -> u32 {
    let is = |one: &&Exclusion| one.quantity == Quantity::Power && one.reason == Reason::Limits;
    season.exclusions.iter().filter(is).map(|one| one.minutes).sum()
}

fn notes(told: &Told<'_>) -> Vec<String> {
    let (season, name) = (told.season, &told.channel.name);
    let mut notes = Vec::new();
    if !season.has_irradiance {
        notes.push(format!("{name} has no irradiance in the log: energy alone, no yields"));
        return notes;
    }
    if told.rating.is_none() {
        notes.push(format!(
            "no good curve in 800 to 1200 W/m2 tells the rating; yields, ratios, capacity and losses need\n  \
             --rated {name}=WATTS (at 1000 W/m2 and 25 degC)"
        ));
    }
    if let Some(rating) = told.rating
        && let beyond = beyond_the_rating(season)
        && f64::from(beyond) > TOO_OFTEN * f64::from(season.all.light)
    {
        notes.push(format!(
            "{beyond} of {} minutes of light lie beyond what a device of {:.4} W can give: is that its rating?",
            season.all.light, rating.watts.0
        ));
    }
    match (told.gamma, season.has_temperature) {
        (None, _) => notes.push(format!(
            "figures at 25 degC and the yearly change need the temperature coefficient of power:\n  \
             --gamma {name}=%/K (of the data sheet, with its sign)"
        )),
        (Some(_), false) => notes.push(format!(
            "{name} has no module temperature in the log: no figures at 25 degC"
        )),
        (Some(_), true) => {
            notes.extend(season.degradation.as_ref().err().map(ToString::to_string));
        }
    }
    notes
}
