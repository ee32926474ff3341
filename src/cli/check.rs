//! `cresthold check`: all that is wrong with a station file, at once.

use super::{Exit, station_of};
use crate::rehearsal::yard;
use crate::report::curve_result::ENOUGH_POINTS;
use crate::report::table::align;
use crate::station::{ChannelSpec, StationSensor};
use crate::time::seconds;
use clap::Args;
use std::path::PathBuf;

/// Say all that is wrong with a station file at once; moves nothing
#[derive(Debug, Args)]
#[command(after_help = "Example:\n  cresthold check yard.toml")]
pub(super) struct Check {
    /// The station file (TOML); without one, the built-in rehearsal station
    file: Option<PathBuf>,
}

impl Check {
    pub(super) fn carry_out(&self) -> Exit {
        let station = match station_of(self.file.as_deref()) {
            Ok(station) => station,
            Err(exit) => return exit,
        };
        if station.plant.is_some()
            && let Err(error) = yard(&station)
        {
            tell!("{error}");
            return Exit::Station;
        }
        let rows: Vec<Vec<String>> = station.channels.iter().map(row).collect();
        sayln!("{}: nothing wrong\n", station.name);
        let header = ["device", "load", "boost", "tracker", "period", "device up to", "amps up to"];
        say!("{}", align(&header, &rows));
        if !station.sensors.is_empty() {
            let rows: Vec<Vec<String>> = station.sensors.iter().map(sensor_row).collect();
            let header = ["sensor", "quantity", "trust", "from", "period", "too old after"];
            say!("\n{}", align(&header, &rows));
        }
        for note in station.channels.iter().filter_map(few_points) {
            sayln!("\n{note}");
        }
        Exit::Done
    }
}

/// What is no mistake, but leaves curves without figures.
fn few_points(channel: &ChannelSpec) -> Option<String> {
    let points = channel.control.sweep.points;
    (points < ENOUGH_POINTS).then(|| {
        format!(
            "look at {}: channel.sweep.points = {points}: with fewer than {ENOUGH_POINTS} points too few lie at \
             the crest for the figures of its curves in the log and for `season`; state {ENOUGH_POINTS} or more. \
             `cresthold curve LOG --method standard` sums up what there is",
            channel.name
        )
    })
}

fn sensor_row(StationSensor { sensor, source, .. }: &StationSensor) -> Vec<String> {
    let line = source.address().map_or_else(|| "a channel".to_owned(), ToString::to_string);
    let seconds = |span: std::time::Duration| format!("{} s", span.as_secs_f64());
    vec![
        sensor.name.clone(),
        sensor.quantity.name().to_owned(),
        sensor.rank.to_string(),
        line,
        seconds(sensor.period),
        seconds(sensor.max_age),
    ]
}

fn row(channel: &ChannelSpec) -> Vec<String> {
    let control = &channel.control;
    let boost = channel.boost.as_ref().map_or_else(
        || "none".to_owned(),
        |boost| {
            let at = boost.address.as_ref().map_or_else(|| "fixed".to_owned(), ToString::to_string);
            format!("{} at {at}", boost.volts)
        },
    );
    vec![
        channel.name.clone(),
        channel.load.address.to_string(),
        boost,
        control.tracker.name().to_owned(),
        format!("{} s", seconds(control.period)),
        control.envelope.device_volts_max.to_string(),
        control.envelope.device_amps_max.to_string(),
    ]
}
