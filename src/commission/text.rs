//! The report in a terminal: a table, and under it a sentence for everything not passed.

use super::check::{Check, Verdict};
use super::report::Commissioning;
use crate::report::table::align;

/// Width of sentences in a terminal.
const WIDTH: usize = 96;

/// The whole report.
#[must_use]
pub fn text(report: &Commissioning) -> String {
    let mut out = format!("{}: commissioning of {}\n\n", report.station, report.span.0);
    section(&mut out, "station", &report.checks);
    for channel in &report.channels {
        for (what, where_found) in &channel.instruments {
            out.push_str(&format!("{what}: {where_found}\n"));
        }
        section(&mut out, &channel.name, &channel.checks);
        if !channel.lines.is_empty() {
            out.push_str(&format!("proposed for {}:\n", channel.name));
            for line in channel.lines.lines() {
                out.push_str(&format!("  {line}\n"));
            }
            out.push('\n');
        }
    }
    out.push_str(&format!("{}\n", report.sentence()));
    out
}

fn section(out: &mut String, name: &str, checks: &[Check]) {
    if checks.is_empty() {
        return;
    }
    let rows: Vec<Vec<String>> = checks
        .iter()
        .map(|check| {
            let found = check.found.map_or_else(|| "-".to_owned(), |figure| figure.to_string());
            vec![check.what.to_string(), found, check.verdict.word().to_owned()]
        })
        .collect();
    out.push_str(&align(&[name, "found", "verdict"], &rows));
    let loud = |check: &&Check| check.reason.is_some() || check.verdict == Verdict::Skipped;
    for check in checks.iter().filter(loud) {
        let reason = check.reason.map_or(String::new(), |reason| format!(" [{}]", reason.word()));
        let limit = if check.limit.is_empty() {
            String::new()
        } else {
            format!(" (limit: {})", check.limit)
        };
        let word = check.verdict.word();
        wrap(&format!("{word}{reason} {}{limit}: {}", check.what, check.says), out);
    }
    out.push('\n');
}

fn wrap(sentence: &str, out: &mut String) {
    let mut width = 0;
    for word in sentence.split_whitespace() {
        let length = word.chars().count();
        if width > 0 && width + 1 + length > WIDTH {
            out.push_str("\n    ");
            width = 4;
        } else if width > 0 {
            out.push(' ');
            width += 1;
        }
        out.push_str(word);
        width += length;
    }
    out.push('\n');
}
