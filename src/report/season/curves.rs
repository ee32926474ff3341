//! A channel's curves, and its brightest day, for the page and for JSON.

use super::super::season_log::LoggedSeason;
use crate::season::{Day, Season};
use crate::store::{CurveRow, Expanded};
use crate::yields::OverBack;
use serde::Serialize;

/// Places of `store`'s expanded uncertainties.
const ISC: usize = 0;
const VOC: usize = 1;
const PMP: usize = 2;
const FF: usize = 5;

/// A figure of a curve with its uncertainty.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct FigureTold {
    /// The figure.
    pub value: f64,
    /// Expanded uncertainty, in its unit; none where nothing was stated or the light moved too much.
    pub expanded: Option<f64>,
    /// Its coverage factor.
    pub coverage: Option<f64>,
}

/// A curve as the log tells it.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct CurveTold {
    /// When it began, ISO 8601.
    pub began: String,
    /// Days after 1970-01-01T00:00:00Z.
    pub days: f64,
    /// Its grade; none where it was not whole or nobody looked.
    pub grade: Option<String>,
    /// Mean irradiance (W/m2).
    pub irradiance_w_m2: Option<f64>,
    /// Mean module temperature (degC).
    pub module_degc: Option<f64>,
    /// Short-circuit current (A).
    pub isc_a: Option<FigureTold>,
    /// Open-circuit voltage (V).
    pub voc_v: Option<FigureTold>,
    /// Power at the crest (W).
    pub pmp_w: Option<FigureTold>,
    /// Fill factor.
    pub ff: Option<FigureTold>,
    /// Power at the crest at 1000 W/m2 and 25 degC (W), of good curves in light of 800 to 1200 W/m2; its uncertainty
    /// is that of the power in proportion, without that of light and temperature.
    pub pmp_standard_w: Option<FigureTold>,
    /// It would tell the rating, were the temperature coefficient of power known.
    #[serde(skip)]
    pub lacks_gamma: bool,
}

/// Power and light of the brightest day, minute by minute.
#[derive(Clone, Debug, PartialEq)]
pub struct BrightestDay {
    /// Its date, as the log counts its days.
    pub date: String,
    /// Hour of the day (0..24), mean power (W), mean irradiance (W/m2).
    pub minutes: Vec<(f64, Option<f64>, Option<f64>)>,
}

impl CurveTold {
    /// Every curve of a channel; `gamma` (1/K) is the temperature coefficient of its power.
    #[must_use]
    pub fn all(logged: &LoggedSeason, gamma: Option<f64>, over: OverBack) -> Vec<Self> {
        logged.curves().iter().map(|row| Self::of(row, gamma, over)).collect()
    }

    fn of(row: &CurveRow, gamma: Option<f64>, over: OverBack) -> Self {
        let result = row.result.as_ref().filter(|_| row.whole);
        let figure = |place: usize, value: Option<f64>| {
            let expanded: Option<Expanded> = result.and_then(|result| result.expanded[place]);
            Some(FigureTold {
                value: value?,
                expanded: expanded.map(|one| one.value),
                coverage: expanded.map(|one| one.coverage),
            })
        };
        let pmp = figure(PMP, result.and_then(|result| Some(result.pmp?.0)));
        let standard = LoggedSeason::standard_watts(row, gamma, over);
        Self {
            began: row.began.utc.to_string(),
            days: row.began.utc.as_micros() as f64 / 86_400e6,
            grade: result.map(|result| result.grade.clone()),
            irradiance_w_m2: result.and_then(|result| Some(result.irradiance?.0)),
            module_degc: result.and_then(|result| Some(result.module_temperature?.0)),
            isc_a: figure(ISC, result.and_then(|result| Some(result.isc?.0))),
            voc_v: figure(VOC, result.and_then(|result| Some(result.voc?.0))),
            pmp_w: pmp,
            ff: figure(FF, result.and_then(|result| result.ff)),
            pmp_standard_w: standard.zip(pmp).map(|(standard, pmp)| FigureTold {
                value: standard,
                expanded: pmp.expanded.map(|expanded| expanded / pmp.value * standard),
                coverage: pmp.coverage,
            }),
            lacks_gamma: gamma.is_none()
                && standard.is_none()
                && LoggedSeason::standard_watts(row, Some(0.0), over).is_some(),
        }
    }
}

impl BrightestDay {
    /// The day of a season with the most light, else with the most energy; none of a log without either.
    #[must_use]
    pub fn of(logged: &LoggedSeason, season: &Season) -> Option<Self> {
        let rank = |day: &Day| (day.totals.counted.plane.0, day.totals.energy.0);
        let brightest = season.days.iter().max_by(|a, b| {
            let (a, b) = (rank(a), rank(b));
            a.0.total_cmp(&b.0).then(a.1.total_cmp(&b.1))
        })?;
        let minutes: Vec<_> = logged.minutes_of(brightest.number).collect();
        (!minutes.is_empty()).then(|| Self { date: brightest.date.clone(), minutes })
    }
}
