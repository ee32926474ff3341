"""Writes spectrum.csv: factors for the light's colour on random cases, by pvlib.

    python sim/tests/pvlib/spectrum.py

Versions: requirements.txt. Air masses and columns of water beyond the model's range are among the cases; more
than 8 cm of water, which pvlib refuses, is not.
"""

import pathlib

import numpy as np
import pvlib

assert pvlib.__version__ == "0.16.1", pvlib.__version__
ROWS = 2_000
SEED = 20261129
KINDS = ["monosi", "multisi", "asi", "cdte", "cigs"]


def main():
    rng = np.random.default_rng(SEED)
    mass = np.round(10 ** rng.uniform(-0.4, 1.6, ROWS), 4)
    water = np.round(np.minimum(10 ** rng.uniform(-1.5, 0.95, ROWS), 8), 3)
    factors = [pvlib.spectrum.spectral_factor_firstsolar(water, mass, kind) for kind in KINDS]
    with open(pathlib.Path(__file__).with_name("spectrum.csv"), "w", newline="") as out:
        out.write(",".join(["air_mass", "water_cm", *KINDS]) + "\n")
        for m, w, *row in zip(mass, water, *factors):
            out.write(f"{m:g},{w:g}," + ",".join(f"{value:.8f}" for value in row) + "\n")


if __name__ == "__main__":
    main()
