"""The programs that the scripts ask: osspan itself, and test programs of the library (JSON requests in, one a line, JSON answers out)."""

import json
import os
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
BUILT = ROOT / os.environ.get("CARGO_TARGET_DIR", "target") / "debug"
EXAMPLES = BUILT / "examples"
OSSPAN = Path(os.environ.get("OSSPAN_BINARY", BUILT / "osspan"))
SAMPLES = ROOT / "sample-images"


def command(data, *words, timeout=600):
    """Code, output and errors of a command with the data folder `data`."""
    if not OSSPAN.exists():
        sys.exit(f"{OSSPAN} is not built: cargo build --bins")
    environment = {**os.environ, "OSSPAN_DATA": str(data)}
    done = subprocess.run([OSSPAN, *map(str, words)], capture_output=True, text=True, cwd=ROOT, env=environment, timeout=timeout)
    return done.returncode, done.stdout, done.stderr


def run(data, *words, code=0):
    """What a command prints; its errors where it should end with another `code`."""
    got, out, err = command(data, *words)
    if got != code:
        sys.exit(f"osspan {' '.join(map(str, words))} ended with code {got}: {err.strip()}")
    return out if code == 0 else err


def ask(program, requests, timeout=300):
    """The answers of an example program to `requests`, in order."""
    path = EXAMPLES / program
    if not path.exists():
        sys.exit(f"{path} is not built: cargo build --examples")
    lines = "".join(json.dumps(r) + "\n" for r in requests)
    done = subprocess.run([path], input=lines, capture_output=True, text=True, timeout=timeout)
    if done.returncode != 0:
        sys.exit(f"{program} stopped with code {done.returncode}: {done.stderr.strip()}")
    answers = [json.loads(line) for line in done.stdout.splitlines()]
    if len(answers) != len(requests):
        sys.exit(f"{program} gave {len(answers)} answers to {len(requests)} requests")
    return answers


def report(checks):
    """Runs named generators of (passed, text); prints what each compared and the faults; returns the exit code."""
    n_passed, n_failed = 0, 0
    for name, results in checks:
        results = list(results)
        faults = [text for passed, text in results if not passed]
        n_passed += len(results) - len(faults)
        n_failed += len(faults)
        print(f"{name}: {len(results)} compared, {len(faults)} differ")
        for text in faults[:10]:
            print("  FAULT", text)
        if not results:
            print("  FAULT nothing was compared")
            n_failed += 1
    print(f"{n_passed} passed, {n_failed} failed")
    return 1 if n_failed else 0
