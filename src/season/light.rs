//! When it is light on a day that doesn't know.
//!
//! Model: a minute of the day is presumed to be light if it was light on one of the last seven days with a
//! record before it and on one of the next seven after it. Both, because days grow: a minute that is light next
//! week need not be today. Where there is nothing on one side (the record's ends) the other side's light
//! counts without its first and last [`EDGE`]. Rejected: the sun's times, which need the site, and a log
//! does not tell it.

use std::collections::BTreeMap;

/// Minutes of a day.
pub(super) const SLOTS: usize = 1440;
/// Days on either side that are asked: one of them is bright.
const DAYS: usize = 7;
/// How far they may be (d): the sun's times are others after two months.
const REACH: i64 = 60;
/// By how much the sun's times move in a week at most (min), up to 65 degrees of latitude or so.
const EDGE: usize = 30;

/// Which minutes of a day are light.
pub(super) type Light = [bool; SLOTS];

/// What days know.
#[derive(Debug, Default)]
pub(super) struct Lights(BTreeMap<i64, Box<Light>>);

impl Lights {
    /// A minute that was recorded.
    pub(super) fn note(&mut self, day: i64, slot: usize, light: bool) {
        let map = self.0.entry(day).or_insert_with(|| Box::new([false; SLOTS]));
        map[slot] = light;
    }

    /// Which minutes of a day are presumed to be light.
    pub(super) fn presumed(&self, day: i64) -> Box<Light> {
        let before = any(self.0.range(day - REACH..day).rev().map(|(_, map)| map));
        let after = any(self.0.range(day + 1..=day + REACH).map(|(_, map)| map));
        match (before, after) {
            (Some(mut before), Some(after)) => {
                before.iter_mut().zip(after.iter()).for_each(|(here, there)| *here &= there);
                before
            }
            (Some(one), None) | (None, Some(one)) => without_edges(&one),
            (None, None) => Box::new([false; SLOTS]),
        }
    }
}

fn any<'a>(days: impl Iterator<Item = &'a Box<Light>>) -> Option<Box<Light>> {
    let mut found: Option<Box<Light>> = None;
    for map in days.take(DAYS) {
        let found = found.get_or_insert_with(|| Box::new([false; SLOTS]));
        found.iter_mut().zip(map.iter()).for_each(|(here, there)| *here |= there);
    }
    found
}

/// Light that has light for [`EDGE`] minutes on both sides, around the clock.
fn without_edges(light: &Light) -> Box<Light> {
    let mut inner = Box::new(*light);
    let mut since = 0;
    // Twice around: the first time what began before midnight isn't known yet.
    for slot in 0..2 * SLOTS {
        since = if light[slot % SLOTS] { since + 1 } else { 0 };
        if slot >= SLOTS {
            inner[slot - SLOTS] &= since > EDGE;
        }
    }
    let mut left = 0;
    for slot in (0..2 * SLOTS).rev() {
        left = if light[slot % SLOTS] { left + 1 } else { 0 };
        if slot < SLOTS {
            inner[slot] &= left > EDGE;
        }
    }
    inner
}
