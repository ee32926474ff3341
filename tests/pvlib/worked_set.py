"""Where the worked set of ASTM E1036 comes from, and what its printed figures are figures of.

    python tests/pvlib/worked_set.py PVLIB-SDIST/tests/ivtools/test_utils.py

Packages: sim/tests/pvlib/requirements.txt. The tests of pvlib 0.16.1 print 33 points with nine digits and
six figures with sixteen. From the points as printed pvlib itself finds other figures, up to 4.6e-10 off (Imp,
which is Pmp over Vmp, 5.1e-10): the printed ones are of points that had not been rounded yet. (One of them shows: of the point at 0.001 V, printed
as 8.09397560 A, the expected Isc is 8.093975598317805 A.) This finds those points. They are of a single diode:
five parameters, by Gauss-Newton, meet nine independent printed figures to 1e-15, and all 33 points as printed.
"""

import re
import sys
from pathlib import Path

import numpy as np
from pvlib.ivtools.utils import astm_e1036

# Printed in test_astm_e1036_est_isc_voc (isc), test_astm_e1036 (voc, isc, vmp, pmp),
# test_astm_e1036_mpfit_limits (vmp, pmp), test_astm_e1036_fit_points (voc, isc).
PRINTED = np.array([
    8.093975598317805,
    0.6195097477985162, 8.093986320386227, 0.494283417170082, 3.7694489853302127,
    0.49464214190725303, 3.769189212299219,
    0.619337073271274, 8.093160893325297,
])
# A fit of the points as printed, near enough to begin with: IL, ln I0, Rs, 1/Rsh, ln a (SI units).
START = np.array([8.0945184, np.log(1.459e-9), 0.00613092, 1.0 / 93.261, np.log(0.0276391)])
STEPS = np.array([1e-6, 1e-4, 1e-6, 1e-6, 1e-5])


def points(text, name):
    inside = re.search(rf"def {name}_array.*?np\.array\((\[.*?\])\)", text, re.S).group(1)
    return np.array([float(number) for number in inside.strip("[]").split(",")])


def currents(volts, theta, start):
    il, ln_i0, rs, leak, ln_a = theta
    a, i0, amps = np.exp(ln_a), np.exp(ln_i0), start.copy()
    for _ in range(60):
        x = volts + amps * rs
        forward = i0 * np.exp(x / a)
        amps -= (il - forward + i0 - x * leak - amps) / (-forward * rs / a - leak * rs - 1.0)
    return amps


def figures(volts, amps, near_short):
    whole = astm_e1036(volts, amps)
    narrow = astm_e1036(volts, amps, imax_limits=(0.85, 1.1), vmax_limits=(0.85, 1.1))
    changed = amps.copy()
    changed[3] = 8.1
    four = astm_e1036(volts, changed, voc_points=4, isc_points=4)
    found = [near_short, *(whole[key] for key in ("voc", "isc", "vmp", "pmp"))]
    found += [narrow["vmp"], narrow["pmp"], four["voc"], four["isc"]]
    return np.array(found)


def main():
    text = Path(sys.argv[1]).read_text()
    volts, printed = points(text, "v"), points(text, "i")
    ours = np.loadtxt(Path(__file__).parent / "../data/astm-e1036.csv", delimiter=",", skiprows=1)
    print("our table has the same points:", np.array_equal(ours, np.stack([volts, printed], 1)))

    def off(theta):
        amps = currents(volts, theta, printed)
        near = currents(np.array([0.001]), theta, np.array([8.0939756]))[0]
        return figures(volts, amps, near) / PRINTED - 1.0

    as_printed = figures(volts, printed, 8.09397560) / PRINTED - 1.0
    print(f"pvlib on the points as printed, off its printed figures by at most {np.abs(as_printed).max():.1e}")
    theta = START.copy()
    for _ in range(8):
        columns = [(off(theta + h) - off(theta - h)) / (2 * s) for h, s in zip(np.diag(STEPS), STEPS)]
        slopes = np.stack(columns, 1)
        size = np.abs(slopes).max(0)
        theta = theta - np.linalg.lstsq(slopes / size, off(theta), rcond=1e-14)[0] / size
    amps = currents(volts, theta, printed)
    print(f"on those of a single diode by at most {np.abs(off(theta)).max():.1e}")
    print("of the 33 rounded to 1e-8 A are as printed:", int((np.round(amps, 8) == printed).sum()))
    for name, value in zip(("IL", "I0", "Rs", "Rsh", "a"), (
        theta[0], np.exp(theta[1]), theta[2], 1.0 / theta[3], np.exp(theta[4]),
    )):
        print(name, repr(float(value)))


if __name__ == "__main__":
    main()
