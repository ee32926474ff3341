//! A day of a log as one SVG picture.
//!
//! Model: one panel per channel, power over UTC hours: the one-minute mean as a solid line on the
//! band from least to largest, the crest (rehearsals only) as a thin dashed line; below them irradiance, each channel with its own colour and its own dashes, so that the picture can
//! be read without colours too. The drawing library places only at whole pixels and draws every
//! dash as an element of its own; so the picture is drawn `SCALE` times as large and shown
//! smaller, and dashes are given as an attribute to all lines of a stroke's width afterwards.
//! Rejected: a picture per channel, because the same cloud should be seen over all of them.

pub use super::day::PictureError;
use super::day::{ChannelDay, Day};
use crate::store::Reader;
use plotters::coord::Shift;
use plotters::coord::types::RangedCoordf64;
use plotters::prelude::*;
use plotters::style::text_anchor::{HPos, Pos, VPos};

/// Drawn pixels per shown one: lines are placed to a quarter of a pixel.
const SCALE: u32 = 4;
/// Shown sizes (px).
const WIDTH: u32 = 900;
const HEADER: u32 = 70;
const PANEL: u32 = 205;
const FOOT: u32 = 24;
const TITLE_ROW: i32 = 24;
const LEFT: i32 = 66;
const RIGHT: i32 = 24;
/// The library divides sizes of letters by this much.
const LETTER_RATIO: f64 = 1.24;
/// Time from one point to the next above which a line is interrupted (h): one missing minute.
const BREAK: f64 = 1.5 / 60.0;
/// Free space above the largest value.
const HEADROOM: f64 = 1.06;
/// Values beyond this are taken for damage (W, W/m2): no device or sky gives them, and on an axis
/// that reaches there nothing else could be seen.
const LARGEST: f64 = 1e9;
/// An axis reaches at least this far (W, W/m2): less is the scatter of a dark day.
const SMALLEST: f64 = 1e-6;

const INK: RGBColor = RGBColor(38, 38, 38);
const GRID: RGBColor = RGBColor(226, 226, 226);
/// Told apart also by people who see few colours: they differ in lightness as well.
const COLOURS: [RGBColor; 5] = [
    RGBColor(0, 92, 158),
    RGBColor(196, 92, 0),
    RGBColor(0, 122, 84),
    RGBColor(136, 34, 98),
    RGBColor(92, 92, 92),
];
/// Opacity of the band from least to largest.
const BAND: f64 = 0.25;

/// A kind of line: its width in drawn pixels, which no other kind has, and its dashes.
#[derive(Clone, Copy)]
struct Stroke {
    width: u32,
    dashes: &'static str,
}

const MEAN: Stroke = Stroke { width: 4, dashes: "" };
const CREST: Stroke = Stroke { width: 3, dashes: "14 9" };
/// Irradiance of the first, second, ... channel.
const LIGHT: [Stroke; 3] = [
    Stroke { width: 8, dashes: "" },
    Stroke { width: 5, dashes: "20 16" },
    Stroke { width: 7, dashes: "7 10" },
];

/// A picture of a day.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Picture {
    /// The date it shows, ISO 8601.
    pub date: String,
    /// The SVG document.
    pub svg: String,
}

type Area<'a> = DrawingArea<SVGBackend<'a>, Shift>;
type Chart<'a> = ChartContext<'a, SVGBackend<'a>, Cartesian2d<RangedCoordf64, RangedCoordf64>>;
type Segment = Vec<(f64, f64)>;

/// Draws the day `date` of a log, or the last one that has rows.
///
/// # Errors
/// The log can't be read, or has no one-minute records (on this date).
pub fn draw_day(reader: &Reader, date: Option<&str>) -> Result<Picture, PictureError> {
    let day = Day::gather(reader, date)?;
    let panels = u32::try_from(day.channels.len() + 1).unwrap_or(u32::MAX);
    let height = panels.saturating_mul(PANEL).saturating_add(HEADER + FOOT).min(u32::MAX / SCALE);
    let mut svg = String::new();
    {
        let root =
            SVGBackend::with_string(&mut svg, (WIDTH * SCALE, height * SCALE)).into_drawing_area();
        draw(&root, &day).map_err(|why| PictureError::Drawing { why })?;
    }
    Ok(Picture { svg: finished(&svg, height), date: day.date })
}

/// Shows the drawing at its size and gives the strokes their dashes.
fn finished(svg: &str, height: u32) -> String {
    let drawn = format!("width=\"{}\" height=\"{}\"", WIDTH * SCALE, height * SCALE);
    let mut svg = svg.replacen(&drawn, &format!("width=\"{WIDTH}\" height=\"{height}\""), 1);
    for stroke in [CREST].iter().chain(&LIGHT).filter(|stroke| !stroke.dashes.is_empty()) {
        let width = format!("stroke-width=\"{}\"", stroke.width);
        let dashes = format!("{width} stroke-dasharray=\"{}\"", stroke.dashes);
        svg = svg.replace(&width, &dashes);
    }
    svg
}

fn words(error: impl std::fmt::Display) -> String {
    error.to_string()
}

fn draw(root: &Area<'_>, day: &Day) -> Result<(), String> {
    root.fill(&WHITE).map_err(words)?;
    let (header, below) = root.split_vertically(HEADER * SCALE);
    draw_header(&header, day)?;
    let hours = day.hours();
    let mut rest = below;
    for (index, channel) in day.channels.iter().enumerate() {
        let (panel, after) = rest.split_vertically(PANEL * SCALE);
        draw_power(&panel, channel, hours, COLOURS[index % COLOURS.len()])?;
        rest = after;
    }
    draw_irradiance(&rest, day, hours)?;
    root.present().map_err(words)
}

fn draw_header(area: &Area<'_>, day: &Day) -> Result<(), String> {
    let title = if day.station.is_empty() {
        day.date.clone()
    } else {
        format!("{}, {}", day.station, day.date)
    };
    write(area, &title, (px(LEFT), px(24)), 19.0, HPos::Left)?;
    let row = 52;
    legend_line(area, (LEFT, row), INK, MEAN)?;
    write(area, "mean of the minute", (px(LEFT + 38), px(row)), 12.0, HPos::Left)?;
    let x = LEFT + 172;
    let band = [(px(x), px(row - 6)), (px(x + 30), px(row + 6))];
    area.draw(&Rectangle::new(band, INK.mix(BAND).filled())).map_err(words)?;
    write(area, "least to largest", (px(x + 38), px(row)), 12.0, HPos::Left)?;
    if day.channels.iter().any(|channel| !channel.crest.is_empty()) {
        let x = x + 146;
        legend_line(area, (x, row), INK, CREST)?;
        let text = "crest, seen where the mean falls short of it";
        write(area, text, (px(x + 38), px(row)), 12.0, HPos::Left)?;
    }
    Ok(())
}

fn draw_power(
    area: &Area<'_>,
    channel: &ChannelDay,
    hours: (f64, f64),
    colour: RGBColor,
) -> Result<(), String> {
    write(area, &heading(channel), (px(LEFT), px(12)), 13.5, HPos::Left)?;
    let watts = || channel.points.iter().filter(|point| point.watts.count > 0);
    let highs = watts().map(|p| p.watts.max).chain(channel.crest.iter().map(|&(_, crest)| crest));
    let lows = watts().map(|point| point.watts.min);
    let mut chart = chart(area, hours, (lowest(lows), highest(highs)), "power (W)")?;
    // Both edges are interrupted at the same places.
    let band = || watts().filter(|point| drawable(point.watts.min) && drawable(point.watts.max));
    let least = segments(band().map(|point| (point.hour, point.watts.min)));
    let largest = segments(band().map(|point| (point.hour, point.watts.max)));
    for (mut edge, upper) in least.into_iter().zip(largest) {
        edge.extend(upper.into_iter().rev());
        let band = Polygon::new(edge, colour.mix(BAND));
        chart.draw_series(std::iter::once(band)).map_err(words)?;
    }
    let mean = segments(watts().map(|point| (point.hour, point.watts.mean)));
    // The crest lies below the mean: it comes out where the tracker fell short of it.
    line(&mut chart, segments(channel.crest.iter().copied()), INK, CREST)?;
    line(&mut chart, mean, colour, MEAN)
}

fn draw_irradiance(area: &Area<'_>, day: &Day, hours: (f64, f64)) -> Result<(), String> {
    write(area, "Irradiance", (px(LEFT), px(12)), 13.5, HPos::Left)?;
    let lit = |channel: &ChannelDay| -> Vec<(f64, f64)> {
        let light = channel.points.iter();
        light.filter_map(|point| Some((point.hour, point.irradiance?))).collect()
    };
    let highs = day.channels.iter().flat_map(lit).map(|(_, irradiance)| irradiance);
    let range = (0.0, highest(highs));
    let foot = area.margin(0, FOOT * SCALE, 0, 0);
    let mut chart = chart(&foot, hours, range, "irradiance (W/m\u{b2})")?;
    let mut x = LEFT + 96;
    for (index, channel) in day.channels.iter().enumerate() {
        let (colour, stroke) = (COLOURS[index % COLOURS.len()], LIGHT[index % LIGHT.len()]);
        line(&mut chart, segments(lit(channel).into_iter()), colour, stroke)?;
        legend_line(area, (x, 12), colour, stroke)?;
        write(area, &channel.name, (px(x + 38), px(12)), 12.0, HPos::Left)?;
        // Letters of 12 px are some 7 px wide; the next entry keeps its distance.
        x += 62 + 7 * i32::try_from(channel.name.chars().count()).unwrap_or(0);
    }
    let (width, height) = area.dim_in_pixel();
    let middle = i32::try_from(width).unwrap_or(0) / 2 + px(LEFT - RIGHT) / 2;
    let bottom = i32::try_from(height).unwrap_or(0) - px(12);
    let time = if day.by_the_sun { "time of day (mean solar time)" } else { "time of day (UTC)" };
    write(area, time, (middle, bottom), 12.0, HPos::Center)
}

fn heading(channel: &ChannelDay) -> String {
    let mut text = channel.name.clone();
    if !channel.device.is_empty() {
        text = format!("{text} ({})", channel.device);
    }
    match (channel.energy, channel.available) {
        (Some(energy), Some(available)) if available.0 > 0.0 => {
            let share = 100.0 * energy.0 / available.0;
            format!("{text}: {:.1} Wh, {share:.2} % of the crest's {:.1} Wh", energy.0, available.0)
        }
        (Some(energy), _) => format!("{text}: {:.1} Wh", energy.0),
        (None, _) => format!("{text}: energy unknown"),
    }
}

/// An empty panel with axes, below its heading.
fn chart<'a>(
    area: &Area<'a>,
    (first, last): (f64, f64),
    (low, high): (f64, f64),
    name: &str,
) -> Result<Chart<'a>, String> {
    let mut chart = ChartBuilder::on(area)
        .margin_top(px(TITLE_ROW))
        .margin_right(px(RIGHT))
        .x_label_area_size(px(22))
        .y_label_area_size(px(LEFT))
        .build_cartesian_2d(first..last, low..high)
        .map_err(words)?;
    chart
        .configure_mesh()
        .x_labels(13)
        .y_labels(5)
        .x_label_formatter(&|hour| clock(*hour))
        .y_label_formatter(&|value| format!("{value}"))
        .label_style(letters(11.0))
        .axis_style(INK.stroke_width(SCALE))
        .bold_line_style(GRID.stroke_width(SCALE))
        .light_line_style(TRANSPARENT)
        .set_all_tick_mark_size(px(4))
        .draw()
        .map_err(words)?;
    // The library would put this at the very edge, where large letters are cut off.
    let (_, down) = chart.plotting_area().get_pixel_range();
    let middle = (down.start + down.end) / 2 - area.get_base_pixel().1;
    let style = ("sans-serif", letter_size(12.0)).into_font().transform(FontTransform::Rotate270);
    let style = style.color(&INK).pos(Pos::new(HPos::Center, VPos::Center));
    area.draw_text(name, &style, (px(16), middle)).map_err(words)?;
    Ok(chart)
}

/// An hour of the day as people write it.
fn clock(hour: f64) -> String {
    #[expect(clippy::cast_possible_truncation, reason = "an axis label lies within the day")]
    let minutes = (hour * 60.0).round() as i64;
    format!("{:02}:{:02}", minutes / 60, minutes % 60)
}

fn line(
    chart: &mut Chart<'_>,
    segments: Vec<Segment>,
    colour: RGBColor,
    stroke: Stroke,
) -> Result<(), String> {
    for segment in segments {
        let path = PathElement::new(segment, colour.stroke_width(stroke.width));
        chart.draw_series(std::iter::once(path)).map_err(words)?;
    }
    Ok(())
}

fn legend_line(
    area: &Area<'_>,
    (x, y): (i32, i32),
    colour: RGBColor,
    stroke: Stroke,
) -> Result<(), String> {
    let ends = [(px(x), px(y)), (px(x + 30), px(y))];
    area.draw(&PathElement::new(ends, colour.stroke_width(stroke.width))).map_err(words)
}

fn write(area: &Area<'_>, text: &str, at: (i32, i32), size: f64, side: HPos) -> Result<(), String> {
    let style = letters(size).pos(Pos::new(side, VPos::Center));
    area.draw_text(text, &style, at).map_err(words)
}

/// Letters of a shown size (px).
fn letters(size: f64) -> TextStyle<'static> {
    ("sans-serif", letter_size(size)).into_font().color(&INK)
}

fn letter_size(shown: f64) -> f64 {
    shown * f64::from(SCALE) * LETTER_RATIO
}

/// Runs of neighbouring points; what is no number is left out and interrupts the line.
fn segments(points: impl Iterator<Item = (f64, f64)>) -> Vec<Segment> {
    let mut found: Vec<Segment> = Vec::new();
    for (hour, value) in points.filter(|(_, value)| drawable(*value)) {
        match found.last_mut() {
            Some(run) if run.last().is_some_and(|&(before, _)| hour - before <= BREAK) => {
                run.push((hour, value));
            }
            _ => found.push(vec![(hour, value)]),
        }
    }
    found
}

/// Whether a value can be placed on an axis.
fn drawable(value: f64) -> bool {
    value.is_finite() && value.abs() <= LARGEST
}

fn highest(values: impl Iterator<Item = f64>) -> f64 {
    let highest = values.filter(|value| drawable(*value)).fold(0.0, f64::max) * HEADROOM;
    if highest > SMALLEST { highest } else { 1.0 }
}

fn lowest(values: impl Iterator<Item = f64>) -> f64 {
    values.filter(|value| drawable(*value)).fold(0.0, f64::min) * HEADROOM
}

/// Shown pixels as drawn ones.
const fn px(shown: i32) -> i32 {
    shown * SCALE.cast_signed()
}
