"""The whole way of an exam, with real servers: a stand-in for a scanner (storescu) → the receiver → a reading → its structured report
and images → an archive (dcmqrscp) → another workstation → a second reading by another reader, who sees nothing of the first before.

Run by tests/run, or by hand: target/venv/bin/python tests/outside/whole_way.py
"""

import json
import subprocess
import sys
import tempfile
from pathlib import Path

import highdicom
import pydicom
from pydicom.uid import ExplicitVRLittleEndian, RLELossless

from _probe import ROOT, report
from _site import Desk, Servers, free_port

VISIT = ROOT / "sample-images/visit-2"
# Landmarks of README.md on visit-2/frame-1, and a second reader's own, some pixels away.
FIRST = ["--os", "301,194.7", "--edge", "317.9,253", "--body", "298.9,290.9"]
SECOND = ["--os", "300.2,196.1", "--edge", "318.8,254.9", "--body", "299.5,291.7"]
SAID = ["--side", "not-covering", "--guideline", "rcog-2018", "--route", "transvaginal", "--bladder", "empty", "--due-date", "2025-06-30"]


def records(desk):
    return [json.loads(p.read_text()) for p in sorted((desk.folder / "records").glob("reading-*.json"))]


def held_in(sr):
    """The records that a report holds as text, whole."""
    found = []

    def walk(item):
        text = str(item.get("TextValue", ""))
        if "osspan-reading/" in text[:80]:
            found.append(json.loads(text))
        for inner in item.get("ContentSequence", []):
            walk(inner)

    walk(sr)
    return found


def way(work, servers):
    at_scanner, at_archive = free_port(), free_port()
    base, config = work / "archive", work / "archive.cfg"
    base.mkdir()
    config.write_text(f"NetworkTCPPort = {at_archive}\nMaxPDUSize = 16384\nMaxAssociations = 16\nHostTable BEGIN\nHostTable END\n"
                      f"VendorTable BEGIN\nVendorTable END\nAETable BEGIN\nARCHIVE {base} RW (200, 1024mb) ANY\nAETable END\n")
    # +xr: it takes run lengths as well as what is not compressed.
    servers.start(at_archive, "dcmqrscp", "+xr", "-c", config)
    archive = f'[[archive]]\nname = "hospital"\ntitle = "ARCHIVE"\nhost = "127.0.0.1"\nport = {at_archive}\n'
    first = Desk(work / "first", f'title = "DESK1"\n[receiver]\nport = {at_scanner}\n[[caller]]\ntitle = "SCANNER"\n{archive}')
    second = Desk(work / "second", f'title = "DESK2"\n{archive}')

    # From the scanner.
    with first.receiving():
        for option, syntax in [("-xe", ExplicitVRLittleEndian), ("-xr", RLELossless)]:
            own = [p for p in sorted(VISIT.glob("*.dcm")) if pydicom.dcmread(p, stop_before_pixels=True).file_meta.TransferSyntaxUID == syntax]
            done = subprocess.run(["storescu", option, "-aet", "SCANNER", "-aec", "DESK1", "127.0.0.1", str(at_scanner), *own], capture_output=True)
            yield done.returncode == 0, f"the scanner's exam was not taken: {done.stderr}"
    images = sorted((first.folder / "received").rglob("*.dcm"))
    original = {pydicom.dcmread(p, stop_before_pixels=True).SOPInstanceUID: p for p in VISIT.glob("*.dcm")}
    yield len(images) == len(original) and all(pydicom.dcmread(p) == pydicom.dcmread(original[p.stem]) for p in images), "an image arrived changed"

    # The first reading, of what was received.
    uid = str(pydicom.dcmread(VISIT / "frame-1.dcm", stop_before_pixels=True).SOPInstanceUID)
    study = str(pydicom.dcmread(VISIT / "frame-1.dcm", stop_before_pixels=True).StudyInstanceUID)
    frame = next(p for p in images if p.stem == uid)
    code, out, err = first.run("read", frame, *FIRST, *SAID, "--save", "--reader", "A. First")
    yield code == 0, f"the first reading: {out}{err}"
    code, out, err = first.run("verify", first.folder / "records", "--images", first.folder / "received")
    yield code == 0, f"the first record does not verify: {out}{err}"

    # Report and images to the archive.
    code, out, err = first.run("archive", "send", first.folder / "received", "--to", "hospital", "--reports")
    yield code == 0 and "Reports of saved readings: 1" in out and f"Stored: {len(images) + 1};" in out, f"{out}{err}"

    # Another workstation, where a reviewer who knows nothing of it sits.
    second.run("profile", "--reader", "B. Second", "--role", "reviewer")
    code, out, err = second.run("archive", "find", "--at", "hospital", "--patient", "DEMO-0001")
    yield code == 0 and study in out, f"{out}{err}"
    yield "A. First" not in out, "the search names the first reader"
    code, out, err = second.run("archive", "fetch", study, "--from", "hospital")
    yield code == 0 and f"Objects: {len(images) + 1}" in out and "A. First" not in out, f"{out}{err}"
    fetched = sorted((second.folder / "received").rglob("*.dcm"))
    reports = [p for p in fetched if pydicom.dcmread(p, stop_before_pixels=True).Modality == "SR"]
    yield len(reports) == 1, f"{len(reports)} reports"
    for p in fetched:
        if p not in reports:
            a, b = pydicom.dcmread(p), pydicom.dcmread(original[p.stem])
            yield a == b and a.PixelData == b.PixelData, "an image came by way of the archive changed"

    # The report is the one that was made, and others read it.
    made = work / "made"
    code, out, err = first.run("sr", "write", "--images", first.folder / "received", "--to", made, "--identity")
    again = next(made.glob("*.dcm"))
    there = pydicom.dcmread(reports[0])
    yield code == 0 and there == pydicom.dcmread(again), "the report differs from the one that is written to a file"
    yield held_in(there) == records(first), "the record in the report is not the saved one"
    theirs = highdicom.sr.srread(reports[0])
    yield len(theirs.content.get_planar_roi_measurement_groups() + theirs.content.get_image_measurement_groups()) >= 1, "highdicom reads no measurement group"

    # Nothing of the first reading before the second is saved.
    code, out, err = second.run("sr", "read", reports[0])
    blind = out + err
    number = f"{abs(records(first)[0]['distance']['measured']['measurement']['mm']):.1f}" if "measured" in records(first)[0]["distance"] else "A. First"
    yield "A. First" not in blind and records(first)[0]["headline"] not in blind and number not in blind, f"seen before: {blind}"
    own = next(p for p in fetched if p.stem == uid)
    code, out, err = second.run("read", own, *SECOND, *SAID, "--save", "--reader", "B. Second")
    yield code == 0, f"the second reading: {out}{err}"
    one, two = records(first)[0], records(second)[0]
    yield one["frame"] == two["frame"] and one["study_instance_uid"] == two["study_instance_uid"], "the second reading is of another frame"
    code, out, err = second.run("sr", "read", reports[0])
    yield code == 0 and "A. First" in out and one["headline"] in out and "not saved here" in out, f"not seen after: {out}{err}"

    # The second report goes the same way back, and the archive holds both.
    code, out, err = second.run("archive", "send", second.folder / "received", "--to", "hospital", "--reports")
    yield code == 0 and "Reports of saved readings: 1" in out, f"{out}{err}"
    code, out, err = first.run("archive", "fetch", study, "--from", "hospital", "--into", work / "back")
    both = [pydicom.dcmread(p) for p in (work / "back").rglob("*.dcm")]
    held = [r for sr in both if sr.Modality == "SR" for r in held_in(sr)]
    yield sorted(r["reader"] for r in held) == ["A. First", "B. Second"] and two in held and one in held, "the archive does not hold both readings"
    print("  scanner, receiver, reading, report, archive, another workstation, second reading:", len(fetched), "objects fetched")


def main():
    with tempfile.TemporaryDirectory() as name:
        work = Path(name)
        with Servers(work / "servers.log") as servers:
            return report([("the whole way", way(work, servers))])


if __name__ == "__main__":
    sys.exit(main())
