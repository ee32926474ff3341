//! Drawings of each channel as it must be wired, for the wall of the bench.
//!
//! Model: one sheet per channel, A4 across, made from the station file alone: the loop of device,
//! disconnect, fuse, load and boost supply with numbered points; volts and amps to expect there in
//! open circuit, at the crest and in short circuit; the extremes beside the ratings; and each
//! caution beside the place where it bites. Volts are [`SeriesPath`](crate::control::SeriesPath)'s.
//! Conductors differ in colour and in mark or dashes, so that a black and white print says the
//! same. The page is one HTML file that needs nothing else.
//!
//! Rejected: a picture drawn once by hand (it would not know the station's numbers, and a sheet with
//! wrong ones is worse than none); a library for SVG (strings and one helper for escapes are less
//! than its calls).

mod circuit;
pub mod figures;
mod sensors;
mod sheet;
mod symbols;
mod tables;

use crate::station::{ChannelSpec, Mounting, Station};
use circuit::Circuit;
use figures::Expected;
use sheet::{Sheet, escape, letters};
use std::fmt::Write as _;

/// The sheet (px at 96 to the inch): A4 across, less a printer's margin.
const SIZE: (f64, f64) = (1120.0, 792.0);
/// How wide the heading may be (px).
const TITLE_WIDTH: f64 = 1080.0;
const CODES: &str = "Local electrical codes and licensed practice rule wherever they differ from \
                     this drawing. Not to scale.";

/// One channel's sheet as an SVG document.
///
/// ```
/// use cresthold::{report::wiring, station::Station};
/// let station = Station::rehearsal();
/// let svg = wiring::drawing(&station, &station.channels[0]);
/// assert!(svg.starts_with("<svg ") && svg.contains("slope-1"));
/// ```
#[must_use]
pub fn drawing(station: &Station, channel: &ChannelSpec) -> String {
    let expected = Expected::of(channel);
    let title = format!("{}: wiring of channel {}", station.name, channel.name);
    let description = "A loop from the device's plus through disconnect, fuse and load, and back \
                       through the boost supply and the disconnect's second pole to its minus.";
    let mut sheet = Sheet::new(SIZE, &title, description);
    let style = letters(20.0).bold();
    sheet.text((20.0, 36.0), &style.cut(&title, TITLE_WIDTH), style);
    sheet.text((20.0, 56.0), &subtitle(channel), letters(12.5));
    let expected = expected.as_ref();
    Circuit { station, channel, expected }.draw(&mut sheet);
    tables::draw(&mut sheet, channel, expected);
    sheet.text((20.0, SIZE.1 - 10.0), CODES, letters(12.0).bold());
    sheet.finish()
}

fn subtitle(channel: &ChannelSpec) -> String {
    let mount = match &channel.mounting {
        Mounting::TwoAxis => "mount that faces the sun".to_owned(),
        Mounting::Fixed(plane) => {
            let normal = plane.normal();
            let tilt = normal.up.clamp(-1.0, 1.0).acos().to_degrees();
            let azimuth = normal.east.atan2(normal.north).to_degrees().rem_euclid(360.0);
            format!("fixed, tilt {tilt:.0} degrees, facing {azimuth:.0} degrees from north")
        }
    };
    let simulated = if channel.device.is_some() { "; simulated, nothing to wire" } else { "" };
    format!("{mount}; drawn from the station file{simulated}")
}

/// The whole station as one HTML page; printed, each channel is a page of its own.
#[must_use]
pub fn page(station: &Station) -> String {
    let name = escape(&station.name);
    let mut page = format!("{HEAD}<title>{name}: wiring</title>\n</head>\n<body>\n");
    write!(page, "<section>\n<h1>{name}: wiring</h1>\n{ORDER}<ul>\n").expect(MEMORY);
    for channel in &station.channels {
        let name = &channel.name;
        writeln!(page, "<li><a href=\"#{name}\">{name}</a></li>").expect(MEMORY);
    }
    page.push_str("</ul>\n</section>\n");
    for channel in &station.channels {
        let svg = drawing(station, channel);
        write!(page, "<section id=\"{}\">\n{svg}</section>\n", channel.name).expect(MEMORY);
    }
    page.push_str("</body>\n</html>\n");
    page
}

const MEMORY: &str = "writing to memory does not fail";

const HEAD: &str = "<!DOCTYPE html>
<html lang=\"en\">
<head>
<meta charset=\"utf-8\"/>
<style>
@page { size: A4 landscape; margin: 8mm; }
body { font-family: Helvetica, Arial, sans-serif; color: #111; background: #fff; margin: 1em; }
section { break-after: page; max-width: 1120px; margin: 0 auto 2em; }
section:last-child { break-after: auto; }
li { margin: 0.3em 0; }
svg { width: 100%; height: auto; display: block; }
@media print {
  body { margin: 0; }
  section { margin: 0; }
  svg { width: auto; height: 192mm; margin: 0 auto; }
}
</style>
";

const ORDER: &str = "<p>This is no replacement for local electrical codes and licensed practice, \
which rule wherever they differ. A photovoltaic device is live whenever it is lit and can't be \
switched off.</p>
<h2>In this order</h2>
<ol>
<li>Cover the device, turn it away from the sun, or wait for the night. Lock Q1 open.</li>
<li>Wire from the load toward the device; the device comes last. Frame and cases to earth.</li>
<li>Check the plus and the minus of every lead by colour, by mark and with a meter.</li>
<li>Uncover. With Q1 open, measure 1 to 2: the sign first, then the volts against the table.</li>
<li>Load's input off, boost supply on: measure 3 to 4. Close Q1: 5 to 6 is the sum of both.</li>
<li>Only then let the program close the load's input.</li>
<li>To take apart: input off, read 0 A, open Q1, boost supply off, cover the device.</li>
</ol>
<h2>Channels</h2>
";
