//! What is recorded, and how it is written and read.

use super::write::Line;
use crate::control::record::Record;
use crate::control::{Channel, Command, Found, Input, Observed, Reading, Setpoint, Surroundings};
use crate::quantities::{Amps, Celsius, Irradiance, MetresPerSecond, Volts};
use crate::time::{Instant, Stamp, Utc};
use std::str::FromStr;

/// One thing that a channel was told, or that came of it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Word {
    /// It was told its surroundings.
    Around(Surroundings),
    /// It was asked for a sweep.
    SweepAsked,
    /// It was told this, then.
    Heard(Stamp, Input),
    /// It told this record.
    Told(Record),
    /// It wants the load to run a list, and this is in it.
    Listed(Setpoint),
    /// It answered with this command and wants to wake then, which is all that came of the input.
    Did(Option<Command>, Instant),
    /// So many inputs could not be kept: what follows can't be understood.
    Lost(u64),
}

/// What came of an input, in order: the records, the list where a load is to run one, and the command
/// with the next wake.
pub(super) fn deeds(
    channel: &Channel,
    command: Option<Command>,
    records: &[Record],
    mut tell: impl FnMut(Word),
) {
    records.iter().for_each(|record| tell(Word::Told(*record)));
    if command == Some(Command::RunList) {
        channel.list().for_each(|setpoint| tell(Word::Listed(setpoint)));
    }
    tell(Word::Did(command, channel.next_wake()));
}

/// Something around a channel, whatever it is.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Value {
    Number(f64),
    Flag(bool),
}

/// Surroundings by name.
type Around = [(&'static str, Option<(Value, Instant)>); 8];

fn by_name(seen: &Surroundings) -> Around {
    // Taken apart, so that a new one can't be forgotten.
    let Surroundings {
        irradiance,
        module_temperature,
        heatsink_temperature,
        air_temperature,
        wind,
        pointing_error,
        on_sun,
        sun,
    } = *seen;
    fn number<T>(seen: Option<Observed<T>>, of: fn(T) -> f64) -> Option<(Value, Instant)> {
        seen.map(|seen| (Value::Number(of(seen.value)), seen.at))
    }
    [
        ("irradiance", number(irradiance, |it: Irradiance| it.0)),
        ("module", number(module_temperature, |it: Celsius| it.0)),
        ("heatsink", number(heatsink_temperature, |it: Celsius| it.0)),
        ("air", number(air_temperature, |it: Celsius| it.0)),
        ("wind", number(wind, |it: MetresPerSecond| it.0)),
        ("pointing", number(pointing_error, |it| it)),
        ("on-sun", on_sun.map(|seen| (Value::Flag(seen.value), seen.at))),
        ("sun", number(sun, |it| it)),
    ]
}

/// Writes what is not as `before`.
pub(super) fn write_around(line: &mut Line<'_>, before: &Surroundings, now: &Surroundings) {
    line.word("around");
    for ((name, before), (_, now)) in by_name(before).into_iter().zip(by_name(now)) {
        if same(before, now) {
            continue;
        }
        match now {
            None => line.word(format_args!("{name}=-")),
            Some((value, at)) => {
                line.word(format_args!("{name}="));
                match value {
                    Value::Number(number) => line.number_here(number),
                    Value::Flag(flag) => line.here(flag),
                }
                line.here(format_args!("@{}", at.as_nanos()));
            }
        }
    }
}

/// Whether two are the same to the last bit; what is no number is not equal to itself.
fn same(a: Option<(Value, Instant)>, b: Option<(Value, Instant)>) -> bool {
    match (a, b) {
        (Some((Value::Number(a), then)), Some((Value::Number(b), now))) => {
            a.to_bits() == b.to_bits() && then == now
        }
        (a, b) => a == b,
    }
}

/// Takes what an `around` line changes; none where it can't be understood.
pub(super) fn read_around(words: &mut Words<'_>, seen: &mut Surroundings) -> Option<()> {
    for word in words {
        let (name, told) = word.split_once('=')?;
        match name {
            "irradiance" => seen.irradiance = observed(told, |text| number(text).map(Irradiance))?,
            "module" => seen.module_temperature = observed(told, |text| number(text).map(Celsius))?,
            "heatsink" => {
                seen.heatsink_temperature = observed(told, |text| number(text).map(Celsius))?;
            }
            "air" => seen.air_temperature = observed(told, |text| number(text).map(Celsius))?,
            "wind" => seen.wind = observed(told, |text| number(text).map(MetresPerSecond))?,
            "pointing" => seen.pointing_error = observed(told, number)?,
            "on-sun" => seen.on_sun = observed(told, parsed)?,
            "sun" => seen.sun = observed(told, number)?,
            _ => return None,
        }
    }
    Some(())
}

#[expect(clippy::option_option, reason = "the outer one: whether it can be understood")]
fn observed<T>(told: &str, value: impl Fn(&str) -> Option<T>) -> Option<Option<Observed<T>>> {
    if told == "-" {
        return Some(None);
    }
    let (text, at) = told.split_once('@')?;
    Some(Some(Observed { value: value(text)?, at: Instant::from_nanos(parsed(at)?) }))
}

/// Writes an input with its time.
pub(super) fn write_heard(line: &mut Line<'_>, at: Stamp, input: &Input) {
    line.word(format_args!("heard {} {}", at.mono.as_nanos(), at.utc.as_micros()));
    match input {
        Input::Wake => line.word("wake"),
        Input::Done => line.word("done"),
        Input::Failed => line.word("failed"),
        Input::Stop => line.word("stop"),
        Input::Reading(reading) => write_reading(line, "reading", reading),
        Input::Listed(reading) => write_reading(line, "listed", reading),
        Input::Prepared(Found { input_on, load, amps }) => {
            line.word("prepared");
            match input_on {
                Some(on) => line.word(on),
                None => line.word("-"),
            }
            line.number_if_any(load.map(|volts| volts.0));
            line.number_if_any(amps.map(|amps| amps.0));
        }
    }
}

fn write_reading(line: &mut Line<'_>, name: &str, reading: &Reading) {
    let Reading { at, load, amps, boost } = *reading;
    line.word(format_args!("{name} {}", at.as_nanos()));
    line.number_if_any(Some(load.0));
    line.number_if_any(Some(amps.0));
    line.number_if_any(boost.map(|volts| volts.0));
}

/// The words of a line.
pub(super) type Words<'a> = std::str::Split<'a, char>;

/// Reads what follows `heard`; none where it can't be understood.
pub(super) fn read_heard(words: &mut Words<'_>) -> Option<(Stamp, Input)> {
    let mono = Instant::from_nanos(parsed(words.next()?)?);
    let utc = Utc::from_micros(parsed(words.next()?)?);
    let input = match words.next()? {
        "wake" => Input::Wake,
        "done" => Input::Done,
        "failed" => Input::Failed,
        "stop" => Input::Stop,
        "reading" => Input::Reading(read_reading(words)?),
        "listed" => Input::Listed(read_reading(words)?),
        "prepared" => Input::Prepared(Found {
            input_on: if_any(words.next()?, parsed)?,
            load: if_any(words.next()?, number)?.map(Volts),
            amps: if_any(words.next()?, number)?.map(Amps),
        }),
        _ => return None,
    };
    words.next().is_none().then_some((Stamp { mono, utc }, input))
}

fn read_reading(words: &mut Words<'_>) -> Option<Reading> {
    Some(Reading {
        at: Instant::from_nanos(parsed(words.next()?)?),
        load: Volts(number(words.next()?)?),
        amps: Amps(number(words.next()?)?),
        boost: if_any(words.next()?, number)?.map(Volts),
    })
}

#[expect(clippy::option_option, reason = "the outer one: whether it can be understood")]
fn if_any<T>(text: &str, read: impl Fn(&str) -> Option<T>) -> Option<Option<T>> {
    if text == "-" { Some(None) } else { read(text).map(Some) }
}

fn parsed<T: FromStr>(text: &str) -> Option<T> {
    text.parse().ok()
}

/// Reads what [`Line::number_here`] wrote, to the last bit.
fn number(text: &str) -> Option<f64> {
    match text.strip_prefix("bits:") {
        Some(bits) => u64::from_str_radix(bits, 16).ok().map(f64::from_bits),
        None => parsed(text),
    }
}
