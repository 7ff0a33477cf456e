"""Invented pictures coded in every syntax by other people's encoders: CharLS, OpenJPEG, DCMTK, libjpeg-turbo, pydicom."""

import io
import subprocess
import tempfile
from pathlib import Path

import jpeg_ls
import numpy as np
import pydicom
from openjpeg.utils import encode_array as encode_j2k
from PIL import Image
from pydicom.dataset import Dataset, FileMetaDataset
from pydicom.encaps import encapsulate, encapsulate_extended
from pydicom.uid import (
    ExplicitVRBigEndian,
    ExplicitVRLittleEndian,
    JPEG2000,
    JPEG2000Lossless,
    JPEGBaseline8Bit,
    JPEGLSLossless,
    JPEGLSNearLossless,
    RLELossless,
)

CAPACITY = {1: "grey", 3: "colour"}


def picture(rng, rows, columns, samples=1, bits=8, kind="scan"):
    """A picture of a sort: like a scan (dark, smooth, speckled), flat, noise, or with runs of equal pixels."""
    top = 2**bits - 1
    y, x = np.mgrid[0:rows, 0:columns]
    shape = (rows, columns, samples)
    if kind == "flat":
        arr = np.full(shape, top // 3)
    elif kind == "noise":
        arr = rng.integers(0, top + 1, shape)
    elif kind == "runs":
        arr = (rng.integers(0, 4, (rows, 1, samples)) * (top // 4) + (x // 7 % 3)[..., None] * (top // 16)).clip(0, top)
    else:
        base = np.exp(-(((x - columns / 2) / (columns / 3 + 1)) ** 2) - ((y - rows / 2) / (rows / 3 + 1)) ** 2)
        grain = rng.gamma(4, 0.25, (rows, columns))
        arr = (base * grain * top * 0.7).clip(0, top)[..., None] * np.linspace(1, 0.7, samples)
        arr[base < 0.3] = 0
    arr = arr.astype(np.uint8 if bits <= 8 else np.uint16)
    return arr[..., 0] if samples == 1 else arr


def dataset(frames, photometric, bits):
    """An uncompressed ultrasound data set of `frames`, each rows × columns (× 3)."""
    first = frames[0]
    ds = Dataset()
    ds.file_meta = FileMetaDataset()
    ds.file_meta.TransferSyntaxUID = ExplicitVRLittleEndian
    ds.SOPClassUID = "1.2.840.10008.5.1.4.1.1.6.1" if len(frames) == 1 else "1.2.840.10008.5.1.4.1.1.3.1"
    ds.file_meta.MediaStorageSOPClassUID = ds.SOPClassUID
    ds.SOPInstanceUID = ds.file_meta.MediaStorageSOPInstanceUID = "2.25.77"
    ds.StudyInstanceUID, ds.SeriesInstanceUID = "2.25.78", "2.25.79"
    ds.Modality, ds.PatientName, ds.PatientID, ds.StudyDate = "US", "INVENTED^Picture", "INV-1", "20260301"
    ds.Rows, ds.Columns = first.shape[:2]
    ds.SamplesPerPixel = 1 if first.ndim == 2 else 3
    ds.PhotometricInterpretation = photometric
    if ds.SamplesPerPixel == 3:
        ds.PlanarConfiguration = 0
    if len(frames) > 1:
        ds.NumberOfFrames = len(frames)
        ds.FrameTime = "40"
        ds.FrameIncrementPointer = 0x00181063
    ds.BitsAllocated = 8 if bits <= 8 else 16
    ds.BitsStored, ds.HighBit, ds.PixelRepresentation = bits, bits - 1, 0
    region = Dataset()
    region.RegionSpatialFormat, region.RegionDataType, region.RegionFlags = 1, 1, 2
    region.RegionLocationMinX0 = region.RegionLocationMinY0 = 0
    region.RegionLocationMaxX1, region.RegionLocationMaxY1 = ds.Columns - 1, ds.Rows - 1
    region.PhysicalUnitsXDirection = region.PhysicalUnitsYDirection = 3
    region.PhysicalDeltaX = region.PhysicalDeltaY = 0.01
    ds.SequenceOfUltrasoundRegions = [region]
    data = b"".join(f.tobytes() for f in frames)
    ds.PixelData = data + b"\0" * (len(data) % 2)
    ds["PixelData"].VR = "OB" if bits <= 8 else "OW"
    return ds


def encapsulated(ds, coded, syntax, photometric=None, table="basic", fragments=1):
    """The data set with coded frames in place of its pixel data."""
    out = pydicom.dcmread(io.BytesIO(written(ds)))
    out.file_meta.TransferSyntaxUID = syntax
    out.PhotometricInterpretation = photometric or out.PhotometricInterpretation
    coded = [bytes(c) + b"\0" * (len(c) % 2) for c in coded]
    if table == "extended":
        out.PixelData, out.ExtendedOffsetTable, out.ExtendedOffsetTableLengths = encapsulate_extended(coded)
    else:
        out.PixelData = encapsulate(coded, fragments_per_frame=fragments, has_bot=table == "basic")
    out["PixelData"].VR = "OB"
    out["PixelData"].is_undefined_length = True
    return out


def written(ds):
    """The bytes of a file."""
    buffer = io.BytesIO()
    pydicom.dcmwrite(buffer, ds, enforce_file_format=True)
    return buffer.getvalue()


def big_endian(ds):
    """The bytes of an uncompressed data set in Explicit VR Big Endian; 16-bit samples are swapped here."""
    out = pydicom.dcmread(io.BytesIO(written(ds)))
    out.file_meta.TransferSyntaxUID = ExplicitVRBigEndian
    if out.BitsAllocated == 16:
        out.PixelData = np.frombuffer(out.PixelData, "<u2").astype(">u2").tobytes()
    buffer = io.BytesIO()
    pydicom.dcmwrite(buffer, out, enforce_file_format=True, little_endian=False, implicit_vr=False)
    return buffer.getvalue()


def charls(frame, bits, near=0, interleave=None):
    """One frame coded by CharLS; `interleave` as the standard numbers it (0 plane, 1 line, 2 sample).

    CharLS takes pixels one after the other for line interleaving too, whatever its binding's documentation says; DCMTK's
    line-interleaved files, which the tests also read, agree. The binding has no room for a result longer than the picture and then raises RuntimeError.
    """
    if frame.ndim == 2:
        return jpeg_ls.encode_buffer(frame.tobytes(), *frame.shape, 1, bits, lossy_error=near)
    order = {0: (2, 0, 1), 1: (0, 1, 2), 2: (0, 1, 2)}[interleave]
    data = np.ascontiguousarray(frame.transpose(order)).tobytes()
    return jpeg_ls.encode_buffer(data, *frame.shape[:2], 3, bits, lossy_error=near, interleave_mode=interleave)


def jpeg(frame, subsampling=None, **options):
    """One frame coded by libjpeg-turbo: 0 is 4:4:4, 1 is 4:2:2, 2 is 4:2:0."""
    buffer = io.BytesIO()
    if frame.ndim == 3:
        options["subsampling"] = 1 if subsampling is None else subsampling
    Image.fromarray(frame).save(buffer, "JPEG", quality=92, **options)
    return buffer.getvalue()


def dcmtk(ds, *options, tool="dcmcjpeg"):
    """The data set coded by DCMTK's dcmcjpeg, or by its dcmcjpls, which holds CharLS too."""
    with tempfile.TemporaryDirectory() as folder:
        source, target = Path(folder) / "in.dcm", Path(folder) / "out.dcm"
        source.write_bytes(written(ds))
        subprocess.run([tool, *options, source, target], check=True, capture_output=True)
        return target.read_bytes()


def compressed(ds, syntax):
    """The data set coded by pydicom itself (run lengths)."""
    out = pydicom.dcmread(io.BytesIO(written(ds)))
    out.compress(syntax, encoding_plugin="pydicom", generate_instance_uid=False)
    return out


__all__ = [
    "JPEG2000",
    "JPEG2000Lossless",
    "JPEGBaseline8Bit",
    "JPEGLSLossless",
    "JPEGLSNearLossless",
    "RLELossless",
    "big_endian",
    "charls",
    "compressed",
    "dataset",
    "dcmtk",
    "encapsulated",
    "encode_j2k",
    "jpeg",
    "picture",
    "written",
]
