//! A channel's sensors and their links, as far as there is room.

use super::circuit::BODY;
use super::sheet::{Letters, Place, Sheet, letters};
use crate::station::{Address, ChannelSpec, SensorSource, Station, StationSensor};

const SMALL: Letters = letters(10.5);
/// Where the tables begin (px down).
const END: f64 = 590.0;

/// What hangs on a channel beside the loop.
pub(super) struct Sensors {
    /// Whether its irradiance is measured.
    pub(super) irradiance: bool,
    /// Whether its module temperature is measured.
    pub(super) module: bool,
    /// The real ones: name, what it measures, link; the most trusted of a quantity first.
    lines: Vec<String>,
}

impl Sensors {
    pub(super) fn of(station: &Station, channel: &ChannelSpec) -> Self {
        let serves = |each: &&StationSensor| each.sensor.channels.contains(&channel.control.id);
        let mut real: Vec<&StationSensor> = station.sensors.iter().filter(serves).collect();
        real.sort_by_key(|each| (each.sensor.quantity as usize, each.sensor.rank));
        let has = |wanted: &str| real.iter().any(|each| each.sensor.quantity.name() == wanted);
        Self {
            irradiance: channel.irradiance.is_some()
                || has("plane-irradiance")
                || has("direct-irradiance"),
            module: channel.module_temperature.is_some() || has("module-temperature"),
            lines: real.iter().map(|each| line(station, each)).collect(),
        }
    }

    /// Lists the real ones from `at` down.
    pub(super) fn draw(&self, sheet: &mut Sheet, at: Place, width: f64) {
        if self.lines.is_empty() {
            return;
        }
        sheet.text(at, "Sensors", BODY.bold());
        let mut y = at.1 + SMALL.leading();
        for (index, text) in self.lines.iter().enumerate() {
            let lines = SMALL.wrap_cut(text, width, 3);
            let left = self.lines.len() - index;
            // The last line is kept for what has no room.
            let room = ((END - y) / SMALL.leading()).floor();
            let last = if left > 1 { 1.0 } else { 0.0 };
            #[expect(clippy::cast_precision_loss, reason = "three lines at most")]
            if lines.len() as f64 + last > room {
                let text = format!("and {left} more, as in the station file");
                sheet.text((at.0, y), &text, SMALL);
                return;
            }
            y = sheet.lines((at.0, y), &lines, SMALL);
        }
    }
}

fn line(station: &Station, each: &StationSensor) -> String {
    let place = match &each.source {
        SensorSource::Modbus { address, request, .. } => {
            format!("Modbus {}, unit {}", described(address), request.unit())
        }
        SensorSource::Meter { address, .. } => format!("meter on {}", described(address)),
        SensorSource::Channel(id) => {
            let name = station.channels.get(usize::from(id.0)).map_or("", |held| &held.name);
            format!("held by channel {name}")
        }
    };
    format!("{} ({}): {place}", each.sensor.name, each.sensor.quantity.name())
}

/// What kind of line an address is, and where.
pub(super) fn described(address: &Address) -> String {
    match address {
        Address::Plant => "simulated".to_owned(),
        Address::Serial { baud, .. } => format!("serial {address} {baud} baud"),
        Address::Tcp { .. } => format!("TCP {address}"),
        Address::UsbTmc { .. } => format!("USB-TMC {address}"),
    }
}
