//! A recorded day as a sky: what was measured minute by minute, with seconds drawn in between.
//!
//! Model: [`Day`] holds the record, [`RecordedSky`] plays it. Within a minute the global
//! irradiance has 4 Hz points (linear in between) whose mean is the record's exactly and which,
//! where the record has statistics, keep to its minimum and maximum, reach them, and have its
//! standard deviation (module `synthesis`). Where it has none, the minutes' means are joined by
//! parabolas that keep each mean. A minute is drawn from the seed, its own time and its neighbours'
//! records alone, so any minute can be asked for first, and memory doesn't grow.
//!
//! The direct component keeps its recorded mean exactly too. It swings with the global, as the
//! beam is what clouds interrupt, between zero and the largest direct mean of the quarter-hour
//! around (by 1 %). The diffuse component is the remainder, so global = direct cos z + diffuse
//! holds at every moment; the mean of the diffuse then differs from the record by what the record
//! itself fails to close (some W/m2, instrument error). Where a record has more direct light than
//! global (a low sun), the diffuse is zero and the three don't close.
//!
//! Edges: with the sun more than 6 degrees below the horizon everything is zero; with it below the
//! horizon the direct is zero, and the mean of a minute in which it rises or sets isn't kept.
//! Before and after the record the sky is dark, air and wind stay as at the record's ends.
//!
//! All places see the same: one pyranometer says nothing about its surroundings. For a field in
//! space see the moving clouds.
//!
//! ```
//! use cresthold_sim::sky::{Place, Sky, recorded::{RecordedSky, embedded_payerne}};
//! let (day, site) = embedded_payerne();
//! let mut sky = RecordedSky::new(day, site, 1);
//! let start = "2016-06-15T10:14:00Z".parse::<cresthold_sim::time::Utc>().unwrap();
//! let quarter_second = std::time::Duration::from_millis(250);
//! let sum: f64 =
//!     (0..240).map(|i| sky.state(start + quarter_second * i, Place::default()).global.0).sum();
//! assert!((sum / 240.0 - 784.0).abs() < 1e-9 * 784.0); // the record: 784.0 W/m2
//! ```

mod day;
mod problem;
mod synthesis;

pub use day::{Day, LARGEST_DIRECT, LARGEST_GLOBAL, Minute, NIGHT_OFFSET, Spread};
pub use problem::{DayError, Fault, MOST_PROBLEMS, Problem};

use super::sun::{MINUTE_MICROS, Site, SunMinute};
use super::{Place, Sky, SkyState};
use crate::quantities::{Celsius, Irradiance, MetresPerSecond};
use crate::time::Utc;
use std::sync::Arc;
use synthesis::{POINTS, Ranks, Series, Target};

/// Wind where the record has none (m/s), a light breeze; see [`RecordedSky::with_wind`].
pub const DEFAULT_WIND: MetresPerSecond = MetresPerSecond(2.0);
/// Cosine of the zenith angle at which civil twilight ends, 6 degrees below the horizon.
const DARK: f64 = -0.104_528;
/// Minutes around one whose largest direct mean bounds its direct component.
const CAP_MINUTES: usize = 7;
/// How far that bound lies above the largest mean: fluctuation of a clear beam.
const CAP_MARGIN: f64 = 1.01;
/// Below this cosine of the zenith angle (3 degrees above the horizon) swings of the global are no
/// longer divided by it in full, nor is a blank component derived by it.
const LOW_SUN: f64 = 0.05;
/// Microseconds between two points.
const POINT_MICROS: i64 = 250_000;

/// The recorded day of broken cloud that comes with this crate, and its site.
///
/// BSRN station Payerne, 2016-06-15: see `sim/data/README.md`.
#[must_use]
pub fn embedded_payerne() -> (Day, Site) {
    let text = include_str!("../../data/payerne-2016-06-15.csv");
    let day = Day::parse("payerne-2016-06-15.csv", text).expect("the committed record is whole");
    let site = Site::new(46.815, 6.944, 491.0).expect("Payerne lies on the earth");
    (day, site)
}

/// The recorded clear morning that comes with this crate, and its site.
///
/// SURFRAD station Alamosa, 2016-01-01, from night to noon: see `sim/data/README.md`.
#[must_use]
pub fn embedded_alamosa() -> (Day, Site) {
    let text = include_str!("../../data/alamosa-2016-01-01-morning.csv");
    let name = "alamosa-2016-01-01-morning.csv";
    let day = Day::parse(name, text).expect("the committed record is whole");
    let site = Site::new(37.70, -105.92, 2317.0).expect("Alamosa lies on the earth");
    (day, site)
}

/// A recorded day, played.
#[derive(Clone, Debug)]
pub struct RecordedSky {
    day: Arc<Day>,
    site: Site,
    seed: u64,
    wind: MetresPerSecond,
    ranks: Ranks,
    now: Drawn,
    next: Drawn,
}

/// One minute, drawn.
#[derive(Clone, Debug)]
struct Drawn {
    /// Minutes since the record's start; outside the record too.
    index: i64,
    global: [f64; POINTS + 1],
    direct: [f64; POINTS + 1],
    sun: SunMinute,
    air: [f64; 2],
    wind: [f64; 2],
}

impl RecordedSky {
    /// Plays `day`, recorded at `site`; `seed` chooses what happens within the minutes. Where the
    /// record has no wind it blows with [`DEFAULT_WIND`].
    #[must_use]
    pub fn new(day: impl Into<Arc<Day>>, site: Site, seed: u64) -> Self {
        let day = day.into();
        let sun = SunMinute::new(&site, day.start());
        let empty = Drawn {
            index: i64::MIN,
            global: [0.0; POINTS + 1],
            direct: [0.0; POINTS + 1],
            sun,
            air: [0.0; 2],
            wind: [0.0; 2],
        };
        let ranks = Ranks::new();
        Self { day, site, seed, wind: DEFAULT_WIND, ranks, now: empty.clone(), next: empty }
    }

    /// The same with `wind` where the record has none.
    #[must_use]
    pub fn with_wind(mut self, wind: MetresPerSecond) -> Self {
        self.wind = wind;
        (self.now.index, self.next.index) = (i64::MIN, i64::MIN);
        self
    }

    /// The record.
    #[must_use]
    pub fn day(&self) -> &Day {
        &self.day
    }

    /// Where it was recorded.
    #[must_use]
    pub const fn site(&self) -> Site {
        self.site
    }

    /// Makes `now` the minute with this index and joins its end to the next minute's first point.
    #[cold]
    fn turn_to(&mut self, index: i64) {
        if self.next.index == index {
            std::mem::swap(&mut self.now, &mut self.next);
        } else {
            let sun = SunMinute::new(&self.site, self.minute_start(index));
            self.now = self.draw(index, sun);
        }
        let sun = self.now.sun.next(&self.site, self.minute_start(index.saturating_add(1)));
        self.next = self.draw(index.saturating_add(1), sun);
        let inside = self.minute(index).is_some();
        if inside && self.minute(index.saturating_add(1)).is_none() {
            // The record ends here: its last point holds to the last.
            self.now.global[POINTS] = self.now.global[POINTS - 1];
            self.now.direct[POINTS] = self.now.direct[POINTS - 1];
        } else {
            self.now.global[POINTS] = self.next.global[0];
            self.now.direct[POINTS] = self.next.direct[0];
        }
        if !inside {
            (self.now.global, self.now.direct) = ([0.0; POINTS + 1], [0.0; POINTS + 1]);
        }
    }

    fn minute_start(&self, index: i64) -> Utc {
        let micros = index.saturating_mul(MINUTE_MICROS);
        Utc::from_micros(self.day.start().as_micros().saturating_add(micros))
    }

    fn minute(&self, index: i64) -> Option<&Minute> {
        usize::try_from(index).ok().and_then(|index| self.day.minutes().get(index))
    }

    /// The minute nearest to the index: the record's ends reach on.
    fn nearest(&self, index: i64) -> &Minute {
        let minutes = self.day.minutes();
        let index = usize::try_from(index).unwrap_or(0).min(minutes.len() - 1);
        &minutes[index]
    }

    fn draw(&self, index: i64, sun: SunMinute) -> Drawn {
        let around = [index.saturating_sub(1), index, index.saturating_add(1)];
        let edges = |value: &dyn Fn(&Minute) -> f64| {
            let [before, here, after] = around.map(|index| value(self.nearest(index)));
            [0.5 * (before + here), 0.5 * (here + after)]
        };
        let mut drawn = Drawn {
            index,
            global: [0.0; POINTS + 1],
            direct: [0.0; POINTS + 1],
            sun,
            air: edges(&|minute| minute.air.0),
            wind: edges(&|minute| minute.wind.unwrap_or(self.wind).0),
        };
        let ups = [sun.at(0.0).up, sun.at(1.0).up];
        let dark = ups[0] < DARK && ups[1] < DARK;
        if let (Some(minute), false) = (self.minute(index), dark) {
            let trend = self.trend(index, |minute, _| minute.global.0);
            let global = self.draw_global(index, minute, &trend);
            drawn.global[..POINTS].copy_from_slice(&global);
            if ups[0] > 0.0 || ups[1] > 0.0 {
                let direct = self.draw_direct(index, &global, &trend, &sun);
                drawn.direct[..POINTS].copy_from_slice(&direct);
            }
        }
        drawn
    }

    /// Parabola through the means of a minute and its neighbours.
    fn trend(&self, index: i64, value: impl Fn(&Minute, i64) -> f64) -> Series {
        let [before, here, after] = [index - 1, index, index + 1].map(|index| {
            let index = index.clamp(0, self.last_index());
            value(self.nearest(index), index)
        });
        let edges = [synthesis::edge(before, here), synthesis::edge(here, after)];
        synthesis::parabola(here, edges)
    }

    fn last_index(&self) -> i64 {
        i64::try_from(self.day.minutes().len() - 1).unwrap_or(i64::MAX)
    }

    fn draw_global(&self, index: i64, minute: &Minute, trend: &Series) -> Series {
        let Some(target) = target(minute) else { return *trend };
        let sorted = synthesis::sorted_values(&target, &self.ranks);
        let edges =
            [meeting(self.nearest(index - 1), minute), meeting(minute, self.nearest(index + 1))];
        let minute_of_time = self.minute_start(index).as_micros().div_euclid(MINUTE_MICROS);
        synthesis::draw(&sorted, self.seed, minute_of_time, edges)
    }

    fn draw_direct(&self, index: i64, global: &Series, trend: &Series, sun: &SunMinute) -> Series {
        let ups = up_series(sun);
        let direct = self.trend(index, |minute, index| self.direct_mean(minute, index));
        let swing: Series = std::array::from_fn(|i| (global[i] - trend[i]) / ups[i].max(LOW_SUN));
        let room: Series = std::array::from_fn(|i| global[i] / ups[i].max(f64::MIN_POSITIVE));
        let mut values = synthesis::beam(&direct, &swing, &room, self.cap(index));
        for (value, up) in values.iter_mut().zip(ups) {
            if up <= 0.0 {
                *value = 0.0;
            }
        }
        values
    }

    /// Bound of the direct component in this minute (W/m2).
    fn cap(&self, index: i64) -> f64 {
        let index = usize::try_from(index).unwrap_or(0);
        let minutes = self.day.minutes();
        let last = (index + CAP_MINUTES).min(minutes.len() - 1);
        let around = &minutes[index.saturating_sub(CAP_MINUTES).min(last)..=last];
        let largest = around.iter().filter_map(|minute| minute.direct).map(|direct| direct.0);
        CAP_MARGIN * largest.fold(0.0, f64::max)
    }

    /// The recorded direct mean, or what global and diffuse leave for it.
    fn direct_mean(&self, minute: &Minute, index: i64) -> f64 {
        minute.direct.map_or_else(
            || {
                let middle = self.minute_start(index).as_micros() + MINUTE_MICROS / 2;
                let up = self.site.sun(Utc::from_micros(middle)).up;
                let rest = minute.global.0 - minute.diffuse.map_or(minute.global.0, |d| d.0);
                if up > LOW_SUN { (rest / up).clamp(0.0, LARGEST_DIRECT) } else { 0.0 }
            },
            |direct| direct.0,
        )
    }
}

/// Heights of the sun at the points.
fn up_series(sun: &SunMinute) -> Series {
    let (from, to) = (sun.at(0.0).up, sun.at(1.0).up);
    #[expect(clippy::cast_precision_loss, reason = "at most 240")]
    std::array::from_fn(|index| from + (to - from) * (index as f64 / POINTS as f64))
}

/// What the minute's points have to meet; none where the record has no statistics.
fn target(minute: &Minute) -> Option<Target> {
    minute.spread.map(|_| target_of(minute))
}

/// The same, a minute without statistics being flat. The range is widened to hold the mean.
fn target_of(minute: &Minute) -> Target {
    let mean = minute.global.0;
    minute.spread.map_or(
        Target { mean, deviation: 0.0, least: mean, greatest: mean },
        |Spread { deviation, least, greatest }| Target {
            mean,
            deviation: deviation.0,
            least: least.0.min(mean),
            greatest: greatest.0.max(mean),
        },
    )
}

/// Global irradiance where two minutes meet (W/m2): a value that both records contain, or between
/// the two where none is.
fn meeting(before: &Minute, after: &Minute) -> f64 {
    let (before, after) = (target_of(before), target_of(after));
    let low = before.least.max(after.least);
    let high = before.greatest.min(after.greatest);
    let middle = 0.5 * (before.mean + after.mean);
    if low <= high { middle.clamp(low, high) } else { 0.5 * (low + high) }
}

impl Sky for RecordedSky {
    /// Time may go anywhere; going forward is fastest, as the next minute is drawn already.
    #[expect(clippy::cast_precision_loss, clippy::cast_sign_loss, reason = "within a minute")]
    #[expect(clippy::cast_possible_truncation, reason = "within a minute")]
    fn state(&mut self, at: Utc, _place: Place) -> SkyState {
        let since = at.as_micros().saturating_sub(self.day.start().as_micros());
        let index = since.div_euclid(MINUTE_MICROS);
        if index != self.now.index {
            self.turn_to(index);
        }
        let within = since.rem_euclid(MINUTE_MICROS);
        let point = (within / POINT_MICROS) as usize;
        let share = (within % POINT_MICROS) as f64 * (1.0 / POINT_MICROS as f64);
        let of_minute = within as f64 * (1.0 / MINUTE_MICROS as f64);
        let now = &self.now;
        let global = between(now.global[point], now.global[point + 1], share);
        let direct = between(now.direct[point], now.direct[point + 1], share);
        let sun = now.sun.at(of_minute);
        let diffuse = (global - direct * sun.up.max(0.0)).max(0.0);
        SkyState {
            global: Irradiance(global),
            direct: Irradiance(direct),
            diffuse: Irradiance(diffuse),
            air: Celsius(between(now.air[0], now.air[1], of_minute)),
            wind: MetresPerSecond(between(now.wind[0], now.wind[1], of_minute)),
            sun,
        }
    }
}

fn between(from: f64, to: f64, share: f64) -> f64 {
    from + (to - from) * share
}
