//! The same as a table, for people.

use super::{ChannelHealth, EventHealth, Health};
use crate::report::table::align;
use std::fmt;

impl fmt::Display for Health {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let turning = if self.turning { "control turns" } else { "A CHANNEL IS STUCK" };
        writeln!(f, "{}  {}", self.station, self.time)?;
        writeln!(f, "running for {}; {turning}\n", span(self.up_s))?;
        let head =
            ["device", "doing", "voltage", "current", "power", "irradiance", "module", "today"];
        let rows: Vec<Vec<String>> = self.channels.iter().map(row).collect();
        write!(f, "{}", align(&head, &rows))?;
        for trouble in &self.troubles {
            writeln!(f, "trouble: {trouble}")?;
        }
        self.turns(f)?;
        self.log(f)?;
        self.recordings(f)?;
        let unknown = || "unknown".to_owned();
        let used = self.cost.processor_s;
        let processor = used.map_or_else(unknown, |used| {
            format!("{used:.1} s, {:.2} % of a core", 100.0 * used / self.up_s.max(1.0))
        });
        let memory = self.cost.resident_bytes.map_or_else(unknown, size);
        writeln!(f, "processor: {processor}; memory: {memory}")?;
        self.events(f)
    }
}

impl Health {
    fn turns(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let turns: u64 = self.channels.iter().map(|channel| channel.turns).sum();
        let late: u64 = self.channels.iter().map(|channel| channel.turns_late).sum();
        write!(f, "\nturns: {turns}, {late} of them late")?;
        for channel in self.channels.iter().filter(|channel| channel.overdue_s > 0.0) {
            write!(f, "; {} is overdue by {}", channel.name, span(channel.overdue_s))?;
        }
        writeln!(f)
    }

    fn log(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let log = &self.log;
        let (samples, minutes, events) = (log.samples, log.minutes, log.events);
        write!(
            f,
            "log: {}, {}, {} free on its disk; {samples} samples, {minutes} minutes, {events} events",
            log.file,
            size(log.bytes),
            log.free_bytes.map_or_else(|| "an unknown room".to_owned(), size)
        )?;
        match log.commit_age_s {
            Some(age) => writeln!(f, ", last committed {age:.1} s ago")?,
            None => writeln!(f)?,
        }
        if log.left_out + log.lost > 0 {
            writeln!(f, "log: {} samples left out, {} records lost", log.left_out, log.lost)?;
        }
        match &log.trouble {
            Some(trouble) => writeln!(f, "trouble: {trouble}"),
            None => Ok(()),
        }
    }
}

impl Health {
    fn recordings(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for one in &self.recordings {
            match (&one.ended, &one.file) {
                (Some(why), _) => writeln!(f, "recording of {} is over: {why}", one.channel)?,
                (None, file) => {
                    let file = file.as_deref().unwrap_or("-");
                    writeln!(f, "recording: {file}, {}", size(one.bytes))?;
                }
            }
        }
        Ok(())
    }

    /// A table of the last events, the newest at the end.
    fn events(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let dash = || "-".to_owned();
        let row = |event: &EventHealth| {
            // To the second; a line is long enough.
            let time = event.time.get(..19).unwrap_or(&event.time).to_owned();
            let channel = event.channel.clone().unwrap_or_else(dash);
            vec![time, event.severity.clone(), channel, event.text.clone()]
        };
        if self.events.is_empty() {
            return Ok(());
        }
        let rows: Vec<Vec<String>> = self.events.iter().map(row).collect();
        write!(f, "\n{}", align(&["last events (UTC)", "", "", ""], &rows))
    }
}

fn row(channel: &ChannelHealth) -> Vec<String> {
    let with = |value: Option<f64>, digits: usize, unit: &str| {
        value.map_or_else(|| "-".to_owned(), |value| format!("{value:.digits$} {unit}"))
    };
    vec![
        channel.name.clone(),
        channel.doing.clone(),
        with(channel.voltage_v, 2, "V"),
        with(channel.current_a, 3, "A"),
        with(channel.power_w, 1, "W"),
        with(channel.irradiance_w_m2, 0, "W/m2"),
        with(channel.module_temperature_degc, 1, "degC"),
        with(Some(channel.today_wh), 1, "Wh"),
    ]
}

/// A time in its two largest units.
fn span(seconds: f64) -> String {
    const DAY: f64 = 86_400.0;
    const HOUR: f64 = 3600.0;
    const MINUTE: f64 = 60.0;
    if seconds >= DAY {
        format!("{:.0} d {:.0} h", (seconds / DAY).floor(), (seconds % DAY / HOUR).floor())
    } else if seconds >= HOUR {
        format!("{:.0} h {:.0} min", (seconds / HOUR).floor(), (seconds % HOUR / MINUTE).floor())
    } else if seconds >= MINUTE {
        format!("{:.0} min {:.0} s", (seconds / MINUTE).floor(), (seconds % MINUTE).floor())
    } else {
        format!("{seconds:.0} s")
    }
}

#[expect(clippy::cast_precision_loss, reason = "shown with one digit after the point")]
fn size(bytes: u64) -> String {
    const STEP: f64 = 1000.0;
    let bytes = bytes as f64;
    if bytes >= STEP.powi(3) {
        format!("{:.1} GB", bytes / STEP.powi(3))
    } else if bytes >= STEP.powi(2) {
        format!("{:.1} MB", bytes / STEP.powi(2))
    } else {
        format!("{:.1} kB", bytes / STEP)
    }
}
