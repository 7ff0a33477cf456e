"""A phantom check on a frame made by an independent wave simulator, through the program's own loader and check.

PyMUST (Garcia 2022, the MUST toolbox in Python) simulates the echoes of a grid of points under a linear array, insonified by
plane waves at several angles, and forms the image; pydicom writes it with a region calibration that is wrong on purpose, by
a known amount on each axis. The program must find that amount. Nothing of the program's own phantoms is involved.

Run by tests/run, or by hand: target/venv/bin/python tests/outside/simulated_phantom.py
"""

import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import pymust

from _probe import ask, report
from simulated_points import write

# The phantom as a sheet would give it: rows of pins 6 mm apart, and one pin half-way between two that tells left from right.
ACROSS = [-9.0, -3.0, 3.0, 9.0]
DEPTHS = [0.0, 6.0, 12.0, 18.0]
ROWS = [(d, sorted(ACROSS + ([6.0] if d == 0 else []))) for d in DEPTHS]
TOP_MM = 20.0
TRUE_MM_PER_PX = np.array([0.1, 0.075])
WRONG_BY = np.array([0.012, -0.008])
CORNER = np.array([-13.0, 16.0])
COLUMNS, HEIGHT = 260, 350
GOAL = 0.001

DEFINITION = """
schema = "osspan-phantom/1"
id = "simulated"
name = "Simulated points"
note = "Points of a simulation."
source = "the simulation"
provenance = "own-assumption"
sound_speed_m_s = 1540.0
sound_speed_tolerance_m_s = 0.0
least_pins = 12
""" + "".join(f"[[row]]\ndepth_mm = {d}\nacross_mm = {list(xs)}\n" for d, xs in ROWS)


def image():
    array = pymust.getparam("L11-5v")
    array.fs = 4 * array.fc
    x = np.array([x for d, xs in ROWS for x in xs]) * 1e-3
    z = np.array([TOP_MM + d for d, xs in ROWS for _ in xs]) * 1e-3
    px, py = np.meshgrid(np.arange(COLUMNS) + 0.5, np.arange(HEIGHT) + 0.5)
    grid_x, grid_z = CORNER[0] + px * TRUE_MM_PER_PX[0], CORNER[1] + py * TRUE_MM_PER_PX[1]
    total = 0
    for angle in np.deg2rad([-8.0, -4.0, 0.0, 4.0, 8.0]):
        delays = pymust.txdelay(array, angle)
        echoes, _ = pymust.simus(x, z, np.ones(len(x)), delays, array)
        signal = pymust.rf2iq(echoes, array.fs, array.fc)
        array.fnumber = 1.0
        form = pymust.dasmtx(1j * np.array(signal.shape), grid_x * 1e-3, grid_z * 1e-3, delays, array)
        total = total + (form @ signal.flatten(order="F")).reshape(grid_x.shape, order="F")
    share = np.abs(total) / np.abs(total).max()
    # Greys of 40 dB, as a scanner shows them.
    return np.round(255 * np.clip(1 + 20 * np.log10(np.maximum(share, 1e-6)) / 40, 0, 1)).astype(np.uint8)


def errors():
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "phantom.dcm"
        started = time.monotonic()
        write(image(), path, TRUE_MM_PER_PX * (1 + WRONG_BY))
        print(f"  simulator: {time.monotonic() - started:.1f} s for one frame of {sum(len(r[1]) for r in ROWS)} points")
        (answer,) = ask("outside-scale", [{"file": str(path), "phantom": DEFINITION}])
        if "error" not in answer or "pins" in answer:
            print(f"  {answer['pins']} pins matched; scatter {answer['sd_mm'][0]:.3f} mm across, {answer['sd_mm'][1]:.3f} mm down; {answer['notes']}")
            # The simulator's point spread is not even at the border of the field: a pin there may be set aside, and must then be said to be.
            odd = [n for n in answer["notes"] if not n.startswith(("1 pin(s) lie far", "2 pin(s) lie far"))]
            yield answer["pins"] == 17 and not odd, f"17 pins, at most two set aside and nothing else odd: {answer['pins']}, {answer['notes']}"
            for k, axis in enumerate(["across", "down"]):
                found, true = answer["error"][k], WRONG_BY[k]
                text = f"header wrong by {100 * true:+.2f} % {axis}, found {100 * found:+.3f} ± {100 * answer['t95'] * answer['u'][k]:.3f} %"
                print("  " + text)
                yield abs(found - true) < GOAL, text
        else:
            yield False, str(answer)


if __name__ == "__main__":
    sys.exit(report([("scale errors of a simulated phantom", errors())]))
