"""Makes sim/tests/data/pvlib-sweep.csv: a random sweep of devices and conditions, solved by pvlib.

    python sim/tests/pvlib/sweep.py > sim/tests/data/pvlib-sweep.csv

Inputs are rounded to a few digits before anything is computed, so that the table is exact in them.
Outputs are printed to 16 digits. Crest, Isc and Voc come from pvlib's Newton method on its explicit
form (bishop88), the current at v from its Lambert W method. Same versions, same bytes
(requirements.txt; the last digits may differ between processors).
"""

import sys

import numpy as np
from pvlib import pvsystem, singlediode

ROWS = 2000
SEED = 20060116


def digits(values, count):
    """Rounded to `count` significant digits."""
    return np.array([float(f"{value:.{count - 1}e}") for value in values])


def draw(rng):
    """Devices from a single cell to a high-voltage thin-film module, and conditions."""
    a = digits(10 ** rng.uniform(-1.5, 1.0, ROWS), 5)
    il = digits(10 ** rng.uniform(-1.0, 1.2, ROWS), 5)
    # Voc at reference conditions between 16 and 32 times the modified ideality.
    i0 = digits(il * np.exp(-rng.uniform(16.0, 32.0, ROWS)), 5)
    scale = a / il
    rs = digits(scale * 10 ** rng.uniform(-3.0, 0.5, ROWS), 4)
    rsh = digits(scale * 10 ** rng.uniform(1.5, 4.5, ROWS), 4)
    rs[rng.uniform(size=ROWS) < 0.04] = 0.0
    rsh[rng.uniform(size=ROWS) < 0.04] = np.inf
    alpha = digits(il * rng.uniform(1e-4, 1e-3, ROWS), 3)
    irradiance = digits(rng.uniform(1.0, 1500.0, ROWS), 5)
    dim = rng.uniform(size=ROWS) < 0.2
    irradiance[dim] = digits(10 ** rng.uniform(0.0, 2.0, dim.sum()), 4)
    celsius = digits(rng.uniform(-20.0, 85.0, ROWS), 4)
    return il, i0, rs, rsh, a, alpha, irradiance, celsius


def solve(il, i0, rs, rsh, a, alpha, irradiance, celsius, rng):
    """The six outputs of each row, with the voltage asked for."""
    scaled = pvsystem.calcparams_desoto(
        irradiance, celsius, alpha, a, il, i0, rsh, rs, EgRef=1.121, dEgdT=-0.0002677
    )
    with np.errstate(all="ignore"):
        voc = singlediode.bishop88_v_from_i(0.0, *scaled, method="newton")
        isc = singlediode.bishop88_i_from_v(0.0, *scaled, method="newton")
        imp, vmp, pmp = singlediode.bishop88_mpp(*scaled, method="newton")
    # From well in reverse to somewhat beyond open circuit.
    volts = digits(voc * rng.uniform(-0.5, 1.15, ROWS), 6)
    amps = pvsystem.i_from_v(volts, *scaled, method="lambertw")
    return volts, amps, isc, voc, vmp, imp, pmp


def main():
    rng = np.random.default_rng(SEED)
    inputs = draw(rng)
    outputs = solve(*inputs, rng)
    out = sys.stdout
    out.write("il,i0,rs,rsh,a,alpha,irradiance,celsius,volts,amps,isc,voc,vmp,imp,pmp\n")
    for row in zip(*inputs, *outputs):
        given = [f"{float(value):.6g}" for value in row[:9]]
        found = [f"{float(value):.16g}" for value in row[9:]]
        out.write(",".join(given + found) + "\n")


if __name__ == "__main__":
    main()
