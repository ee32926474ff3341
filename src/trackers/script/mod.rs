//! Trackers from outside: a script that the station file names, without a rebuild.
//!
//! Model: the script is a text in the language of the crate `rhai`. It has two functions, `start(from,
//! set)` and `step(seen, set)`, that answer with the volts to hold or with `open_circuit()`. What it
//! remembers between steps is `this`, a map; `set` are its settings, which a third function,
//! `settings()`, names with their defaults and the station file changes. It is one tracker among the
//! others: the same observations, the same guard, the same two clocks.
//!
//! It is pure: no file, no clock, no random number, no output, and no way to any; the same
//! observations give the same wishes. It is bounded: a step ends after [`OPERATIONS`], and no value
//! outgrows [`SIZE`], no text [`TEXT`], no chain of calls [`DEPTH`]. So a script can waste at most
//! some milliseconds a period, and five megabytes as long as the step lasts; it keeps ten kilobytes at
//! most (`tests/scripts.rs` and `tests/allocations.rs` measure that). It does allocate, which no
//! other tracker does.
//!
//! A script that fails moves nothing: the setpoint stays, and its memory is what it was before the
//! step. After [`FAILURES`] in a row perturb and observe takes over until the channel next wakes.
//!
//! Rejected: a program on standard input and output (a process, a pipe and a deadline in every
//! period, other timing in the field than in virtual time); a shared library (no bounds at all); a
//! language of our own (nobody knows it, no editor colours it). Of `rhai` all that could grow without
//! bounds or reach outside is left out: modules, closures, function pointers (a curried one doubles
//! itself past every limit), `eval`, its packages for arrays and texts, and its core package, which
//! can put the thread to sleep.

mod call;
mod config;
mod engine;
mod tracker;
mod trouble;

pub use config::ScriptConfig;
pub use engine::{DEPTH, OPERATIONS, SIZE, TEXT};
pub use tracker::{FAILURES, Scripted};
pub use trouble::{Fault, Trouble};

use arrayvec::ArrayVec;
use rhai::{AST, CallFnOptions, Engine, Map, ParseErrorType, Position, Scope};
use std::fmt;

/// Longest script (bytes): some two thousand lines.
pub const LONGEST: usize = 64_000;
/// Most settings of a script.
pub const MOST_SETTINGS: usize = 16;

/// The settings' values, in the order of their names.
type Values = ArrayVec<f64, MOST_SETTINGS>;

/// What is wrong with a script.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub struct ScriptError {
    /// The script's file, as it was named.
    pub file: String,
    /// Line (1..) and column (1..), where they are known.
    pub place: Option<(usize, usize)>,
    /// What is wrong, and what would be right.
    pub text: String,
}

impl fmt::Display for ScriptError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.place {
            Some((line, column)) => write!(f, "{}:{line}:{column}: {}", self.file, self.text),
            None => write!(f, "{}: {}", self.file, self.text),
        }
    }
}

impl ScriptError {
    fn new(file: &str, at: Position, text: impl Into<String>) -> Self {
        let place = at.line().map(|line| (line, at.position().unwrap_or(1)));
        Self { file: file.to_owned(), place, text: text.into() }
    }
}

/// A script that can be run.
pub struct Script {
    file: String,
    text: String,
    engine: Engine,
    ast: AST,
    names: ArrayVec<String, MOST_SETTINGS>,
    defaults: Values,
}

impl fmt::Debug for Script {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Script").field("file", &self.file).finish_non_exhaustive()
    }
}

impl Script {
    /// Reads a script; `file` names it in messages.
    ///
    /// # Errors
    /// [`ScriptError`] with the first mistake: in its grammar, in the functions it must have, or in
    /// its settings.
    ///
    /// ```
    /// use cresthold::trackers::Script;
    /// let wrong = Script::new("up.rhai", "fn start(from, set) { 30.0 }\nfn step(seen, set) { volt }");
    /// let text = wrong.unwrap_err().to_string();
    /// assert!(text.starts_with("up.rhai:2:22: Undefined variable: volt"), "{text}");
    /// ```
    pub fn new(file: &str, text: &str) -> Result<Self, ScriptError> {
        let wrong = |text: String| ScriptError::new(file, Position::NONE, text);
        if text.len() > LONGEST {
            let found = text.len();
            return Err(wrong(format!("{found} bytes are more than {LONGEST}; make it shorter")));
        }
        if let Some((line, column)) = long_name(text) {
            let text = format!("a name of more than {TEXT} letters; make it shorter");
            return Err(ScriptError { file: file.to_owned(), place: Some((line, column)), text });
        }
        let engine = engine::engine();
        let ast = engine.compile(text).map_err(|error| {
            let hint = match error.err_type() {
                ParseErrorType::VariableUndefined(_) => {
                    "; a function sees its arguments, its own variables and `this`"
                }
                _ => "",
            };
            ScriptError::new(file, error.position(), format!("{}{hint}", error.err_type()))
        })?;
        for (name, arguments) in [("start", "from, set"), ("step", "seen, set")] {
            let is_it =
                |found: rhai::ScriptFnMetadata<'_>| found.name == name && found.params.len() == 2;
            if !ast.iter_functions().any(is_it) {
                return Err(wrong(format!(
                    "it has no fn {name}({arguments}); add one that answers with volts or \
                     open_circuit()"
                )));
            }
        }
        let mut script = Self {
            file: file.to_owned(),
            text: text.to_owned(),
            engine,
            ast,
            names: ArrayVec::new(),
            defaults: Values::new(),
        };
        script.find_settings()?;
        Ok(script)
    }

    /// Asks the script which settings it has.
    fn find_settings(&mut self) -> Result<(), ScriptError> {
        if !self.ast.iter_functions().any(|found| found.name == "settings") {
            return Ok(());
        }
        let wrong = |at, text: String| ScriptError::new(&self.file, at, text);
        let options = CallFnOptions::new().eval_ast(false);
        let (engine, ast) = (&self.engine, &self.ast);
        let found = engine
            .call_fn_with_options::<Map>(options, &mut Scope::new(), ast, "settings", ())
            .map_err(|error| {
                let inner = error.unwrap_inner();
                wrong(inner.position(), format!("settings(): {}", call::words(inner)))
            })?;
        if found.len() > MOST_SETTINGS {
            let text = format!("settings(): {} are more than {MOST_SETTINGS}", found.len());
            return Err(wrong(Position::NONE, text));
        }
        for (name, value) in &found {
            let Some(number) = call::number(value).filter(|number| number.is_finite()) else {
                let text = format!("settings(): {name} is no finite number; state its default");
                return Err(wrong(Position::NONE, text));
            };
            self.names.push(name.to_string());
            self.defaults.push(number);
        }
        Ok(())
    }

    /// Its file, as it was named.
    #[must_use]
    pub fn file(&self) -> &str {
        &self.file
    }

    /// Its text.
    #[must_use]
    pub fn text(&self) -> &str {
        &self.text
    }

    /// The names of its settings, in alphabetical order.
    pub fn names(&self) -> impl Iterator<Item = &str> {
        self.names.iter().map(String::as_str)
    }

    /// A number that tells its text from another: FNV-1a of 64 bits (Fowler, Noll & Vo, from memory;
    /// the value of the empty text is the offset basis).
    #[must_use]
    pub fn fingerprint(&self) -> u64 {
        self.text.bytes().fold(0xCBF2_9CE4_8422_2325, |hash, byte| {
            (hash ^ u64::from(byte)).wrapping_mul(0x0000_0100_0000_01B3)
        })
    }
}

/// Line and column of the first name that is too long: each copy of a map carries its names along.
fn long_name(text: &str) -> Option<(usize, usize)> {
    let is_letter = |c: char| c.is_alphanumeric() || c == '_';
    text.lines().enumerate().find_map(|(index, line)| {
        let word = line.split(|c| !is_letter(c)).find(|word| word.len() > TEXT)?;
        let before = &line[..line.find(word)?];
        Some((index + 1, before.chars().count() + 1))
    })
}
