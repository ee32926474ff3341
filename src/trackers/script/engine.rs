//! The sandbox: what a script may use, and how much of it.
//!
//! The interpreter begins with nothing and gets arithmetic, comparison, mathematics, ranges, and four
//! functions of lists. Every one of them takes a time that the limits below bound.

use crate::trackers::{Observation, Start};
use rhai::packages::{
    ArithmeticPackage, BasicIteratorPackage, BasicMathPackage, LogicPackage, Package,
};
use rhai::{Array, Dynamic, Engine};

/// Most operations of a step: statements, calls and accesses as the interpreter counts them. Perturb
/// and observe takes some 30; a search over a list of [`SIZE`] values some 1500. At 40 ns (a sum) to
/// 200 ns (a copy of the longest list) each, a step without end lasts 0.2 ms to 1 ms; nothing but
/// copies of the largest map last some milliseconds.
pub const OPERATIONS: u64 = 5_000;
/// Most values within one list or map, those inside its values included.
pub const SIZE: usize = 64;
/// Longest text or name (bytes); also what all texts within one list or map have together.
pub const TEXT: usize = 64;
/// Deepest chain of calls.
pub const DEPTH: usize = 8;
/// Most variables at once, in one function.
const VARIABLES: usize = 64;
/// Most functions of a script.
const FUNCTIONS: usize = 64;
/// Deepest nesting of an expression: it bounds the stack, together with [`DEPTH`].
const NESTING: usize = 32;

/// What of the language is switched off: what makes code of text, hands functions around, or
/// prints.
const OFF: [&str; 11] = [
    "eval",
    "Fn",
    "call",
    "curry",
    "print",
    "debug",
    "import",
    "export",
    "type_of",
    "is_def_fn",
    "is_def_var",
];

/// The answer that asks for a look at open circuit.
#[derive(Clone, Copy)]
pub(super) struct OpenCircuit;

/// A value that is missing is `()`.
fn or_nothing(value: Option<f64>) -> Dynamic {
    value.map_or(Dynamic::UNIT, Dynamic::from)
}

fn seconds(at: crate::time::Instant) -> f64 {
    at.saturating_since(crate::time::Instant::ZERO).as_secs_f64()
}

/// An interpreter with everything that a script may use.
pub(super) fn engine() -> Engine {
    let mut engine = Engine::new_raw();
    for package in [
        ArithmeticPackage::new().as_shared_module(),
        LogicPackage::new().as_shared_module(),
        BasicMathPackage::new().as_shared_module(),
        BasicIteratorPackage::new().as_shared_module(),
    ] {
        engine.register_global_module(package);
    }
    limit(&mut engine);
    lists(&mut engine);
    engine
        .register_type_with_name::<Start>("from")
        .register_get("time", |from: &mut Start| seconds(from.at))
        .register_get("open_circuit", |from: &mut Start| from.open_circuit.0)
        .register_get("crest", |from: &mut Start| or_nothing(from.crest.map(|crest| crest.0)))
        .register_get("foothold", |from: &mut Start| from.foothold().0);
    engine
        .register_type_with_name::<Observation>("seen")
        .register_get("time", |seen: &mut Observation| seconds(seen.at))
        .register_get("volts", |seen: &mut Observation| seen.volts.0)
        .register_get("amps", |seen: &mut Observation| seen.amps.0)
        .register_get("watts", |seen: &mut Observation| seen.watts().0)
        .register_get("setpoint", |seen: &mut Observation| seen.setpoint.0)
        .register_get("irradiance", |seen: &mut Observation| {
            or_nothing(seen.irradiance.map(|irradiance| irradiance.0))
        })
        .register_get("module_temperature", |seen: &mut Observation| {
            or_nothing(seen.module_temperature.map(|temperature| temperature.0))
        });
    engine
        .register_type_with_name::<OpenCircuit>("open_circuit")
        .register_fn("open_circuit", || OpenCircuit);
    engine
}

fn limit(engine: &mut Engine) {
    engine
        .set_max_operations(OPERATIONS)
        .set_max_call_levels(DEPTH)
        .set_max_expr_depths(NESTING, NESTING)
        .set_max_variables(VARIABLES)
        .set_max_functions(FUNCTIONS)
        .set_max_string_size(TEXT)
        .set_max_array_size(SIZE)
        .set_max_map_size(SIZE)
        .set_max_strings_interned(SIZE)
        // A name that is misspelt is a mistake, not an empty value.
        .set_strict_variables(true)
        .set_fail_on_invalid_map_property(true)
        .set_allow_anonymous_fn(false);
    for symbol in OFF {
        engine.disable_symbol(symbol);
    }
}

/// The functions of lists: each takes one pass at most.
#[expect(clippy::cast_possible_wrap, reason = "a list has at most a few times SIZE values")]
fn lists(engine: &mut Engine) {
    engine
        .register_fn("len", |list: &mut Array| list.len() as i64)
        .register_fn("push", |list: &mut Array, value: Dynamic| list.push(value))
        .register_fn(
            "shift",
            |list: &mut Array| {
                if list.is_empty() { Dynamic::UNIT } else { list.remove(0) }
            },
        )
        .register_fn("clear", Array::clear)
        .register_iterator::<Array>();
}
