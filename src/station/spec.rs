//! The validated station, as the rest of the program sees it.

use super::accuracy::{Accuracy, Meters};
use super::recording::RecordingSpec;
use super::sensor::StationSensor;
use super::storage::StorageSpec;
use crate::control::{ChannelConfig, DaySplit};
use crate::curve::uncertainty::{Spec, Stated};
use crate::instruments::{LoadCommands, SupplyCommands};
use crate::quantities::{Amps, MetresPerSecond, Volts};
use cresthold_sim::device::{Device, ParameterError, examples};
pub use cresthold_sim::sky::plane::Mounting;
use cresthold_sim::sky::sun::Site;
use std::fmt;
use std::net::SocketAddr;
use std::path::PathBuf;
use std::time::Duration;

/// What is to run: the station, its site, its channels, or the plant they stand in for.
///
/// Only [`Station::parse`] and its kin make one, so every value lies in its range and fits the
/// others.
#[derive(Clone, Debug, PartialEq)]
pub struct Station {
    /// Name of the station (1 to 60 characters).
    pub name: String,
    /// The log's file; relative paths start at the station file's directory. None: the command
    /// line must name one.
    pub log: Option<PathBuf>,
    /// How often the log is committed, so what a power cut may cost (s, 0.1..=60).
    pub commit_every: Duration,
    /// Where a run tells how it is; none: nowhere.
    pub health: Option<SocketAddr>,
    /// How the log's files are kept.
    pub storage: StorageSpec,
    /// Where what the channels hear and do is recorded; none: nowhere.
    pub recording: Option<RecordingSpec>,
    /// Where its days begin.
    pub day: DaySplit,
    /// Where it stands.
    pub site: Site,
    /// Seed of all that the plant draws (0..=2^63 - 1).
    pub seed: u64,
    /// The simulated world; none for a station of real instruments.
    pub plant: Option<PlantSpec>,
    /// The channels, in the file's order; at least one. `control.id` counts them from zero.
    pub channels: Vec<ChannelSpec>,
    /// The sensors, in the file's order; `SensorId` counts them from zero. None on a plant.
    pub sensors: Vec<StationSensor>,
    /// The file as read.
    pub text: String,
    /// The scripts of its trackers, each once.
    pub scripts: Vec<ScriptText>,
}

impl Station {
    /// The file and the scripts of its trackers, for the log: what has run must be known later on.
    #[must_use]
    pub fn fingerprint(&self) -> String {
        let mut all = self.text.clone();
        for ScriptText { file, channel, text } in &self.scripts {
            all.push_str(&format!("\n# {file}, the tracker of {channel}:\n{text}"));
        }
        all
    }
}

/// The script of a tracker, as read.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ScriptText {
    /// The file, as the station names it.
    pub file: String,
    /// The first channel that it tracks for.
    pub channel: String,
    /// What it says.
    pub text: String,
}

/// The world that simulated instruments look at.
#[derive(Clone, Debug, PartialEq)]
pub struct PlantSpec {
    /// The recorded day that is played.
    pub day: DaySource,
    /// Wind while the record has none (m/s, 0..=40).
    pub wind: MetresPerSecond,
}

/// Where the plant's day comes from.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum DaySource {
    /// The day that is compiled in, named `payerne-2016-06-15`.
    EmbeddedPayerne,
    /// A CSV file; relative paths start at the station file's directory.
    File(PathBuf),
}

/// One device with its load, its boost supply and the rules it is run by.
#[derive(Clone, Debug, PartialEq)]
pub struct ChannelSpec {
    /// Name, unique in the station (1 to 32 letters, digits, `-`, `_`).
    pub name: String,
    /// What the pure core is given.
    pub control: ChannelConfig,
    /// The electronic load.
    pub load: LoadSpec,
    /// The boost supply in series; none where the load meets the device directly.
    pub boost: Option<BoostSpec>,
    /// Whether the load's sense leads reach the far ends of device and boost supply, so that no lead
    /// resistance counts.
    pub remote_sense: bool,
    /// How the device is mounted.
    pub mounting: Mounting,
    /// The simulated device; always there on a plant, never with real instruments.
    pub device: Option<DeviceSpec>,
    /// What the data sheet says of the device; none where the file doesn't tell.
    pub rated: Option<Rated>,
    /// Irradiance factors of the simulated device's substrings (0..=2, one each); empty: as the
    /// example has them.
    pub mismatch: Vec<f64>,
    /// Simulated irradiance sensor; none without one.
    pub irradiance: Option<SensorSpec>,
    /// Simulated back-of-module temperature sensor; none without one.
    pub module_temperature: Option<SensorSpec>,
    /// What is known of the errors of an I-V curve; none where the file doesn't tell.
    pub stated: Option<Stated>,
}

impl ChannelSpec {
    /// The simulated device with its mismatch; none with real instruments.
    #[must_use]
    pub fn build_device(&self) -> Option<Device> {
        let built = self.device?.build(&self.mismatch);
        Some(built.expect("the factors were tried when the station was read"))
    }
}

/// A device's data sheet, at 1000 W/m2 and 25 degC.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Rated {
    /// Open-circuit voltage (V, 0.01..=1000).
    pub open_circuit: Volts,
    /// Short-circuit current (A, 0.001..=1000).
    pub short_circuit: Amps,
    /// Voltage of largest power (V, below the open-circuit voltage).
    pub crest_volts: Volts,
    /// Current of largest power (A, below the short-circuit current).
    pub crest_amps: Amps,
    /// Change of the open-circuit voltage per kelvin (V/K, -10..=1); 0 where not stated.
    pub open_circuit_per_kelvin: Volts,
    /// Change of the short-circuit current per kelvin (A/K, -1..=1); 0 where not stated.
    pub short_circuit_per_kelvin: Amps,
}

/// The electronic load, in constant-voltage mode.
#[derive(Clone, Debug, PartialEq)]
pub struct LoadSpec {
    /// How it is reached.
    pub address: Address,
    /// Text that its answer to `*IDN?` must contain; always there on a real link.
    pub identity: Option<String>,
    /// Its words.
    pub commands: LoadCommands,
    /// The current range it works in (A, 0.001..=1000); none where it has but one.
    pub range: Option<Amps>,
    /// A reply later than this counts as lost (s, 0.02..=30).
    pub deadline: Duration,
    /// Time constant of its settling after a step (s, 0..=10).
    pub settling: Duration,
    /// Its measurement window (s, 0..=10).
    pub window: Duration,
    /// From the request to the start of the window (s, 0..=10).
    pub latency: Duration,
    /// Where its own protection lets go (A, 0.001..=1000), above the envelope's limit.
    pub current_protection: Amps,
    /// Standard deviation of a simulated voltage reading (V, 0..=10).
    pub noise_volts: Volts,
    /// Standard deviation of a simulated current reading (A, 0..=10).
    pub noise_amps: Amps,
    /// Step of simulated voltage readings and settings (V, 0..=1); 0 for none.
    pub resolution_volts: Volts,
    /// Step of simulated current readings (A, 0..=1); 0 for none.
    pub resolution_amps: Amps,
    /// Relative error of simulated voltage readings (-0.1..=0.1).
    pub gain_volts: f64,
    /// Relative error of simulated current readings (-0.1..=0.1).
    pub gain_amps: f64,
    /// Constant error of simulated voltage readings (V, -1..=1).
    pub offset_volts: Volts,
    /// Constant error of simulated current readings (A, -1..=1).
    pub offset_amps: Amps,
    /// What is known of its readings' errors; none where the file doesn't tell.
    pub accuracy: Option<Meters>,
}

/// The boost supply: the source in series that lets the load reach short circuit.
#[derive(Clone, Debug, PartialEq)]
pub struct BoostSpec {
    /// Its voltage (V, 0.5..=60).
    pub volts: Volts,
    /// Its current rating (A, 0.001..=1000), at least the envelope's device current.
    pub amps: Amps,
    /// How it is reached; none: fixed, always on, not switchable.
    pub address: Option<Address>,
    /// Text that its answer to `*IDN?` must contain; always there on a real link.
    pub identity: Option<String>,
    /// Its words.
    pub commands: SupplyCommands,
    /// Whether it reports its own voltage (only with an address).
    pub measured: bool,
    /// What is known of the error of its voltage, set or measured (V); none where the file doesn't tell.
    pub accuracy: Option<Spec>,
}

/// A simulated sensor.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SensorSpec {
    /// Time constant of its lag (s, 0..=600).
    pub lag: Duration,
    /// Relative error of its readings (-0.2..=0.2).
    pub gain: f64,
    /// What is known of its errors; none where the file doesn't tell.
    pub accuracy: Option<Accuracy>,
}

/// Which example of the simulation stands in for the device.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum DeviceSpec {
    /// [`examples::crystalline_module`].
    Crystalline,
    /// [`examples::thin_film_module`].
    ThinFilm,
    /// [`examples::receiver_cell`].
    Receiver,
}

impl DeviceSpec {
    /// The names a station file may use.
    pub const NAMES: [&'static str; 3] =
        ["crystalline-module", "thin-film-module", "concentrator-receiver"];

    /// The device of that name in a station file.
    #[must_use]
    pub fn from_name(name: &str) -> Option<Self> {
        let all = [Self::Crystalline, Self::ThinFilm, Self::Receiver];
        all.into_iter().find(|device| device.name() == name)
    }

    /// The name in the station file.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Crystalline => Self::NAMES[0],
            Self::ThinFilm => Self::NAMES[1],
            Self::Receiver => Self::NAMES[2],
        }
    }

    /// The simulated device, with these irradiance factors of its substrings (0..=2), or as the
    /// example has them when there are none.
    ///
    /// # Errors
    /// [`ParameterError`] for the wrong number of factors or one out of range.
    pub fn build(self, mismatch: &[f64]) -> Result<Device, ParameterError> {
        let device = match self {
            Self::Crystalline => examples::crystalline_module(),
            Self::ThinFilm => examples::thin_film_module(),
            Self::Receiver => examples::receiver_cell(),
        };
        if mismatch.is_empty() { Ok(device) } else { device.with_mismatch(mismatch) }
    }
}

/// How an instrument is reached.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Address {
    /// It is simulated.
    Plant,
    /// A serial line.
    Serial {
        /// Device node; best the stable name under `/dev/serial/by-id` or `by-path`.
        path: PathBuf,
        /// Speed (baud, 300..=4000000).
        baud: u32,
        /// Data bits of a character (7 or 8).
        data_bits: u8,
        /// Parity bit.
        parity: Parity,
        /// Stop bits (1 or 2).
        stop_bits: u8,
        /// Flow control.
        flow: Flow,
    },
    /// A USB-TMC device.
    UsbTmc {
        /// Device node; best a link that a udev rule makes of its serial number.
        path: PathBuf,
    },
    /// A TCP connection.
    Tcp {
        /// Name or number of the instrument.
        host: String,
        /// Port (1..=65535).
        port: u16,
    },
}

impl fmt::Display for Address {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Plant => f.write_str("plant"),
            Self::Serial { path, .. } | Self::UsbTmc { path } => write!(f, "{}", path.display()),
            Self::Tcp { host, port } if host.contains(':') => write!(f, "[{host}]:{port}"),
            Self::Tcp { host, port } => write!(f, "{host}:{port}"),
        }
    }
}

/// Parity bit of a serial line.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Parity {
    /// None.
    None,
    /// Even.
    Even,
    /// Odd.
    Odd,
}

/// Flow control of a serial line.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Flow {
    /// None.
    None,
    /// Characters in the data (XON, XOFF).
    Software,
    /// Wires (RTS, CTS).
    Hardware,
}
