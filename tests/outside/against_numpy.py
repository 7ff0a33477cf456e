"""Distances of the library against numpy, on scales that differ in x and y too.

Run by tests/run, or by hand: target/venv/bin/python tests/outside/against_numpy.py
"""

import sys

import numpy as np

from _probe import ask, report

PROBE = "outside-numbers"
TOLERANCE_MM = 1e-9


def distances():
    """Random landmark pairs on random scales, half of them with different scales in x and y; long double reference."""
    rng = np.random.default_rng(20261125)
    n = 4000
    frame = rng.uniform(1, 4096, (n, 1))
    a, b = (rng.uniform(0, 1, (n, 2)) * frame for _ in range(2))
    scale = 10 ** rng.uniform(-2.3, 0.3, (n, 2))
    scale[: n // 2, 1] = scale[: n // 2, 0]
    a[0], b[0] = (10, 10), (10, 10)
    requests = [{"do": "distance", "mm_per_px": s.tolist(), "a": p.tolist(), "b": q.tolist()} for s, p, q in zip(scale, a, b)]
    wide = np.longdouble
    expected = np.sqrt((((b.astype(wide) - a.astype(wide)) * scale.astype(wide)) ** 2).sum(axis=1))
    for request, answer, mm in zip(requests, ask(PROBE, requests), expected):
        off = abs(wide(answer.get("mm", "nan")) - mm)
        yield off <= TOLERANCE_MM, f"{request}: expected {mm} mm, found {answer}"


def refused_scales():
    """A scale that is not positive and finite gives no millimetres."""
    bad = [(0.0, 0.1), (0.1, 0.0), (-0.1, 0.1), (0.1, -0.1)]
    requests = [{"do": "distance", "mm_per_px": s, "a": (1, 2), "b": (3, 4)} for s in bad]
    for request, answer in zip(requests, ask(PROBE, requests)):
        yield answer.get("kind") == "Uncalibrated", f"{request}: found {answer}"


if __name__ == "__main__":
    sys.exit(report([("distances to 1e-9 mm", distances()), ("scales that are refused", refused_scales())]))
