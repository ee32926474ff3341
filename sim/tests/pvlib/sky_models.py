"""Writes sky_models.csv and sun_year.csv: each model of the sky on random cases, by pvlib.

    python sim/tests/pvlib/sky_models.py

Versions: requirements.txt. Inputs are rounded before anything is computed, so that
the tables are exact in them; outputs carry eight digits, angles five decimals. pvlib's functions are called
one by one, with their defaults unless said otherwise.
"""

import pathlib

import numpy as np
import pandas as pd
import pvlib
from pvlib import atmosphere, iam, irradiance, solarposition, temperature

assert pvlib.__version__ == "0.16.1", pvlib.__version__
ROWS = 10_000
SEED = 20261128
HERE = pathlib.Path(__file__)


def models(rng):
    """Inputs, then outputs, column by column."""
    day = rng.integers(1, 366, ROWS)
    zenith = np.round(rng.uniform(0.5, 89.5, ROWS), 2)
    azimuth = np.round(rng.uniform(0, 360, ROWS), 1)
    tilt = np.round(rng.uniform(0, 180, ROWS), 1)
    tilt[rng.uniform(size=ROWS) < 0.7] /= 2
    tilt = np.round(tilt, 1)
    facing = np.round(rng.uniform(0, 360, ROWS), 1)
    albedo = np.round(rng.uniform(0, 0.9, ROWS), 2)
    direct = np.round(rng.uniform(0, 1050, ROWS), 1)
    direct[rng.uniform(size=ROWS) < 0.15] = 0.0
    diffuse = np.round(10 ** rng.uniform(0, 2.8, ROWS), 2)
    share = rng.uniform(0, 1.1, ROWS)
    extra = irradiance.get_extra_radiation(day)
    cosine = np.cos(np.radians(zenith))
    known = np.round(share * extra * cosine, 2)  # a global of its own, for Erbs
    air = np.round(rng.uniform(-30, 45, ROWS), 1)
    wind = np.round(rng.uniform(0, 20, ROWS), 1)
    inputs = dict(day=day, zenith=zenith, azimuth=azimuth, tilt=tilt, facing=facing, albedo=albedo,
                  direct=direct, diffuse=diffuse, known=known, air=air, wind=wind)

    mass = atmosphere.get_relative_airmass(zenith)
    parts = irradiance.erbs(known, zenith, day)
    aoi = irradiance.aoi(tilt, facing, zenith, azimuth)
    hay = irradiance.haydavies(tilt, facing, diffuse, direct, extra, zenith, azimuth)
    perez = irradiance.perez(tilt, facing, diffuse, direct, extra, zenith, azimuth, mass,
                             return_components=True)
    ruiz = iam.martin_ruiz_diffuse(tilt)
    whole = direct * cosine + diffuse
    outputs = dict(
        extra=extra, mass=mass, erbs_direct=parts["dni"], erbs_diffuse=parts["dhi"],
        beam=direct * np.maximum(irradiance.aoi_projection(tilt, facing, zenith, azimuth), 0),
        isotropic=irradiance.isotropic(tilt, diffuse), hay=hay,
        perez=perez["poa_sky_diffuse"], circumsolar=perez["poa_circumsolar"],
        ground=irradiance.get_ground_diffuse(tilt, whole, albedo),
        ashrae=iam.ashrae(aoi), physical=iam.physical(aoi), ruiz=iam.martin_ruiz(aoi),
        ruiz_sky=ruiz["sky"], ruiz_ground=ruiz["ground"],
        cell=temperature.faiman(whole, air, wind),
    )
    return inputs, outputs


def sun(rng):
    """A year of random seconds, everywhere on the earth."""
    second = np.sort(rng.integers(1704067200, 1704067200 + 366 * 86400, ROWS))  # 2024
    latitude = np.round(np.degrees(np.arcsin(rng.uniform(-1, 1, ROWS))), 3)
    longitude = np.round(rng.uniform(-180, 180, ROWS), 3)
    height = np.round(rng.uniform(0, 4000, ROWS))
    rows = []
    for at, north, east, up in zip(second, latitude, longitude, height):
        spot = solarposition.get_solarposition(
            pd.DatetimeIndex([pd.Timestamp(at, unit="s", tz="UTC")]), north, east, up,
            pressure=atmosphere.alt2pres(up), temperature=12, method="nrel_numpy", delta_t=None,
        ).iloc[0]
        rows.append(f"{at},{north:g},{east:g},{up:g},{spot.zenith:.5f},"
                    f"{spot.apparent_zenith:.5f},{spot.azimuth:.5f}\n")
    return rows


def main():
    rng = np.random.default_rng(SEED)
    with np.errstate(all="ignore"):
        inputs, outputs = models(rng)
    with open(HERE.with_name("sky_models.csv"), "w", newline="") as out:
        out.write(",".join([*inputs, *outputs]) + "\n")
        for row in zip(*inputs.values(), *outputs.values()):
            given = [f"{float(value):.7g}" for value in row[: len(inputs)]]
            found = [f"{float(value):.8g}" for value in row[len(inputs):]]
            out.write(",".join(given + found) + "\n")
    with open(HERE.with_name("sun_year.csv"), "w", newline="") as out:
        out.write("second,latitude,longitude,height,zenith,apparent_zenith,azimuth\n")
        out.writelines(sun(rng))


if __name__ == "__main__":
    main()
