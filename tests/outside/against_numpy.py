"""Numbers of the library against independent Python: distances against numpy.

Run by tests/run, or by hand: target/venv/bin/python tests/outside/against_numpy.py
"""

import json
import subprocess
import sys
from pathlib import Path

import numpy as np

ROOT = Path(__file__).resolve().parents[2]
PROBE = ROOT / "target/debug/examples/outside-numbers"
TOLERANCE_MM = 1e-9


def ask(requests):
    """The library's answers to JSON requests, in order."""
    lines = "".join(json.dumps(r) + "\n" for r in requests)
    done = subprocess.run([PROBE], input=lines, capture_output=True, text=True, timeout=120)
    if done.returncode != 0:
        sys.exit(f"{PROBE} stopped with code {done.returncode}: {done.stderr.strip()}")
    answers = [json.loads(line) for line in done.stdout.splitlines()]
    if len(answers) != len(requests):
        sys.exit(f"{PROBE} gave {len(answers)} answers to {len(requests)} requests")
    return answers


def distances(rng):
    """Random landmark pairs on random scales, half of them with different scales in x and y; long double reference."""
    n = 4000
    frame = rng.uniform(1, 4096, (n, 1))
    a, b = (rng.uniform(0, 1, (n, 2)) * frame for _ in range(2))
    scale = 10 ** rng.uniform(-2.3, 0.3, (n, 2))
    scale[: n // 2, 1] = scale[: n // 2, 0]
    a[0], b[0] = (10, 10), (10, 10)
    requests = [{"do": "distance", "mm_per_px": s.tolist(), "a": p.tolist(), "b": q.tolist()} for s, p, q in zip(scale, a, b)]
    wide = np.longdouble
    expected = np.sqrt((((b.astype(wide) - a.astype(wide)) * scale.astype(wide)) ** 2).sum(axis=1))
    for request, answer, mm in zip(requests, ask(requests), expected):
        off = abs(wide(answer.get("mm", "nan")) - mm)
        yield off <= TOLERANCE_MM, f"distance: {request}: expected {mm} mm, found {answer}"


def refused_scales():
    """A scale that is not positive and finite gives no millimetres."""
    bad = [(0.0, 0.1), (0.1, 0.0), (-0.1, 0.1), (0.1, -0.1)]
    requests = [{"do": "distance", "mm_per_px": s, "a": (1, 2), "b": (3, 4)} for s in bad]
    for request, answer in zip(requests, ask(requests)):
        yield answer.get("kind") == "Uncalibrated", f"refused scale: {request}: found {answer}"


def main():
    rng = np.random.default_rng(20261125)
    n_passed, faults = 0, []
    for name, results in [("distances", distances(rng)), ("refused scales", refused_scales())]:
        results = list(results)
        faults += [text for ok, text in results if not ok]
        n_passed += sum(1 for ok, _ in results if ok)
        print(f"{name}: {len(results)} compared")
    for text in faults[:20]:
        print("FAULT", text)
    print(f"{n_passed} passed, {len(faults)} failed")
    return 1 if faults else 0


if __name__ == "__main__":
    sys.exit(main())
