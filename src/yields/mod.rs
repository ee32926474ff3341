//! Energy before the campaign: what a device would yield at a place, from a year of weather.
//!
//! Pure: weather's text in, energy by hour, month and year out. [`read`] takes the files, [`Weather`] holds
//! them, [`Chain`] says what stands there, [`Chain::run`] reckons, [`Chain::losses`] tells where the rest
//! went, and [`Chain::spread`] how sure all that is. [`Chain::expected`] reckons from light and warmth that a
//! campaign measured.
//!
//! ```
//! use cresthold::quantities::MetresPerSecond;
//! use cresthold::yields::{Chain, Converter, Generator, Mount, Suns, read};
//! use cresthold_sim::device::examples::crystalline_reference;
//! use cresthold_sim::sky::plane::GRASS_ALBEDO;
//! use cresthold_sim::thermal::ThermalParams;
//! let text = "# latitude: 46.8\n# longitude: 6.9\n# elevation: 491\n\
//!             start,global (W/m2),air (degC),wind (m/s)\n\
//!             2021-06-01T11:00:00+01:00,812,18.4,1.5\n2021-06-01T12:00:00+01:00,855,19.0,2.0\n";
//! let weather = read::weather(text).unwrap();
//! let generator = Generator {
//!     converter: Converter::Diode(crystalline_reference()), count: 1, thermal: ThermalParams::OPEN_RACK,
//! };
//! let chain = Chain::new(generator, Mount::Fixed { tilt: 30.0, azimuth: 180.0 });
//! let found = chain.run(&weather, &Suns::of(&weather)).unwrap();
//! // Two bright hours of a 270 W module, warm: between 80 and 95 % of its rating.
//! assert!((430.0..515.0).contains(&found.total.energy.0), "{}", found.total.energy);
//! assert_eq!(found.months[5].energy, found.total.energy);
//! ```
//!
//! Rejected: one number from yearly irradiation and a performance ratio (the ratio is what one wants to
//! know), and a model of inverters (the device is held by a load).

mod chain;
mod light;
mod losses;
mod matrix;
mod mounting;
mod optics;
mod over_back;
pub mod read;
mod seconds;
mod seen;
mod skyline;
mod spread;
mod sums;
mod weather;

pub use chain::{Chain, ChainError, Converter, Exposure, Generator, Suns};
pub use losses::{Losses, Taken, TakenDay};
pub use matrix::{Matrix, MatrixError};
pub use mounting::Mount;
pub use optics::Optics;
pub use over_back::OverBack;
pub use seconds::{Daylight, LoadLimits, Within};
pub use seen::Seen;
pub use skyline::{Skyline, SkylineError};
pub use spread::{Doubts, Spread, Term, USUAL_YEAR};
pub use sums::{Sums, Yield};
pub use weather::{Hour, Weather};
