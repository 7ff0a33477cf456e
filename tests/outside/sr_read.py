"""Reports by others, read by osspan: measurement reports that highdicom writes, and OB-GYN reports (TID 5000) as a scanner would
send them, made here with pydicom. Lengths, units, frames and ends are taken; what is ambiguous is refused; the difference to our
own reading of the same frame is what numpy makes of the two lines.

Run by tests/run, or by hand: target/venv/bin/python tests/outside/sr_read.py
"""

import json
import re
import sys
import tempfile
from pathlib import Path

import highdicom as hd
import numpy as np
import pydicom
from pydicom.dataset import Dataset
from pydicom.sr.coding import Code
from pydicom.sr.codedict import codes
from pydicom.uid import ComprehensiveSRStorage, ExplicitVRLittleEndian, generate_uid

from _probe import SAMPLES, command, report, run

MM, CM, PIXELS = Code("mm", "UCUM", "mm"), Code("cm", "UCUM", "cm"), Code("{pixels}", "UCUM", "pixels")


def of_highdicom(image, frame, value, unit, points, graphic=hd.sr.GraphicTypeValues.POLYLINE):
    """A TID 1500 report with one distance, as highdicom writes it."""
    source = hd.sr.SourceImageForRegion(image.SOPClassUID, image.SOPInstanceUID, [frame] if "NumberOfFrames" in image else None)
    coordinates = hd.sr.CoordinatesForMeasurement(graphic, np.array(points), source)
    distance = hd.sr.Measurement(name=codes.DCM.Distance, value=value, unit=unit, referenced_coordinates=[coordinates])
    group = hd.sr.MeasurementsAndQualitativeEvaluations(
        tracking_identifier=hd.sr.TrackingIdentifier(uid=generate_uid(), identifier="placenta by another"),
        finding_type=codes.SCT.Placenta,
        finding_sites=[hd.sr.FindingSite(codes.SCT.Cervix)],
        measurements=[distance],
    )
    person = hd.sr.ObserverContext(codes.DCM.Person, hd.sr.PersonObserverIdentifyingAttributes("Other^Reader"))
    content = hd.sr.MeasurementReport(
        observation_context=hd.sr.ObservationContext(observer_person_context=person),
        procedure_reported=Code("268445003", "SCT", "Ultrasound scan - obstetric"),
        imaging_measurements=[group],
    )
    return hd.sr.ComprehensiveSR(
        evidence=[image], content=content[0], series_instance_uid=generate_uid(), series_number=90, sop_instance_uid=generate_uid(),
        instance_number=1, manufacturer="Another",
    )


def coded(code):
    item = Dataset()
    item.CodeValue, item.CodingSchemeDesignator, item.CodeMeaning = code
    return item


def content(relationship, kind, name, **values):
    item = Dataset()
    item.RelationshipType, item.ValueType, item.ConceptNameCodeSequence = relationship, kind, [coded(name)]
    for key, value in values.items():
        setattr(item, key, value)
    return item


def number(name, value, unit):
    measured = Dataset()
    measured.NumericValue, measured.MeasurementUnitsCodeSequence = value, [coded((unit, "UCUM", unit))]
    return content("CONTAINS", "NUM", name, MeasuredValueSequence=[measured])


def of_scanner(image, children, implicit=False):
    """A TID 5000 report: a summary with dates, a section of pelvis and uterus."""
    ds = Dataset()
    ds.file_meta = pydicom.dataset.FileMetaDataset()
    ds.file_meta.TransferSyntaxUID = pydicom.uid.ImplicitVRLittleEndian if implicit else ExplicitVRLittleEndian
    ds.file_meta.MediaStorageSOPClassUID = ds.SOPClassUID = ComprehensiveSRStorage
    ds.file_meta.MediaStorageSOPInstanceUID = ds.SOPInstanceUID = generate_uid()
    ds.SpecificCharacterSet, ds.Modality, ds.Manufacturer = "ISO_IR 100", "SR", "Invented scanner"
    ds.StudyInstanceUID, ds.SeriesInstanceUID = image.StudyInstanceUID, generate_uid()
    ds.PatientName, ds.PatientID = image.PatientName, image.PatientID
    ds.ContentDate, ds.ContentTime, ds.CompletionFlag, ds.VerificationFlag = "20250301", "101500", "PARTIAL", "UNVERIFIED"
    ds.ValueType, ds.ContinuityOfContent = "CONTAINER", "SEPARATE"
    ds.ConceptNameCodeSequence = [coded(("125000", "DCM", "OB-GYN Ultrasound Procedure Report"))]
    template = Dataset()
    template.MappingResource, template.TemplateIdentifier = "DCMR", "5000"
    ds.ContentTemplateSequence = [template]
    section = content("CONTAINS", "CONTAINER", ("125011", "DCM", "Pelvis and Uterus"), ContinuityOfContent="SEPARATE", ContentSequence=children)
    ds.ContentSequence = [section]
    return ds


def date(name, day):
    return content("CONTAINS", "DATE", name, Date=day)


def ours(records, image, frame):
    uid = str(image.SOPInstanceUID)
    return next(r for r in records if r["frame"]["sop_instance_uid"] == uid and r["frame"]["frame_number"] == frame)


def measured(data, work, records):
    """highdicom's report on each of our frames, in mm and in cm, its ends a little off ours."""
    for n, record in enumerate(records):
        path = next(p for p in sorted(SAMPLES.rglob("*.dcm")) if pydicom.dcmread(p, stop_before_pixels=True).SOPInstanceUID == record["frame"]["sop_instance_uid"])
        image = pydicom.dcmread(path)
        os_, edge = record["landmarks"]["internal_os"], record["landmarks"]["edge"]["at"]
        points = np.array([[edge["x"] + 3, edge["y"] - 2], [os_["x"] + 1, os_["y"] + 1]])
        region = image.SequenceOfUltrasoundRegions[0]
        per = np.array([region.PhysicalDeltaX, region.PhysicalDeltaY]) * 10
        length = float(np.hypot(*((points[0] - points[1]) * per)))
        unit, value = ((MM, length), (CM, length / 10))[n % 2]
        file = work / f"other-{n}.dcm"
        of_highdicom(image, record["frame"]["frame_number"], value, unit, points).save_as(file)
        said = " ".join(run(data, "sr", "read", file, "--images", SAMPLES).split())
        found = re.search(r"([0-9.]+) mm \(([0-9.e+-]+) (mm|cm)\) · Placenta, Cervix, Distance · by Other\^Reader", said)
        yield found is not None, f"{path.name}: {said[:300]}"
        if found is None:
            continue
        yield abs(float(found[1]) - length) <= 0.005 and abs(float(found[2]) - value) < 1e-9, f"{found[0]} for {length} mm"
        own = abs(record["distance"]["measurement"]["value"]["signed_mm"])
        side = "longer" if length >= own else "shorter"
        difference = f"Their line is {abs(length - own):.1f} mm {side} than ours"
        yield difference in said, f"{difference} not in {said[:600]}"
        ends = np.hypot(*(np.array([[1, 1], [3, -2]]) * per).T)
        apart = f"Their ends lie {ends[0]:.1f} mm from our os and {ends[1]:.1f} mm from our edge"
        yield apart in said, f"{apart} not in {said[:900]}"
        yield f"[{record['content_sha256'][:20]}]" in said, "our reading is not named"


def refused(data, work):
    cine, single = pydicom.dcmread(SAMPLES / "visit-2/sweep-1.dcm"), pydicom.dcmread(SAMPLES / "visit-3/frame-1.dcm")
    two, three = [[10.0, 10.0], [90.0, 10.0]], [[10.0, 10.0], [90.0, 10.0], [90.0, 50.0]]
    outside = [[10.0, 10.0], [float(single.Columns) + 1, 10.0]]
    cases = [
        ("pixels", of_highdicom(single, 1, 80.0, PIXELS, two), "none of mm, cm, m and um", 0),
        ("a negative length", of_highdicom(single, 1, -8.0, MM, two), "it is negative", 0),
        ("three points", of_highdicom(single, 1, 8.0, MM, three), "two ends are needed", 0),
        ("outside the image", of_highdicom(single, 1, 8.0, MM, outside), "some outside the image", 4),
        ("a frame that is not there", of_highdicom(cine, 1, 8.0, MM, two), "frame numbers from 1 to", 4),
        ("no frame of a cine", of_highdicom(cine, 1, 8.0, MM, two), "the number of the frame", 4),
    ]
    groups = lambda ds: ds.ContentSequence[-1].ContentSequence[0].ContentSequence
    lines = lambda ds: [i for n in groups(ds) if n.ValueType == "NUM" for i in n.ContentSequence if i.ValueType == "SCOORD"]
    lines(cases[4][1])[0].ContentSequence[0].ReferencedSOPSequence[0].ReferencedFrameNumber = int(cine.NumberOfFrames) + 1
    del lines(cases[5][1])[0].ContentSequence[0].ReferencedSOPSequence[0].ReferencedFrameNumber
    for n, (what, ds, why, code) in enumerate(cases):
        file = work / f"refused-{n}.dcm"
        ds.save_as(file)
        said = " ".join(run(data, "sr", "read", file, "--images", SAMPLES, code=code).split())
        yield why in said, f"{what}: {said[:400]}"
        yield " mm (8" not in said, f"{what} was taken: {said[:400]}"


def hostile(data, work):
    """By-reference circles and deep nesting, which highdicom does not write, and cut files: one sentence each, in time."""
    image = pydicom.dcmread(SAMPLES / "visit-3/frame-1.dcm")
    sound = of_highdicom(image, 1, 8.0, MM, [[10.0, 10.0], [90.0, 10.0]])
    sound.save_as(work / "sound.dcm")
    circle = pydicom.dcmread(work / "sound.dcm")
    back = Dataset()
    back.RelationshipType, back.ReferencedContentItemIdentifier = "INFERRED FROM", [1]
    next(i for i in circle.ContentSequence[-1].ContentSequence[0].ContentSequence if i.ValueType == "NUM").ContentSequence.append(back)
    deep = of_scanner(image, [])
    inner = deep.ContentSequence[0]
    for _ in range(60):
        inner.ContentSequence = [content("CONTAINS", "CONTAINER", ("125011", "DCM", "Pelvis and Uterus"), ContinuityOfContent="SEPARATE")]
        inner = inner.ContentSequence[0]
    for what, ds, why in [("a circle", circle, "a circle"), ("deep nesting", deep, "nested too deeply")]:
        file = work / "hostile.dcm"
        ds.save_as(file, enforce_file_format=True)
        said = run(data, "sr", "read", file, code=4)
        yield why in said and said.count("\n") == 1, f"{what}: {said[:300]}"
    whole = (work / "sound.dcm").read_bytes()
    for n in range(1, 8):
        (work / "cut.dcm").write_bytes(whole[: len(whole) * n // 8])
        said = run(data, "sr", "read", work / "cut.dcm", code=4)
        yield said.count("\n") == 1, f"cut at {n}/8: {said[:300]}"


def scanners(data, work, records):
    image = pydicom.dcmread(SAMPLES / "visit-3/frame-1.dcm")
    own = [r for r in records if r["study_instance_uid"] == image.StudyInstanceUID]
    children = [
        date(("11779-6", "LN", "EDD from LMP"), "20250626"), date(("11778-8", "LN", "EDD"), "20250702"), date(("11955-2", "LN", "LMP"), "20240919"),
        number(("11961-0", "LN", "Cervix Length"), "3.41", "cm"),
        number(("PL-OS", "99INVENTED", "Distance placenta - internal os"), "21.5", "mm"),
    ]
    for implicit in (False, True):
        file = work / f"scanner-{implicit}.dcm"
        of_scanner(image, children, implicit).save_as(file, enforce_file_format=True)
        said = " ".join(run(data, "sr", "read", file).split())
        yield "Due date 2025-07-02 (EDD)" in said, said[:400]
        yield "2025-07-02 is 2 day(s) later than ours, 2025-06-30" in said, said[:600]
        yield "Cervix Length 34.1 mm" in said, said[:400]
        yield "Distance placenta - internal os 21.5 mm" in said, said[:400]
        shortest = min(abs(r["distance"]["measurement"]["value"]["signed_mm"]) for r in own)
        d = 21.5 - shortest
        yield f"line of 21.5 mm is {abs(d):.1f} mm {'longer' if d >= 0 else 'shorter'} than ours" in said, said[:900]
        form = run(data, "sr", "read", file, "--form")
        yield form.splitlines() == ['dating = { due-date = "2025-07-02" }', "cervical-length-mm = 34.1"], form
    # The form is one that read takes.
    (work / "form.toml").write_text(form)
    run(data, "read", SAMPLES / "visit-3/frame-1.dcm", "--os", "250,150", "--edge", "330,170", "--side", "not-covering", "--guideline", "rcog-2018",
        "--context", work / "form.toml")
    two = of_scanner(image, [date(("11779-6", "LN", "EDD from LMP"), "20250626"), date(("11781-2", "LN", "EDD by US"), "20250702")])
    two.save_as(work / "two.dcm", enforce_file_format=True)
    said = " ".join(run(data, "sr", "read", work / "two.dcm").split())
    yield "The due date is not taken: there are 2" in said, said[:400]
    run(data, "sr", "read", work / "two.dcm", "--form", code=3)


def own_reports(data, work, records):
    """Ours, back again: saved here, nothing changed; one digit changed is told and fails."""
    out = work / "own"
    run(data, "sr", "write", "--images", SAMPLES, "--to", out, "--identity")
    for path in sorted(out.glob("*.dcm")):
        said = run(data, "sr", "read", path, "--images", SAMPLES)
        yield said.count("95 %: ") == 3 and said.count("scale from the file, region 1") == 3, said[:500]
        yield said.count("saved here") == 3 and "not saved here" not in said and "Changed" not in said, said[:500]
    ds = pydicom.dcmread(path)
    group = ds.ContentSequence[-2].ContentSequence[0].ContentSequence
    value = next(i for i in group if i.ValueType == "NUM").MeasuredValueSequence[0]
    value.FloatingPointValue += 0.5
    value.NumericValue = f"{value.FloatingPointValue:.6f}"
    ds.save_as(work / "changed.dcm")
    code, said, _ = command(data, "sr", "read", work / "changed.dcm")
    yield code == 1 and "Changed after it was written" in said, said[:500]
    empty = work / "another-workstation"
    said = run(empty, "sr", "read", path)
    yield said.count("not saved here") == 3, said[:500]
    # A second reader sees nothing of it before their own reading.
    run(empty, "profile", "--reader", "B. Second", "--role", "reviewer")
    said = run(empty, "sr", "read", path)
    yield "still to read" in said and "mm" not in said and records[0]["reader"] not in said, said[:500]


def main():
    with tempfile.TemporaryDirectory() as name:
        work = Path(name)
        data = work / "data"
        run(data, "sample")
        records = [json.loads(p.read_text()) for p in sorted((data / "records").glob("*.json"))]
        return report([
            ("distances by highdicom", measured(data, work, records)),
            ("ambiguous or faulty reports by highdicom", refused(data, work)),
            ("hostile reports", hostile(data, work)),
            ("a scanner's reports", scanners(data, work, records)),
            ("our own reports", own_reports(data, work, records)),
        ])


sys.exit(main())
