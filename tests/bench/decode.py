"""How fast cines are decoded, beside pydicom with the fastest plugin installed, in one run on one machine.

    target/venv/bin/python tests/bench/decode.py            the table
    target/venv/bin/python tests/bench/decode.py --quick    fewer frames, one round: does it still run

Both sides decode the same files to 8-bit RGB, frame by frame, the best of several rounds, taken in turn. The cines are
compressed here from a frame sequence of our own (moving speckle in a sector, seeded). Nothing is asserted about time: the
ratios are printed. The checksums of the lossless files are compared.
"""

import io
import json
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import pydicom
from PIL import Image
from pydicom.dataset import Dataset, FileMetaDataset
from pydicom.encaps import encapsulate
from pydicom.pixels import convert_color_space, get_decoder
from pydicom.uid import (
    ExplicitVRLittleEndian, JPEG2000, JPEG2000Lossless, JPEGBaseline8Bit, JPEGLosslessSV1, JPEGLSLossless, RLELossless,
    UltrasoundMultiFrameImageStorage, generate_uid,
)

ROOT = Path(__file__).resolve().parents[2]
BENCH = ROOT / "target/release/examples/decode-bench"
QUICK = "--quick" in sys.argv
ROUNDS = 1 if QUICK else 5


def speckle(n, rows, columns, channels):
    """A sector of speckle that drifts from frame to frame: n × rows × columns (× 3), 8 bits, seeded."""
    rng = np.random.default_rng(20310314)
    field = rng.rayleigh(1.0, (rows + n, columns + n)).astype(np.float32)
    for axis in (0, 1):  # a short blur, so that neighbours are alike as in a real picture
        field = (np.roll(field, 1, axis) + 2 * field + np.roll(field, -1, axis)) / 4
    y, x = np.mgrid[0:rows, 0:columns]
    inside = (np.abs(x - columns / 2) < 0.75 * y + 20) & (np.hypot(x - columns / 2, y) < 0.97 * rows)
    out = np.empty((n, rows, columns), np.uint8)
    for i in range(n):
        out[i] = np.where(inside, np.clip(60 * field[i : i + rows, i : i + columns], 0, 255), 0)
    return out if channels == 1 else np.repeat(out[..., None], 3, -1)


def dataset(frames, syntax, photometric):
    n, rows, columns = frames.shape[:3]
    ds = Dataset()
    ds.file_meta = FileMetaDataset()
    ds.file_meta.TransferSyntaxUID = syntax
    ds.file_meta.MediaStorageSOPClassUID = ds.SOPClassUID = UltrasoundMultiFrameImageStorage
    ds.file_meta.MediaStorageSOPInstanceUID = ds.SOPInstanceUID = generate_uid()
    ds.StudyInstanceUID, ds.SeriesInstanceUID = generate_uid(), generate_uid()
    ds.Modality, ds.PatientName, ds.PatientID = "US", "Invented^Bench", "BENCH"
    ds.Rows, ds.Columns, ds.NumberOfFrames, ds.FrameTime = rows, columns, n, 33.3
    ds.SamplesPerPixel = 1 if frames.ndim == 3 else 3
    if frames.ndim == 4:
        ds.PlanarConfiguration = 0
    ds.PhotometricInterpretation = photometric
    ds.BitsAllocated = ds.BitsStored = 8
    ds.HighBit, ds.PixelRepresentation = 7, 0
    return ds


def write(path, ds):
    ds.save_as(path, enforce_file_format=True)
    return path


def jpeg_cine(path, frames, quality=90):
    parts = []
    for f in frames:
        buffer = io.BytesIO()
        Image.fromarray(f).save(buffer, "JPEG", quality=quality, subsampling="4:2:2")
        parts.append(buffer.getvalue())
    ds = dataset(frames, JPEGBaseline8Bit, "YBR_FULL_422")
    ds.PixelData = encapsulate(parts)
    ds["PixelData"].VR = "OB"
    return write(path, ds)


def lossless_cine(path, frames, syntax, folder):
    ds = dataset(frames, ExplicitVRLittleEndian, "MONOCHROME2" if frames.ndim == 3 else "RGB")
    ds.PixelData = frames.tobytes()
    ds["PixelData"].VR = "OB"
    if syntax == JPEGLosslessSV1:  # pydicom does not write it, DCMTK does
        plain = write(folder / "plain.dcm", ds)
        subprocess.run(["dcmcjpeg", "+e1", str(plain), str(path)], check=True)
        return path
    if syntax == JPEG2000:
        ds.compress(syntax, j2k_cr=[10], generate_instance_uid=False)
    else:
        ds.compress(syntax, generate_instance_uid=False)
    return write(path, ds)


def plugins(syntax):
    return [p for p in get_decoder(syntax).available_plugins if p != "gdcm"]


def checksum(array):
    """Every 61st byte, as on our side."""
    return int(np.ascontiguousarray(array).reshape(-1)[::61].sum(dtype=np.uint64))


def theirs(path, plugin):
    """Seconds and checksum of pydicom decoding the whole file to RGB, frame by frame."""
    start = time.perf_counter()
    ds = pydicom.dcmread(path)
    decoder = get_decoder(ds.file_meta.TransferSyntaxUID)
    total = 0
    for array, about in decoder.iter_array(ds, raw=True, decoding_plugin=plugin):
        if about["photometric_interpretation"].startswith("YBR_FULL"):
            array = convert_color_space(array, "YBR_FULL", "RGB")
        elif array.ndim == 2:
            array = np.repeat(array[..., None], 3, -1)
        total += checksum(array)
    return time.perf_counter() - start, total


def theirs_one(path, plugin, index):
    start = time.perf_counter()
    ds = pydicom.dcmread(path, defer_size=1024)
    decoder = get_decoder(ds.file_meta.TransferSyntaxUID)
    array, _ = decoder.as_array(ds, index=index, raw=False, decoding_plugin=plugin)
    checksum(array)
    return time.perf_counter() - start


def bare_pillow(path):
    """libjpeg-turbo in a loop with nothing around it: the practical limit on one core."""
    ds = pydicom.dcmread(path)
    from pydicom.encaps import generate_frames
    parts = list(generate_frames(ds.PixelData, number_of_frames=ds.NumberOfFrames))
    start = time.perf_counter()
    for part in parts:
        checksum(np.asarray(Image.open(io.BytesIO(part)).convert("RGB")))
    return time.perf_counter() - start


def ours(path, *mode):
    return json.loads(subprocess.run([str(BENCH), str(path), *map(str, mode)], check=True, capture_output=True, text=True).stdout)


def main():
    if not BENCH.exists():
        sys.exit(f"{BENCH} is not there: cargo build --release --example decode-bench")
    faults = 0
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        few = 6 if QUICK else 60
        gray, colour = speckle(few, 480, 640, 1), speckle(few, 480, 640, 3)
        long = speckle(12 if QUICK else 500, 768, 1024, 3)
        cines = [
            ("JPEG baseline, 480×640 colour", jpeg_cine(folder / "jpeg.dcm", colour), False),
            ("RLE, 480×640 grey", lossless_cine(folder / "rle.dcm", gray, RLELossless, folder), True),
            ("RLE, 480×640 colour", lossless_cine(folder / "rle3.dcm", colour, RLELossless, folder), True),
            ("JPEG lossless, 480×640 grey", lossless_cine(folder / "jll.dcm", gray, JPEGLosslessSV1, folder), True),
            ("JPEG-LS, 480×640 grey", lossless_cine(folder / "jls.dcm", gray, JPEGLSLossless, folder), True),
            ("JPEG 2000 lossless, 480×640 grey", lossless_cine(folder / "j2k.dcm", gray, JPEG2000Lossless, folder), True),
            ("JPEG 2000 lossy, 480×640 grey", lossless_cine(folder / "j2ki.dcm", gray, JPEG2000, folder), False),
        ]
        found = pydicom.data.get_testdata_file("color3d_jpeg_baseline.dcm", download=False)
        if found:
            cines.insert(0, ("JPEG baseline, color3d (pydicom-data)", Path(found), False))
        print(f"{'cine':<40} {'frames':>6} {'ours fps':>9} {'2 cores':>9} {'pydicom fps':>12}  plugin      ratio  2 cores")
        for label, path, exact in cines:
            syntax = pydicom.dcmread(path, stop_before_pixels=True).file_meta.TransferSyntaxUID
            best = {"ours": None, "two": None}
            others = {p: None for p in plugins(syntax)}
            sums = {}
            for _ in range(ROUNDS):
                try:
                    for key, mode in (("ours", ("all", 1)), ("two", ("all", 2))):
                        answer = ours(path, *mode)
                        sums[key] = answer["sum"]
                        best[key] = min(answer["seconds"], best[key] or 1e9)
                except subprocess.CalledProcessError as e:
                    print(f"{label:<40} not decoded here: {e.stderr.strip().splitlines()[-1] if e.stderr else e}")
                    break
                for p in list(others):
                    try:
                        seconds, sums[p] = theirs(path, p)
                        others[p] = min(seconds, others[p] or 1e9)
                    except Exception as e:  # a plugin that cannot do this file is not a rival
                        del others[p]
            if best["ours"] is None:
                faults += 1
                continue
            n = ours(path, "all", 1)["frames"]
            plugin, seconds = min(others.items(), key=lambda kv: kv[1])
            print(f"{label:<40} {n:>6} {n / best['ours']:>9.0f} {n / best['two']:>9.0f} {n / seconds:>12.0f}  {plugin:<10} {seconds / best['ours']:>6.2f} {seconds / best['two']:>8.2f}")
            if exact and sums[plugin] != sums["ours"]:
                faults += 1
                print(f"  DIFFERENT PIXELS: {sums}")
            if "JPEG baseline" in label:
                bare = min(bare_pillow(path) for _ in range(ROUNDS))
                print(f"  against a bare libjpeg-turbo loop (Pillow): {bare / best['ours']:.2f} on one core, {bare / best['two']:.2f} on two")
        path = jpeg_cine(folder / "long.dcm", long)
        n = len(long)
        del long
        first = min(ours(path, "first")["seconds"] for _ in range(ROUNDS))
        middle = min(ours(path, "one", n // 2)["seconds"] for _ in range(ROUNDS))
        plugin_times = {p: min(theirs_one(path, p, 0) for _ in range(ROUNDS)) for p in plugins(JPEGBaseline8Bit)}
        plugin, seconds = min(plugin_times.items(), key=lambda kv: kv[1])
        print(f"{n}-frame 1024×768 JPEG cine of {path.stat().st_size / 1e6:.0f} MB: path to first frame {1e3 * first:.1f} ms, "
              f"to a middle one {1e3 * middle:.1f} ms; pydicom ({plugin}) {1e3 * seconds:.1f} ms; ratio {first / seconds:.2f}")
        one, scrub = ours(path, "one", n), ours(path, "scrub")
        print(f"highest resident memory: last frame alone {one['peak_kb'] / 1024:.0f} MB, end to end {scrub['peak_kb'] / 1024:.0f} MB")
    print(f"{len(cines) + 1 - faults} passed, {faults} failed")
    return 1 if faults else 0


if __name__ == "__main__":
    sys.exit(main())
