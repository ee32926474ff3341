//! From an hour of weather to light on the device, by parts.
//!
//! Model: the parts are kept apart by how clouds change them: the beam, which a cloud takes away, and the
//! rest. The brighter sky about the sun belongs to the rest: the mean of a cloudy hour is no share of what
//! a clear moment has.

use super::chain::{Chain, ChainError, Sun};
use super::mounting::Mount;
use super::weather::Hour;
use crate::quantities::Irradiance;
use cresthold_sim::sky::clear::Components;
use cresthold_sim::sky::decompose::erbs;
use cresthold_sim::sky::incidence::DiffuseModifiers;
use cresthold_sim::sky::plane::Plane;
use cresthold_sim::sky::{SkyState, SunVector};

/// Direct light is not made of global and diffuse below this cosine of the zenith angle (87 degrees):
/// an error of the one would be a bright sun of the other.
const LOWEST_SUN: f64 = 0.052_335_956_242_943_84;

/// Light on a device over a span (W/m2), on the plane and as it reaches the cells.
#[derive(Clone, Copy, Debug)]
pub(super) struct Light {
    pub(super) state: SkyState,
    /// From the sun's disk: on the plane, at the cells.
    pub(super) beam: [Irradiance; 2],
    /// From the sky and the ground.
    pub(super) rest: [Irradiance; 2],
    /// What the light's colour makes of it (factor), in what reaches the cells.
    pub(super) colour: f64,
}

impl Light {
    pub(super) fn plane(&self) -> Irradiance {
        self.beam[0] + self.rest[0]
    }

    pub(super) fn effective(&self) -> Irradiance {
        self.beam[1] + self.rest[1]
    }
}

impl Chain {
    /// What the glass lets through of even light, on a plane that doesn't turn.
    pub(super) fn spread_through_glass(&self) -> Option<DiffuseModifiers> {
        match self.mount {
            Mount::Fixed { .. } => {
                let normal = self.mount.normal(SunVector::from_degrees(0.0, 0.0));
                Some(self.glass.diffuse(normal.zenith_degrees()))
            }
            _ => None,
        }
    }

    /// The light of a span; `row` counts from zero.
    pub(super) fn light(
        &self,
        (row, hour): (usize, &Hour),
        Sun { place: sun, extra, air_mass }: Sun,
        spread: Option<DiffuseModifiers>,
    ) -> Result<Light, ChainError> {
        let state = self.state(hour, sun, extra).map_err(|what| ChainError::Missing {
            row: row + 1,
            start: hour.start,
            what,
        })?;
        let open = self.skyline.is_flat()
            || 90.0 - sun.zenith_degrees() >= self.skyline.height(sun.azimuth_degrees());
        let clean = 1.0 - self.soiling[usize::from(hour.month.clamp(1, 12)) - 1];
        if let Some(optics) = self.optics {
            let seen = if open && sun.up > 0.0 { state.direct } else { Irradiance::ZERO };
            let beam = [seen, seen * (clean * optics.share())];
            return Ok(Light { state, beam, rest: [Irradiance::ZERO; 2], colour: 1.0 });
        }
        let colour = match (self.absorber, hour.water) {
            (Some(absorber), Some(water)) if sun.up > 0.0 => absorber.factor(air_mass, water),
            _ => 1.0,
        };
        let normal = self.mount.normal(sun);
        let plane = Plane::facing(normal, hour.albedo.unwrap_or(self.albedo))?;
        let mut parts = self.sky.on(&plane, &state, extra);
        if !open {
            parts.direct = Irradiance::ZERO;
            parts.circumsolar = Irradiance::ZERO;
        }
        parts.isotropic = parts.isotropic * self.skyline.open();
        let spread = spread.unwrap_or_else(|| self.glass.diffuse(normal.zenith_degrees()));
        let even = parts.isotropic + parts.horizon;
        let squarely = self.glass.beam(normal.dot(sun));
        let through =
            parts.circumsolar * squarely + even * spread.sky + parts.ground * spread.ground;
        Ok(Light {
            state,
            beam: [parts.direct, parts.direct * (squarely * clean * colour)],
            rest: [parts.circumsolar + even + parts.ground, through * (clean * colour)],
            colour,
        })
    }

    /// The sky of a span; else which light is missing.
    fn state(
        &self,
        hour: &Hour,
        sun: SunVector,
        extra: Irradiance,
    ) -> Result<SkyState, &'static str> {
        let light = match (hour.direct, self.optics) {
            // A concentrator needs no more.
            (Some(direct), Some(_)) if hour.global.is_none() => {
                let diffuse = hour.diffuse.unwrap_or(Irradiance::ZERO);
                Components { global: direct * sun.up.max(0.0) + diffuse, direct, diffuse }
            }
            _ => components(hour, sun, extra)?,
        };
        Ok(SkyState {
            global: light.global,
            direct: light.direct,
            diffuse: light.diffuse,
            air: hour.air,
            wind: hour.wind.unwrap_or(self.wind),
            sun,
        })
    }
}

/// Global, direct and diffuse light of a span; else which is missing.
fn components(hour: &Hour, sun: SunVector, extra: Irradiance) -> Result<Components, &'static str> {
    let up = sun.up.max(0.0);
    match (hour.global, hour.direct, hour.diffuse) {
        (global, Some(direct), Some(diffuse)) => {
            let global = global.unwrap_or(direct * up + diffuse);
            Ok(Components { global, direct, diffuse })
        }
        (Some(global), Some(direct), None) => {
            let diffuse = (global - direct * up).max(Irradiance::ZERO);
            Ok(Components { global, direct, diffuse })
        }
        (Some(global), None, Some(diffuse)) => {
            let direct = if up > LOWEST_SUN {
                ((global - diffuse) / up).max(Irradiance::ZERO).min(extra)
            } else {
                Irradiance::ZERO
            };
            Ok(Components { global, direct, diffuse })
        }
        (Some(global), None, None) => Ok(erbs(global, extra, sun.zenith_degrees())),
        (None, Some(_), None) => Err("global or diffuse"),
        (None, None, _) => Err("global"),
    }
}
