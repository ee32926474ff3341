//! The codec against the rules of IEEE 488.2-1992 and SCPI-1999 volume 1 (sections from memory), and
//! laws: what is emitted parses to the same value, and no bytes make a parser panic.

#![allow(clippy::unwrap_used, reason = "a helper that fails is a test that fails")]

use cresthold_sim::scpi::{
    ErrorEntry, EventBit, MAX_DEPTH, Numeric, Param, Path, Pattern, ProgramWriter, Request,
    ResponseError, ResponseWriter, StandardError, Unit, emit_nr1, emit_nr2, emit_nr3, emit_text,
    numbers, response_units, units,
};
use proptest::prelude::*;

/// Every header of a message as the tree sees it, `MEAS:CURR?`; the first error ends the list.
fn walk(message: &str) -> Vec<String> {
    let mut path = Path::root();
    let mut seen = Vec::new();
    for unit in units(message.as_bytes()) {
        match unit.and_then(|unit| path.enter(&unit.header)) {
            Ok(found) => {
                let nodes: Vec<_> =
                    found.nodes().iter().map(|node| String::from_utf8_lossy(node)).collect();
                let star = if found.common { "*" } else { "" };
                let mark = if found.query { "?" } else { "" };
                seen.push(format!("{star}{}{mark}", nodes.join(":")));
            }
            Err(error) => seen.push(format!("{}", error.code())),
        }
    }
    seen
}

fn first_param(message: &str) -> Result<Param<'_>, StandardError> {
    units(message.as_bytes()).next().expect("one unit")?.params.only()
}

fn volts(text: &str) -> Result<Request, StandardError> {
    first_param(text)?.numeric(Some(Unit::Volt))
}

#[test]
fn the_path_is_walked_as_scpi_1999_6_2_4_says() {
    // A header is looked up beside the one before it.
    assert_eq!(walk("MEAS:VOLT?;CURR?"), ["MEAS:VOLT?", "MEAS:CURR?"]);
    assert_eq!(walk("A:B:C 1;D 2;E:F 3;G 4"), ["A:B:C", "A:B:D", "A:B:E:F", "A:B:E:G"]);
    // A leading colon returns to the root.
    assert_eq!(walk("A:B:C 1;:D 2;E 3"), ["A:B:C", "D", "E"]);
    // A common command leaves the path alone.
    assert_eq!(walk("A:B 1;*OPC?;C 2"), ["A:B", "*OPC?", "A:C"]);
    // The path starts at the root with every message.
    assert_eq!(walk("VOLT 5;VOLT?"), ["VOLT", "VOLT?"]);
    // White space around the separators, empty units, lower case.
    assert_eq!(walk("  meas:volt? ; \tcurr? ;; "), ["meas:volt?", "meas:curr?"]);
    assert_eq!(walk(""), [""; 0]);
    // Deeper than the deepest command: undefined, and no panic.
    assert_eq!(walk(&format!("{}A", "A:".repeat(MAX_DEPTH))), ["-113"]);
}

#[test]
fn broken_headers_have_the_standard_errors() {
    for (message, code) in [
        ("VOLT5V&", -111),
        ("VOLT,5", -111),
        ("VOLT::LEV 5", -102),
        ("5", -102),
        (":", -102),
        ("*", -102),
        ("VOLTAGELEVELS 5", -112),
        ("V\u{e4}LT 5", -101),
        ("\u{e4}", -101),
    ] {
        assert_eq!(walk(message), [code.to_string()], "{message}");
    }
    // What follows an error is not carried out.
    assert_eq!(walk("5;VOLT 3"), ["-102"]);
}

#[test]
fn patterns_take_short_and_long_forms_only() {
    let level = Pattern("[SOURce:]VOLTage[:LEVel][:IMMediate]");
    for good in ["VOLT", "voltage", "SOUR:VOLT", "SOURCE:VOLT:LEV", "VOLT:IMM", "VOLT1:LEV1"] {
        let nodes: Vec<&[u8]> = good.split(':').map(str::as_bytes).collect();
        assert!(level.matches(&nodes), "{good}");
    }
    for bad in ["VOL", "VOLTA", "SOUR", "LEV", "VOLT:VOLT", "VOLT2", "VOLT:LEV:IMM:X"] {
        let nodes: Vec<&[u8]> = bad.split(':').map(str::as_bytes).collect();
        assert!(!level.matches(&nodes), "{bad}");
    }
    assert!(level.matches_but_suffix(&[b"VOLT2"]));
    assert!(!level.matches_but_suffix(&[b"VOLX"]));
    assert!(!level.matches(&[]));
    assert!(!level.matches(&[b"1"]));
}

#[test]
fn decimal_numbers_are_read_flexibly() {
    // IEEE 488.2-1992 7.7.2: every one of these is the same number.
    for text in ["31.2", "+31.2", "3.12E1", "312e-1", "3.12E+01", "3.12 E 1", "031.20", "312E-001"]
    {
        assert_eq!(
            volts(&format!("V {text}")),
            Ok(Request::Number(Numeric::Value(31.2))),
            "{text}"
        );
    }
    assert_eq!(volts("V .5"), Ok(Request::Number(Numeric::Value(0.5))));
    assert_eq!(volts("V 5."), Ok(Request::Number(Numeric::Value(5.0))));
    for (text, code) in [
        ("V +", -121),
        ("V .", -121),
        ("V 1.2.3", -121),
        ("V 1 2", -121),
        ("V 1E32001", -123),
        ("V 1E99999999999999999999", -123),
        ("V \"5\"", -104),
        ("V #15", -161),
        ("V #11A", -104),
        ("V (1)", -104),
        ("V", -109),
        ("V 1,2", -108),
        ("V 1,", -102),
        ("V ,1", -102),
        ("V 5 A", -131),
        ("V 5 QV", -131),
        ("V 5 VVVVVVVVVVVVV", -134),
        ("V FISH", -141),
        ("V FISHFISHFISHF", -144),
        ("V 'open", -151),
        ("V (open", -171),
    ] {
        assert_eq!(volts(text).map_err(StandardError::code), Err(code), "{text}");
    }
    let long = format!("V {}", "1".repeat(256));
    assert_eq!(volts(&long), Err(StandardError::TooManyDigits));
    let longest = format!("V {}", "0".repeat(255));
    assert_eq!(volts(&longest), Ok(Request::Number(Numeric::Value(0.0))));
}

#[test]
fn suffixes_mean_what_table_7_2_says() {
    let read = |text: &str, unit| first_param(text).and_then(|param| param.numeric(Some(unit)));
    let value = |number| Ok(Request::Number(Numeric::Value(number)));
    // The pitfalls: MA is milliamperes, MAA megaamperes, MV millivolts, MAV megavolts.
    assert_eq!(read("C 250MA", Unit::Ampere), value(0.25));
    assert_eq!(read("C 250 ma", Unit::Ampere), value(0.25));
    assert_eq!(read("C 1MAA", Unit::Ampere), value(1e6));
    assert_eq!(read("C 250UA", Unit::Ampere), value(250e-6));
    assert_eq!(read("V 1500MV", Unit::Volt), value(1.5));
    assert_eq!(read("V 2MAV", Unit::Volt), value(2e6));
    assert_eq!(read("V 2KV", Unit::Volt), value(2000.0));
    // E directly before a suffix is no exponent.
    assert_eq!(read("V 1EXV", Unit::Volt), value(1e18));
    assert_eq!(read("V 1E3V", Unit::Volt), value(1e3));
    // MOHM and MHZ are mega.
    assert_eq!(read("R 2MOHM", Unit::Ohm), value(2e6));
    assert_eq!(read("F 2MHZ", Unit::Hertz), value(2e6));
    assert_eq!(first_param("N 5 V").unwrap().numeric(None), Err(StandardError::SuffixNotAllowed));
}

#[test]
fn words_stand_for_numbers_and_switches() {
    assert_eq!(volts("V MAX"), Ok(Request::Maximum));
    assert_eq!(volts("V minimum"), Ok(Request::Minimum));
    assert_eq!(volts("V DEF"), Ok(Request::Default));
    // SCPI-1999 volume 1, 7.2.1.4 and 7.2.1.5.
    assert_eq!(volts("V INF"), Ok(Request::Number(Numeric::PositiveInfinity)));
    assert_eq!(volts("V NINFINITY"), Ok(Request::Number(Numeric::NegativeInfinity)));
    assert_eq!(volts("V NAN"), Ok(Request::Number(Numeric::NotANumber)));
    let switch = |text: &str| first_param(text).and_then(|param| param.boolean());
    for (text, on) in [("I ON", true), ("I off", false), ("I 1", true), ("I 0", false)] {
        assert_eq!(switch(text), Ok(on));
    }
    // SCPI-1999 volume 1, 7.3: a number is rounded first.
    assert_eq!(switch("I 0.4"), Ok(false));
    assert_eq!(switch("I -17"), Ok(true));
    assert_eq!(switch("I YES"), Err(StandardError::InvalidCharacterData));
    assert_eq!(switch("I 'ON'"), Err(StandardError::DataTypeError));
    assert_eq!(first_param("F VOLT").unwrap().choice(&["CURRent", "VOLTage"]), Ok(1));
}

#[test]
fn texts_and_blocks_hide_separators() {
    let text = first_param("T 'it''s; 1,2'").unwrap().text().unwrap();
    assert_eq!(text.bytes().collect::<Vec<_>>(), b"it's; 1,2");
    assert_eq!(first_param("B #15a;b,c"), Ok(Param::Block(b"a;b,c")));
    assert_eq!(first_param("B #0a;b"), Ok(Param::Block(b"a;b")));
    assert_eq!(first_param("H #HfF"), Ok(Param::Number(Numeric::Value(255.0), b"")));
    assert_eq!(first_param("H #B101"), Ok(Param::Number(Numeric::Value(5.0), b"")));
    assert_eq!(first_param("H #Q17"), Ok(Param::Number(Numeric::Value(15.0), b"")));
    assert_eq!(first_param("E (@1,(2))"), Ok(Param::Expression(b"@1,(2)")));
    assert_eq!(walk("T 'a;b';U 1"), ["T", "U"]);
}

#[test]
fn the_codes_for_no_number_are_their_own_values() {
    let parse = |text: &str| Numeric::parse(text.as_bytes()).unwrap();
    assert_eq!(parse("9.9E37"), Numeric::PositiveInfinity);
    assert_eq!(parse("+9.90000000E+37"), Numeric::PositiveInfinity);
    assert_eq!(parse("-9.9E37"), Numeric::NegativeInfinity);
    assert_eq!(parse("9.91E37"), Numeric::NotANumber);
    assert_eq!(parse("9.9100E+037"), Numeric::NotANumber);
    assert_eq!(parse("1E300"), Numeric::PositiveInfinity);
    assert_eq!(parse("1E400"), Numeric::PositiveInfinity);
    assert_eq!(parse("9.8E37"), Numeric::Value(9.8e37));
    // As a 24-bit fraction would have it.
    assert_eq!(Numeric::from(f64::from(9.91e37_f32)), Numeric::NotANumber);
    assert_eq!(Numeric::from(f64::from(9.9e37_f32)), Numeric::PositiveInfinity);
}

#[test]
fn errors_are_sorted_into_the_event_register() {
    // IEEE 488.2-1992 11.5.1.
    assert_eq!(StandardError::UndefinedHeader.event_bit(), Some(EventBit::Command));
    assert_eq!(StandardError::DataOutOfRange.event_bit(), Some(EventBit::Execution));
    assert_eq!(StandardError::QueueOverflow.event_bit(), Some(EventBit::Device));
    assert_eq!(StandardError::QueryInterrupted.event_bit(), Some(EventBit::Query));
    assert_eq!(StandardError::NoError.event_bit(), None);
    for error in StandardError::ALL {
        let mut out = Vec::new();
        error.entry().emit(&mut out);
        assert_eq!(ErrorEntry::parse(&out), Ok(error.entry()));
        assert_eq!(StandardError::from_code(i32::from(error.code())), Some(*error));
    }
    assert_eq!(ErrorEntry::parse(b"17").unwrap().code, 17);
    assert_eq!(ErrorEntry::parse(b"0,\"No error\",1"), Err(ResponseError::TooMany));
    assert!(ErrorEntry::parse(b"").is_err());
}

#[test]
fn responses_are_counted() {
    assert_eq!(numbers::<2>(b"1;2;3"), Err(ResponseError::TooMany));
    assert_eq!(numbers::<2>(b"1"), Err(ResponseError::Missing));
    assert_eq!(numbers::<1>(b"1,2"), Err(ResponseError::TooMany));
    assert!(matches!(numbers::<1>(b"fish"), Err(ResponseError::NotANumber(_))));
    let field = response_units(b"VOLT").next().unwrap().only().unwrap();
    assert_eq!(field.word(), Ok(&b"VOLT"[..]));
    assert!(field.boolean().is_err());
}

/// Bytes that look like messages, so that mutations reach the parsers' depths.
fn near_messages() -> impl Strategy<Value = Vec<u8>> {
    let piece = prop::sample::select(vec![
        "MEAS:VOLT?",
        ";",
        ":",
        ",",
        " ",
        "*ESE?",
        "VOLT",
        "5",
        "-1.5E+3",
        "E",
        "9.91E37",
        "MA",
        "'a''b'",
        "\"",
        "#",
        "#15abcde",
        "#0",
        "#9",
        "#HFF",
        "(",
        ")",
        "(@1)",
        "MAX",
        "?",
        "*",
        "\n",
        "\u{e4}",
        ".",
        "e400",
        "0000000000000000",
    ]);
    let pieces = prop::collection::vec(piece, 0..24).prop_map(|pieces| pieces.concat());
    (pieces, prop::collection::vec((any::<prop::sample::Index>(), any::<u8>()), 0..3)).prop_map(
        |(text, flips)| {
            let mut bytes = text.into_bytes();
            for (at, byte) in flips {
                if !bytes.is_empty() {
                    let at = at.index(bytes.len());
                    bytes[at] = byte;
                }
            }
            bytes
        },
    )
}

/// Everything a receiver might ask of bytes.
fn read_everything(bytes: &[u8]) {
    let mut path = Path::root();
    let pattern = Pattern("MEASure[:SCALar]:VOLTage[:DC]");
    for unit in units(bytes).flatten() {
        if let Ok(found) = path.enter(&unit.header) {
            let _ = (pattern.matches(found.nodes()), pattern.matches_but_suffix(found.nodes()));
        }
        for param in unit.params.flatten() {
            let _ = (param.numeric(None), param.numeric(Some(Unit::Ohm)), param.boolean());
            let _ = (param.choice(&["VOLTage"]), param.text().map(|text| text.to_string()));
        }
    }
    for unit in response_units(bytes) {
        for field in unit.fields() {
            let _ = (field.number(), field.integer(), field.boolean(), field.text(), field.word());
        }
    }
    let _ = (ErrorEntry::parse(bytes).is_ok(), numbers::<2>(bytes), Numeric::parse(bytes));
}

#[derive(Clone, Debug)]
enum Datum {
    Number(f64),
    Integer(i64),
    Boolean(bool),
    Word(String),
    Text(Vec<u8>),
}

fn datum() -> impl Strategy<Value = Datum> {
    let text =
        prop::collection::vec(any::<u8>().prop_filter("newline ends", |b| *b != b'\n'), 0..20);
    prop_oneof![
        any::<f64>().prop_map(Datum::Number),
        any::<i32>().prop_map(|number| Datum::Integer(number.into())),
        any::<bool>().prop_map(Datum::Boolean),
        "[A-Z][A-Z0-9_]{0,11}".prop_map(Datum::Word),
        text.prop_map(Datum::Text),
    ]
}

fn header() -> impl Strategy<Value = String> {
    prop_oneof![
        "\\*[A-Z]{3}\\??",
        ":?[A-Z][A-Z0-9]{0,11}(:[A-Z][A-Z0-9]{0,11}){0,3}\\??".prop_map(|header| header),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(2000))]

    #[test]
    fn no_bytes_panic(bytes in prop::collection::vec(any::<u8>(), 0..80)) {
        read_everything(&bytes);
    }

    #[test]
    fn no_near_message_panics(bytes in near_messages()) {
        read_everything(&bytes);
    }

    #[test]
    fn numbers_come_back(bits in any::<u64>(), decimals in 1_usize..12) {
        let number = Numeric::from(f64::from_bits(bits));
        let mut out = Vec::new();
        emit_nr3(&mut out, number);
        prop_assert_eq!(Numeric::parse(&out), Ok(number));
        // NR3 as 8.7.4 defines it: digits on both sides of a point, a signed exponent.
        let text = String::from_utf8(out.clone()).unwrap();
        let (mantissa, exponent) = text.split_once('E').unwrap();
        prop_assert!(mantissa.contains('.') && exponent.starts_with(['+', '-']), "{}", text);
        // NR2 rounds to its last digit.
        out.clear();
        emit_nr2(&mut out, (bits as f64 * 1e-12).into(), decimals);
        let back = Numeric::parse(&out).unwrap().value().unwrap();
        prop_assert!((back - bits as f64 * 1e-12).abs() <= 0.51 * 10_f64.powi(-(decimals as i32)) + 1e-8);
    }

    #[test]
    fn values_that_cannot_be_ordinary_are_still_emitted(value in any::<f64>()) {
        let mut out = Vec::new();
        emit_nr3(&mut out, Numeric::Value(value));
        prop_assert_eq!(Numeric::parse(&out), Ok(Numeric::from(value)));
    }

    #[test]
    fn integers_and_texts_come_back(number in any::<i64>(), text in "[ -~]{0,30}") {
        let mut out = Vec::new();
        emit_nr1(&mut out, number);
        out.push(b',');
        emit_text(&mut out, text.bytes());
        let unit = response_units(&out).next().unwrap();
        let fields: Vec<_> = unit.fields().collect();
        prop_assert_eq!(fields.len(), 2);
        prop_assert_eq!(fields[0].integer(), Ok(number));
        prop_assert!(fields[1].text().unwrap().bytes().eq(text.bytes()));
    }

    #[test]
    fn program_messages_come_back(
        message in prop::collection::vec((header(), prop::collection::vec(datum(), 0..4)), 0..5)
    ) {
        let mut out = Vec::new();
        let mut writer = ProgramWriter::new(&mut out);
        for (header, data) in &message {
            writer.unit(header);
            for datum in data {
                match datum {
                    Datum::Number(number) => writer.number((*number).into()),
                    Datum::Integer(number) => writer.integer(*number),
                    Datum::Boolean(on) => writer.boolean(*on),
                    Datum::Word(word) => writer.word(word),
                    Datum::Text(text) => writer.text(text),
                };
            }
        }
        let parsed: Vec<_> = units(&out).collect::<Result<_, _>>().unwrap();
        prop_assert_eq!(parsed.len(), message.len());
        for (unit, (header, data)) in parsed.iter().zip(&message) {
            let nodes: Vec<_> = unit.header.nodes().collect();
            let bare = header.trim_start_matches([':', '*']).trim_end_matches('?');
            prop_assert_eq!(nodes.join(&b':'), bare.as_bytes());
            prop_assert_eq!(unit.header.query, header.ends_with('?'));
            prop_assert_eq!(unit.header.common, header.starts_with('*'));
            let params: Vec<_> = unit.params.collect::<Result<_, _>>().unwrap();
            prop_assert_eq!(params.len(), data.len());
            for (param, datum) in params.iter().zip(data) {
                match datum {
                    Datum::Number(number) => {
                        prop_assert_eq!(param.numeric(None), Ok(Request::Number((*number).into())));
                    }
                    Datum::Integer(number) => prop_assert_eq!(
                        param.numeric(None),
                        Ok(Request::Number(Numeric::Value(*number as f64)))
                    ),
                    Datum::Boolean(on) => prop_assert_eq!(param.boolean(), Ok(*on)),
                    Datum::Word(word) => prop_assert_eq!(*param, Param::Word(word.as_bytes())),
                    Datum::Text(text) => {
                        prop_assert!(param.text().unwrap().bytes().eq(text.iter().copied()));
                    }
                }
            }
        }
    }

    #[test]
    fn responses_come_back(
        message in prop::collection::vec(prop::collection::vec(datum(), 1..4), 1..5)
    ) {
        let mut out = Vec::new();
        let mut writer = ResponseWriter::new(&mut out);
        for data in &message {
            writer.unit();
            for datum in data {
                match datum {
                    Datum::Number(number) => writer.nr3((*number).into()),
                    Datum::Integer(number) => writer.integer(*number),
                    Datum::Boolean(on) => writer.boolean(*on),
                    Datum::Word(word) => writer.word(word),
                    Datum::Text(text) => writer.text(text),
                };
            }
        }
        let parsed: Vec<_> = response_units(&out).collect();
        prop_assert_eq!(parsed.len(), message.len());
        for (unit, data) in parsed.iter().zip(&message) {
            let fields: Vec<_> = unit.fields().collect();
            prop_assert_eq!(fields.len(), data.len());
            for (field, datum) in fields.iter().zip(data) {
                match datum {
                    Datum::Number(number) => prop_assert_eq!(field.number(), Ok((*number).into())),
                    Datum::Integer(number) => prop_assert_eq!(field.integer(), Ok(*number)),
                    Datum::Boolean(on) => prop_assert_eq!(field.boolean(), Ok(*on)),
                    Datum::Word(word) => prop_assert_eq!(field.word(), Ok(word.as_bytes())),
                    Datum::Text(text) => {
                        prop_assert!(field.text().unwrap().bytes().eq(text.iter().copied()));
                    }
                }
            }
        }
    }
}
