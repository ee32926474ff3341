//! A campaign's log as the weather: what its device should have made, beside what it made.

use super::words::{device_words, dirt_words};
use super::{Failure, WorkOutYield, usage};
use crate::cli::Exit;
use crate::cli::cell::CellArgs;
use crate::cli::season::read_shown;
use crate::report::season_log::Dates;
use crate::report::yields::{WeatherTold, YieldReport};
use crate::season::{Rules, seen};
use crate::store::{ChannelRow, Reader, StoreError};
use crate::yields::{Chain, Mount, Seen, Taken};
use clap::Args;

#[derive(Debug, Args)]
#[command(next_help_heading = "From a log")]
pub(super) struct LogArgs {
    /// From this date on, as the log counts its days
    #[arg(long, value_name = "YYYY-MM-DD", value_parser = crate::cli::picture::parse_date)]
    from: Option<String>,
    /// Up to and with this date
    #[arg(long, value_name = "YYYY-MM-DD", value_parser = crate::cli::picture::parse_date)]
    to: Option<String>,
    #[command(flatten)]
    cell: CellArgs,
}

impl LogArgs {
    pub(super) const fn is_given(&self) -> bool {
        self.from.is_some() || self.to.is_some() || self.cell.is_given()
    }
}

/// Length of a minute (h).
const MINUTE: f64 = 1.0 / 60.0;

fn of_log(error: &StoreError) -> Failure {
    (Exit::Log, error.to_string())
}

impl WorkOutYield {
    /// What the channel's device should have made in the light and warmth that its log tells.
    pub(super) fn beside_log(&self) -> Result<YieldReport, Failure> {
        let reader = Reader::open(&self.weather).map_err(|error| of_log(&error))?;
        self.check_of_log()?;
        let mut stated = self.device.stated()?;
        let over = self.log.cell.over_back();
        stated.generator.thermal.cell_over_back = over.kelvin();
        let log = self.weather.display().to_string();
        let channel = self.channel_of(reader.channels().map_err(|error| of_log(&error))?, &log)?;
        let (name, dates) = (channel.name.clone(), &self.log);
        let dates = Dates { from: dates.from.clone(), to: dates.to.clone() };
        let logged = read_shown(&reader, channel, &dates).map_err(|error| of_log(&error))?;
        let none = || usage(format!("{log}: there is no record of {name} on these dates"));
        let logged = logged.ok_or_else(none)?;
        let mut chain = Chain::new(stated.generator.clone(), Mount::TwoAxis);
        chain.soiling = self.light.soiling().map_err(usage)?;
        chain.optics = self.mounting.optics();
        let rated = chain.generator.rated();
        let (spans, left_out) = seen(&logged.record(), Some(rated), &Rules::default());
        if spans.is_empty() {
            return Err(usage(format!(
                "{log}: {name} has no minute whose irradiance, module temperature and power all count; \
                 `cresthold season {log}` tells why"
            )));
        }
        let found = chain.expected(&spans, MINUTE).map_err(usage)?;
        let share = self.tracked.unwrap_or(1.0);
        let taken = Taken::always(share);
        let losses = chain.losses(&found, &taken).map_err(usage)?;
        let mut assumed = vec![
            ("device", device_words(&stated, &found)),
            ("light", format!("as the log has it, {}", dirt_words(&chain))),
            ("cells", over.to_string()),
            ("tracker", format!("takes {:.3} % of the crest's energy", share * 100.0)),
        ];
        if left_out > 0 {
            let note = format!(
                "{left_out} minutes of light don't count, neither here nor there; `cresthold season` tells why"
            );
            assumed.push(("note", note));
        }
        let told = WeatherTold {
            file: log,
            place: name,
            latitude_deg: None,
            longitude_deg: None,
            elevation_m: None,
            spans: spans.len(),
            span_s: 60.0,
            years: found.years,
        };
        let measured = Some(Seen::measured(&spans));
        Ok(YieldReport::new(told, (&chain, assumed), (&found, &taken), &losses, (None, measured)))
    }

    /// Refuses what a log doesn't go with.
    fn check_of_log(&self) -> Result<(), Failure> {
        let (mounting, light) = (&self.mounting, &self.light);
        let given = [
            ("--tilt", mounting.tilt.is_some()),
            ("--azimuth", mounting.azimuth.is_some()),
            ("--one-axis", mounting.one_axis.is_some()),
            ("--skyline", !light.skyline.is_empty()),
            ("--albedo", light.albedo.is_some()),
            ("--wind", light.wind.is_some()),
            ("--spectrum", light.spectrum.is_some()),
            ("--seconds", self.seconds.seconds),
            ("--hours", self.hours.is_some()),
        ];
        if let Some((option, _)) = given.iter().find(|(_, given)| *given) {
            return Err(usage(format!(
                "{option}: of a weather file, whose light is yet to be brought to the device; a \
                 log's is what fell on it; leave it out"
            )));
        }
        if !self.device.is_stated() {
            return Err(usage(
                "say what the device is: --station, --data-sheet, --five, --matrix or --device",
            ));
        }
        Ok(())
    }

    /// The log's channel: the one that is named, or the only one.
    fn channel_of(&self, mut all: Vec<ChannelRow>, log: &str) -> Result<ChannelRow, Failure> {
        let names: Vec<&str> = all.iter().map(|row| row.name.as_str()).collect();
        let named = self.device.channel();
        let place = match named {
            Some(name) => names.iter().position(|known| *known == name),
            None => (all.len() == 1).then_some(0),
        };
        let Some(place) = place else {
            let wanted = named.map_or("choose one with --channel".to_owned(), |name| {
                format!("there is no channel {name}")
            });
            return Err(usage(format!("{log}: {wanted}; it has {}", names.join(", "))));
        };
        Ok(all.swap_remove(place))
    }
}
