//! `cresthold tracker`: a tracker from outside, tried without hardware.

use super::Exit;
use crate::control::record::{Event, Happening, Record};
use crate::quantities::Volts;
use crate::rehearsal::yard;
use crate::report::summary::Summary;
use crate::report::table::align;
use crate::station::Station;
use crate::time::Instant;
use crate::trackers::{PerturbAndObserveConfig, Script, ScriptConfig, TrackerConfig};
use clap::Args;
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;

/// The whole recorded day.
const DAY: Duration = Duration::from_secs(86_400);
/// The step of perturb and observe beside it: 0.5 % of the device's open-circuit voltage.
const BESIDE: Volts = Volts(0.2);

/// Try a tracker's script without hardware: look for mistakes, then rehearse a recorded day
///
/// The script is read, run on a made-up device with and without sensors, and then holds the built-in
/// yard's first device through a recorded day of broken cloud, beside perturb-and-observe in the same
/// light. What fails is told with its line.
#[derive(Debug, Args)]
#[command(after_help = "Examples:
  cresthold tracker my-tracker.rhai
  cresthold tracker my-tracker.rhai --set step=0.3 --set share=0.8
  cresthold tracker my-tracker.rhai --for 13h     the day until 13:00 UTC")]
pub(super) struct TryTracker {
    /// The script
    script: PathBuf,
    /// A setting that differs from the script's own (may be repeated)
    #[arg(long, value_name = "NAME=VALUE", value_parser = parse_setting)]
    set: Vec<(String, f64)>,
    /// End after this much of the day, which begins at midnight UTC
    #[arg(long = "for", value_name = "TIME", value_parser = super::run::parse_length)]
    length: Option<Duration>,
}

impl TryTracker {
    pub(super) fn carry_out(&self) -> Exit {
        match self.config() {
            Ok(config) => self.rehearse(config),
            Err(why) => {
                tell!("{why}");
                Exit::Station
            }
        }
    }

    fn config(&self) -> Result<ScriptConfig, String> {
        let file = self.script.display().to_string();
        let text = std::fs::read_to_string(&self.script).map_err(|why| {
            format!("{file}: the script can't be read: {why}; check the path and who may read it")
        })?;
        let script = Script::new(&file, &text).map_err(|why| why.to_string())?;
        let mut config = ScriptConfig::new(Arc::new(script));
        for (name, value) in &self.set {
            let known: Vec<String> = config.script().names().map(str::to_owned).collect();
            config = config.with(name, *value).ok_or_else(|| {
                format!("--set {name}: {file} has no such setting; it has: {}", known.join(", "))
            })?;
        }
        Ok(config)
    }

    fn rehearse(&self, config: ScriptConfig) -> Exit {
        let mut station = Station::rehearsal();
        let top = station.channels[0].control.envelope.device_volts_max;
        if let Err(why) = config.try_out(top) {
            tell!("{why} (tried on a made-up device)");
            return Exit::Station;
        }
        station.channels.truncate(1);
        let beside = TrackerConfig::PerturbAndObserve(PerturbAndObserveConfig { step: BESIDE });
        let mut rows = Vec::new();
        let mut failed = false;
        for tracker in [TrackerConfig::Script(config), beside] {
            let name = tracker.name();
            station.channels[0].control.tracker = tracker;
            match self.play(&station) {
                Ok((summary, troubles)) => {
                    failed |= !troubles.is_empty();
                    troubles.iter().for_each(|trouble| tell!("{trouble}"));
                    rows.push(row(name, &summary, &station));
                }
                Err(why) => {
                    tell!("{why}");
                    return Exit::Station;
                }
            }
        }
        let header = ["tracker", "delivered", "available", "of crest", "tracking"];
        say!("{}", align(&header, &rows));
        if failed { Exit::Station } else { Exit::Done }
    }

    /// The day, and what a script's failures say.
    fn play(&self, station: &Station) -> Result<(Summary, Vec<String>), String> {
        let mut yard = yard(station).map_err(|why| why.to_string())?;
        let mut summary = Summary::default();
        let mut troubles = Vec::new();
        let mut log = |record: Record| match &record {
            Record::Day(total) => summary.take(total),
            Record::Event(Event {
                at,
                what: what @ (Happening::TrackerFailed(_) | Happening::TrackerReplaced(_)),
                ..
            }) => troubles.push(format!("{}: {what}", at.utc)),
            _ => {}
        };
        let end = Instant::ZERO + self.length.unwrap_or(DAY);
        yard.run_until(end, &mut log);
        yard.stop(end, &mut log);
        Ok((summary, troubles))
    }
}

fn row(tracker: &str, summary: &Summary, station: &Station) -> Vec<String> {
    let sums = summary.sums(station.channels[0].control.id);
    let or_none = |text: Option<String>| text.unwrap_or_else(|| "-".to_owned());
    vec![
        tracker.to_owned(),
        format!("{:.1} Wh", sums.energy),
        or_none(sums.available.map(|wh| format!("{wh:.1} Wh"))),
        or_none(sums.efficiency().map(|share| format!("{:.2} %", share * 100.0))),
        format!("{:.2} h", sums.tracking),
    ]
}

fn parse_setting(text: &str) -> Result<(String, f64), String> {
    let wrong = || "write NAME=VALUE, as step=0.3".to_owned();
    let (name, value) = text.split_once('=').ok_or_else(wrong)?;
    let value: f64 = value.trim().parse().map_err(|_| wrong())?;
    if value.is_finite() { Ok((name.trim().to_owned(), value)) } else { Err(wrong()) }
}
