//! What a yield rests on, in words.

use super::device::Stated;
use crate::yields::{Chain, Hour, Mount, Optics, Weather, Yield};
use cresthold_sim::sky::incidence::Glass;
use cresthold_sim::sky::transpose::DiffuseSky;
use cresthold_sim::thermal::Cooling;
use std::time::Duration;

/// The leap day, which typical years leave out.
const DAY: Duration = Duration::from_secs(86_400);
/// A longer jump is where a typical year goes from one year's month to another's.
const LONGEST_GAP: Duration = Duration::from_secs(20 * 86_400);

/// What the weather lacks and the chain made up.
pub(super) fn notes(weather: &Weather, chain: &Chain) -> Vec<String> {
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
    let count = match chain.generator.count {
        1 => String::new(),
        count => format!("{count} times "),
    };
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
    let least = chain.soiling.iter().copied().fold(f64::INFINITY, f64::min) * 100.0;
    let most = chain.soiling.iter().copied().fold(0.0, f64::max) * 100.0;
    let dirt = if least < most { format!("{least} to {most}") } else { format!("{most}") };
    let light = if chain.optics.is_some() {
        format!("dirt {dirt} %")
    } else {
        let sky = match chain.sky {
            DiffuseSky::Isotropic => "isotropic",
            DiffuseSky::HayDavies => "Hay and Davies",
            DiffuseSky::Perez => "Perez",
        };
        let (glass, ground) = (glass_words(&chain.glass), chain.albedo);
        format!("{sky} sky, {glass}, ground reflects {ground}, dirt {dirt} %")
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
        ("device", format!("{count}{}; {:.1} rated", stated.words, found.rated)),
        ("mount", mount),
        ("light", light),
        ("skyline", skyline),
        ("cooling", cooling),
    ]
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
