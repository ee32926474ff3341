//! Scenes by name, with parameters, for those who choose scenarios on a command line.
//!
//! Model: an [`Entry`] has a name, one line of description and parameters with unit, range and usual
//! value. A request is the name alone or the name with changes: `broken-clouds,cover=0.7,minutes=20`.
//! All numbers are checked against their ranges before anything is built.
//!
//! Rejected: a configuration file for scenes (nobody keeps one), names that hide their numbers (the
//! table is what `entries` gives, for a help text to print).

mod list;

pub use list::entries;

use super::Scene;
use super::layout::Layout;
use crate::sky::clouds::CloudsError;

/// A number that a scene is built with.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Parameter {
    /// Its name in a request.
    pub name: &'static str,
    /// What it is.
    pub what: &'static str,
    /// Its unit.
    pub unit: &'static str,
    /// Its value where the request says nothing.
    pub usual: f64,
    /// Least value taken.
    pub least: f64,
    /// Greatest value taken.
    pub greatest: f64,
}

/// A scene that can be asked for by name.
#[derive(Clone, Copy, Debug)]
pub struct Entry {
    /// Its name.
    pub name: &'static str,
    /// What it is, in one line.
    pub what: &'static str,
    /// Its kind: clouds, edges, shade, concentrator or recorded.
    pub group: &'static str,
    /// Least number of substrings that it makes sense with.
    pub substrings: usize,
    /// Its parameters.
    pub parameters: &'static [Parameter],
    build: Build,
}

type Build = fn(&Values, &Layout, u64) -> Result<Box<dyn Scene>, SceneError>;

/// A request's numbers, in the order of the entry's parameters.
#[derive(Clone, Debug)]
struct Values {
    parameters: &'static [Parameter],
    values: Vec<f64>,
}

impl Values {
    fn usual(parameters: &'static [Parameter]) -> Self {
        Self { parameters, values: parameters.iter().map(|one| one.usual).collect() }
    }

    fn index(&self, name: &str) -> Option<usize> {
        self.parameters.iter().position(|one| one.name == name)
    }

    /// The value of a parameter that the entry has.
    fn get(&self, name: &str) -> f64 {
        self.index(name).map_or(f64::NAN, |index| self.values[index])
    }
}

/// Why a scene can't be built.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum SceneError {
    /// No scene has this name.
    #[error("no scene is called {name:?}; there are: {known}")]
    Unknown {
        /// What was asked for.
        name: String,
        /// The names there are.
        known: String,
    },
    /// The scene has no such parameter.
    #[error("{scene} has no parameter {name:?}; it has: {known}")]
    Parameter {
        /// The scene.
        scene: &'static str,
        /// What was asked for.
        name: String,
        /// The parameters there are.
        known: String,
    },
    /// Not a number, or without a value.
    #[error("{scene}: {text:?} sets nothing; write name=number, as in {scene},minutes=10")]
    Setting {
        /// The scene.
        scene: &'static str,
        /// The part of the request.
        text: String,
    },
    /// Out of range.
    #[error("{scene}: {name} {value} is out of range; give {least}..={greatest} {unit}")]
    Range {
        /// The scene.
        scene: &'static str,
        /// The parameter.
        name: &'static str,
        /// The number given.
        value: f64,
        /// Least value taken.
        least: f64,
        /// Greatest value taken.
        greatest: f64,
        /// Unit of the three.
        unit: &'static str,
    },
    /// The device has too few substrings.
    #[error("{scene} needs a device of {least} substrings or more, laid out in a row, not {found}")]
    Substrings {
        /// The scene.
        scene: &'static str,
        /// Least number.
        least: usize,
        /// How many the layout has.
        found: usize,
    },
    /// Numbers that don't go together.
    #[error(transparent)]
    Clouds(#[from] CloudsError),
}

/// A scene by name, for a device whose substrings lie as `layout` says; `seed` chooses what is left
/// to chance.
///
/// ```
/// use cresthold_sim::scene::{Scene, layout::Layout, named::named};
/// use std::time::Duration;
/// let row = Layout::row(12, 1.0, 90.0).unwrap();
/// let scene = named("broken-clouds,cover=0.7,minutes=20", &row, 1).unwrap();
/// assert_eq!(scene.length(), Duration::from_secs(1200));
/// let error = named("broken-clouds,cover=7", &row, 1).map(|_| ()).unwrap_err();
/// assert_eq!(
///     error.to_string(),
///     "broken-clouds: cover 7 is out of range; give 0..=1 of the sky"
/// );
/// ```
///
/// # Errors
/// [`SceneError`] says what of the request can't be.
pub fn named(request: &str, layout: &Layout, seed: u64) -> Result<Box<dyn Scene>, SceneError> {
    let mut parts = request.split(',').map(str::trim);
    let name = parts.next().unwrap_or_default();
    let entry = find(name)?;
    let mut values = Values::usual(entry.parameters);
    for part in parts {
        set(entry, &mut values, part)?;
    }
    if layout.count() < entry.substrings {
        let (least, found) = (entry.substrings, layout.count());
        return Err(SceneError::Substrings { scene: entry.name, least, found });
    }
    (entry.build)(&values, layout, seed)
}

fn find(name: &str) -> Result<&'static Entry, SceneError> {
    entries().iter().find(|entry| entry.name == name).ok_or_else(|| SceneError::Unknown {
        name: name.to_owned(),
        known: list_of(entries().iter().map(|entry| entry.name)),
    })
}

fn set(entry: &'static Entry, values: &mut Values, part: &str) -> Result<(), SceneError> {
    let scene = entry.name;
    let bad = || SceneError::Setting { scene, text: part.to_owned() };
    let (name, text) = part.split_once('=').ok_or_else(bad)?;
    let value: f64 = text.trim().parse().map_err(|_| bad())?;
    let name = name.trim();
    let index = values.index(name).ok_or_else(|| SceneError::Parameter {
        scene,
        name: name.to_owned(),
        known: list_of(entry.parameters.iter().map(|one| one.name)),
    })?;
    let Parameter { name, least, greatest, unit, .. } = entry.parameters[index];
    if !(least..=greatest).contains(&value) {
        return Err(SceneError::Range { scene, name, value, least, greatest, unit });
    }
    values.values[index] = value;
    Ok(())
}

fn list_of(names: impl Iterator<Item = &'static str>) -> String {
    names.collect::<Vec<_>>().join(", ")
}
