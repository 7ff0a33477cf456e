"""What other programs get, read by other programs: CSV by pandas, Parquet by pyarrow, FHIR R4 by two FHIR libraries.

The readings of the bundled sample exam are handed over by the program itself. Every cell of the table is compared with the saved
records, read here as JSON; each exam's FHIR is validated against the R4 profiles by the npm package fhir (4.12.0, which carries
HL7's 4.0.1 definitions) and read by fhirclient (4.4.0, R4); its numbers are compared with the records.

Run by tests/run, or by hand: target/venv/bin/python tests/outside/hand_over.py
"""

import io
import json
import math
import subprocess
import sys
import tempfile
from datetime import date
from pathlib import Path

import pandas as pd
import pyarrow.parquet as pq
from fhirclient.models.bundle import Bundle

from _probe import ROOT, report, run

NODE = ROOT / "target" / "node"
VALIDATE = """
const {Fhir} = require('fhir');
const text = require('fs').readFileSync(0, 'utf8');
console.log(JSON.stringify(new Fhir().validate(JSON.parse(text), {errorOnUnexpected: true}).messages));
"""


def age_days(context):
    """Completed days at the exam: 280 before the due date is day 0; a last period is day 0 itself."""
    dating = context["dating"]
    on = date.fromisoformat(context["exam-date"])
    if "due-date" in dating:
        return 280 - (date.fromisoformat(dating["due-date"]) - on).days
    return (on - date.fromisoformat(dating["last-period"])).days


def signed(record):
    value = record["distance"].get("measurement", {}).get("value", {})
    return value.get("signed_mm") if value.get("kind") == "exact" else None


def expected(record):
    """What a row must say, by columns, from the record's JSON alone."""
    m = record["distance"].get("measurement", {})
    out = {
        "reading_id": record["content_sha256"],
        "reader": record["reader"],
        "patient_name": record["patient"]["name"],
        "patient_number": record["patient"]["number"],
        "frame_sha256": record["frame"]["sha256"],
        "frame_number": record["frame"]["frame_number"],
        "exam_date": record["context"]["exam-date"],
        "gestational_age_d": age_days(record["context"]),
        "os_x_px": record["landmarks"]["internal_os"]["x"],
        "os_y_px": record["landmarks"]["internal_os"]["y"],
        "edge_x_px": record["landmarks"]["edge"]["at"]["x"],
        "edge_y_px": record["landmarks"]["edge"]["at"]["y"],
        "side": record["side"],
        "route": record["context"]["route"],
        "distance_kind": m.get("value", {}).get("kind", "no-scale"),
        "distance_signed_mm": signed(record),
        "distance_u_mm": m.get("u_mm"),
        "distance_low95_mm": m.get("interval", {}).get("low_mm"),
        "distance_high95_mm": m.get("interval", {}).get("high_mm"),
        "guideline": record["table"]["id"],
        "guideline_sha256": record["table"]["digest"],
        "finding_kind": record["distance"].get("finding", {}).get("outcome", {}).get("kind"),
        "headline": record["headline"],
        "finding_words": record["finding_words"],
        "cautions": " ".join(record["cautions"]),
    }
    for term in m.get("terms", []):
        column = {"total-repeatability": "u_repeatability_mm", "scale": "u_scale_mm", "sound-speed": "u_sound_speed_mm"}[term["kind"]]
        out[column] = term["u_mm"]
    cervix = record.get("more", {}).get("cervix", {})
    out["cervical_length_mm"] = cervix.get("straight", {}).get("mm")
    return out


def same(found, wanted):
    if wanted is None:
        return found is None or (isinstance(found, float) and math.isnan(found)) or pd.isna(found)
    if isinstance(wanted, float):
        return float(found) == wanted
    return str(found) == str(wanted)


def rows(frame, records, what):
    """Every expected cell of every record."""
    by_id = {r["content_sha256"]: r for r in records}
    yield sorted(by_id) == sorted(frame["reading_id"]), f"{what}: {len(frame)} rows for {len(by_id)} records"
    for row in frame.to_dict("records"):
        for column, wanted in expected(by_id[row["reading_id"]]).items():
            yield same(row[column], wanted), f"{what}, {column}: {row[column]!r}, the record says {wanted!r}"


def csv_and_parquet(frame, table):
    """The same cells in both, and Parquet's own types."""
    other = table.to_pandas()
    yield list(frame.columns) == list(other.columns), "the columns differ"
    for column in frame.columns:
        for a, b in zip(frame[column], other[column]):
            if column == "saved_at":
                a = pd.Timestamp(a)
            elif isinstance(b, date):
                b = b.isoformat()
            yield (pd.isna(a) and pd.isna(b)) or same(a, b if not hasattr(b, "item") else b.item()) or a == b, f"{column}: {a!r} and {b!r}"
    types = {name: str(table.schema.field(name).type) for name in table.schema.names}
    for name, wanted in [
        ("distance_signed_mm", "double"),
        ("gestational_age_d", "int64"),
        ("current", "bool"),
        ("exam_date", "date32[day]"),
        ("saved_at", "timestamp[us, tz=UTC]"),
        ("headline", "string"),
    ]:
        yield types[name] == wanted, f"{name} is {types[name]}, not {wanted}"


def dictionary(text, table):
    listed = pd.read_csv(io.StringIO(text), keep_default_na=False)
    yield list(listed["column"]) == table.schema.names, "the dictionary lists other columns than the table has"
    for column, unit in zip(listed["column"], listed["unit"]):
        ending = {"mm/{pixel}": "_mm_per_px", "": ""}.get(unit, f"_{unit}")
        yield column.endswith(ending), f"{column} is in {unit}"
    kept = pq.ParquetFile(TABLE).metadata.metadata[b"dictionary.csv"].decode().replace("\r\n", "\n")
    yield kept == text, "the Parquet file carries another dictionary"


def validated(bundles):
    for name, text in bundles.items():
        done = subprocess.run(["node", "-e", VALIDATE], input=text, capture_output=True, text=True, timeout=120, cwd=NODE)
        if done.returncode != 0:
            sys.exit(f"the FHIR validator did not run (tests/run node installs it): {done.stderr.strip()}")
        errors = [m for m in json.loads(done.stdout) if m["severity"] in ("error", "fatal")]
        yield not errors, f"{name}: {errors}"
    # That it would see a fault.
    broken = json.loads(next(iter(bundles.values())))
    del broken["entry"][2]["resource"]["code"]
    done = subprocess.run(["node", "-e", VALIDATE], input=json.dumps(broken), capture_output=True, text=True, timeout=120, cwd=NODE)
    yield any(m["severity"] == "error" for m in json.loads(done.stdout)), "a report without a code passes the validator"


def values(bundles, records):
    """Every distance of an exam as a FHIR library reads it, against the record that it names."""
    by_id = {r["content_sha256"]: r for r in records}
    for name, text in bundles.items():
        bundle = Bundle(json.loads(text))
        all_of = [e.resource for e in bundle.entry]
        seen = set()
        for one in all_of:
            if one.resource_type != "Observation" or not one.identifier:
                continue
            record = by_id[one.identifier[0].value]
            seen.add(record["content_sha256"])
            wanted = signed(record)
            if wanted is None:
                continue
            yield abs(one.valueQuantity.value - wanted) <= 0.005, f"{name}: {one.valueQuantity.value}, the record says {wanted}"
            yield (one.valueQuantity.system, one.valueQuantity.code) == ("http://unitsofmeasure.org", "mm"), f"{name}: the unit"
            parts = {c.code.coding[0].code: c.valueQuantity.value for c in one.component}
            m = record["distance"]["measurement"]
            for code, number in [("low-95", m["interval"]["low_mm"]), ("high-95", m["interval"]["high_mm"]), ("u", m["u_mm"])]:
                yield abs(parts[code] - number) <= 0.005, f"{name}, {code}: {parts[code]}, the record says {number}"
        [diagnosis] = [r for r in all_of if r.resource_type == "DiagnosticReport"]
        yield bool(seen) and len(diagnosis.result) == sum(r.resource_type == "Observation" for r in all_of), f"{name}: results"


def main():
    global TABLE
    with tempfile.TemporaryDirectory() as folder:
        data = str(Path(folder) / "data")
        run(data, "sample")
        paths = [p for p in Path(data).rglob("*.json") if "records" in p.parts]
        records = [r for r in map(json.loads, (p.read_text() for p in paths)) if str(r.get("schema", "")).startswith("osspan-reading/")]
        TABLE = str(Path(folder) / "readings.parquet")
        text = run(data, "readings", "csv", "--identity")
        frame = pd.read_csv(io.StringIO(text), dtype={"borderline_edges_mm": str, "finding_also": str})
        run(data, "readings", "parquet", "--identity", "--out", TABLE)
        table = pq.read_table(TABLE)
        said = run(data, "readings", "dictionary")
        days = sorted({r["context"]["exam-date"] for r in records})
        [patient] = {r["patient"]["number"] for r in records}
        bundles = {d: run(data, "fhir", "--patient", patient, "--exam", d) for d in days}
        return report(
            [
                ("CSV read by pandas", rows(frame, records, "CSV")),
                ("Parquet read by pyarrow", rows(table.to_pandas(), records, "Parquet")),
                ("CSV and Parquet", csv_and_parquet(frame, table)),
                ("the dictionary", dictionary(said, table)),
                ("FHIR R4 validated by fhir.js", validated(bundles)),
                ("FHIR R4 read by fhirclient", values(bundles, records)),
            ]
        )


if __name__ == "__main__":
    sys.exit(main())
