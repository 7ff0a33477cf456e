"""Known distances on a frame made by an independent wave simulator, through the program's own loader and ruler.

PyMUST (Garcia 2022, the MUST toolbox in Python) simulates the echoes of four points 3 to 13 mm apart under a linear array
and forms the image; pydicom writes it with a region calibration on pixels that are not square. The program opens the file,
finds the centroids of the spots and measures between them. Nothing of the program's own picture formation is involved.

Run by tests/run, or by hand: target/venv/bin/python tests/outside/simulated_points.py
"""

import math
import sys
import tempfile
import time
from itertools import combinations
from pathlib import Path

import numpy as np
import pydicom
import pymust
from pydicom.dataset import Dataset, FileMetaDataset
from pydicom.uid import ExplicitVRLittleEndian, generate_uid

from _probe import ask, report

PROBE = "outside-synthetic"
POINTS = np.array([[-5.0, 20.0], [5.0, 20.0], [0.0, 32.0], [-3.0, 26.0]])
MM_PER_PX = np.array([0.1, 0.075])
CORNER = np.array([-11.0, 17.0])
COLUMNS, ROWS = 220, 240
GOAL_MM = 0.05


def image():
    array = pymust.getparam("L11-5v")
    array.fs = 4 * array.fc
    together = np.zeros((1, array.Nelements))
    x, z = POINTS.T * 1e-3
    echoes, _ = pymust.simus(x, z, np.ones(len(POINTS)), together, array)
    signal = pymust.rf2iq(echoes, array.fs, array.fc)
    array.fnumber = 1.0
    px, py = np.meshgrid(np.arange(COLUMNS) + 0.5, np.arange(ROWS) + 0.5)
    grid_x, grid_z = CORNER[0] + px * MM_PER_PX[0], CORNER[1] + py * MM_PER_PX[1]
    form = pymust.dasmtx(1j * np.array(signal.shape), grid_x * 1e-3, grid_z * 1e-3, together, array)
    amplitude = np.abs((form @ signal.flatten(order="F")).reshape(grid_x.shape, order="F"))
    # Linear greys: the centroid is that of the amplitude. Side lobes below 10 % are cut.
    share = amplitude / amplitude.max()
    return np.round(255 * np.where(share > 0.1, share, 0)).astype(np.uint8)


def write(pixels, path, mm_per_px=MM_PER_PX):
    meta = FileMetaDataset()
    meta.TransferSyntaxUID = ExplicitVRLittleEndian
    meta.MediaStorageSOPClassUID = "1.2.840.10008.5.1.4.1.1.6.1"
    meta.MediaStorageSOPInstanceUID = generate_uid()
    d = Dataset()
    d.file_meta = meta
    d.SOPClassUID, d.SOPInstanceUID = meta.MediaStorageSOPClassUID, meta.MediaStorageSOPInstanceUID
    d.StudyInstanceUID, d.SeriesInstanceUID = generate_uid(), generate_uid()
    d.Modality, d.PatientName, d.PatientID = "US", "Simulated^Points", "NONE"
    d.Rows, d.Columns = pixels.shape
    d.SamplesPerPixel, d.PhotometricInterpretation = 1, "MONOCHROME2"
    d.BitsAllocated, d.BitsStored, d.HighBit, d.PixelRepresentation = 8, 8, 7, 0
    region = Dataset()
    region.RegionSpatialFormat, region.RegionDataType, region.RegionFlags = 1, 1, 2
    region.RegionLocationMinX0, region.RegionLocationMinY0 = 0, 0
    region.RegionLocationMaxX1, region.RegionLocationMaxY1 = pixels.shape[1] - 1, pixels.shape[0] - 1
    region.PhysicalUnitsXDirection = region.PhysicalUnitsYDirection = 3
    region.PhysicalDeltaX, region.PhysicalDeltaY = (float(v) for v in mm_per_px / 10)
    d.SequenceOfUltrasoundRegions = [region]
    d.PixelData = pixels.tobytes()
    pydicom.dcmwrite(path, d, enforce_file_format=True)


def distances():
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "points.dcm"
        started = time.monotonic()
        write(image(), path)
        print(f"  simulator: {time.monotonic() - started:.1f} s for one frame of {len(POINTS)} points, {COLUMNS} x {ROWS} px")
        near = (POINTS - CORNER) / MM_PER_PX
        pairs = list(combinations(range(len(POINTS)), 2))
        requests = [{"do": "between-bright-points", "file": str(path), "near": [list(near[a]), list(near[b])], "reach_px": 14} for a, b in pairs]
        for (a, b), answer in zip(pairs, ask(PROBE, requests)):
            true = math.dist(POINTS[a], POINTS[b])
            if "mm" not in answer:
                yield False, f"{a}-{b}: {answer}"
                continue
            text = f"{true:.4f} mm simulated, {answer['mm']:.4f} mm measured"
            print("  " + text)
            yield abs(answer["mm"] - true) < GOAL_MM, text


if __name__ == "__main__":
    sys.exit(report([("distances between simulated points", distances())]))
