//! The two tables below a circuit: what to expect at the numbered points, and the ratings.

use super::figures::{BRIGHT, COLD, Expected, LoopPoint, ratings};
use super::sheet::{Letters, OUTLINE, Place, Sheet, letters};
use crate::quantities::STC_IRRADIANCE;
use crate::station::ChannelSpec;

/// Upper edge of both tables, and from row to row (px).
const TOP: f64 = 608.0;
const ROW: f64 = 16.5;
const BODY: Letters = letters(11.5);
const HEAD: Letters = letters(11.5).bold();
/// Where the expected values and their columns stand.
const LEFT: f64 = 20.0;
const LABEL: f64 = 190.0;
const COLUMN: f64 = 92.0;
/// Where the ratings and their columns end.
const RATINGS: f64 = 705.0;
const RATING_ENDS: [f64; 3] = [960.0, 1030.0, 1100.0];

/// What to state where nothing can be expected.
const UNRATED: &str = "Nothing is known of the device's volts and amps. State [channel.rated] in \
    the station file, and they stand here: open_circuit_volts, short_circuit_amps, crest_volts, \
    crest_amps, all at 1000 W/m\u{b2} and 25 \u{b0}C; and for the largest voltage on a cold day \
    open_circuit_volts_per_kelvin.";

/// A column: its two lines of heading and its point; none where the file doesn't state enough.
type Column<'a> = ([String; 2], Option<&'a LoopPoint>);
/// A row: its label and what it takes from a point.
type Row = (&'static str, fn(&LoopPoint) -> String);

pub(super) fn draw(sheet: &mut Sheet, channel: &ChannelSpec, expected: Option<&Expected>) {
    match expected {
        Some(expected) => points(sheet, channel, expected),
        None => {
            sheet.text((LEFT, TOP), "Expected", HEAD);
            sheet.paragraph((LEFT, TOP + 20.0), 620.0, UNRATED, BODY);
        }
    }
    limits(sheet, channel, expected);
}

fn points(sheet: &mut Sheet, channel: &ChannelSpec, expected: &Expected) {
    let suns = format!("{:.0} W/m\u{b2}", STC_IRRADIANCE.0);
    let bright = format!("{:.0} W/m\u{b2}", STC_IRRADIANCE.0 * BRIGHT);
    let cold = format!("{:.0} \u{b0}C", COLD.0).replace('-', "\u{2212}");
    let column = |first: &str, second: &str| [first.to_owned(), second.to_owned()];
    let columns: [Column<'_>; 5] = [
        (column("open circuit", &suns), Some(&expected.open)),
        (column("crest", &suns), Some(&expected.crest)),
        (column("short circuit", &suns), Some(&expected.short)),
        (column("open, cold", &cold), expected.cold_open.as_ref()),
        (column("short, bright", &bright), Some(&expected.bright_short)),
    ];
    let rows: [Row; 7] = [
        ("1 to 2: device", |at| format!("{:.2}", at.device)),
        ("3 to 4: boost supply", |at| format!("{:.2}", at.boost)),
        ("leads, fuse, disconnect lose", |at| format!("{:.2}", at.lead)),
        ("5 to 6: load", |at| format!("{:.2}", at.load)),
        ("current I", |at| format!("{:.2}", at.amps)),
        ("heat of the load", |at| format!("{:.0}", at.heat)),
        ("the load needs 5 to 6 at least", |at| {
            at.needs.map_or_else(|| "can't".to_owned(), |needs| format!("{needs:.2}"))
        }),
    ];
    sheet.text((LEFT, TOP), "Expected, at 25 \u{b0}C", HEAD);
    sheet.text((LEFT, TOP + 15.0), "where nothing else is said", BODY);
    for (index, (heading, _)) in (1_u8..).zip(&columns) {
        let x = LEFT + LABEL + COLUMN * f64::from(index);
        sheet.text((x, TOP), &heading[0], HEAD.end());
        sheet.text((x, TOP + 15.0), &heading[1], BODY.end());
    }
    let mut y = rule(sheet, TOP + 21.0, (LEFT, LEFT + LABEL + COLUMN * 5.0));
    for (label, value) in rows {
        if label.starts_with('3') && channel.boost.is_none() {
            continue;
        }
        sheet.text((LEFT, y), label, BODY);
        for (index, (_, point)) in (1_u8..).zip(&columns) {
            let x = LEFT + LABEL + COLUMN * f64::from(index);
            let text = point.map_or_else(|| "not stated".to_owned(), value);
            sheet.text((x, y), &text, BODY.end());
        }
        y += ROW;
    }
    notes(sheet, y, expected);
}

/// What the load can't reach, in words.
fn notes(sheet: &mut Sheet, y: f64, expected: &Expected) {
    let short = [(&expected.short, "short circuit"), (&expected.bright_short, "short, bright")];
    let missed: Vec<_> =
        short.iter().filter(|(at, _)| !at.reached()).map(|(_, name)| *name).collect();
    let text = if missed.is_empty() {
        "The load reaches every point. At a colder site the voltage is larger.".to_owned()
    } else {
        format!("Not reached by the load: {}.", missed.join("; "))
    };
    sheet.text((LEFT, y + 2.0), &text, HEAD);
}

fn limits(sheet: &mut Sheet, channel: &ChannelSpec, expected: Option<&Expected>) {
    let all = ratings(channel, expected);
    sheet.text((RATINGS, TOP), "Ratings", HEAD);
    for (x, heading) in RATING_ENDS.iter().zip(["at most", "limit", ""]) {
        sheet.text((*x, TOP), heading, HEAD.end());
    }
    let mut y = rule(sheet, TOP + 6.0, (RATINGS, RATING_ENDS[2]));
    for rating in &all {
        let verdict = match (&rating.expected, rating.fits) {
            (None, _) => "",
            (Some(_), true) => "fits",
            (Some(_), false) => "OVER",
        };
        sheet.text((RATINGS, y), rating.what, BODY);
        let style = if rating.fits { BODY } else { HEAD };
        let expected = rating.expected.as_deref().unwrap_or("\u{2013}");
        for (x, text) in RATING_ENDS.iter().zip([expected, &rating.limit, verdict]) {
            sheet.text((*x, y), text, style.end());
        }
        y += ROW;
    }
    let over: Vec<_> = all.iter().filter(|rating| !rating.fits).map(|rating| rating.key).collect();
    if !over.is_empty() {
        let text = format!("OVER: choose other parts, or correct {}.", over.join(", "));
        sheet.paragraph((RATINGS, y + 2.0), RATING_ENDS[2] - RATINGS, &text, HEAD);
    }
}

/// A rule from `ends.0` to `ends.1`; returns the base line of the row below.
fn rule(sheet: &mut Sheet, y: f64, ends: Place) -> f64 {
    sheet.line(&[(ends.0, y), (ends.1, y)], OUTLINE);
    y + 15.0
}
