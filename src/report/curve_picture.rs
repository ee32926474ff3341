//! A picture of a curve: current and power over voltage with crest and fit, and the residual below.
//!
//! Model: one drawing, made four times as large as shown, on an SVG document or on a canvas that
//! becomes a PNG of twice the shown size. Points are circles, the fit a line through them, power a
//! dashed line on the scale to the right, the crest a cross: shapes differ, so that no colour is needed
//! to read it. The panel below has the same axis and shows the fit's current less the measured one.

use super::curve::CurveReport;
use super::raster::{Raster, png};
use crate::quantities::Volts;
use plotters::coord::Shift;
use plotters::prelude::*;
use plotters::style::text_anchor::{HPos, Pos, VPos};

/// Drawn pixels per shown one.
const SCALE: u32 = 4;
/// A PNG has this many pixels for each drawn one in a row, inverted.
const PNG_FACTOR: u32 = 2;
/// Shown size (px).
const WIDTH: u32 = 900;
const HEIGHT: u32 = 640;
const HEADER: u32 = 66;
const RESIDUAL: u32 = 170;
const SIDE: u32 = 70;
/// The library divides sizes of letters by this much.
const LETTER_RATIO: f64 = 1.24;
/// Points of a drawn line.
const LINE_POINTS: u32 = 240;
/// Free space above the largest value.
const HEADROOM: f64 = 1.08;

const INK: RGBColor = RGBColor(38, 38, 38);
const GRID: RGBColor = RGBColor(226, 226, 226);
const CURRENT: RGBColor = RGBColor(0, 92, 158);
const POWER: RGBColor = RGBColor(196, 92, 0);
const CREST: RGBColor = RGBColor(136, 34, 98);

/// The picture as an SVG document.
///
/// # Errors
/// What the drawing library says.
pub fn svg(report: &CurveReport) -> Result<String, String> {
    let mut svg = String::new();
    {
        let backend = SVGBackend::with_string(&mut svg, (WIDTH * SCALE, HEIGHT * SCALE));
        draw(&backend.into_drawing_area(), report)?;
    }
    let drawn = format!("width=\"{}\" height=\"{}\"", WIDTH * SCALE, HEIGHT * SCALE);
    Ok(svg.replacen(&drawn, &format!("width=\"{WIDTH}\" height=\"{HEIGHT}\""), 1))
}

/// The picture as a PNG file.
///
/// # Errors
/// What the drawing library or the encoder says.
pub fn png_file(report: &CurveReport) -> Result<Vec<u8>, String> {
    let (width, height) = (WIDTH * SCALE, HEIGHT * SCALE);
    let mut pixels = vec![[255_u8; 3]; width as usize * height as usize];
    draw(&Raster::new(&mut pixels, width, height).into_drawing_area(), report)?;
    png(&pixels, (width, height), PNG_FACTOR)
}

fn words(error: impl std::fmt::Display) -> String {
    error.to_string()
}

fn draw<B: DrawingBackend>(
    root: &DrawingArea<B, Shift>,
    report: &CurveReport,
) -> Result<(), String> {
    root.fill(&WHITE).map_err(words)?;
    let (header, below) = root.split_vertically(HEADER * SCALE);
    let (main, residual) = below.split_vertically((HEIGHT - HEADER - RESIDUAL) * SCALE);
    draw_header(&header, report)?;
    draw_curve(&main, report)?;
    draw_residual(&residual, report)?;
    root.present().map_err(words)
}

fn draw_header<B: DrawingBackend>(
    area: &DrawingArea<B, Shift>,
    report: &CurveReport,
) -> Result<(), String> {
    let p = &report.parameters;
    let at = match (report.curve.mean_irradiance(), report.curve.mean_cell()) {
        (Some(g), Some(t)) => format!(" at {g:.0}, {t:.1}"),
        (Some(g), None) => format!(" at {g:.0}"),
        _ => String::new(),
    };
    let title = format!("{}{at}: {} curve", report.name, report.quality.grade.word());
    write(area, &title, (SIDE, 20), 19.0)?;
    let ff = p.ff.map_or(String::new(), |ff| format!(", FF {ff:.4}"));
    let end = |value: Option<String>| value.unwrap_or_else(|| "unknown".to_owned());
    let figures = format!(
        "Pmp {:.3} at {:.3} and {:.4}, Isc {}, Voc {}{ff}",
        p.pmp,
        p.vmp,
        p.imp,
        end(p.isc.value.map(|isc| format!("{isc:.4}"))),
        end(p.voc.value.map(|voc| format!("{voc:.3}")))
    );
    write(area, &figures, (SIDE, 46), 12.0)
}

/// Range of voltage (V) of both panels.
fn range(report: &CurveReport) -> (f64, f64) {
    let points = report.curve.points();
    let (first, last) = (points[0].volts.0, points[points.len() - 1].volts.0);
    let margin = 0.02 * (last - first);
    (first.min(0.0) - margin, last + margin)
}

fn draw_curve<B: DrawingBackend>(
    area: &DrawingArea<B, Shift>,
    report: &CurveReport,
) -> Result<(), String> {
    let points = report.curve.points();
    let (low, high) = range(report);
    let amps = points.iter().map(|p| p.amps.0).fold(0.0, f64::max) * HEADROOM;
    let least = points.iter().map(|p| p.amps.0).fold(0.0, f64::min).max(-0.1 * amps);
    let watts = report.parameters.pmp.0 * HEADROOM;
    let mut chart = ChartBuilder::on(area)
        .margin_top(px(8))
        .x_label_area_size(px(24))
        .y_label_area_size(px(SIDE))
        .right_y_label_area_size(px(SIDE))
        .build_cartesian_2d(low..high, least..amps)
        .map_err(words)?
        .set_secondary_coord(low..high, least / amps * watts..watts);
    mesh(&mut chart)?;
    upright(area, "current (A)", 16)?;
    upright(area, "power (W)", WIDTH - 14)?;
    chart
        .configure_secondary_axes()
        .label_style(letters(11.0))
        .axis_style(INK.stroke_width(SCALE))
        .set_all_tick_mark_size(px(4))
        .draw()
        .map_err(words)?;
    let drawable = |v: f64, i: f64| i >= least && (low..=high).contains(&v);
    let power = points.iter().map(|p| (p.volts.0, (p.volts * p.amps).0));
    let power = power.filter(|(_, watts)| *watts >= least / amps * watts);
    let dashed = DashedLineSeries::new(power, px(7), px(4), POWER.stroke_width(6));
    chart.draw_secondary_series(dashed).map_err(words)?;
    if let Ok(fit) = &report.fit {
        let at = |k: u32| {
            let v = low + (high - low) * f64::from(k) / f64::from(LINE_POINTS);
            (v, fit.diode.current(Volts(v)).0)
        };
        let line = (0..=LINE_POINTS).map(at).filter(|&(v, i)| drawable(v, i) && i <= amps);
        chart.draw_series(LineSeries::new(line, CURRENT.stroke_width(5))).map_err(words)?;
    }
    let circles = points.iter().filter(|p| drawable(p.volts.0, p.amps.0));
    let circle = |v: f64, i: f64| Circle::new((v, i), px(3), CURRENT.stroke_width(3));
    chart.draw_series(circles.map(|p| circle(p.volts.0, p.amps.0))).map_err(words)?;
    let p = &report.parameters;
    let crest = Cross::new((p.vmp.0, p.imp.0), px(7), CREST.stroke_width(8));
    chart.draw_series(std::iter::once(crest)).map_err(words)?;
    let crest = Cross::new((p.vmp.0, p.pmp.0), px(7), CREST.stroke_width(8));
    chart.draw_secondary_series(std::iter::once(crest)).map_err(words)?;
    legend(area, report.fit.is_ok())
}

/// What the signs mean, inside the empty lower middle of the panel.
fn legend<B: DrawingBackend>(area: &DrawingArea<B, Shift>, fitted: bool) -> Result<(), String> {
    let x = SIDE + 330;
    let y = HEIGHT - HEADER - RESIDUAL - 120;
    let at = |dx: u32, dy: u32| (drawn(x + dx), drawn(y + dy));
    area.draw(&Circle::new(at(15, 0), px(3), CURRENT.stroke_width(3))).map_err(words)?;
    write(area, "current, measured", (x + 40, y), 12.0)?;
    let mut row = 22;
    if fitted {
        let line = vec![at(0, row), at(30, row)];
        area.draw(&PathElement::new(line, CURRENT.stroke_width(5))).map_err(words)?;
        write(area, "current, single diode", (x + 40, y + row), 12.0)?;
        row += 22;
    }
    for dash in [0, 11, 22] {
        let line = vec![at(dash, row), at(dash + 7, row)];
        area.draw(&PathElement::new(line, POWER.stroke_width(6))).map_err(words)?;
    }
    write(area, "power", (x + 40, y + row), 12.0)?;
    area.draw(&Cross::new(at(15, row + 22), px(7), CREST.stroke_width(8))).map_err(words)?;
    write(area, "crest", (x + 40, y + row + 22), 12.0)
}

fn draw_residual<B: DrawingBackend>(
    area: &DrawingArea<B, Shift>,
    report: &CurveReport,
) -> Result<(), String> {
    let fit = match &report.fit {
        Ok(fit) => fit,
        Err(_) => return write(area, "no single diode fits this curve", (SIDE, 30), 12.0),
    };
    let points = report.curve.points();
    let error = |p: &crate::curve::Point| (fit.diode.current(p.volts) - p.amps).0 * 1e3;
    let most = points.iter().map(|p| error(p).abs()).fold(1e-6, f64::max) * HEADROOM;
    let (low, high) = range(report);
    let mut chart = ChartBuilder::on(area)
        .margin_top(px(8))
        .x_label_area_size(px(40))
        .y_label_area_size(px(SIDE))
        .margin_right(px(SIDE))
        .build_cartesian_2d(low..high, -most..most)
        .map_err(words)?;
    mesh(&mut chart)?;
    upright(area, "residual (mA)", 16)?;
    let zero = LineSeries::new([(low, 0.0), (high, 0.0)], INK.stroke_width(SCALE));
    chart.draw_series(zero).map_err(words)?;
    let circle = |p| Circle::new(p, px(2), CURRENT.filled());
    chart.draw_series(points.iter().map(|p| circle((p.volts.0, error(p))))).map_err(words)?;
    let name = ("sans-serif", letter_size(12.0)).into_font().color(&INK);
    let name = name.pos(Pos::new(HPos::Center, VPos::Center));
    area.draw_text("voltage (V)", &name, (drawn(WIDTH / 2), drawn(RESIDUAL - 10))).map_err(words)
}

type Plane =
    Cartesian2d<plotters::coord::types::RangedCoordf64, plotters::coord::types::RangedCoordf64>;

/// The name of an axis, read from below, in the middle of a panel's height. The library would put it
/// at the very edge, where letters are cut off.
fn upright<B: DrawingBackend>(
    area: &DrawingArea<B, Shift>,
    name: &str,
    x: u32,
) -> Result<(), String> {
    let style = ("sans-serif", letter_size(12.0)).into_font().transform(FontTransform::Rotate270);
    let style = style.color(&INK).pos(Pos::new(HPos::Center, VPos::Center));
    let middle = (area.dim_in_pixel().1 / 2).cast_signed();
    area.draw_text(name, &style, (drawn(x), middle)).map_err(words)
}

fn mesh<B: DrawingBackend>(chart: &mut ChartContext<'_, B, Plane>) -> Result<(), String> {
    chart
        .configure_mesh()
        .x_labels(12)
        .y_labels(6)
        .label_style(letters(11.0))
        .axis_style(INK.stroke_width(SCALE))
        .bold_line_style(GRID.stroke_width(SCALE))
        .light_line_style(TRANSPARENT)
        .set_all_tick_mark_size(px(4))
        .draw()
        .map_err(words)
}

fn write<B: DrawingBackend>(
    area: &DrawingArea<B, Shift>,
    text: &str,
    (x, y): (u32, u32),
    size: f64,
) -> Result<(), String> {
    let style = letters(size).pos(Pos::new(HPos::Left, VPos::Center));
    area.draw_text(text, &style, (drawn(x), drawn(y))).map_err(words)
}

/// Letters of a shown size (px).
fn letters(size: f64) -> TextStyle<'static> {
    ("sans-serif", letter_size(size)).into_font().color(&INK)
}

fn letter_size(shown: f64) -> f64 {
    shown * f64::from(SCALE) * LETTER_RATIO
}

/// Shown pixels as drawn ones.
const fn px(shown: u32) -> u32 {
    shown * SCALE
}

/// The same as a coordinate.
const fn drawn(shown: u32) -> i32 {
    (shown * SCALE).cast_signed()
}
