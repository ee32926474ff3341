//! The scenarios of studies, by name: the standards' sequences, and the scenes of clouds, edges, shade,
//! pointing and recorded days, whose numbers may be changed (`broken-clouds,cover=0.7`).

use super::Plant;
use crate::quantities::STC_TEMPERATURE;
use cresthold_sim::scene::Scene;
use cresthold_sim::scene::layout::Layout;
use cresthold_sim::scene::named::{Entry, SceneError, entries, named};
use cresthold_sim::scene::standard::{LEVELS, START_UP, Steady, sequences};
use std::fmt;
use std::sync::Arc;

/// Builds a scene for a device and a seed.
type Make = dyn Fn(&Plant, u64) -> Result<Box<dyn Scene>, SceneError> + Send + Sync;

/// A scene that can be built for any device and seed.
#[derive(Clone)]
pub struct Scenario {
    name: String,
    group: &'static str,
    slope: Option<f64>,
    make: Arc<Make>,
}

impl fmt::Debug for Scenario {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}/{}", self.group, self.name)
    }
}

/// The standards' ramps.
pub const DYNAMIC: &str = "dynamic";
/// The standards' static levels.
pub const STATIC: &str = "static";
/// The standards' start-up and shut-down.
pub const START: &str = "start-up";

impl Scenario {
    /// A scenario of a group; `make` builds its scene for a device and a seed.
    pub fn new(
        name: impl Into<String>,
        group: &'static str,
        make: impl Fn(&Plant, u64) -> Result<Box<dyn Scene>, SceneError> + Send + Sync + 'static,
    ) -> Self {
        Self { name: name.into(), group, slope: None, make: Arc::new(make) }
    }

    /// The same, with its slope (W/m2/s) for pictures by slope.
    #[must_use]
    pub fn with_slope(self, slope: f64) -> Self {
        Self { slope: Some(slope), ..self }
    }

    /// Its name.
    #[must_use]
    pub fn name(&self) -> &str {
        &self.name
    }

    /// The group whose mean it enters.
    #[must_use]
    pub fn group(&self) -> &'static str {
        self.group
    }

    /// Its slope (W/m2/s), where it has one.
    #[must_use]
    pub fn slope(&self) -> Option<f64> {
        self.slope
    }

    /// A scene of the simulation by name, with changed numbers if wanted.
    ///
    /// # Errors
    /// [`SceneError`] when there is no such scene, or its numbers are out of range.
    ///
    /// ```
    /// use cresthold::study::Scenario;
    /// assert_eq!(Scenario::request("broken-clouds,cover=0.7").unwrap().group(), "clouds");
    /// assert!(Scenario::request("broken-clouds,cover=7").is_err());
    /// ```
    pub fn request(text: &str) -> Result<Self, SceneError> {
        let name = text.split(',').next().unwrap_or_default().trim();
        let entry = entries().iter().find(|entry| entry.name == name);
        // A row long enough for any scene; an unknown name is told here, too.
        let row = Layout::row(entry.map_or(1, |entry| entry.substrings), 1.0, 90.0);
        named(text, &row.unwrap_or_else(|_| Layout::point()), 1)?;
        let (group, least) = entry.map_or(("", 1), |entry: &Entry| (entry.group, entry.substrings));
        let request = text.to_owned();
        let make = move |plant: &Plant, seed| named(&request, &plant.layout(least), seed);
        Ok(Self::new(text, group, make))
    }

    /// Its scene.
    ///
    /// # Errors
    /// [`SceneError`] when it can't be on this device, as shade on a single cell.
    pub fn scene(&self, plant: &Plant, seed: u64) -> Result<Box<dyn Scene>, SceneError> {
        (self.make)(plant, seed)
    }

    /// The seed of the noise and of the scene, the same for every tracker: this is what pairs them.
    #[must_use]
    pub fn seed(&self, seed: u64) -> u64 {
        let mut hash = FNV_OFFSET ^ seed.wrapping_mul(SEED_STRIDE);
        for byte in self.name.bytes() {
            hash = (hash ^ u64::from(byte)).wrapping_mul(FNV_PRIME);
        }
        hash
    }

    /// Whether `pattern` means it: its name, its group, or either with `*` for any text.
    ///
    /// ```
    /// use cresthold::study::scenarios;
    /// let count = |pattern: &str| scenarios().iter().filter(|one| one.is(pattern)).count();
    /// assert_eq!((count("dynamic"), count("high-*"), count("high-100")), (17, 6, 1));
    /// ```
    #[must_use]
    pub fn is(&self, pattern: &str) -> bool {
        matches(pattern, &self.name) || matches(pattern, self.group)
    }
}

/// Fowler, Noll and Vo's hash, 64 bits (RFC 9923).
const FNV_OFFSET: u64 = 0xcbf2_9ce4_8422_2325;
const FNV_PRIME: u64 = 0x0000_0100_0000_01b3;
/// Spreads small seeds over all bits (the golden ratio times 2^64).
const SEED_STRIDE: u64 = 0x9e37_79b9_7f4a_7c15;

fn matches(pattern: &str, text: &str) -> bool {
    match pattern.split_once('*') {
        None => pattern == text,
        Some((head, tail)) => text.strip_prefix(head).is_some_and(|rest| {
            (0..=rest.len())
                .filter(|at| rest.is_char_boundary(*at))
                .any(|at| matches(tail, &rest[at..]))
        }),
    }
}

/// All built-in scenarios: the standards' 17 ramps, start-up and shut-down, and static levels; then the
/// scenes of the simulation with their usual numbers.
#[must_use]
pub fn scenarios() -> Vec<Scenario> {
    let boxed = |scene| -> Result<Box<dyn Scene>, SceneError> { Ok(scene) };
    let ramps = sequences().map(|sequence| {
        let make = move |_: &Plant, _| boxed(Box::new(sequence.scene(STC_TEMPERATURE)));
        Scenario::new(sequence.name(), DYNAMIC, make).with_slope(sequence.slope)
    });
    let start = Scenario::new(START_UP.name(), START, move |_, _| {
        boxed(Box::new(START_UP.scene(STC_TEMPERATURE)))
    });
    let levels = LEVELS.map(|level| {
        let make = move |plant: &Plant, _| boxed(Box::new(Steady::level(level, plant.source())));
        Scenario::new(level_name(level), STATIC, make)
    });
    let scenes = entries().iter().filter_map(|entry| Scenario::request(entry.name).ok());
    ramps.chain([start]).chain(levels).chain(scenes).collect()
}

/// The name of a static level.
pub(super) fn level_name(level: f64) -> String {
    format!("level-{}", (level * 100.0).round())
}
