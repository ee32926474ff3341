//! Charts for pages: axes, marks, lines and letters as inline SVG.
//!
//! Model: a [`Chart`] collects elements on a sheet of stated size; an [`Axis`] maps values to places on
//! it, linear or logarithmic, and knows its ticks. Colours are classes ([`STYLE`]) that follow the page's light or
//! dark scheme and print on white. Each series has a shape and a dash pattern of its own, so that
//! colour is never needed.
//!
//! Rejected: the drawing library of the other pictures. It writes colours into every element, which
//! makes a page that is right in one scheme only.

use super::page::escaped;
use std::fmt::Write as _;

/// What charts and their legends need in the page's style sheet. The colours are those of Okabe and Ito
/// (from memory), told apart by people with any colour vision.
pub(super) const STYLE: &str = "\
svg { font: 12px sans-serif; fill: currentColor } svg.chart { max-width: 100%; height: auto; display: block; margin: 1em 0 } \
svg .t { text-anchor: middle } svg .e { text-anchor: end } svg .s { font-size: 11px } svg .b { font-weight: bold } \
svg .grid { stroke: currentColor; stroke-opacity: .16; fill: none } svg .axis { stroke: currentColor; stroke-opacity: .6; fill: none } \
svg .crest { stroke: currentColor; stroke-opacity: .3; stroke-width: 5; fill: none } \
svg .bar { stroke-width: 1.2; fill: none } svg .line { stroke-width: 1.6; fill: none } \
svg .halo { stroke: var(--ground); stroke-width: 5; fill: none } svg .rule { stroke: var(--c3); stroke-width: 2; fill: none } \
svg .best { stroke: currentColor; stroke-width: 3; fill: none } svg .even { stroke: currentColor; stroke-width: 1.5; stroke-dasharray: 4 3; fill: none } \
svg .heat { fill: var(--c0); stroke: var(--ground) } \
svg .c0 { stroke: var(--c0) } svg .c1 { stroke: var(--c1) } svg .c2 { stroke: var(--c2) } svg .c3 { stroke: var(--c3) } \
svg .c4 { stroke: var(--c4) } svg .c5 { stroke: var(--c5) } svg .c6 { stroke: var(--c6) } svg .c7 { stroke: currentColor } \
svg .f0 { fill: var(--c0) } svg .f1 { fill: var(--c1) } svg .f2 { fill: var(--c2) } svg .f3 { fill: var(--c3) } \
svg .f4 { fill: var(--c4) } svg .f5 { fill: var(--c5) } svg .f6 { fill: var(--c6) } svg .f7 { fill: currentColor } svg .open { fill: var(--ground) }";

/// Shapes, colours and dash patterns; the ninth series has the first one's again.
const SERIES: usize = 8;
/// Size of a mark (px, half its width).
const MARK: f64 = 4.5;
const DASHES: [&str; SERIES] =
    ["", "6 3", "2 3", "9 3 2 3", "12 4", "4 2 1 2", "1 2", "14 3 3 3 3 3"];

/// A place on the sheet (px, from the upper left).
pub(super) type Spot = (f64, f64);

/// Values along one side of a chart.
#[derive(Clone, Copy, Debug)]
pub(super) struct Axis {
    /// Values at the ends.
    pub(super) low: f64,
    pub(super) high: f64,
    /// Their places (px).
    pub(super) from: f64,
    pub(super) to: f64,
    pub(super) logarithmic: bool,
}

impl Axis {
    /// A linear one over at least these values, from a round one to a round one.
    pub(super) fn linear((low, high): (f64, f64), (from, to): (f64, f64)) -> Self {
        let step = round_step((high - low).max(f64::MIN_POSITIVE) / 5.0);
        let (low, high) = ((low / step).floor() * step, (high / step).ceil() * step);
        Self { low, high: high.max(low + step), from, to, logarithmic: false }
    }

    /// A logarithmic one over at least these positive values, whole decades.
    pub(super) fn decades((low, high): (f64, f64), ends: (f64, f64)) -> Self {
        let low = 10_f64.powf(low.log10().floor());
        let high = 10_f64.powf(high.log10().ceil()).max(low * 10.0);
        Self::logarithmic((low, high), ends)
    }

    /// A logarithmic one between exactly these positive values.
    pub(super) fn logarithmic((low, high): (f64, f64), (from, to): (f64, f64)) -> Self {
        Self { low, high, from, to, logarithmic: true }
    }

    /// The place of a value; beyond the ends, the end.
    pub(super) fn at(&self, value: f64) -> f64 {
        let share = if self.logarithmic {
            (value.max(self.low) / self.low).ln() / (self.high / self.low).ln()
        } else {
            (value - self.low) / (self.high - self.low)
        };
        self.from + share.clamp(0.0, 1.0) * (self.to - self.from)
    }

    pub(super) fn holds(&self, value: f64) -> bool {
        (self.low..=self.high).contains(&value)
    }

    /// From tick to tick, of a linear one.
    fn step(&self) -> f64 {
        round_step((self.high - self.low) / 5.0)
    }

    /// A tick's number, with as many digits as tell it from its neighbours.
    fn label(&self, tick: f64) -> String {
        if self.logarithmic {
            return short(tick);
        }
        let digits = (-self.step().log10().floor()).clamp(0.0, 8.0) as usize;
        let text = format!("{:.digits$}", if tick.abs() < 1e-9 * self.step() { 0.0 } else { tick });
        if digits > 0 { text.trim_end_matches('0').trim_end_matches('.').to_owned() } else { text }
    }

    /// Where lines and numbers stand.
    pub(super) fn ticks(&self) -> Vec<f64> {
        if !self.logarithmic {
            let step = self.step();
            let first = (self.low / step - 1e-9).ceil();
            let count = (self.high / step - first + 1e-9).floor() as u32;
            return (0..=count).map(|k| (first + f64::from(k)) * step).collect();
        }
        let decades = (self.low.log10().floor() as i32)..=(self.high.log10().ceil() as i32);
        // Few decades leave room for twos and fives.
        let parts: &[f64] = if self.high / self.low > 2e3 { &[1.0] } else { &[1.0, 2.0, 5.0] };
        let all =
            decades.flat_map(|decade| parts.iter().map(move |part| part * 10_f64.powi(decade)));
        let slack = 1.0 + 1e-9;
        all.filter(|tick| *tick * slack >= self.low && *tick <= self.high * slack).collect()
    }
}

/// 1, 2 or 5 times a power of ten, at least `least`.
fn round_step(least: f64) -> f64 {
    let decade = 10_f64.powf(least.log10().floor());
    let part = [1.0, 2.0, 5.0].into_iter().find(|part| part * decade >= least * (1.0 - 1e-9));
    part.unwrap_or(10.0) * decade
}

/// A value in few digits: 0.05, 12, 1300.
pub(super) fn short(value: f64) -> String {
    let digits = (2 - value.abs().max(1e-12).log10().floor() as i32).clamp(0, 8);
    let text = format!("{value:.*}", digits as usize);
    if text.contains('.') {
        text.trim_end_matches('0').trim_end_matches('.').to_owned()
    } else {
        text
    }
}

/// How letters stand at their place.
#[derive(Clone, Copy, Debug)]
pub(super) enum Stand {
    Left,
    Middle,
    Right,
}

/// A sheet of elements.
#[derive(Debug)]
pub(super) struct Chart {
    body: String,
}

impl Chart {
    /// An empty one; the title is read out by screen readers.
    pub(super) fn new((width, height): Spot, title: &str) -> Self {
        let title = escaped(title);
        let body = format!(
            "<svg class=\"chart\" width=\"{width}\" \
             height=\"{height}\" viewBox=\"0 0 {width} {height}\" role=\"img\" \
             aria-label=\"{title}\">\n<title>{title}</title>\n"
        );
        Self { body }
    }

    /// The SVG element.
    pub(super) fn finish(mut self) -> String {
        self.body.push_str("</svg>\n");
        self.body
    }

    fn add(&mut self, element: std::fmt::Arguments<'_>) {
        // Writing to a String can't fail.
        let _ = self.body.write_fmt(element);
        self.body.push('\n');
    }

    pub(super) fn text(&mut self, (x, y): Spot, text: &str, stand: Stand, class: &str) {
        let stand = match stand {
            Stand::Left => "",
            Stand::Middle => "t ",
            Stand::Right => "e ",
        };
        let text = escaped(text);
        self.add(format_args!(
            "<text x=\"{x:.1}\" y=\"{y:.1}\" class=\"{stand}{class}\">{text}</text>"
        ));
    }

    /// Letters that read upward.
    pub(super) fn upright(&mut self, (x, y): Spot, text: &str) {
        let text = escaped(text);
        self.add(format_args!(
            "<text transform=\"translate({x:.1} {y:.1}) rotate(-90)\" class=\"t\">{text}</text>"
        ));
    }

    pub(super) fn line(&mut self, points: &[Spot], class: &str, dashes: &str) {
        let mut way = String::new();
        for (index, (x, y)) in points.iter().enumerate() {
            let _ = write!(way, "{}{x:.1} {y:.1}", if index == 0 { 'M' } else { 'L' });
        }
        if dashes.is_empty() {
            self.add(format_args!("<path d=\"{way}\" class=\"{class}\"/>"));
        } else {
            self.add(format_args!(
                "<path d=\"{way}\" class=\"{class}\" stroke-dasharray=\"{dashes}\"/>"
            ));
        }
    }

    pub(super) fn frame(&mut self, (x, y): Spot, (width, height): Spot, class: &str, opacity: f64) {
        self.add(format_args!(
            "<rect x=\"{x:.1}\" y=\"{y:.1}\" width=\"{width:.1}\" height=\"{height:.1}\" \
             class=\"{class}\" fill-opacity=\"{opacity:.2}\"/>"
        ));
    }

    /// The line of a series.
    pub(super) fn series(&mut self, points: &[Spot], series: usize) {
        let place = series % SERIES;
        self.line(points, &format!("line c{place}"), DASHES[place]);
    }

    /// An interval of a series, level.
    pub(super) fn interval(&mut self, (from, to): (f64, f64), y: f64, series: usize) {
        self.line(&[(from, y), (to, y)], &format!("bar c{}", series % SERIES), "");
    }

    /// The mark of a series.
    pub(super) fn mark(&mut self, (x, y): Spot, series: usize) {
        let place = series % SERIES;
        let m = MARK;
        let corners: &[Spot] = match place {
            0 => {
                let class = format!("f{place}");
                return self.add(format_args!(
                    "<circle cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"{:.1}\" class=\"{class}\"/>",
                    m * 0.85
                ));
            }
            1 => &[(-0.8, -0.8), (0.8, -0.8), (0.8, 0.8), (-0.8, 0.8)],
            2 => &[(0.0, -1.1), (1.0, 0.8), (-1.0, 0.8)],
            3 => &[(0.0, -1.2), (1.0, 0.0), (0.0, 1.2), (-1.0, 0.0)],
            4 => &[(0.0, 1.1), (1.0, -0.8), (-1.0, -0.8)],
            5 => &[(-0.35, -1.0), (0.35, -1.0), (0.35, 1.0), (-0.35, 1.0)],
            6 => &[(-1.1, -0.35), (1.1, -0.35), (1.1, 0.35), (-1.1, 0.35)],
            _ => &[
                (0.0, -1.1),
                (0.4, -0.2),
                (1.1, 0.0),
                (0.4, 0.2),
                (0.0, 1.1),
                (-0.4, 0.2),
                (-1.1, 0.0),
                (-0.4, -0.2),
            ],
        };
        let mut way = String::new();
        for (index, (dx, dy)) in corners.iter().enumerate() {
            let _ = write!(
                way,
                "{}{:.1} {:.1}",
                if index == 0 { 'M' } else { 'L' },
                x + dx * m,
                y + dy * m
            );
        }
        self.add(format_args!("<path d=\"{way}Z\" class=\"f{place}\"/>"));
    }

    /// Vertical lines and numbers below for a level axis.
    pub(super) fn level_axis(&mut self, axis: &Axis, (top, bottom): (f64, f64), name: &str) {
        for tick in axis.ticks() {
            let x = axis.at(tick);
            self.line(&[(x, top), (x, bottom)], "grid", "");
            self.text((x, bottom + 16.0), &axis.label(tick), Stand::Middle, "s");
        }
        self.line(&[(axis.from, bottom), (axis.to, bottom)], "axis", "");
        self.text((f64::midpoint(axis.from, axis.to), bottom + 34.0), name, Stand::Middle, "");
    }

    /// Level lines and numbers to the left for an upright axis.
    pub(super) fn upright_axis(&mut self, axis: &Axis, (left, right): (f64, f64), name: &str) {
        for tick in axis.ticks() {
            let y = axis.at(tick);
            self.line(&[(left, y), (right, y)], "grid", "");
            self.text((left - 6.0, y + 4.0), &axis.label(tick), Stand::Right, "s");
        }
        self.line(&[(left, axis.from), (left, axis.to)], "axis", "");
        self.upright((left - 48.0, f64::midpoint(axis.from, axis.to)), name);
    }
}

/// A mark with its piece of line, for legends in text.
pub(super) fn key(series: usize) -> String {
    let mut chart =
        Chart { body: "<svg width=\"34\" height=\"12\" aria-hidden=\"true\">".to_owned() };
    chart.series(&[(0.0, 6.0), (34.0, 6.0)], series);
    chart.mark((17.0, 6.0), series);
    chart.body.push_str("</svg>");
    chart.body
}
