//! What a run amounted to: per device energy, tracking efficiency, irradiation, hours, gaps.

use super::table::align;
use crate::control::record::{ChannelId, DayTotal};
use crate::control::{PUNCTUAL, Turns};
use crate::quantities::WattHours;
use crate::time::Instant;
use std::collections::BTreeMap;

const SECONDS_PER_HOUR: f64 = 3600.0;

/// Collects the newest totals of each day and channel.
#[derive(Clone, Debug, Default)]
pub struct Summary {
    /// By channel and when the day's book was begun.
    days: BTreeMap<(ChannelId, Instant), DayTotal>,
    turns: BTreeMap<ChannelId, Turns>,
}

/// One channel's sums over all days of a run.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct ChannelSums {
    /// Energy delivered (Wh).
    pub energy: f64,
    /// Energy available (Wh), where the plant knows it for every day.
    pub available: Option<f64>,
    /// Irradiation (Wh/m2).
    pub irradiation: f64,
    /// Largest power (W).
    pub peak: f64,
    /// Time tracking (h).
    pub tracking: f64,
    /// Energy missed by sweeping (Wh).
    pub sweep_missed: f64,
    /// Time sweeping (h); its energy is counted, but the device was not at its crest.
    pub sweeping: f64,
    /// Time missing while awake (h).
    pub missing: f64,
    /// Gaps.
    pub gaps: u32,
    /// Share of the awake time that is covered (0..=1); none where the channel never was awake.
    pub completeness: Option<f64>,
}

impl ChannelSums {
    /// Energy delivered over energy available (0..=1).
    #[must_use]
    pub fn efficiency(&self) -> Option<f64> {
        self.available.filter(|&available| available > 0.0).map(|available| self.energy / available)
    }
}

impl Summary {
    /// Takes the totals of a day; later ones replace earlier ones of the same book.
    pub fn take(&mut self, total: &DayTotal) {
        self.days.insert((total.channel, total.began), *total);
    }

    /// Takes how punctual a channel was, which is known in real time only.
    pub fn take_turns(&mut self, channel: ChannelId, turns: Turns) {
        self.turns.insert(channel, turns);
    }

    /// How punctual all channels were together; none is due where it isn't known.
    #[must_use]
    pub fn turns(&self) -> Turns {
        self.turns.values().copied().fold(Turns::default(), Turns::with)
    }

    /// The same in one line; none where it isn't known.
    #[must_use]
    pub fn punctuality(&self) -> Option<String> {
        let all = self.turns();
        Some(format!(
            "begun within {:.0} ms of their time: {:.2} % of {} turns, the latest {:.1} ms late",
            PUNCTUAL.as_secs_f64() * 1e3,
            all.share_in_time()? * 100.0,
            all.due,
            all.latest.as_secs_f64() * 1e3
        ))
    }

    /// The sums of one channel.
    #[must_use]
    pub fn sums(&self, channel: ChannelId) -> ChannelSums {
        let mut sums = ChannelSums { available: Some(0.0), ..ChannelSums::default() };
        let mut covered = 0.0;
        for day in self.days.range((channel, Instant::ZERO)..) {
            let ((of, _), day) = day;
            if *of != channel {
                break;
            }
            sums.energy += day.energy.0;
            sums.available = sums.available.zip(day.available).map(|(sum, more)| sum + more.0);
            sums.irradiation += day.irradiation.0;
            sums.peak = sums.peak.max(day.peak.0);
            sums.tracking += day.tracking.as_secs_f64() / SECONDS_PER_HOUR;
            sums.sweep_missed += day.sweep_missed.0;
            sums.sweeping += day.sweeping.as_secs_f64() / SECONDS_PER_HOUR;
            sums.missing += day.missing.as_secs_f64() / SECONDS_PER_HOUR;
            covered += day.covered.as_secs_f64() / SECONDS_PER_HOUR;
            sums.gaps += day.gaps;
        }
        let awake = covered + sums.missing;
        sums.completeness = (awake > 0.0).then(|| covered / awake);
        sums
    }

    /// Energy of one channel on a day, `date` (ISO 8601), as far as this run made it.
    #[must_use]
    pub fn energy_on(&self, channel: ChannelId, date: &str) -> WattHours {
        let all = self.days.range((channel, Instant::ZERO)..);
        let ours = all.take_while(|((of, _), _)| *of == channel).map(|(_, day)| day);
        ours.filter(|day| day.day.date() == date).map(|day| day.energy).sum()
    }

    /// The table for people; columns for sweeps only where there were any.
    #[must_use]
    pub fn table(&self, names: &[String]) -> String {
        let percent = |share: f64| format!("{:.2} %", share * 100.0);
        let sums: Vec<ChannelSums> =
            (0..).map(ChannelId).take(names.len()).map(|id| self.sums(id)).collect();
        let swept = sums.iter().any(|sums| sums.sweeping > 0.0);
        let row = |(sums, name): (&ChannelSums, &String)| {
            let mut row = vec![
                name.clone(),
                format!("{:.1} Wh", sums.energy),
                sums.available.map_or_else(|| "-".to_owned(), |wh| format!("{wh:.1} Wh")),
                sums.efficiency().map_or_else(|| "-".to_owned(), percent),
                format!("{:.1} W", sums.peak),
                format!("{:.0} Wh/m2", sums.irradiation),
                format!("{:.2} h", sums.tracking),
            ];
            if swept {
                row.push(format!("{:.2} h", sums.sweeping));
                row.push(format!("{:.2} Wh", sums.sweep_missed));
            }
            row.extend([
                format!("{}", sums.gaps),
                format!("{:.2} h", sums.missing),
                sums.completeness.map_or_else(|| "-".to_owned(), percent),
            ]);
            row
        };
        let rows: Vec<Vec<String>> = sums.iter().zip(names).map(row).collect();
        let mut header =
            vec!["device", "delivered", "available", "of crest", "peak", "irradiation", "tracking"];
        if swept {
            header.extend(["sweeping", "missed by it"]);
        }
        header.extend(["gaps", "missing", "complete"]);
        align(&header, &rows)
    }

    /// The same as one line of JSON, keys with units.
    #[must_use]
    pub fn json(&self, names: &[String]) -> String {
        let devices: Vec<serde_json::Value> = (0..)
            .zip(names)
            .map(|(index, name)| {
                let sums = self.sums(ChannelId(index));
                let turns = self.turns.get(&ChannelId(index));
                serde_json::json!({
                    "device": name,
                    "energy_wh": sums.energy,
                    "available_wh": sums.available,
                    "efficiency": sums.efficiency(),
                    "peak_w": sums.peak,
                    "irradiation_wh_m2": sums.irradiation,
                    "tracking_h": sums.tracking,
                    "sweeping_h": sums.sweeping,
                    "sweep_missed_wh": sums.sweep_missed,
                    "gaps": sums.gaps,
                    "missing_h": sums.missing,
                    "completeness": sums.completeness,
                    "turns": turns.map(|turns| turns.due),
                    "turns_late": turns.map(|turns| turns.late),
                    "latest_turn_s": turns.map(|turns| turns.latest.as_secs_f64()),
                })
            })
            .collect();
        serde_json::json!({ "devices": devices }).to_string()
    }
}
