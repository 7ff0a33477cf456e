#!/usr/bin/env python3
"""Lists every crate that Cargo.lock names with its version and licence: the list that the window shows about itself.

    tests/tools/licences.py            compares it with src/viewer/licences.txt
    tests/tools/licences.py --update   writes it

The licences are what each crate states of itself, as `cargo metadata` reads them; whether they may be shipped is for
`cargo deny` to say. Crates of the tests and of other platforms are among them.
"""

import difflib
import json
import pathlib
import subprocess
import sys

ROOT = pathlib.Path(__file__).resolve().parents[2]
LIST = ROOT / "src" / "viewer" / "licences.txt"


def main():
    words = ["cargo", "metadata", "--locked", "--format-version", "1", "--all-features"]
    packages = json.loads(subprocess.run(words, cwd=ROOT, check=True, capture_output=True, text=True).stdout)["packages"]
    rows = sorted((p["name"], p["version"], p["license"] or "see the crate") for p in packages if p["source"])
    text = "".join(f"{name} {version}: {licence}\n" for name, version, licence in rows)
    if sys.argv[1:] == ["--update"]:
        LIST.write_text(text)
        return
    kept = LIST.read_text()
    if kept != text:
        sys.stdout.writelines(difflib.unified_diff(kept.splitlines(True), text.splitlines(True), "kept", "now"))
        sys.exit("licences: src/viewer/licences.txt is not as Cargo.lock is: run tests/tools/licences.py --update")
    print(f"licences: {len(rows)} crates, as listed")


if __name__ == "__main__":
    main()
