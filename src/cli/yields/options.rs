//! The options of `cresthold yield` but for the device, and how their values are read.

use super::device::Stated;
use crate::cli::curve::parse_number;
use crate::quantities::Celsius;
use crate::study::Contender;
use crate::yields::{Doubts, Mount, Optics, Weather};
use clap::{Args, ValueEnum};
use cresthold_sim::sky::incidence::Glass;
use cresthold_sim::sky::spectrum::Absorber;

/// Draws at least, but for none, and at most: few tell nothing of rare years, and a mistyped number shall
/// not run for days.
const LEAST_DRAWS: u64 = 100;
const MOST_DRAWS: u64 = 1_000_000;

#[derive(Debug, Args)]
#[command(next_help_heading = "Mounting")]
pub(super) struct MountArgs {
    /// Of a fixed plane, or of the one axis, from the horizontal (degrees) [default: fixed: the
    /// latitude; one axis: 0]
    #[arg(long, value_name = "DEG", value_parser = parse_number, conflicts_with = "two_axis")]
    pub(super) tilt: Option<f64>,
    /// Where the plane, or the axis's lower end, faces, clockwise from north (degrees) [default:
    /// towards the equator]
    #[arg(long, value_name = "DEG", value_parser = parse_number, conflicts_with = "two_axis")]
    pub(super) azimuth: Option<f64>,
    /// Turning about one axis, this far to either side (degrees) [60]; the weather file goes before it,
    /// or write --one-axis=60
    #[arg(long, value_name = "DEG", num_args = 0..=1, default_missing_value = "60",
          value_parser = parse_number, conflicts_with = "two_axis")]
    pub(super) one_axis: Option<f64>,
    /// Facing the sun
    #[arg(long)]
    pub(super) two_axis: bool,
    /// A concentrator: half angle of acceptance (degrees)
    #[arg(long, value_name = "DEG", value_parser = parse_number, requires = "two_axis")]
    pub(super) acceptance: Option<f64>,
    /// Its pointing error, standard deviation on each axis (degrees)
    #[arg(long, value_name = "DEG", value_parser = parse_number, default_value_t = 0.0,
          requires = "acceptance")]
    pub(super) pointing: f64,
}

#[derive(Clone, Copy, Debug, ValueEnum)]
pub(super) enum Sky {
    /// Equally bright everywhere
    Isotropic,
    /// Brighter about the sun
    HayDavies,
    /// Brighter about the sun and at the horizon
    Perez,
}

#[derive(Clone, Copy, Debug, ValueEnum)]
pub(super) enum Spectrum {
    /// Monocrystalline silicon
    MonoSilicon,
    /// Multicrystalline silicon
    MultiSilicon,
    /// Amorphous silicon
    AmorphousSilicon,
    /// Cadmium telluride
    CadmiumTelluride,
    /// Copper indium gallium selenide
    Cigs,
}

#[derive(Debug, Args)]
#[command(next_help_heading = "Light")]
pub(super) struct LightArgs {
    /// How the diffuse light is spread
    #[arg(long, value_enum, default_value_t = Sky::Perez)]
    pub(super) sky: Sky,
    /// What covers the cells: common, bare, ashrae:B or martin-ruiz:A
    #[arg(long, value_name = "GLASS", default_value = "common", value_parser = parse_glass)]
    pub(super) glass: Glass,
    /// Light lost to dirt (%): one number, or twelve from January
    #[arg(long, value_name = "%,...", value_delimiter = ',', value_parser = parse_percent)]
    pub(super) soiling: Vec<f64>,
    /// What absorbs the light, where the weather knows the air's water: the light's colour counts
    #[arg(long, value_enum)]
    pub(super) spectrum: Option<Spectrum>,
    /// The horizon's line: heights (degrees) at azimuths (degrees)
    #[arg(long, value_name = "AZIMUTH:HEIGHT,...", value_delimiter = ',', value_parser = parse_point)]
    pub(super) skyline: Vec<(f64, f64)>,
    /// What the ground reflects where the weather doesn't say (0..=1)
    #[arg(long, value_name = "SHARE", value_parser = parse_number)]
    pub(super) albedo: Option<f64>,
    /// Wind where the weather doesn't say (m/s) [1]
    #[arg(long, value_name = "M/S", value_parser = parse_wind, allow_hyphen_values = true)]
    pub(super) wind: Option<f64>,
}

#[derive(Debug, Args)]
#[command(next_help_heading = "How sure (standard uncertainties, k = 1)")]
pub(super) struct DoubtArgs {
    /// Years to draw; 0 for none
    #[arg(long, value_name = "N", default_value_t = 1000, value_parser = parse_draws)]
    pub(super) draws: u64,
    /// Seed of the draws
    #[arg(long, value_name = "SEED", default_value_t = 1)]
    pub(super) seed: u64,
    /// Of a year's light, from year to year (%) [what five whole years or more of weather tell, else 4]
    #[arg(long, value_name = "%", value_parser = parse_percent)]
    pub(super) doubt_year: Option<f64>,
    /// Of the weather's light (%) [2]
    #[arg(long, value_name = "%", value_parser = parse_percent)]
    pub(super) doubt_light: Option<f64>,
    /// Of the light on the plane, given that (%) [1.5]
    #[arg(long, value_name = "%", value_parser = parse_percent)]
    pub(super) doubt_plane: Option<f64>,
    /// Of the cell temperature (K) [2]
    #[arg(long, value_name = "K", value_parser = parse_doubt, allow_hyphen_values = true)]
    pub(super) doubt_cell: Option<f64>,
    /// Of the rating (%) [0.8]
    #[arg(long, value_name = "%", value_parser = parse_percent)]
    pub(super) doubt_rating: Option<f64>,
    /// Of the power's temperature coefficient (%/K) [0.02]
    #[arg(long, value_name = "%/K", value_parser = parse_percent)]
    pub(super) doubt_slope: Option<f64>,
    /// Of the dirt (%) [1]
    #[arg(long, value_name = "%", value_parser = parse_percent)]
    pub(super) doubt_soiling: Option<f64>,
}

#[derive(Debug, Args)]
#[command(next_help_heading = "Second by second")]
pub(super) struct SecondsArgs {
    /// Make seconds of the hours, with the moving clouds that fit each, and let the controller of the
    /// field go through them with one turn a second: what it, the load's limits and the hours' means
    /// cost
    #[arg(long)]
    pub(super) seconds: bool,
    /// Its tracker, as for `compare`
    #[arg(long, value_name = "TRACKER", default_value = "crest-line", value_parser = Contender::new,
          requires = "seconds")]
    pub(super) tracker: Contender,
    /// Largest current of the load of one device (A)
    #[arg(long, value_name = "A", value_parser = parse_limit, requires = "seconds")]
    pub(super) load_amps: Option<f64>,
    /// Largest power of the load of one device (W)
    #[arg(long, value_name = "W", value_parser = parse_limit, requires = "seconds")]
    pub(super) load_watts: Option<f64>,
    /// Threads (all processors)
    #[arg(long, value_name = "N", requires = "seconds")]
    pub(super) threads: Option<usize>,
    /// Show no progress
    #[arg(long)]
    pub(super) quiet: bool,
}

impl MountArgs {
    /// A concentrator's aim.
    pub(super) fn optics(&self) -> Option<Optics> {
        self.acceptance.map(|acceptance| Optics { acceptance, pointing: self.pointing })
    }

    pub(super) fn mount(&self, stated: &Stated, weather: &Weather) -> Mount {
        let latitude = weather.site.latitude();
        let azimuth = self.azimuth.unwrap_or(if latitude < 0.0 { 0.0 } else { 180.0 });
        if self.two_axis {
            Mount::TwoAxis
        } else if let Some(range) = self.one_axis {
            Mount::OneAxis { tilt: self.tilt.unwrap_or(0.0), azimuth, range }
        } else if let (Some(mount), None, None) = (stated.mount, self.tilt, self.azimuth) {
            mount
        } else {
            Mount::Fixed { tilt: self.tilt.unwrap_or(latitude.abs()), azimuth }
        }
    }
}

impl LightArgs {
    /// The share of light lost to dirt by month; else what is wrong with it.
    pub(super) fn soiling(&self) -> Result<[f64; 12], String> {
        match self.soiling.as_slice() {
            [] => Ok([0.0; 12]),
            [one] => Ok([*one; 12]),
            many => many
                .try_into()
                .map_err(|_| format!("--soiling has {} numbers: give one, or twelve", many.len())),
        }
    }
}

impl Spectrum {
    pub(super) const fn absorber(self) -> Absorber {
        match self {
            Self::MonoSilicon => Absorber::MonoSilicon,
            Self::MultiSilicon => Absorber::MultiSilicon,
            Self::AmorphousSilicon => Absorber::AmorphousSilicon,
            Self::CadmiumTelluride => Absorber::CadmiumTelluride,
            Self::Cigs => Absorber::Cigs,
        }
    }
}

impl DoubtArgs {
    pub(super) fn doubts(&self) -> Doubts {
        let usual = Doubts::default();
        Doubts {
            year: self.doubt_year,
            light: self.doubt_light.unwrap_or(usual.light),
            plane: self.doubt_plane.unwrap_or(usual.plane),
            warmth: self.doubt_cell.map_or(usual.warmth, Celsius),
            rating: self.doubt_rating.unwrap_or(usual.rating),
            slope: self.doubt_slope.unwrap_or(usual.slope),
            dirt: self.doubt_soiling.unwrap_or(usual.dirt),
        }
    }
}

fn parse_doubt(text: &str) -> Result<f64, String> {
    let number = parse_number(text).ok().filter(|x| *x >= 0.0);
    number.ok_or_else(|| "write kelvins, 0 or more".to_owned())
}

fn parse_draws(text: &str) -> Result<u64, String> {
    let range = LEAST_DRAWS..=MOST_DRAWS;
    let number = text.parse().ok().filter(|n| *n == 0 || range.contains(n));
    number.ok_or_else(|| format!("write 0 for none, or {LEAST_DRAWS} to {MOST_DRAWS}"))
}

fn parse_wind(text: &str) -> Result<f64, String> {
    let number = parse_number(text).ok().filter(|x| (0.0..=40.0).contains(x));
    number.ok_or_else(|| "write metres per second, 0 to 40".to_owned())
}

/// Most of the crest, in percent: 0.98 is meant as a share.
pub(super) fn parse_tracked(text: &str) -> Result<f64, String> {
    let share = parse_percent(text).ok().filter(|x| *x >= 0.5);
    share.ok_or_else(|| "write percent, within 50..=100, such as 99.98".to_owned())
}

fn parse_limit(text: &str) -> Result<f64, String> {
    let number = parse_number(text).ok().filter(|x| *x > 0.0);
    number.ok_or_else(|| "write a number above 0".to_owned())
}

/// Percent as a share.
pub(super) fn parse_percent(text: &str) -> Result<f64, String> {
    let number = parse_number(text.trim_end_matches('%')).ok();
    let share = number.map(|x| x / 100.0).filter(|x| (0.0..=1.0).contains(x));
    share.ok_or_else(|| "write percent, within 0..=100".to_owned())
}

fn parse_point(text: &str) -> Result<(f64, f64), String> {
    let pair = text.split_once(':');
    let pair = pair.and_then(|(a, b)| parse_number(a).ok().zip(parse_number(b).ok()));
    pair.ok_or_else(|| "write AZIMUTH:HEIGHT in degrees, such as 90:12".to_owned())
}

fn parse_glass(text: &str) -> Result<Glass, String> {
    let wrong = || "choose common, bare, ashrae:B or martin-ruiz:A, such as ashrae:0.05".to_owned();
    let glass = match text.split_once(':') {
        None if text == "common" => Glass::default(),
        None if text == "bare" => Glass::Bare,
        Some(("ashrae", b)) => Glass::Ashrae { b: parse_number(b).map_err(|_| wrong())? },
        Some(("martin-ruiz", a)) => Glass::MartinRuiz { a: parse_number(a).map_err(|_| wrong())? },
        _ => return Err(wrong()),
    };
    glass.check().map_err(|error| error.to_string())
}
