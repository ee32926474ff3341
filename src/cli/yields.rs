//! `cresthold yield`: what a device would make of a year of weather.

mod device;
mod logged;
mod options;
mod words;

use super::Exit;
use super::place::{is_database, not_read, table_name, write};
use crate::daemon::crew;
use crate::daemon::yields::{Rig, year};
use crate::quantities::{Amps, MetresPerSecond, Watts};
use crate::report::yields::{WeatherTold, YieldReport, hours_csv};
use crate::study::{BenchSettings, Plant};
use crate::yields::{Chain, LoadLimits, Skyline, Suns, Taken, Weather, Within, Yield, read};
use clap::Args;
use cresthold_sim::device::{Bypass, Device, Substring};
use cresthold_sim::sky::transpose::DiffuseSky;
use device::{DeviceArgs, Stated};
use logged::LogArgs;
use options::{DoubtArgs, LightArgs, MountArgs, SecondsArgs, Sky, Spectrum, parse_tracked};
use std::path::PathBuf;
use words::{assumed, notes};

/// Fewer years of weather (of 365 days) are no year: seasons are missing.
const LEAST_YEAR: f64 = 0.95;
/// Share of the light that may come while the sun is down: hours at dawn and dusk, some minutes of a clock.
const MOST_IN_THE_DARK: f64 = 0.02;

/// Work out what a device would make of a year of weather: by month, where the rest goes, how sure
///
/// Sun, direct and diffuse light, light on the plane, skyline, dirt, glass, cell temperature, single
/// diode: the power at the crest of every hour, of which the tracker takes its share. A concentrator
/// takes direct light only, within its angle of acceptance.
///
/// Weather files: typical years and stations' files as EPW or TMY3, and plain CSV, whose first lines
/// and columns are
///
///   # name: test yard
///   # latitude: 46.8
///   # longitude: 6.9
///   # elevation: 491
///   start,global (W/m2),direct (W/m2),diffuse (W/m2),air (degC),wind (m/s),albedo
///   2021-06-01T10:00:00+01:00,712,640,150,18.4,2.1,0.2
///
/// of which start, air and (but for a concentrator) global are needed; direct is the direct normal; and
/// water (cm), the air's precipitable water.
///
/// A log of a campaign is weather, too: light on the plane and the module's temperature, minute by
/// minute. What its device should have made of it stands beside what it made.
#[derive(Debug, Args)]
#[command(
    verbatim_doc_comment,
    after_help = "Examples:
  cresthold yield year.epw --device crystalline-module --tilt 35 --azimuth 180
  cresthold yield year.csv --count 12 \\
      --data-sheet isc=9.43,voc=38.3,imp=8.71,vmp=31.0,alpha=0.00566,beta=-0.138 \\
      --tilt 20 --soiling 2 --tracked 99.98
  cresthold yield year.csv --station yard.toml --channel module-1 --json > module-1.json
  cresthold yield yard.sqlite --channel module-1 --station yard.toml \\
      --from 2026-06-01 --to 2026-06-30
  cresthold yield year.epw --device receiver --two-axis --acceptance 0.8 --pointing 0.2
  cresthold yield year.epw --tilt 35 --seconds --load-amps 9 \\
      --tracker perturb-and-observe:step_volts=0.5%
  cresthold yield year.epw --one-axis --skyline 90:12,120:4,270:8 --hours hours.csv --draws 1000

The share that a tracker takes is what `cresthold compare` finds. The doubts of the spread are \
standard uncertainties (k = 1); state your own where you know them.

Exit codes: 0 done; 2 command line; 3 the weather or the station file has mistakes; 4 the log can't \
be read; 6 a file can't be read or written."
)]
pub(super) struct WorkOutYield {
    /// The weather: EPW, TMY3, plain CSV, or the log of a campaign (.sqlite)
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
    #[command(flatten)]
    log: LogArgs,
    /// Print JSON instead of tables
    #[arg(long)]
    json: bool,
    /// Write every hour as CSV, from the hours' means
    #[arg(long, value_name = "FILE.csv", value_parser = table_name)]
    hours: Option<PathBuf>,
}

/// Why there is no yield.
type Failure = (Exit, String);

fn usage(error: impl std::fmt::Display) -> Failure {
    (Exit::Usage, error.to_string())
}

impl WorkOutYield {
    pub(super) fn carry_out(&self) -> Exit {
        let worked_out = if self.is_log() { self.beside_log() } else { self.work_out() };
        match worked_out.and_then(|report| self.print(&report)) {
            Ok(()) => Exit::Done,
            Err((exit, text)) => {
                tell!("{text}");
                exit
            }
        }
    }

    /// A log, or what is named as one and is not there.
    fn is_log(&self) -> bool {
        let named = self.weather.extension().is_some_and(|it| it.eq_ignore_ascii_case("sqlite"));
        is_database(&self.weather) || named && !self.weather.exists()
    }

    fn work_out(&self) -> Result<YieldReport, Failure> {
        if self.log.is_given() {
            return Err(usage(
                "--from, --to, --cell-above: of a log; this weather is a file of another kind",
            ));
        }
        if self.device.channel().is_some() && self.device.station().is_none() {
            return Err(usage("--channel: of a station file or a log; add --station"));
        }
        if let Some(hours) = &self.hours {
            not_read(hours, &self.weather)?;
            for read in self.device.station().into_iter().chain(self.device.matrix()) {
                not_read(hours, read)?;
            }
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
        let notes = notes(&stated, &weather, &chain).into_iter().map(|note| ("note", note));
        assumed.extend(notes);
        if draws > 0 && spread.is_none() {
            let note = "not a year of weather: how sure a year of it is, is not told";
            assumed.push(("note", note.to_owned()));
        }
        let spread = (spread.as_ref(), None);
        Ok(YieldReport::new(told, (&chain, assumed), (&found, &taken), &losses, spread))
    }

    fn print(&self, report: &YieldReport) -> Result<(), Failure> {
        if self.json {
            let text = serde_json::to_string_pretty(report)
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

    /// Refuses a spectrum that can't be told.
    fn check_water(&self, chain: &Chain, weather: &Weather) -> Result<(), Failure> {
        if chain.absorber.is_none() {
            return Ok(());
        }
        if chain.optics.is_some() {
            return Err(usage(
                "--spectrum: its factors are those of modules; a concentrator's are others",
            ));
        }
        if weather.hours.iter().all(|hour| hour.water.is_none()) {
            let file = self.weather.display();
            return Err(usage(format!(
                "--spectrum: {file} doesn't tell the air's precipitable water (of TMY3 `Pwat (cm)`, of EPW field \
                 29, of plain CSV `water (cm)`)"
            )));
        }
        Ok(())
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
        let mut chain = Chain::new(stated.generator.clone(), mount);
        chain.optics = self.mounting.optics();
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
        chain.absorber = light.spectrum.map(Spectrum::absorber);
        self.check_water(&chain, weather)?;
        chain.soiling = light.soiling().map_err(usage)?;
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
            Substring { reference: within.reference(), mismatch: 1.0, bypass: Bypass::None };
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
