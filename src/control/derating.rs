//! What a load may dissipate when it is warm.
//!
//! Model: straight lines between stated points of temperature and power; below the first point the
//! first power holds, above the last nothing may be dissipated. A load's rating falls as its heat
//! sink, or the air it breathes, warms up (data sheets state two or three such points: common
//! practice, no source). Extending the last line was rejected: what lies beyond a data sheet's last
//! temperature is not known to be safe.

use crate::quantities::{Celsius, Watts};
use arrayvec::ArrayVec;

/// The most points a derating curve may have; data sheets state two or three.
pub const MAX_DERATING_POINTS: usize = 8;

/// Which temperature a derating goes by.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum DeratedBy {
    /// The temperature of the load's heat sink.
    HeatSink,
    /// The temperature of the air, where only that is known.
    Air,
}

/// A point of a derating curve: at `temperature` the load may dissipate `watts`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct DeratingPoint {
    /// Largest dissipation (W, 0..).
    pub watts: Watts,
    /// Temperature (degC).
    pub temperature: Celsius,
}

/// Largest load watts over a temperature.
#[derive(Clone, Debug, PartialEq)]
pub struct Derating {
    by: DeratedBy,
    points: ArrayVec<DeratingPoint, MAX_DERATING_POINTS>,
}

/// Why a derating curve can't be used.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum DeratingError {
    /// No point at all.
    #[error("the derating is empty; state at least the watts and the largest temperature")]
    Empty,
    /// Too many points.
    #[error("the derating has more than {MAX_DERATING_POINTS} points; keep the corners")]
    TooMany,
    /// Watts or temperatures that are not finite, negative watts, or the wrong order.
    #[error(
        "point {index} of the derating: degC must rise from point to point, watts must not rise, \
         and both must be finite, watts at least 0"
    )]
    NotFalling {
        /// Which point, from one.
        index: usize,
    },
}

impl Derating {
    /// A curve through `points`, by rising temperature.
    ///
    /// # Errors
    /// When there is no point, more than [`MAX_DERATING_POINTS`], temperatures fall or watts rise.
    pub fn new(by: DeratedBy, points: &[DeratingPoint]) -> Result<Self, DeratingError> {
        if points.is_empty() {
            return Err(DeratingError::Empty);
        }
        let mut kept: ArrayVec<DeratingPoint, MAX_DERATING_POINTS> = ArrayVec::new();
        for (index, point) in points.iter().enumerate() {
            let finite = point.watts.is_finite() && point.temperature.is_finite();
            let falling = kept.last().is_none_or(|last| {
                point.temperature > last.temperature && point.watts <= last.watts
            });
            if !(finite && point.watts.0 >= 0.0 && falling) {
                return Err(DeratingError::NotFalling { index: index + 1 });
            }
            kept.try_push(*point).map_err(|_| DeratingError::TooMany)?;
        }
        Ok(Self { by, points: kept })
    }

    /// Which temperature it goes by.
    #[must_use]
    pub fn by(&self) -> DeratedBy {
        self.by
    }

    /// What the load may dissipate at `temperature` (W).
    ///
    /// ```
    /// use cresthold::control::{DeratedBy, Derating, DeratingPoint};
    /// use cresthold::quantities::{Celsius, Watts};
    /// let point = |watts, degc| DeratingPoint { watts: Watts(watts), temperature: Celsius(degc) };
    /// let sheet = [point(600.0, 40.0), point(300.0, 70.0)];
    /// let derating = Derating::new(DeratedBy::HeatSink, &sheet).unwrap();
    /// // Half way between 40 and 70 degC: half way between 600 and 300 W.
    /// assert_eq!(derating.watts_at(Celsius(55.0)), Watts(450.0));
    /// assert_eq!(derating.watts_at(Celsius(20.0)), Watts(600.0));
    /// assert_eq!(derating.watts_at(Celsius(71.0)), Watts(0.0));
    /// ```
    #[must_use]
    pub fn watts_at(&self, temperature: Celsius) -> Watts {
        let mut below: Option<&DeratingPoint> = None;
        for point in &self.points {
            if temperature <= point.temperature {
                return below.map_or(point.watts, |b| {
                    let span = point.temperature.0 - b.temperature.0;
                    let share = (temperature.0 - b.temperature.0) / span;
                    b.watts + (point.watts - b.watts) * share
                });
            }
            below = Some(point);
        }
        Watts::ZERO
    }
}
