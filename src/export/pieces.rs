//! A log in pieces of time: however long it is, one piece at a time is in memory.

use crate::time::Utc;
use std::collections::BTreeSet;
use std::ops::Range;

const DAY_US: i64 = 86_400_000_000;

/// Cuts the days on which there are rows into spans of at most `longest` (us), and clips them to
/// `within`. Days that follow one another make one span as far as they may.
pub(super) fn pieces(days: &BTreeSet<i64>, longest: i64, within: &Range<Utc>) -> Vec<Range<Utc>> {
    let mut runs: Vec<(i64, i64)> = Vec::new();
    for day in days {
        let (from, until) = (day.saturating_mul(DAY_US), (day + 1).saturating_mul(DAY_US));
        match runs.last_mut() {
            Some(run) if run.1 == from => run.1 = until,
            _ => runs.push((from, until)),
        }
    }
    let mut pieces = Vec::new();
    for (from, until) in runs {
        let (mut from, until) =
            (from.max(within.start.as_micros()), until.min(within.end.as_micros()));
        while from < until {
            let end = from.saturating_add(longest).min(until);
            pieces.push(Utc::from_micros(from)..Utc::from_micros(end));
            from = end;
        }
    }
    pieces
}

/// The dates of days that begin within `within`, at midnight of a time that is so many seconds ahead
/// of UTC: first and last, ISO 8601; none where no day does.
pub(super) fn dates(within: &Range<Utc>, ahead_s: i32) -> Option<(String, String)> {
    // The first midnight that is not before `at`, in days since 1970.
    let midnight = |at: Utc| {
        let local = at.as_micros().saturating_add(i64::from(ahead_s) * 1_000_000);
        local.div_euclid(DAY_US) + i64::from(local.rem_euclid(DAY_US) > 0)
    };
    let (first, after) = (midnight(within.start), midnight(within.end));
    // A text of four digits a year sorts as the dates do.
    let date = |day: i64| {
        let epoch = jiff::civil::date(1970, 1, 1);
        let days = jiff::Span::new().try_days(day).ok()?;
        epoch.checked_add(days).ok().filter(|date| date.year() >= 0).map(|date| date.to_string())
    };
    (first < after).then(|| {
        let first = date(first).unwrap_or_else(|| "0000-01-01".to_owned());
        (first, date(after - 1).unwrap_or_else(|| "9999-12-31".to_owned()))
    })
}
