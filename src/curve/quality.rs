//! How far a measured curve can be trusted: a grade, with reasons.
//!
//! Model: each thing that goes wrong in a sweep has a figure and two limits; beyond the first the
//! curve is fair, beyond the second poor. The grade is the worst of them; a curve without findings
//! is good. Limits follow IEC 60904-1 practice where it has one (irradiance steady to 1 %; both
//! directions of a sweep compared in Pmp; from memory), else what each costs in Pmp.
//!
//! - drift: (largest - least)/mean of the points' irradiance;
//! - hysteresis: difference of Pmp between both directions over their mean;
//! - step: a bypass diode's knee. With `P = V I`, a curve of one diode bends to one side only; what
//!   counts is the largest rise of `I` above the chord of its neighbours at a distance, over Isc;
//! - monotonic: the sum of all rises of the current with voltage beyond noise, over Isc;
//! - noise: standard deviation of current over Isc, from deviations between neighbours;
//! - ends and density: reach to both ends, points in the crest's window, points in all.
//!
//! Rejected: one number made of all (hides the reason), and hard rejection (a poor curve still tells
//! something, and the record keeps it).

use super::parameters::{Method, Origin, Parameters, parameters};
use super::points::{Curve, Point, noise_amps};
use crate::quantities::{Amps, Irradiance, Volts};

/// How good a curve is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Grade {
    /// Nothing found.
    Good,
    /// Usable with care: look at the reasons.
    Fair,
    /// Not for figures.
    Poor,
}

impl Grade {
    /// As people write it.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Good => "good",
            Self::Fair => "fair",
            Self::Poor => "poor",
        }
    }
}

/// Something that lowers a curve's grade. Shares are of 1.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Reason {
    /// Irradiance changed by this share of its mean.
    Drift(f64),
    /// No irradiance with the points: nobody can know whether it drifted.
    IrradianceUnknown,
    /// Pmp differs between directions by this share.
    Hysteresis(f64),
    /// A knee of a bypass diode: its depth over Isc, and where.
    Step(f64, Volts),
    /// The current rises with voltage, by this share of Isc in all.
    Rising(f64),
    /// Noise of current over Isc.
    Noise(f64),
    /// Short circuit extrapolated or out of reach.
    ShortCircuit(Origin),
    /// Open circuit extrapolated or out of reach.
    OpenCircuit(Origin),
    /// So many points only.
    FewPoints(usize),
    /// So many points only in the window around the crest.
    FewNearCrest(usize),
    /// The crest can't be found at all.
    NoCrest,
}

/// Limits of fair and of poor.
type Limits = (f64, f64);
/// 1 %: IEC 60904-1, steady irradiance (from memory); 5 %: the correction point by point no longer
/// keeps 0.1 % of Pmp with `Rs` known to 10 %.
const DRIFT: Limits = (0.01, 0.05);
/// 0.2 %: a tenth of an outdoor Pmp's uncertainty (k = 2); 2 %: all of it.
const HYSTERESIS: Limits = (0.002, 0.02);
/// Half a percent of Isc is the mismatch of good modules; 5 % is a shaded substring.
const STEP: Limits = (0.005, 0.05);
/// As for steps.
const RISING: Limits = (0.002, 0.02);
/// 0.2 % of Isc: IEC 60904-1's limit for current (from memory); ten times that hides the crest.
const NOISE: Limits = (0.002, 0.02);
/// Points in all, and in the window: 50 is the least of common practice.
const POINTS: (usize, usize) = (50, 20);
const NEAR_CREST: (usize, usize) = (10, 7);
/// Rises within this many standard deviations are noise.
const NOISE_SIGMAS: f64 = 5.0;
/// How far apart the chord's ends stand when a knee is looked for, as a share of Voc: a bypass
/// diode's knee is some volts of a module wide, noise is not.
const CHORD: f64 = 0.08;

/// A grade and why.
#[derive(Clone, Debug, PartialEq)]
pub struct Quality {
    /// The worst of all findings.
    pub grade: Grade,
    /// What was found, each with the grade it alone would give; the worst first.
    pub reasons: Vec<(Grade, Reason)>,
}

impl Reason {
    /// The finding in a sentence.
    #[must_use]
    pub fn text(&self) -> String {
        let percent = |share: &f64| 100.0 * share;
        match self {
            Self::Drift(share) => format!("irradiance changed by {:.2} %", percent(share)),
            Self::IrradianceUnknown => "no irradiance with the points".to_owned(),
            Self::Hysteresis(share) => {
                format!("Pmp differs by {:.2} % between directions", percent(share))
            }
            Self::Step(depth, at) => {
                format!("a step of {:.2} % of Isc near {at:.2}", percent(depth))
            }
            Self::Rising(share) => {
                format!("the current rises with voltage, {:.2} % of Isc in all", percent(share))
            }
            Self::Noise(share) => format!("noise of {:.3} % of Isc", percent(share)),
            Self::ShortCircuit(origin) => format!("short circuit {}", origin.word()),
            Self::OpenCircuit(origin) => format!("open circuit {}", origin.word()),
            Self::FewPoints(count) => format!("{count} points only"),
            Self::FewNearCrest(count) => format!("{count} points only near the crest"),
            Self::NoCrest => "no crest can be found".to_owned(),
        }
    }
}

/// Grades a curve, as measured (not yet moved to its mean irradiance); `back` is the other direction
/// of the same sweep, if there was one.
#[must_use]
pub fn quality(curve: &Curve, back: Option<&Curve>) -> Quality {
    let mut reasons = Vec::new();
    drift(curve, back, &mut reasons);
    let standard = |curve: &Curve| parameters(curve, &Method::ASTM).ok();
    let found = standard(curve);
    match &found {
        Some(found) => ends(found, &mut reasons),
        None => reasons.push((Grade::Poor, Reason::NoCrest)),
    }
    if let (Some(there), Some(back)) = (&found, back.and_then(standard)) {
        let share = (there.pmp - back.pmp).abs() / (there.pmp + back.pmp) * 2.0;
        judge(share, HYSTERESIS, Reason::Hysteresis(share), &mut reasons);
    }
    shape(curve, &mut reasons);
    density(curve.points().len(), found.map(|found| found.points), &mut reasons);
    reasons.sort_by_key(|reason| std::cmp::Reverse(reason.0));
    let grade = reasons.first().map_or(Grade::Good, |worst| worst.0);
    Quality { grade, reasons }
}

fn judge(figure: f64, (fair, poor): Limits, reason: Reason, reasons: &mut Vec<(Grade, Reason)>) {
    if figure > poor {
        reasons.push((Grade::Poor, reason));
    } else if figure > fair {
        reasons.push((Grade::Fair, reason));
    }
}

fn drift(curve: &Curve, back: Option<&Curve>, reasons: &mut Vec<(Grade, Reason)>) {
    let all = || curve.points().iter().chain(back.iter().flat_map(|back| back.points()));
    let Some(lit) = all().map(|p| p.irradiance).collect::<Option<Vec<Irradiance>>>() else {
        reasons.push((Grade::Fair, Reason::IrradianceUnknown));
        return;
    };
    let least = lit.iter().map(|g| g.0).fold(f64::INFINITY, f64::min);
    let largest = lit.iter().map(|g| g.0).fold(0.0, f64::max);
    let mean = lit.iter().map(|g| g.0).sum::<f64>() / lit.len() as f64;
    let share = if mean > 0.0 { (largest - least) / mean } else { f64::INFINITY };
    judge(share, DRIFT, Reason::Drift(share), reasons);
}

fn ends(found: &Parameters, reasons: &mut Vec<(Grade, Reason)>) {
    for (origin, reason) in [
        (found.isc.origin, Reason::ShortCircuit(found.isc.origin)),
        (found.voc.origin, Reason::OpenCircuit(found.voc.origin)),
    ] {
        match origin {
            Origin::Measured | Origin::Interpolated => {}
            Origin::Extrapolated => reasons.push((Grade::Fair, reason)),
            Origin::OutOfReach => reasons.push((Grade::Poor, reason)),
        }
    }
}

/// Noise, rises and knees.
fn shape(curve: &Curve, reasons: &mut Vec<(Grade, Reason)>) {
    let points = curve.points();
    let scale = points.iter().map(|p| p.amps).fold(Amps(0.0), Amps::max);
    let noise = noise_amps(points);
    judge(noise / scale.0, NOISE, Reason::Noise(noise / scale.0), reasons);
    let beyond = |pair: &[Point]| (pair[1].amps - pair[0].amps).0 - NOISE_SIGMAS * noise;
    let rising = points.windows(2).map(|pair| beyond(pair).max(0.0)).sum::<f64>() / scale.0;
    judge(rising, RISING, Reason::Rising(rising), reasons);
    let (depth, at) = knee(points);
    let depth = (depth - NOISE_SIGMAS * noise).max(0.0) / scale.0;
    judge(depth, STEP, Reason::Step(depth, at), reasons);
}

/// How far the current lies below the chord of two points at a distance, at most (A), and where (V).
///
/// The current of one diode is concave: it never lies below a chord.
fn knee(points: &[Point]) -> (f64, Volts) {
    let span = (points[points.len() - 1].volts - points[0].volts).0 * CHORD;
    let (mut left, mut right) = (0, 0);
    let mut worst = (0.0, Volts(0.0));
    for p in points {
        while (p.volts - points[left + 1].volts).0 > span {
            left += 1;
        }
        while right + 1 < points.len() && (points[right].volts - p.volts).0 < span {
            right += 1;
        }
        let (a, b) = (points[left], points[right]);
        let wide = (b.volts - a.volts).0;
        if a.volts < p.volts && p.volts < b.volts && wide > 0.0 {
            let chord = a.amps.0 + (b.amps - a.amps).0 * ((p.volts - a.volts).0 / wide);
            if chord - p.amps.0 > worst.0 {
                worst = (chord - p.amps.0, p.volts);
            }
        }
    }
    worst
}

fn density(count: usize, near: Option<usize>, reasons: &mut Vec<(Grade, Reason)>) {
    let grade = |count: usize, (good, fair): (usize, usize)| match count {
        count if count >= good => None,
        count if count >= fair => Some(Grade::Fair),
        _ => Some(Grade::Poor),
    };
    if let Some(grade) = grade(count, POINTS) {
        reasons.push((grade, Reason::FewPoints(count)));
    }
    // Without a crest that has been said already.
    if let Some(near) = near
        && let Some(grade) = grade(near, NEAR_CREST)
    {
        reasons.push((grade, Reason::FewNearCrest(near)));
    }
}
