//! What a device would yield: tables for a terminal, one value for JSON, and the hours as CSV.
//!
//! Table and JSON are made of the same numbers.

use super::table::align;
use crate::quantities::{WattHours, Watts};
use crate::yields::{Chain, Losses, Mount, Spread, Sums, Taken, Term, Weather, Yield};
use cresthold_sim::thermal::Cooling;
use serde::Serialize;
use std::fmt::Write as _;

const DAYS_OF_A_YEAR: f64 = 365.0;
/// Shorter weather is told in days.
const MONTH_IN_YEARS: f64 = 31.0 / DAYS_OF_A_YEAR;
/// From so many years of weather on, sums are told to be those of all.
const LONG: f64 = 1.01;
/// Less of a year is no year of an energy rating.
const WHOLE_YEAR: f64 = 0.95;
/// The longest bar of the months (characters).
const BAR: f64 = 30.0;
/// What the levels of the spread are, percent of years that exceed them.
const LEVELS: [f64; 4] = [50.0, 75.0, 90.0, 99.0];
const MONTHS: [&str; 12] =
    ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"];

/// A yield with all that belongs to it.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct YieldReport {
    /// Place and period of the weather.
    pub weather: WeatherTold,
    /// The device, mount and sky in words, by name.
    pub assumed: Vec<(&'static str, String)>,
    /// The same in numbers.
    pub chain: ChainTold,
    /// Power at standard conditions (W).
    pub rated_w: f64,
    /// The energy rating, of a device that is known by its power matrix: clean, at rest, under an open sky, over a
    /// whole year.
    pub energy_rating: Option<RatingTold>,
    /// By month, those that the weather has.
    pub months: Vec<SumsTold>,
    /// Over all.
    pub total: SumsTold,
    /// Where the rest went.
    pub losses: LossesTold,
    /// How sure a year of it is.
    pub spread: Option<SpreadTold>,
}

/// What the weather file holds.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct WeatherTold {
    /// The file.
    pub file: String,
    /// What it calls the place; the channel of a log.
    pub place: String,
    /// Degrees north; a log doesn't say.
    pub latitude_deg: Option<f64>,
    /// Degrees east.
    pub longitude_deg: Option<f64>,
    /// Metres above the sea.
    pub elevation_m: Option<f64>,
    /// How many spans.
    pub spans: usize,
    /// How long each is (s).
    pub span_s: f64,
    /// Share of a year of 365 days.
    pub years: f64,
}

/// Sums of a month, or of all.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct SumsTold {
    /// Which.
    pub month: String,
    /// How long the spans are together (h).
    pub hours: f64,
    /// On the horizontal (kWh/m2).
    pub horizontal_kwh_m2: f64,
    /// On the plane; direct for a concentrator (kWh/m2).
    pub plane_kwh_m2: f64,
    /// As it reaches the cells (kWh/m2).
    pub effective_kwh_m2: f64,
    /// At the crest (kWh).
    pub crest_kwh: f64,
    /// Taken by the tracker (kWh).
    pub energy_kwh: f64,
    /// Energy over rating (h).
    pub final_yield_h: f64,
    /// Irradiation on the plane over 1000 W/m2 (h).
    pub reference_yield_h: f64,
    /// Final over reference yield; none in the dark.
    pub performance_ratio: Option<f64>,
    /// What the device made meanwhile (kWh), where a log tells.
    pub measured_kwh: Option<f64>,
}

/// An energy rating after IEC 61853-3.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct RatingTold {
    /// Energy at the crest over rating times reference yield.
    pub rating: f64,
    /// Share of that energy from light or warmth beyond the matrix's points (0..=1).
    pub beyond: f64,
}

/// What stands there, in numbers.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct ChainTold {
    /// How many devices.
    pub count: u32,
    /// How they are held; none where a log's light is that on the device already.
    pub mount: Option<MountTold>,
    /// What the ground reflects where the weather doesn't say (0..=1).
    pub albedo: f64,
    /// Light lost to dirt, from January (0..=1).
    pub soiling: [f64; 12],
    /// The horizon's line: azimuths and heights (degrees).
    pub skyline_deg: Vec<(f64, f64)>,
    /// Wind where the weather doesn't say (m/s).
    pub wind_m_s: f64,
    /// How wind cools: W/(m2 K), W s/(m3 K).
    pub cooling: Option<(f64, f64)>,
    /// The heat sink instead (K m2/W).
    pub heat_sink: Option<f64>,
    /// A concentrator's half angle of acceptance, and pointing error (degrees).
    pub acceptance_and_pointing_deg: Option<(f64, f64)>,
}

/// How a device is held (degrees); azimuths clockwise from north.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
#[serde(tag = "kind", rename_all = "kebab-case")]
pub enum MountTold {
    /// At rest.
    Fixed {
        /// From the horizontal.
        tilt_deg: f64,
        /// Where it faces.
        azimuth_deg: f64,
    },
    /// Turning about an axis.
    OneAxis {
        /// Of the axis, from the horizontal.
        tilt_deg: f64,
        /// Where its lower end faces.
        azimuth_deg: f64,
        /// To either side.
        range_deg: f64,
    },
    /// Facing the sun.
    TwoAxis,
}

impl From<&Chain> for ChainTold {
    fn from(chain: &Chain) -> Self {
        let (cooling, heat_sink) = match chain.generator.thermal.cooling {
            Cooling::Wind { u0, u1 } => (Some((u0, u1)), None),
            Cooling::Sink { resistance } => (None, Some(resistance)),
        };
        Self {
            count: chain.generator.count,
            mount: Some(match chain.mount {
                Mount::Fixed { tilt, azimuth } => {
                    MountTold::Fixed { tilt_deg: tilt, azimuth_deg: azimuth }
                }
                Mount::OneAxis { tilt, azimuth, range } => {
                    MountTold::OneAxis { tilt_deg: tilt, azimuth_deg: azimuth, range_deg: range }
                }
                Mount::TwoAxis => MountTold::TwoAxis,
            }),
            albedo: chain.albedo,
            soiling: chain.soiling,
            skyline_deg: chain.skyline.points().to_vec(),
            wind_m_s: chain.wind.0,
            cooling,
            heat_sink,
            acceptance_and_pointing_deg: chain.optics.map(|one| (one.acceptance, one.pointing)),
        }
    }
}

/// Energy by where it went (kWh); losses are positive.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct LossesTold {
    /// Rating times reference yield.
    pub reference_kwh: f64,
    /// Glass, dirt, aim.
    pub optical_kwh: f64,
    /// The light's colour; zero where nobody asked.
    pub colour_kwh: f64,
    /// Weak light.
    pub low_light_kwh: f64,
    /// Warm cells.
    pub warmth_kwh: f64,
    /// What the means of hours hide; zero where nobody looked.
    pub averaging_kwh: f64,
    /// Beyond the load's limits; zero where none are stated.
    pub limits_kwh: f64,
    /// What the tracker leaves.
    pub tracking_kwh: f64,
    /// What is left.
    pub delivered_kwh: f64,
}

/// How sure one year is.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct SpreadTold {
    /// How many draws.
    pub draws: usize,
    /// Their seed.
    pub seed: u64,
    /// Whole years of the weather that spoke for themselves.
    pub years: Option<usize>,
    /// A year's energy without doubts (kWh).
    pub stated_kwh: f64,
    /// Percent of years, and the energy that they exceed (kWh).
    pub exceeded_kwh: Vec<(f64, f64)>,
    /// Standard deviation (kWh).
    pub deviation_kwh: f64,
    /// By term: name, standard deviation (kWh), share of the variance.
    pub terms: Vec<(&'static str, f64, f64)>,
}

fn kilo(energy: WattHours) -> f64 {
    energy.0 * 1e-3
}

impl WeatherTold {
    /// Of weather that was read from `file`.
    #[must_use]
    pub fn of(file: &str, weather: &Weather) -> Self {
        Self {
            file: file.to_owned(),
            place: weather.name.clone(),
            latitude_deg: Some(weather.site.latitude()),
            longitude_deg: Some(weather.site.longitude()),
            elevation_m: Some(weather.site.elevation()),
            spans: weather.hours.len(),
            span_s: weather.span.as_secs_f64(),
            years: weather.years(),
        }
    }
}

impl SumsTold {
    /// Beside what was measured meanwhile.
    fn beside(mut self, measured: Option<WattHours>) -> Self {
        self.measured_kwh = measured.map(kilo);
        self
    }

    fn of(month: &str, sums: &Sums, rated: Watts, tracked: f64) -> Self {
        let taken = Sums { energy: sums.energy * tracked, ..*sums };
        Self {
            month: month.to_owned(),
            hours: sums.hours,
            horizontal_kwh_m2: sums.horizontal.0 * 1e-3,
            plane_kwh_m2: sums.plane.0 * 1e-3,
            effective_kwh_m2: sums.effective.0 * 1e-3,
            crest_kwh: kilo(sums.energy),
            energy_kwh: kilo(taken.energy),
            final_yield_h: taken.final_yield(rated),
            reference_yield_h: taken.reference_yield(),
            performance_ratio: taken.performance_ratio(rated),
            measured_kwh: None,
        }
    }

    fn row(&self, all: f64) -> Vec<String> {
        vec![
            self.month.clone(),
            format!("{:.1}", self.horizontal_kwh_m2),
            format!("{:.1}", self.plane_kwh_m2),
            format!("{:.1}", self.effective_kwh_m2),
            digits(self.energy_kwh, all),
            format!("{:.1}", self.final_yield_h),
            self.performance_ratio.map_or("-".to_owned(), |ratio| format!("{:.1}", ratio * 100.0)),
        ]
    }

    fn row_beside(&self, all: f64) -> Vec<String> {
        let measured = self.measured_kwh.unwrap_or(0.0);
        let share =
            self.of_expected().map_or("-".to_owned(), |share| format!("{:.2}", share * 100.0));
        vec![
            self.month.clone(),
            format!("{:.1}", self.hours),
            format!("{:.2}", self.plane_kwh_m2),
            digits(self.energy_kwh, all),
            digits(measured, all),
            share,
        ]
    }

    /// Measured over expected energy; none where a log doesn't tell, or in the dark.
    #[must_use]
    pub fn of_expected(&self) -> Option<f64> {
        self.measured_kwh.filter(|_| self.energy_kwh > 0.0).map(|kwh| kwh / self.energy_kwh)
    }
}

/// Energy with as many places as `all` has in four figures.
fn digits(kwh: f64, all: f64) -> String {
    let places = (3 - all.abs().max(1e-3).log10().floor() as i32).clamp(1, 4) as usize;
    let text = format!("{kwh:.places$}");
    // No loss is no loss, not one of minus zero.
    if text.starts_with('-') && text.trim_matches(['-', '0', '.']).is_empty() {
        text[1..].to_owned()
    } else {
        text
    }
}

impl YieldReport {
    /// Puts together what was found. `taken` says what is taken of the crest's energy.
    #[must_use]
    pub fn new(
        weather: WeatherTold,
        (chain, assumed): (&Chain, Vec<(&'static str, String)>),
        (found, taken): (&Yield, &Taken),
        losses: &Losses,
        (spread, measured): (Option<&Spread>, Option<[WattHours; 12]>),
    ) -> Self {
        let whole = measured.map(|months| months.into_iter().sum::<WattHours>());
        let by_month = (0..12).map(|month| measured.map(|months| months[month]));
        let months = MONTHS.iter().zip(&found.months).zip(taken.shares).zip(by_month);
        let months = months.filter(|(((_, sums), _), _)| sums.hours > 0.0);
        let tracked = taken.energy(found) / found.total.energy;
        let tracked = if tracked.is_finite() { tracked } else { 1.0 };
        let ratio = found.total.performance_ratio(found.rated);
        // The standard's rating is of a clean device at rest under an open sky, over a whole year.
        let as_rated = chain.soiling.iter().all(|share| *share <= 0.0)
            && chain.skyline.is_flat()
            && matches!(chain.mount, Mount::Fixed { .. })
            && found.years >= WHOLE_YEAR;
        let rating = ratio.zip(chain.beyond_matrix(found)).filter(|_| as_rated);
        Self {
            weather,
            assumed,
            chain: ChainTold {
                mount: ChainTold::from(chain).mount.filter(|_| measured.is_none()),
                ..chain.into()
            },
            rated_w: found.rated.0,
            energy_rating: rating.map(|(rating, beyond)| RatingTold { rating, beyond }),
            months: months
                .map(|(((name, sums), share), measured)| {
                    SumsTold::of(name, sums, found.rated, share).beside(measured)
                })
                .collect(),
            total: SumsTold::of("all", &found.total, found.rated, tracked).beside(whole),
            losses: LossesTold {
                reference_kwh: kilo(losses.reference),
                optical_kwh: kilo(losses.optical),
                colour_kwh: kilo(losses.colour),
                low_light_kwh: kilo(losses.low_light),
                warmth_kwh: kilo(losses.warmth),
                averaging_kwh: kilo(losses.averaging),
                limits_kwh: kilo(losses.limits),
                tracking_kwh: kilo(losses.tracking),
                delivered_kwh: kilo(losses.delivered),
            },
            spread: spread.map(|spread| SpreadTold::of(spread, tracked)),
        }
    }

    /// All of it as text.
    #[must_use]
    pub fn table(&self) -> String {
        let mut text = self.head();
        text.push('\n');
        if self.total.measured_kwh.is_some() {
            text.push_str(&self.beside_measured());
        } else {
            text.push_str(&self.by_month());
        }
        text.push('\n');
        text.push_str(&self.losses.table());
        if let Some(RatingTold { rating, beyond }) = self.energy_rating {
            let _ = writeln!(
                text,
                "\nenergy rating {rating:.4} in this climate (IEC 61853-3); {:.1} % of its energy from beyond the \
                 matrix",
                beyond * 100.0
            );
        }
        if let Some(spread) = &self.spread {
            text.push('\n');
            text.push_str(&spread.table());
        }
        text
    }

    fn head(&self) -> String {
        let WeatherTold { file, place, latitude_deg, longitude_deg, elevation_m, .. } =
            &self.weather;
        let side = |degrees: &f64, [positive, negative]: [&str; 2]| {
            let name = if *degrees < 0.0 { negative } else { positive };
            Some(format!("{:.3} degrees {name}", degrees.abs()))
        };
        let named = (!place.is_empty()).then(|| place.clone());
        let north = latitude_deg.as_ref().and_then(|one| side(one, ["north", "south"]));
        let east = longitude_deg.as_ref().and_then(|one| side(one, ["east", "west"]));
        let up = elevation_m.map(|metres| format!("{metres:.0} m"));
        let place: Vec<String> = [named, north, east, up].into_iter().flatten().collect();
        let (spans, minutes) = (self.weather.spans, self.weather.span_s / 60.0);
        let years = self.weather.years;
        // A week is 0.02 years, which says nothing.
        let length = if years < MONTH_IN_YEARS {
            format!("{:.2} days", years * DAYS_OF_A_YEAR)
        } else {
            format!("{years:.2} years of 365 days")
        };
        let weather = format!("{file}: {spans} spans of {minutes:.0} min, {length}");
        let whose = if latitude_deg.is_some() { "place" } else { "channel" };
        let rows = [(whose, place.join(", ")), ("weather", weather)];
        let rows = rows.into_iter().chain(self.assumed.iter().cloned());
        let mut text = String::new();
        for (name, words) in rows {
            let _ = writeln!(text, "{name:<9}  {words}"); // writing to a String can't fail
        }
        text
    }

    /// What was expected and what was measured, by month.
    fn beside_measured(&self) -> String {
        let most = self.total.energy_kwh;
        let mut rows: Vec<Vec<String>> =
            vec![["", "h", "kWh/m2", "kWh", "kWh", "%"].map(str::to_owned).to_vec()];
        rows.extend(self.months.iter().chain([&self.total]).map(|month| month.row_beside(most)));
        align(&["month", "counted", "plane", "expected", "measured", "of expected"], &rows)
    }

    fn by_month(&self) -> String {
        let most = self.months.iter().map(|month| month.energy_kwh).fold(0.0, f64::max);
        let bar = |month: &SumsTold| {
            let share = if most > 0.0 { month.energy_kwh / most } else { 0.0 };
            "#".repeat((share * BAR).round() as usize)
        };
        let mut rows: Vec<Vec<String>> = vec![
            ["", "kWh/m2", "kWh/m2", "kWh/m2", "kWh", "h", "%", ""].map(str::to_owned).to_vec(),
        ];
        for month in &self.months {
            let mut row = month.row(most);
            row.push(bar(month));
            rows.push(row);
        }
        rows.push(self.total.row(most));
        let years = self.weather.years;
        let sums =
            if years > LONG { format!("sums over {years:.2} years\n") } else { String::new() };
        let header = [
            "month",
            "horizontal",
            "plane",
            "at the cells",
            "energy",
            "final yield",
            "performance ratio",
            "",
        ];
        sums + align(&header, &rows).as_str()
    }
}

impl LossesTold {
    fn table(&self) -> String {
        let share = |kwh: f64| {
            if self.reference_kwh > 0.0 { 100.0 * kwh / self.reference_kwh } else { 0.0 }
        };
        let row = |name: &str, kwh: f64| {
            vec![name.to_owned(), digits(kwh, self.reference_kwh), digits(share(kwh), 10.0)]
        };
        // Where nobody looked at colour, or within the hours, there is nothing to tell.
        let seen = |name: &str, kwh: f64| (kwh.abs() > 0.0).then(|| row(name, -kwh));
        let mut rows = vec![
            row("rating times light on the plane", self.reference_kwh),
            row("  glass, dirt, aim", -self.optical_kwh),
        ];
        rows.extend(seen("  the light's colour", self.colour_kwh));
        rows.push(row("  weak light", -self.low_light_kwh));
        rows.push(row("  cells warmer than 25 degC", -self.warmth_kwh));
        rows.extend(seen("  the hours' means", self.averaging_kwh));
        rows.extend(seen("  beyond the load's limits", self.limits_kwh));
        rows.push(row("  beside the crest", -self.tracking_kwh));
        rows.push(row("into the load", self.delivered_kwh));
        align(&["where it goes", "energy (kWh)", "share (%)"], &rows)
    }
}

impl SpreadTold {
    fn of(spread: &Spread, tracked: f64) -> Self {
        Self {
            draws: spread.draws.len(),
            seed: spread.seed,
            years: spread.years,
            stated_kwh: kilo(spread.stated) * tracked,
            exceeded_kwh: LEVELS
                .map(|level| (level, kilo(spread.exceeded(level)) * tracked))
                .to_vec(),
            deviation_kwh: kilo(spread.deviation()) * tracked,
            terms: spread
                .terms
                .iter()
                .map(|(term, energy)| (term.words(), kilo(*energy) * tracked, spread.share(*term)))
                .collect(),
        }
    }

    fn table(&self) -> String {
        let percent =
            |kwh: f64| format!("{:.1}", 100.0 * kwh / self.stated_kwh.max(f64::MIN_POSITIVE));
        let level = |(level, kwh): &(f64, f64)| {
            let name = format!("P{level:.0}: {level:.0} of 100 years exceed it");
            vec![name, digits(*kwh, self.stated_kwh), percent(*kwh), String::new()]
        };
        let stated = self.stated_kwh;
        let stated = vec![
            "stated: without any doubt".to_owned(),
            digits(stated, stated),
            percent(stated),
            String::new(),
        ];
        let levels = self.exceeded_kwh.iter().map(level);
        let mut rows: Vec<Vec<String>> = std::iter::once(stated).chain(levels).collect();
        let deviation = self.deviation_kwh;
        rows.push(vec![
            "standard deviation".to_owned(),
            digits(deviation, self.stated_kwh),
            percent(deviation),
            String::new(),
        ]);
        for (name, kwh, share) in &self.terms {
            let own = match self.years {
                Some(years) if *name == Term::Year.words() => format!(", from {years} years"),
                _ => String::new(),
            };
            let name = format!("  {name}{own}");
            rows.push(vec![
                name,
                digits(*kwh, self.stated_kwh),
                percent(*kwh),
                format!("{:.0}", share * 100.0),
            ]);
        }
        format!(
            "one year of it, {} draws, seed {}\n{}",
            self.draws,
            self.seed,
            align(&["", "energy (kWh)", "of stated (%)", "of variance (%)"], &rows)
        )
    }
}

/// Every span as CSV; with the power taken, where the same share (0..=1) always is.
#[must_use]
pub fn hours_csv(weather: &Weather, found: &Yield, share: Option<f64>) -> String {
    let mut text = String::from(
        "start (UTC),horizontal (W/m2),plane (W/m2),at the cells (W/m2),cell temperature (degC),\
         power at the crest (W)",
    );
    text.push_str(if share.is_some() { ",power (W)\n" } else { "\n" });
    for (hour, (exposure, watts)) in weather.hours.iter().zip(&found.hours) {
        let _ = writeln!(
            text,
            "{},{:.2},{:.2},{:.2},{:.3},{:.4}{}",
            hour.start,
            exposure.horizontal.0,
            exposure.plane.0,
            exposure.effective.0,
            exposure.cell.0,
            watts.0,
            share.map_or(String::new(), |share| format!(",{:.4}", watts.0 * share))
        );
    }
    text
}
