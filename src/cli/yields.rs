//! `cresthold yield`: what a device would make of a year of weather.

mod device;

use super::Exit;
use super::curve::parse_number;
use super::place::{not_read, write};
use crate::daemon::crew;
use crate::daemon::yields::{Rig, year};
use crate::quantities::{Amps, Celsius, MetresPerSecond, Watts};
use crate::report::yields::{WeatherTold, YieldReport, hours_csv};
use crate::study::{BenchSettings, Contender, Plant};
use crate::yields::{
    Chain, Doubts, Hour, LoadLimits, Mount, Optics, Skyline, Suns, Taken, Weather, Within, Yield,
    read,
};
use clap::{Args, ValueEnum};
use cresthold_sim::device::{Bypass, Device, Substring};
use cresthold_sim::sky::incidence::Glass;
use cresthold_sim::sky::transpose::DiffuseSky;
use cresthold_sim::thermal::Cooling;
use device::{DeviceArgs, Stated};
use std::path::PathBuf;
use std::time::Duration;

/// The leap day, which typical years leave out.
const DAY: Duration = Duration::from_secs(86_400);
/// A longer jump is where a typical year goes from one year's month to another's.
const LONGEST_GAP: Duration = Duration::from_secs(20 * 86_400);
/// Fewer years of weather (of 365 days) are no year: seasons are missing.
const LEAST_YEAR: f64 = 0.95;
/// Share of the light that may come while the sun is down: hours at dawn and dusk, some minutes of a clock.
const MOST_IN_THE_DARK: f64 = 0.02;
/// Draws at least, but for none, and at most: few tell nothing of rare years, and a mistyped number shall
/// not run for days.
const LEAST_DRAWS: u64 = 100;
const MOST_DRAWS: u64 = 1_000_000;

/// Work out what a device would make of a year of weather: by month, where the rest goes, how sure
///
/// Sun, direct and diffuse light, light on the plane, skyline, dirt, glass, cell temperature, single diode:
/// the power at the crest of every hour, of which the tracker takes its share. A concentrator takes direct
/// light only, within its angle of acceptance.
///
/// Weather files: typical years and stations' files as EPW or TMY3, and plain CSV, whose first lines and
/// columns are
///
///   # name: test yard
///   # latitude: 46.8
///   # longitude: 6.9
///   # elevation: 491
///   start,global (W/m2),direct (W/m2),diffuse (W/m2),air (degC),wind (m/s),albedo
///   2021-06-01T10:00:00+01:00,712,640,150,18.4,2.1,0.2
///
/// of which start, air and (but for a concentrator) global are needed; direct is the direct normal.
#[derive(Debug, Args)]
#[command(
    verbatim_doc_comment,
    after_help = "Examples:
  cresthold yield year.epw --device crystalline-module --tilt 35 --azimuth 180
  cresthold yield year.csv --data-sheet isc=9.43,voc=38.3,imp=8.71,vmp=31.0,alpha=0.00566,beta=-0.138 \\
      --count 12 --tilt 20 --soiling 2 --tracked 99.98
  cresthold yield year.csv --station yard.toml --channel module-1 --json > module-1.json
  cresthold yield year.epw --device receiver --two-axis --acceptance 0.8 --pointing 0.2
  cresthold yield year.epw --tilt 35 --seconds --tracker perturb-and-observe:step_volts=0.5% --load-amps 9
  cresthold yield year.epw --one-axis --skyline 90:12,120:4,270:8 --hours hours.csv --draws 1000

The share that a tracker takes is what `cresthold compare` finds. The doubts of the spread are standard
uncertainties (k = 1); state your own where you know them.

Exit codes: 0 done; 2 command line; 3 the weather or the station file has mistakes; 6 a file can't be
read or written."
)]
pub(super) struct WorkOutYield {
    /// The weather: EPW, TMY3 or plain CSV
    weather: PathBuf,
    #[command(flatten)]
    device: DeviceArgs,
    #[command(flatten)]
    mounting: MountArgs,
    #[command(flatten)]
    light: LightArgs,
    #[command(flatten)]
    doubts: DoubtArgs,
    /// Share of the crest's energy that the tracker takes (%) [100]
    #[arg(long, value_name = "%", value_parser = parse_tracked, conflicts_with = "seconds")]
    tracked: Option<f64>,
    #[command(flatten)]
    seconds: SecondsArgs,
    /// Print JSON instead of tables
    #[arg(long)]
    json: bool,
    /// Write every hour as CSV, from the hours' means
    #[arg(long, value_name = "FILE.csv")]
    hours: Option<PathBuf>,
}

#[derive(Debug, Args)]
#[command(next_help_heading = "Mounting")]
struct MountArgs {
    /// Of a fixed plane, or of the one axis, from the horizontal (degrees) [default: fixed: the
    /// latitude; one axis: 0]
    #[arg(long, value_name = "DEG", value_parser = parse_number, conflicts_with = "two_axis")]
    tilt: Option<f64>,
    /// Where the plane, or the axis's lower end, faces, clockwise from north (degrees) [default:
    /// towards the equator]
    #[arg(long, value_name = "DEG", value_parser = parse_number, conflicts_with = "two_axis")]
    azimuth: Option<f64>,
    /// Turning about one axis, this far to either side (degrees) [60]; the weather file goes before it,
    /// or write --one-axis=60
    #[arg(long, value_name = "DEG", num_args = 0..=1, default_missing_value = "60",
          value_parser = parse_number, conflicts_with = "two_axis")]
    one_axis: Option<f64>,
    /// Facing the sun
    #[arg(long)]
    two_axis: bool,
    /// A concentrator: half angle of acceptance (degrees)
    #[arg(long, value_name = "DEG", value_parser = parse_number, requires = "two_axis")]
    acceptance: Option<f64>,
    /// Its pointing error, standard deviation on each axis (degrees)
    #[arg(long, value_name = "DEG", value_parser = parse_number, default_value_t = 0.0,
          requires = "acceptance")]
    pointing: f64,
}

#[derive(Clone, Copy, Debug, ValueEnum)]
enum Sky {
    /// Equally bright everywhere
    Isotropic,
    /// Brighter about the sun
    HayDavies,
    /// Brighter about the sun and at the horizon
    Perez,
}

#[derive(Debug, Args)]
#[command(next_help_heading = "Light")]
struct LightArgs {
    /// How the diffuse light is spread
    #[arg(long, value_enum, default_value_t = Sky::Perez)]
    sky: Sky,
    /// What covers the cells: common, bare, ashrae:B or martin-ruiz:A
    #[arg(long, value_name = "GLASS", default_value = "common", value_parser = parse_glass)]
    glass: Glass,
    /// Light lost to dirt (%): one number, or twelve from January
    #[arg(long, value_name = "%,...", value_delimiter = ',', value_parser = parse_percent)]
    soiling: Vec<f64>,
    /// The horizon's line: heights (degrees) at azimuths (degrees)
    #[arg(long, value_name = "AZIMUTH:HEIGHT,...", value_delimiter = ',', value_parser = parse_point)]
    skyline: Vec<(f64, f64)>,
    /// What the ground reflects where the weather doesn't say (0..=1)
    #[arg(long, value_name = "SHARE", value_parser = parse_number)]
    albedo: Option<f64>,
    /// Wind where the weather doesn't say (m/s) [1]
    #[arg(long, value_name = "M/S", value_parser = parse_wind, allow_hyphen_values = true)]
    wind: Option<f64>,
}

#[derive(Debug, Args)]
#[command(next_help_heading = "How sure (standard uncertainties, k = 1)")]
struct DoubtArgs {
    /// Years to draw; 0 for none
    #[arg(long, value_name = "N", default_value_t = 1000, value_parser = parse_draws)]
    draws: u64,
    /// Seed of the draws
    #[arg(long, value_name = "SEED", default_value_t = 1)]
    seed: u64,
    /// Of a year's light, from year to year (%) [what five whole years or more of weather tell, else 4]
    #[arg(long, value_name = "%", value_parser = parse_percent)]
    doubt_year: Option<f64>,
    /// Of the weather's light (%) [2]
    #[arg(long, value_name = "%", value_parser = parse_percent)]
    doubt_light: Option<f64>,
    /// Of the light on the plane, given that (%) [1.5]
    #[arg(long, value_name = "%", value_parser = parse_percent)]
    doubt_plane: Option<f64>,
    /// Of the cell temperature (K) [2]
    #[arg(long, value_name = "K", value_parser = parse_doubt, allow_hyphen_values = true)]
    doubt_cell: Option<f64>,
    /// Of the rating (%) [0.8]
    #[arg(long, value_name = "%", value_parser = parse_percent)]
    doubt_rating: Option<f64>,
    /// Of the power's temperature coefficient (%/K) [0.02]
    #[arg(long, value_name = "%/K", value_parser = parse_percent)]
    doubt_slope: Option<f64>,
    /// Of the dirt (%) [1]
    #[arg(long, value_name = "%", value_parser = parse_percent)]
    doubt_soiling: Option<f64>,
}

#[derive(Debug, Args)]
#[command(next_help_heading = "Second by second")]
struct SecondsArgs {
    /// Make seconds of the hours, with the moving clouds that fit each, and let the controller of the
    /// field go through them with one turn a second: what it, the load's limits and the hours' means
    /// cost
    #[arg(long)]
    seconds: bool,
    /// Its tracker, as for `compare`
    #[arg(long, value_name = "TRACKER", default_value = "crest-line", value_parser = Contender::new,
          requires = "seconds")]
    tracker: Contender,
    /// Largest current of the load of one device (A)
    #[arg(long, value_name = "A", value_parser = parse_limit, requires = "seconds")]
    load_amps: Option<f64>,
    /// Largest power of the load of one device (W)
    #[arg(long, value_name = "W", value_parser = parse_limit, requires = "seconds")]
    load_watts: Option<f64>,
    /// Threads (all processors)
    #[arg(long, value_name = "N", requires = "seconds")]
    threads: Option<usize>,
    /// Show no progress
    #[arg(long, requires = "seconds")]
    quiet: bool,
}

/// Why there is no yield.
type Failure = (Exit, String);

fn usage(error: impl std::fmt::Display) -> Failure {
    (Exit::Usage, error.to_string())
}

impl WorkOutYield {
    pub(super) fn carry_out(&self) -> Exit {
        match self.work_out() {
            Ok(()) => Exit::Done,
            Err((exit, text)) => {
                tell!("{text}");
                exit
            }
        }
    }

    fn work_out(&self) -> Result<(), Failure> {
        if let Some(hours) = &self.hours {
            not_read(hours, &self.weather)?;
            self.device.station().map_or(Ok(()), |station| not_read(hours, station))?;
        }
        let stated = self.device.stated()?;
        let weather = self.weather()?;
        let chain = self.chain(&stated, &weather)?;
        let suns = Suns::of(&weather);
        self.check_times(&weather, &suns)?;
        let found = chain.run(&weather, &suns).map_err(|error| self.of_chain(&error))?;
        let (taken, words) = self.taken(&stated, &chain, (&weather, &suns), &found)?;
        let losses = chain.losses(&found, &taken).map_err(|error| self.of_chain(&error))?;
        let draws = usize::try_from(self.doubts.draws).unwrap_or(usize::MAX);
        let spread = match draws {
            0 => None,
            _ if weather.years() < LEAST_YEAR => None,
            _ => Some(
                chain
                    .spread(&weather, &found, &self.doubts.doubts(), (draws, self.doubts.seed))
                    .map_err(|error| self.of_chain(&error))?,
            ),
        };
        if let Some(path) = &self.hours {
            write(path, &hours_csv(&weather, &found, self.always()))?;
        }
        let told = WeatherTold::of(&self.weather.display().to_string(), &weather);
        let mut assumed = assumed(&stated, &chain, &found);
        assumed.push(("tracker", words));
        let notes = notes(&weather, &chain).into_iter().map(|note| ("note", note));
        assumed.extend(notes);
        if draws > 0 && spread.is_none() {
            let note = "not a year of weather: how sure a year of it is, is not told";
            assumed.push(("note", note.to_owned()));
        }
        let report = YieldReport::new(told, assumed, (&found, &taken), &losses, spread.as_ref());
        if self.json {
            let text = serde_json::to_string_pretty(&report)
                .map_err(|error| (Exit::System, format!("the yield can't be written: {error}")))?;
            sayln!("{text}");
        } else {
            say!("{}", report.table());
        }
        Ok(())
    }

    fn weather(&self) -> Result<Weather, Failure> {
        let file = self.weather.display();
        let bytes = std::fs::read(&self.weather).map_err(|error| {
            (Exit::System, format!("{file}: can't be read: {error}; check the path"))
        })?;
        // Places' names in older files are in other alphabets than UTF-8; nothing else is.
        read::weather(&String::from_utf8_lossy(&bytes))
            .map_err(|error| (Exit::Station, format!("{file}:{}: {}", error.line, error.what)))
    }

    /// Refuses weather whose light doesn't come with the sun.
    fn check_times(&self, weather: &Weather, suns: &Suns) -> Result<(), Failure> {
        let share = suns.light_in_the_dark(weather);
        if share <= MOST_IN_THE_DARK {
            return Ok(());
        }
        let file = self.weather.display();
        let text = format!(
            "{file}: {:.0} % of its light comes while the sun is down at {:.3} degrees north, {:.3} degrees \
             east: look after longitude (west is negative), zone and times",
            share * 100.0,
            weather.site.latitude(),
            weather.site.longitude()
        );
        Err((Exit::Station, text))
    }

    /// The share that is always taken; none where each second has its own.
    fn always(&self) -> Option<f64> {
        (!self.seconds.seconds).then(|| self.tracked.unwrap_or(1.0))
    }

    /// A row that lacks something is the file's mistake, all else the options'.
    fn of_chain(&self, error: &crate::yields::ChainError) -> Failure {
        match error {
            crate::yields::ChainError::Missing { .. } => {
                (Exit::Station, format!("{}: {error}", self.weather.display()))
            }
            other => usage(other),
        }
    }

    fn chain(&self, stated: &Stated, weather: &Weather) -> Result<Chain, Failure> {
        let mount = self.mounting.mount(stated, weather);
        let mut chain = Chain::new(stated.generator, mount);
        chain.optics = self
            .mounting
            .acceptance
            .map(|acceptance| Optics { acceptance, pointing: self.mounting.pointing });
        if stated.concentrator && chain.optics.is_none() {
            return Err(usage(
                "this device is a concentrator's receiver: state --two-axis and the half angle of \
                 --acceptance in degrees, such as 0.8",
            ));
        }
        let light = &self.light;
        chain.sky = match light.sky {
            Sky::Isotropic => DiffuseSky::Isotropic,
            Sky::HayDavies => DiffuseSky::HayDavies,
            Sky::Perez => DiffuseSky::Perez,
        };
        chain.glass = light.glass;
        chain.soiling = match light.soiling.as_slice() {
            [] => [0.0; 12],
            [one] => [*one; 12],
            many => many.try_into().map_err(|_| {
                usage(format!("--soiling has {} numbers: give one, or twelve", many.len()))
            })?,
        };
        chain.skyline = Skyline::new(light.skyline.clone()).map_err(usage)?;
        chain.albedo = light.albedo.unwrap_or(chain.albedo);
        chain.wind = light.wind.map_or(chain.wind, MetresPerSecond);
        chain.check().map_err(usage)?;
        Ok(chain)
    }

    /// What is taken of the crest's energy, and by what, in words.
    fn taken(
        &self,
        stated: &Stated,
        chain: &Chain,
        (weather, suns): (&Weather, &Suns),
        found: &Yield,
    ) -> Result<(Taken, String), Failure> {
        let with = &self.seconds;
        if !with.seconds {
            let share = self.tracked.unwrap_or(1.0);
            let words = format!("takes {:.3} % of the crest's energy", share * 100.0);
            return Ok((Taken::always(share), words));
        }
        let seed = self.doubts.seed;
        let within =
            Within::new(chain, weather, suns, seed).map_err(|error| self.of_chain(&error))?;
        let whole =
            Substring { reference: chain.generator.reference, mismatch: 1.0, bypass: Bypass::None };
        let plant = Plant::new(&stated.words, Device::new(vec![whole]).map_err(usage)?);
        let limit = |stated: Option<f64>| stated.unwrap_or(f64::INFINITY);
        let limits =
            LoadLimits { amps: Amps(limit(with.load_amps)), watts: Watts(limit(with.load_watts)) };
        let rig = Rig {
            tracker: with.tracker.tracker(&plant).map_err(usage)?,
            bench: BenchSettings::slow(),
            plant,
            limits: (with.load_amps.is_some() || with.load_watts.is_some()).then_some(limits),
            seed,
        };
        let threads = with.threads.unwrap_or_else(crew::all_threads);
        let (days, turns) = year(&within, &rig, threads, with.quiet).map_err(usage)?;
        let words = format!(
            "{}, {turns} turns of {} s; clouds and noise of seed {seed}",
            with.tracker.text(),
            rig.bench.period.as_secs_f64()
        );
        Ok((Taken::by_seconds(found, &days), words))
    }
}

/// What the weather lacks and the chain made up.
fn notes(weather: &Weather, chain: &Chain) -> Vec<String> {
    let hours = &weather.hours;
    let count = |lacks: &dyn Fn(&Hour) -> bool| hours.iter().filter(|hour| lacks(hour)).count();
    let calm = count(&|hour| hour.wind.is_none());
    let decomposed = count(&|hour| {
        let lit = hour.global.is_some_and(|global| global.0 > 0.0);
        lit && hour.direct.is_none() && hour.diffuse.is_none()
    });
    let gaps = hours.windows(2).filter(|pair| {
        let apart = pair[1].start.saturating_since(pair[0].start);
        let leap_day = pair[0].month != pair[1].month && apart == weather.span + DAY;
        apart > weather.span && apart < LONGEST_GAP && !leap_day
    });
    let mut notes = Vec::new();
    if calm > 0 && chain.optics.is_none() {
        notes.push(format!("{calm} spans without wind: {:.1} taken", chain.wind));
    }
    if decomposed > 0 {
        notes.push(format!("{decomposed} spans with global light only: shared out after Erbs"));
    }
    let gaps = gaps.count();
    if gaps > 0 {
        notes.push(format!("gaps between spans: {gaps}; nothing is counted there"));
    }
    notes
}

/// What the yield rests on, in words.
fn assumed(stated: &Stated, chain: &Chain, found: &Yield) -> Vec<(&'static str, String)> {
    let count = match chain.generator.count {
        1 => String::new(),
        count => format!("{count} times "),
    };
    let mount = match (chain.mount, chain.optics) {
        (Mount::Fixed { tilt, azimuth }, _) => {
            format!("fixed, tilt {tilt:.1} degrees, azimuth {azimuth:.1} degrees from north")
        }
        (Mount::OneAxis { tilt, azimuth, range }, _) => format!(
            "one axis, tilt {tilt:.1} degrees, azimuth {azimuth:.1} degrees from north, turning by \
             {range:.0} degrees"
        ),
        (Mount::TwoAxis, Some(Optics { acceptance, pointing })) => format!(
            "two axes, direct light only, within {acceptance} degrees, pointing to {pointing} degrees"
        ),
        (Mount::TwoAxis, None) => "two axes, facing the sun".to_owned(),
    };
    let least = chain.soiling.iter().copied().fold(f64::INFINITY, f64::min) * 100.0;
    let most = chain.soiling.iter().copied().fold(0.0, f64::max) * 100.0;
    let dirt = if least < most { format!("{least} to {most}") } else { format!("{most}") };
    let light = if chain.optics.is_some() {
        format!("dirt {dirt} %")
    } else {
        let sky = match chain.sky {
            DiffuseSky::Isotropic => "isotropic",
            DiffuseSky::HayDavies => "Hay and Davies",
            DiffuseSky::Perez => "Perez",
        };
        let (glass, ground) = (glass_words(&chain.glass), chain.albedo);
        format!("{sky} sky, {glass}, ground reflects {ground}, dirt {dirt} %")
    };
    let cooling = match chain.generator.thermal.cooling {
        Cooling::Wind { u0, u1 } => format!("{u0} + {u1} v W/(m2 K), v the wind in m/s"),
        Cooling::Sink { resistance } => format!("a heat sink of {resistance} K m2/W"),
    };
    let skyline = match chain.skyline.points() {
        [] => "flat".to_owned(),
        points => points.iter().map(|(a, h)| format!("{a}:{h}")).collect::<Vec<_>>().join(","),
    };
    vec![
        ("device", format!("{count}{}; {:.1} rated", stated.words, found.rated)),
        ("mount", mount),
        ("light", light),
        ("skyline", skyline),
        ("cooling", cooling),
    ]
}

impl MountArgs {
    fn mount(&self, stated: &Stated, weather: &Weather) -> Mount {
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

impl DoubtArgs {
    fn doubts(&self) -> Doubts {
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

fn glass_words(glass: &Glass) -> String {
    match glass {
        Glass::Bare => "no glass".to_owned(),
        Glass::Ashrae { b } => format!("glass after ASHRAE, b {b}"),
        Glass::Physical { index, extinction, thickness } => {
            format!("glass of index {index}, {extinction} 1/m, {:.1} mm", thickness * 1e3)
        }
        Glass::MartinRuiz { a } => format!("glass after Martin and Ruiz, a {a}"),
    }
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
fn parse_tracked(text: &str) -> Result<f64, String> {
    let share = parse_percent(text).ok().filter(|x| *x >= 0.5);
    share.ok_or_else(|| "write percent, within 50..=100, such as 99.98".to_owned())
}

fn parse_limit(text: &str) -> Result<f64, String> {
    let number = parse_number(text).ok().filter(|x| *x > 0.0);
    number.ok_or_else(|| "write a number above 0".to_owned())
}

/// Percent as a share.
fn parse_percent(text: &str) -> Result<f64, String> {
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
