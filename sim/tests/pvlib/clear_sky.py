"""Writes clear_sky.csv, the check values of the clear-sky and sun-position tests.

Run: pip install pvlib==0.16.1 (BSD-3-Clause), then python3 sim/tests/pvlib/clear_sky.py
Random times and places from a fixed seed; the sun is above 3 degrees in every row.
pvlib's `ineichen` carries no enhancement for very clear skies here (perez_enhancement=False).
"""

import csv
import pathlib
import random

import pandas as pd
import pvlib

assert pvlib.__version__ == "0.16.1", pvlib.__version__
ROWS = 200
draw = random.Random(20160615)
rows = []
while len(rows) < ROWS:
    second = draw.randrange(1104537600, 1893456000, 60)  # 2005 to 2029, full minutes
    latitude = round(draw.uniform(-66, 66), 3)
    longitude = round(draw.uniform(-180, 180), 3)
    elevation = round(draw.uniform(0, 4000), 0)
    turbidity = round(draw.uniform(1.5, 7), 2)
    at = pd.DatetimeIndex([pd.Timestamp(second, unit="s", tz="UTC")])
    pressure = pvlib.atmosphere.alt2pres(elevation)
    sun = pvlib.solarposition.get_solarposition(
        at, latitude, longitude, elevation, pressure=pressure, temperature=12,
        method="nrel_numpy", delta_t=None,
    ).iloc[0]
    if sun.apparent_elevation < 3:
        continue
    extra = pvlib.irradiance.get_extra_radiation(at, 1366.1, method="spencer").iloc[0]
    relative = pvlib.atmosphere.get_relative_airmass(sun.apparent_zenith, "kastenyoung1989")
    absolute = pvlib.atmosphere.get_absolute_airmass(relative, pressure)
    sky = pvlib.clearsky.ineichen(
        sun.apparent_zenith, absolute, turbidity, elevation, extra, perez_enhancement=False
    )
    rows.append([
        at[0].strftime("%Y-%m-%dT%H:%M:%SZ"), latitude, longitude, elevation, turbidity,
        f"{sun.apparent_zenith:.6f}", f"{sun.azimuth:.6f}", f"{extra:.4f}", f"{absolute:.6f}",
        f"{sky['ghi']:.4f}", f"{sky['dni']:.4f}", f"{sky['dhi']:.4f}",
    ])
with open(pathlib.Path(__file__).with_name("clear_sky.csv"), "w", newline="") as file:
    out = csv.writer(file, lineterminator="\n")
    out.writerow("time_utc,latitude,longitude,elevation,turbidity,apparent_zenith,azimuth,"
                 "extraterrestrial,airmass,ghi,dni,dhi".split(","))
    out.writerows(rows)
