"""The pages of the reports, judged by programs of others: qpdf, and poppler's pdffonts, pdftotext and pdftoppm.

Of the sample's three visits and of three invented exams, on A4 and Letter: the file is sound and says PDF/A-2b; every font is
embedded; the text layer holds every sentence of the model, with its numbers and cautions, in order; a simple exam and every
patient's page take one page; and pages look as they were approved.

Approved pictures (tests/reference/report-pages/) are grey, 60 dots an inch. What differs from one machine or record to the next
is left out on both sides: the QR code, and lines with a digest. The page is cut into squares of 12 points; a square differs
when its mean grey is off by more than 24 of 255, and a page when more than 0.4 % of its squares differ. After an intended
change look at the pages, then:

    target/venv/bin/python tests/outside/report_pages.py --renew

PDF/A: the writer (krilla) refuses what its validator for PDF/A-2b finds; no independent PDF/A validator is to be had from the
registries at hand (veraPDF is on none of them), so conformance is not checked from outside.

Run by tests/run, or by hand: target/venv/bin/python tests/outside/report_pages.py [--renew | --show FOLDER]
"""

import io
import pathlib
import re
import subprocess
import sys
import unicodedata

import numpy as np
from PIL import Image

from _probe import ROOT, report
from _reports import INVENTED, folders, models, reports

APPROVED = ROOT / "tests" / "reference" / "report-pages"
DPI = 60
SQUARE, MOST_GREY, MOST_SQUARES = 10, 24, 0.004
PAPERS = ("a4", "letter")
# What is compared with approved pictures: form, records, options, paper, index of the report.
COMPARED = {
    "simple-a4": ("pdf", "simple", (), "a4", 0),
    "simple-letter": ("pdf", "simple", (), "letter", 0),
    "everything-a4": ("pdf", "everything", ("--identity",), "a4", 0),
    "sample-visit-2-letter": ("pdf", "sample", (), "letter", 1),
    "patient-en-a4": ("patient-pdf", "everything", ("--phone", "+00 555 0100", "--avoid", "sex,exam"), "a4", 0),
    "patient-es-letter": ("patient-pdf", "simple", ("--language", "es"), "letter", 0),
}
DIGEST = re.compile(r"[0-9a-f]{16}")


def tool(*words, **options):
    done = subprocess.run([str(w) for w in words], capture_output=True, timeout=60, **options)
    return done.returncode, done.stdout.decode(errors="replace"), done.stderr.decode(errors="replace")


def bare(text):
    """Without spaces and with every letter by itself, as a comparison wants it."""
    return "".join(unicodedata.normalize("NFKC", text).split())


def sound(made):
    for form in ("pdf", "patient-pdf"):
        for records in ("sample", *INVENTED):
            for paper in PAPERS:
                for path in reports(made, form, records, "--paper", paper):
                    code, out, err = tool("qpdf", "--check", path)
                    yield code == 0 and "No syntax or stream encoding errors" in out, f"{path.name}: {out}{err}"
                    metadata = path.read_bytes()
                    marked = b"<pdfaid:part>2</pdfaid:part>" in metadata and b"<pdfaid:conformance>B</pdfaid:conformance>" in metadata
                    yield marked, f"{path.name}: not marked as PDF/A-2b"


def embedded(made):
    for form in ("pdf", "patient-pdf"):
        for records in ("sample", *INVENTED):
            for path in reports(made, form, records, "--paper", "a4"):
                _, out, _ = tool("pdffonts", path)
                rows = [line.split() for line in out.splitlines()[2:]]
                # Name, type (two words or more), encoding, then emb, sub, uni and the object's two numbers.
                flags = [row[-5:-2] for row in rows]
                yield bool(rows) and all(f == ["yes", "yes", "yes"] for f in flags), f"{path.name}: {out}"
                yield all("DejaVuSansCondensed" in row[0] for row in rows), f"{path.name}: other letters: {out}"


def text_of(path, model):
    """The text layer without what stands on every page: the watermark before the text, three lines of the foot after it."""
    _, out, _ = tool("pdftotext", "-raw", "-enc", "UTF-8", path, "-")
    whole = ""
    for page, ops in zip(out.split("\f"), model["pages"]):
        page = bare(page).removeprefix(bare(model["watermark"] or ""))
        for foot in ops[-3:]:
            page = page.replace(bare(foot["text"]), "", 1)
        whole += page
    return whole


def sentences(model):
    yield from (s for s in model["head"] if s)
    for part in model["parts"]:
        yield from (line["text"] + " " + line["mark"] for line in part["lines"])
    yield from model["sources"]
    for pair in model["identity"] + model["facts"]:
        yield pair["is"]
    yield model["standing"]
    yield model["digest"]


def words(made):
    for records in ("sample", *INVENTED):
        for paper in PAPERS:
            for options in ((), ("--identity", "--full")):
                paths = reports(made, "pdf", records, "--paper", paper, *options)
                told = models(made, records, paper=paper, identity=bool(options), full=bool(options))
                yield len(paths) == len(told), f"{records}: {len(paths)} reports, {len(told)} models"
                for path, model in zip(paths, told):
                    text = text_of(path, model)
                    for sentence in sentences(model):
                        # A letter that is not embedded is printed as a square, and a note on the page says so.
                        shown = bare("".join(c if ord(c) < 0x2E80 else "□" for c in sentence))
                        yield shown in text, f"{path.name} ({paper}) lacks: {sentence}"
                    for number in set(re.findall(r"\d+(?:\.\d+)?", " ".join(sentences(model)))):
                        yield number in text, f"{path.name} ({paper}) lacks the number {number}"


def patients(made):
    for records in ("sample", *INVENTED):
        for code in ("en", "es"):
            for paper in PAPERS:
                paths = reports(made, "patient-pdf", records, "--paper", paper, "--language", code)
                for path, model in zip(paths, models(made, records)):
                    _, out, _ = tool("pdftotext", "-raw", "-enc", "UTF-8", path, "-")
                    text = bare(out)
                    for line in model["patient"][code]["text"].splitlines():
                        # Headings are in capitals in the text form, points have a dash.
                        want = bare(line.removeprefix("- ")).lower()
                        yield want in text.lower(), f"{path.name} ({code}) lacks: {line}"
                    _, count, _ = tool("qpdf", "--show-npages", path)
                    yield count.strip() == "1", f"{path.name} ({code}, {paper}): {count} pages"


def one_page(made):
    for paper in PAPERS:
        for records in ("simple", "letters"):
            for path in reports(made, "pdf", records, "--paper", paper):
                _, out, _ = tool("qpdf", "--show-npages", path)
                yield out.strip() == "1", f"{path.name} ({paper}): {out.strip()} pages"


def pictures(path):
    """Every page, grey, as an array."""
    code, _, err = tool("pdftoppm", "-r", DPI, "-gray", "-png", path, path.with_suffix(""))
    if code != 0:
        sys.exit(f"pdftoppm: {err}")
    for page in sorted(path.parent.glob(path.stem + "-*.png")):
        yield np.asarray(Image.open(page).convert("L"), dtype=float)
        page.unlink()


def masked(picture, page):
    """The picture with the QR code and every line that holds a digest painted over."""
    k = DPI / 72
    for op in page:
        if op["is"] == "code":
            x, y, w, h = op["at"]
        elif op["is"] == "text" and DIGEST.search(op["text"]):
            x, y, w, h = 0, op["y"] - op["size"], picture.shape[1] / k, 1.3 * op["size"]
        else:
            continue
        picture[max(0, int(y * k) - 1) : int((y + h) * k) + 2, max(0, int(x * k) - 1) : int((x + w) * k) + 2] = 255
    return picture


def rendered(made, form, records, options, paper, index):
    path = reports(made, form, records, "--paper", paper, *options)[index]
    model = models(made, records, paper=paper, identity="--identity" in options)[index]
    pages = model["pages"] if form == "pdf" else [[]] * 9
    return [masked(picture.copy(), page) for picture, page in zip(pictures(path), pages)]


def squares(picture):
    """Mean grey of each square, what is left over at the right and below included."""
    high, wide = (-(-n // SQUARE) for n in picture.shape)
    whole = np.full((high * SQUARE, wide * SQUARE), 255.0)
    whole[: picture.shape[0], : picture.shape[1]] = picture
    return whole.reshape(high, SQUARE, wide, SQUARE).mean(axis=(1, 3))


def differs(picture, approved):
    """Share of the squares that differ."""
    if picture.shape != approved.shape:
        return 1.0
    return float((np.abs(squares(picture) - squares(approved)) > MOST_GREY).mean())


def looks(made):
    for name, what in COMPARED.items():
        pages = rendered(made, *what)
        kept = sorted(APPROVED.glob(f"{name}-*.png"))
        yield len(kept) == len(pages), f"{name}: {len(pages)} pages, {len(kept)} approved; after looking at them: --renew"
        for number, (picture, path) in enumerate(zip(pages, kept), 1):
            share = differs(picture, np.asarray(Image.open(path).convert("L"), dtype=float))
            yield share <= MOST_SQUARES, f"{name}, page {number}: {100 * share:.2f} % of its squares differ; see --show, then --renew"
    # The comparison sees a line that is missing: the same page with one line painted over.
    picture = rendered(made, *COMPARED["simple-a4"])[0]
    dark = np.flatnonzero(picture.min(axis=1) < 128)
    without = picture.copy()
    without[dark[len(dark) // 2] - 4 : dark[len(dark) // 2] + 5] = 255
    yield differs(without, picture) > MOST_SQUARES, "a page without one of its lines counts as the same"


def keep(made, folder):
    folder.mkdir(parents=True, exist_ok=True)
    for old in folder.glob("*.png"):
        old.unlink()
    for name, what in COMPARED.items():
        for number, picture in enumerate(rendered(made, *what), 1):
            data = io.BytesIO()
            Image.fromarray(picture.astype(np.uint8)).quantize(16).save(data, "PNG", optimize=True)
            (folder / f"{name}-{number}.png").write_bytes(data.getvalue())
            print(folder / f"{name}-{number}.png", len(data.getvalue()), "bytes")


def main():
    with folders() as made:
        if sys.argv[1:2] == ["--renew"]:
            keep(made, APPROVED)
            return 0
        if sys.argv[1:2] == ["--show"]:
            keep(made, pathlib.Path(sys.argv[2]))
            return 0
        return report(
            [
                ("qpdf finds the files sound, and they say PDF/A-2b", sound(made)),
                ("every font is embedded (pdffonts)", embedded(made)),
                ("the text layer holds every sentence and number (pdftotext)", words(made)),
                ("the patient's page: every line, on one page", patients(made)),
                ("a simple exam takes one page", one_page(made)),
                ("pages look as approved (pdftoppm)", looks(made)),
            ]
        )


if __name__ == "__main__":
    sys.exit(main())
