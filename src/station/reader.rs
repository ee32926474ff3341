//! Reads tables key by key, keeping note of everything that is wrong instead of stopping.
//!
//! Model: a [`Section`] is one table of the file. Each key is asked for once, by a description that
//! knows its range, unit and hint; what isn't right is noted with its line and answered with None.
//! [`Section::finish`] notes the keys nobody asked for.

use super::problem::Problem;
use super::spelling::nearest;
use std::cell::RefCell;
use std::ops::Range;
use std::time::Duration;
use toml::Spanned;
use toml::de::{DeTable, DeValue};

/// Collects problems.
pub(super) struct Notes {
    /// Where lines end (byte offsets, rising).
    ends: Vec<usize>,
    problems: RefCell<Vec<Problem>>,
}

impl Notes {
    pub(super) fn new(text: &str) -> Self {
        let ends = text.match_indices('\n').map(|(at, _)| at).collect();
        Self { ends, problems: RefCell::new(Vec::new()) }
    }

    /// The line (1..) of a byte offset.
    pub(super) fn line(&self, span: &Range<usize>) -> usize {
        1 + self.ends.partition_point(|end| *end < span.start)
    }

    pub(super) fn note(&self, line: usize, key: &str, text: impl Into<String>) {
        let problem = Problem { line, key: key.to_owned(), text: text.into() };
        self.problems.borrow_mut().push(problem);
    }

    /// All problems, by line.
    pub(super) fn into_problems(self) -> Vec<Problem> {
        let mut problems = self.problems.into_inner();
        problems.sort_by_key(|problem| problem.line);
        problems
    }
}

/// A number that a key may have.
pub(super) struct Number {
    pub(super) key: &'static str,
    pub(super) low: f64,
    pub(super) high: f64,
    pub(super) unit: &'static str,
    /// What to do, as "state the largest open-circuit voltage plus a margin".
    pub(super) hint: &'static str,
}

impl Number {
    pub(super) fn with_unit(&self, value: impl std::fmt::Display) -> String {
        format!("{value} {}", self.unit).trim_end().to_owned()
    }

    fn range(&self) -> String {
        self.with_unit(format_args!("{}..={}", self.low, self.high))
    }
}

/// A whole number that a key may have.
pub(super) struct Whole {
    pub(super) key: &'static str,
    pub(super) low: u64,
    pub(super) high: u64,
    pub(super) hint: &'static str,
}

enum Content<'a> {
    Table(&'a DeTable<'a>),
    /// A table that may be left out, and is.
    Absent,
    /// Noted already: its keys are no further problem.
    Broken,
}

/// One table of the file.
pub(super) struct Section<'a> {
    notes: &'a Notes,
    content: Content<'a>,
    path: String,
    line: usize,
    asked: Vec<&'static str>,
}

type Value<'a> = &'a Spanned<DeValue<'a>>;

impl<'a> Section<'a> {
    pub(super) fn root(notes: &'a Notes, table: &'a DeTable<'a>) -> Self {
        Self { notes, content: Content::Table(table), path: String::new(), line: 1, asked: vec![] }
    }

    fn child(&self, path: String, value: Value<'a>) -> Self {
        let notes = self.notes;
        let line = notes.line(&value.span());
        let content = match value.get_ref() {
            DeValue::Table(table) => Content::Table(table),
            other => {
                notes.note(line, &path, format!("{} was found where a table belongs", kind(other)));
                Content::Broken
            }
        };
        Self { notes, content, path, line, asked: vec![] }
    }

    /// The full path of a key.
    pub(super) fn path_of(&self, key: &str) -> String {
        match (self.path.as_str(), key) {
            ("", key) => key.to_owned(),
            (path, "") => path.to_owned(),
            (path, key) => format!("{path}.{key}"),
        }
    }

    /// The line of a key, or of the table's header when the key isn't there.
    pub(super) fn line_of(&self, key: &str) -> usize {
        self.entry(key).map_or(self.line, |(span, _)| self.notes.line(&span))
    }

    /// Notes a problem at a key.
    pub(super) fn note(&self, key: &str, text: impl Into<String>) {
        self.notes.note(self.line_of(key), &self.path_of(key), text);
    }

    /// Notes a problem at a value of a key.
    pub(super) fn note_at(&self, value: Value<'a>, key: &str, text: impl Into<String>) {
        self.notes.note(self.notes.line(&value.span()), &self.path_of(key), text);
    }

    /// The text of a key, if it is there and is text; notes nothing.
    pub(super) fn peek(&self, key: &str) -> Option<&'a str> {
        self.entry(key).and_then(|(_, value)| value.get_ref().as_str())
    }

    /// Whether the key is there; also marks it as known.
    pub(super) fn has(&mut self, key: &'static str) -> bool {
        self.asked.push(key);
        self.entry(key).is_some()
    }

    fn entry(&self, key: &str) -> Option<(Range<usize>, Value<'a>)> {
        let Content::Table(table) = self.content else { return None };
        table.get_key_value(key).map(|(name, value)| (name.span(), value))
    }

    pub(super) fn value(&mut self, key: &'static str) -> Option<Value<'a>> {
        self.asked.push(key);
        self.entry(key).map(|(_, value)| value)
    }

    /// The value, or a note that it is missing.
    pub(super) fn needed(&mut self, key: &'static str, hint: &str) -> Option<Value<'a>> {
        let value = self.value(key);
        if value.is_none() && !matches!(self.content, Content::Broken) {
            self.note(key, format!("missing; {hint}"));
        }
        value
    }

    /// A table that must be there.
    pub(super) fn table(&mut self, key: &'static str, hint: &str) -> Self {
        let path = self.path_of(key);
        match self.needed(key, hint) {
            Some(value) => self.child(path, value),
            None => self.without(path, Content::Broken),
        }
    }

    /// A table that may be left out: its keys then have their defaults.
    pub(super) fn table_or_defaults(&mut self, key: &'static str) -> Self {
        let path = self.path_of(key);
        match self.value(key) {
            Some(value) => self.child(path, value),
            None if matches!(self.content, Content::Broken) => self.without(path, Content::Broken),
            None => self.without(path, Content::Absent),
        }
    }

    /// A table that stands for something that may not exist.
    pub(super) fn table_if_any(&mut self, key: &'static str) -> Option<Self> {
        let path = self.path_of(key);
        self.value(key).map(|value| self.child(path, value))
    }

    fn without(&self, path: String, content: Content<'a>) -> Self {
        Self { notes: self.notes, content, path, line: self.line, asked: vec![] }
    }

    /// An array of tables.
    pub(super) fn tables(&mut self, key: &'static str, hint: &str) -> Vec<Self> {
        let Some(value) = self.needed(key, hint) else { return vec![] };
        let DeValue::Array(items) = value.get_ref() else {
            let text = format!("{} was found where tables belong; {hint}", kind(value.get_ref()));
            self.note(key, text);
            return vec![];
        };
        if items.is_empty() {
            self.note(key, format!("there is none; {hint}"));
        }
        let numbered = items.iter().enumerate();
        numbered.map(|(i, item)| self.child(format!("{key}[{}]", i + 1), item)).collect()
    }

    /// Tables under names of their own, as `[key.NAME]`; none when the key isn't there.
    pub(super) fn named_tables(&mut self, key: &'static str) -> Vec<(&'a str, Self)> {
        let Some(section) = self.table_if_any(key) else { return vec![] };
        let Content::Table(table) = section.content else { return vec![] };
        let named = table.iter().map(|(name, value)| {
            let name: &'a str = name.get_ref();
            (name, section.child(section.path_of(&quoted(name)), value))
        });
        named.collect()
    }

    /// Numbers under names that only the user knows; none when one of them is wrong. Such a section
    /// isn't [finished](Self::finish).
    pub(super) fn own_numbers(&self, what: &Number) -> Option<Vec<(&'a str, f64)>> {
        let Content::Table(table) = self.content else { return Some(vec![]) };
        let mut all = Some(vec![]);
        for (name, value) in table.iter() {
            let name: &'a str = name.get_ref();
            match (judge(what, value.get_ref()), &mut all) {
                (Ok(number), Some(numbers)) => numbers.push((name, number)),
                (Ok(_), None) => {}
                (Err(text), _) => {
                    self.note(name, text);
                    all = None;
                }
            }
        }
        all
    }

    /// A list of texts that must be there.
    pub(super) fn texts(&mut self, key: &'static str, hint: &str) -> Option<Vec<&'a str>> {
        let value = self.needed(key, hint)?;
        let DeValue::Array(items) = value.get_ref() else {
            let found = kind(value.get_ref());
            self.note(key, format!("{found} was found where a list of texts belongs; {hint}"));
            return None;
        };
        let texts: Option<Vec<_>> = items.iter().map(|item| item.get_ref().as_str()).collect();
        if texts.is_none() {
            self.note(key, format!("the list holds something else than texts; {hint}"));
        }
        texts
    }

    /// A table written in place of a value, such as `{ tcp = "..." }`.
    pub(super) fn inline(&self, key: &str, value: Value<'a>) -> Self {
        self.child(self.path_of(key), value)
    }

    pub(super) fn number(&mut self, what: &Number) -> Option<f64> {
        let hint = format!("{} ({})", what.hint, what.range());
        let value = self.needed(what.key, &hint)?;
        self.checked(what, value)
    }

    pub(super) fn number_or(&mut self, what: &Number, default: f64) -> Option<f64> {
        match self.value(what.key) {
            Some(value) => self.checked(what, value),
            None => Some(default),
        }
    }

    pub(super) fn seconds(&mut self, what: &Number) -> Option<Duration> {
        self.number(what).and_then(|s| Duration::try_from_secs_f64(s).ok())
    }

    pub(super) fn seconds_or(&mut self, what: &Number, default: Duration) -> Option<Duration> {
        self.number_or(what, default.as_secs_f64())
            .and_then(|s| Duration::try_from_secs_f64(s).ok())
    }

    fn checked(&self, what: &Number, value: Value<'a>) -> Option<f64> {
        match judge(what, value.get_ref()) {
            Ok(number) => Some(number),
            Err(text) => {
                self.note(what.key, text);
                None
            }
        }
    }

    /// A list of numbers; none when the key isn't there.
    pub(super) fn numbers(&mut self, what: &Number) -> Option<Vec<f64>> {
        let Some(value) = self.value(what.key) else { return Some(vec![]) };
        self.list(what, value)
    }

    /// Numbers in brackets, each noted at its own line.
    pub(super) fn list(&self, what: &Number, value: Value<'a>) -> Option<Vec<f64>> {
        let DeValue::Array(items) = value.get_ref() else {
            let found = kind(value.get_ref());
            let text = format!("{found} was found where a list of numbers belongs; {}", what.hint);
            self.notes.note(self.notes.line(&value.span()), &self.path_of(what.key), text);
            return None;
        };
        let mut all = Some(Vec::with_capacity(items.len()));
        for item in items.iter() {
            match (judge(what, item.get_ref()), &mut all) {
                (Ok(number), Some(numbers)) => numbers.push(number),
                (Ok(_), None) => {}
                (Err(text), _) => {
                    self.notes.note(self.notes.line(&item.span()), &self.path_of(what.key), text);
                    all = None;
                }
            }
        }
        all
    }

    /// Points of two numbers each, as [[0.0, 0.0], [2.0, 20.0]].
    pub(super) fn pairs(&self, what: &Number, value: Value<'a>) -> Option<Vec<[f64; 2]>> {
        let Some(items) = value.get_ref().as_array() else {
            self.note(what.key, format!("this is no list; {}", what.hint));
            return None;
        };
        let mut pairs = Some(Vec::with_capacity(items.len()));
        for item in items.iter() {
            let point = self.list(what, item);
            let pair = point.as_deref().and_then(|point| <[f64; 2]>::try_from(point).ok());
            if let (Some(point), None) = (&point, pair) {
                let text = format!("a point of {} numbers; {}", point.len(), what.hint);
                self.note_at(item, what.key, text);
            }
            match (pair, &mut pairs) {
                (Some(pair), Some(pairs)) => pairs.push(pair),
                _ => pairs = None,
            }
        }
        pairs
    }

    pub(super) fn whole(&mut self, what: &Whole, default: Option<u64>) -> Option<u64> {
        let range = format!("{}..={}", what.low, what.high);
        let value = match default {
            None => self.needed(what.key, &format!("{} ({range})", what.hint))?,
            Some(default) => match self.value(what.key) {
                None => return Some(default),
                Some(value) => value,
            },
        };
        let DeValue::Integer(found) = value.get_ref() else {
            let found = kind(value.get_ref());
            let text = format!("{found} was found where a whole number belongs; {}", what.hint);
            self.note(what.key, format!("{text} ({range})"));
            return None;
        };
        let number = u64::from_str_radix(found.as_str(), found.radix()).ok();
        let fits = number.filter(|number| (what.low..=what.high).contains(number));
        if fits.is_none() {
            self.note(what.key, format!("{found} is outside {range}; {}", what.hint));
        }
        fits
    }

    pub(super) fn text(&mut self, key: &'static str, hint: &str) -> Option<&'a str> {
        let value = self.needed(key, hint)?;
        self.as_text(key, value, hint)
    }

    pub(super) fn text_if_any(&mut self, key: &'static str, hint: &str) -> Option<&'a str> {
        let value = self.value(key)?;
        self.as_text(key, value, hint)
    }

    fn as_text(&self, key: &str, value: Value<'a>, hint: &str) -> Option<&'a str> {
        let found = value.get_ref();
        let Some(text) = found.as_str() else {
            self.note(key, format!("{} was found where text belongs; {hint}", kind(found)));
            return None;
        };
        if text.trim().is_empty() {
            self.note(key, format!("the text is empty; {hint}"));
            return None;
        }
        Some(text)
    }

    pub(super) fn flag_or(&mut self, key: &'static str, default: bool) -> Option<bool> {
        let Some(value) = self.value(key) else { return Some(default) };
        let found = value.get_ref();
        if found.as_bool().is_none() {
            let text = format!("{} was found where true or false belongs", kind(found));
            self.note(key, text);
        }
        found.as_bool()
    }

    /// One of some names, as its place among them.
    pub(super) fn choice(
        &mut self,
        key: &'static str,
        names: &[&str],
        default: Option<usize>,
    ) -> Option<usize> {
        let hint = format!("choose one of: {}", names.join(", "));
        let value = match default {
            None => self.needed(key, &hint)?,
            Some(default) => match self.value(key) {
                None => return Some(default),
                Some(value) => value,
            },
        };
        let found = self.as_text(key, value, &hint)?;
        let place = names.iter().position(|name| *name == found);
        if place.is_none() {
            self.note(
                key,
                format!("there is no \"{found}\"{}; {hint}", did_you_mean(found, names)),
            );
        }
        place
    }

    /// Notes each of `keys` that is there, with the reason why it should not be.
    pub(super) fn forbid(&mut self, keys: &[&'static str], why: &str) {
        for key in keys {
            if self.has(key) {
                self.note(key, why);
            }
        }
    }

    /// The keys asked for so far.
    pub(super) fn asked(&self) -> Vec<&'static str> {
        self.asked.clone()
    }

    /// Notes the keys that nobody asked for.
    pub(super) fn finish(self) {
        let Content::Table(table) = self.content else { return };
        for key in table.keys() {
            let name: &str = key.get_ref();
            if self.asked.contains(&name) {
                continue;
            }
            let meant = did_you_mean(name, &self.asked);
            let mut known = self.asked.clone();
            known.sort_unstable();
            known.dedup();
            let text = if meant.is_empty() {
                format!("unknown key; known here: {}", known.join(", "))
            } else {
                format!("unknown key{meant}")
            };
            self.notes.note(self.notes.line(&key.span()), &self.path_of(&quoted(name)), text);
        }
    }
}

/// A key as it must be written: quoted where it is more than letters, digits, `-` and `_`.
fn quoted(key: &str) -> String {
    let bare = |c: char| c.is_ascii_alphanumeric() || c == '-' || c == '_';
    if !key.is_empty() && key.chars().all(bare) { key.to_owned() } else { format!("{key:?}") }
}

fn did_you_mean(found: &str, known: &[&str]) -> String {
    nearest(found, known).map_or_else(String::new, |name| format!("; did you mean {name}?"))
}

/// The number, if it is one and lies in the range; else what is wrong.
fn judge(what: &Number, found: &DeValue<'_>) -> Result<f64, String> {
    let (number, written) = match found {
        DeValue::Integer(i) => {
            (i64::from_str_radix(i.as_str(), i.radix()).map_or(f64::NAN, to_f64), i.to_string())
        }
        DeValue::Float(f) => (f.as_str().parse().unwrap_or(f64::NAN), f.to_string()),
        other => {
            let found = kind(other);
            let rest = format!("{} ({})", what.hint, what.range());
            return Err(format!("{found} was found where a number belongs; {rest}"));
        }
    };
    if !number.is_finite() {
        let rest = format!("{} ({})", what.hint, what.range());
        return Err(format!("{written} is no finite number; {rest}"));
    }
    if !(what.low..=what.high).contains(&number) {
        let written = what.with_unit(written);
        return Err(format!("{written} is outside {}; {}", what.range(), what.hint));
    }
    Ok(number)
}

#[expect(clippy::cast_precision_loss, reason = "every range ends far below 2^53")]
fn to_f64(whole: i64) -> f64 {
    whole as f64
}

/// What kind of value was found, with its article.
fn kind(value: &DeValue<'_>) -> &'static str {
    match value {
        DeValue::String(_) => "text",
        DeValue::Integer(_) => "a whole number",
        DeValue::Float(_) => "a number",
        DeValue::Boolean(_) => "true or false",
        DeValue::Datetime(_) => "a date or time",
        DeValue::Array(_) => "a list",
        DeValue::Table(_) => "a table",
    }
}
