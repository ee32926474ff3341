//! What a yield rests on, in words.

use super::device::Stated;
use crate::yields::{Chain, Hour, Mount, Optics, Weather, Yield};
use cresthold_sim::sky::incidence::Glass;
use cresthold_sim::sky::sun::Site;
use cresthold_sim::sky::transpose::DiffuseSky;
use cresthold_sim::thermal::Cooling;
use std::time::Duration;

/// The leap day, which typical years leave out.
const DAY: Duration = Duration::from_secs(86_400);
/// A longer jump is where a typical year goes from one year's month to another's.
const LONGEST_GAP: Duration = Duration::from_secs(20 * 86_400);

/// Weather from further away is another place's (km).
const NEAR: f64 = 100.0;
/// The earth's mean radius (km; IUGG, from memory).
const EARTH: f64 = 6371.0;

/// How far two places are apart (km), along a great circle.
fn apart(a: &Site, b: &Site) -> f64 {
    let (north, south) = (a.latitude().to_radians(), b.latitude().to_radians());
    let turn = (a.longitude() - b.longitude()).to_radians();
    let cosine = north.sin() * south.sin() + north.cos() * south.cos() * turn.cos();
    EARTH * cosine.clamp(-1.0, 1.0).acos()
}

/// What the weather lacks and the chain made up, and where it does not fit.
pub(super) fn notes(stated: &Stated, weather: &Weather, chain: &Chain) -> Vec<String> {
    let hours = &weather.hours;
    let count = |lacks: &dyn Fn(&Hour) -> bool| hours.iter().filter(|hour| lacks(hour)).count();
    let calm = count(&|hour| hour.wind.is_none());
    let decomposed = count(&|hour| {
        let lit = hour.global.is_some_and(|global| global.0 > 0.0);
        lit && hour.direct.is_none() && hour.diffuse.is_none()
    });
    let gaps = hours.windows(2).filter(|pair| {
        let apart = pair[1].start.saturating_since(pair[0].start);
        let leap_day = pair[0].month != pair[1].month && apart == weather.span + DAY;
        apart > weather.span && apart < LONGEST_GAP && !leap_day
    });
    let dry = count(&|hour| hour.water.is_none());
    let mut notes = Vec::new();
    if let Some(far) = stated.site.map(|site| apart(&site, &weather.site)).filter(|far| *far > NEAR)
    {
        notes.push(format!("the weather is from {far:.0} km away of where the station stands"));
    }
    if chain.absorber.is_some() && dry > 0 {
        notes.push(format!(
            "{dry} spans without the air's water: the light's colour is left out there"
        ));
    }
    if calm > 0 && chain.optics.is_none() {
        notes.push(format!("{calm} spans without wind: {:.1} taken", chain.wind));
    }
    if decomposed > 0 {
        notes.push(format!("{decomposed} spans with global light only: shared out after Erbs"));
    }
    let gaps = gaps.count();
    if gaps > 0 {
        notes.push(format!("gaps between spans: {gaps}; nothing is counted there"));
    }
    notes
}

/// What the yield rests on, in words.
pub(super) fn assumed(
    stated: &Stated,
    chain: &Chain,
    found: &Yield,
) -> Vec<(&'static str, String)> {
    let mount = match (chain.mount, chain.optics) {
        (Mount::Fixed { tilt, azimuth }, _) => {
            format!("fixed, tilt {tilt:.1} degrees, azimuth {azimuth:.1} degrees from north")
        }
        (Mount::OneAxis { tilt, azimuth, range }, _) => format!(
            "one axis, tilt {tilt:.1} degrees, azimuth {azimuth:.1} degrees from north, turning by \
             {range:.0} degrees"
        ),
        (Mount::TwoAxis, Some(Optics { acceptance, pointing })) => format!(
            "two axes, direct light only, within {acceptance} degrees, pointing to {pointing} degrees"
        ),
        (Mount::TwoAxis, None) => "two axes, facing the sun".to_owned(),
    };
    let dirt = dirt_words(chain);
    let light = if chain.optics.is_some() {
        dirt
    } else {
        let sky = match chain.sky {
            DiffuseSky::Isotropic => "isotropic",
            DiffuseSky::HayDavies => "Hay and Davies",
            DiffuseSky::Perez => "Perez",
        };
        let (glass, ground) = (glass_words(&chain.glass), chain.albedo);
        format!("{sky} sky, {glass}, ground reflects {ground}, {dirt}")
    };
    let cooling = match chain.generator.thermal.cooling {
        Cooling::Wind { u0, u1 } => format!("{u0} + {u1} v W/(m2 K), v the wind in m/s"),
        Cooling::Sink { resistance } => format!("a heat sink of {resistance} K m2/W"),
    };
    let skyline = match chain.skyline.points() {
        [] => "flat".to_owned(),
        points => points.iter().map(|(a, h)| format!("{a}:{h}")).collect::<Vec<_>>().join(","),
    };
    vec![
        ("device", device_words(stated, found)),
        ("mount", mount),
        ("light", light),
        ("skyline", skyline),
        ("cooling", cooling),
    ]
}

pub(super) fn device_words(stated: &Stated, found: &Yield) -> String {
    let count = match stated.generator.count {
        1 => String::new(),
        count => format!("{count} times "),
    };
    format!("{count}{}; {:.1} rated", stated.words, found.rated)
}

pub(super) fn dirt_words(chain: &Chain) -> String {
    let least = chain.soiling.iter().copied().fold(f64::INFINITY, f64::min) * 100.0;
    let most = chain.soiling.iter().copied().fold(0.0, f64::max) * 100.0;
    if least < most { format!("dirt {least} to {most} %") } else { format!("dirt {most} %") }
}

fn glass_words(glass: &Glass) -> String {
    match glass {
        Glass::Bare => "no glass".to_owned(),
        Glass::Ashrae { b } => format!("glass after ASHRAE, b {b}"),
        Glass::Physical { index, extinction, thickness } => {
            format!("glass of index {index}, {extinction} 1/m, {:.1} mm", thickness * 1e3)
        }
        Glass::MartinRuiz { a } => format!("glass after Martin and Ruiz, a {a}"),
    }
}
