//! Procedure 3: a curve between two measured ones, without any coefficient.
//!
//! Model (IEC 60891, from memory): to each point of the first curve belongs the point of the second
//! whose current is higher by the difference of the short-circuit currents; the wanted curve divides
//! the distance of the two: `V3 = V1 + a (V2 - V1)`, `I3 = I1 + a (I2 - I1)`, and `G3`, `T3` alike. The
//! second curve is read between its points along straight lines.

use crate::curve::points::{Conditions, Curve, CurveError, Point};
use crate::quantities::{Amps, Celsius, Irradiance, Volts};

/// How far from the wanted temperature the line between both curves may pass (K): the standard's
/// permission for a measurement's own temperature, from memory.
const TOLERANCE: f64 = 1.0;
/// The share may lie this much outside 0 to 1: a little extrapolation, as the standard allows.
const OUTSIDE: f64 = 0.2;

/// Why there is no curve between two.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum BetweenError {
    /// Both were measured at the same irradiance and temperature.
    #[error("correction: both curves have the same conditions; choose two that differ")]
    SameConditions,
    /// The wanted conditions lie beyond the two.
    #[error(
        "correction: the wanted conditions lie {share:.2} of the way from the first curve to the \
         second; between -0.2 and 1.2 can be interpolated: choose curves around them"
    )]
    Outside {
        /// The share that would be needed.
        share: f64,
    },
    /// The line between both passes the wanted temperature by too much.
    #[error(
        "correction: at the wanted irradiance the line between both curves is at {found}, not at \
         {wanted}; choose another pair, or interpolate twice with three curves"
    )]
    OffTheLine {
        /// Temperature that the line has there.
        found: Celsius,
        /// The one asked for.
        wanted: Celsius,
    },
    /// Their currents overlap too little.
    #[error("correction: too few pairs of points: {0}")]
    NoCurve(#[from] CurveError),
}

/// The curve at `to` between two, each with its conditions and its short-circuit current; and the
/// conditions that it really has.
///
/// # Errors
/// [`BetweenError`] where the conditions can't be reached from these two.
pub fn interpolate(
    first: (&Curve, Conditions, Amps),
    second: (&Curve, Conditions, Amps),
    to: Conditions,
) -> Result<(Curve, Conditions), BetweenError> {
    let share = share(first.1, second.1, to)?;
    let mix = |a: f64, b: f64| a + share * (b - a);
    let reached = Conditions {
        irradiance: Irradiance(mix(first.1.irradiance.0, second.1.irradiance.0)),
        cell: Celsius(mix(first.1.cell.0, second.1.cell.0)),
    };
    let difference = second.2 - first.2;
    let moved = |p: &Point| {
        let amps = p.amps + difference;
        let volts = volts_at(second.0.points(), amps.0)?;
        Some(Point {
            volts: Volts(mix(p.volts.0, volts)),
            amps: Amps(mix(p.amps.0, amps.0)),
            irradiance: Some(reached.irradiance),
            cell: Some(reached.cell),
            utc: None,
        })
    };
    let points = first.0.points().iter().filter_map(moved).collect();
    Ok((Curve::computed(points)?, reached))
}

/// How far along the way from the first to the second, in the coordinate in which they differ most.
fn share(first: Conditions, second: Conditions, to: Conditions) -> Result<f64, BetweenError> {
    let light = second.irradiance / first.irradiance - 1.0;
    let warmth = (second.cell - first.cell).0 / first.cell.kelvin();
    let by_light = light.abs() >= warmth.abs();
    if light.abs().max(warmth.abs()) < 1e-9 {
        return Err(BetweenError::SameConditions);
    }
    let share = if by_light {
        (to.irradiance - first.irradiance) / (second.irradiance - first.irradiance)
    } else {
        (to.cell - first.cell) / (second.cell - first.cell)
    };
    if !(-OUTSIDE..=1.0 + OUTSIDE).contains(&share) {
        return Err(BetweenError::Outside { share });
    }
    let found = first.cell + (second.cell - first.cell) * share;
    if (found - to.cell).0.abs() > TOLERANCE {
        return Err(BetweenError::OffTheLine { found, wanted: to.cell });
    }
    Ok(share)
}

/// Voltage (V) at which the current (A) passes through `amps` for the last time; none outside.
fn volts_at(points: &[Point], amps: f64) -> Option<f64> {
    points.windows(2).rev().find_map(|pair| {
        let (a, b) = (pair[0], pair[1]);
        let inside = a.amps.0 >= amps && b.amps.0 <= amps && a.amps > b.amps;
        let share = (a.amps.0 - amps) / (a.amps - b.amps).0;
        inside.then(|| a.volts.0 + share * (b.volts - a.volts).0)
    })
}
