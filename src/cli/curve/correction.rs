//! The options of `cresthold curve` that move a curve to other conditions.

use super::{Problem, parse_conditions};
use crate::curve::Point;
use crate::curve::translate::{Form, Procedure, Procedure1, Procedure2, Procedure4, Procedure2021};
use crate::curve::translate::{SeriesAt, interpolate};
use crate::curve::uncertainty::{AnalysisError, Correction};
use crate::curve::{Conditions, Curve};
use crate::quantities::{Amps, Celsius, Irradiance, Ohms, STC_IRRADIANCE, STC_TEMPERATURE, Volts};
use crate::report::curve::{CurveReport, Wanted};
use crate::report::curve_log::Named;
use clap::{Args, ValueEnum};

#[derive(Debug, Args)]
#[command(next_help_heading = "Correction to other conditions (IEC 60891)")]
pub(super) struct CorrectionArgs {
    /// Correct to this irradiance (W/m2) and cell temperature (degC)
    #[arg(long, value_name = "G,T", value_parser = parse_conditions, allow_hyphen_values = true)]
    correct_to: Option<(f64, f64)>,
    /// The procedure, and what it needs (1 unless stated; for the coefficients of many curves, 2):
    /// 1: --alpha --beta --series;
    /// 2 (of 2021): --alpha --beta --isc-stc --voc-stc --b1 --series;
    /// 2-2009: --alpha --beta --isc-stc --voc-stc --a --series;
    /// 3: two curves, between whose conditions it interpolates, and nothing else;
    /// 4, for silicon: --alpha --series --cells
    #[arg(long, value_enum, verbatim_doc_comment)]
    procedure: Option<ProcedureChoice>,
    /// Correct many curves with the coefficients that they themselves give
    #[arg(long, requires = "correct_to", conflicts_with_all = ["alpha", "beta", "series"])]
    own_coefficients: bool,
    /// Temperature coefficient of the short-circuit current (A/K)
    #[arg(long, value_name = "A/K", allow_hyphen_values = true)]
    alpha: Option<f64>,
    /// Temperature coefficient of the open-circuit voltage (V/K), below zero
    #[arg(long, value_name = "V/K", allow_hyphen_values = true)]
    beta: Option<f64>,
    /// Series resistance of the correction, at 25 degC (ohm)
    #[arg(long, value_name = "OHM")]
    series: Option<f64>,
    /// Short-circuit current at 1000 W/m2 and 25 degC (A)
    #[arg(long, value_name = "A")]
    isc_stc: Option<f64>,
    /// Open-circuit voltage at 1000 W/m2 and 25 degC (V)
    #[arg(long, value_name = "V")]
    voc_stc: Option<f64>,
    /// Irradiance correction factor B1 of Voc (1)
    #[arg(long, value_name = "NUMBER")]
    b1: Option<f64>,
    /// Irradiance correction factor B2 of Voc (1)
    #[arg(long, value_name = "NUMBER", default_value_t = 0.0, allow_hyphen_values = true)]
    b2: f64,
    /// Irradiance correction factor a of Voc (1)
    #[arg(long, value_name = "NUMBER")]
    a: Option<f64>,
    /// Curve correction factor of procedures 1 and 2 (ohm/K)
    #[arg(long, value_name = "OHM/K", default_value_t = 0.0, allow_hyphen_values = true)]
    kappa: f64,
    /// Cells in series
    #[arg(long, value_name = "N")]
    cells: Option<u32>,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
enum ProcedureChoice {
    #[value(name = "1")]
    One,
    #[value(name = "2")]
    Two2021,
    #[value(name = "2-2009")]
    Two,
    #[value(name = "3")]
    Three,
    #[value(name = "4")]
    Four,
}

fn needed<T>(value: Option<T>, option: &'static str, what: &'static str) -> Result<T, Problem> {
    value.ok_or(Problem::Missing { option, what })
}

/// Isc changes by 0.02 to 0.12 %/K (crystalline, thin film, multi-junction; from memory), as shares per kelvin.
const MOST_ALPHA: f64 = 0.003;
/// Voc changes by -0.15 to -0.45 %/K (likewise), in weak light and heat by some more: shares per kelvin.
const BETA: std::ops::RangeInclusive<f64> = -0.006..=-0.0005;
/// Factors of Voc over the logarithm of the light are 0.03 to 0.1.
const MOST_FACTOR: f64 = 0.5;
/// No more of Voc is lost on a device's series resistance at Isc.
const MOST_LOST: f64 = 0.5;
/// Figures at standard conditions lie within this factor of the curves'.
const ALIKE: f64 = 4.0;

/// What the curves themselves say of the device: its current (A, at 1000 W/m2 where the light is known), its
/// voltage (V).
#[derive(Clone, Copy, Debug)]
struct Size {
    amps: f64,
    volts: f64,
}

impl Size {
    fn of(named: &[Named], at: Option<f64>) -> Option<Self> {
        let points = || named.iter().flat_map(|(_, points, _)| points);
        let full = |p: &Point| {
            let light = p.irradiance.map(|g| g.0).or(at).filter(|g| *g > 0.0);
            p.amps.0 * STC_IRRADIANCE.0 / light.unwrap_or(STC_IRRADIANCE.0)
        };
        let amps = points().map(full).fold(0.0, f64::max);
        let volts = points().map(|p| p.volts.0).fold(0.0, f64::max);
        (amps > 0.0 && volts > 0.0 && amps.is_finite()).then_some(Self { amps, volts })
    }
}

impl CorrectionArgs {
    /// Refuses what no device has, such as a coefficient in percent: it would move the curve without a word.
    pub(super) fn plausible(&self, named: &[Named], at: Option<f64>) -> Result<(), Problem> {
        let Some(Size { amps, volts }) = Size::of(named, at).filter(|_| self.correct_to.is_some())
        else {
            return Ok(());
        };
        let refuse = |option, given, why| Err(Problem::Implausible { option, given, why });
        if let Some(alpha) = self.alpha.filter(|alpha| (alpha / amps).abs() > MOST_ALPHA) {
            let why = format!(
                "A/K are wanted, and this would be {:.2} % per kelvin of these curves' {amps:.3} A; no \
                 device has more than {} %. For {alpha} %/K write {:.6}",
                alpha / amps * 100.0,
                MOST_ALPHA * 100.0,
                alpha / 100.0 * amps
            );
            return refuse("--alpha", alpha, why);
        }
        let odd = |beta: &f64| *beta != 0.0 && !BETA.contains(&(beta / volts));
        if let Some(beta) = self.beta.filter(odd) {
            let slip = if beta > 0.0 {
                "Voc falls as a device warms: give it with its sign".to_owned()
            } else if beta.abs() < 0.01 {
                format!("For {beta} 1/K write {:.6}", beta * volts)
            } else if beta.abs() > 2.0 {
                format!("For {beta} mV/K write {:.6}", beta / 1000.0)
            } else {
                format!("For {beta} %/K write {:.6}", beta / 100.0 * volts)
            };
            let why = format!(
                "V/K are wanted, and this would be {:.3} % per kelvin of these curves' {volts:.2} V; \
                 devices have {} to {} %. {slip}",
                beta / volts * 100.0,
                BETA.start() * 100.0,
                BETA.end() * 100.0
            );
            return refuse("--beta", beta, why);
        }
        if let Some(ohms) =
            self.series.filter(|ohms| *ohms < 0.0 || ohms * amps > MOST_LOST * volts)
        {
            let why = format!(
                "ohm are wanted, and at {amps:.3} A this would take {:.1} V of {volts:.2} V. For {ohms} \
                 milliohm write {}",
                ohms * amps,
                ohms / 1000.0
            );
            return refuse("--series", ohms, why);
        }
        let alike = |value: f64, seen: f64| (1.0 / ALIKE..=ALIKE).contains(&(value / seen));
        if let Some(isc) = self.isc_stc.filter(|isc| !alike(*isc, amps)) {
            let why =
                format!("A at 1000 W/m2 and 25 degC are wanted, and these curves have {amps:.3} A");
            return refuse("--isc-stc", isc, why);
        }
        if let Some(voc) = self.voc_stc.filter(|voc| !alike(*voc, volts)) {
            let why = format!(
                "V at 1000 W/m2 and 25 degC are wanted, and these curves have {volts:.2} V"
            );
            return refuse("--voc-stc", voc, why);
        }
        for (option, factor) in [("--b1", self.b1), ("--a", self.a)] {
            if let Some(factor) = factor.filter(|factor| !(0.0..=MOST_FACTOR).contains(factor)) {
                let why = format!(
                    "a share of Voc for each factor of e in the light is wanted (0 to {MOST_FACTOR}, \
                     usually 0.03 to 0.1)"
                );
                return refuse(option, factor, why);
            }
        }
        Ok(())
    }

    fn to(&self) -> Option<Conditions> {
        let (irradiance, cell) = self.correct_to?;
        Some(Conditions { irradiance: Irradiance(irradiance), cell: Celsius(cell) })
    }

    /// Where two curves are to be interpolated.
    pub(super) fn between(&self) -> Result<Option<Conditions>, Problem> {
        if self.procedure != Some(ProcedureChoice::Three) {
            return Ok(None);
        }
        let what = "the conditions between those of the two curves";
        needed(self.to(), "--correct-to", what).map(Some)
    }

    /// Where many curves are to be moved with their own coefficients.
    pub(super) fn own(&self) -> Option<Conditions> {
        self.to().filter(|_| self.own_coefficients)
    }

    /// The procedure whose coefficients are looked for in many curves.
    pub(super) fn form(&self) -> Result<Form, Problem> {
        Ok(match self.procedure {
            Some(ProcedureChoice::One) => Form::One,
            Some(ProcedureChoice::Two) => Form::Two,
            Some(ProcedureChoice::Four) => Form::Four { cells: self.cells()? },
            _ => Form::Two2021,
        })
    }

    fn cells(&self) -> Result<u32, Problem> {
        needed(self.cells, "--cells", "the number of silicon cells in series")
    }

    /// The correction of a single curve by stated coefficients.
    pub(super) fn stated(&self) -> Result<Option<Correction>, Problem> {
        let three = self.procedure == Some(ProcedureChoice::Three);
        let Some(to) = self.to().filter(|_| !three && !self.own_coefficients) else {
            return Ok(None);
        };
        let alpha = needed(self.alpha, "--alpha", "the temperature coefficient of Isc (A/K)")?;
        let ohms = needed(self.series, "--series", "the series resistance (ohm)").map(Ohms)?;
        let series = SeriesAt { ohms, kappa: self.kappa, at: Some(STC_TEMPERATURE) };
        // The analysis puts the curve's own Isc in.
        let isc = Amps::ZERO;
        let procedure = match self.procedure {
            None | Some(ProcedureChoice::One) => {
                Procedure::One(Procedure1 { isc, alpha, beta: self.beta()?, series })
            }
            Some(ProcedureChoice::Four) => {
                Procedure::Four(Procedure4 { isc, alpha, series: ohms, cells: self.cells()? })
            }
            Some(form) => self.second(form == ProcedureChoice::Two, alpha, series)?,
        };
        Ok(Some(Correction { procedure, to }))
    }

    fn beta(&self) -> Result<f64, Problem> {
        needed(self.beta, "--beta", "the temperature coefficient of Voc (V/K)")
    }

    /// Procedure 2, in the form of 2009 or of 2021.
    fn second(&self, of_2009: bool, alpha: f64, series: SeriesAt) -> Result<Procedure, Problem> {
        let isc = needed(self.isc_stc, "--isc-stc", "Isc at standard conditions (A)")?;
        let voc = needed(self.voc_stc, "--voc-stc", "Voc at standard conditions (V)")?;
        let (alpha_rel, beta_rel) = (alpha / isc, self.beta()? / voc);
        if of_2009 {
            let a = needed(self.a, "--a", "how Voc follows the logarithm of irradiance")?;
            // The analysis puts the curve's own Voc in.
            let two = Procedure2 { voc: Volts(voc), alpha_rel, beta_rel, a, series };
            return Ok(Procedure::Two(two));
        }
        let b1 = needed(self.b1, "--b1", "how Voc follows the logarithm of irradiance")?;
        Ok(Procedure::Two2021(Procedure2021 {
            voc_stc: Volts(voc),
            alpha_rel,
            beta_rel,
            b1,
            b2: self.b2,
            series: series.ohms,
            kappa: series.kappa,
        }))
    }
}

/// Procedure 3: the curve between two, summed up as wanted. Its grade is the worse of both.
pub(super) fn interpolated(
    first: &CurveReport,
    second: &CurveReport,
    to: Conditions,
    wanted: &Wanted,
) -> Result<CurveReport, Problem> {
    let side = |report: &CurveReport| -> Result<(Curve, Conditions, Amps), AnalysisError> {
        let conditions = report.curve.conditions().ok_or(AnalysisError::NoConditions)?;
        let isc = report.parameters.isc.value.ok_or(AnalysisError::NoEnd { end: "Isc" })?;
        Ok((report.curve.clone(), conditions, isc))
    };
    let of = |report: &CurveReport| {
        side(report).map_err(|error| Problem::Analysis { name: report.name.clone(), error })
    };
    let name = format!("{} and {}", first.name, second.name);
    let (a, b) = (of(first)?, of(second)?);
    let (curve, _) = interpolate((&a.0, a.1, a.2), (&b.0, b.1, b.2), to)
        .map_err(|error| Problem::Between { name: name.clone(), error })?;
    let mut report = CurveReport::new(&name, &curve, None, wanted)
        .map_err(|error| Problem::Analysis { name, error })?;
    report.corrected = true;
    let worse = if second.quality.grade > first.quality.grade { second } else { first };
    report.quality = worse.quality.clone();
    Ok(report)
}
