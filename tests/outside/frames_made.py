"""Stored frames against other people's encoders: invented pictures coded by CharLS, OpenJPEG, DCMTK, libjpeg-turbo and
pydicom must come back as they were (lossless), within the bound that the coder was given (near-lossless), or as the
coder's own decoder gives them back (with loss).

Run by tests/run, or by hand: target/venv/bin/python tests/outside/frames_made.py
"""

import functools
import io
import subprocess
import sys
import tempfile
import warnings
from pathlib import Path

import numpy as np
import pydicom
from pydicom.pixels import pixel_array

import _probe
from _made import (
    JPEG2000,
    JPEG2000Lossless,
    JPEGBaseline8Bit,
    JPEGLSLossless,
    JPEGLSNearLossless,
    RLELossless,
    big_endian,
    charls,
    compressed,
    dataset,
    dcmtk,
    encapsulated,
    encode_j2k,
    jpeg,
    picture,
    written,
)

ask = functools.partial(_probe.ask, "outside-frames", timeout=900)
CODINGS = ["JPEG-LS", "JPEG 2000", "JPEG lossless", "JPEG", "run", "big endian"]
SIZES = [(1, 1), (1, 40), (37, 1), (5, 3), (33, 65), (128, 130)]
KINDS = ["scan", "flat", "noise", "runs"]


def charls_file(ds, frame, bits, near, interleave=None):
    """A file coded by CharLS: through its Python binding, where that has no room through DCMTK, or None if neither can."""
    try:
        stream = charls(frame, bits, near, interleave)
    except RuntimeError:
        how = {1: "+il", 2: "+is"}.get(interleave, "+in")
        try:
            return dcmtk(ds, *(["+en", "+md", str(near)] if near else ["+el"]), how, tool="dcmcjpls")
        except subprocess.CalledProcessError:
            return None
    return written(encapsulated(ds, [stream], JPEGLSNearLossless if near else JPEGLSLossless))


def cases(rng):
    """Name, bytes of a file, expected frames, largest difference and largest mean difference allowed."""
    for rows, columns in SIZES:
        for kind in KINDS:
            at = f"{kind} {rows}x{columns}"
            for bits in (8, 5, 12, 16):
                grey = picture(rng, rows, columns, 1, bits, kind)
                ds = dataset([grey], "MONOCHROME2", bits)
                yield f"JPEG-LS {bits} bits {at}", charls_file(ds, grey, bits, 0), [grey], 0, 0
                for near in (1, 3, 9):
                    near = min(near, (2**bits - 1) // 4)
                    yield f"JPEG-LS near {near} {bits} bits {at}", charls_file(ds, grey, bits, near), [grey], near, near
                if bits != 5 and min(rows, columns) >= 32:
                    coded = encapsulated(ds, [encode_j2k(grey, bits_stored=bits)], JPEG2000Lossless)
                    yield f"JPEG 2000 {bits} bits {at}", written(coded), [grey], 0, 0
                yield f"run lengths {bits} bits {at}", written(compressed(ds, RLELossless)), [grey], 0, 0
                yield f"big endian {bits} bits {at}", big_endian(ds), [grey], 0, 0
            colour = picture(rng, rows, columns, 3, 8, kind)
            ds = dataset([colour], "RGB", 8)
            for interleave in (0, 1, 2):
                for near in (0, 2):
                    coded = charls_file(ds, colour, 8, near, interleave)
                    yield f"JPEG-LS colour near {near}, interleave {interleave} {at}", coded, [colour], near, near
            if min(rows, columns) >= 32:
                for mct, term in ((True, "YBR_RCT"), (False, "RGB")):
                    stream = encode_j2k(colour, bits_stored=8, photometric_interpretation=1, use_mct=mct)
                    coded = encapsulated(ds, [stream], JPEG2000Lossless, term)
                    yield f"JPEG 2000 {term} {at}", written(coded), [colour], 0, 0
            if kind == "scan" and rows > 4:
                odd = ["+pc", "+t1", "5", "+t2", "11", "+t3", "40", "+rs", "31"]
                yield f"JPEG-LS preset parameters {at}", dcmtk(ds, "+el", *odd, tool="dcmcjpls"), [colour], 0, 0
            yield f"run lengths RGB {at}", written(compressed(ds, RLELossless)), [colour], 0, 0

    # Every predictor of lossless JPEG, by DCMTK. It gives up on some tiny pictures, so sizes start at 5 x 3.
    for rows, columns in SIZES[3:]:
        for kind in KINDS:
            for predictor in range(1, 8):
                for bits in (8, 12, 16):
                    grey = picture(rng, rows, columns, 1, bits, kind)
                    coded = dcmtk(dataset([grey], "MONOCHROME2", bits), "+el", "+sv", str(predictor))
                    yield f"JPEG lossless predictor {predictor} {bits} bits {kind} {rows}x{columns}", coded, [grey], 0, 0
            colour = picture(rng, rows, columns, 3, 8, kind)
            yield f"JPEG lossless colour {kind} {rows}x{columns}", dcmtk(dataset([colour], "RGB", 8), "+e1"), [colour], 0, 0

    # Cines: fragments, offset tables.
    grey = [picture(rng, 40, 60, 1, 8) for _ in range(7)]
    ds = dataset(grey, "MONOCHROME2", 8)
    streams = [charls(f, 8) for f in grey]
    for table in ("basic", "none", "extended"):
        yield f"JPEG-LS cine with table {table}", written(encapsulated(ds, streams, JPEGLSLossless, table=table)), grey, 0, 0
    for table in ("basic", "none"):
        coded = encapsulated(ds, streams, JPEGLSLossless, table=table, fragments=3)
        yield f"JPEG-LS cine of 3 fragments a frame, {table} table", written(coded), grey, 0, 0
    yield "JPEG lossless cine, fragments of 1 kB", dcmtk(ds, "+e1", "+fs", "1"), grey, 0, 0
    yield "run-length cine", written(compressed(ds, RLELossless)), grey, 0, 0

    # With loss: as pydicom with Pillow gives them back. Smooth pictures, since subsampling of noise is no fair test.
    for rows, columns in [(32, 32), (33, 65), (128, 130), (479, 641)]:
        y, x = np.mgrid[0:rows, 0:columns]
        colour = np.stack([x * 255 // columns, y * 255 // rows, (x + y) * 255 // (rows + columns)], -1).astype(np.uint8)
        for subsampling, ratio in ((0, "4:4:4"), (1, "4:2:2"), (2, "4:2:0")):
            for more in ({}, {"progressive": True}, {"restart_marker_rows": 1}):
                coded = encapsulated(dataset([colour], "RGB", 8), [jpeg(colour, subsampling, **more)], JPEGBaseline8Bit, "YBR_FULL_422")
                yield f"JPEG {ratio} {more or ''} {rows}x{columns}", written(coded), None, 8, 0.6
        yield f"JPEG extended 8 bits {rows}x{columns}", dcmtk(dataset([colour], "RGB", 8), "+ee"), None, 8, 0.6
        yield f"JPEG baseline RGB {rows}x{columns}", dcmtk(dataset([colour], "RGB", 8), "+eb", "+cr", "+s4"), None, 3, 0.1
        for mct, term in ((True, "YBR_ICT"), (False, "RGB")):
            stream = encode_j2k(colour, bits_stored=8, photometric_interpretation=1, use_mct=mct, compression_ratios=[8])
            yield f"JPEG 2000 with loss {term} {rows}x{columns}", written(encapsulated(dataset([colour], "RGB", 8), [stream], JPEG2000, term)), None, 2, 0.2
        grey = picture(rng, rows, columns)
        yield f"JPEG grey {rows}x{columns}", written(encapsulated(dataset([grey], "MONOCHROME2", 8), [jpeg(grey)], JPEGBaseline8Bit)), None, 2, 0.1


def refusals(rng):
    """Name, bytes, and what the refusal must say: 12-bit JPEG with loss is refused by name, not shown wrong."""
    grey = picture(rng, 32, 32, 1, 12)
    yield "JPEG extended 12 bits", dcmtk(dataset([grey], "MONOCHROME2", 12), "+ee"), "12 bits"


def main():
    warnings.filterwarnings("ignore")
    rng = np.random.default_rng(20261125)
    passed, faults, groups = 0, [], {}
    with tempfile.TemporaryDirectory() as folder:
        folder = Path(folder)
        rows, requests = [], []
        for i, (name, data, frames, most, mean_most) in enumerate(cases(rng)):
            if data is None:
                continue
            file = folder / f"{i}.dcm"
            file.write_bytes(data)
            ds = pydicom.dcmread(io.BytesIO(data))
            if frames is None:
                frames = [pixel_array(file, index=n, decoding_plugin="pillow") for n in range(int(ds.get("NumberOfFrames", 1)))]
            for n, want in enumerate(frames):
                out = folder / f"{i}.{n}.raw"
                rows.append((f"{name}, frame {n + 1}", out, want, most, mean_most))
                requests.append({"do": "decode", "file": str(file), "frame": n + 1, "out": str(out)})
        for (name, out, want, most, mean_most), got in zip(rows, ask(requests)):
            if "error" in got:
                faults.append(f"{name}: {got['error']}")
                continue
            have = np.fromfile(out, dtype=np.uint8 if got["bits"] == 8 else "<u2").reshape(want.shape)
            off = np.abs(have.astype(np.int32) - want.astype(np.int32))
            coding = next(c for c in CODINGS if name.startswith(c))
            group = groups.setdefault(coding + (", with loss" if mean_most else ""), [0, 0, 0.0])
            group[0], group[1], group[2] = group[0] + 1, max(group[1], int(off.max())), max(group[2], float(off.mean()))
            if off.max() > most or off.mean() > mean_most:
                faults.append(f"{name}: differs by up to {off.max()}, mean {off.mean():.4f}; allowed {most}, {mean_most}")
            else:
                passed += 1
        for name, data, word in refusals(rng):
            file = folder / "refused.dcm"
            file.write_bytes(data)
            got = ask([{"do": "decode", "file": str(file), "frame": 1, "out": str(folder / "x")}])[0]
            if got.get("kind") == "Unsupported" and word in got["error"]:
                passed += 1
            else:
                faults.append(f"{name}: expected a refusal with \"{word}\", found {got}")
    for name, (count, worst, mean) in sorted(groups.items()):
        print(f"{name:28} {count:5} frames, max {worst}, mean {mean:.4f}")
    for text in faults[:40]:
        print("FAULT", text)
    print(f"{passed} passed, {len(faults)} failed")
    return 1 if faults else 0


if __name__ == "__main__":
    sys.exit(main())
