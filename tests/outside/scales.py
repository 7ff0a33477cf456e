"""The scales of real frames: every ultrasound file that the pydicom and pydicom-data packages carry.

For each file a line: what the header says, what the ticks burned into the picture say of it, and whether millimetres would
be given. Facts about these files that were found by hand, apart from this program, are checked: which have ticks, how far
apart they are, and that the file whose pixels were rescaled without its header is caught by its ticks too.

Run by tests/run, or by hand: target/venv/bin/python tests/outside/scales.py
Nothing is downloaded: files come from the folders of the installed packages.
"""

import sys
import warnings

import pydicom

from _probe import ask
from frames import carried_files

# File: step of its ticks in px as measured by hand on the picture, and what they say. None: no ticks that stand in a row.
KNOWN = {
    # 11 steps from the first tick to the last: 38.2 px each within 0.2.
    "OBXXXX1A.dcm": (38.2, 0.2, "consistent"),
    "OBXXXX1A_rle.dcm": (38.2, 0.2, "consistent"),
    # 19.59 px by hand; one centimetre by the header.
    "color3d_jpeg_baseline.dcm": (19.59, 0.03, "consistent"),
    # The same picture at half the size under the same header: the larger ticks are 49 px apart, 25 mm by the header.
    "examples_ybr_color.dcm": (49 / 5, 0.05, "inconsistent"),
    # Cropped, not rescaled: its ticks agree, its box does not fit the picture.
    "examples_palette.dcm": (38.2, 0.3, "consistent"),
}
REFUSED = {"examples_ybr_color.dcm", "examples_palette.dcm"}


def scale_of(path):
    ds = pydicom.dcmread(path, stop_before_pixels=True)
    for r in ds.get("SequenceOfUltrasoundRegions", []):
        if r.get("PhysicalUnitsXDirection") == 3 and r.get("PhysicalDeltaY"):
            return 10 * abs(r.PhysicalDeltaY)
    return None


def main():
    warnings.filterwarnings("ignore")
    files = list(carried_files())
    faults, passed, seen = [], 0, set()
    print(f"{'file':34} {'header':>9} {'ticks':>24}  {'they say':13} verdict")
    for path, got in zip(files, ask("outside-scale", [{"file": str(p)} for p in files])):
        name = path.name
        if "error" in got:
            faults.append(f"{name}: {got['error']}")
            continue
        header = scale_of(path)
        rows = got["ticks"]
        best = rows[0] if rows else None
        ticks = f"{best['count']} {best['along']}, {best['step_px']:.2f} px" if best else "none found"
        says = got["says"] or "-"
        print(f"{name[:34]:34} {f'{header:.4f}' if header else 'none':>9} {ticks:>24}  {says:13} {got['verdict']}")
        wrong = []
        if name in KNOWN:
            seen.add(name)
            step, within, expected = KNOWN[name]
            if not best or abs(best["step_px"] - step) > within or says != expected:
                wrong.append(f"{name}: expected ticks {step} ± {within} px, {expected}; found {ticks}, {says}")
        if (name in REFUSED) and not got["verdict"].startswith("no millimetres"):
            wrong.append(f"{name}: expected no millimetres, found {got['verdict']}")
        if header and name not in REFUSED and says == "inconsistent":
            wrong.append(f"{name}: ticks contradict a header that nothing else speaks against")
        faults += wrong
        passed += not wrong
    missing = set(KNOWN) - seen
    if missing:
        faults.append(f"not carried any more: {', '.join(sorted(missing))}")
    for text in faults:
        print("FAULT", text)
    print(f"{passed} passed, {len(faults)} failed")
    return 1 if faults else 0


if __name__ == "__main__":
    sys.exit(main())
