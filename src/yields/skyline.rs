//! What stands before the sky.
//!
//! Model: heights of the horizon (degrees) at azimuths, joined linearly, round the compass. Below the
//! line the sun gives neither direct nor circumsolar light. Of the even light of the sky a
//! horizontal plane loses the share `mean over azimuth of sin^2 h`; the same share is taken for tilted
//! planes. Rejected: integration over a tilted plane's part of the sky (right only if the line
//! were known to better than the degree it is drawn with).

/// The line of the horizon; empty: flat land.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Skyline {
    /// Azimuth (degrees) and height (degrees), by azimuth.
    points: Vec<(f64, f64)>,
    /// Share of the even light that is left (0..=1).
    open: f64,
}

/// Why a skyline was refused.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
#[error(
    "skyline: azimuth {azimuth} with height {height} is no point of it: give azimuths of 0..360 degrees, \
     each once, and heights of 0..=90 degrees"
)]
pub struct SkylineError {
    azimuth: f64,
    height: f64,
}

impl Skyline {
    /// A line through points of azimuth (degrees, 0..360) and height (degrees, 0..=90), in any order.
    ///
    /// # Errors
    /// [`SkylineError`] names a point out of range, or an azimuth that comes twice.
    pub fn new(mut points: Vec<(f64, f64)>) -> Result<Self, SkylineError> {
        points.sort_by(|a, b| a.0.total_cmp(&b.0));
        for (k, &(azimuth, height)) in points.iter().enumerate() {
            let twice = k > 0 && points[k - 1].0.total_cmp(&azimuth).is_eq();
            if twice || !(0.0..360.0).contains(&azimuth) || !(0.0..=90.0).contains(&height) {
                return Err(SkylineError { azimuth, height });
            }
        }
        let mut line = Self { points, open: 1.0 };
        let hidden = (0..3600_u16).map(|tenth| {
            let height = line.height(f64::from(tenth) * 0.1).to_radians();
            height.sin() * height.sin()
        });
        line.open = 1.0 - hidden.sum::<f64>() / 3600.0;
        Ok(line)
    }

    /// Height of the line at an azimuth (degrees).
    ///
    /// ```
    /// use cresthold::yields::Skyline;
    /// let ridge = Skyline::new(vec![(90.0, 10.0), (180.0, 0.0), (0.0, 0.0)]).unwrap();
    /// assert_eq!(ridge.height(45.0), 5.0);
    /// assert_eq!(ridge.height(270.0), 0.0);
    /// let wall = Skyline::new(vec![(0.0, 30.0)]).unwrap(); // all round
    /// assert!((wall.open() - 0.75).abs() < 1e-9);
    /// ```
    #[must_use]
    pub fn height(&self, azimuth: f64) -> f64 {
        let (Some(&first), Some(&last)) = (self.points.first(), self.points.last()) else {
            return 0.0;
        };
        let azimuth = azimuth.rem_euclid(360.0);
        let next = self.points.partition_point(|point| point.0 <= azimuth);
        let (low_at, low) =
            if next == 0 { (last.0 - 360.0, last.1) } else { self.points[next - 1] };
        let (high_at, high) = self.points.get(next).copied().unwrap_or((first.0 + 360.0, first.1));
        if high_at > low_at {
            low + (high - low) * (azimuth - low_at) / (high_at - low_at)
        } else {
            low
        }
    }

    /// Azimuths and heights (degrees), by azimuth; none where the land is flat.
    #[must_use]
    pub fn points(&self) -> &[(f64, f64)] {
        &self.points
    }

    /// Share of the sky's even light that is left (0..=1).
    #[must_use]
    pub fn open(&self) -> f64 {
        if self.points.is_empty() { 1.0 } else { self.open }
    }

    /// Whether the line is flat land.
    #[must_use]
    pub fn is_flat(&self) -> bool {
        self.points.is_empty()
    }
}
