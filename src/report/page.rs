//! The frame of an HTML page: one file that needs nothing beside it.
//!
//! Model: no script, no font and no picture from outside; light or dark as the reader's screen, black on
//! white in print. It is well-formed XML, too, so that a test can read it.

use super::chart;

const STYLE: &str = "\
:root { color-scheme: light dark; --ground: #fff; --ink: #1c1c1c; --c0: #0072b2; --c1: #b35900; --c2: #00785a; --c3: #a3336f; \
--c4: #3f8fc5; --c5: #8a6d00; --c6: #5b4bb5 } \
@media screen and (prefers-color-scheme: dark) { :root { --ground: #16181b; --ink: #e6e6e6; --c0: #56b4e9; --c1: #e69f00; \
--c2: #2fc496; --c3: #e08fbd; --c4: #8cc7f0; --c5: #f0e442; --c6: #b0a4f5 } } \
@page { size: A4 portrait; margin: 12mm } \
body { font: 15px/1.45 sans-serif; color: var(--ink); background: var(--ground); max-width: 1060px; margin: 1.5em auto; padding: 0 1em } \
h1 { font-size: 1.6em; margin: 0 0 .3em } h2 { font-size: 1.25em; margin: 1.8em 0 .4em } h3 { font-size: 1.05em; margin: 1.4em 0 .3em } \
.answer { border-left: 4px solid var(--c0); padding: .1em 1em; margin: 1em 0 } \
.wide { overflow-x: auto } table { border-collapse: collapse; font-size: .86em; margin: .5em 0 } \
th, td { border-bottom: 1px solid color-mix(in srgb, currentColor 25%, transparent); padding: .25em .7em; text-align: left; vertical-align: top } \
th { vertical-align: bottom } .n { text-align: right; white-space: nowrap; font-variant-numeric: tabular-nums } \
td small { opacity: .85 } .behind { font-style: italic } .ahead { font-weight: bold } \
pre, code { font: .88em/1.4 monospace } pre { border: 1px solid color-mix(in srgb, currentColor 25%, transparent); padding: .6em .8em; white-space: pre-wrap; overflow-wrap: anywhere } \
figure { margin: 1em 0 } figcaption { font-size: .9em } .legend { font-size: .86em; list-style: none; padding: 0; margin: .5em 0 } .legend li { display: inline-block; margin-right: 1.6em } \
tr, figure, .answer { break-inside: avoid } h2, h3 { break-after: avoid } \
@media print { body { max-width: none; margin: 0; font-size: 10pt } .wide { overflow: visible } }";

/// The whole page around its body.
pub(super) fn whole(title: &str, body: &str) -> String {
    let title = escaped(title);
    format!(
        "<!DOCTYPE html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\"/>\n\
         <meta name=\"viewport\" content=\"width=device-width, initial-scale=1\"/>\n\
         <link rel=\"icon\" href=\"data:,\"/>\n<title>{title}</title>\n\
         <style>{STYLE} {}</style>\n</head>\n<body>\n{body}</body>\n</html>\n",
        chart::STYLE
    )
}

/// Text that can't become markup.
pub(super) fn escaped(text: &str) -> String {
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

/// A table; the header's and the rows' cells are markup. All columns but the first `left` are numbers.
pub(super) fn table(header: &[String], rows: &[Vec<String>], left: usize) -> String {
    let class = |index: usize| if index < left { "" } else { " class=\"n\"" };
    let row = |cells: &[String], kind: &str| {
        let cell =
            |(index, cell): (usize, &String)| format!("<{kind}{}>{cell}</{kind}>", class(index));
        format!("<tr>{}</tr>\n", cells.iter().enumerate().map(cell).collect::<String>())
    };
    let rows: String = rows.iter().map(|cells| row(cells, "td")).collect();
    format!(
        "<div class=\"wide\"><table>\n<thead>{}</thead>\n<tbody>\n{rows}</tbody></table></div>\n",
        row(header, "th")
    )
}
