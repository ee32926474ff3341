//! The budget: a line for each input, a column for each figure (JCGM 100).

use super::analysis::{Analysis, AnalysisError, Figures, Quantity, Shift};
use super::coverage::factor;
use super::{COMMON, Inputs, Spec};
use crate::curve::parameters::{EndLine, Method, Origin, Quartic, Window, basis, parameters};
use crate::curve::points::{Curve, Point};

/// Share of the difference to the next wider window that is taken where there is no narrower one: from
/// window to window the quartic's bias falls by four and more (tests/curve_parameters.rs).
const NEXT_WINDOW: f64 = 0.25;

/// Share of a figure below which a contribution is rounding: that input does not act here.
const NOTHING: f64 = 1e-9;

/// How an uncertainty was found (JCGM 100:2008, 3.3.4).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// From the scatter of repeated readings.
    A,
    /// From anything else: data sheets, certificates, judgement.
    B,
}

/// How an input's errors are distributed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Shape {
    /// Normal, or a sum of so many that it is.
    Normal,
    /// Any value within limits alike.
    Rectangular,
}

/// One input and what it does to each figure.
#[derive(Clone, Debug, PartialEq)]
pub struct Line {
    /// The input, in words.
    pub input: &'static str,
    /// How its uncertainty was found.
    pub kind: Kind,
    /// How its errors are distributed.
    pub shape: Shape,
    /// Whether one error acts on all points at once; else each point has its own.
    pub common: bool,
    /// Its standard uncertainty...
    pub standard: f64,
    /// ... and the unit of it.
    pub unit: &'static str,
    /// Standard uncertainty it gives each figure, in the figure's unit; signed where the input is
    /// common to all points.
    pub contributions: Figures,
}

/// Figures with their uncertainties and where these come from.
#[derive(Clone, Debug, PartialEq)]
pub struct Budget {
    /// Best values, in the order of [`Quantity::ALL`]; NaN where there is none.
    pub values: Figures,
    /// A line per input that is not zero.
    pub lines: Vec<Line>,
    /// Combined standard uncertainties.
    pub combined: Figures,
    /// Coverage factors `k` for [`PROBABILITY`](super::PROBABILITY); NaN where nothing is uncertain.
    pub coverage: Figures,
}

impl Line {
    /// What one unit of the input does to each figure, in the figure's unit; without a sign where each
    /// point has its own error.
    #[must_use]
    pub fn sensitivities(&self) -> Figures {
        self.contributions.map(|contribution| contribution / self.standard)
    }
}

impl Budget {
    /// Value and expanded uncertainty `U = k u`; none where the figure has no value, or nothing that it
    /// depends on is uncertain.
    #[must_use]
    pub fn expanded(&self, quantity: Quantity) -> Option<(f64, f64)> {
        let at = quantity as usize;
        let (value, expanded) = (self.values[at], self.coverage[at] * self.combined[at]);
        (value.is_finite() && expanded.is_finite()).then_some((value, expanded))
    }

    /// Coverage factor of a figure; NaN where nothing is uncertain.
    #[must_use]
    pub fn factor(&self, quantity: Quantity) -> f64 {
        self.coverage[quantity as usize]
    }

    /// Correlation of the errors of two figures, by the inputs common to all points. Isc, Voc and Pmp come
    /// from different points, so that this is all there is; the others share points with Pmp.
    #[must_use]
    pub fn correlation(&self, one: Quantity, other: Quantity) -> f64 {
        let (a, b) = (one as usize, other as usize);
        let common = self.lines.iter().filter(|line| line.common);
        let shared: f64 = common.map(|line| line.contributions[a] * line.contributions[b]).sum();
        shared / (self.combined[a] * self.combined[b])
    }
}

/// The budget of a curve as measured.
///
/// # Errors
/// [`AnalysisError`] where the curve has no figures.
pub fn budget(
    curve: &Curve,
    analysis: &Analysis,
    inputs: &Inputs,
) -> Result<Budget, AnalysisError> {
    let (last, values) = analysis.shifted(curve.clone(), &Shift::NONE)?;
    let mut lines = Vec::new();
    for (k, (spec, (input, unit))) in inputs.common().iter().zip(COMMON).enumerate() {
        let standard = spec.standard();
        if standard > 0.0 {
            let contributions = both_sides(curve, analysis, (k, standard), inputs.raised)?;
            let shape = match spec {
                Spec::Limits(_) => Shape::Rectangular,
                Spec::Calibrated { .. } | Spec::Standard(_) => Shape::Normal,
            };
            let (kind, common) = (Kind::B, true);
            lines.push(Line { input, kind, shape, common, standard, unit, contributions });
        }
    }
    lines.extend(own_lines(curve, &last, analysis, inputs, &values));
    lines.extend(window_line(&last, &analysis.method, &values));
    lines.extend(ends_lines(&last, &analysis.method, &values));
    let acts = |line: &Line| {
        let shares = line.contributions.iter().zip(&values).map(|(u, value)| (u / value).abs());
        shares.fold(0.0, f64::max) > NOTHING
    };
    lines.retain(acts);
    let mut combined = [0.0; Quantity::ALL.len()];
    let mut coverage = [f64::NAN; Quantity::ALL.len()];
    for (k, (sum, coverage)) in combined.iter_mut().zip(&mut coverage).enumerate() {
        let parts = lines.iter().map(|line| (line.contributions[k], line.shape));
        *coverage = factor(parts.clone());
        *sum = parts.map(|(u, _)| u * u).sum::<f64>().sqrt();
    }
    Ok(Budget { values, lines, combined, coverage })
}

/// Half the difference of the figures with one common input moved to both sides.
fn both_sides(
    curve: &Curve,
    analysis: &Analysis,
    (input, standard): (usize, f64),
    raised: f64,
) -> Result<Figures, AnalysisError> {
    let mut shift = Shift { raised, ..Shift::NONE };
    shift.errors[input] = standard;
    let above = analysis.shifted(curve.clone(), &shift)?.1;
    shift.errors[input] = -standard;
    let below = analysis.shifted(curve.clone(), &shift)?.1;
    let mut half = [0.0; Quantity::ALL.len()];
    for (k, value) in half.iter_mut().enumerate() {
        *value = 0.5 * (above[k] - below[k]);
    }
    Ok(half)
}

/// Noise and resolution of each instrument.
fn own_lines(
    raw: &Curve,
    last: &Curve,
    analysis: &Analysis,
    inputs: &Inputs,
    values: &Figures,
) -> Vec<Line> {
    let Some(gains) = Gains::of(last, &analysis.method, values) else { return Vec::new() };
    // A correction may stretch the current (procedure 2), and its noise with it.
    let range = |curve: &Curve| {
        let amps = curve.points().iter().map(|p| p.amps.0);
        amps.clone().fold(f64::MIN, f64::max) - amps.fold(f64::MAX, f64::min)
    };
    let stretch = range(last) / range(raw);
    let lit = analysis.series.and(raw.mean_irradiance()).map_or(0.0, |lit| values[0] / lit.0);
    let step = 12_f64.sqrt();
    let Inputs { volts, amps, irradiance, .. } = inputs;
    [
        ("voltage, noise", Kind::A, volts.noise, "V", &gains.volts, 1.0),
        ("voltage, resolution", Kind::B, volts.resolution / step, "V", &gains.volts, 1.0),
        ("current, noise", Kind::A, amps.noise, "A", &gains.amps, stretch),
        ("current, resolution", Kind::B, amps.resolution / step, "A", &gains.amps, stretch),
        ("irradiance, noise", Kind::A, irradiance.noise, "W/m2", &gains.amps, lit),
        ("irradiance, resolution", Kind::B, irradiance.resolution / step, "W/m2", &gains.amps, lit),
    ]
    .into_iter()
    .filter(|(_, _, standard, _, _, scale)| standard * scale > 0.0)
    .map(|(input, kind, standard, unit, gains, scale)| {
        let contributions = gains.map(|gain| gain * standard * scale);
        // Many points of their own errors each add up to a normal sum.
        let (shape, common) = (Shape::Normal, false);
        Line { input, kind, shape, common, standard, unit, contributions }
    })
    .collect()
}

/// What a standard deviation of one volt and one ampere, new at each point, gives each figure.
struct Gains {
    volts: Figures,
    amps: Figures,
}

impl Gains {
    fn of(curve: &Curve, method: &Method, values: &Figures) -> Option<Self> {
        let isc = EndLine::through(curve, method.short_points, false, |p| (p.volts.0, p.amps.0));
        let isc = end(&isc, method.near_short, values[1]);
        // The open circuit's line has current as its first coordinate.
        let swapped = |p: &Point| (p.amps.0, p.volts.0);
        let voc = EndLine::through(curve, method.open_points, method.open_bent, swapped);
        let voc = end(&voc, method.near_open, values[0]);
        let crest = crest(curve, method)?;
        let gains = |isc: f64, voc: f64, [pmp, vmp, imp]: [f64; 3]| {
            let [isc_value, voc_value, pmp_value, .., ff, share] = *values;
            // The three come from different points.
            let relative =
                (pmp / pmp_value).powi(2) + (isc / isc_value).powi(2) + (voc / voc_value).powi(2);
            [isc, voc, pmp, vmp, imp, ff * relative.sqrt(), share * pmp / pmp_value]
        };
        Some(Self { volts: gains(isc.0, voc.1, crest.0), amps: gains(isc.1, voc.0, crest.1) })
    }
}

/// Standard deviation of an end's value per unit of its first and of its second coordinate, where
/// `scale` is the size of the first.
fn end(line: &EndLine, near: f64, scale: f64) -> (f64, f64) {
    if line.is_near(near, scale) {
        // The point itself: its first coordinate is not used at all.
        return (0.0, 1.0);
    }
    (line.slope.abs() * line.weight, line.weight)
}

/// The same for Pmp, Vmp and Imp: per volt, per ampere.
///
/// With the basis `b(u)` and `w = (A^T A)^-1 b(u*)`, `dPmp = sum (w b(u_i)) dP_i`; and
/// `dVmp = -dP'(u*)/P''(u*)` with the basis' derivative in place of `b`. A point's power changes by
/// `V dI` and, along the curve, by `(I - dP/dV) dV`.
fn crest(curve: &Curve, method: &Method) -> Option<([f64; 3], [f64; 3])> {
    let quartic = Quartic::fit(curve, &method.window).ok()?;
    let u = quartic.crest;
    let height = quartic.triangle.gram_solve(basis(u))?;
    let slope = quartic.triangle.gram_solve([0.0, 1.0, 2.0 * u, 3.0 * u * u, 4.0 * u * u * u])?;
    let (pmp, vmp) = (quartic.value(u), quartic.volts(u));
    let per_slope = -quartic.half() / quartic.bend();
    let (mut volts, mut amps) = ([0.0; 3], [0.0; 3]);
    for p in curve.points().iter().filter(|p| quartic.holds(p)) {
        let at = quartic.place(p.volts.0);
        let powers = basis(at);
        let weigh = |w: &[f64; 5]| w.iter().zip(powers).map(|(w, b)| w * b).sum::<f64>();
        let (dp, dv) = (weigh(&height), weigh(&slope) * per_slope);
        let weights = [dp, dv, (dp - pmp / vmp * dv) / vmp];
        let along = p.amps.0 - quartic.slope(at) / quartic.half();
        for (k, weight) in weights.iter().enumerate() {
            volts[k] += (weight * along).powi(2);
            amps[k] += (weight * p.volts.0).powi(2);
        }
    }
    Some((volts.map(f64::sqrt), amps.map(f64::sqrt)))
}

/// What hangs on the choice of the window: limits as wide as the farthest of the narrower windows, or a
/// share of the next wider one where there is none.
fn window_line(curve: &Curve, method: &Method, values: &Figures) -> Option<Line> {
    let own = method.window;
    let crest = |window: &Window| {
        parameters(curve, &Method { window: *window, ..*method }).ok().map(|found| found.pmp.0)
    };
    let pmp = values[2];
    let narrower = |w: &&Window| w.low > own.low && w.high < own.high;
    let mut half = f64::NAN;
    for window in Window::OTHERS.iter().filter(narrower) {
        half = crest(window).map_or(half, |other| half.max((other - pmp).abs()));
    }
    if half.is_nan() {
        let wider = Window::OTHERS.iter().rev().find(|w| w.low < own.low && w.high > own.high)?;
        half = NEXT_WINDOW * (crest(wider)? - pmp).abs();
    }
    let standard = half / 3_f64.sqrt();
    let relative = standard / pmp;
    let [.., ff, share] = *values;
    let contributions = [0.0, 0.0, standard, 0.0, 0.0, ff * relative, share * relative];
    Some(judged("choice of window", standard, "W", contributions))
}

fn judged(input: &'static str, standard: f64, unit: &'static str, contributions: Figures) -> Line {
    let (kind, shape, common) = (Kind::B, Shape::Rectangular, false);
    Line { input, kind, shape, common, standard, unit, contributions }
}

/// What the shape of the curve may hide where an end is extrapolated. Between points a straight line and
/// a parabola differ by noise alone.
fn ends_lines(curve: &Curve, method: &Method, values: &Figures) -> Vec<Line> {
    let Ok(found) = parameters(curve, method) else { return Vec::new() };
    let [isc, voc, .., ff, _] = *values;
    let mut lines = Vec::new();
    if found.isc.origin == Origin::Extrapolated {
        let straight = |p: &Point| (p.volts.0, p.amps.0);
        let [line, bent] =
            [false, true].map(|bent| EndLine::through(curve, method.short_points, bent, straight));
        let standard = hidden(&line, &bent, false);
        let contributions = [standard, 0.0, 0.0, 0.0, 0.0, ff * standard / isc, 0.0];
        lines.push(judged("Isc extrapolated: shape of the curve", standard, "A", contributions));
    }
    if found.voc.origin == Origin::Extrapolated {
        let swapped = |p: &Point| (p.amps.0, p.volts.0);
        let [line, bent] =
            [false, true].map(|bent| EndLine::through(curve, method.open_points, bent, swapped));
        let standard = hidden(&line, &bent, method.open_bent);
        let contributions = [0.0, standard, 0.0, 0.0, 0.0, ff * standard / voc, 0.0];
        lines.push(judged("Voc extrapolated: shape of the curve", standard, "V", contributions));
    }
    lines
}

/// Standard uncertainty of limits as wide as a parabola and a straight line through the same points
/// differ at the end. Where the parabola itself is taken, what it lacks is smaller by the share that the
/// way to the end has of the points' own reach.
fn hidden(line: &EndLine, bent: &EndLine, takes_bent: bool) -> f64 {
    let share = if takes_bent { line.beyond.min(1.0) } else { 1.0 };
    share * (line.value - bent.value).abs() / 3_f64.sqrt()
}
