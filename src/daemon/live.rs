//! The live status: a block redrawn in place on a terminal, plain lines elsewhere.

use super::voice::Voice;
use crate::control::record::{Activity, Sample};
use crate::report::table::align;
use crate::time::Utc;
use std::io::IsTerminal;
use std::time::{Duration, Instant as WallInstant};

/// How often a terminal is redrawn.
const REDRAW: Duration = Duration::from_millis(500);
/// How often a line is written where nobody watches.
const LINE_EVERY: Duration = Duration::from_secs(60);

/// What is known of a channel right now.
#[derive(Clone, Debug)]
pub struct ChannelStatus {
    /// Its name.
    pub name: String,
    /// What it is doing.
    pub activity: Activity,
    /// Its last sample.
    pub sample: Option<Sample>,
    /// Energy of the day so far (Wh).
    pub energy: f64,
}

/// Where a run stands.
#[derive(Clone, Debug)]
pub struct RunStatus {
    /// Station and pace, one line.
    pub title: String,
    /// The run's wall time.
    pub utc: Utc,
    /// Share of the run that is done (0..=1), where its end is known.
    pub done: Option<f64>,
    /// What is wrong with instruments now, a sentence each.
    pub troubles: Vec<String>,
    /// The channels.
    pub channels: Vec<ChannelStatus>,
}

/// Shows the status at its own pace.
#[derive(Debug)]
pub struct Screen {
    /// None shows nothing.
    voice: Option<Voice>,
    terminal: bool,
    drawn: usize,
    next: WallInstant,
}

impl Screen {
    /// A screen on standard error.
    #[must_use]
    pub fn on(voice: Voice) -> Self {
        let terminal = std::io::stderr().is_terminal();
        Self { voice: Some(voice), terminal, drawn: 0, next: WallInstant::now() }
    }

    /// A screen that shows nothing.
    #[must_use]
    pub fn silent() -> Self {
        Self { voice: None, terminal: false, drawn: 0, next: WallInstant::now() }
    }

    /// Whether it redraws a terminal; plain log lines would spoil it.
    #[must_use]
    pub fn redraws(&self) -> bool {
        self.terminal && self.voice.is_some()
    }

    /// Whether it is time to show something. Cheap, so that a status need not be put together
    /// otherwise.
    #[must_use]
    pub fn is_due(&self) -> bool {
        self.voice.is_some() && WallInstant::now() >= self.next
    }

    /// Shows the status now.
    pub fn show(&mut self, status: &RunStatus) {
        let Some(voice) = &self.voice else { return };
        let every = if self.terminal { REDRAW } else { LINE_EVERY };
        self.next = WallInstant::now() + every;
        let (text, drawn) =
            if self.terminal { picture(status, self.drawn) } else { (line(status), 0) };
        // A status that finds no room is no loss: the next one is newer.
        if voice.say(text.into_bytes()) {
            self.drawn = drawn;
        }
    }
}

/// The status, drawn over what was drawn before, so many lines; how many lines it has.
fn picture(status: &RunStatus, drawn: usize) -> (String, usize) {
    let mut text = format!("{}  {}\n", status.title, status.utc);
    if let Some(done) = status.done {
        text.push_str(&bar(done));
    }
    let rows: Vec<Vec<String>> = status.channels.iter().map(row).collect();
    text.push_str(&align(
        &[
            "device",
            "doing",
            "voltage",
            "current",
            "power",
            "of crest",
            "irradiance",
            "module",
            "today",
        ],
        &rows,
    ));
    for trouble in &status.troubles {
        wrap(&format!("trouble: {trouble}"), &mut text);
    }
    let mut out = if drawn > 0 { format!("\x1b[{drawn}A") } else { String::new() };
    let width = terminal_size::terminal_size().map_or(usize::MAX, |(width, _)| width.0.into());
    for line in text.lines() {
        out.extend(line.chars().take(width.saturating_sub(1)));
        out.push_str("\x1b[K\n");
    }
    // What was longer the last time must not stay behind.
    out.push_str("\x1b[J");
    (out, text.lines().count())
}

/// Sentences are broken here, so that the terminal doesn't break them and spoil the redrawing.
const LINE_WIDTH: usize = 79;

fn wrap(sentence: &str, text: &mut String) {
    let mut width = 0;
    for word in sentence.split_whitespace() {
        let length = word.chars().count();
        if width > 0 && width + 1 + length > LINE_WIDTH {
            text.push_str("\n  ");
            width = 2;
        } else if width > 0 {
            text.push(' ');
            width += 1;
        }
        text.push_str(word);
        width += length;
    }
    text.push('\n');
}

const BAR_WIDTH: usize = 50;

#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    clippy::cast_precision_loss,
    reason = "a share of a bar fifty signs wide"
)]
fn bar(done: f64) -> String {
    let full = (done.clamp(0.0, 1.0) * BAR_WIDTH as f64) as usize;
    format!("|{}{}| {:3.0} %\n", "=".repeat(full), " ".repeat(BAR_WIDTH - full), done * 100.0)
}

/// A number with so many digits, and no minus before a zero.
fn plain(value: f64, digits: usize) -> String {
    let text = format!("{value:.digits$}");
    match text.strip_prefix('-') {
        Some(rest) if rest.chars().all(|sign| matches!(sign, '0' | '.')) => rest.to_owned(),
        _ => text,
    }
}

fn row(channel: &ChannelStatus) -> Vec<String> {
    let dash = || "-".to_owned();
    let of = |value: Option<String>| value.unwrap_or_else(dash);
    let sample = channel.sample.as_ref();
    let share = sample.and_then(|s| s.crest.filter(|crest| crest.0 > 0.5).map(|c| s.watts / c));
    vec![
        channel.name.clone(),
        channel.activity.to_string(),
        of(sample.map(|s| format!("{} V", plain(s.volts.0, 2)))),
        of(sample.map(|s| format!("{} A", plain(s.amps.0, 3)))),
        of(sample.map(|s| format!("{} W", plain(s.watts.0, 1)))),
        of(share.map(|share| format!("{:.1} %", share * 100.0))),
        of(sample.and_then(|s| s.irradiance).map(|g| format!("{} W/m2", plain(g.0, 0)))),
        of(sample.and_then(|s| s.module_temperature).map(|t| format!("{t:.1}"))),
        format!("{:.1} Wh", channel.energy),
    ]
}

fn line(status: &RunStatus) -> String {
    let mut text = status.utc.to_string();
    for channel in &status.channels {
        let power = channel.sample.as_ref().map_or(0.0, |sample| sample.watts.0);
        text.push_str(&format!(
            "  {}: {}, {} W, {} Wh",
            channel.name,
            channel.activity,
            plain(power, 1),
            plain(channel.energy, 1)
        ));
    }
    text.push('\n');
    text
}
