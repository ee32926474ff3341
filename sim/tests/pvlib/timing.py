"""Times pvlib on the inputs of benches/solver and compares its answers with ours.

    python timing.py DIRECTORY CPU

DIRECTORY holds `inputs.f64` (columns il, i0, rs, rsh, a, v of one million rows, one column after
the other), `curves.f64` (voltages, 10 000 of a device, and our currents) and `ours.f64` (current at v, isc, voc, vmp, imp, pmp likewise), little-endian. The
process keeps to core CPU. Each line printed is `label|rows|ns per row|largest |dI| in A|largest
relative |dP|`; times are medians. Every method is tried whole and in chunks of 10 000 rows, which
fit the cache, and the better way counts.
"""

import os
import sys
import time

import numpy as np

REPEATS = 3
CHUNK = 10_000
# Brent's method solves row by row in Python: a millisecond each, so a subset of the same rows.
BRENT_ROWS = 1_000


def columns(path, count):
    data = np.fromfile(path, dtype="<f8")
    return data.reshape(count, -1)


def whole(call, args, rows):
    """Seconds for all rows at once, and the answers."""
    start = time.perf_counter()
    answers = call(*args)
    return time.perf_counter() - start, answers


def chunked(call, args, rows):
    """Seconds for all rows chunk by chunk, each chunk at the median of theirs, and the answers."""
    times, parts = [], []
    for k in range(0, rows, CHUNK):
        chunk = [arg[k : k + CHUNK] for arg in args]
        start = time.perf_counter()
        parts.append(call(*chunk))
        times.append(time.perf_counter() - start)
    joined = [np.concatenate(column) for column in zip(*parts)]
    return float(np.median(times)) * len(times), joined


def timed(call, args, rows, ways=(whole, chunked)):
    """Median seconds over REPEATS of the better of the ways, and the answers."""
    if rows <= CHUNK:
        ways = [whole]
    first = [way(call, args, rows)[0] for way in ways]
    better = ways[int(np.argmin(first))]
    times = [min(first)]
    for _ in range(REPEATS - 1):
        seconds, answers = better(call, args, rows)
        times.append(seconds)
    return sorted(times)[REPEATS // 2], answers


def main():
    directory, cpu = sys.argv[1], int(sys.argv[2])
    os.sched_setaffinity(0, {cpu})
    import pvlib
    from pvlib import pvsystem

    inputs = columns(os.path.join(directory, "inputs.f64"), 6)
    ours = columns(os.path.join(directory, "ours.f64"), 6)
    il, i0, rs, rsh, a, volts = inputs
    diode = (il, i0, rs, rsh, a)
    print(f"# pvlib {pvlib.__version__}, numpy {np.__version__}", flush=True)

    def report(label, rows, seconds, amps, watts):
        finite = np.isfinite(amps)
        off = np.abs(amps - ours[0 if watts is None else 4][:rows])[finite].max()
        power = 0.0
        if watts is not None:
            power = np.abs(watts / ours[5][:rows] - 1.0)[np.isfinite(watts)].max()
        missing = rows - int(finite.sum())
        print(f"{label}|{rows}|{seconds / rows * 1e9:.1f}|{off:.2e}|{power:.2e}|{missing}", flush=True)

    for method in ("lambertw", "newton", "chandrupatla"):
        def current(v, *p):
            return [np.asarray(pvsystem.i_from_v(v, *p, method=method))]

        rows = len(il)
        seconds, (amps,) = timed(current, (volts, *diode), rows)
        report(f"current {method}", rows, seconds, amps, None)
        if method == "lambertw":
            seconds, (amps,) = timed(current, (volts, *diode), rows, [whole])
            report("current lw, one call", rows, seconds, amps, None)

    # One device, many voltages: scalar parameters.
    swept, found = columns(os.path.join(directory, "curves.f64"), 2)
    times, off = [], 0.0
    for k in range(0, len(il), CHUNK):
        device = [float(p[k]) for p in diode]
        start = time.perf_counter()
        amps = pvsystem.i_from_v(swept[k : k + CHUNK], *device, method="lambertw")
        times.append((time.perf_counter() - start) / CHUNK * 1e9)
        off = max(off, np.abs(amps - found[k : k + CHUNK]).max())
    print(f"curve lambertw|{len(il)}|{np.median(times):.1f}|{off:.2e}|0|0", flush=True)

    for method, rows in (
        ("lambertw", len(il)),
        ("newton", len(il)),
        ("chandrupatla", len(il)),
        ("brentq", BRENT_ROWS),
    ):
        def summary(*p):
            found = pvsystem.singlediode(*p, method=method)
            return [np.asarray(found[key]) for key in ("i_mp", "p_mp")]

        seconds, (amps, watts) = timed(summary, [p[:rows] for p in diode], rows)
        report(f"summary {method}", rows, seconds, amps, watts)


if __name__ == "__main__":
    with np.errstate(all="ignore"):
        main()
