//! Pictures of a campaign's page: its days, its brightest day, its curves, and where the energy went.

use super::chart::{Axis, Chart, Stand, short};
use super::season::{
    BrightestDay, ChannelTold, CurveTold, FigureTold, LossesTold, PeriodTold, fixed,
};
use crate::time::Utc;

const WIDTH: f64 = 1000.0;
const HEIGHT: f64 = 220.0;
/// Where a chart's field begins and ends (px).
const FIELD: (f64, f64) = (70.0, WIDTH - 20.0);
/// Height of a bar of the losses (px).
const ROW: f64 = 26.0;
/// A day's bar at most (px).
const WIDEST: f64 = 60.0;
/// Dates below a chart, at most.
const DATES: usize = 10;
/// Of more minutes than this without a value, or apart (h), a line is broken.
const APART: f64 = 2.5 / 60.0;

/// Energy and performance ratio of each day.
pub(super) fn by_day(one: &ChannelTold) -> String {
    let energies = one.days.iter().map(|day| Some(day.energy_wh)).collect::<Vec<_>>();
    let mut figures = figure(
        &days(&format!("Energy by day of {}", one.channel), &one.days, &energies, "Wh"),
        "Energy of each day (Wh).",
    );
    let ratios: Vec<Option<f64>> = one.days.iter().map(|day| day.performance_ratio).collect();
    if ratios.iter().any(Option::is_some) {
        let title = format!("Performance ratio by day of {}", one.channel);
        figures.push_str(&figure(
            &days(&title, &one.days, &ratios, "PR"),
            "Performance ratio of each day, where its light is known.",
        ));
    }
    figures
}

fn figure(picture: &str, caption: &str) -> String {
    format!("<figure>\n{picture}<figcaption>{caption}</figcaption>\n</figure>\n")
}

/// A bar a day from zero up.
fn days(title: &str, all: &[PeriodTold], values: &[Option<f64>], unit: &str) -> String {
    let bottom = HEIGHT - 34.0;
    let most =
        values.iter().flatten().copied().filter(|value| value.is_finite()).fold(0.0, f64::max);
    let upright = Axis::linear((0.0, most.max(1e-6)), (bottom, 14.0));
    let each = (FIELD.1 - FIELD.0) / all.len().max(1) as f64;
    let mut chart = Chart::new((WIDTH, HEIGHT), title);
    chart.upright_axis(&upright, FIELD, unit);
    let apart = all.len().div_ceil(DATES).max(1);
    for (index, (day, value)) in all.iter().zip(values).enumerate() {
        let left = FIELD.0 + each * index as f64;
        if let Some(value) = value.filter(|value| value.is_finite()) {
            let top = upright.at(value);
            let wide = (0.8 * each).min(WIDEST);
            let corner = (left + 0.5 * (each - wide), top);
            chart.frame(corner, (wide, bottom - top), "heat", 0.8);
        }
        if index.is_multiple_of(apart) {
            let place = (left + each / 2.0, bottom + 17.0);
            chart.text(place, &day.period, Stand::Middle, "s");
        }
    }
    chart.line(&[(FIELD.0, bottom), (FIELD.1, bottom)], "axis", "");
    chart.finish()
}

/// Power and irradiance over the brightest day.
pub(super) fn brightest(name: &str, day: &BrightestDay) -> String {
    let power: Vec<(f64, Option<f64>)> = day.minutes.iter().map(|at| (at.0, at.1)).collect();
    let light: Vec<(f64, Option<f64>)> = day.minutes.iter().map(|at| (at.0, at.2)).collect();
    let title = format!("{name} on {}", day.date);
    let mut pictures = hours(&format!("Power of {title}"), &power, "W");
    let mut caption = format!("The brightest day, {}: mean power of each minute (W)", day.date);
    if light.iter().any(|at| at.1.is_some()) {
        pictures.push_str(&hours(&format!("Irradiance on {title}"), &light, "W/m2"));
        caption.push_str(", and irradiance in the plane (W/m2)");
    }
    figure(&pictures, &format!("{caption}, over the hour of the day as the log counts it."))
}

/// A line over the hours of a day, broken where minutes are missing.
fn hours(title: &str, values: &[(f64, Option<f64>)], unit: &str) -> String {
    let bottom = HEIGHT - 34.0;
    let known: Vec<(f64, f64)> = values
        .iter()
        .filter_map(|(hour, value)| Some((*hour, value.filter(|value| value.is_finite())?)))
        .collect();
    let most = known.iter().map(|at| at.1).fold(0.0, f64::max);
    let upright = Axis::linear((0.0, most.max(1e-6)), (bottom, 14.0));
    let level = Axis { low: 0.0, high: 24.0, from: FIELD.0, to: FIELD.1, logarithmic: false };
    let mut chart = Chart::new((WIDTH, HEIGHT), title);
    chart.upright_axis(&upright, FIELD, unit);
    for hour in [0.0, 3.0, 6.0, 9.0, 12.0, 15.0, 18.0, 21.0, 24.0] {
        let x = level.at(hour);
        chart.line(&[(x, 14.0), (x, bottom)], "grid", "");
        chart.text((x, bottom + 17.0), &short(hour), Stand::Middle, "s");
    }
    for piece in known.chunk_by(|a, b| b.0 - a.0 < APART) {
        let spots: Vec<(f64, f64)> =
            piece.iter().map(|(hour, value)| (level.at(*hour), upright.at(*value))).collect();
        chart.series(&spots, 0);
    }
    chart.line(&[(FIELD.0, bottom), (FIELD.1, bottom)], "axis", "");
    chart.finish()
}

/// The curves' figures over time; nothing where there are none.
pub(super) fn curves(one: &ChannelTold) -> String {
    let all = &one.curves;
    let Some((first, last)) = all.first().zip(all.last()) else { return String::new() };
    let good = all.iter().filter(|curve| curve.grade.as_deref() == Some("good")).count();
    let graded = all.iter().filter(|curve| curve.grade.is_some()).count();
    let span = (first.days, last.days.max(first.days + 1.0 / 24.0));
    type Of = fn(&CurveTold) -> Option<FigureTold>;
    let figures: [(&str, &str, Of); 4] = [
        ("Pmp at standard conditions", "W", |curve| curve.pmp_standard_w),
        ("fill factor", "FF", |curve| curve.ff),
        ("Voc", "V", |curve| curve.voc_v),
        ("Isc", "A", |curve| curve.isc_a),
    ];
    let mut text = format!(
        "<h3>Curves over time</h3>\n<p>{} curves, {graded} of them whole, {good} graded good.</p>\n",
        all.len()
    );
    for (name, unit, of) in figures {
        let points: Vec<(f64, FigureTold)> =
            all.iter().filter_map(|curve| Some((curve.days, of(curve)?))).collect();
        if !points.is_empty() {
            let title = format!("{name} of the curves of {}", one.channel);
            text.push_str(&figure(
                &over_time(&title, &points, span, unit),
                &caption(name, &points),
            ));
        }
    }
    text
}

fn caption(name: &str, points: &[(f64, FigureTold)]) -> String {
    let stated = points.iter().any(|(_, figure)| figure.expanded.is_some());
    let bars = if stated { ", with its expanded uncertainty where it is known" } else { "" };
    match name {
        "Pmp at standard conditions" => format!(
            "Power at the crest at 1000 W/m2 and 25 degC, of good curves in 800 to 1200 W/m2{bars} (without that of \
             light and temperature)."
        ),
        other => format!("Each curve's {other} as measured{bars}."),
    }
}

/// Marks over the dates, with a bar for the uncertainty.
fn over_time(title: &str, points: &[(f64, FigureTold)], span: (f64, f64), unit: &str) -> String {
    let bottom = HEIGHT - 34.0;
    let ends = |sign: f64| {
        points.iter().map(move |(_, one)| one.value + sign * one.expanded.unwrap_or(0.0))
    };
    let low = ends(-1.0).filter(|value| value.is_finite()).fold(f64::INFINITY, f64::min);
    let high = ends(1.0).filter(|value| value.is_finite()).fold(f64::NEG_INFINITY, f64::max);
    let room = 0.05 * (high - low).max(0.01 * high.abs()).max(1e-9);
    // A room below does not reach below nothing.
    let floor = if low >= 0.0 { 0.0 } else { f64::NEG_INFINITY };
    let upright = Axis::linear(((low - room).max(floor), high + room), (bottom, 14.0));
    let level = Axis {
        low: span.0,
        high: span.1,
        from: FIELD.0 + 10.0,
        to: FIELD.1 - 10.0,
        logarithmic: false,
    };
    let mut chart = Chart::new((WIDTH, HEIGHT), title);
    chart.upright_axis(&upright, FIELD, unit);
    for step in 0..=4 {
        let days = span.0 + (span.1 - span.0) * f64::from(step) / 4.0;
        let x = level.at(days);
        chart.line(&[(x, 14.0), (x, bottom)], "grid", "");
        let stand = match step {
            0 => Stand::Left,
            4 => Stand::Right,
            _ => Stand::Middle,
        };
        chart.text((x, bottom + 17.0), &moment(days, span), stand, "s");
    }
    for (days, one) in points {
        let x = level.at(*days);
        if let Some(expanded) = one.expanded {
            let (top, low) = (upright.at(one.value + expanded), upright.at(one.value - expanded));
            chart.line(&[(x, low), (x, top)], "bar c0", "");
        }
        chart.mark((x, upright.at(one.value)), 0);
    }
    chart.line(&[(FIELD.0, bottom), (FIELD.1, bottom)], "axis", "");
    chart.finish()
}

/// A date; within few days with its hour.
#[expect(clippy::cast_possible_truncation, reason = "days of a log in microseconds")]
fn moment(days: f64, span: (f64, f64)) -> String {
    let text = Utc::from_micros((days * 86_400e6) as i64).to_string();
    let end = if span.1 - span.0 > 4.0 { 10 } else { 16 };
    let text = text.get(..end).unwrap_or(&text);
    if end == 16 { format!("{text}Z") } else { text.to_owned() }
}

/// Where the energy went: bars from what the light offered down to what was measured.
pub(super) fn losses_picture(name: &str, losses: &LossesTold) -> String {
    let terms = losses.terms();
    let right = WIDTH - 160.0;
    let most = losses.reference_wh.max(losses.measured_wh).max(1e-6);
    let level = Axis::linear((0.0, most), (390.0, right));
    let bottom = 10.0 + ROW * terms.len() as f64;
    let mut chart = Chart::new((WIDTH, bottom + 34.0), &format!("Where the energy of {name} went"));
    chart.level_axis(&level, (10.0, bottom), "Wh");
    let mut reached = 0.0;
    let last = terms.len() - 1;
    for (index, (term, wh)) in terms.into_iter().enumerate() {
        let whole = index == 0 || index == last;
        let (from, to) = if whole { (0.0, wh) } else { (reached, reached + wh) };
        reached = to;
        let y = 10.0 + ROW * index as f64;
        let (left, end) = (level.at(from.min(to)), level.at(from.max(to)));
        chart.text((380.0, y + ROW * 0.65), &term, Stand::Right, "s");
        // A sliver is seen as a line.
        chart.frame(
            (left, y + 3.0),
            ((end - left).max(1.0), ROW - 6.0),
            "heat",
            if whole { 0.8 } else { 0.45 },
        );
        let share = 100.0 * wh / losses.reference_wh.max(f64::MIN_POSITIVE);
        let text = format!("{} Wh, {} %", fixed(wh, 1), fixed(share, 2));
        chart.text((WIDTH - 4.0, y + ROW * 0.65), &text, Stand::Right, "s");
    }
    format!(
        "<figure>\n{}<figcaption>Where the energy went, of what the rating makes of the light.</figcaption>\n</figure>\n",
        chart.finish()
    )
}
