//! `[commands.NAME]`: the words of instruments that don't speak as SCPI-1999 and IEEE 488.2 would.
//!
//! Model: a set begins as the default one, and each key replaces one of its messages or queries. A
//! message is text; where a number on the line is in another unit, or an answer in another form, a
//! table says so. What is wrong is noted and the default stays: a station with a note is refused as
//! a whole.

use super::reader::{Number, Section, Whole};
use super::spelling::nearest;
use crate::instruments::words::{
    self, DECIMALS, MeasureQuery, NumberQuery, Part, StatusQuery, SwitchQuery, Template, Tripped,
    WordQuery, Words, WordsError,
};
use crate::instruments::{LIST_POINTS, ListCommands, LoadCommands, SetAndAsk, SupplyCommands};

const KINDS: [&str; 2] = ["load", "supply"];
const ANSWER: &str = "state the word that it answers";
const TRIPPED: &str = "state the bits of the register, as 24, or the word, as \"TRIP\", that says \
                       that a protection tripped";
const FIELDS: &str = "list what the answer holds in its order, as [\"volts\", \"amps\"]; \"other\" \
                      is passed over";
const SCALE: Number = Number {
    key: "scale",
    low: 1e-6,
    high: 1e6,
    unit: "",
    hint: "state what its number 1 is in V, A or s: 0.001 for millivolts",
};
const VOLTS_SCALE: Number = Number { key: "volts_scale", ..SCALE };
const AMPS_SCALE: Number = Number { key: "amps_scale", ..SCALE };
const DIGITS: Whole =
    Whole { key: "decimals", low: 0, high: 9, hint: "state the digits after its point" };
const POINTS: Whole =
    Whole { key: "longest", low: 1, high: 1000, hint: "state how many voltages a list may hold" };

/// The command sets of a file.
pub(super) struct CommandSets {
    sets: Vec<(String, Set)>,
}

enum Set {
    Load(Box<LoadCommands>),
    Supply(Box<SupplyCommands>),
}

impl CommandSets {
    /// Reads all `[commands.NAME]`.
    pub(super) fn read(root: &mut Section<'_>) -> Self {
        let mut sets = vec![];
        for (name, mut section) in root.named_tables("commands") {
            match section.choice("instrument", &KINDS, None) {
                Some(0) => sets.push((name.to_owned(), Set::Load(Box::new(load(&mut section))))),
                Some(_) => {
                    sets.push((name.to_owned(), Set::Supply(Box::new(supply(&mut section)))))
                }
                // Which keys belong can't be told.
                None => continue,
            }
            section.finish();
        }
        Self { sets }
    }

    /// The set that a load refers to.
    pub(super) fn of_load(&self, section: &mut Section<'_>) -> LoadCommands {
        match self.named(section) {
            Some(Set::Load(commands)) => commands.as_ref().clone(),
            Some(Set::Supply(_)) => {
                section.note("commands", "this set is a supply's; name a load's");
                LoadCommands::default()
            }
            None => LoadCommands::default(),
        }
    }

    /// The set that a boost supply refers to.
    pub(super) fn of_supply(&self, section: &mut Section<'_>) -> SupplyCommands {
        match self.named(section) {
            Some(Set::Supply(commands)) => commands.as_ref().clone(),
            Some(Set::Load(_)) => {
                section.note("commands", "this set is a load's; name a supply's");
                SupplyCommands::default()
            }
            None => SupplyCommands::default(),
        }
    }

    fn named(&self, section: &mut Section<'_>) -> Option<&Set> {
        let hint = "name one of the file's [commands.NAME] tables";
        let wanted = section.text_if_any("commands", hint)?;
        let found = self.sets.iter().find(|(name, _)| name == wanted);
        if found.is_none() {
            let names: Vec<&str> = self.sets.iter().map(|(name, _)| name.as_str()).collect();
            let meant = nearest(wanted, &names)
                .map_or_else(String::new, |name| format!("; did you mean {name}?"));
            section.note("commands", format!("there is no [commands.{wanted}]{meant}; {hint}"));
        }
        found.map(|(_, set)| set)
    }
}

fn load(section: &mut Section<'_>) -> LoadCommands {
    let mut set = LoadCommands::default();
    message(section, "identify", &mut set.identify);
    message(section, "clear", &mut set.clear);
    message(section, "next_error", &mut set.next_error);
    word(section, "complete", &mut set.complete);
    message(section, "input_on", &mut set.input_on);
    message(section, "input_off", &mut set.input_off);
    switch(section, "input", &mut set.input);
    message(section, "constant_voltage", &mut set.constant_voltage);
    word(section, "mode", &mut set.mode);
    template(section, "set_volts", &mut set.set_volts);
    number(section, "volts", &mut set.volts);
    template(section, "set_protection", &mut set.set_protection);
    number(section, "protection", &mut set.protection);
    measure(section, &mut set.measure);
    set.status = status(section);
    set.clear_trip = message_if_any(section, "clear_trip");
    set.averaging = setting(section, "averaging", SetAndAsk::aperture());
    set.range = setting(section, "range", SetAndAsk::current_range());
    set.list = list(section);
    set
}

fn supply(section: &mut Section<'_>) -> SupplyCommands {
    let mut set = SupplyCommands::default();
    message(section, "identify", &mut set.identify);
    message(section, "clear", &mut set.clear);
    message(section, "next_error", &mut set.next_error);
    word(section, "complete", &mut set.complete);
    message(section, "output_on", &mut set.output_on);
    message(section, "output_off", &mut set.output_off);
    switch(section, "output", &mut set.output);
    template(section, "set_volts", &mut set.set_volts);
    number(section, "volts", &mut set.volts);
    template(section, "set_limit", &mut set.set_limit);
    number(section, "limit", &mut set.limit);
    measure(section, &mut set.measure);
    set.status = status(section);
    set.clear_trip = message_if_any(section, "clear_trip");
    set
}

/// The table that a key has in place of text, if it has one.
fn table<'a>(section: &mut Section<'a>, key: &'static str) -> Option<Section<'a>> {
    let value = section.value(key).filter(|value| value.get_ref().is_table())?;
    Some(section.inline(key, value))
}

fn refuse(section: &Section<'_>, key: &str, text: &str, why: WordsError) {
    section.note(
        key,
        format!("{text:?} is no message: {why}; write what the instrument's manual has"),
    );
}

/// The text of a message without a value; none, and a note, where it is no such text.
fn checked(section: &Section<'_>, key: &str, text: Option<&str>) -> Option<Words> {
    let text = text?;
    match words::check(text) {
        Ok(()) => Some(text.to_owned().into()),
        Err(why) => {
            refuse(section, key, text, why);
            None
        }
    }
}

const MESSAGE: &str = "write the message to send, as \"INP ON\"";

fn message_if_any(section: &mut Section<'_>, key: &'static str) -> Option<Words> {
    let text = section.text_if_any(key, MESSAGE);
    checked(section, key, text)
}

fn message(section: &mut Section<'_>, key: &'static str, words: &mut Words) {
    if let Some(found) = message_if_any(section, key) {
        *words = found;
    }
}

/// The query of a table, under `ask`.
fn asked(section: &mut Section<'_>) -> Option<Words> {
    let text = section.text("ask", "write the query to send, as \"INP?\"");
    checked(section, "ask", text)
}

fn template(section: &mut Section<'_>, key: &'static str, template: &mut Template) {
    const HINT: &str = "write the message with {} for the value, as \"VOLT {}\"";
    let (text, scale, decimals) = match table(section, key) {
        None => (section.text_if_any(key, HINT), Some(1.0), None),
        Some(mut inner) => {
            let text = inner.text("send", HINT);
            let scale = inner.number_or(&SCALE, 1.0);
            let decimals = inner.whole(&DIGITS, Some(DECIMALS as u64));
            inner.finish();
            (text, scale, decimals)
        }
    };
    let Some(text) = text else { return };
    match Template::new(text) {
        Ok(found) => {
            let decimals = decimals.and_then(|digits| usize::try_from(digits).ok());
            *template = found.in_units(scale.unwrap_or(1.0), decimals.unwrap_or(DECIMALS));
        }
        Err(why) => refuse(section, key, text, why),
    }
}

fn number(section: &mut Section<'_>, key: &'static str, query: &mut NumberQuery) {
    match table(section, key) {
        None => {
            message(section, key, &mut query.ask);
        }
        Some(mut inner) => {
            let ask = asked(&mut inner);
            let scale = inner.number_or(&SCALE, 1.0);
            inner.finish();
            if let (Some(ask), Some(scale)) = (ask, scale) {
                *query = NumberQuery { ask, scale };
            }
        }
    }
}

fn switch(section: &mut Section<'_>, key: &'static str, query: &mut SwitchQuery) {
    let Some(mut inner) = table(section, key) else {
        return message(section, key, &mut query.ask);
    };
    let ask = asked(&mut inner);
    let on = inner.text("on", ANSWER);
    let off = inner.text("off", ANSWER);
    if let (Some(ask), Some(on), Some(off)) = (ask, on, off) {
        if on.trim().eq_ignore_ascii_case(off.trim()) {
            inner.note("off", "the same word can't mean on and off; state both answers");
        }
        *query = SwitchQuery { ask, on: on.to_owned().into(), off: off.to_owned().into() };
    }
    inner.finish();
}

/// A query whose answer must be stated: there is no natural one.
fn word(section: &mut Section<'_>, key: &'static str, query: &mut WordQuery) {
    match table(section, key) {
        None => {
            if section.has(key) {
                let text = format!(
                    "a query needs its answer; write {{ ask = \"{}\", answer = \"{}\" }} \
                                    with the instrument's words",
                    query.ask, query.answer
                );
                section.note(key, text);
            }
        }
        Some(mut inner) => {
            let ask = asked(&mut inner);
            let answer = inner.text("answer", ANSWER);
            inner.finish();
            if let (Some(ask), Some(answer)) = (ask, answer) {
                *query = WordQuery { ask, answer: answer.to_owned().into() };
            }
        }
    }
}

fn measure(section: &mut Section<'_>, query: &mut MeasureQuery) {
    let Some(mut inner) = table(section, "measure") else {
        return message(section, "measure", &mut query.ask);
    };
    let ask = asked(&mut inner);
    let parts = parts(&mut inner);
    let scales = (inner.number_or(&VOLTS_SCALE, 1.0), inner.number_or(&AMPS_SCALE, 1.0));
    inner.finish();
    if let (Some(ask), Some(parts), (Some(volts_scale), Some(amps_scale))) = (ask, parts, scales) {
        *query = MeasureQuery { ask, parts, volts_scale, amps_scale };
    }
}

/// What an answer consists of; volts and amps once each.
fn parts(section: &mut Section<'_>) -> Option<Vec<Part>> {
    const KEY: &str = "fields";
    let names = section.texts(KEY, FIELDS)?;
    let part = |name: &&str| match *name {
        "volts" => Some(Part::Volts),
        "amps" => Some(Part::Amps),
        "other" => Some(Part::Other),
        _ => None,
    };
    let parts: Option<Vec<Part>> = names.iter().map(part).collect();
    let count = |part| parts.iter().flatten().filter(|other| **other == part).count();
    if count(Part::Volts) != 1 || count(Part::Amps) != 1 {
        section.note(KEY, format!("volts and amps must be in it once each; {FIELDS}"));
        return None;
    }
    parts
}

fn status(section: &mut Section<'_>) -> Option<StatusQuery> {
    let value = section.value("status")?;
    if !value.get_ref().is_table() {
        let text = "a query needs its answer; write { ask = \"STAT:QUES:COND?\", tripped = 24 }";
        section.note("status", text);
        return None;
    }
    let mut inner = section.inline("status", value);
    let ask = asked(&mut inner);
    let tripped = if inner.peek("tripped").is_some() {
        let word = inner.text("tripped", TRIPPED);
        word.map(|word| Tripped::Word(word.to_owned().into()))
    } else {
        let bits = Whole { key: "tripped", low: 1, high: u64::from(u32::MAX), hint: TRIPPED };
        let bits = inner.whole(&bits, None);
        bits.and_then(|bits| u32::try_from(bits).ok()).map(Tripped::Bits)
    };
    inner.finish();
    Some(StatusQuery { ask: ask?, tripped: tripped? })
}

/// Something that not every instrument has; an empty table has SCPI's words.
fn setting(
    section: &mut Section<'_>,
    key: &'static str,
    mut words: SetAndAsk,
) -> Option<SetAndAsk> {
    let mut inner = section.table_if_any(key)?;
    template(&mut inner, "set", &mut words.set);
    number(&mut inner, "get", &mut words.ask);
    inner.finish();
    Some(words)
}

fn list(section: &mut Section<'_>) -> Option<ListCommands> {
    let mut inner = section.table_if_any("list")?;
    let mut list = ListCommands::default();
    template(&mut inner, "set_volts", &mut list.set_volts);
    template(&mut inner, "set_dwell", &mut list.set_dwell);
    message(&mut inner, "start", &mut list.start);
    list.stop = message_if_any(&mut inner, "stop");
    number(&mut inner, "volts", &mut list.volts);
    number(&mut inner, "amps", &mut list.amps);
    let longest = inner.whole(&POINTS, Some(LIST_POINTS as u64));
    list.longest = longest.and_then(|points| usize::try_from(points).ok()).unwrap_or(LIST_POINTS);
    inner.finish();
    Some(list)
}
