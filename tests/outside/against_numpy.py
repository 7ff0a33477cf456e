"""Distances of the library against numpy, on scales that differ in x and y too; binomial intervals against scipy.

Run by tests/run, or by hand: target/venv/bin/python tests/outside/against_numpy.py
"""

import sys

import numpy as np
from scipy.stats import binomtest

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


def exact_intervals():
    """Clopper-Pearson 95 % intervals: every share of small samples, random ones of large samples."""
    rng = np.random.default_rng(3)
    cases = [(k, n) for n in range(1, 41) for k in range(n + 1)]
    cases += [(int(rng.integers(0, n + 1)), int(n)) for n in rng.integers(50, 20000, 300)]
    for (k, n), answer in zip(cases, ask(PROBE, [{"do": "exact-interval", "events": k, "of": n} for k, n in cases])):
        expected = binomtest(k, n).proportion_ci(method="exact")
        off = max(abs(answer["low"] - expected.low), abs(answer["high"] - expected.high))
        yield off < 1e-8, f"{k} of {n}: expected {expected}, found {answer}"


def printed_intervals():
    """Intervals in per cent, for the cohorts of Silver et al., Obstet Gynecol 2006;107:1226-32, recomputed to one decimal."""
    cases = {(13, 398): (1.8, 5.5), (23, 211): (7.0, 15.9), (29, 72): (28.9, 52.5), (20, 33): (42.1, 77.1), (4, 6): (22.3, 95.7), (2, 3): (9.4, 99.2)}
    for ((k, n), expected), answer in zip(cases.items(), ask(PROBE, [{"do": "exact-interval", "events": k, "of": n} for k, n in cases])):
        found = tuple(round(100 * answer[end], 1) for end in ("low", "high"))
        yield found == expected, f"{k} of {n}: expected {expected}, found {found}"


def impossible_shares():
    """Of none, and more than all."""
    for answer in ask(PROBE, [{"do": "exact-interval", "events": k, "of": n} for k, n in [(0, 0), (3, 2)]]):
        yield answer == {"low": None, "high": None}, f"found {answer}"


if __name__ == "__main__":
    sys.exit(
        report(
            [
                ("distances to 1e-9 mm", distances()),
                ("scales that are refused", refused_scales()),
                ("exact binomial intervals", exact_intervals()),
                ("the same as printed", printed_intervals()),
                ("shares that cannot be", impossible_shares()),
            ]
        )
    )
