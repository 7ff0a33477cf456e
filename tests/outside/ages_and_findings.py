"""Gestational ages against Python's calendar, and findings against bands typed here a second time.

The bands below were typed from the guidelines' words, not from src/guideline/tables:
- Reddy UM et al., Fetal imaging executive summary, J Ultrasound Med 2014;33:745-57 (from memory): more than 16 weeks; 2 cm or
  more from the os is normal, less than 2 cm and not covering is low-lying, covering is previa.
- RCOG Green-top Guideline 27a, 2018 (read): more than 16 weeks; low-lying when less than 20 mm.
- SOGC Guideline 402, 2020 (from memory): from 18 weeks; low-lying up to and with 20 mm, split at 10 mm (whole mm: up to 10, 11 to 20).
An edge that exactly reaches the os has a band of its own in each (the guidelines' words do not settle 0 mm).

Run by tests/run, or by hand: target/venv/bin/python tests/outside/ages_and_findings.py
"""

import math
import random
import sys
from datetime import date, timedelta
from fractions import Fraction

from _probe import ask, report

PROBE = "outside-numbers"
INF = math.inf
# id, lower end, whether it belongs to the band, upper end, whether it belongs to the band
US = [("previa", -INF, False, 0, False), ("reaches-os", 0, True, 0, True), ("low-lying", 0, False, 20, False), ("not-low", 20, True, INF, False)]
SOGC = [
    ("previa", -INF, False, 0, False),
    ("reaches-os", 0, True, 0, True),
    ("low-lying-to-10", 0, False, 10, True),
    ("low-lying-11-to-20", 10, False, 20, True),
    ("not-low", 20, False, INF, False),
]
TABLES = {"us-consensus-2014": US, "rcog-2018": US, "sogc-2020": SOGC}
# The first day, counted from the last period, on which the table may be used.
FIRST_DAY = {"us-consensus-2014": 16 * 7 + 1, "rcog-2018": 16 * 7 + 1, "sogc-2020": 18 * 7}
BETWEEN_WHOLE_MM = {"sogc-2020": (10, 11)}
GOOD = {"route": "transvaginal", "bladder": "empty", "contraction": "absent"}


def ages():
    """Calendar arithmetic: 280 days from the last period to the due date; refused below day 0 and above 45 weeks."""
    rng = random.Random(20261125)
    cases = [
        # Worked by hand, across a leap day and a year's end.
        ("due-date", date(2025, 12, 31), date(2025, 8, 13), 140),
        ("last-period", date(2025, 3, 26), date(2025, 8, 13), 140),
        ("due-date", date(2024, 6, 1), date(2024, 2, 29), 26 * 7 + 5),
        ("due-date", date(2024, 6, 1), date(2024, 6, 1), 280),
    ]
    for _ in range(3000):
        day, start = rng.randint(-60, 400), date(1950, 1, 1) + timedelta(rng.randint(0, 40000))
        if rng.random() < 0.5:
            cases.append(("last-period", start, start + timedelta(day), day))
        else:
            cases.append(("due-date", start, start - timedelta(280 - day), day))
    requests = [{"do": "age", "dating": how, "date": d.isoformat(), "exam": exam.isoformat()} for how, d, exam, _ in cases]
    for request, answer, (_, _, _, day) in zip(requests, ask(PROBE, requests), cases):
        expected = {"days": day} if 0 <= day <= 45 * 7 else "a refusal"
        right = answer == expected if isinstance(expected, dict) else answer.get("kind") == "Invalid"
        yield right, f"{request}: expected {expected}, found {answer}"


def dates_that_are_not():
    """Dates that no calendar has."""
    for bad in ["2025-02-29", "2025-13-01", "31.12.2025", ""]:
        (answer,) = ask(PROBE, [{"do": "age", "dating": "due-date", "date": bad, "exam": "2025-08-13"}])
        yield "error" in answer, f"{bad!r}: found {answer}"


def band(table, d):
    """The one band that holds the signed distance."""
    found = [b[0] for b in TABLES[table] if shares(b, d, d)]
    assert len(found) == 1, (table, d, found)
    return found[0]


def shares(b, low, high):
    """Whether the closed range from low to high has a value in the band."""
    _, start, start_in, end, end_in = b
    return (high > start or (high == start and start_in)) and (low < end or (low == end and end_in))


def values():
    """Every edge and its neighbours, near misses of rounding, and numbers from everywhere."""
    near = [f(e) for e in (0.0, 10.0, 11.0, 20.0) for f in (lambda x: x, lambda x: math.nextafter(x, INF), lambda x: math.nextafter(x, -INF))]
    rounding = [-0.0, 19.96, 19.999999, 20.04, 9.996, 10.4, 10.5, 10.999, 0.004, -0.004, 5.0, 15.0, 25.0, -5.0]
    rounding += [math.nextafter(e, s) for e in (5.0, 15.0, 25.0, -5.0) for s in (-INF, INF)]
    rng = random.Random(7)
    return near + rounding + [rng.uniform(-60, 80) for _ in range(400)] + [-1e6, 1e6]


def exact_findings():
    """Nominal band, every band that the interval reaches, and every edge within 5 mm, for exact values at a good age."""
    rng = random.Random(8)
    cases = []
    for table in TABLES:
        for d in values():
            spread = rng.choice([0.0, 0.0, rng.uniform(0, 3), rng.uniform(0, 15)])
            ends = rng.choice([(d - spread, d + spread), (d - spread, max(d, rng.choice([0.0, 10.0, 20.0]))), (min(d, rng.choice([0.0, 10.0, 20.0])), d)])
            cases.append((table, d, *ends, rng.random() < 0.5))
    requests = [
        {"do": "classify", "table": t, "value": "exact", "mm": d, "low_mm": low, "high_mm": high, "assumed": assumed, "age_days": 230, **GOOD}
        for t, d, low, high, assumed in cases
    ]
    for request, answer, (table, d, low, high, assumed) in zip(requests, ask(PROBE, requests), cases):
        nominal = band(table, d)
        also = [b[0] for b in TABLES[table] if b[0] != nominal and shares(b, low, high)]
        if nominal == "reaches-os":
            expected = ("reaches", None, also)
        else:
            expected = ("straddles" if also else "within", nominal, also)
        near = {e for e in (0, 10, 20) if assumed and abs(Fraction(d) - e) <= 5}
        first, last = BETWEEN_WHOLE_MM.get(table, (0, 0))
        near |= {first} if first < d < last else set()
        found = outcome(answer)
        found_near = {n["edge_mm"] for n in answer.get("borderline", [])}
        yield found == expected and found_near == near, f"{request}: expected {expected}, borderline to {near}; found {found}, {found_near}"


def outcome(answer):
    """Kind, nominal band and further bands of a finding."""
    o = answer.get("outcome", {})
    nominal = o.get("band") or o.get("nominal")
    return o.get("kind", str(answer)), nominal and nominal["id"], [b["id"] for b in o.get("also", [])]


def one_sided_findings():
    """An overlap of at least x, and no placenta within x: what stays possible."""
    rng = random.Random(9)
    cases = [(t, kind, x, rng.uniform(0, 8)) for t in TABLES for kind in ("overlap-at-least", "no-placenta-within") for x in abs_values()]
    requests = []
    for table, kind, x, spread in cases:
        low, high = (None, spread - x) if kind == "overlap-at-least" else (x - spread, None)
        requests.append({"do": "classify", "table": table, "value": kind, "mm": x, "low_mm": low, "high_mm": high, "assumed": False, "age_days": 230, **GOOD})
    for request, answer, (table, kind, x, spread) in zip(requests, ask(PROBE, requests), cases):
        bands = TABLES[table]
        if kind == "no-placenta-within":
            possible = [b[0] for b in bands if shares(b, x, INF)]
            also = [b[0] for b in bands if b[0] not in possible and shares(b, x - spread, INF)]
            found = (answer["outcome"]["kind"], [b["id"] for b in answer["outcome"]["possible"]], outcome(answer)[2])
            expected = (kind, possible, also)
        else:
            nominal = band(table, -x)
            also = [b[0] for b in bands if b[0] != nominal and shares(b, -INF, spread - x)]
            found = outcome(answer)
            expected = ("reaches", None, also) if nominal == "reaches-os" else ("straddles" if also else "within", nominal, also)
        yield found == expected, f"{request}: expected {expected}, found {found}"


def abs_values():
    """Sizes for one-sided values."""
    rng = random.Random(10)
    return [0.0, 10.0, 20.0, math.nextafter(20.0, 0), math.nextafter(20.0, INF), math.nextafter(10.0, INF)] + [rng.uniform(0, 60) for _ in range(100)]


def when_a_table_says_nothing():
    """Route, bladder, contraction and age each decide whether a table applies; below 32 weeks a finding is provisional."""
    routes, bladders, contractions = ("transvaginal", "transabdominal", "translabial", "unknown"), ("empty", "full", "unknown"), ("absent", "present", "unknown")
    ages_days = [None, 0, 111, 112, 113, 118, 119, 125, 126, 127, 223, 224, 280]
    cases = [(t, r, b, c, a) for t in TABLES for r in routes for b in bladders for c in contractions for a in ages_days]
    requests = [
        {"do": "classify", "table": t, "value": "exact", "mm": 30.0, "low_mm": 29.0, "high_mm": 31.0, "assumed": False, "age_days": a, "route": r, "bladder": b, "contraction": c}
        for t, r, b, c, a in cases
    ]
    for request, answer, (t, r, b, c, a) in zip(requests, ask(PROBE, requests), cases):
        applies = r == "transvaginal" and b != "full" and c != "present" and a is not None and a >= FIRST_DAY[t]
        expected = ("within" if applies else "not-applicable", applies and a < 32 * 7)
        found = (answer.get("outcome", {}).get("kind"), "provisional" in answer.get("notes", []))
        yield found == expected, f"{request}: expected {expected}, found {found}"


if __name__ == "__main__":
    sys.exit(
        report(
            [
                ("gestational ages", ages()),
                ("dates that no calendar has", dates_that_are_not()),
                ("findings of exact values", exact_findings()),
                ("findings of one-sided values", one_sided_findings()),
                ("when a table says nothing", when_a_table_says_nothing()),
            ]
        )
    )
