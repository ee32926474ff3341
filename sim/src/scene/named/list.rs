//! The scenes there are, and how each is built.

use super::{Entry, Parameter, SceneError, Values};
use crate::quantities::{Celsius, Irradiance, MetresPerSecond};
use crate::scene::Scene;
use crate::scene::edges::{Edge, Edges};
use crate::scene::layout::Layout;
use crate::scene::nearby::{Birds, Creeping};
use crate::scene::outdoors::{Outdoors, Stay};
use crate::scene::pointing::{Aimed, Mount, Pointing};
use crate::scene::shade::Shade;
use crate::sky::clear::{ClearSky, Weather};
use crate::sky::clouds::{Clouds, CloudySky};
use crate::sky::plane::{GRASS_ALBEDO, Mounting, Plane};
use crate::sky::recorded::{RecordedSky, embedded_alamosa, embedded_payerne};
use crate::sky::sun::Site;
use crate::thermal::ThermalParams;
use crate::time::Utc;
use std::time::Duration;

type Built = Result<Box<dyn Scene>, SceneError>;

const fn number(
    name: &'static str,
    what: &'static str,
    unit: &'static str,
    [usual, least, greatest]: [f64; 3],
) -> Parameter {
    Parameter { name, what, unit, usual, least, greatest }
}

const fn minutes(usual: f64) -> Parameter {
    number("minutes", "how long it lasts", "min", [usual, 1.0, 1440.0])
}

const fn light(usual: f64) -> Parameter {
    number("light", "full light", "W/m2", [usual, 10.0, 1500.0])
}

/// The parameters of all scenes with clouds: cover, speed (m/s), largest wavelength (m), edge (m),
/// opacity, glare.
const fn cloudy([cover, speed, largest, edge, opacity, glare]: [f64; 6]) -> [Parameter; 8] {
    [
        minutes(60.0),
        number("cover", "share of the sky that clouds cover", "of the sky", [cover, 0.0, 1.0]),
        number("speed", "speed of the clouds", "m/s", [speed, 0.0, 60.0]),
        number("largest", "scale of the largest clouds", "m", [largest, 600.0, 102_400.0]),
        number("edge", "an edge from 10 to 90 %", "m", [edge, 1.0, 2000.0]),
        number("opacity", "what clouds take of the beam", "of the beam", [opacity, 0.0, 1.0]),
        number("glare", "largest light from a cloud's flank", "of clear sky", [glare, 0.0, 0.8]),
        number("towards", "where the clouds move to", "deg", [90.0, 0.0, 360.0]),
    ]
}

static FAIR: [Parameter; 8] = cloudy([0.25, 11.0, 3200.0, 100.0, 0.95, 0.3]);
static BROKEN: [Parameter; 8] = cloudy([0.5, 11.0, 3200.0, 100.0, 0.95, 0.4]);
static CLOSING: [Parameter; 8] = cloudy([0.75, 11.0, 6400.0, 100.0, 0.95, 0.6]);
static SCUD: [Parameter; 8] = cloudy([0.5, 22.0, 3200.0, 60.0, 0.9, 0.5]);
static VEIL: [Parameter; 8] = cloudy([0.6, 15.0, 12_800.0, 600.0, 0.4, 0.1]);

/// The parameters of sharp edges: slope (W/m2/s), low, high (W/m2), glare.
const fn sharp([slope, low, high, glare]: [f64; 4]) -> [Parameter; 5] {
    [
        minutes(15.0),
        number("slope", "largest slope", "W/m2/s", [slope, 1.0, 5000.0]),
        number("low", "in shadow", "W/m2", [low, 1.0, 1400.0]),
        number("high", "in the sun", "W/m2", [high, 10.0, 1500.0]),
        number("glare", "light from a cloud's flank", "of the sun's", [glare, 0.0, 0.8]),
    ]
}

static EDGES: [Parameter; 5] = sharp([450.0, 100.0, 1000.0, 0.0]);
static BRIGHT: [Parameter; 5] = sharp([450.0, 200.0, 900.0, 0.5]);

static STILL: [Parameter; 3] = [
    minutes(15.0),
    light(900.0),
    number("crests", "how many local crests", "crests", [3.0, 2.0, 8.0]),
];
static SHIFTING: [Parameter; 2] = [minutes(60.0), light(900.0)];

/// A thing's width and distance (m).
const fn thing([width, distance]: [f64; 2]) -> [Parameter; 4] {
    [
        minutes(60.0),
        light(900.0),
        number("width", "width of the thing", "m", [width, 0.01, 100.0]),
        number("distance", "distance of the thing", "m", [distance, 0.1, 500.0]),
    ]
}

static MAST: [Parameter; 4] = thing([0.08, 5.0]);
static CHIMNEY: [Parameter; 4] = thing([1.2, 15.0]);
static BIRDS: [Parameter; 2] = [minutes(20.0), light(900.0)];

/// The parameters of a mount.
const fn mount(cover: f64) -> [Parameter; 6] {
    [
        minutes(60.0),
        number("acceptance", "angle at which 90 % are left", "deg", [0.8, 0.05, 10.0]),
        number("slow", "slow error of the mount, rms", "deg", [0.25, 0.0, 5.0]),
        number("jitter", "jitter in gusts, rms", "deg", [0.15, 0.0, 5.0]),
        number("corner", "corner of the jitter's spectrum", "Hz", [0.5, 0.02, 5.0]),
        number("cover", "share of the sky that clouds cover", "of the sky", [cover, 0.0, 1.0]),
    ]
}

static POINTING: [Parameter; 6] = mount(0.0);
static POINTING_CLOUDS: [Parameter; 6] = mount(0.35);

/// A recorded day: from which hour (UTC), how many hours, tilt.
const fn day([from, hours, least, greatest]: [f64; 4]) -> [Parameter; 3] {
    [
        number("from", "hour at which it begins, UTC", "h", [from, least, greatest]),
        number("hours", "how long it lasts", "h", [hours, 0.02, 24.0]),
        number("tilt", "tilt of the device, facing south", "deg", [30.0, 0.0, 90.0]),
    ]
}

static PAYERNE: [Parameter; 3] = day([4.0, 15.0, 0.0, 24.0]);
static PAYERNE_BROKEN: [Parameter; 3] = day([8.0, 6.0, 0.0, 24.0]);
static ALAMOSA: [Parameter; 3] = day([14.0, 6.0, 13.0, 20.0]);

const fn entry(
    name: &'static str,
    what: &'static str,
    (group, substrings): (&'static str, usize),
    parameters: &'static [Parameter],
    build: fn(&Values, &Layout, u64) -> Built,
) -> Entry {
    Entry { name, what, group, substrings, parameters, build }
}

/// Groups, and the least number of substrings that they make sense with.
const CLOUDS: (&str, usize) = ("clouds", 1);
const SHARP: (&str, usize) = ("edges", 1);
const SHADE: (&str, usize) = ("shade", 2);
const CONCENTRATOR: (&str, usize) = ("concentrator", 1);
const RECORDED: (&str, usize) = ("recorded", 1);

static ENTRIES: [Entry; 17] = [
    entry("fair-weather", "few clouds on a summer noon, mild glare", CLOUDS, &FAIR, clouds),
    entry(
        "broken-clouds",
        "sun and shadow in equal parts on a summer noon",
        CLOUDS,
        &BROKEN,
        clouds,
    ),
    entry(
        "closing-sky",
        "short gaps in nearly closed cloud, glare of up to 60 %",
        CLOUDS,
        &CLOSING,
        clouds,
    ),
    entry("low-scud", "small clouds racing in strong wind, edges of 60 m", CLOUDS, &SCUD, clouds),
    entry(
        "thin-veil",
        "thin high cloud: long soft passages, half of the beam left",
        CLOUDS,
        &VEIL,
        clouds,
    ),
    entry(
        "sharp-edges",
        "shadow and sun with edges of 450 W/m2/s, straight and logistic",
        SHARP,
        &EDGES,
        edges,
    ),
    entry(
        "bright-edges",
        "the same with glare to 1.5 times the sun's light",
        SHARP,
        &BRIGHT,
        edges,
    ),
    entry(
        "still-shade",
        "partial shade that stays: some local crests nearly equal",
        SHADE,
        &STILL,
        still,
    ),
    entry(
        "shifting-shade",
        "partial shade: the global crest moves from hump to hump",
        SHADE,
        &SHIFTING,
        shifting,
    ),
    entry("mast-shadow", "a mast's soft thin shadow creeps over the row", SHADE, &MAST, creeping),
    entry(
        "chimney-shadow",
        "a chimney's broad deep shadow creeps over the row",
        SHADE,
        &CHIMNEY,
        creeping,
    ),
    entry("birds", "birds pass over the row or sit on it", SHADE, &BIRDS, birds),
    entry(
        "pointing",
        "a concentrator under clear sky, its mount shaken by wind",
        CONCENTRATOR,
        &POINTING,
        aimed,
    ),
    entry(
        "pointing-clouds",
        "the same under passing clouds",
        CONCENTRATOR,
        &POINTING_CLOUDS,
        aimed,
    ),
    entry(
        "payerne-day",
        "recorded day of broken cloud, from morning to evening",
        RECORDED,
        &PAYERNE,
        payerne,
    ),
    entry(
        "payerne-broken",
        "the six hours of that day with the most broken cloud",
        RECORDED,
        &PAYERNE_BROKEN,
        payerne,
    ),
    entry(
        "alamosa-morning",
        "recorded clear winter morning on a high plain, sunrise to noon",
        RECORDED,
        &ALAMOSA,
        alamosa,
    ),
];

/// All scenes that can be asked for by name.
#[must_use]
pub fn entries() -> &'static [Entry] {
    &ENTRIES
}

fn span(values: &Values) -> Duration {
    Duration::from_secs_f64(60.0 * values.get("minutes"))
}

/// Where the invented scenes take place: the Larkfell test yard, near Payerne's latitude.
fn yard() -> ClearSky {
    let site = Site::new(46.8, 6.9, 490.0).expect("the yard lies on the earth");
    let weather =
        Weather { turbidity: 3.0, mean: Celsius(20.0), swing: 6.0, wind: MetresPerSecond(3.0) };
    ClearSky::new(site, weather).expect("ordinary weather lies within its ranges")
}

/// Summer noon at the yard lies in the middle of a stay that begins then.
fn around_noon(length: Duration) -> Utc {
    const NOON_MICROS: i64 = 1_465_990_380_000_000; // 2016-06-15T11:33:00Z
    Utc::from_micros(NOON_MICROS) - length / 2
}

fn stay(length: Duration, mounting: Mounting) -> Stay {
    let thermal = match mounting {
        Mounting::Fixed(_) => ThermalParams::OPEN_RACK,
        Mounting::TwoAxis => ThermalParams::HEAT_SINK,
    };
    Stay { began: around_noon(length), length, mounting, thermal }
}

fn facing_south(tilt: f64) -> Mounting {
    let plane = Plane::new(tilt, 180.0, GRASS_ALBEDO);
    Mounting::Fixed(plane.expect("the tilt is checked against 0..=90"))
}

fn clouds(values: &Values, layout: &Layout, seed: u64) -> Built {
    let clouds = Clouds {
        cover: values.get("cover"),
        speed: MetresPerSecond(values.get("speed")),
        towards: values.get("towards"),
        largest: values.get("largest"),
        edge: values.get("edge"),
        opacity: values.get("opacity"),
        enhancement: values.get("glare"),
    };
    let sky = CloudySky::new(yard(), clouds, seed)?;
    Ok(Box::new(Outdoors::new(sky, stay(span(values), facing_south(30.0)), layout)))
}

fn edges(values: &Values, _layout: &Layout, seed: u64) -> Built {
    let edge = Edge {
        low: Irradiance(values.get("low")),
        high: Irradiance(values.get("high").max(values.get("low"))),
        slope: values.get("slope"),
        glare: values.get("glare"),
    };
    Ok(Box::new(Edges::new(edge, span(values), seed)))
}

#[expect(clippy::cast_possible_truncation, reason = "checked against 2..=8")]
#[expect(clippy::cast_sign_loss, reason = "checked against 2..=8")]
fn still(values: &Values, layout: &Layout, seed: u64) -> Built {
    let crests = values.get("crests").round() as usize;
    let full = Irradiance(values.get("light"));
    Ok(Box::new(Shade::still(layout.count(), crests, full, span(values), seed)))
}

fn shifting(values: &Values, layout: &Layout, seed: u64) -> Built {
    let full = Irradiance(values.get("light"));
    Ok(Box::new(Shade::shifting(layout.count(), full, span(values), seed)))
}

fn creeping(values: &Values, layout: &Layout, seed: u64) -> Built {
    let thing = (values.get("width"), values.get("distance"));
    let full = Irradiance(values.get("light"));
    Ok(Box::new(Creeping::new(layout, thing, full, span(values), seed)))
}

fn birds(values: &Values, layout: &Layout, seed: u64) -> Built {
    let full = Irradiance(values.get("light"));
    Ok(Box::new(Birds::new(layout, full, span(values), seed)))
}

fn aimed(values: &Values, _layout: &Layout, seed: u64) -> Built {
    let mount = Mount {
        acceptance: values.get("acceptance"),
        slow: values.get("slow"),
        jitter: values.get("jitter"),
        corner: values.get("corner"),
        ..Mount::default()
    };
    let clouds = Clouds { cover: values.get("cover"), largest: 6400.0, ..Clouds::default() };
    let sky = CloudySky::new(yard(), clouds, seed)?;
    let stay = stay(span(values), Mounting::TwoAxis);
    Ok(Box::new(Aimed::new(sky, stay, Pointing::new(mount, seed))))
}

fn payerne(values: &Values, _layout: &Layout, seed: u64) -> Built {
    let (day, site) = embedded_payerne();
    recorded(values, RecordedSky::new(day, site, seed))
}

fn alamosa(values: &Values, _layout: &Layout, seed: u64) -> Built {
    let (day, site) = embedded_alamosa();
    recorded(values, RecordedSky::new(day, site, seed))
}

/// A record says nothing about its surroundings: the whole device sees the same.
fn recorded(values: &Values, sky: RecordedSky) -> Built {
    let hours = |name| Duration::from_secs_f64(3600.0 * values.get(name));
    let stay = Stay {
        began: sky.day().start().day_start() + hours("from"),
        length: hours("hours"),
        mounting: facing_south(values.get("tilt")),
        thermal: ThermalParams::OPEN_RACK,
    };
    Ok(Box::new(Outdoors::new(sky, stay, &Layout::point())))
}
