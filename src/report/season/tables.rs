//! Tables of a campaign for a terminal.

use super::super::table::align;
use super::{
    ChannelTold, ExclusionTold, LossesTold, MatrixTold, PairTold, PeriodTold, SeasonReport,
    TrackedTold,
};
use crate::season::{LIGHT, POINTS, PowerMatrix};
use crate::yields::OverBack;
use std::fmt::Write as _;

/// Lines of exclusions on a terminal.
const SHOWN: usize = 30;
/// From this total on energies are shown in kWh (Wh).
const MANY: f64 = 10_000.0;

impl SeasonReport {
    /// The tables for a terminal.
    #[must_use]
    pub fn tables(&self) -> String {
        let parts: Vec<String> = self.channels.iter().map(ChannelTold::tables).collect();
        let mut text = parts.join("\n");
        if !self.pairs.is_empty() {
            text.push_str(&side_by_side_table(&self.pairs));
        }
        text.push_str(
            "\nYr: irradiation / 1000 W/m2; Yf: energy / rating; PR: Yf / Yr, over the minutes whose \
             irradiance and power\nboth count, after IEC 61724-1. Shares of the light",
        );
        let _ = writeln!(
            text,
            " ({LIGHT:.0} or more) in which the channel\nheld the device (held) and readings of power \
             and irradiance count (complete)."
        );
        text
    }
}

impl ChannelTold {
    fn tables(&self) -> String {
        let mut text = format!("{}: {}, {}\n", self.channel, self.device, self.tracker);
        if let (Some(watts), Some(curves)) = (self.rated_w, self.rated_by_curves) {
            let source = match curves {
                0 => "stated".to_owned(),
                1 => "one good curve of the log".to_owned(),
                _ => format!("the median of {curves} good curves of the log"),
            };
            let _ = writeln!(text, "rating {watts:.2} W ({source})");
        }
        if let Some(gamma) = self.gamma_percent_per_k {
            let _ = writeln!(text, "temperature coefficient of power {gamma} %/K");
        }
        if let Some(over) = self.cell_over_back_k.and_then(OverBack::new) {
            let _ = writeln!(text, "cells: {over}");
        }
        let _ = write!(text, "\n{}", self.periods());
        if let Some(expanded) = &self.expanded {
            let _ = writeln!(text, "{}", expanded.words());
        }
        if let Some(losses) = &self.total.losses {
            let _ = write!(text, "\n{}", losses_table(losses));
        }
        if let Some(TrackedTold { share, standard_error, curves }) = &self.tracked_by_curves {
            let _ = writeln!(
                text,
                "by {curves} good curves the tracker takes {:.2} % of the crest (standard error {:.2} %)",
                share * 100.0,
                standard_error * 100.0
            );
        }
        if let Some(rate) = &self.degradation {
            let _ = writeln!(
                text,
                "\nyearly change {:+.2} % (95 %: {:+.2} % to {:+.2} %), year on year from {} pairs of {} days",
                rate.percent_per_year, rate.low, rate.high, rate.pairs, rate.days
            );
        }
        if !self.power_matrix.is_empty() {
            let _ = write!(text, "\n{}", matrix_table(&self.power_matrix));
        }
        let _ = write!(text, "\n{}", self.exclusion_table());
        for note in &self.notes {
            let _ = writeln!(text, "{note}");
        }
        text
    }

    fn periods(&self) -> String {
        let rated = self.rated_w.is_some();
        let warm = rated && self.gamma_percent_per_k.is_some();
        let crest = self.total.of_crest.is_some();
        let columns: [(&str, bool); 11] = [
            ("period", true),
            ("energy", true),
            ("irradiation", true),
            ("Yr", true),
            ("Yf", rated),
            ("PR", rated),
            ("PR 25 degC", warm),
            ("capacity", rated),
            ("held", true),
            ("complete", true),
            ("of crest", crest),
        ];
        let kilo = self.total.energy_wh >= MANY;
        let wanted = |cells: [String; 11]| -> Vec<String> {
            cells.into_iter().zip(columns).filter(|(_, of)| of.1).map(|(cell, _)| cell).collect()
        };
        let rows: Vec<Vec<String>> = self
            .months
            .iter()
            .chain(std::iter::once(&self.total))
            .map(|period| wanted(period.cells(kilo)))
            .collect();
        let head: Vec<&str> = columns.iter().filter(|of| of.1).map(|of| of.0).collect();
        align(&head, &rows)
    }

    fn exclusion_table(&self) -> String {
        let all = &self.exclusions;
        if all.is_empty() {
            return "excluded: nothing\n".to_owned();
        }
        let mut shown: Vec<&ExclusionTold> = all.iter().collect();
        shown.sort_by_key(|one| std::cmp::Reverse(one.minutes));
        let (left, lost) = shown
            .split_at(SHOWN.min(shown.len()))
            .1
            .iter()
            .fold((0, 0), |(count, minutes), one| (count + 1, minutes + u64::from(one.minutes)));
        shown.truncate(SHOWN);
        shown.sort_by_key(|one| one.from.as_str());
        let row = |one: &&ExclusionTold| {
            let time = |text: &str| text.replace(":00.000Z", "Z");
            vec![
                time(&one.from),
                time(&one.until),
                format!("{} min", one.minutes),
                one.quantity.to_owned(),
                one.reason.to_owned(),
            ]
        };
        let rows: Vec<Vec<String>> = shown.iter().map(row).collect();
        let mut text = align(&["excluded from", "until", "lost", "", ""], &rows);
        if left > 0 {
            let _ =
                writeln!(text, "and {left} more, which together lose {lost} min; --json has each");
        }
        text
    }
}

/// The matrix as its standard draws it.
fn matrix_table(points: &[MatrixTold]) -> String {
    let mut temperatures: Vec<f64> =
        POINTS.iter().flat_map(|(_, warm)| warm.iter().copied()).collect();
    temperatures.sort_by(f64::total_cmp);
    temperatures.dedup();
    let same = |a: f64, b: f64| (a - b).abs() < 1e-9;
    let cell = |light: f64, module: f64, known: &[f64]| {
        let at =
            |one: &&MatrixTold| same(one.irradiance_w_m2, light) && same(one.cell_degc, module);
        match points.iter().find(at) {
            Some(one) => format!("{:.2} +- {:.2}", one.power_w, one.standard_error_w),
            None if known.iter().any(|one| same(*one, module)) => "-".to_owned(),
            None => String::new(),
        }
    };
    let rows = POINTS.iter().map(|(light, known)| {
        let cells = temperatures.iter().map(|module| cell(*light, *module, known));
        std::iter::once(format!("{light:.0} W/m2")).chain(cells).collect()
    });
    let rows: Vec<Vec<String>> = rows.collect();
    let heads: Vec<String> = temperatures.iter().map(|one| format!("{one:.0} degC")).collect();
    let mut header = vec!["power (W)"];
    header.extend(heads.iter().map(String::as_str));
    let (filled, wanted) = (points.len(), PowerMatrix::wanted());
    format!(
        "{}{filled} of the {wanted} points of IEC 61853-1 filled by steady minutes; +- standard error by \
         their scatter alone\n",
        align(&header, &rows)
    )
}

impl PeriodTold {
    fn cells(&self, kilo: bool) -> [String; 11] {
        let hours = |hours: Option<f64>| hours.map_or("-".to_owned(), |h| format!("{h:.2} h"));
        let plain = |share: Option<f64>| share.map_or("-".to_owned(), |s| format!("{s:.4}"));
        let percent =
            |share: Option<f64>| share.map_or("-".to_owned(), |s| format!("{:.2} %", s * 100.0));
        let of = |value: f64, unit: &str| {
            if kilo {
                format!("{:.2} k{unit}", value / 1000.0)
            } else {
                format!("{value:.1} {unit}")
            }
        };
        [
            self.period.clone(),
            of(self.energy_wh, "Wh"),
            of(self.irradiation_wh_m2, "Wh/m2"),
            hours(Some(self.reference_yield_h)),
            hours(self.final_yield_h),
            plain(self.performance_ratio),
            plain(self.performance_ratio_25_degc),
            percent(self.capacity_factor),
            percent(self.availability),
            percent(self.completeness),
            percent(self.of_crest),
        ]
    }
}

fn losses_table(losses: &LossesTold) -> String {
    let whole = losses.reference_wh;
    let rows: Vec<Vec<String>> = losses
        .terms()
        .into_iter()
        .map(|(name, wh)| {
            let share = 100.0 * wh / whole;
            let share = if whole > 0.0 { format!("{} %", fixed(share, 2)) } else { "-".to_owned() };
            vec![name.to_owned(), format!("{} Wh", fixed(wh, 1)), share]
        })
        .collect();
    align(&["where the energy went", "energy", "of reference"], &rows)
}

/// With so many digits, and no minus before a nothing.
pub(in crate::report) fn fixed(value: f64, digits: usize) -> String {
    let text = format!("{value:.digits$}");
    let nothing = text.bytes().all(|byte| b"-0.".contains(&byte));
    if nothing { text.replace('-', "") } else { text }
}

fn side_by_side_table(pairs: &[PairTold]) -> String {
    let row = |pair: &PairTold| {
        let interval = pair
            .interval
            .map_or("too few days".to_owned(), |(low, high)| format!("{low:+.4} to {high:+.4}"));
        let verdict = match (pair.interval, pair.clear) {
            (None, _) => "",
            (Some(_), true) => "apart",
            (Some(_), false) => "not apart",
        };
        vec![
            format!("{} less {}", pair.channel, pair.other),
            pair.figure.to_owned(),
            format!("{:+.4}", pair.difference),
            interval,
            pair.days.to_string(),
            verdict.to_owned(),
        ]
    };
    let rows: Vec<Vec<String>> = pairs.iter().map(row).collect();
    let head = ["side by side", "figure", "difference", "95 %", "days", ""];
    format!("\n{}", align(&head, &rows))
}
