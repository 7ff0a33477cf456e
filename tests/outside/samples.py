"""The sample exams measured again by pydicom and numpy, from the files' own region deltas and from their pixels.

Nothing here comes from the program but sample-images itself: distances are recomputed from truth.json's points and the
Physical Delta of the file, depth marks and the side of the placenta are found in the pixels, and dciodvfy (dicom3tools)
judges the objects.

Run by tests/run, or by hand: target/venv/bin/python tests/outside/samples.py
"""

import hashlib
import json
import subprocess
import sys

import numpy as np
import pydicom

from _probe import ROOT, report

FOLDER = ROOT / "sample-images"
TRUTH = json.loads((FOLDER / "truth.json").read_text())


def opened():
    """Each frame with its truth: name, dataset, pixels, truth, mm per pixel (x, y)."""
    for entry in TRUTH["files"]:
        dataset = pydicom.dcmread(FOLDER / entry["file"])
        pixels = dataset.pixel_array
        if pixels.ndim == 2:
            pixels = pixels[None]
        region = dataset.SequenceOfUltrasoundRegions[0]
        scale = 10 * np.array([region.PhysicalDeltaX, region.PhysicalDeltaY])
        for truth in entry["frames"]:
            yield f"{entry['file']} {truth['frame']}", dataset, pixels[truth["frame"] - 1], truth, scale


def at(truth, name):
    return np.array([truth[name]["x"], truth[name]["y"]])


def mean_near(pixels, point, scale, radius_mm):
    """Mean grey of the pixels whose centre lies within radius_mm of a point (px)."""
    rows, columns = np.indices(pixels.shape)
    inside = np.hypot((columns + 0.5 - point[0]) * scale[0], (rows + 0.5 - point[1]) * scale[1]) <= radius_mm
    return float(pixels[inside].mean())


def digests():
    for line in (FOLDER / "SHA256SUMS").read_text().splitlines():
        digest, name = line.split("  ")
        yield hashlib.sha256((FOLDER / name).read_bytes()).hexdigest() == digest, name


def objects():
    for entry in TRUTH["files"]:
        done = subprocess.run(["dciodvfy", FOLDER / entry["file"]], capture_output=True, text=True, timeout=60)
        said = [line for line in (done.stdout + done.stderr).splitlines() if line.startswith(("Error", "Warning"))]
        yield done.returncode == 0 and not said, f"{entry['file']}: {said[:3]}"
        dataset = pydicom.dcmread(FOLDER / entry["file"])
        yield dataset.SOPInstanceUID == entry["sop_instance_uid"], f"{entry['file']}: UID"
        yield str(dataset.PatientName) == "Invented^Ada", f"{entry['file']}: name"


def sizes():
    for name, dataset, pixels, _, _ in opened():
        region = dataset.SequenceOfUltrasoundRegions[0]
        yield pixels.shape == (dataset.Rows, dataset.Columns) and pixels.dtype == np.uint8, f"{name}: {pixels.shape}"
        yield region.RegionLocationMaxX1 < dataset.Columns and region.RegionLocationMaxY1 < dataset.Rows, f"{name}: box"


def distances():
    for name, _, _, truth, scale in opened():
        length = float(np.linalg.norm((at(truth, "placental_edge") - at(truth, "internal_os")) * scale))
        yield abs(length - abs(truth["edge_to_os_mm"])) < 1e-9, f"{name}: {length} mm, stated {truth['edge_to_os_mm']}"
        covers = truth["edge_to_os_mm"] < 0
        yield truth["side"] == ("covers" if covers else "not-covering"), f"{name}: side {truth['side']}"


def depth_marks():
    """Marks right of the region, one a centimetre: their spacing in rows is 10 mm over mm per row."""
    for name, dataset, pixels, _, scale in opened():
        first = dataset.SequenceOfUltrasoundRegions[0].RegionLocationMaxX1 + 1
        rows = np.flatnonzero((pixels[:, first:] == 200).any(axis=1))
        spacing = (rows[-1] - rows[0]) / (len(rows) - 1)
        # Each mark is one whole row, so the mean spacing is good to a row over their number.
        yield len(rows) >= 7 and abs(spacing - 10 / scale[1]) <= 1 / (len(rows) - 1), f"{name}: {spacing} rows, {10 / scale[1]}"


def picture():
    """The pixels show what the truth says: bright placenta at its body, and over the os only where it is covered."""
    for name, _, pixels, truth, scale in opened():
        os, edge, body = (at(truth, n) for n in ("internal_os", "placental_edge", "placental_body"))
        placenta = mean_near(pixels, body, scale, 2.5)
        # Half-way to the edge, 4.2 mm into the cavity, which opens to the left and down: past the dark zone under a placenta.
        between = mean_near(pixels, (os + edge) / 2 + np.array([-3.6, 2.2]) / scale, scale, 0.8)
        covers = truth["edge_to_os_mm"] < 0
        yield placenta > 110, f"{name}: placenta {placenta:.0f}"
        yield (between > 90) if covers else (between < 30), f"{name}: {between:.0f} between os and edge, covers: {covers}"
        along = (at(truth, "external_os") - os) / np.linalg.norm((at(truth, "external_os") - os) * scale)
        across = np.array([along[1] * scale[1] / scale[0], -along[0] * scale[0] / scale[1]])
        # The canal bows towards the front between its ends.
        line = max(mean_near(pixels, os + 4 * along + v * across, scale, 0.7) for v in np.arange(-0.5, 2.6, 0.25))
        yield line > 120, f"{name}: the canal line is not bright beside the os, {line:.0f}"


if __name__ == "__main__":
    sys.exit(
        report(
            [
                ("digests", digests()),
                ("objects by dciodvfy", objects()),
                ("sizes by pydicom", sizes()),
                ("distances by numpy", distances()),
                ("depth marks in the pixels", depth_marks()),
                ("picture against truth", picture()),
            ]
        )
    )
