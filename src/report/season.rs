//! What a campaign came to: one value for JSON, and tables for a terminal, of the same numbers.

mod curves;
mod tables;

pub use curves::{BrightestDay, CurveTold, FigureTold};

use super::season_doubts::SeasonDoubts;
use super::season_log::Rating;
use crate::quantities::{STC_IRRADIANCE, STC_TEMPERATURE, WattHours, Watts};
use crate::season::{
    Day, Degradation, Device, Difference, Exclusion, Losses, MatrixPoint, Quantity, Reason, Season,
    Totals, Tracked, side_by_side,
};
use crate::store::ChannelRow;
use crate::yields::{OverBack, read};
use serde::Serialize;
use std::fmt::Write as _;
pub(super) use tables::fixed;

/// More minutes beyond the rating than this share of the light are no faults of a meter.
const TOO_OFTEN: f64 = 0.05;
/// What is in the rest of the losses whatever is known.
const REST: [&str; 4] = ["spectrum", "dirt", "shade", "errors"];
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
    /// How much warmer than the module's back its cells were taken to be at 1000 W/m2 (K); none where the log
    /// has no module temperature.
    pub cell_over_back_k: Option<f64>,
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
    /// Its curves, in the order of time.
    pub curves: Vec<CurveTold>,
    /// How sure energy, irradiation and ratios are, where the station states its instruments.
    pub expanded: Option<ExpandedTold>,
    /// The share of the crest that its tracker takes, as curves show it.
    pub tracked_by_curves: Option<TrackedTold>,
    /// Its brightest day, for a picture; the log has the minutes.
    #[serde(skip)]
    pub brightest: Option<BrightestDay>,
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
    /// Share of the light that has readings of irradiance and power which count.
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
    /// By the cells' temperature.
    pub temperature_wh: Option<f64>,
    /// By weak light; none where the power matrix doesn't tell.
    pub low_light_wh: Option<f64>,
    /// By the tracker; none where neither the plant nor curves tell.
    pub tracker_wh: Option<f64>,
    /// Spectrum, dirt, shade and errors together, and what isn't known of the three above.
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

/// Expanded uncertainties (%, k = 2), by errors that do not average out; a rating is taken as exact.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct ExpandedTold {
    /// Of energies.
    pub energy_percent: f64,
    /// Of irradiations; none where nothing is stated of the sensor.
    pub irradiation_percent: Option<f64>,
    /// Of performance ratios.
    pub performance_ratio_percent: Option<f64>,
}

impl From<SeasonDoubts> for ExpandedTold {
    fn from(doubts: SeasonDoubts) -> Self {
        let SeasonDoubts { energy, irradiation } = doubts;
        Self {
            energy_percent: energy * 100.0,
            irradiation_percent: irradiation.map(|light| light * 100.0),
            performance_ratio_percent: irradiation.map(|light| light.hypot(energy) * 100.0),
        }
    }
}

/// The share of the crest that a tracker takes: power over irradiance in the minute before a good curve, over that
/// at the curve's crest; the median of many.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct TrackedTold {
    /// The share.
    pub share: f64,
    /// Its standard error.
    pub standard_error: f64,
    /// Of so many curves.
    pub curves: usize,
}

/// A point of the power matrix.
#[derive(Clone, Copy, Debug, Serialize)]
pub struct MatrixTold {
    /// Irradiance (W/m2).
    pub irradiance_w_m2: f64,
    /// Temperature of the cells (degC).
    pub cell_degc: f64,
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
            cell_degc: point.cell.0,
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
pub struct Told {
    /// The channel.
    pub channel: ChannelRow,
    /// Its rating.
    pub rating: Option<Rating>,
    /// Temperature coefficient of power (1/K).
    pub gamma: Option<f64>,
    /// How warm its cells were taken to be.
    pub over_back: OverBack,
    /// What it came to.
    pub season: Season,
    /// Its curves.
    pub curves: Vec<CurveTold>,
    /// Its brightest day.
    pub brightest: Option<BrightestDay>,
    /// The share of the crest that its tracker takes, as curves show it.
    pub tracked: Option<Tracked>,
    /// How sure energy and irradiation are.
    pub doubts: Option<SeasonDoubts>,
}

impl Told {
    /// What is known of the device.
    #[must_use]
    pub fn device(rating: Option<Rating>, gamma: Option<f64>, over_back: OverBack) -> Device {
        Device { rated: rating.map(|rating| rating.watts), gamma, over_back }
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
    pub fn new(log: String, told: &[Told], seed: u64) -> Self {
        let pairs = told.split_first().map_or_else(Vec::new, |(first, others)| {
            others.iter().filter_map(|other| pair(first, other, seed)).collect()
        });
        Self { log, channels: told.iter().map(ChannelTold::new).collect(), pairs }
    }
}

fn pair(one: &Told, other: &Told, seed: u64) -> Option<PairTold> {
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

impl ExpandedTold {
    /// In a sentence.
    pub(super) fn words(&self) -> String {
        let of = |name: &str, percent: Option<f64>| {
            percent.map_or(String::new(), |percent| format!(", {name} {percent:.2} %"))
        };
        format!(
            "expanded uncertainties (k = 2) by what the station states of its instruments:\n  \
             energy {:.2} %{}{}",
            self.energy_percent,
            of("irradiation", self.irradiation_percent),
            of("performance ratio", self.performance_ratio_percent)
        )
    }
}

impl ChannelTold {
    fn new(told: &Told) -> Self {
        let season = &told.season;
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
            cell_over_back_k: season.has_temperature.then(|| told.over_back.kelvin()),
            total: period("all", &season.all),
            months: season.months.iter().map(|month| period(&month.name, &month.totals)).collect(),
            days: season.days.iter().map(|day| period(&day.date, &day.totals)).collect(),
            exclusions: season.exclusions.iter().map(|one| exclusion(name, one)).collect(),
            degradation: degradation.ok().map(DegradationTold::from),
            curves: told.curves.clone(),
            brightest: told.brightest.clone(),
            expanded: told.doubts.map(ExpandedTold::from),
            tracked_by_curves: told.tracked.map(|one| TrackedTold {
                share: one.share,
                standard_error: one.error,
                curves: one.curves,
            }),
            power_matrix: season.matrix.points.iter().map(MatrixTold::from).collect(),
            notes: notes(told),
        }
    }
}

/// A power matrix as CSV, as [`crate::yields::read::matrix`] reads it; `source` says whose it is. Where no minutes tell the power at 1000 W/m2
/// and 25 degC, which is rarely met outdoors, the rating stands for it.
#[must_use]
pub fn matrix_csv(points: &[MatrixTold], rated_w: Option<f64>, source: &str) -> String {
    let [light, module, power] = read::matrix::COLUMNS;
    let mut text = format!(
        "# power matrix from steady minutes of {source}\n{light},{module},{power},standard error (W),minutes\n"
    );
    let has_rating = points.iter().any(|one| {
        (one.irradiance_w_m2 - STC_IRRADIANCE.0).abs() < 1e-9
            && (one.cell_degc - STC_TEMPERATURE.0).abs() < 1e-9
    });
    if let Some(watts) = rated_w.filter(|_| !has_rating) {
        let (light, module) = (STC_IRRADIANCE.0, STC_TEMPERATURE.0);
        let _ = writeln!(text, "# the rating, not from minutes\n{light},{module},{watts:.4},,");
    }
    for point in points {
        let MatrixTold { irradiance_w_m2, cell_degc, power_w, standard_error_w, minutes } = point;
        let _ = writeln!(
            text,
            "{irradiance_w_m2},{cell_degc},{power_w:.4},{standard_error_w:.4},{minutes}"
        );
    }
    text
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
}

impl From<&Losses> for LossesTold {
    fn from(losses: &Losses) -> Self {
        Self {
            reference_wh: losses.reference.0,
            temperature_wh: losses.temperature.map(|WattHours(lost)| lost),
            low_light_wh: losses.low_light.map(|WattHours(lost)| lost),
            tracker_wh: losses.tracker.map(|WattHours(lost)| lost),
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
    pub(super) fn terms(&self) -> Vec<(String, f64)> {
        let unknown = |known: Option<f64>, name: &'static str| known.is_none().then_some(name);
        let unknown = [
            unknown(self.temperature_wh, "temperature"),
            unknown(self.low_light_wh, "low light"),
            unknown(self.tracker_wh, "tracker"),
        ];
        let in_rest: Vec<&str> = unknown.into_iter().flatten().chain(REST).collect();
        let rest = format!("rest: {}", in_rest.join(", "));
        let mut terms = vec![("reference: rating x Yr".to_owned(), self.reference_wh)];
        let known = [
            ("temperature, against 25 degC", self.temperature_wh),
            ("low light, against 1000 W/m2", self.low_light_wh),
            ("tracker, against the crest", self.tracker_wh),
        ];
        terms.extend(known.into_iter().filter_map(|(name, lost)| Some((name.to_owned(), -lost?))));
        terms.push((rest, -self.rest_wh));
        let others = [
            ("sweeps", -self.sweeps_wh),
            ("asleep or starting", -self.asleep_wh),
            ("outages", -self.outages_wh),
            ("measured", self.measured_wh),
        ];
        terms.extend(others.map(|(name, wh)| (name.to_owned(), wh)));
        terms
    }
}

/// Minutes whose power is outside its limits.
fn beyond_the_rating(season: &Season) -> u32 {
    let is = |one: &&Exclusion| one.quantity == Quantity::Power && one.reason == Reason::Limits;
    season.exclusions.iter().filter(is).map(|one| one.minutes).sum()
}

/// What is missing, and how to get it.
fn notes(told: &Told) -> Vec<String> {
    let (season, name) = (&told.season, &told.channel.name);
    let mut notes = Vec::new();
    if !season.has_irradiance {
        notes.push(format!("{name} has no irradiance in the log: energy alone, no yields"));
        return notes;
    }
    let lack_gamma = told.curves.iter().filter(|curve| curve.lacks_gamma).count();
    if told.rating.is_none() && lack_gamma > 0 {
        notes.push(format!(
            "good curves in 800 to 1200 W/m2 ({lack_gamma}) tell the rating once --gamma is stated, since none of\n  \
             them is near 25 degC; yields, ratios, capacity and losses need that, or --rated {name}=WATTS"
        ));
    } else if told.rating.is_none() {
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
