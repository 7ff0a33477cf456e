"""What the scripts about structured reports share: exams with edge cases, and walking through a content tree."""

import pydicom
from pydicom.uid import generate_uid

from _probe import SAMPLES, run


def items(item):
    """Every content item below."""
    for child in item.get("ContentSequence", []):
        yield child
        yield from items(child)


def by_concept(item, value):
    """The first item directly below with this code value; None without one."""
    for child in item.get("ContentSequence", []):
        name = child.get("ConceptNameCodeSequence")
        if name and name[0].get("CodeValue") == value:
            return child
    return None


# One exam for each: options of `osspan read` for the marks and the side, beside one file of the samples.
EDGES = [
    ("visit-3/frame-1.dcm", 1, ["--os", "250.123456789,150.2", "--edge", "330.987654321,170.3", "--side", "covers"]),
    ("visit-3/frame-1.dcm", 1, ["--os", "250,150", "--last-placenta", "320,160", "--side", "covers"]),
    ("visit-3/frame-1.dcm", 1, ["--os", "250,150", "--wall-end", "360,160", "--side", "not-covering"]),
    ("visit-3/frame-1.dcm", 1, ["--os", "250,150", "--edge", "252,151", "--side", "reaches"]),
    ("visit-2/sweep-1.dcm", 3, ["--os", "250,150", "--edge", "330,170", "--side", "not-covering", "--external-os", "250,240", "--canal", "240,200",
                                "--plates-meet", "330,170", "--basal-plate", "345,175", "--chorionic-plate", "342,165", "--vessel", "270,120",
                                "--fetal-rate", "yes", "--wall", "290,165", "--os-end", "246,150", "--os-other-end", "254,150", "--sinus", "325,168"]),
]


def edge_cases(data, work):
    """Records of edge cases, and their images: covering, one-sided, no placenta seen, reaching, a frame of a cine with every
    further length; names that are not ASCII, an institution and a station that must not leave."""
    records, images = work / "edge-records", work / "edge-images"
    images.mkdir()
    for n, (file, frame, marks) in enumerate(EDGES):
        ds = pydicom.dcmread(SAMPLES / file)
        ds.SpecificCharacterSet = "ISO_IR 192"
        ds.PatientName = ["Müller^Änne=山田^花子", "Ωmega^Ζωή", "الاسم^مخترع"][n % 3]
        ds.PatientID = f"ERFUNDEN-{n}-ß"
        ds.InstitutionName, ds.StationName, ds.AccessionNumber, ds.StudyID = "Invented Hospital", "INVENTED-7", f"ACC{n}", f"ID{n}"
        ds.StudyInstanceUID, ds.SeriesInstanceUID = generate_uid(), generate_uid()
        ds.SOPInstanceUID = ds.file_meta.MediaStorageSOPInstanceUID = generate_uid()
        if "NumberOfFrames" not in ds:
            # Another picture, so that its reading does not follow that of the one before.
            ds.PixelData = bytes([n]) + ds.PixelData[1:]
        path = images / f"edge-{n}.dcm"
        ds.save_as(path)
        run(data, "read", path, "--frame", frame, *marks, "--guideline", "rcog-2018", "--route", "transvaginal", "--bladder", "empty",
            "--contraction", "absent", "--reader", "Dr Åse Ōno 山田", "--save", "--records", records)
    return records, images
