//! What the operator hears of a run's events: on standard error, and thus in a service's journal.
//!
//! Model: warnings and alarms are told, and what ends them; all else is in the log alone. Nothing
//! floods: see [`Ration`].

use super::ration::{Leave, Ration, SPAN, Tally};
use crate::control::record::{ChannelId, Event, Happening, Severity};
use crate::station::Station;
use crate::time::Instant;
use std::fmt::{self, Display};

/// Tells a run's events.
pub(super) struct Herald {
    channels: Vec<Told>,
    ration: Ration,
    left_out: Tally,
}

/// A channel, as far as it was told.
struct Told {
    name: String,
    /// Whether something was told that tracking ends.
    is_open: bool,
}

impl Herald {
    pub(super) fn new(station: &Station) -> Self {
        let told = |name: &String| Told { name: name.clone(), is_open: false };
        let channels = station.channels.iter().map(|spec| told(&spec.name)).collect();
        Self { channels, ration: Ration::default(), left_out: Tally::default() }
    }

    /// Tells an event, where an operator has to know of it.
    pub(super) fn tell(&mut self, event: &Event) {
        let Event { channel, at, what } = event;
        if self.is_worth_telling(*channel, what) {
            self.say((*channel, what.code(), at.mono), what.severity(), |name| Line(name, what));
        }
    }

    /// Tells what an instrument's line said, which names its channel.
    pub(super) fn tell_fault(&mut self, channel: ChannelId, now: Instant, text: &str) {
        self.say((Some(channel), "instrument", now), Severity::Warning, |_| text);
    }

    /// Tells that the log leaves samples out, `all` of them so far; `last` at the end of the run. The log's
    /// own events of it come late, as the disk does.
    pub(super) fn tell_left_out(&mut self, all: u64, now: Instant, last: bool) {
        if let Some(count) = self.left_out.ask(all, now, last) {
            let what = Happening::SamplesLeftOut { count };
            say(what.severity(), Line(None, what));
        }
    }

    fn is_worth_telling(&mut self, channel: Option<ChannelId>, what: &Happening) -> bool {
        let told = channel.and_then(|id| self.channels.get_mut(usize::from(id.0)));
        let is_note = what.severity() == Severity::Note;
        match (what, told) {
            (Happening::LinkBack { .. }, _) => true,
            (Happening::TrackingBegan, Some(told)) => std::mem::take(&mut told.is_open),
            (
                Happening::FoundOn { .. }
                | Happening::HeldOff { .. }
                | Happening::LetGo { .. }
                | Happening::LinkLost
                | Happening::LockedOff { .. }
                | Happening::NoYield,
                Some(told),
            ) => {
                told.is_open |= !is_note;
                !is_note
            }
            _ => !is_note,
        }
    }

    /// Says a line, or that there are more of its kind, or nothing.
    fn say<'a, L: Display>(
        &'a mut self,
        (channel, code, now): (Option<ChannelId>, &'static str, Instant),
        severity: Severity,
        line: impl FnOnce(Option<&'a str>) -> L,
    ) {
        let told = channel.and_then(|id| self.channels.get(usize::from(id.0)));
        let name = told.map(|told| told.name.as_str());
        match self.ration.ask(channel, code, now) {
            Leave::Line => say(severity, line(name)),
            Leave::More => say(severity, Line(name, More(code))),
            Leave::Nothing => {}
        }
    }
}

fn say(severity: Severity, line: impl Display) {
    match severity {
        Severity::Note => tracing::info!("{line}"),
        Severity::Warning => tracing::warn!("{line}"),
        Severity::Alarm => tracing::error!("{line}"),
    }
}

/// A line with its channel in front.
struct Line<'a, T>(Option<&'a str>, T);

impl<T: Display> Display for Line<'_, T> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if let Some(name) = self.0 {
            write!(f, "{name}: ")?;
        }
        self.1.fmt(f)
    }
}

/// That there are more events with this code than are told.
struct More(&'static str);

impl Display for More {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let minutes = SPAN.as_secs() / 60;
        write!(f, "{} again and again; further ones in these {minutes} min are in the log", self.0)
    }
}

#[cfg(test)]
mod tests {
    use super::{Herald, Line, More};
    use crate::control::record::{ChannelId, Happening, Limit};
    use crate::station::Station;
    use std::time::Duration;

    const FIRST: Option<ChannelId> = Some(ChannelId(0));
    const SECOND: Option<ChannelId> = Some(ChannelId(1));

    fn let_go(limit: Limit) -> Happening {
        Happening::LetGo { limit, value: 2.0, bound: 1.0, rest: Duration::from_secs(5) }
    }

    #[test]
    fn an_end_is_told_to_whom_the_beginning_was() {
        let station = Station::parse("rehearsal", Station::REHEARSAL).unwrap();
        let mut herald = Herald::new(&station);
        let mut tells = |channel, what| herald.is_worth_telling(channel, &what);
        assert!(!tells(FIRST, Happening::TrackingBegan), "a morning like any other");
        assert!(tells(FIRST, let_go(Limit::DeviceWatts)));
        assert!(!tells(SECOND, Happening::TrackingBegan), "the other one was not let go");
        assert!(tells(FIRST, Happening::TrackingBegan));
        assert!(!tells(FIRST, Happening::TrackingBegan), "once");
        assert!(!tells(FIRST, let_go(Limit::Irradiance)), "weather is no reason to look");
        assert!(!tells(FIRST, Happening::TrackingBegan));
        assert!(tells(SECOND, Happening::LinkLost));
        assert!(tells(SECOND, Happening::LinkBack { after: Duration::from_secs(3) }));
        assert!(tells(FIRST, Happening::StopUnconfirmed));
        assert!(!tells(None, Happening::RunBegan) && !tells(FIRST, Happening::Connected));
        assert!(tells(None, Happening::ClockDoubted { by: 1 }));
    }

    #[test]
    fn a_line_has_its_channel_in_front() {
        let lost = Happening::LinkLost;
        assert_eq!(Line(Some("slope-1"), lost).to_string(), format!("slope-1: {lost}"));
        assert_eq!(Line(None, lost).to_string(), lost.to_string());
        assert_eq!(
            Line(Some("slope-1"), More("let-go")).to_string(),
            "slope-1: let-go again and again; further ones in these 10 min are in the log"
        );
    }
}
