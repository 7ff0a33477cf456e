"""Makes the seed files beside it: one small invented ultrasound file for each transfer syntax and colour.

target/venv/bin/python tests/seeds/make.py

They are kept in the repository so that the mutation test and the fuzzers need no encoder. Making them again gives other
bytes where an encoder has changed; nothing depends on them but what they are made of.
"""

import sys
from pathlib import Path

import numpy as np

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent / "outside"))

from _made import *  # noqa: E402, F403
from pydicom.uid import DeflatedExplicitVRLittleEndian, ImplicitVRLittleEndian  # noqa: E402


def palette(ds):
    """Gives a grey data set a colour table of 16-bit entries."""
    ds.PhotometricInterpretation = "PALETTE COLOR"
    ramp = np.arange(256, dtype=np.uint16) * 257
    for name, table in (("Red", ramp), ("Green", ramp[::-1]), ("Blue", ramp // 2)):
        setattr(ds, f"{name}PaletteColorLookupTableDescriptor", [256, 0, 16])
        setattr(ds, f"{name}PaletteColorLookupTableData", table.tobytes())
    return ds


def uncompressed(ds, syntax):
    import io

    import pydicom

    out = pydicom.dcmread(io.BytesIO(written(ds)))
    out.file_meta.TransferSyntaxUID = syntax
    buffer = io.BytesIO()
    pydicom.dcmwrite(buffer, out, enforce_file_format=True)
    return buffer.getvalue()


def seeds(rng):
    grey = [picture(rng, 36, 34) for _ in range(3)]
    deep = picture(rng, 36, 34, bits=12)
    colour = picture(rng, 36, 34, 3)
    one, cine, rgb = dataset(grey[:1], "MONOCHROME2", 8), dataset(grey, "MONOCHROME2", 8), dataset([colour], "RGB", 8)
    wide = dataset([deep], "MONOCHROME2", 12)
    yield "explicit-cine", written(cine)
    yield "implicit", uncompressed(one, ImplicitVRLittleEndian)
    yield "deflated", uncompressed(one, DeflatedExplicitVRLittleEndian)
    yield "big-endian-12-bits", big_endian(wide)
    yield "rgb", written(rgb)
    yield "palette", written(palette(dataset(grey[:1], "MONOCHROME2", 8)))
    yield "run-lengths-cine", written(compressed(cine, RLELossless))
    yield "run-lengths-rgb", written(compressed(rgb, RLELossless))
    yield "jpeg-cine", written(encapsulated(cine, [jpeg(f) for f in grey], JPEGBaseline8Bit, table="none", fragments=2))
    yield "jpeg-ybr-422", written(encapsulated(rgb, [jpeg(colour)], JPEGBaseline8Bit, "YBR_FULL_422"))
    yield "jpeg-progressive", written(encapsulated(rgb, [jpeg(colour, progressive=True)], JPEGBaseline8Bit, "YBR_FULL_422"))
    yield "jpeg-lossless", dcmtk(one, "+e1")
    yield "jpeg-lossless-12-bits", dcmtk(wide, "+el", "+sv", "7")
    yield "jpeg-lossless-rgb", dcmtk(rgb, "+el", "+sv", "4")
    yield "jpeg-ls-cine", written(encapsulated(cine, [charls(f, 8) for f in grey], JPEGLSLossless, table="extended"))
    yield "jpeg-ls-12-bits", written(encapsulated(wide, [charls(deep, 12)], JPEGLSLossless))
    yield "jpeg-ls-near-line", written(encapsulated(rgb, [charls(colour, 8, 2, 1)], JPEGLSNearLossless))
    yield "jpeg-ls-sample", written(encapsulated(rgb, [charls(colour, 8, 0, 2)], JPEGLSLossless))
    yield "jpeg-2000", written(encapsulated(one, [encode_j2k(grey[0], bits_stored=8)], JPEG2000Lossless))
    stream = encode_j2k(colour, bits_stored=8, photometric_interpretation=1, compression_ratios=[4])
    yield "jpeg-2000-with-loss", written(encapsulated(rgb, [stream], JPEG2000, "YBR_ICT"))


if __name__ == "__main__":
    for name, data in seeds(np.random.default_rng(7)):
        (HERE / f"{name}.dcm").write_bytes(data)
        print(f"{name}.dcm {len(data)} bytes")
