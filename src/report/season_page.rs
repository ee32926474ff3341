//! What a campaign came to as a page: each channel on a screen, with pictures, and what was left out.
//!
//! Model: made of the [`SeasonReport`] that `--json` prints, so that both tell the same numbers; the frame is
//! that of the other pages, and needs nothing beside it.

use super::chart::short;
use super::page::{escaped, table, whole};
use super::season::{ChannelTold, MatrixTold, PairTold, PeriodTold, SeasonReport};
use super::season_pictures::{brightest, by_day, curves, losses_picture};

/// Lines of exclusions on a page.
const SHOWN: usize = 200;

/// The page; `command` is the one that made it.
#[must_use]
pub fn page(report: &SeasonReport, command: &str) -> String {
    let channels: String = report.channels.iter().map(channel).collect();
    let pairs = if report.pairs.is_empty() { String::new() } else { pairs(&report.pairs) };
    let body = format!(
        "<h1>What a campaign came to: {}</h1>\n{}{channels}{pairs}<section>\n<h2>How it was reckoned</h2>\n\
         <p>Yields and ratios are after IEC 61724-1, over the minutes whose irradiance and power both count: reference \
         yield Yr is irradiation over 1000 W/m2, final yield Yf energy over rating, performance ratio PR their quotient; \
         PR at 25 degC takes the rating at the module's temperature of each minute. Capacity is energy over rating around \
         the clock. Held is the share of the light in which the channel held the device, complete the one that has \
         readings of power and irradiance which count. Nothing is filled in; what doesn't count is \
         listed with its reason. The module's temperature stands for the cells'.</p>\n\
         <p>Cresthold {}. The same again:</p>\n<pre>{}</pre>\n</section>\n",
        escaped(&report.log),
        answer(report),
        env!("CARGO_PKG_VERSION"),
        escaped(command),
    );
    whole("Cresthold: what a campaign came to", &body)
}

/// All channels in a line each.
fn answer(report: &SeasonReport) -> String {
    let line = |one: &ChannelTold| {
        let total = &one.total;
        let doubts = one.expanded.as_ref();
        let of_ratio = doubts.and_then(|doubts| doubts.performance_ratio_percent);
        let ratio = |name: &str, ratio: Option<f64>| {
            let doubt = |ratio: f64| {
                of_ratio
                    .map_or(String::new(), |share| format!(" &#177; {:.4}", ratio * share / 100.0))
            };
            ratio.map_or(String::new(), |ratio| format!(", {name} {ratio:.4}{}", doubt(ratio)))
        };
        let beside = |value: f64, share: Option<f64>, text: fn(f64) -> String| {
            let doubt = share.map(|share| format!(" &#177; {}", text(value * share / 100.0)));
            format!("{}{}", text(value), doubt.unwrap_or_default())
        };
        let rate = one.degradation.as_ref().map_or(String::new(), |rate| {
            let (low, high) = (rate.low, rate.high);
            format!(", {:+.2} % a year ({low:+.2} % to {high:+.2} %)", rate.percent_per_year)
        });
        format!(
            "<p><b>{}</b>: {} at {}{}{}, held {}, complete {}{rate}</p>\n",
            escaped(&one.channel),
            beside(total.energy_wh, doubts.map(|one| one.energy_percent), energy),
            beside(
                total.irradiation_wh_m2,
                doubts.and_then(|one| one.irradiation_percent),
                irradiation
            ),
            ratio("PR", total.performance_ratio),
            ratio("PR at 25 degC", total.performance_ratio_25_degc),
            percent(total.availability),
            percent(total.completeness),
        )
    };
    let lines: String = report.channels.iter().map(line).collect();
    format!("<div class=\"answer\">\n{lines}</div>\n")
}

fn channel(one: &ChannelTold) -> String {
    let name = escaped(&one.channel);
    let mut text = format!(
        "<section>\n<h2>{name}</h2>\n<p>{}, {}{}</p>\n",
        escaped(&one.device),
        escaped(&one.tracker),
        one.rated_w.map_or(String::new(), |watts| format!("; rating {watts:.2} W")),
    );
    text.push_str(&by_day(one));
    text.push_str(&periods(one));
    if let Some(expanded) = &one.expanded {
        text.push_str(&format!("<p>{}. A rating is taken as exact.</p>\n", expanded.words()));
    }
    if let Some(losses) = &one.total.losses {
        text.push_str(&losses_picture(&one.channel, losses));
    }
    if !one.power_matrix.is_empty() {
        text.push_str(&matrix(&one.power_matrix));
    }
    if let Some(day) = &one.brightest {
        text.push_str(&brightest(&one.channel, day));
    }
    text.push_str(&curves(one));
    text.push_str(&exclusions(one));
    let notes = one.notes.iter().map(|note| format!("<p>{}</p>\n", escaped(note)));
    text.extend(notes);
    text.push_str("</section>\n");
    text
}

fn periods(one: &ChannelTold) -> String {
    let header = [
        "period",
        "energy",
        "irradiation",
        "Yr",
        "Yf",
        "PR",
        "PR at 25 degC",
        "capacity",
        "held",
        "complete",
    ];
    let number = |value: Option<f64>| value.map_or("-".to_owned(), |value| format!("{value:.4}"));
    let row = |period: &PeriodTold| {
        vec![
            escaped(&period.period),
            energy(period.energy_wh),
            irradiation(period.irradiation_wh_m2),
            format!("{:.2} h", period.reference_yield_h),
            period.final_yield_h.map_or("-".to_owned(), |hours| format!("{hours:.2} h")),
            number(period.performance_ratio),
            number(period.performance_ratio_25_degc),
            percent(period.capacity_factor),
            percent(period.availability),
            percent(period.completeness),
        ]
    };
    let rows: Vec<Vec<String>> = one.months.iter().chain([&one.total]).map(row).collect();
    table(&header.map(str::to_owned), &rows, 1)
}

fn matrix(points: &[MatrixTold]) -> String {
    let header = ["irradiance", "module", "power", "standard error", "minutes"].map(str::to_owned);
    let row = |point: &MatrixTold| {
        vec![
            format!("{} W/m2", short(point.irradiance_w_m2)),
            format!("{} degC", short(point.cell_degc)),
            format!("{:.2} W", point.power_w),
            format!("{:.2} W", point.standard_error_w),
            point.minutes.to_string(),
        ]
    };
    let rows: Vec<Vec<String>> = points.iter().map(row).collect();
    let title = "<h3>Power matrix (IEC 61853-1), from steady minutes</h3>\n";
    format!("{title}{}", table(&header, &rows, 0))
}

fn exclusions(one: &ChannelTold) -> String {
    let title = "<h3>What does not count, and why</h3>\n";
    if one.exclusions.is_empty() {
        return format!("{title}<p>Nothing was excluded.</p>\n");
    }
    let header = ["from", "until", "minutes", "quantity", "reason"].map(str::to_owned);
    let rows = one.exclusions.iter().take(SHOWN).map(|one| {
        vec![
            escaped(&one.from),
            escaped(&one.until),
            one.minutes.to_string(),
            escaped(one.quantity),
            escaped(one.reason),
        ]
    });
    let rows: Vec<Vec<String>> = rows.collect();
    let left = one.exclusions.len() - rows.len();
    let more =
        if left > 0 { format!("<p>and {left} more; --json has each</p>\n") } else { String::new() };
    format!("{title}{}{more}", table(&header, &rows, 5))
}

fn pairs(pairs: &[PairTold]) -> String {
    let header =
        ["channel", "beside", "figure", "difference", "95 % interval", "days"].map(str::to_owned);
    let row = |pair: &PairTold| {
        let interval = pair.interval;
        let interval =
            interval.map_or("-".to_owned(), |(low, high)| format!("{low:+.4} to {high:+.4}"));
        vec![
            escaped(&pair.channel),
            escaped(&pair.other),
            escaped(pair.figure),
            format!("{:+.4}{}", pair.difference, if pair.clear { "" } else { " (not apart)" }),
            interval,
            pair.days.to_string(),
        ]
    };
    let rows: Vec<Vec<String>> = pairs.iter().map(row).collect();
    format!("<section>\n<h2>Side by side</h2>\n{}</section>\n", table(&header, &rows, 3))
}

fn energy(wh: f64) -> String {
    if wh >= 1e5 { format!("{:.2} kWh", wh / 1e3) } else { format!("{wh:.1} Wh") }
}

fn irradiation(wh_m2: f64) -> String {
    if wh_m2 >= 1e5 { format!("{:.2} kWh/m2", wh_m2 / 1e3) } else { format!("{wh_m2:.1} Wh/m2") }
}

fn percent(share: Option<f64>) -> String {
    share.map_or("-".to_owned(), |share| format!("{:.2} %", share * 100.0))
}
