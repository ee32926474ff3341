//! How a device is held to the sky.
//!
//! Model: fixed; turning about one axis to the least angle of incidence; or facing the sun. An axis has
//! a tilt and an azimuth, the direction of its lower end: the plane at rest is tilted as the axis is.
//! With `n0` the normal at rest and `c` the horizontal across the axis, the turn is
//! `R = atan2(s.c, s.n0)`, held within the mount's range, and the normal `n0 cos R + c sin R` (W. F.
//! Marion, A. P. Dobos, "Rotation angle for the optimum tracking of one-axis trackers",
//! NREL/TP-6A20-58891, 2013, by vectors). While the sun is down, the plane rests.
//!
//! Rejected: turning back to avoid the neighbour row's shade (a test yard has no rows; the shade
//! of neighbours belongs to the skyline).

use cresthold_sim::sky::SunVector;
use cresthold_sim::sky::plane::{Plane, PlaneError};

/// A mount.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Mount {
    /// A fixed plane.
    Fixed {
        /// From the horizontal (degrees, 0..=180).
        tilt: f64,
        /// Clockwise from north (degrees, 0..=360).
        azimuth: f64,
    },
    /// One axis.
    OneAxis {
        /// Of the axis (degrees, 0..=90).
        tilt: f64,
        /// Where the axis's lower end points, clockwise from north (degrees, 0..=360).
        azimuth: f64,
        /// How far it turns to either side (degrees, 0..=180).
        range: f64,
    },
    /// Two axes: it faces the sun.
    TwoAxis,
}

impl Mount {
    /// Whether angles lie in their ranges.
    ///
    /// # Errors
    /// [`PlaneError`] names the first that doesn't.
    pub fn check(self) -> Result<Self, PlaneError> {
        if let Self::Fixed { tilt, azimuth } | Self::OneAxis { tilt, azimuth, .. } = self {
            Plane::new(tilt, azimuth, 0.0)?;
        }
        match self {
            Self::OneAxis { tilt, .. } if tilt > 90.0 => Err(PlaneError::Tilt(tilt)),
            Self::OneAxis { range, .. } if !(0.0..=180.0).contains(&range) => {
                Err(PlaneError::Tilt(range))
            }
            _ => Ok(self),
        }
    }

    /// The normal of the plane while the sun is at `sun`.
    ///
    /// ```
    /// use cresthold::yields::Mount;
    /// use cresthold_sim::sky::SunVector;
    /// let sun = SunVector::from_degrees(60.0, 90.0);
    /// // A level axis from north to south follows a sun in the east all the way.
    /// let level = Mount::OneAxis { tilt: 0.0, azimuth: 180.0, range: 90.0 };
    /// assert!(level.normal(sun).dot(sun) > 1.0 - 1e-12);
    /// // It turns by 45 degrees only: 15 are missing.
    /// let short = Mount::OneAxis { tilt: 0.0, azimuth: 180.0, range: 45.0 };
    /// assert!((short.normal(sun).dot(sun) - 15_f64.to_radians().cos()).abs() < 1e-12);
    /// assert_eq!(Mount::TwoAxis.normal(sun), sun);
    /// ```
    #[must_use]
    pub fn normal(self, sun: SunVector) -> SunVector {
        const UP: SunVector = SunVector { east: 0.0, north: 0.0, up: 1.0 };
        match self {
            Self::Fixed { tilt, azimuth } => SunVector::from_degrees(tilt, azimuth),
            Self::OneAxis { tilt, azimuth, range } => {
                let rest = SunVector::from_degrees(tilt, azimuth);
                if sun.up <= 0.0 {
                    return rest;
                }
                let (sin, cos) = azimuth.to_radians().sin_cos();
                let across = SunVector { east: cos, north: -sin, up: 0.0 };
                let range = range.to_radians();
                let turn = sun.dot(across).atan2(sun.dot(rest)).clamp(-range, range);
                let (sin, cos) = turn.sin_cos();
                SunVector {
                    east: rest.east * cos + across.east * sin,
                    north: rest.north * cos + across.north * sin,
                    up: rest.up * cos,
                }
            }
            Self::TwoAxis if sun.up > 0.0 => sun,
            Self::TwoAxis => UP,
        }
    }
}
