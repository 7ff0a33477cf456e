"""Structured reports that osspan writes, as others read them: dciodvfy finds no error, dsrdump reads them, highdicom and
pydicom find the same values, units, landmarks and frames as the saved readings hold.

Run by tests/run, or by hand: target/venv/bin/python tests/outside/sr.py
"""

import json
import re
import subprocess
import sys
import tempfile
from pathlib import Path

import highdicom as hd
import numpy as np
import pydicom
from pydicom.sr._concepts_dict import concepts
from pydicom.sr.codedict import codes

from _probe import SAMPLES, report, run
from _sr import by_concept, edge_cases, items

# Private codes are known to nobody but us: the one warning that is to be expected, once a code.
KNOWN = re.compile(r"^Warning - Unrecognized defined term <99OSSPAN> for value 1 of attribute <Coding Scheme Designator>$")
# Only without identity: the attributes are empty, as they must be. Study ID and Study Time are empty in the samples too.
DIRECTORY = re.compile(r"^Warning - Missing attribute or value that would be needed to build DICOMDIR - (Patient ID|Study Date|Study ID|Study Time)$")
# Concepts of a reading's value: the number that stands in the report from the value that stands in the record.
VALUES = {
    "exact": ("121206", "DCM", lambda v: v["signed_mm"]),
    "reaches": ("REACH-CENTRE", "99OSSPAN", lambda v: v["centre_distance_mm"]),
    "overlap-at-least": ("OVERLAP-LEAST", "99OSSPAN", lambda v: v["mm"]),
    "no-placenta-within": ("NONE-WITHIN", "99OSSPAN", lambda v: v["mm"]),
}


def validator(path, identity):
    said = subprocess.run(["dciodvfy", path], capture_output=True, text=True)
    lines = [line.strip() for line in said.stderr.splitlines() if line.strip()]
    odd = [line for line in lines if not KNOWN.match(line) and not DIRECTORY.match(line) and line != "ComprehensiveSR"]
    yield said.returncode == 0 and not odd, f"{path.name}: rc {said.returncode}, {odd[:3]}"
    yield "ComprehensiveSR" in lines, f"{path.name} was not taken for a Comprehensive SR"
    yield any(KNOWN.match(line) for line in lines), f"{path.name}: the known warning is gone; take it off the list"


def dump(path):
    said = subprocess.run(["dsrdump", path], capture_output=True, text=True)
    yield said.returncode == 0, f"{path.name}: dsrdump rc {said.returncode}: {said.stderr[:200]}"
    yield "Measurement Group" in said.stdout, f"{path.name}: dsrdump shows no measurement group"
    errors = [line for line in said.stderr.splitlines() if line.startswith(("E:", "F:"))]
    yield not errors, f"{path.name}: {errors[:2]}"


def near(a, b):
    return abs(a - b) <= 1e-12 * max(1.0, abs(a), abs(b))


def through_highdicom(path, records):
    """highdicom's reader finds each reading as a measurement group, with our values on our frame."""
    sr = hd.sr.srread(path)
    yield isinstance(sr, hd.sr.ComprehensiveSR), f"{path.name}: {type(sr).__name__}"
    yield isinstance(sr.content, hd.sr.MeasurementReport), f"{path.name}: {type(sr.content).__name__}"
    groups = {g.tracking_identifier: g for g in sr.content.get_image_measurement_groups()}
    yield len(groups) == len(records) + 1, f"{path.name}: {len(groups)} groups, {len(records)} readings and the exam"
    for r in records:
        group = groups.get(f"edge-to-os reading {r['content_sha256'][:20]}")
        if group is None:
            yield False, f"{path.name}: no group of reading {r['content_sha256'][:20]}"
            continue
        measurement = r["distance"]["measurement"]
        value = measurement["value"]
        concept, scheme, number = VALUES[value["kind"]]
        found = [m for m in group.get_measurements() if (m.name.value, m.name.scheme_designator) == (concept, scheme)]
        yield len(found) == 1, f"{path.name}: {len(found)} of {concept}"
        m = found[0]
        yield near(m.value, number(value)) and (m.unit.value, m.unit.scheme_designator) == ("mm", "UCUM"), f"{m.value} {m.unit.value}, record {value}"
        name, version = measurement["method"].rsplit("@", 1)
        texts = {i.ConceptNameCodeSequence[0].CodeValue: str(i.TextValue) for i in m[0].ContentSequence if i.ValueType == "TEXT"}
        yield (texts.get("111001"), texts.get("111003")) == (name, version), f"{texts}, record {measurement['method']}"
        line = m.referenced_coordinates[0]
        points = [r["landmarks"]["internal_os"], r["landmarks"]["edge"]["at"]]
        expected = np.array([[p["x"], p["y"]] for p in points], dtype=np.float32)
        yield line.graphic_type.value == "POLYLINE" and np.array_equal(line.value, expected), f"{line.value} for {expected}"
        image = line.ContentSequence[0].ReferencedSOPSequence[0]
        yield image.ReferencedSOPInstanceUID == r["frame"]["sop_instance_uid"], "another image"
        cine = image.ReferencedSOPClassUID == "1.2.840.10008.5.1.4.1.1.3.1"
        number = image.get("ReferencedFrameNumber")
        yield number == (r["frame"]["frame_number"] if cine else None), f"frame {number} of {r['frame']}"
        yield group.finding_type == codes.SCT.Placenta, f"{group.finding_type}"
        source = group.source_images[0]
        yield source.referenced_sop_instance_uid == r["frame"]["sop_instance_uid"], "another source image"
        scale = r["distance"]["scale"]["calibration"]
        axes = {m.name.value: m.value for m in group.get_measurements()}
        yield near(axes["SCALE-X"], scale["mm_per_px_x"]) and near(axes["SCALE-Y"], scale["mm_per_px_y"]), f"{axes} for {scale}"


def through_pydicom(path, records):
    """Every number by itself: decimal string and floating-point value are one number, none longer than the standard allows,
    all terms and interval ends as the record has them."""
    ds = pydicom.dcmread(path)
    numbers = [i for i in items(ds) if i.ValueType == "NUM"]
    yield len(numbers) > 20, f"{path.name}: {len(numbers)} numbers"
    for n in numbers:
        v = n.MeasuredValueSequence[0]
        text = str(v["NumericValue"].value.original_string if hasattr(v.NumericValue, "original_string") else v.NumericValue)
        yield len(text) <= 16 and abs(float(text) - v.FloatingPointValue) <= 1e-8 * abs(v.FloatingPointValue), f"{text} and {v.FloatingPointValue}"
    all_groups = [g for g in items(ds) if by_concept(g, "RECORD-SHA256")]
    for group in all_groups:
        r = next(r for r in records if r["content_sha256"] == by_concept(group, "RECORD-SHA256").TextValue)
        measurement = r["distance"]["measurement"]
        concept, _, _ = VALUES[measurement["value"]["kind"]]
        num = by_concept(group, concept)
        value = lambda i: i.MeasuredValueSequence[0].FloatingPointValue if i is not None else None
        yield near(value(by_concept(num, "U")), measurement["u_mm"]), "another standard uncertainty"
        for code, end in (("INT-LOW", "low_mm"), ("INT-HIGH", "high_mm")):
            found, expected = value(by_concept(num, code)), measurement["interval"][end]
            yield (found is None) == (expected is None) and (found is None or near(found, expected)), f"{code}: {found}, record {expected}"
        terms = {"total-repeatability": "U-REPEAT", "scale": "U-SCALE", "sound-speed": "U-SOUND"}
        for term in measurement["terms"]:
            yield near(value(by_concept(num, terms[term["kind"]])), term["u_mm"]), f"{term}"
        if measurement["value"]["kind"] == "exact":
            signed = measurement["value"]["signed_mm"]
            above, below = value(by_concept(num, "371886008")), value(by_concept(num, "371885007"))
            yield near(signed + above, measurement["interval"]["high_mm"]) and near(signed - below, measurement["interval"]["low_mm"]), "+/- range"
        yield near(value(by_concept(num, "INT-COVERAGE")), measurement["interval"]["coverage"]), "coverage"
        side = by_concept(group, "SIDE").ConceptCodeSequence[0].CodeValue
        yield side == {"not-covering": "SIDE-AWAY", "reaches": "SIDE-REACHES", "covers": "SIDE-COVERS"}[r["side"]], f"{side} for {r['side']}"
        table = by_concept(by_concept(group, "FINDING"), "TABLE")
        yield table.TextValue == r["table"]["name"], f"{table.TextValue}"


def header(path, records, identity):
    ds = pydicom.dcmread(path)
    image = {pydicom.dcmread(p, stop_before_pixels=True).SOPInstanceUID: pydicom.dcmread(p, stop_before_pixels=True) for p in path.images}
    first = image[records[0]["frame"]["sop_instance_uid"]]
    yield ds.StudyInstanceUID == first.StudyInstanceUID, "another study"
    evidence = {(s.StudyInstanceUID, x.SeriesInstanceUID, i.ReferencedSOPInstanceUID, i.ReferencedSOPClassUID)
                for s in ds.CurrentRequestedProcedureEvidenceSequence for x in s.ReferencedSeriesSequence for i in x.ReferencedSOPSequence}
    expected = {(i.StudyInstanceUID, i.SeriesInstanceUID, i.SOPInstanceUID, i.SOPClassUID)
                for i in (image[r["frame"]["sop_instance_uid"]] for r in records)}
    yield evidence == expected, f"{evidence} for {expected}"
    yield "ContributingEquipmentSequence" not in ds and "InstitutionName" not in ds and "StationName" not in ds, "institution or station"
    if identity:
        yield str(ds.PatientName) == str(first.PatientName) and ds.PatientID == first.PatientID, f"{ds.PatientName}, {ds.PatientID}"
        for key in ("StudyDate", "StudyTime", "StudyID", "AccessionNumber"):
            stated = {str(image[r["frame"]["sop_instance_uid"]].get(key, "")) for r in records}
            yield str(ds.get(key, "")) in stated, f"{key}: {ds.get(key)} for {stated}"
    else:
        yield ds.PatientIdentityRemoved == "YES" and not ds.PatientName and not ds.PatientID and not ds.StudyDate, "identity"
        secrets = {str(first.get(k, "")) for k in ("PatientName", "PatientID", "PatientBirthDate", "StudyDate", "StationName",
                                                   "InstitutionName", "AccessionNumber", "ManufacturerModelName")} | {r["reader"] for r in records}
        whole = path.read_bytes()
        for s in sorted(s for s in secrets if len(s) >= 4):
            yield s.encode() not in whole, f"{s!r} in {path.name}"


def standard_codes(data):
    """The standard codes that are written are in PS3.16, by the tables of pydicom."""
    known = {(scheme, code) for scheme, d in concepts.items() for found in d.values() for code in found}
    listed = [line.split("\t") for line in run(data, "sr", "codes").splitlines()]
    for value, scheme, meaning, seen in listed:
        if seen.startswith("PS3.16"):
            yield (scheme, value) in known, f"{value} {scheme} {meaning}"
        else:
            yield (scheme, value) not in known, f"{value} {scheme} {meaning} is in the tables, but is said to be {seen}"


class Report(type(Path())):
    """A report's path with the images it was written from."""


def main():
    with tempfile.TemporaryDirectory() as name:
        work, checks = Path(name), []
        data = work / "data"
        run(data, "sample")
        sets = [("samples", data / "records", SAMPLES), ("edge cases", *edge_cases(data, work))]
        for what, folder, images in sets:
            records = [json.loads(p.read_text()) for p in sorted(folder.glob("*.json"))]
            pictures = [p for p in sorted(Path(images).rglob("*.dcm"))]
            for identity in (True, False):
                out = work / f"out-{what}-{identity}"
                run(data, "sr", "write", "--records", folder, "--images", images, "--to", out, *(["--identity"] if identity else []))
                paths = [Report(p) for p in sorted(out.glob("*.dcm"))]
                studies = len({r["study_instance_uid"] for r in records})
                label = f"{what}, {'with' if identity else 'without'} identity"
                checks.append((f"{label}: one report an exam", iter([(len(paths) == studies, f"{len(paths)} reports, {studies} studies")])))
                for path in paths:
                    path.images = pictures
                    study = pydicom.dcmread(path, stop_before_pixels=True).StudyInstanceUID
                    own = [r for r in records if r["study_instance_uid"] == study and r["distance"]["state"] == "measured"]
                    checks += [
                        (f"{label}: dciodvfy", validator(path, identity)),
                        (f"{label}: dsrdump", dump(path)),
                        (f"{label}: highdicom", through_highdicom(path, own)),
                        (f"{label}: pydicom", through_pydicom(path, own)),
                        (f"{label}: whose it is", header(path, own, identity)),
                    ]
        checks.append(("standard codes", standard_codes(data)))
        return report(checks)


sys.exit(main())
