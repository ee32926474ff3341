//! One channel's circuit: the loop, what hangs on it, and the cautions where they bite.
//!
//! Model: plus above, minus below, light from the left, heat to the right. The boost supply is in
//! the device's return: its plus to the device's minus, so that load volts are the sum of both.

use super::figures::Expected;
use super::sensors::{self, described};
use super::sheet::{HAIRLINE, Letters, OUTLINE, Place, Sheet, letters};
use super::symbols::{self, NEGATIVE, POSITIVE, SENSE};
use crate::quantities::{Amps, Ohms, Volts};
use crate::station::{Address, BoostSpec, ChannelSpec, Mounting, Station};

/// The loop's two conductors (px down).
const TOP: f64 = 205.0;
const BOTTOM: f64 = 440.0;
/// What stands along them (px right).
const DEVICE: f64 = 150.0;
const DISCONNECT: f64 = 335.0;
const FUSE: f64 = 440.0;
const BOOST: f64 = 520.0;
const LEAD: f64 = 620.0;
const LOAD: f64 = 830.0;
/// The load's box.
const LOAD_CORNER: Place = (770.0, 235.0);
const LOAD_SIZE: Place = (120.0, 170.0);
/// Sense leads (px down).
const SENSE_PLUS: f64 = 256.0;
const SENSE_MINUS: f64 = 388.0;
pub(super) const BODY: Letters = letters(11.5);
/// Lines that an address and an identity may take before they are cut.
const ADDRESS_LINES: usize = 4;
const IDENTITY_LINES: usize = 2;

/// What the circuit is drawn from.
#[derive(Clone, Copy)]
pub(super) struct Circuit<'a> {
    pub(super) station: &'a Station,
    pub(super) channel: &'a ChannelSpec,
    pub(super) expected: Option<&'a Expected>,
}

impl Circuit<'_> {
    pub(super) fn draw(self, sheet: &mut Sheet) {
        self.conductors(sheet);
        self.sense(sheet);
        self.device(sheet);
        self.disconnect(sheet);
        self.load(sheet);
        self.boost(sheet);
        self.earth(sheet);
    }

    /// The largest voltage and current that the disconnect and the fuse must carry.
    fn extremes(self) -> (Volts, Amps) {
        self.expected.map_or_else(
            || {
                let envelope = &self.channel.control.envelope;
                let volts = envelope.device_volts_max + self.channel.control.path.boost;
                (volts, envelope.device_amps_max)
            },
            |expected| {
                let (volts, amps) = (expected.largest_open().load, expected.bright_short.amps);
                (Volts(rounded_up(volts.0)), Amps(rounded_up(amps.0)))
            },
        )
    }

    fn conductors(self, sheet: &mut Sheet) {
        sheet.line(&[(DEVICE, 260.0), (DEVICE, TOP), (LOAD, TOP), (LOAD, 235.0)], POSITIVE);
        sheet.line(&[(DEVICE, 380.0), (DEVICE, BOTTOM), (LOAD, BOTTOM), (LOAD, 405.0)], NEGATIVE);
        sheet.arrow((705.0, TOP - 12.0), (750.0, TOP - 12.0), OUTLINE);
        sheet.text((727.0, TOP - 20.0), "I", BODY.bold().middle());
        symbols::device(sheet, (DEVICE, 320.0));
        symbols::load(sheet, LOAD_CORNER, LOAD_SIZE);
        let upper = symbols::pole(sheet, (DISCONNECT, TOP), POSITIVE);
        let lower = symbols::pole(sheet, (DISCONNECT, BOTTOM), NEGATIVE);
        symbols::linked(sheet, upper, lower);
        symbols::fuse(sheet, (FUSE, TOP), 22.0, POSITIVE);
        for (at, number) in [
            ((DEVICE, 228.0), "1"),
            ((DEVICE, 415.0), "2"),
            ((LOAD, 220.0), "5"),
            ((LOAD, 423.0), "6"),
        ] {
            symbols::point(sheet, at, number);
        }
        sheet.text((265.0, TOP - 7.0), "+", BODY.bold().middle());
        sheet.text((265.0, BOTTOM - 7.0), "\u{2212}", BODY.bold().middle());
        let lead = self.channel.control.path.lead;
        if lead > Ohms::ZERO {
            symbols::resistor(sheet, (LEAD, TOP));
            let text = format!("leads in all: {} ohm", lead.0);
            sheet.text((LEAD, TOP - 14.0), &text, BODY.middle());
        }
    }

    /// Sense leads reach as far as no lead resistance is stated.
    fn sense(self, sheet: &mut Sheet) {
        sheet.text((LOAD_CORNER.0 + 7.0, SENSE_PLUS + 4.0), "S+", letters(10.5));
        sheet.text((LOAD_CORNER.0 + 7.0, SENSE_MINUS + 4.0), "S\u{2212}", letters(10.5));
        let left = LOAD_CORNER.0;
        if self.channel.control.path.lead > Ohms::ZERO {
            let near = left - 25.0;
            sheet.line(&[(left, SENSE_PLUS), (near, SENSE_PLUS), (near, TOP)], SENSE);
            sheet.line(&[(left, SENSE_MINUS), (near, SENSE_MINUS), (near, BOTTOM)], SENSE);
            symbols::joint(sheet, (near, TOP));
            symbols::joint(sheet, (near, BOTTOM));
            let text = "Sense leads end here, at the load, or reach as far as lead_ohms leaves \
                        out.";
            sheet.paragraph((590.0, 300.0), 145.0, text, BODY);
            return;
        }
        sheet.line(&[(left, SENSE_PLUS), (DEVICE, SENSE_PLUS)], SENSE);
        symbols::joint(sheet, (DEVICE, SENSE_PLUS));
        symbols::fuse(sheet, (235.0, SENSE_PLUS), 14.0, SENSE);
        sheet.text((258.0, SENSE_PLUS - 6.0), "F2", BODY.bold());
        let mut text = "Sense leads to 1 and 4 (lead_ohms = 0): 2 to 3 must be short. S+ stays \
                        live when Q1 is open: a small DC fuse F2 at the device."
            .to_owned();
        if self.channel.boost.is_some() {
            sheet.line(&[(left, SENSE_MINUS), (650.0, SENSE_MINUS), (650.0, BOTTOM)], SENSE);
            symbols::joint(sheet, (650.0, BOTTOM));
        } else {
            text = "Sense leads to 1 and 2 (lead_ohms = 0). Both stay live when Q1 is open: small \
                    DC fuses F2, F3 at the device."
                .to_owned();
            sheet.line(&[(left, SENSE_MINUS), (DEVICE, SENSE_MINUS)], SENSE);
            symbols::joint(sheet, (DEVICE, SENSE_MINUS));
            symbols::fuse(sheet, (235.0, SENSE_MINUS), 14.0, SENSE);
            sheet.text((258.0, SENSE_MINUS + 16.0), "F3", BODY.bold());
        }
        sheet.paragraph((575.0, 285.0), 165.0, &text, BODY);
    }

    fn device(self, sheet: &mut Sheet) {
        let channel = self.channel;
        let input = match self.expected {
            Some(expected) => {
                format!("\"Input off\" leaves {:.1} on 1 and 2.", expected.open.device)
            }
            None => "\"Input off\" leaves the open-circuit voltage on 1 and 2.".to_owned(),
        };
        let text = format!("It can't be switched off: cover it, or work at night. {input}");
        caution(sheet, (20.0, 86.0), 255.0, "Live whenever it is lit", &text);
        sheet.text((206.0, 290.0), "DEVICE", letters(13.0).bold());
        let what = channel.device.map_or("as on its data sheet", |device| device.name());
        let y = sheet.paragraph((206.0, 306.0), 112.0, what, BODY);
        let sensors = sensors::Sensors::of(self.station, channel);
        if sensors.module {
            symbols::temperature(sheet, (195.0, y + 8.0));
            sheet.paragraph((222.0, y + 8.0), 100.0, "temperature at the back", BODY);
        }
        let beam = channel.mounting == Mounting::TwoAxis;
        if sensors.irradiance {
            symbols::irradiance(sheet, (36.0, 205.0));
            let text = if beam { "direct irradiance" } else { "irradiance in this plane" };
            sheet.paragraph((56.0, 204.0), 82.0, text, BODY);
        } else {
            sheet.paragraph((20.0, 204.0), 110.0, "no irradiance sensor stated", BODY);
        }
        let mut y = 466.0;
        if beam {
            let text = "Fire and eyes: never reach or look into the beam. Off sun before any work \
                        here; the mount must turn away by itself when the channel lets go.";
            y = caution(sheet, (20.0, y), 275.0, "Where light is concentrated", text);
        }
        sensors.draw(sheet, (20.0, y + 8.0), 285.0);
    }

    fn disconnect(self, sheet: &mut Sheet) {
        let (volts, amps) = self.extremes();
        let text = "Never pull a connector or a fuse under load. Open Q1 only when the current is \
                    zero: input off, read 0 A, then open.";
        caution(sheet, (300.0, 86.0), 280.0, "DC arcs don't go out by themselves", text);
        sheet.text((DISCONNECT - 9.0, TOP + 24.0), "Q1", BODY.bold().end());
        sheet.text((FUSE, TOP + 24.0), "F1", BODY.bold().middle());
        let text = format!("Q1: DC disconnect, both poles, {volts:.1} and {amps:.1} DC or more.");
        let y = sheet.paragraph((360.0, 284.0), 200.0, &text, BODY);
        let text = format!(
            "F1: DC fuse, {volts:.1} DC or more, above {amps:.1}, at most what the device allows \
             in series."
        );
        sheet.paragraph((360.0, y + 4.0), 200.0, &text, BODY);
    }

    fn load(self, sheet: &mut Sheet) {
        const LEFT: f64 = 905.0;
        const WIDTH: f64 = 200.0;
        let load = &self.channel.load;
        let heat = match self.expected {
            Some(expected) => format!("Up to {:.0} of heat", expected.bright_crest.heat),
            None => format!("Up to {:.0} of heat", self.channel.control.envelope.load_watts_max),
        };
        let text = format!("{heat}. Air on all sides, nothing that burns nearby; hot long after.");
        caution(sheet, (800.0, 96.0), 300.0, "Hot load", &text);
        let mut y = reached(sheet, (LEFT, 248.0), WIDTH, (&load.address, load.identity.as_ref()));
        let text = format!("Set its own protection to {}.", load.current_protection);
        y = sheet.paragraph((LEFT, y), WIDTH, &text, BODY);
        sheet.paragraph((LEFT, y), WIDTH, "Its input floats: neither end earthed.", BODY);
    }

    fn boost(self, sheet: &mut Sheet) {
        const LEFT: f64 = 330.0;
        const WIDTH: f64 = 205.0;
        let Some(boost) = &self.channel.boost else {
            let text = match self.channel.control.envelope.capability.volts_for(self.extremes().1) {
                Some(volts) => format!(
                    "No boost supply: at {:.1} the load stops some {volts:.1} above short circuit.",
                    self.extremes().1
                ),
                None => "No boost supply: the load can't reach short circuit.".to_owned(),
            };
            sheet.paragraph((LEFT, 478.0), 300.0, &text, BODY);
            return;
        };
        symbols::supply(sheet, (BOOST, BOTTOM), &format!("{:.1}", boost.volts));
        symbols::point(sheet, (BOOST - 75.0, BOTTOM), "3");
        symbols::point(sheet, (BOOST + 75.0, BOTTOM), "4");
        let y = match &boost.address {
            Some(address) => {
                reached(sheet, (LEFT, 484.0), WIDTH, (address, boost.identity.as_ref()))
            }
            None => {
                let text = "no link: set by hand, always on, also at night";
                sheet.paragraph((LEFT, 484.0), WIDTH, text, BODY)
            }
        };
        let text = format!("Rating {} or more. Its output floats: not earthed.", boost.amps);
        sheet.paragraph((LEFT, y), WIDTH, &text, BODY);
        caution(sheet, (600.0, 466.0), 275.0, "Boost polarity", &self.polarity(boost));
    }

    fn polarity(self, boost: &BoostSpec) -> String {
        let told =
            self.expected.and_then(|expected| Some((expected.open.load, expected.reversed_open?)));
        let (right, wrong) = match told {
            Some((right, wrong)) => {
                (format!(" ({right:.1} at 1000 W/m\u{b2})"), format!(" ({wrong:.1})"))
            }
            None => (String::new(), String::new()),
        };
        format!(
            "3 (+) to the device's minus. Input off, boost on, Q1 closed: 5 to 6 must read {:.1} \
             more than 1 to 2{right}. Less{wrong} means reversed: open Q1, exchange.",
            boost.volts
        )
    }

    fn earth(self, sheet: &mut Sheet) {
        symbols::earth(sheet, &[(105.0, 360.0), (80.0, 360.0)], (80.0, 372.0));
        symbols::earth(sheet, &[(890.0, 396.0), (915.0, 396.0)], (915.0, 400.0));
        if self.channel.boost.is_some() {
            symbols::earth(sheet, &[(555.0, 462.0)], (555.0, 464.0));
        }
        sheet.text((895.0, 478.0), "Earth", BODY.bold());
        let text = "Frame, mount and cases on protective earth. The loop itself at one point at \
                    most, where your code asks for it.";
        sheet.paragraph((895.0, 493.0), 205.0, text, BODY);
    }
}

/// To tenths: a rating must not lose what rounding takes off.
fn rounded_up(value: f64) -> f64 {
    (value * 10.0).ceil() / 10.0
}

/// How an instrument is reached and what it must answer; returns the base line below.
fn reached(
    sheet: &mut Sheet,
    at: Place,
    width: f64,
    (address, identity): (&Address, Option<&String>),
) -> f64 {
    let lines = BODY.wrap_cut(&described(address), width, ADDRESS_LINES);
    let y = sheet.lines(at, &lines, BODY);
    let Some(identity) = identity else { return y };
    let lines = BODY.wrap_cut(&format!("*IDN? has \"{identity}\""), width, IDENTITY_LINES);
    sheet.lines((at.0, y), &lines, BODY)
}

/// A caution with its sign; `at` is the upper left corner. Returns the base line below.
fn caution(sheet: &mut Sheet, at: Place, width: f64, heading: &str, text: &str) -> f64 {
    const INDENT: f64 = 28.0;
    symbols::caution(sheet, at);
    sheet.text((at.0 + INDENT, at.1 + 14.0), heading, letters(12.5).bold());
    let end = sheet.paragraph((at.0 + INDENT, at.1 + 30.0), width - INDENT, text, BODY);
    sheet.line(&[(at.0 + INDENT - 6.0, at.1 + 20.0), (at.0 + INDENT - 6.0, end - 10.0)], HAIRLINE);
    end
}
