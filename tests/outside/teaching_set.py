"""A teaching set of the sample exams, as others read it: pydicom finds the same millimetres and no identity, dciodvfy no
error that the original did not have.

Run by tests/run, or by hand: target/venv/bin/python tests/outside/teaching_set.py
"""

import json
import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np
import pydicom

from _probe import SAMPLES, report, run

# In the originals: what must not be in the set. Attributes whose values are short or the standard's own are left out.
IDENTITY = ["PatientName", "PatientID", "PatientBirthDate", "StudyDate", "ContentDate", "StudyDescription", "ManufacturerModelName",
            "Manufacturer", "StudyInstanceUID", "SeriesInstanceUID", "SOPInstanceUID", "ImageComments", "StudyTime"]


def errors(path):
    """dciodvfy's errors, without the values that differ from file to file."""
    said = subprocess.run(["dciodvfy", path], capture_output=True, text=True).stderr
    return {line.split("<")[0] + line.rpartition("Module=")[2] for line in said.splitlines() if line.startswith("Error")}


def boxes(ds):
    return [(r.RegionLocationMinX0, r.RegionLocationMinY0, r.RegionLocationMaxX1, r.RegionLocationMaxY1) for r in ds.SequenceOfUltrasoundRegions]


def same_picture(old, number, new):
    """Inside the regions as it was, outside black."""
    frames = old.pixel_array if int(old.get("NumberOfFrames", 1)) > 1 else old.pixel_array[None]
    expected = np.zeros_like(frames[number])
    for x0, y0, x1, y1 in boxes(old):
        expected[y0:y1 + 1, x0:x1 + 1] = frames[number][y0:y1 + 1, x0:x1 + 1]
    return np.array_equal(new.pixel_array, expected)


def millimetres(record, ds):
    os_, edge = record["landmarks"]["internal_os"], record["landmarks"]["edge"]["at"]
    r = ds.SequenceOfUltrasoundRegions[0]
    return 10 * np.hypot((os_["x"] - edge["x"]) * r.PhysicalDeltaX, (os_["y"] - edge["y"]) * r.PhysicalDeltaY)


def main():
    with tempfile.TemporaryDirectory() as name:
        work = Path(name)
        data, prepared, out = work / "data", work / "prepared", work / "set"
        run(data, "sample")
        run(data, "export", "prepare", SAMPLES, "--to", prepared)
        frames = json.loads((prepared / "set.json").read_text())["frames"]
        run(data, "export", "approve", prepared, "--frames", f"1-{len(frames)}", "--by", "A. Tester")
        print(run(data, "export", "write", prepared, "--to", out).strip())
        run(data, "verify", out / "records", "--images", out)

        new = {i: pydicom.dcmread(out / "frames" / f"frame-{i + 1:04}.dcm") for i in range(len(frames))}
        old = [pydicom.dcmread(f["source"]) for f in frames]
        records = [json.loads(p.read_text()) for p in sorted((out / "records").glob("*.json"))]
        originals = [json.loads(p.read_text()) for p in sorted((data / "records").glob("*.json"))]
        by_uid = {ds.SOPInstanceUID: ds for ds in new.values()}
        whole = {p: p.read_bytes() for p in sorted(out.rglob("*")) if p.is_file()}
        secrets = {str(ds.get(k, "")) for ds in old for k in IDENTITY} | {r["reader"] for r in originals} | {r["content_sha256"] for r in originals}
        secrets = {s for s in secrets if len(s) >= 4} | {str(work), str(SAMPLES)}

        def identity():
            for secret in sorted(secrets):
                for code in ("utf-8", "latin-1", "utf-16-le", "utf-16-be"):
                    needle = secret.encode(code, "ignore")
                    where = [p.name for p, b in whole.items() if needle in b or secret in p.name]
                    yield not where, f"{secret!r} in {where[:3]}"

        def numbers():
            yield len(records) == len(originals) > 0, f"{len(records)} records of {len(originals)}"
            values = lambda rs: sorted((json.dumps(r["distance"]["measurement"]["value"], sort_keys=True), r["finding_words"]) for r in rs)
            yield values(records) == values(originals), "distances and findings differ"
            for r in records:
                value = r["distance"]["measurement"]["value"]
                if "signed_mm" in value:
                    mm = millimetres(r, by_uid[r["frame"]["sop_instance_uid"]])
                    yield abs(abs(value["signed_mm"]) - mm) < 1e-9, f"{value['signed_mm']} mm, pydicom {mm}"

        checks = [
            ("identity", identity()),
            ("pictures", ((same_picture(o, f["number"] - 1, new[i]), f"frame {i + 1}") for i, (f, o) in enumerate(zip(frames, old)))),
            ("distances", numbers()),
            ("dciodvfy", ((errors(out / "frames" / f"frame-{i + 1:04}.dcm") <= errors(f["source"]), f"frame {i + 1}: {errors(out / 'frames' / f'frame-{i + 1:04}.dcm')}")
                          for i, f in enumerate(frames))),
            ("identity removed", ((ds.PatientIdentityRemoved == "YES" and ds.BurnedInAnnotation == "NO"
                                   and [c.CodeValue for c in ds.DeidentificationMethodCodeSequence] == ["113100", "113101", "113107"], f"frame {i + 1}")
                                  for i, ds in new.items())),
        ]
        return report(checks)


sys.exit(main())
