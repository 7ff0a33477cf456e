"""A workstation with settings of its own, servers of others beside it, and invented objects: what the archive's scripts share."""

import contextlib
import os
import shutil
import socket
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pydicom
from pydicom.dataset import Dataset, FileMetaDataset
from pydicom.uid import (
    ExplicitVRLittleEndian,
    ImplicitVRLittleEndian,
    JPEGBaseline8Bit,
    RLELossless,
    UltrasoundImageStorage,
    generate_uid,
)

from _probe import OSSPAN, ROOT, command

TLS = ROOT / "tests/reference/tls"
PATIENCE = "\n[patience]\nconnect_s = 3\nsilence_s = 10\nanswer_s = 20\nretry_s = 1\n"


def free_port():
    with socket.socket() as s:
        s.bind(("127.0.0.1", 0))
        return s.getsockname()[1]


def wait_for_port(port, server, seconds=20):
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        if server.poll() is not None:
            sys.exit(f"{server.args[0]} ended with code {server.returncode}")
        with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", port), 1):
            return
        time.sleep(0.05)
    sys.exit(f"{server.args[0]} does not listen")


class Servers:
    """Servers that end with the script, whatever happens."""

    def __init__(self, log):
        self.log, self.all = log, []

    def start(self, port, *command, **more):
        # Servers of Debian stand where only root's path leads.
        program = shutil.which(command[0], path=os.environ["PATH"] + ":/usr/sbin")
        if program is None:
            sys.exit(f"{command[0]} is not there: tests/run packages installs it")
        with open(self.log, "ab") as log:
            server = subprocess.Popen([program, *map(str, command[1:])], stdout=log, stderr=log, **more)
        self.all.append(server)
        wait_for_port(port, server)
        return server

    def __enter__(self):
        return self

    def __exit__(self, *_):
        for server in self.all:
            server.kill()
            server.wait()


class Desk:
    """A workstation: a data folder with settings."""

    def __init__(self, folder, settings):
        self.folder = Path(folder)
        self.folder.mkdir(parents=True, exist_ok=True)
        (self.folder / "archive.toml").write_text(settings + PATIENCE)
        self.env = {**os.environ, "OSSPAN_DATA": str(self.folder)}

    def run(self, *arguments, timeout=60):
        """Code, output and errors of a command."""
        return command(self.folder, *arguments, timeout=timeout)

    def start(self, *arguments):
        return subprocess.Popen([OSSPAN, *map(str, arguments)], stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, cwd=ROOT, env=self.env)

    @contextlib.contextmanager
    def receiving(self, *arguments):
        """The receiver, once it listens; ended with the block."""
        server = self.start("archive", "receive", *arguments)
        first = server.stdout.readline()
        if "listens at" not in first:
            sys.exit(f"the receiver does not start: {first}{server.stdout.read()}")
        try:
            yield server
        finally:
            server.kill()
            server.wait()

    def outbox(self):
        import json
        return json.loads(self.run("archive", "outbox", "--json")[1])


def invented(n, syntax=ExplicitVRLittleEndian, study=None, side=64):
    """An invented ultrasound image, different for each n."""
    ds = Dataset()
    ds.SpecificCharacterSet = "ISO_IR 192"
    ds.SOPClassUID, ds.SOPInstanceUID = UltrasoundImageStorage, generate_uid(entropy_srcs=["image", str(n)])
    ds.StudyInstanceUID = study or generate_uid(entropy_srcs=["study"])
    ds.SeriesInstanceUID = generate_uid(entropy_srcs=["series", str(study)])
    ds.PatientName, ds.PatientID, ds.PatientBirthDate, ds.PatientSex = "Invented^Übung", "INV-31", "20010203", "F"
    ds.StudyDate, ds.StudyTime, ds.StudyID, ds.AccessionNumber = "20310314", "093000", "1", ""
    ds.StudyDescription, ds.Modality, ds.ReferringPhysicianName, ds.Manufacturer = "Invented", "US", "", "Osspan tests"
    ds.SeriesNumber, ds.InstanceNumber, ds.PatientOrientation = 1, n, ""
    ds.ImageType = ["ORIGINAL", "PRIMARY"]
    ds.Rows = ds.Columns = side
    ds.SamplesPerPixel, ds.PhotometricInterpretation = 1, "MONOCHROME2"
    ds.BitsAllocated = ds.BitsStored = 8
    ds.HighBit, ds.PixelRepresentation = 7, 0
    picture = np.random.default_rng(n).integers(0, 255, (side, side), dtype=np.uint8)
    ds.PixelData = picture.tobytes()
    ds.file_meta = FileMetaDataset()
    ds.file_meta.TransferSyntaxUID = ImplicitVRLittleEndian if syntax == ImplicitVRLittleEndian else ExplicitVRLittleEndian
    if syntax == RLELossless:
        ds.compress(RLELossless, picture)
    elif syntax == JPEGBaseline8Bit:
        import io

        from PIL import Image
        from pydicom.encaps import encapsulate
        jpeg = io.BytesIO()
        Image.fromarray(picture).save(jpeg, "JPEG", quality=90)
        ds.PixelData, ds["PixelData"].VR = encapsulate([jpeg.getvalue()]), "OB"
        ds["PixelData"].is_undefined_length = True
        ds.LossyImageCompression = "01"
        ds.file_meta.TransferSyntaxUID = JPEGBaseline8Bit
    return ds


def write(ds, path):
    ds.save_as(path, enforce_file_format=True)
    return path


def data_set(path):
    """The bytes of a file's data set, as they stand after the file meta group."""
    data = Path(path).read_bytes()
    return data[144 + int.from_bytes(data[140:144], "little"):]


def same_object(a, b):
    """Byte for byte, or as values where the other side wrote the header anew in the same transfer syntax."""
    if data_set(a) == data_set(b):
        return True
    one, two = pydicom.dcmread(a), pydicom.dcmread(b)
    return one.file_meta.TransferSyntaxUID == two.file_meta.TransferSyntaxUID and one == two
