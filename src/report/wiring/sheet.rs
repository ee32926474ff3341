//! A sheet to draw on: lines, boxes and lettering as SVG, built as text.
//!
//! Every element carries its own attributes, so that several sheets fit into one page without
//! sharing names. Widths of letters are estimated, on the wide side of common sans-serif faces,
//! because which face is there is known only to whoever shows the sheet.

use std::fmt::Write as _;

/// Faces of about the same width.
const FACES: &str = "Helvetica, Arial, 'Liberation Sans', 'DejaVu Sans', sans-serif";
/// From one line of a paragraph to the next, in sizes of its letters.
const LEADING: f64 = 1.3;
pub(super) const INK: &str = "#111";
pub(super) const FAINT: &str = "#666";

/// A place on the sheet (px): right, down.
pub(super) type Place = (f64, f64);

/// How a line is drawn.
#[derive(Clone, Copy, Debug)]
pub(super) struct Stroke {
    pub(super) colour: &'static str,
    pub(super) width: f64,
    pub(super) dashes: &'static str,
}

pub(super) const fn stroke(colour: &'static str, width: f64, dashes: &'static str) -> Stroke {
    Stroke { colour, width, dashes }
}

/// Outlines of symbols.
pub(super) const OUTLINE: Stroke = stroke(INK, 1.6, "");
pub(super) const HAIRLINE: Stroke = stroke(FAINT, 0.8, "");

/// Where a text stands relative to its place.
#[derive(Clone, Copy, Debug)]
pub(super) enum Anchor {
    Start,
    Middle,
    End,
}

/// How a text is lettered.
#[derive(Clone, Copy, Debug)]
pub(super) struct Letters {
    pub(super) size: f64,
    pub(super) bold: bool,
    pub(super) anchor: Anchor,
}

pub(super) const fn letters(size: f64) -> Letters {
    Letters { size, bold: false, anchor: Anchor::Start }
}

impl Letters {
    pub(super) const fn bold(self) -> Self {
        Self { bold: true, ..self }
    }

    pub(super) const fn middle(self) -> Self {
        Self { anchor: Anchor::Middle, ..self }
    }

    pub(super) const fn end(self) -> Self {
        Self { anchor: Anchor::End, ..self }
    }

    /// From one line to the next (px).
    pub(super) fn leading(self) -> f64 {
        self.size * LEADING
    }

    /// About how wide `text` becomes (px).
    pub(super) fn width(self, text: &str) -> f64 {
        let em: f64 = text.chars().map(width).sum();
        em * self.size * if self.bold { 1.08 } else { 1.0 }
    }

    /// `text` in lines of at most `limit` px, broken between words, behind a hyphen or a slash,
    /// within a word where it must.
    pub(super) fn wrap(self, text: &str, limit: f64) -> Vec<String> {
        let mut lines = vec![String::new()];
        for word in words(text) {
            // A path may be broken at its slashes, a unit may not.
            let breaks: &[char] = if word.starts_with('/') { &['-', '/'] } else { &['-'] };
            for (index, piece) in word.split_inclusive(breaks).enumerate() {
                let line = lines.last_mut().expect("there is always a line");
                let gap = if line.is_empty() || index > 0 { "" } else { " " };
                if self.width(&format!("{line}{gap}{piece}")) <= limit {
                    line.push_str(gap);
                    line.push_str(piece);
                } else {
                    self.wrap_piece(piece, limit, &mut lines);
                }
            }
        }
        lines
    }

    /// Begins a new line with `piece`; and more, if it is longer than one.
    fn wrap_piece(self, piece: &str, limit: f64, lines: &mut Vec<String>) {
        if lines.last().is_some_and(|line| !line.is_empty()) {
            lines.push(String::new());
        }
        for letter in piece.chars() {
            let line = lines.last_mut().expect("there is always a line");
            if !line.is_empty() && self.width(line) + width(letter) * self.size > limit {
                lines.push(letter.to_string());
            } else {
                line.push(letter);
            }
        }
    }

    /// As [`Letters::wrap`], with at most `most` lines; dots stand for what is left out.
    pub(super) fn wrap_cut(self, text: &str, limit: f64, most: usize) -> Vec<String> {
        let mut lines = self.wrap(text, limit);
        if lines.len() > most {
            lines.truncate(most);
            if let Some(last) = lines.last_mut() {
                // One letter gives way to the dots.
                last.pop();
                last.push('\u{2026}');
            }
        }
        lines
    }

    /// `text` cut to `limit` px; dots stand for what is left out.
    pub(super) fn cut(self, text: &str, limit: f64) -> String {
        if self.width(text) <= limit {
            return text.to_owned();
        }
        let mut kept = String::new();
        for letter in text.chars() {
            if self.width(&kept) + (width(letter) + width('\u{2026}')) * self.size > limit {
                break;
            }
            kept.push(letter);
        }
        kept + "\u{2026}"
    }
}

/// The words of a text; a unit stays with the number before it.
fn words(text: &str) -> Vec<String> {
    const UNITS: [&str; 6] = ["V", "A", "W", "ohm", "W/m\u{b2}", "\u{b0}C"];
    let mut words: Vec<String> = Vec::new();
    for word in text.split_whitespace() {
        let bare = word.trim_end_matches([',', '.', ';', ':', ')']);
        match words.last_mut() {
            Some(last) if UNITS.contains(&bare) && last.ends_with(|c: char| c.is_ascii_digit()) => {
                last.push(' ');
                last.push_str(word);
            }
            _ => words.push(word.to_owned()),
        }
    }
    words
}

/// Width of a letter in sizes of the face (1), after the wider of the common faces.
fn width(letter: char) -> f64 {
    match letter {
        'i' | 'j' | 'l' | '\'' | '|' | '.' | ',' | ':' | ';' | '!' | ' ' => 0.34,
        'f' | 't' | 'r' | '(' | ')' | '[' | ']' | '/' | '-' => 0.42,
        'm' | 'M' | 'W' | 'w' | '@' | '%' | '\u{2026}' => 0.98,
        'A'..='Z' => 0.72,
        '\0'..='\u{24f}' => 0.62,
        // Other scripts may be as wide as they are high.
        _ => 1.0,
    }
}

/// `text` as it may stand in XML; what XML has no place for becomes a sign that says so.
pub(super) fn escape(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for letter in text.chars() {
        match letter {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            '\u{fffe}' | '\u{ffff}' => out.push('\u{fffd}'),
            letter if letter.is_control() => out.push('\u{fffd}'),
            letter => out.push(letter),
        }
    }
    out
}

/// The sheet as drawn so far.
#[derive(Debug)]
pub(super) struct Sheet {
    out: String,
}

impl Sheet {
    /// An empty sheet; `title` and `description` are for those who can't see it.
    pub(super) fn new(size: Place, title: &str, description: &str) -> Self {
        let (wide, high) = size;
        let out = format!(
            "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {wide} {high}\" \
             width=\"{wide}\" height=\"{high}\" role=\"img\" font-family=\"{FACES}\" \
             fill=\"none\">\n<title>{}</title>\n<desc>{}</desc>\n\
             <rect width=\"{wide}\" height=\"{high}\" fill=\"#fff\"/>\n",
            escape(title),
            escape(description)
        );
        Self { out }
    }

    pub(super) fn finish(mut self) -> String {
        self.out.push_str("</svg>\n");
        self.out
    }

    fn element(&mut self, element: std::fmt::Arguments<'_>) {
        self.out.write_fmt(element).expect("writing to memory does not fail");
        self.out.push('\n');
    }

    /// A line through `points`.
    pub(super) fn line(&mut self, points: &[Place], stroke: Stroke) {
        let points: Vec<_> = points.iter().map(|(x, y)| format!("{x},{y}")).collect();
        let dashes = dashes(stroke);
        self.element(format_args!(
            "<polyline points=\"{}\" stroke=\"{}\" stroke-width=\"{}\"{dashes}/>",
            points.join(" "),
            stroke.colour,
            stroke.width
        ));
    }

    /// A closed shape through `points`, filled.
    pub(super) fn shape(&mut self, points: &[Place], fill: &str, stroke: Stroke) {
        let points: Vec<_> = points.iter().map(|(x, y)| format!("{x},{y}")).collect();
        self.element(format_args!(
            "<polygon points=\"{}\" fill=\"{fill}\" stroke=\"{}\" stroke-width=\"{}\" \
             stroke-linejoin=\"round\"/>",
            points.join(" "),
            stroke.colour,
            stroke.width
        ));
    }

    /// A box from its upper left corner.
    pub(super) fn frame(&mut self, at: Place, size: Place, fill: &str, stroke: Stroke) {
        let dashes = dashes(stroke);
        self.element(format_args!(
            "<rect x=\"{}\" y=\"{}\" width=\"{}\" height=\"{}\" fill=\"{fill}\" stroke=\"{}\" \
             stroke-width=\"{}\"{dashes}/>",
            at.0, at.1, size.0, size.1, stroke.colour, stroke.width
        ));
    }

    pub(super) fn circle(&mut self, centre: Place, radius: f64, fill: &str, stroke: Stroke) {
        self.element(format_args!(
            "<circle cx=\"{}\" cy=\"{}\" r=\"{radius}\" fill=\"{fill}\" stroke=\"{}\" \
             stroke-width=\"{}\"/>",
            centre.0, centre.1, stroke.colour, stroke.width
        ));
    }

    /// One line of text; its place is on the base line.
    pub(super) fn text(&mut self, at: Place, text: &str, letters: Letters) {
        if text.is_empty() {
            return;
        }
        let anchor = match letters.anchor {
            Anchor::Start => "start",
            Anchor::Middle => "middle",
            Anchor::End => "end",
        };
        let weight = if letters.bold { " font-weight=\"bold\"" } else { "" };
        self.element(format_args!(
            "<text x=\"{}\" y=\"{}\" font-size=\"{}\"{weight} text-anchor=\"{anchor}\" \
             fill=\"{INK}\">{}</text>",
            at.0,
            at.1,
            letters.size,
            escape(text)
        ));
    }

    /// A text in lines of at most `width` px; returns the base line below the last.
    pub(super) fn paragraph(&mut self, at: Place, width: f64, text: &str, style: Letters) -> f64 {
        self.lines(at, &style.wrap(text, width), style)
    }

    /// Lines of text; returns the base line below the last.
    pub(super) fn lines(&mut self, at: Place, lines: &[String], style: Letters) -> f64 {
        let mut y = at.1;
        for line in lines {
            self.text((at.0, y), line, style);
            y += style.leading();
        }
        y
    }

    /// An arrow; its head is at the end.
    pub(super) fn arrow(&mut self, from: Place, to: Place, stroke: Stroke) {
        const HEAD: f64 = 4.0;
        let (x, y) = (to.0 - from.0, to.1 - from.1);
        let length = x.hypot(y).max(1.0);
        let (x, y) = (x / length * HEAD, y / length * HEAD);
        let back = (to.0 - 2.0 * x, to.1 - 2.0 * y);
        self.line(&[from, back], stroke);
        let head = [to, (back.0 - y, back.1 + x), (back.0 + y, back.1 - x)];
        self.shape(&head, stroke.colour, Stroke { width: 0.5, ..stroke });
    }
}

fn dashes(stroke: Stroke) -> String {
    if stroke.dashes.is_empty() {
        String::new()
    } else {
        format!(" stroke-dasharray=\"{}\"", stroke.dashes)
    }
}
