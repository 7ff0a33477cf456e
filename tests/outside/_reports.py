"""Records that are the same at every run, and the program's reports of them, for report_*.py and tests/bench/reports.py."""

import contextlib
import functools
import pathlib
import sys
import tempfile

from _probe import SAMPLES, ask, run

# When the reports were made: on them, so fixed.
NOW = "2031-03-15T08:00:00+01:00"
# The invented exams of probe_report.rs, and the sample's three visits.
INVENTED = ("simple", "everything", "letters")


@contextlib.contextmanager
def folders():
    """A folder with the records of the sample (`sample`) and of each invented exam, and an empty data folder."""
    with tempfile.TemporaryDirectory(prefix="osspan-reports-") as made:
        made = pathlib.Path(made)
        (made / "data").mkdir()
        run(made / "data", "sample", "--records", made / "as-saved")
        (answer,) = ask("outside-report", [{"do": "fixed", "from": str(made / "as-saved"), "to": str(made / "sample")}])
        if answer.get("records") != 9:
            sys.exit(f"the sample's nine readings were not made: {answer}")
        ask("outside-report", [{"do": "invented", "to": str(made)}])
        yield made


@functools.cache
def reports(made, form, records, *options):
    """Paths of the reports of every exam of a folder of records, by day."""
    out = made / f"out-{form}-{records}-{'-'.join(map(str, options))}".replace("/", "_")
    out.mkdir(exist_ok=True)
    printed = run(
        made / "data", "report", form, "--folder", made / records, "--all", "--out", out, "--now", NOW, "--images", SAMPLES, *options
    )
    return sorted(pathlib.Path(line) for line in printed.splitlines() if line.startswith(str(out)))


def models(made, records, **options):
    """What the reports of a folder of records say, by day; see probe_report.rs."""
    request = {"do": "models", "records": str(made / records), "images": str(SAMPLES), "now": NOW, **options}
    (answer,) = ask("outside-report", [request])
    if not isinstance(answer, list):
        sys.exit(f"outside-report: {answer}")
    return sorted(answer, key=lambda m: m["day"])
