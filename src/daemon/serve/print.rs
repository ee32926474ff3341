//! The station file that fits a virtual bench.
//!
//! Model: the plant's own file with every simulated part replaced by the link to its virtual
//! instrument. What the guard and the trackers are given stays as it was, so a run over the bench
//! is the run that was rehearsed. The data sheet, which a simulated device needs none of, is
//! written from the device itself. Comments are not kept: they speak of the simulation.

use super::outlets::Outlet;
use crate::station::{Address, ChannelSpec, Rated, Station};
use cresthold_sim::wire::sensing::{ADDRESS, Sensed, UNIT};
use toml::{Table, Value};

/// Keys of `[channel.load]` that only a simulated load has.
const SIMULATED_LOAD: [&str; 8] = [
    "noise_volts",
    "noise_amps",
    "resolution_volts",
    "resolution_amps",
    "gain_volts",
    "gain_amps",
    "offset_volts",
    "offset_amps",
];
/// The same of `[[channel]]`.
const SIMULATED_CHANNEL: [&str; 4] = ["device", "mismatch", IRRADIANCE, MODULE_TEMPERATURE];
/// How long the same answer of an irradiance sensor is believed (s). Its noise is twice its resolution: one
/// answer in seven repeats the one before (normal deviates), thirty in succession never do.
const STUCK_AFTER: f64 = 30.0;
/// Tables of a channel's simulated sensors.
const IRRADIANCE: &str = "irradiance";
const MODULE_TEMPERATURE: &str = "module_temperature";
/// The words of what a virtual load can do beyond the basics.
const LOAD_WORDS: &str = "virtual-load";

/// The text of the station file for `station`, whose instruments are at `outlets`.
pub(super) fn station_file(station: &Station, outlets: &[Outlet]) -> String {
    let mut root: Table = station.text.parse().unwrap_or_default();
    for key in ["plant", "seed"] {
        root.remove(key);
    }
    let known = accuracies(&root);
    let channels = root.get_mut("channel").and_then(Value::as_array_mut);
    for (table, spec) in channels.into_iter().flatten().zip(&station.channels) {
        if let Some(table) = table.as_table_mut() {
            make_real(table, spec, outlets);
        }
    }
    root.insert(
        "commands".to_owned(),
        Value::Table(Table::from_iter([own((LOAD_WORDS, Value::Table(load_words())))])),
    );
    let sensor = |outlet| {
        let mut table = sensor(outlet)?;
        let key = match outlet.sensed? {
            Sensed::Plane | Sensed::Direct => IRRADIANCE,
            Sensed::Back => MODULE_TEMPERATURE,
            Sensed::Air | Sensed::Wind => "",
        };
        let place = outlet.channel.as_ref().map(|channel| format!("{channel} {key}"));
        if let Some(accuracy) = place.and_then(|place| known.get(&place)) {
            table.insert("accuracy".to_owned(), accuracy.clone());
        }
        Some(Value::Table(table))
    };
    let sensors: Vec<Value> = outlets.iter().filter_map(sensor).collect();
    if !sensors.is_empty() {
        root.insert("sensor".to_owned(), Value::Array(sensors));
    }
    format!(
        "# A virtual bench's station: its instruments answer while the bench is served.\n\n{root}"
    )
}

fn make_real(channel: &mut Table, spec: &ChannelSpec, outlets: &[Outlet]) {
    for key in SIMULATED_CHANNEL {
        channel.remove(key);
    }
    if let Some(rated) = &spec.rated {
        channel.insert("rated".to_owned(), Value::Table(rated_table(rated)));
    }
    if let Some(load) = channel.get_mut("load").and_then(Value::as_table_mut) {
        for key in SIMULATED_LOAD {
            load.remove(key);
        }
    }
    for (key, what) in [("load", "load"), ("boost", "boost")] {
        let name = format!("{} {what}", spec.name);
        let outlet = outlets.iter().find(|outlet| outlet.name == name);
        let table = channel.get_mut(key).and_then(Value::as_table_mut);
        if let (Some(outlet), Some(table)) = (outlet, table) {
            table.insert("link".to_owned(), link(&outlet.address));
            table.insert("identity".to_owned(), Value::from(outlet.identity.clone()));
            if key == "load" {
                table.insert("commands".to_owned(), LOAD_WORDS.into());
            }
        }
    }
}

/// `[commands.virtual-load]`: list, averaging and range in the default words.
fn load_words() -> Table {
    let options = ["averaging", "range", "list"].map(|key| (key, Value::Table(Table::new())));
    let kind = [("instrument", Value::from("load"))];
    kind.into_iter().chain(options).map(own).collect()
}

/// What the station states of its channels' sensors, by channel and key: accuracy and lag.
fn accuracies(root: &Table) -> Table {
    let channels = root.get("channel").and_then(Value::as_array).into_iter().flatten();
    let of = |channel: &Value| -> Option<Vec<(String, Value)>> {
        let name = channel.get("name")?.as_str()?;
        let known = [IRRADIANCE, MODULE_TEMPERATURE].into_iter().filter_map(|key| {
            let sensor = channel.get(key)?;
            let mut accuracy = sensor.get("accuracy")?.as_table()?.clone();
            if let Some(lag) = sensor.get("lag_s") {
                accuracy.insert("lag_s".to_owned(), lag.clone());
            }
            Some((format!("{name} {key}"), Value::Table(accuracy)))
        });
        Some(known.collect())
    };
    channels.filter_map(of).flatten().collect()
}

/// `[[sensor]]` of an outlet, if it is one.
fn sensor(outlet: &Outlet) -> Option<Table> {
    let quantity = match outlet.sensed? {
        Sensed::Plane => "plane-irradiance",
        Sensed::Direct => "direct-irradiance",
        Sensed::Back => "module-temperature",
        Sensed::Air => "air-temperature",
        Sensed::Wind => "wind-speed",
    };
    let mut table = Table::new();
    let mut put = |key: &str, value: Value| table.insert(key.to_owned(), value);
    put("name", outlet.name.clone().into());
    put("quantity", quantity.into());
    if let Some(channel) = &outlet.channel {
        put("channels", vec![channel.clone()].into());
    }
    let mut link = link(&outlet.address);
    if outlet.identity.is_empty() {
        let register = [
            ("table", "input".into()),
            ("address", i64::from(ADDRESS).into()),
            ("type", "f32".into()),
            ("word_order", "high-first".into()),
        ];
        put("register", Value::Table(register.map(own).into_iter().collect()));
        if matches!(outlet.sensed?, Sensed::Plane | Sensed::Direct) {
            put("stuck_after_s", STUCK_AFTER.into());
        }
        if let Some(link) = link.as_table_mut() {
            link.insert("unit".to_owned(), i64::from(UNIT).into());
        }
    } else {
        put("identity", outlet.identity.clone().into());
        put("query", "MEAS:FRES?".into());
        put("conversion", "pt100".into());
    }
    put("link", link);
    Some(table)
}

/// An address as a station file writes it.
fn link(address: &Address) -> Value {
    let table = match address {
        Address::Plant => return Value::from("plant"),
        Address::Tcp { .. } => Table::from_iter([("tcp", address.to_string().into())].map(own)),
        Address::UsbTmc { path } => {
            Table::from_iter([("usbtmc", path.display().to_string().into())].map(own))
        }
        Address::Serial { path, baud, .. } => Table::from_iter(
            [("serial", path.display().to_string().into()), ("baud", i64::from(*baud).into())]
                .map(own),
        ),
    };
    Value::Table(table)
}

fn own((key, value): (&str, Value)) -> (String, Value) {
    (key.to_owned(), value)
}

/// `[channel.rated]`.
fn rated_table(rated: &Rated) -> Table {
    let figures = [
        ("open_circuit_volts", rated.open_circuit.0),
        ("short_circuit_amps", rated.short_circuit.0),
        ("crest_volts", rated.crest_volts.0),
        ("crest_amps", rated.crest_amps.0),
        ("open_circuit_volts_per_kelvin", rated.open_circuit_per_kelvin.0),
        ("short_circuit_amps_per_kelvin", rated.short_circuit_per_kelvin.0),
    ];
    figures.map(|(key, value)| (key.to_owned(), short(value).into())).into_iter().collect()
}

/// Rounded to the digits that a data sheet has.
fn short(value: f64) -> f64 {
    (value * 1e4).round() / 1e4
}
