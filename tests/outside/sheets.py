"""The kept sheets of the sample exam against other people's arithmetic.

tests/reference/sample-sheets.txt is what `osspan sheet --sample --every-guideline --trace` prints. Here every figure in it that can be
reckoned again is reckoned by others: calendar dates of scan windows by Python's calendar from the due date, exact binomial
intervals by scipy's beta distribution, and the change per week by generalised least squares in numpy from the exam distances. The program
itself is asked for the same sheets, and for a due list whose CSV and JSON are read by Python's own readers.

Run by tests/run, or by hand: target/venv/bin/python tests/outside/sheets.py
"""

import csv
import io
import json
import re
import sys
import tempfile
from datetime import date, timedelta

import numpy as np
from scipy.stats import beta

from _probe import ROOT, report, run

KEPT = (ROOT / "tests" / "reference" / "sample-sheets.txt").read_text(encoding="utf-8")


def day(due, weeks, days):
    """The calendar date on which a pregnancy with this due date is so old: 280 days before it is day 0."""
    return due - timedelta(280 - 7 * int(weeks) - int(days))


def windows():
    """Every scan window's dates, from the due date that its own sheet states."""
    due = None
    for line in KEPT.splitlines():
        if found := re.search(r"due date (\d{4}-\d\d-\d\d)", line):
            due = date.fromisoformat(found[1])
        for w1, d1, w2, d2, first, last in re.findall(r"(\d+)w(\d)d to (\d+)w(\d)d \((\d{4}-\d\d-\d\d) to (\d{4}-\d\d-\d\d)\)", line):
            expected = (str(day(due, w1, d1)), str(day(due, w2, d2)))
            yield (first, last) == expected, f"{line.strip()}: expected {expected}"


def ages():
    """The age at each exam, from its two dates."""
    for weeks, days, on, due in re.findall(r"(\d+)w(\d)d on (\d{4}-\d\d-\d\d), due date (\d{4}-\d\d-\d\d)", KEPT):
        expected = 280 - (date.fromisoformat(due) - date.fromisoformat(on)).days
        yield int(weeks) * 7 + int(days) == expected, f"{weeks}w{days}d on {on}, due {due}: expected {expected} days"


def binomials():
    """Clopper-Pearson intervals by scipy, to the digit that is printed."""
    pattern = r"(\d+) of (\d+) \(([\d.]+) %, exact 95 % interval ([\d.]+) to ([\d.]+) %\)"
    for k, n, share, low, high in re.findall(pattern, KEPT):
        k, n = int(k), int(n)
        expected_low = 0.0 if k == 0 else 100 * beta.ppf(0.025, k, n - k + 1)
        expected_high = 100.0 if k == n else 100 * beta.ppf(0.975, k + 1, n - k)
        right = abs(float(low) - expected_low) <= 0.0501 and abs(float(high) - expected_high) <= 0.0501 and abs(float(share) - 100 * k / n) <= 0.501
        yield right, f"{k}/{n}: {low} to {high}, expected {expected_low:.3f} to {expected_high:.3f}"


def changes():
    """Change per week by generalised least squares over the exam distances, each with the SD that its printed interval has.

    The printed values have one digit after the point, so slope and interval are compared to 0.1 mm a week. Scale shared between
    visits is at most 2 % of a few mm and is left out here; it changes the interval by less than that.
    """
    signed = r"(?:overlap of ([\d.]+) mm|([\d.]+) mm away)"
    visit = re.compile(rf"(\d+)w(\d)d: exam distance, {signed}; 95 %: {signed} to {signed}")
    number = lambda overlap, away: -float(overlap) if overlap else float(away)
    blocks = KEPT.split("CHANGE OVER VISITS")[1:]
    for block in blocks:
        block = block.split("\n\n")[0]
        rows = [(int(m[1]) + int(m[2]) / 7, number(m[3], m[4]), (number(m[7], m[8]) - number(m[5], m[6])) / (2 * 1.959964)) for m in visit.finditer(block)]
        said = re.search(r"([+-][\d.]+) mm per week, 95 % interval ([+-][\d.]+) to ([+-][\d.]+), over (\d+) exams", block)
        x, y, sd = (np.array(c) for c in zip(*rows))
        design = np.column_stack([np.ones_like(x), x - x.mean()])
        weight = np.diag(1 / sd**2)
        cov = np.linalg.inv(design.T @ weight @ design)
        slope, u = (cov @ design.T @ weight @ y)[1], np.sqrt(cov[1, 1])
        expected = (slope, slope - 1.959964 * u, slope + 1.959964 * u)
        found = tuple(float(said[i]) for i in (1, 2, 3))
        right = int(said[4]) == len(rows) and all(abs(a - b) <= 0.1 for a, b in zip(found, expected))
        yield right, f"{rows}: expected {expected}, found {found}"


def the_same_again():
    """The program prints what is kept."""
    with tempfile.TemporaryDirectory() as data:
        yield run(data, "sheet", "--sample", "--every-guideline", "--trace") == KEPT, "the sheets differ from the kept ones"


def due_lists():
    """CSV and JSON say the same, by Python's readers; windows hold on the days that the calendar says."""
    due = date(2025, 6, 30)
    with tempfile.TemporaryDirectory() as data:
        run(data, "sample")
        for on in (date(2025, 4, 20), day(due, 32, 0), day(due, 32, 6), day(due, 33, 0), date(2025, 5, 20), date(2025, 7, 1)):
            table = list(csv.DictReader(io.StringIO(run(data, "due", "--on", str(on), "--csv", "--all"), newline="")))
            rows = json.loads(run(data, "due", "--on", str(on), "--json", "--all"))
            pairs = [(r["woman"], r["exam-date"], r["next-scan-from"], r["why"], r["reading"]) for r in table]
            same = [(r["woman"], r["exam-date"], r["from"] or "", r["why"], r["reading"]) for r in rows]
            yield pairs == same and len(rows) == 1, f"{on}: CSV {pairs}, JSON {same}"
            for r in rows:
                weeks, days = re.fullmatch(r"(\d+)w(\d)d", r["age-today"]).groups()
                yield day(due, weeks, days) == on, f"{on}: {r['age-today']}"
                if r["from"]:
                    expected = "later" if str(on) < r["from"] else "due-now" if str(on) <= r["to"] else "overdue"
                    yield expected in r["standing"], f"{on}: window {r['from']} to {r['to']}, standing {r['standing']}, expected {expected}"


if __name__ == "__main__":
    sys.exit(
        report(
            [
                ("ages at the exams", ages()),
                ("scan windows as dates", windows()),
                ("exact binomial intervals", binomials()),
                ("change per week", changes()),
                ("the sheets again", the_same_again()),
                ("due lists", due_lists()),
            ]
        )
    )
