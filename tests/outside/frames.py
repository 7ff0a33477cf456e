"""Stored frames against pydicom: every ultrasound file that the pydicom and pydicom-data packages carry.

Headers (size, frames, regions, spacing) must agree; decoded samples must be equal where the coding is lossless, and
within a stated bound where it is JPEG with loss, since decoders may round the inverse transform and the upsampling of
colour in their own ways (ITU-T T.83 lets each sample be off by one after the inverse transform).

Run by tests/run, or by hand: target/venv/bin/python tests/outside/frames.py
Nothing is downloaded: files come from the folders of the installed packages.
"""

import functools
import sys
import tempfile
import warnings
from pathlib import Path

import numpy as np
import pydicom
from pydicom.pixels import apply_color_lut, pixel_array

import _probe

ask = functools.partial(_probe.ask, "outside-frames", timeout=600)

# Pixel bounds against pydicom: the largest difference of one sample and the mean difference of a frame.
EXACT = (0, 0.0)
# Decoders round the inverse transform and the upsampling of colour in their own ways, each by one level or two, and the
# blue equation multiplies a difference by 1.772. The mean says that such differences are rare.
JPEG = (6, 0.05)
# Irreversible JPEG 2000: the wavelet is computed in floating point.
JPEG_2000 = (2, 0.2)
LOSSY = {"1.2.840.10008.1.2.4.50": JPEG, "1.2.840.10008.1.2.4.51": JPEG, "1.2.840.10008.1.2.4.91": JPEG_2000}

REGION = [
    ("spatial_format", "RegionSpatialFormat"),
    ("data_type", "RegionDataType"),
    ("flags", "RegionFlags"),
    ("min_x0", "RegionLocationMinX0"),
    ("min_y0", "RegionLocationMinY0"),
    ("max_x1", "RegionLocationMaxX1"),
    ("max_y1", "RegionLocationMaxY1"),
    ("units_x", "PhysicalUnitsXDirection"),
    ("units_y", "PhysicalUnitsYDirection"),
    ("delta_x", "PhysicalDeltaX"),
    ("delta_y", "PhysicalDeltaY"),
]

# Ultrasound Image and Ultrasound Multi-frame Image, present and retired.
ULTRASOUND = {
    "1.2.840.10008.5.1.4.1.1.6.1",
    "1.2.840.10008.5.1.4.1.1.3.1",
    "1.2.840.10008.5.1.4.1.1.6",
    "1.2.840.10008.5.1.4.1.1.3",
}


def carried_files():
    """Every ultrasound file of the two packages, each content once."""
    import hashlib

    folders = [Path(pydicom.__file__).parent / "data"]
    try:
        import data_store

        folders.append(Path(data_store.__file__).parent / "data")
    except ImportError:
        sys.exit("the package pydicom-data is not installed")
    seen = set()
    for folder in folders:
        for path in sorted(p for p in folder.rglob("*") if p.is_file()):
            try:
                ds = pydicom.dcmread(path, stop_before_pixels=True, force=False)
            except Exception:
                continue
            if ds.get("SOPClassUID") not in ULTRASOUND and ds.get("Modality") != "US":
                continue
            digest = hashlib.sha256(path.read_bytes()).digest()
            if digest not in seen:
                seen.add(digest)
                yield path


def expected_samples(path, ds, frame):
    """pydicom's samples of one frame, grey or RGB, brought to 8 bits as the library documents it."""
    arr = pixel_array(path, index=frame, raw=False)
    pi = ds.PhotometricInterpretation
    if pi == "PALETTE COLOR":
        rgb = apply_color_lut(arr, ds)
        if rgb.dtype == np.uint16:
            rgb = (rgb >> 8).astype(np.uint8) if rgb.max() > 255 else rgb.astype(np.uint8)
        return rgb
    if pi == "MONOCHROME1":
        return (2**ds.BitsStored - 1) - arr
    return arr


def header_faults(ds, got):
    """What the library's view of the header has different from pydicom's."""
    want = {"rows": ds.Rows, "columns": ds.Columns, "n_frames": int(ds.get("NumberOfFrames", 1) or 1)}
    want["transfer_syntax"] = str(ds.file_meta.TransferSyntaxUID)
    want["sop_instance_uid"] = str(ds.SOPInstanceUID)
    want["regions"] = [{key: r.get(name) for key, name in REGION} for r in ds.get("SequenceOfUltrasoundRegions", [])]
    spacing, aspect = ds.get("PixelSpacing"), ds.get("PixelAspectRatio")
    want["pixel_spacing"] = [float(x) for x in spacing] if spacing else None
    want["pixel_aspect"] = [int(x) for x in aspect] if aspect else None
    return [f"{key}: expected {value}, found {got.get(key)}" for key, value in want.items() if got.get(key) != value]


def compare(path):
    """One row of the table: name, what was compared, result; and faults."""
    ds = pydicom.dcmread(path, stop_before_pixels=True)
    syntax = ds.file_meta.TransferSyntaxUID
    frames = int(ds.get("NumberOfFrames", 1) or 1)
    # First, last, and some between: every frame of a cine is reached by its own offset.
    numbers = sorted({1, frames, *range(1, frames + 1, max(1, frames // 8))})
    faults = []
    with tempfile.TemporaryDirectory() as folder:
        outs = [Path(folder) / f"{n}.raw" for n in numbers]
        requests = [{"do": "frames", "file": str(path)}]
        requests += [{"do": "decode", "file": str(path), "frame": n, "out": str(o)} for n, o in zip(numbers, outs)]
        header, *decoded = ask(requests)
        if "error" in header:
            return f"refused: {header['kind']}: {header['error']}", [f"refused: {header['error']}"]
        faults += header_faults(ds, header)
        most, mean_most = LOSSY.get(str(syntax), EXACT)
        worst, worst_mean = 0, 0.0
        for n, out, got in zip(numbers, outs, decoded):
            if "error" in got:
                return f"refused: {got['kind']}: {got['error']}", [f"frame {n} refused: {got['error']}"]
            want = expected_samples(path, ds, n - 1)
            shape = (got["rows"], got["columns"]) + ((3,) if got["channels"] == 3 else ())
            have = np.fromfile(out, dtype=np.uint8 if got["bits"] == 8 else "<u2").reshape(shape)
            if have.shape != want.shape:
                faults.append(f"frame {n}: expected shape {want.shape}, found {have.shape}")
                continue
            off = np.abs(have.astype(np.int32) - want.astype(np.int32))
            worst, worst_mean = max(worst, int(off.max())), max(worst_mean, float(off.mean()))
        if worst > most or worst_mean > mean_most:
            faults.append(f"samples differ by up to {worst}, mean {worst_mean:.4f}; allowed {most}, {mean_most}")
        text = f"{len(numbers)} of {frames} frames, {len(header['regions'])} regions, max {worst}, mean {worst_mean:.4f}"
        return text, faults


def main():
    warnings.filterwarnings("ignore")
    passed, faults = 0, []
    for path in carried_files():
        ds = pydicom.dcmread(path, stop_before_pixels=True)
        text, wrong = compare(path)
        label = f"{ds.file_meta.TransferSyntaxUID.name[:34]:34} {ds.PhotometricInterpretation:14} {ds.Rows:4}x{ds.Columns:<4}"
        print(f"{path.name[:34]:34} {label} {text}")
        faults += [f"{path.name}: {w}" for w in wrong]
        passed += not wrong
    for text in faults:
        print("FAULT", text)
    if passed + len(faults) < 15:
        faults.append("fewer files than the packages are known to carry")
        print("FAULT", faults[-1])
    print(f"{passed} passed, {len(faults)} failed")
    return 1 if faults else 0


if __name__ == "__main__":
    sys.exit(main())
