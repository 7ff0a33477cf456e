"""How fast synthetic frames are drawn, beside an independent wave simulator, in one run on one machine.

    target/venv/bin/python tests/bench/frames.py            the table
    target/venv/bin/python tests/bench/frames.py --quick    fewer rounds: does it still run

Frames a second at 640 x 480; seconds against pixels and against scatterers with the straight line through each, to show that
the cost grows no faster than either; and seconds a scatterer beside PyMUST (Garcia 2022), which computes the echoes of
scatterers from the wave equation's far-field solution for one plane wave of a 128-element array, without forming the image.
Growth is judged by the processor's time, all cores together. Nothing is asserted about time, but that the growth is straight.
"""

import json
import os
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pymust

ROOT = Path(__file__).resolve().parents[2]
BENCH = ROOT / "target/release/examples/frames-bench"
QUICK = "--quick" in sys.argv


def ours():
    done = subprocess.run([BENCH, "2" if QUICK else "25"], capture_output=True, text=True, timeout=600, check=True)
    return [json.loads(line) for line in done.stdout.splitlines()]


def line(rows, x, name):
    # The processor's time where it is known: a busy machine changes it less.
    xs, ys = np.array([x(r) for r in rows]), np.array([r.get("processor") or r["seconds"] for r in rows])
    slope, start = np.polyfit(xs, ys, 1)
    r = np.corrcoef(xs, ys)[0, 1]
    print(f"{name}: {1e3 * start:.0f} ms and {1e9 * slope:.0f} ns for each; r {r:.3f}")
    for value, row, y in zip(xs, rows, ys):
        print(f"  {value:9.0f}  {1e3 * row['seconds']:6.1f} ms by the clock, {1e3 * y:6.1f} ms of all cores")
    return r


def simulator(counts):
    array = pymust.getparam("L11-5v")
    array.fs = 4 * array.fc
    rng = np.random.default_rng(1)
    rows = []
    for n in counts:
        x, z = rng.uniform(-15e-3, 15e-3, n), rng.uniform(15e-3, 40e-3, n)
        best = processor = float("inf")
        for _ in range(1 if QUICK else 2):
            started, before = time.perf_counter(), time.process_time()
            pymust.simus(x, z, np.ones(n), np.zeros((1, array.Nelements)), array)
            best = min(best, time.perf_counter() - started)
            processor = min(processor, time.process_time() - before)
        rows.append({"scatterers": n, "seconds": best, "processor": processor})
    return rows


rows = ours()
usual = next(r for r in rows if r["what"] == "usual")
print(
    f"{usual['columns']} x {usual['rows']} px, {usual['scatterers']} scatterers: {1e3 * usual['seconds']:.1f} ms, "
    f"{1 / usual['seconds']:.1f} frames/s on {os.cpu_count()} cores; {1e3 * usual['processor']:.0f} ms of all cores; load {os.getloadavg()[0]:.1f}"
)
straight = [
    line([r for r in rows if r["what"] == "pixels"], lambda r: r["columns"] * r["rows"], "pixels of one sector"),
    line([r for r in rows if r["what"] == "scatterers"], lambda r: r["scatterers"], "scatterers at one number of pixels"),
]
theirs = simulator([250, 500] if QUICK else [500, 1000, 2000])
line(theirs, lambda r: r["scatterers"], "PyMUST, scatterers, echoes of one plane wave")
each = [(r.get("processor") or r["seconds"]) / r["scatterers"] for r in (usual, theirs[-1])]
print(f"a scatterer: {1e9 * each[0]:.0f} ns here, image and all; {1e9 * each[1]:.0f} ns in PyMUST, echoes alone; ratio {each[1] / each[0]:.0f}")
sys.exit(0 if QUICK or min(straight) > 0.9 else 1)
