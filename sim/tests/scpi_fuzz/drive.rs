//! The targets: what is done with one input, and what must hold.

use cresthold_sim::quantities::{Ohms, Volts};
use cresthold_sim::scpi::{
    ErrorEntry, Field, MAX_DEPTH, Numeric, Param, Path, Pattern, ProgramUnit, ProgramWriter,
    Request, StandardError, Text, Unit, emit_nr2, emit_nr3, mnemonic_matches, numbers,
    response_units, units,
};
use cresthold_sim::wire::instrument::{Instrument, VirtualLoad, VirtualSupply};
use cresthold_sim::wire::resistive::{OpenSupply, ResistiveBench};
use std::collections::BTreeSet;
use std::hash::{DefaultHasher, Hash, Hasher};
use std::time::Duration;

/// What an input made the code do.
#[derive(Default)]
pub(crate) struct Seen {
    /// Each event by itself.
    pub(crate) single: BTreeSet<u64>,
    /// Each event with the one before it.
    pub(crate) pairs: BTreeSet<u64>,
    last: u64,
}

impl Seen {
    fn note(&mut self, event: impl Hash) {
        let hash = |event: &dyn Fn(&mut DefaultHasher)| {
            let mut hasher = DefaultHasher::new();
            event(&mut hasher);
            hasher.finish()
        };
        let now = hash(&|hasher| event.hash(hasher));
        self.single.insert(now);
        self.pairs.insert(hash(&|hasher| (self.last, now).hash(hasher)));
        self.last = now;
    }
}

/// Drives the code with one input.
pub(crate) type Drive = fn(&[u8], &mut Seen);

pub(crate) const TARGETS: [(&str, Drive); 4] =
    [("program", program), ("response", response), ("load", load), ("supply", supply)];

const UNITS: [Unit; 6] =
    [Unit::Volt, Unit::Ampere, Unit::Ohm, Unit::Watt, Unit::Second, Unit::Hertz];
const FORMS: [&str; 3] = ["VOLTage", "CURRent", "MAXimum"];

/// The instrument's ear: program messages, paths, patterns, parameters.
fn program(input: &[u8], seen: &mut Seen) {
    const LEVEL: Pattern = Pattern("[SOURce:]VOLTage[:LEVel][:IMMediate][:AMPLitude]");
    let mut path = Path::root();
    let mut walk = units(input);
    while let Some(unit) = walk.next() {
        let unit = match unit {
            Ok(unit) => unit,
            Err(error) => {
                seen.note(("unit", error.code()));
                assert!(walk.next().is_none(), "what follows an error is not trusted");
                break;
            }
        };
        assert!(unit.header.nodes().all(|node| !node.is_empty()));
        match path.enter(&unit.header) {
            Ok(header) => {
                assert!((1..=MAX_DEPTH).contains(&header.nodes().len()));
                let known = LEVEL.matches(header.nodes());
                assert!(!known || LEVEL.matches_but_suffix(header.nodes()));
                let depth = header.nodes().len();
                seen.note(("header", header.common, header.query, known, depth));
            }
            Err(error) => seen.note(("path", error.code())),
        }
        for param in unit.params {
            match param {
                Ok(param) => shape(&param, seen),
                Err(error) => seen.note(("param", error.code())),
            }
        }
        program_again(&unit);
    }
}

fn code<T>(result: Result<T, StandardError>) -> i16 {
    result.map_or_else(StandardError::code, |_| 0)
}

fn shape(param: &Param<'_>, seen: &mut Seen) {
    let kind = match param {
        Param::Number(number, suffix) => {
            seen.note(("suffix", suffix.len().min(14)));
            seen.note(("number", std::mem::discriminant(number)));
            0
        }
        Param::Word(_) => 1,
        Param::Text(text) => {
            assert_eq!(text.bytes().count(), text.bytes().collect::<Vec<_>>().len());
            2
        }
        Param::Block(_) => 3,
        Param::Expression(_) => 4,
    };
    for unit in UNITS {
        let found = param.numeric(Some(unit));
        if let Ok(Request::Number(Numeric::Value(value))) = found {
            assert!(value.is_finite());
        }
        seen.note((kind, unit.suffix(), code(found)));
    }
    seen.note((kind, code(param.numeric(None)), code(param.boolean())));
    seen.note((kind, code(param.choice(&FORMS)), code(param.text())));
    for form in FORMS {
        if let Param::Word(word) = param {
            seen.note((form, mnemonic_matches(form, word)));
        }
    }
}

/// What a writer can write comes back as it was.
fn program_again(unit: &ProgramUnit<'_>) {
    let Ok(params) = unit.params.collect::<Result<Vec<_>, _>>() else { return };
    let nodes: Vec<_> =
        unit.header.nodes().map(|node| String::from_utf8(node.to_vec()).unwrap()).collect();
    let lead = if unit.header.common {
        "*"
    } else if unit.header.absolute {
        ":"
    } else {
        ""
    };
    let mark = if unit.header.query { "?" } else { "" };
    let mut out = Vec::new();
    let mut writer = ProgramWriter::new(&mut out);
    writer.unit(&format!("{lead}{}{mark}", nodes.join(":")));
    for param in &params {
        match param {
            Param::Number(number, []) => writer.number(*number),
            Param::Word(word) => writer.word(std::str::from_utf8(word).unwrap()),
            Param::Text(text) => writer.text(&text.bytes().collect::<Vec<_>>()),
            _ => return,
        };
    }
    let again = units(&out).next().unwrap().unwrap();
    assert!(again.header.nodes().eq(unit.header.nodes()));
    assert_eq!((again.header.common, again.header.query), (unit.header.common, unit.header.query));
    let found: Vec<_> = again.params.collect::<Result<_, _>>().unwrap();
    assert_eq!(found.len(), params.len());
    for (found, param) in found.iter().zip(&params) {
        match (found, param) {
            (Param::Text(found), Param::Text(text)) => same_text(found, text),
            _ => assert_eq!(found, param),
        }
    }
}

/// A newline becomes a blank when a text is written.
fn same_text(found: &Text<'_>, text: &Text<'_>) {
    assert!(found.bytes().eq(text.bytes().map(|byte| if byte == b'\n' { b' ' } else { byte })));
}

/// The logger's ear: replies, their fields, error entries.
fn response(input: &[u8], seen: &mut Seen) {
    let mut length = 0;
    for unit in response_units(input) {
        length += unit.0.len() + 1;
        for field in unit.fields() {
            one_field(field, seen);
        }
        seen.note(("only", unit.only().is_ok()));
    }
    assert_eq!(length, input.len() + 1, "units and their semicolons are the whole reply");
    seen.note(("one", numbers::<1>(input).map(|_| ()).map_err(|error| error.to_string())));
    seen.note(("two", numbers::<2>(input).map(|_| ()).map_err(|error| error.to_string())));
    let entry = ErrorEntry::parse(input);
    seen.note((
        "entry",
        entry
            .map(|entry| entry.event_bit().map(|bit| bit as u8))
            .map_err(|error| error.to_string()),
    ));
    if let Ok(entry) = entry {
        let mut out = Vec::new();
        entry.emit(&mut out);
        let again = ErrorEntry::parse(&out).unwrap();
        assert_eq!(again.code, entry.code);
        same_text(&again.text, &entry.text);
        assert_eq!(entry.is_none(), entry.event_bit().is_none());
    }
}

fn one_field(field: Field<'_>, seen: &mut Seen) {
    let kinds = [field.integer().is_ok(), field.boolean().is_ok(), field.word().is_ok()];
    seen.note(("field", kinds, field.text().is_ok(), field.is_printable()));
    match field.number() {
        Err(error) => seen.note(("number", error.to_string())),
        Ok(number) => {
            seen.note(("number", std::mem::discriminant(&number)));
            let mut out = Vec::new();
            emit_nr3(&mut out, number);
            assert_eq!(Numeric::parse(&out), Ok(number), "NR3 keeps every bit");
            out.clear();
            emit_nr2(&mut out, number, 6);
            if let Some(value) = number.value() {
                // Half of the last of six digits after the point, and a double's own grain.
                let error = (Numeric::parse(&out).unwrap().code() - value).abs();
                let grain = value.abs() * f64::EPSILON;
                assert!(error <= 0.5e-6 + grain || value.abs() >= 9.89e37, "{value}");
            }
        }
    }
    if let Ok(text) = field.text() {
        seen.note(("text", text.bytes().count().min(3), text.to_string().len().min(5)));
    }
}

fn load(input: &[u8], seen: &mut Seen) {
    let bench = ResistiveBench::new(Volts(40.0), Ohms(2.0));
    converse(&mut VirtualLoad::load("Test Yard,VL-1,0001,1.0", Box::new(bench)), input, seen);
}

fn supply(input: &[u8], seen: &mut Seen) {
    let bench = Box::new(OpenSupply::default());
    converse(&mut VirtualSupply::supply("Test Yard,VS-1,0002,1.0", bench), input, seen);
}

/// The longest answer to one unit (bytes, with its semicolon): an error with its text.
const LONGEST_ANSWER: usize = 48;
/// The shortest unit that is answered and what separates it from the next: `INP?;`.
const SHORTEST_QUERY: usize = 5;
/// Messages of one input that are said: the rest would cost time and show nothing new.
const MOST_MESSAGES: usize = 12;
/// A virtual instrument's largest setpoint (V): `resistive`.
const VOLTS_MAX: f64 = 150.0;

/// Says each line of the input to an instrument; whatever was said, it must answer within bounds,
/// keep its setpoint within its range and be usable afterwards.
fn converse(instrument: &mut dyn Instrument, input: &[u8], seen: &mut Seen) {
    let mut reply = Vec::new();
    for message in input.split(|byte| *byte == b'\n').take(MOST_MESSAGES) {
        reply.clear();
        let busy = instrument.handle(message, &mut reply);
        assert!(busy <= Duration::from_secs(1));
        assert!(reply.len() <= (message.len() / SHORTEST_QUERY + 1) * LONGEST_ANSWER + 1);
        for unit in reply.split(|byte| *byte == b';') {
            seen.note(("answer", digest(unit)));
        }
        if let Some((last, text)) = reply.split_last() {
            assert_eq!(*last, b'\n');
            assert!(text.iter().all(|byte| byte.is_ascii_graphic() || *byte == b' '));
        }
        // What a message left in the queue says which way it went.
        let mut errors = 0;
        loop {
            let text = ask(instrument, b":SYST:ERR?");
            let error = ErrorEntry::parse(text.as_bytes()).unwrap();
            seen.note(("error", error.code));
            if error.is_none() {
                break;
            }
            errors += 1;
            assert!(errors <= 1, "a message stops at its first error");
        }
        let volts: f64 = ask(instrument, b"VOLT?").parse().unwrap();
        let amps: f64 = ask(instrument, b"MEAS:CURR?").parse().unwrap();
        assert!((0.0..=VOLTS_MAX).contains(&volts), "{volts}");
        assert!(amps.is_finite());
        seen.note(("state", volts > 0.0, volts < VOLTS_MAX, amps > 0.0));
    }
    assert_eq!(ask(instrument, b"*CLS;*RST;SYST:ERR:COUN?"), "0");
}

/// An answer's shape: digits as one sign, so that every value is not a discovery.
fn digest(answer: &[u8]) -> Vec<u8> {
    let mut shape: Vec<u8> =
        answer.iter().map(|byte| if byte.is_ascii_digit() { b'0' } else { *byte }).collect();
    shape.dedup();
    shape.truncate(12);
    shape
}

fn ask(instrument: &mut dyn Instrument, message: &[u8]) -> String {
    let mut reply = Vec::new();
    instrument.handle(message, &mut reply);
    String::from_utf8(reply).unwrap().trim_end().to_owned()
}
