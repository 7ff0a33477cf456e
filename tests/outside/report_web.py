"""The reports as HTML, judged in headless Chromium, by the W3C's validator and by axe-core.

Of the sample's three visits and of invented exams, the clinician's report and the patient's page in both languages, also as it
would be in a language that is read from right to left: no word on the console and nothing fetched; no fault that vnu (the Nu Html
Checker, with its CSS checks) or axe-core (contrast, headings, names, landmarks) finds, in a wide and in a narrow window; a simple
exam and every patient's page print on one page of A4 and of Letter.

Needs node, java and Chromium; the packages are pinned in tests/outside/node/ and installed into target/node by tests/run.
Run by tests/run, or by hand: target/venv/bin/python tests/outside/report_web.py [--shots FOLDER]
"""

import json
import pathlib
import shutil
import subprocess
import sys

from _probe import ROOT, report
from _reports import INVENTED, folders, reports

INSTALLED = ROOT / "target" / "node"
PATIENT = ("--phone", "+00 555 0100", "--avoid", "sex,exam")


def pages(made):
    """Every page to look at: its file, and whether it must print on one page."""
    for records in ("sample", *INVENTED):
        for path in reports(made, "html", records, "--identity"):
            yield path, records == "simple"
        for code in ("en", "es"):
            for path in reports(made, "patient-html", records, "--language", code, *PATIENT):
                yield path, True
    # No bundled language is read from right to left: the English page, marked as one that is, with Hebrew in it.
    path = reports(made, "patient-html", "simple", "--language", "en", *PATIENT)[0]
    turned = path.read_text().replace('<html lang="en" dir="ltr">', '<html lang="he" dir="rtl">')
    turned = turned.replace("Your scan: where your placenta lies", "האולטרסאונד שלך: היכן השליה")
    if turned.count("rtl") != 1 or "השליה" not in turned:
        sys.exit("the page could not be turned round")
    rtl = made / "rtl.html"
    rtl.write_text(turned)
    yield rtl, True


def browse(files, shots):
    request = {
        "chromium": shutil.which("chromium") or shutil.which("chromium-browser") or sys.exit("chromium is not installed"),
        "modules": str(INSTALLED),
        "shots": str(shots) if shots else None,
        "pages": [{"file": str(path), "paper": ["a4", "letter"]} for path, _ in files],
    }
    words = ["node", ROOT / "tests" / "outside" / "report_web.mjs"]
    done = subprocess.run(words, input=json.dumps(request), capture_output=True, text=True, timeout=240)
    if done.returncode != 0:
        sys.exit(f"report_web.mjs: {done.stderr}")
    return json.loads(done.stdout)


def validated(files):
    """One start of the validator for all files; every message counts, warnings too."""
    jar = INSTALLED / "node_modules" / "vnu-jar" / "build" / "dist" / "vnu.jar"
    words = ["java", "-jar", jar, "--format", "json", "--stdout", "--exit-zero-always", *(str(path) for path, _ in files)]
    done = subprocess.run(words, capture_output=True, text=True, timeout=120)
    if done.returncode != 0:
        sys.exit(f"vnu: {done.stderr[:600]}")
    messages = json.loads(done.stdout)["messages"]
    for path, _ in files:
        mine = [m for m in messages if m["url"].endswith(path.name) and str(path.parent) in m["url"]]
        yield not mine, f"{path.name}: {[(m.get('subType') or m['type'], m['message'], m.get('lastLine')) for m in mine][:4]}"
    # The validator sees a fault where there is one.
    broken = files[0][0].with_name("broken.html")
    broken.write_text(files[0][0].read_text().replace("<h1>", "<h1><p>"))
    done = subprocess.run([*words[:7], str(broken)], capture_output=True, text=True, timeout=120)
    yield len(json.loads(done.stdout)["messages"]) > 0, "a heading that holds a paragraph passes"


def quiet(answers):
    for a in answers:
        yield not a["said"], f"{a['file']}: the console says {a['said'][:3]}"
        yield not a["asked"], f"{a['file']} fetches {a['asked'][:3]}"


def accessible(answers):
    for a in answers:
        yield not a["found"], f"{a['file']}: {a['found'][:4]}"


def printed(answers, files):
    for a, (path, one) in zip(answers, files):
        for paper, pdf in a["printed"].items():
            done = subprocess.run(["qpdf", "--show-npages", pdf], capture_output=True, text=True, timeout=30)
            count = int(done.stdout)
            yield count == 1 if one else count >= 1, f"{path.name} prints on {count} pages of {paper}"


def main():
    shots = pathlib.Path(sys.argv[2]) if sys.argv[1:2] == ["--shots"] else None
    if shots:
        shots.mkdir(parents=True, exist_ok=True)
    if not (INSTALLED / "node_modules" / "axe-core").is_dir():
        sys.exit(f"{INSTALLED} lacks axe-core: tests/run node")
    with folders() as made:
        files = list(pages(made))
        answers = browse(files, shots)
        return report(
            [
                ("nothing on the console, nothing fetched (Chromium)", quiet(answers)),
                ("the validator finds no fault (vnu)", validated(files)),
                ("accessible in a wide and a narrow window (axe-core)", accessible(answers)),
                ("prints on one page where it must (Chromium)", printed(answers, files)),
            ]
        )


if __name__ == "__main__":
    sys.exit(main())
