"""Synthetic frames and sweeps as DICOM objects, in each coding, judged by dciodvfy and read by pydicom.

Uncompressed and run-length coded samples must be the generator's own, JPEG ones nearly, and what lost must say so. The sweep's
frame of shortest clearance is the one that the truth names.

Run by tests/run, or by hand: target/venv/bin/python tests/outside/synthetic_files.py
"""

import hashlib
import math
import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np
import pydicom

from _probe import ask, report

PROBE = "outside-synthetic"
SYNTAX = {"plain": "1.2.840.10008.1.2.1", "rle": "1.2.840.10008.1.2.5", "jpeg": "1.2.840.10008.1.2.4.50", "no-scale": "1.2.840.10008.1.2.1"}
# JPEG at quality 92 of speckle, dB; less would be seen.
LEAST_PSNR = 38.0


def frames_of(dataset):
    pixels = dataset.pixel_array
    return pixels[None] if pixels.ndim == 2 else pixels


def files():
    with tempfile.TemporaryDirectory() as folder:
        answer = ask(PROBE, [{"do": "write", "folder": folder}])[0]
        opened = {name: pydicom.dcmread(Path(folder) / name) for name in answer["files"]}
        for name, dataset in opened.items():
            kind, coding = name.removesuffix(".dcm").split("-", 1)
            done = subprocess.run(["dciodvfy", Path(folder) / name], capture_output=True, text=True, timeout=60)
            said = [line for line in (done.stdout + done.stderr).splitlines() if line.startswith(("Error", "Warning"))]
            yield done.returncode == 0 and not said, f"{name}: {said[:3]}"
            yield dataset.file_meta.TransferSyntaxUID == SYNTAX[coding], f"{name}: {dataset.file_meta.TransferSyntaxUID}"
            yield ("SequenceOfUltrasoundRegions" in dataset) == (coding != "no-scale"), f"{name}: scale"
            pixels = frames_of(dataset)
            wanted = [answer["frame"]] if kind == "frame" else answer["sweep"]
            yield len(pixels) == len(wanted), f"{name}: {len(pixels)} frames"
            if coding == "jpeg":
                raw = frames_of(opened[f"{kind}-plain.dcm"]).astype(float)
                psnr = 10 * math.log10(255**2 / np.mean((raw - pixels) ** 2))
                size = sum(len(f) for f in pydicom.encaps.generate_frames(dataset.PixelData, number_of_frames=len(pixels)))
                text = f"{name}: PSNR {psnr:.1f} dB, ratio stated {dataset.LossyImageCompressionRatio}, found {raw.size / size:.2f}"
                print("  " + text)
                yield psnr > LEAST_PSNR and abs(dataset.LossyImageCompressionRatio - raw.size / size) < 0.02, text
                yield (dataset.LossyImageCompression, dataset.LossyImageCompressionMethod) == ("01", "ISO_10918_1"), f"{name}: loss not stated"
            else:
                found = [hashlib.sha256(p.tobytes()).hexdigest() for p in pixels]
                yield found == wanted, f"{name}: samples differ from the generator's"
                yield dataset.LossyImageCompression == "00", f"{name}: loss stated"
        distances = [abs(t["edge_to_os_mm"]) for t in answer["truths"]]
        text = f"sweep: {', '.join(f'{d:.2f}' for d in distances)} mm, shortest at frame {answer['shortest'] + 1}"
        print("  " + text)
        yield int(np.argmin(distances)) == answer["shortest"] and min(distances) == abs(answer["truths"][0]["shortest_mm"].__round__(9)), text
        os = np.array([[t["internal_os"]["x"], t["internal_os"]["y"]] for t in answer["truths"]])
        yield np.ptp(os[:, 0]) > 3 and np.ptp(os[:, 1]) > 1, f"sweep: the os moves by {np.ptp(os, axis=0)} px"


if __name__ == "__main__":
    sys.exit(report([("objects in each coding", files())]))
