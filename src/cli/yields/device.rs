//! The device of a yield: by name, data sheet, five parameters, or station file.

use super::{Failure, usage};
use crate::cli::Exit;
use crate::cli::curve::parse_number;
use crate::curve::fit::{DataSheet, from_data_sheet};
use crate::quantities::{Amps, Ohms, Volts};
use crate::station::{ChannelSpec, DeviceSpec, Mounting, Rated, Station};
use crate::yields::{Converter, Generator, Matrix, Mount, read};
use clap::Args;
use cresthold_sim::device::desoto::{BandGap, Reference};
use cresthold_sim::device::examples;
use cresthold_sim::device::single_diode::SingleDiode;
use cresthold_sim::sky::sun::Site;
use cresthold_sim::thermal::{Cooling, ThermalParams};
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

/// The invented devices with a name.
const NAMES: [&str; 3] = ["crystalline-module", "thin-film-module", "receiver"];

/// Isc changes by 0.02 to 0.12 %/K (crystalline, thin film, multi-junction; from memory).
const MOST_ALPHA: f64 = 0.003;
/// A worse heat sink warms by 200 K in full light.
const MOST_RESISTANCE: f64 = 0.2;
/// Fill factors are 0.5 and more; broken devices have less, but no yield worth a chain.
const LEAST_FILL: f64 = 0.3;

#[derive(Debug, Args)]
#[command(next_help_heading = "Device (one of these; crystalline-module without)")]
pub(super) struct DeviceArgs {
    /// A device of the simulation: crystalline-module, thin-film-module, receiver
    #[arg(long, value_name = "NAME", group = "device_by", value_parser = NAMES)]
    device: Option<String>,
    /// Figures at 1000 W/m2 and 25 degC: isc, voc, imp, vmp (A, V), alpha (A/K), beta (V/K), and
    /// gap (eV) where it isn't silicon's
    #[arg(long, value_name = "KEY=VALUE,...", group = "device_by", allow_hyphen_values = true)]
    data_sheet: Option<String>,
    /// A single diode at 1000 W/m2 and 25 degC, as `cresthold curve` fits it: il, i0 (A), rs, rsh
    /// (ohm), a (V), alpha (A/K), and gap (eV) where it isn't silicon's
    #[arg(long, value_name = "KEY=VALUE,...", group = "device_by", allow_hyphen_values = true)]
    five: Option<String>,
    /// Its power matrix: CSV with the columns irradiance (W/m2), temperature (degC), power (W), as
    /// `cresthold season --matrix` writes it
    #[arg(long, value_name = "FILE.csv", group = "device_by")]
    matrix: Option<PathBuf>,
    /// A channel of this station file: its [channel.rated] and how it is mounted
    #[arg(long, value_name = "STATION.toml", group = "device_by", requires = "channel")]
    station: Option<PathBuf>,
    /// Which channel, of the station file or of the log
    #[arg(long, value_name = "NAME")]
    channel: Option<String>,
    /// How many alike
    #[arg(long, value_name = "N", default_value_t = 1, value_parser = clap::value_parser!(u32).range(1..))]
    count: u32,
    /// How wind cools it after Faiman: W/(m2 K), W s/(m3 K) [25,6.84]
    #[arg(long, value_name = "U0,U1", value_delimiter = ',', value_parser = parse_number,
          conflicts_with = "heat_sink")]
    cooling: Vec<f64>,
    /// A heat sink instead: kelvins of the cell over the air per W/m2 on it [receiver: 0.04]
    #[arg(long, value_name = "K M2/W", value_parser = parse_number)]
    heat_sink: Option<f64>,
}

/// A device as it was stated.
#[derive(Debug)]
pub(super) struct Stated {
    pub(super) generator: Generator,
    pub(super) concentrator: bool,
    /// Where a station file says how it is mounted.
    pub(super) mount: Option<Mount>,
    /// Where the station of that file stands.
    pub(super) site: Option<Site>,
    pub(super) words: String,
}

impl DeviceArgs {
    /// The station file, where one is asked.
    pub(super) fn station(&self) -> Option<&Path> {
        self.station.as_deref()
    }

    /// The channel that is named.
    pub(super) fn channel(&self) -> Option<&str> {
        self.channel.as_deref()
    }

    /// Whether any device is stated.
    pub(super) const fn is_stated(&self) -> bool {
        self.device.is_some()
            || self.data_sheet.is_some()
            || self.five.is_some()
            || self.station.is_some()
            || self.matrix.is_some()
    }

    /// The file of a power matrix, where one is stated.
    pub(super) fn matrix(&self) -> Option<&Path> {
        self.matrix.as_deref()
    }

    pub(super) fn stated(&self) -> Result<Stated, Failure> {
        if let Some(file) = &self.matrix {
            let converter = Converter::Matrix(read_matrix(file)?);
            let thermal = self.thermal(ThermalParams::OPEN_RACK)?;
            let generator = Generator { converter, count: self.count, thermal };
            let words = format!("a device by its power matrix, {}", file.display());
            return Ok(Stated { generator, concentrator: false, mount: None, site: None, words });
        }
        let (reference, mut concentrator) = (examples::crystalline_reference(), false);
        let (mut mount, mut site) = (None, None);
        let (reference, words) = if let Some(text) = &self.data_sheet {
            (data_sheet(&Keys::of("--data-sheet", text)?)?, "a device by its data sheet".to_owned())
        } else if let Some(text) = &self.five {
            (five(&Keys::of("--five", text)?)?, "a device by five parameters".to_owned())
        } else if let (Some(file), Some(name)) = (&self.station, &self.channel) {
            let station =
                Station::load(file).map_err(|error| (Exit::Station, error.to_string()))?;
            let channel = station.channels.iter().find(|channel| channel.name == *name);
            let channel = channel.ok_or_else(|| {
                let known: Vec<&str> = station.channels.iter().map(|c| c.name.as_str()).collect();
                usage(format!(
                    "{}: no channel `{name}`; there are {}",
                    file.display(),
                    known.join(", ")
                ))
            })?;
            (mount, site) = (Some(mount_of(channel.mounting)), Some(station.site));
            concentrator = channel.mounting == Mounting::TwoAxis;
            (of_channel(channel)?, format!("{name} of {}", file.display()))
        } else {
            let name = self.device.as_deref().unwrap_or(NAMES[0]);
            concentrator = name == NAMES[2];
            let reference = match name {
                "thin-film-module" => examples::thin_film_reference(),
                "receiver" => examples::receiver_reference(),
                _ => reference,
            };
            (reference, name.to_owned())
        };
        let usual = if concentrator { ThermalParams::HEAT_SINK } else { ThermalParams::OPEN_RACK };
        let thermal = self.thermal(usual)?;
        let converter = Converter::Diode(reference);
        let generator = Generator { converter, count: self.count, thermal };
        Ok(Stated { generator, concentrator, mount, site, words })
    }

    fn thermal(&self, usual: ThermalParams) -> Result<ThermalParams, Failure> {
        let warm = ThermalParams::OPEN_RACK;
        match (self.cooling.as_slice(), self.heat_sink) {
            ([], None) => Ok(usual),
            (&[u0, u1], _) if (5.0..=200.0).contains(&u0) && (0.0..=50.0).contains(&u1) => {
                Ok(ThermalParams { cooling: Cooling::Wind { u0, u1 }, ..warm })
            }
            ([], Some(resistance)) if resistance > 0.0 && resistance <= MOST_RESISTANCE => {
                Ok(ThermalParams { cooling: Cooling::Sink { resistance }, ..warm })
            }
            ([], Some(_)) => Err(usage("--heat-sink: give kelvins per W/m2, above 0 up to 0.2")),
            _ => Err(usage("--cooling: give two numbers, 5 to 200 and 0 to 50, such as 25,6.84")),
        }
    }
}

fn read_matrix(file: &Path) -> Result<Matrix, Failure> {
    let shown = file.display();
    let text = std::fs::read_to_string(file).map_err(|error| {
        (Exit::System, format!("{shown}: can't be read: {error}; check the path"))
    })?;
    read::matrix::read(&text)
        .map_err(|error| (Exit::Station, format!("{shown}:{}: {}", error.line, error.what)))
}

fn mount_of(mounting: Mounting) -> Mount {
    match mounting {
        Mounting::Fixed(plane) => {
            let normal = plane.normal();
            Mount::Fixed { tilt: normal.zenith_degrees(), azimuth: normal.azimuth_degrees() }
        }
        Mounting::TwoAxis => Mount::TwoAxis,
    }
}

/// The single diode of a channel: of the plant, or by its data sheet.
fn of_channel(channel: &ChannelSpec) -> Result<Reference, Failure> {
    match (channel.device, &channel.rated) {
        (Some(DeviceSpec::Crystalline), _) => Ok(examples::crystalline_reference()),
        (Some(DeviceSpec::ThinFilm), _) => Ok(examples::thin_film_reference()),
        (Some(DeviceSpec::Receiver), _) => Ok(examples::receiver_reference()),
        (None, Some(rated)) => of_rated(&channel.name, rated),
        (None, None) => Err((
            Exit::Station,
            format!(
                "channel `{}` says nothing of its device: state its data sheet in [channel.rated]",
                channel.name
            ),
        )),
    }
}

fn of_rated(channel: &str, rated: &Rated) -> Result<Reference, Failure> {
    if rated.open_circuit_per_kelvin >= Volts::ZERO {
        let text = format!(
            "channel `{channel}`, [channel.rated]: state open_circuit_volts_per_kelvin, which is below zero, and \
             short_circuit_amps_per_kelvin: a yield hangs on them"
        );
        return Err((Exit::Station, text));
    }
    let sheet = DataSheet {
        isc: rated.short_circuit,
        voc: rated.open_circuit,
        imp: rated.crest_amps,
        vmp: rated.crest_volts,
        alpha: rated.short_circuit_per_kelvin.0,
        beta: rated.open_circuit_per_kelvin.0,
        gap: BandGap::SILICON,
    };
    from_data_sheet(&sheet)
        .map_err(|error| (Exit::Station, format!("channel `{channel}`, [channel.rated]: {error}")))
}

/// `key=value` pairs of an option.
struct Keys<'a> {
    option: &'static str,
    values: BTreeMap<&'a str, f64>,
}

impl<'a> Keys<'a> {
    fn of(option: &'static str, text: &'a str) -> Result<Self, Failure> {
        let mut values = BTreeMap::new();
        for part in text.split(',') {
            let pair = part.split_once('=').map(|(key, value)| (key.trim(), parse_number(value)));
            let Some((key, Ok(value))) = pair else {
                return Err(usage(format!("{option}: `{part}` is no KEY=NUMBER")));
            };
            if values.insert(key, value).is_some() {
                return Err(usage(format!("{option}: {key} comes twice")));
            }
        }
        Ok(Self { option, values })
    }

    /// The values of `keys`, and the band gap; no other key is known.
    fn take<const N: usize>(&self, keys: [&str; N]) -> Result<([f64; N], BandGap), Failure> {
        let known = |key: &&&str| **key == "gap" || keys.contains(*key);
        if let Some(other) = self.values.keys().find(|key| !known(key)) {
            let keys = keys.join(", ");
            return Err(usage(format!("{}: no key `{other}`; known are {keys}, gap", self.option)));
        }
        let mut found = [0.0; N];
        for (value, key) in found.iter_mut().zip(keys) {
            *value = *self
                .values
                .get(key)
                .ok_or_else(|| usage(format!("{}: {key} is missing", self.option)))?;
        }
        let gap = self.values.get("gap");
        let gap = gap.map_or(BandGap::SILICON, |ev| BandGap { ev: *ev, per_kelvin: 0.0 });
        Ok((found, gap))
    }
}

fn data_sheet(keys: &Keys<'_>) -> Result<Reference, Failure> {
    let ([isc, voc, imp, vmp, alpha, beta], gap) =
        keys.take(["isc", "voc", "imp", "vmp", "alpha", "beta"])?;
    let per_kelvin = alpha / isc;
    if !(-MOST_ALPHA..=MOST_ALPHA).contains(&per_kelvin) {
        return Err(usage(format!(
            "--data-sheet: alpha is {:.3} % of isc per kelvin, no device's: give it in A/K, not in %/K",
            per_kelvin * 100.0
        )));
    }
    let (isc, voc, imp, vmp) = (Amps(isc), Volts(voc), Amps(imp), Volts(vmp));
    from_data_sheet(&DataSheet { isc, voc, imp, vmp, alpha, beta, gap }).map_err(usage)
}

fn five(keys: &Keys<'_>) -> Result<Reference, Failure> {
    let ([il, i0, rs, rsh, a, alpha], gap) = keys.take(["il", "i0", "rs", "rsh", "a", "alpha"])?;
    let stc = SingleDiode::new(Amps(il), Amps(i0), Ohms(rs), Ohms(rsh), Volts(a)).map_err(usage)?;
    let fill = stc.crest().watts / (stc.open_circuit() * stc.short_circuit());
    if fill.is_nan() || fill < LEAST_FILL {
        return Err(usage(format!(
            "--five: these make a fill factor of {fill:.2}, no device's: look after rs, rsh and a"
        )));
    }
    Reference::new(stc, alpha, gap).map_err(usage)
}
