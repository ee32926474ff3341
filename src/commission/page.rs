//! The page that a person signs: one HTML file that needs nothing beside it, made to be printed.
//!
//! Model: one sheet for the station with the cautions and the place to sign, then each channel with
//! its wiring drawing (where one is given), its checks and the lines proposed. Black on white, tables
//! with thin lines, verdicts as words and not as colours alone, so that a copy in grey says the same.

use super::check::{Check, Verdict};
use super::report::{ChannelPart, Commissioning};

/// Cautions, before anything else on the page.
const CAUTIONS: [&str; 5] = [
    "A photovoltaic device is live whenever it is lit and can't be switched off. \"Input off\" leaves \
     the full open-circuit voltage on the leads.",
    "Never open a connector or a fuse under current: an arc of direct current doesn't go out by \
     itself. With the boost supply the load sees the sum of both voltages.",
    "Loads get hot. Concentrated light burns and blinds.",
    "These checks replace neither fuses, the load's own protection and the emergency disconnect, nor \
     local electrical codes and licensed practice.",
    "Two devices of one kind that changed places as a whole, with load and supply, look right to \
     every check here. Cover one device after the other and see that its own channel goes dark.",
];

const STYLE: &str = "\
@page { size: A4; margin: 16mm } @page drawing { size: A4 landscape; margin: 8mm } \
figure { page: drawing; margin: 0 } \
body { font: 10pt/1.35 sans-serif; color: #000; background: #fff; max-width: 178mm; margin: 8mm auto } \
h1 { font-size: 16pt; margin: 0 0 2mm } h2 { font-size: 12pt; margin: 7mm 0 2mm } \
table { border-collapse: collapse; width: 100%; font-size: 9pt } \
th, td { border: 0.2mm solid #777; padding: 0.8mm 1.6mm; text-align: left; vertical-align: top } \
.checks td:nth-child(1) { width: 27% } .checks td:nth-child(4) { width: 43% } \
td.n { text-align: right; white-space: nowrap } tr { break-inside: avoid } \
tr.failed td { font-weight: bold; border-left-width: 1mm } \
.box { border: 0.5mm solid #000; padding: 2mm 4mm; margin: 4mm 0 } \
.sign td { height: 13mm; width: 33% } section { break-before: page } \
pre { background: #f2f2f2; padding: 2mm; white-space: pre-wrap } svg { max-width: 100%; height: auto; max-height: 190mm } \
@media print { body { max-width: none; margin: 0 } }";

/// The page; `wiring` has one drawing (SVG) for each channel, or fewer, or none.
#[must_use]
pub fn page(report: &Commissioning, wiring: &[String]) -> String {
    let mut out = format!(
        "<!doctype html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n<title>{0}: \
         commissioning</title>\n<style>{STYLE}</style>\n</head>\n<body>\n<h1>{0}</h1>\n<p>Record of \
         commissioning, {1} to {2} (by the computer's clock), Cresthold {3}.</p>\n",
        escaped(&report.station),
        report.span.0,
        report.span.1,
        report.version
    );
    out.push_str(&format!(
        "<p class=\"box\"><strong>Result: {}.</strong></p>\n",
        escaped(&report.sentence())
    ));
    summary(&mut out, report);
    out.push_str("<h2>Before anybody touches a lead</h2>\n<ul>\n");
    for caution in CAUTIONS {
        out.push_str(&format!("<li>{}</li>\n", escaped(caution)));
    }
    out.push_str("</ul>\n");
    checks(&mut out, "Station", &report.checks);
    signature(&mut out);
    for (index, part) in report.channels.iter().enumerate() {
        channel(&mut out, part, wiring.get(index));
    }
    out.push_str("</body>\n</html>\n");
    out
}

/// What a person has to do, on the first sheet.
fn summary(out: &mut String, report: &Commissioning) {
    let loud = |check: &&Check| matches!(check.verdict, Verdict::Failed | Verdict::Doubtful);
    let parts = std::iter::once(("station", &report.checks))
        .chain(report.channels.iter().map(|part| (part.name.as_str(), &part.checks)));
    let rows: Vec<String> = parts
        .flat_map(|(name, checks)| checks.iter().filter(loud).map(move |check| (name, check)))
        .map(|(name, check)| {
            format!(
                "<tr><td>&#9744;</td><td>{}</td><td><strong>{}</strong>: {}. {}</td></tr>\n",
                escaped(name),
                check.verdict.word(),
                escaped(&check.what),
                escaped(&check.says)
            )
        })
        .collect();
    if !rows.is_empty() {
        out.push_str(&format!(
            "<h2>To be put right, or looked at</h2>\n<table>\n{}</table>\n",
            rows.concat()
        ));
    }
}

fn signature(out: &mut String) {
    out.push_str(
        "<h2>Seen and accepted</h2>\n<p>Every channel is wired as drawn; what had to be put right was put \
         right, or is explained here:</p>\n\
         <table class=\"sign\">\n<tr><td colspan=\"3\">Remarks</td></tr>\n\
         <tr><td>Name</td><td>Date</td><td>Signature</td></tr>\n</table>\n",
    );
}

fn channel(out: &mut String, part: &ChannelPart, drawing: Option<&String>) {
    out.push_str(&format!("<section>\n<h2>Channel {}</h2>\n", escaped(&part.name)));
    out.push_str(if part.energised {
        "<p>Was energised for these checks. &#9744; Covering its device darkened this channel.</p>\n"
    } else {
        "<p>Was not energised. &#9744; Covering its device darkened this channel.</p>\n"
    });
    if !part.instruments.is_empty() {
        out.push_str("<ul>\n");
        for (what, found) in &part.instruments {
            out.push_str(&format!("<li>{}: {}</li>\n", escaped(what), escaped(found)));
        }
        out.push_str("</ul>\n");
    }
    if let Some(drawing) = drawing {
        // Made by this program from the station file, so it is markup to take over as it is.
        out.push_str(&format!("<figure>\n{drawing}\n</figure>\n"));
    }
    checks(out, "Checks", &part.checks);
    if !part.lines.is_empty() {
        out.push_str(&format!(
            "<h2>Proposed for the station file</h2>\n<pre>{}</pre>\n",
            escaped(&part.lines)
        ));
    }
    out.push_str("</section>\n");
}

fn checks(out: &mut String, title: &str, checks: &[Check]) {
    if checks.is_empty() {
        return;
    }
    out.push_str(&format!(
        "<h2>{title}</h2>\n<table class=\"checks\">\n<tr><th>Check</th><th>Found</th><th>Verdict</th><th>Limit, \
         meaning</th></tr>\n"
    ));
    for check in checks {
        let class = if check.verdict == Verdict::Failed { " class=\"failed\"" } else { "" };
        let found = check.found.map_or_else(String::new, |figure| figure.to_string());
        let reason = check.reason.map_or(String::new(), |reason| format!(": {}", reason.word()));
        let says = match (check.limit.is_empty(), check.says.is_empty()) {
            (_, true) => check.limit.clone(),
            (true, false) => check.says.clone(),
            (false, false) => format!("{}. {}", check.limit, check.says),
        };
        out.push_str(&format!(
            "<tr{class}><td>{}</td><td class=\"n\">{}</td><td>{}{reason}</td><td>{}</td></tr>\n",
            escaped(&check.what),
            escaped(&found.replace("+-", "\u{b1}")),
            check.verdict.word(),
            escaped(&says)
        ));
    }
    out.push_str("</table>\n<p>Uncertainties are expanded, k = 2.</p>\n");
}

/// Text that can't become markup.
fn escaped(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for sign in text.chars() {
        match sign {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            other => out.push(other),
        }
    }
    out
}
