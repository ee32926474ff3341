//! Where the substrings of a device lie, so that clouds and shadows reach them one after another.
//!
//! Model: a straight row of places at equal distances. All cells of a substring see the light of its
//! middle, as its extent is small beside an edge of a cloud; shadows of things nearby know its extent
//! (`nearby`).
//!
//! Rejected: places one by one. Strings are laid out in rows, and a row has three numbers.

use crate::sky::Place;

/// Most substrings of a row: beyond, a scene costs more than anything it shows.
pub const MOST_SUBSTRINGS: usize = 1000;
/// Greatest distance between two substrings (m).
const GREATEST_SPACING: f64 = 1000.0;

/// The places of a device's substrings, in the device's order.
#[derive(Clone, Debug, PartialEq)]
pub struct Layout {
    places: Vec<Place>,
    spacing: f64,
}

/// Why a [`Layout`] was refused.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum LayoutError {
    /// None, or too many.
    #[error("a row of {0} substrings: give 1..={MOST_SUBSTRINGS}")]
    Count(usize),
    /// Not a distance.
    #[error("{0} m from substring to substring: give metres, 0.01..=1000")]
    Spacing(f64),
    /// Not a direction.
    #[error("a row towards {0}: give degrees clockwise from north, 0..=360")]
    Direction(f64),
}

impl Layout {
    /// A device so small that all of it sees the same: a cell, a receiver, a module under clouds.
    #[must_use]
    pub fn point() -> Self {
        Self { places: vec![Place::default()], spacing: 1.0 }
    }

    /// `count` substrings in a row about the origin, `spacing` (m, 0.01..=1000) from one to the next,
    /// the row running `towards` (degrees clockwise from north, 0..=360).
    ///
    /// ```
    /// use cresthold_sim::scene::layout::Layout;
    /// let east = Layout::row(3, 2.0, 90.0).unwrap();
    /// let metres: Vec<f64> = east.places().iter().map(|place| place.east).collect();
    /// assert_eq!(metres, [-2.0, 0.0, 2.0]);
    /// ```
    ///
    /// # Errors
    /// [`LayoutError`] names the number that is out of range.
    pub fn row(count: usize, spacing: f64, towards: f64) -> Result<Self, LayoutError> {
        if !(1..=MOST_SUBSTRINGS).contains(&count) {
            return Err(LayoutError::Count(count));
        }
        if !(0.01..=GREATEST_SPACING).contains(&spacing) {
            return Err(LayoutError::Spacing(spacing));
        }
        if !(0.0..=360.0).contains(&towards) {
            return Err(LayoutError::Direction(towards));
        }
        let (east, north) = towards.to_radians().sin_cos();
        let middle = 0.5 * (count - 1) as f64;
        let places = (0..count).map(|index| {
            let along = spacing * (index as f64 - middle);
            Place { east: along * east, north: along * north }
        });
        Ok(Self { places: places.collect(), spacing })
    }

    /// How many substrings.
    #[must_use]
    pub fn count(&self) -> usize {
        self.places.len()
    }

    /// Their places, in the device's order.
    #[must_use]
    pub fn places(&self) -> &[Place] {
        &self.places
    }

    /// From one to the next (m).
    #[must_use]
    pub fn spacing(&self) -> f64 {
        self.spacing
    }

    /// Length of the row (m), from the beginning of the first substring to the end of the last.
    #[must_use]
    pub fn length(&self) -> f64 {
        self.spacing * self.places.len() as f64
    }
}
