"""Two typical years as plain CSV, and what devices yield in them, reckoned with pvlib step by step.

    python tests/pvlib/yield_chain.py          writes tests/data/weather-*.csv and yield-by-pvlib.csv
    python tests/pvlib/yield_chain.py --time   times pvlib's chain over a year: seconds, median of five

Versions: sim/tests/pvlib/requirements.txt. The years are the two TMY3 files that pvlib's package carries
(National Solar Radiation Database, a work of the United States government, in the public domain).
The chain is that of src/yields: sun at the middle of the hour, and so on; each step is pvlib's function.
Where the sun is below the horizon then, the sky counts as isotropic.
"""

import pathlib
import statistics
import sys
import time

import numpy as np
import pandas as pd
import pvlib
from pvlib import (atmosphere, iam, irradiance, pvsystem, singlediode, solarposition, spectrum, temperature,
                   tracking)

assert pvlib.__version__ == "0.16.1", pvlib.__version__
HERE = pathlib.Path(__file__).resolve().parent
DATA = HERE.parent / "data"
SOURCE = pathlib.Path(pvlib.__file__).parent / "data"
YEARS = {"greensboro": "723170TYA.CSV", "sand-point": "703165TY.csv"}
ALBEDO = 0.2
SILICON = dict(alpha_sc=0.005658, a_ref=1.59128, I_L_ref=9.45232, I_o_ref=3.22460e-10,
               R_sh_ref=125.798, R_s=0.297814, EgRef=1.121, dEgdT=-0.0002677)
RECEIVER = dict(alpha_sc=0.008, a_ref=1.02, I_L_ref=8.0, I_o_ref=1.2e-15,
                R_sh_ref=400.0, R_s=0.12, EgRef=1.24, dEgdT=0.0)


def weather(name):
    """The year, its place, and the beginnings of its hours with their zone."""
    data, place = pvlib.iotools.read_tmy3(SOURCE / YEARS[name], map_variables=True)
    zone = pd.Timedelta(hours=place["TZ"])
    # Named by its end, in local standard time; pvlib calls 24:00 the next day's midnight.
    start = data.index.tz_convert("UTC") - pd.Timedelta(hours=1)
    local = (start + zone).tz_localize(None)
    return data, place, start, local


def file_of(name):
    data, place, _, local = weather(name)
    sign, hours = ("-" if place["TZ"] < 0 else "+"), int(abs(place["TZ"]))
    lines = [f"# name: {name}, typical year 1976-2005 (NSRDB TMY3, public domain)\n",
             f"# latitude: {place['latitude']:g}\n# longitude: {place['longitude']:g}\n",
             f"# elevation: {place['altitude']:g}\n",
             "start,global (W/m2),direct (W/m2),diffuse (W/m2),air (degC),wind (m/s),water (cm)\n"]
    columns = ["ghi", "dni", "dhi", "temp_air", "wind_speed", "precipitable_water"]
    for at, *values in zip(local, *(data[name] for name in columns)):
        values = ",".join(f"{value:g}" for value in values)
        lines.append(f"{at:%Y-%m-%dT%H:%M}:00{sign}{hours:02}:00,{values}\n")
    (DATA / f"weather-{name}.csv").write_text("".join(lines))


def glass(kind, aoi, tilt):
    """Modifiers of direct light, of the sky's and of the ground's."""
    sky = 59.7 - 0.1388 * tilt + 0.001497 * tilt**2
    ground = 90 - 0.5788 * tilt + 0.002693 * tilt**2
    if kind == "martin-ruiz":
        spread = iam.martin_ruiz_diffuse(tilt)
        return iam.martin_ruiz(aoi), spread["sky"], spread["ground"]
    one = iam.physical if kind == "physical" else iam.ashrae
    return one(aoi), one(sky), one(ground)


def sun_of(place, middle):
    pressure = atmosphere.alt2pres(place["altitude"])
    return solarposition.get_solarposition(
        middle, place["latitude"], place["longitude"], place["altitude"], pressure=pressure,
        temperature=12, method="nrel_numpy", delta_t=None)


def watts(device, light, cell):
    power = np.zeros(len(light))
    lit = light > 0
    scaled = pvsystem.calcparams_desoto(light[lit], cell[lit], **device)
    power[lit] = singlediode.bishop88_mpp(*scaled, method="newton")[2]
    return power


# The measured matrix of an example module in pvlib's gallery (its page on IEC 61853 matrices; related to
# SAND2020-3877): irradiance (W/m2), temperatures (degC), powers (W).
MATRIX = {
    100: ([15, 25], [30.159, 29.250]), 200: ([25], [61.137]), 400: ([25, 50], [126.445, 117.062]),
    600: ([25, 75], [192.278, 162.966]), 800: ([25], [257.561]),
    1000: ([15, 25, 50, 75], [330.862, 322.305, 298.954, 273.651]), 1100: ([25], [354.174]),
}


def by_matrix(light, cell):
    """Power from the matrix, by the rule of src/yields/matrix.rs."""
    levels = np.array(list(MATRIX))
    many = {level: points for level, points in MATRIX.items() if len(points[0]) > 1}
    shares = []
    for level, (warm, power) in MATRIX.items():
        share = np.array(power) / level
        if len(warm) > 1:
            k = np.clip(np.searchsorted(warm, cell), 1, len(warm) - 1)
            slope = np.diff(share) / np.diff(warm)
            shares.append(share[k - 1] + slope[k - 1] * (cell - np.array(warm)[k - 1]))
            continue
        near = min(many, key=lambda other: abs(np.log(other / level)))
        (other_warm, other_power) = many[near]
        # The straight line through the other's ends, relative to itself at our temperature.
        line = np.polyfit([other_warm[0], other_warm[-1]], [other_power[0], other_power[-1]], 1)
        shares.append(share[0] * np.polyval(line, cell) / np.polyval(line, warm[0]))
    shares = np.array(shares)
    k = np.clip(np.searchsorted(levels, light), 1, len(levels) - 1)
    low, high = levels[k - 1], levels[k]
    rows = np.arange(len(light))
    inside = (light >= low) & (light <= high)
    with np.errstate(divide="ignore"):
        place = np.where(inside, np.log(light / low) / np.log(high / low), (light - low) / (high - low))
    share = shares[k - 1, rows] + (shares[k, rows] - shares[k - 1, rows]) * place
    return np.maximum(share * light, 0)


def chain(data, place, start, mount, sky, cover, soiling=0.0, known="all", colour=None, matrix=False):
    """Power of each hour (W) and light on the plane."""
    middle = start + pd.Timedelta(minutes=30)
    sun = sun_of(place, middle)
    zenith, azimuth = sun["apparent_zenith"].to_numpy(), sun["azimuth"].to_numpy()
    extra = irradiance.get_extra_radiation(middle).to_numpy()
    ghi, dni, dhi = (data[name].to_numpy(float) for name in ("ghi", "dni", "dhi"))
    air, wind = data["temp_air"].to_numpy(float), data["wind_speed"].to_numpy(float)
    if mount == "aimed":
        light = np.where(zenith < 90, dni, 0.0)
        cell = air + 0.5 * light * 0.08
        return watts(RECEIVER, light, cell), light
    if known == "global":
        split = irradiance.erbs(ghi, zenith, middle)
        dni, dhi = np.asarray(split["dni"]), np.asarray(split["dhi"])
    if mount == "one-axis":
        turned = tracking.singleaxis(sun["apparent_zenith"], sun["azimuth"], axis_tilt=0,
                                     axis_azimuth=180, max_angle=60, backtrack=False)
        tilt = turned["surface_tilt"].fillna(0).to_numpy()
        facing = turned["surface_azimuth"].fillna(180).to_numpy()
    elif mount == "two-axis":
        tilt, facing = np.where(zenith < 90, zenith, 0.0), azimuth
    else:
        tilt, facing = (np.full(len(ghi), float(angle)) for angle in mount)
    aoi = irradiance.aoi(tilt, facing, zenith, azimuth)
    direct = dni * np.maximum(irradiance.aoi_projection(tilt, facing, zenith, azimuth), 0)
    even, round_sun, band = irradiance.isotropic(tilt, dhi), np.zeros(len(ghi)), np.zeros(len(ghi))
    up = zenith < 90
    if sky == "hay-davies":
        parts = irradiance.haydavies(tilt, facing, dhi, dni, extra, zenith, azimuth, return_components=True)
        even = np.where(up, parts["poa_isotropic"], even)
        round_sun = np.where(up, parts["poa_circumsolar"], 0)
    elif sky == "perez":
        mass = atmosphere.get_relative_airmass(zenith)
        parts = irradiance.perez(tilt, facing, dhi, dni, extra, zenith, azimuth, mass, return_components=True)
        even = np.where(up, np.nan_to_num(parts["poa_isotropic"]), even)
        round_sun = np.where(up, np.nan_to_num(parts["poa_circumsolar"]), 0)
        band = np.where(up, np.nan_to_num(parts["poa_horizon"]), 0)
    ground = irradiance.get_ground_diffuse(tilt, ghi, ALBEDO)
    on_beam, on_sky, on_ground = glass(cover, aoi, tilt)
    plane = direct + round_sun + even + band + ground
    light = (direct + round_sun) * on_beam + (even + band) * on_sky + ground * on_ground
    cell = temperature.faiman(plane, air, wind)
    if colour:
        mass = atmosphere.get_absolute_airmass(
            atmosphere.get_relative_airmass(np.minimum(zenith, 90)), atmosphere.alt2pres(place["altitude"]))
        factor = spectrum.spectral_factor_firstsolar(data["precipitable_water"].to_numpy(float), mass, colour)
        light = np.where(up & (data["precipitable_water"].to_numpy(float) > 0), light * factor, light)
    light = light * (1 - soiling)
    return (by_matrix(light, cell) if matrix else watts(SILICON, light, cell)), plane


# label, then the arguments; src/yields is asked for the same by tests/yield_chain.rs.
CASES = {
    "south-perez-physical": dict(mount=(35, 180), sky="perez", cover="physical", soiling=0.02),
    "southeast-hay-ashrae": dict(mount=(20, 150), sky="hay-davies", cover="ashrae"),
    "steep-isotropic-ruiz": dict(mount=(60, 180), sky="isotropic", cover="martin-ruiz"),
    "one-axis": dict(mount="one-axis", sky="perez", cover="physical"),
    "two-axis": dict(mount="two-axis", sky="perez", cover="physical"),
    "global-only": dict(mount=(35, 180), sky="perez", cover="physical", known="global"),
    "coloured": dict(mount=(35, 180), sky="perez", cover="physical", colour="multisi"),
    "matrix": dict(mount=(20, 180), sky="perez", cover="martin-ruiz", matrix=True),
    "concentrator": dict(mount="aimed", sky="perez", cover="physical"),
}


def main():
    np.seterr(all="ignore")
    if "--time" in sys.argv:
        data, place, start, _ = weather("greensboro")
        times = []
        for _ in range(5):
            begun = time.perf_counter()
            chain(data, place, start, **CASES["south-perez-physical"])
            times.append(time.perf_counter() - begun)
        print(statistics.median(times))
        return
    lines = ["place,case,plane_wh_m2,year_wh," + ",".join(f"month{n}_wh" for n in range(1, 13)) + "\n"]
    for name in YEARS:
        file_of(name)
        data, place, start, local = weather(name)
        for label, case in CASES.items():
            power, plane = chain(data, place, start, **case)
            months = [power[local.month == n].sum() for n in range(1, 13)]
            sums = [plane.sum(), power.sum(), *months]
            lines.append(f"{name},{label}," + ",".join(f"{value:.3f}" for value in sums) + "\n")
    (DATA / "yield-by-pvlib.csv").write_text("".join(lines))


if __name__ == "__main__":
    main()
