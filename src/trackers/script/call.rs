//! One call of a script: bounded, and without a trace when it fails.

use super::engine::OpenCircuit;
use super::{Fault, Script, ScriptConfig, ScriptError};
use crate::quantities::Volts;
use crate::trackers::{Observation, Start, Wish};
use rhai::{CallFnOptions, Dynamic, EvalAltResult, Map, Position, Scope};
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::Arc;

/// Why a call gave no wish.
#[derive(Debug)]
pub(super) enum Failure {
    Raised(Box<EvalAltResult>),
    NoWish(Dynamic),
    NotANumber(f64),
    /// `this` is no map any more.
    Forgot,
    Panicked,
}

/// A script with its settings and what it remembers.
#[derive(Clone, Debug)]
pub(super) struct Run {
    script: Arc<Script>,
    set: Dynamic,
    memory: Dynamic,
}

impl Run {
    pub(super) fn new(config: &ScriptConfig) -> Self {
        let set: Map = config.settings().map(|(name, value)| (name.into(), value.into())).collect();
        Self {
            script: Arc::clone(config.script()),
            set: Dynamic::from_map(set),
            memory: Dynamic::from_map(Map::new()),
        }
    }

    /// Begins with an empty memory.
    pub(super) fn start(&mut self, from: &Start) -> Result<Wish, Failure> {
        self.memory = Dynamic::from_map(Map::new());
        self.call("start", Dynamic::from(*from))
    }

    pub(super) fn step(&mut self, seen: &Observation) -> Result<Wish, Failure> {
        self.call("step", Dynamic::from(*seen))
    }

    /// Calls a function; when it fails, the memory is what it was before.
    fn call(&mut self, name: &str, shown: Dynamic) -> Result<Wish, Failure> {
        let before = self.memory.clone();
        let answer = self.answer(name, shown);
        if answer.is_err() {
            self.memory = before;
        }
        answer
    }

    fn answer(&mut self, name: &str, shown: Dynamic) -> Result<Wish, Failure> {
        let Script { engine, ast, .. } = &*self.script;
        let (memory, set) = (&mut self.memory, self.set.clone());
        // An interpreter's own fault must not take the channel with it. What it leaves half done
        // is thrown away.
        let answer = catch_unwind(AssertUnwindSafe(|| {
            let options = CallFnOptions::new().eval_ast(false).bind_this_ptr(memory);
            engine.call_fn_with_options(options, &mut Scope::new(), ast, name, (shown, set))
        }));
        let answer: Dynamic = answer.map_err(|_| Failure::Panicked)?.map_err(Failure::Raised)?;
        if !self.memory.is_map() {
            return Err(Failure::Forgot);
        }
        engine.ensure_data_size_within_limits(&self.memory).map_err(Failure::Raised)?;
        match number(&answer) {
            Some(volts) if volts.is_finite() => Ok(Wish::Hold(Volts(volts))),
            Some(volts) => Err(Failure::NotANumber(volts)),
            None if answer.is::<OpenCircuit>() => Ok(Wish::OpenCircuit),
            None => Err(Failure::NoWish(answer)),
        }
    }
}

/// A number, whole or not.
#[expect(clippy::cast_precision_loss, reason = "volts need no more than 53 bits")]
pub(super) fn number(value: &Dynamic) -> Option<f64> {
    value.as_float().ok().or_else(|| value.as_int().ok().map(|whole| whole as f64))
}

/// What went wrong, without its place.
pub(super) fn words(error: &EvalAltResult) -> String {
    let mut error = match error {
        EvalAltResult::ErrorRuntime(thrown, _) => return format!("it gave up: {thrown}"),
        EvalAltResult::ErrorPropertyNotFound(name, _) => {
            return format!(
                "there is no {name}; what `this` shall remember is set in start(), settings are \
                 named in settings()"
            );
        }
        other => other.to_string(),
    };
    if let Some(end) = error.rfind(" (line ") {
        error.truncate(end);
    }
    error
}

impl Failure {
    /// Which kind, and in which line (0: not known).
    pub(super) fn fault(&self) -> (Fault, u32) {
        let Self::Raised(error) = self else {
            let fault = match self {
                Self::NotANumber(_) => Fault::NotANumber,
                Self::Forgot => Fault::Forgot,
                Self::Panicked => Fault::Interpreter,
                Self::NoWish(_) | Self::Raised(_) => Fault::NoWish,
            };
            return (fault, 0);
        };
        let inner = error.unwrap_inner();
        let fault = match inner {
            EvalAltResult::ErrorTooManyOperations(_) => Fault::Operations,
            EvalAltResult::ErrorStackOverflow(_) => Fault::Depth,
            EvalAltResult::ErrorDataTooLarge(..) | EvalAltResult::ErrorTooManyVariables(_) => {
                Fault::Size
            }
            _ => Fault::Mistake,
        };
        let line = self.position().line().unwrap_or(0);
        (fault, u32::try_from(line).unwrap_or(0))
    }

    fn position(&self) -> Position {
        match self {
            Self::Raised(error) => match error.unwrap_inner().position() {
                Position::NONE => error.position(),
                inner => inner,
            },
            _ => Position::NONE,
        }
    }

    /// The whole sentence.
    pub(super) fn tell(&self, file: &str, function: &str) -> ScriptError {
        let (fault, _) = self.fault();
        let what = match self {
            Self::Raised(error) if fault == Fault::Mistake => words(error.unwrap_inner()),
            Self::NoWish(answer) => format!("{} ({answer})", fault.words()),
            Self::NotANumber(number) => format!("{} ({number})", fault.words()),
            _ => fault.words().to_owned(),
        };
        ScriptError::new(file, self.position(), format!("{function}(): {what}"))
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::panic, reason = "a fault of the interpreter, made up")]

    use super::*;
    use crate::time::Instant;

    #[test]
    fn a_fault_of_the_interpreter_stays_inside() {
        let text =
            "fn start(from, set) { this.n = 1; 30.0 }\nfn step(seen, set) { this.n = 2; burst() }";
        let mut script = Script::new("test.rhai", text).unwrap();
        script.engine.register_fn("burst", || -> f64 { panic!("made up") });
        let mut run = Run::new(&ScriptConfig::new(Arc::new(script)));
        let open_circuit = Volts(37.0);
        run.start(&Start { at: Instant::ZERO, open_circuit, crest: None }).unwrap();
        let failure = run.call("step", Dynamic::UNIT).unwrap_err();
        assert_eq!(failure.fault(), (Fault::Interpreter, 0));
        let memory = run.memory.read_lock::<Map>().unwrap();
        assert_eq!(memory.get("n").and_then(number), Some(1.0));
    }
}
