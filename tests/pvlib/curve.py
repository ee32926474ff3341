"""Makes tests/data/pvlib-curves.csv: curves and data sheets, summed up and fitted by pvlib.

    python tests/pvlib/curve.py > tests/data/pvlib-curves.csv

Packages: sim/tests/pvlib/requirements.txt. Four kinds of rows; inputs are rounded before anything is
computed, so that the table is exact in them.

- `astm`: a random device at random conditions (calcparams_desoto), 60 points evenly from -1 to 101 % of
  Voc (i_from_v), and what astm_e1036 says of them in the window given.
- `sheet`: the data sheet of such a device at standard conditions (singlediode, beta over two kelvin) and
  what fit_desoto finds from it.
- `exact`: Isc, Voc, Pmp, Vmp, Imp (singlediode) of the plant's crystalline example at the conditions of the
  table of translation errors in tests/curve_translate.rs: the second source of what a moved curve is
  compared with.
- `worked`: astm_e1036 on tests/data/astm-e1036.csv, in the two windows of pvlib's own test.

pvlib 0.16.1 has no procedure of IEC 60891: those are checked against the exact device, and the equations by
hand.
"""

import sys
from pathlib import Path

import numpy as np
from pvlib import ivtools, pvsystem
from pvlib.ivtools.utils import astm_e1036

SEED = 60891
CURVES = 60
SHEETS = 20
POINTS = 60
GAP = {"EgRef": 1.121, "dEgdT": -0.0002677}
# sim/src/device/examples.rs, crystalline_reference: IL, I0, Rs, Rsh, a, alpha.
EXAMPLE = (9.45232, 3.22460e-10, 0.297814, 125.798, 1.59128, 0.005658)


def rounded(value, count=5):
    return float(f"{value:.{count - 1}e}")


def device(rng):
    """IL, I0, Rs, Rsh, a, alpha of a module at standard conditions."""
    a = rounded(rng.uniform(0.8, 3.0))
    il = rounded(rng.uniform(2.0, 12.0))
    i0 = rounded(il * np.exp(-rng.uniform(18.0, 26.0)))
    rs = rounded(a / il * rng.uniform(0.2, 2.0))
    rsh = rounded(a / il * rng.uniform(200.0, 3000.0))
    return il, i0, rs, rsh, a, rounded(il * rng.uniform(2e-4, 8e-4))


def at(parts, irradiance, cell):
    il, i0, rs, rsh, a, alpha = parts
    return pvsystem.calcparams_desoto(irradiance, cell, alpha, a, il, i0, rsh, rs, **GAP)


def row(kind, numbers):
    sys.stdout.write(",".join([kind] + [f"{float(x):.16g}" for x in numbers]) + "\n")


def summed(volts, amps, window):
    found = astm_e1036(volts, amps, imax_limits=window, vmax_limits=window)
    return [found[key] for key in ("isc", "voc", "pmp", "vmp", "imp", "ff")]


def main():
    rng = np.random.default_rng(SEED)
    print("# by tests/pvlib/curve.py, pvlib 0.16.1")
    print("# astm,il,i0,rs,rsh,a,alpha,irradiance,cell,low,high,scale,isc,voc,pmp,vmp,imp,ff")
    print("# sheet,isc,voc,imp,vmp,alpha,beta,il,i0,rs,rsh,a")
    print("# exact,irradiance,cell,isc,voc,pmp,vmp,imp")
    print("# worked,low,high,isc,voc,pmp,vmp,imp,ff")
    for _ in range(CURVES):
        parts = device(rng)
        irradiance, cell = rounded(rng.uniform(150, 1100)), rounded(rng.uniform(10, 75))
        window = [(0.75, 1.15), (0.8, 1.12), (0.85, 1.1)][rng.integers(3)]
        here = at(parts, irradiance, cell)
        voc = pvsystem.singlediode(*here)["v_oc"]
        # Rounded, so that the other side can use the same voltages.
        voc = rounded(voc, 6)
        volts = voc * (-0.01 + 1.02 * np.arange(POINTS) / (POINTS - 1))
        amps = pvsystem.i_from_v(volts, *here)
        row("astm", [*parts, irradiance, cell, *window, voc, *summed(volts, amps, window)])
    for _ in range(SHEETS):
        parts = device(rng)
        stc = pvsystem.singlediode(*at(parts, 1000.0, 25.0))
        warm = pvsystem.singlediode(*at(parts, 1000.0, 27.0))["v_oc"]
        beta = rounded((warm - stc["v_oc"]) / 2.0, 6)
        sheet = [rounded(stc[key], 6) for key in ("i_sc", "v_oc", "i_mp", "v_mp")]
        cells = max(1, round(parts[4] / 0.0265))
        try:
            found, _ = ivtools.sdm.fit_desoto(
                v_mp=sheet[3], i_mp=sheet[2], v_oc=sheet[1], i_sc=sheet[0],
                alpha_sc=parts[5], beta_voc=beta, cells_in_series=cells, **GAP,
            )
        except RuntimeError:
            continue
        keys = ("I_L_ref", "I_o_ref", "R_s", "R_sh_ref", "a_ref")
        row("sheet", [*sheet, parts[5], beta, *[found[key] for key in keys]])
    for irradiance in (200.0, 500.0, 800.0, 1000.0, 1100.0):
        for cell in (15.0, 25.0, 40.0, 50.0, 75.0):
            here = pvsystem.singlediode(*at(EXAMPLE, irradiance, cell))
            row("exact", [irradiance, cell, *(here[key] for key in ("i_sc", "v_oc", "p_mp", "v_mp", "i_mp"))])
    data = np.loadtxt(Path(__file__).parent / "../data/astm-e1036.csv", delimiter=",", skiprows=1)
    for window in [(0.75, 1.15), (0.85, 1.1)]:
        row("worked", [*window, *summed(data[:, 0], data[:, 1], window)])


if __name__ == "__main__":
    main()
