"""How long many reports take, beside the same pages drawn by a general PDF library, in one run on one machine.

    target/venv/bin/python tests/bench/reports.py [--count 200] [--debug]

Ours: from saved records to the bytes of a PDF, every time anew: the whole answer, what the exam comes to, the layout, the frames, the
file. Theirs: reportlab is handed the pages already laid out (every line of text with its place, the frames as PNG, the plots as shapes)
and draws them; it lays out nothing. Both embed the same letters. The sample's last exam: three frames, two pages of A4. The
ratio is printed; nothing is asserted about time. Needs: cargo build --release --example outside-report (--debug takes the other build).
"""

import io
import json
import os
import pathlib
import subprocess
import sys
import time

sys.path.insert(0, str(pathlib.Path(__file__).resolve().parents[1] / "outside"))

from reportlab.lib.utils import ImageReader  # noqa: E402
from reportlab.pdfbase import pdfmetrics  # noqa: E402
from reportlab.pdfbase.ttfonts import TTFont  # noqa: E402
from reportlab.pdfgen.canvas import Canvas  # noqa: E402

from _probe import ROOT, SAMPLES  # noqa: E402
from _reports import NOW, folders  # noqa: E402

COUNT = int(sys.argv[sys.argv.index("--count") + 1]) if "--count" in sys.argv else 200
BUILD = "debug" if "--debug" in sys.argv else "release"
PROBE = ROOT / os.environ.get("CARGO_TARGET_DIR", "target") / BUILD / "examples" / "outside-report"
WIDTH, HEIGHT = 595.276, 841.89
FONTS = ROOT / "src" / "plot" / "fonts"


def colour(rgb):
    return [c / 255 for c in rgb]


def shape(canvas, s, x, y):
    """One shape of a plot whose upper left corner is (x, y), y down."""
    at = lambda p: (x + p[0], HEIGHT - (y + p[1]))  # noqa: E731
    canvas.setFillColorRGB(*colour(s["ink"]))
    canvas.setStrokeColorRGB(*colour(s["ink"]))
    if s["is"] == "bar":
        left, top, w, h = s["at"]
        canvas.rect(x + left, HEIGHT - y - top - h, w, h, stroke=0, fill=1)
    elif s["is"] in ("line", "under"):
        path = canvas.beginPath()
        points = [at(p) for p in s["points"]]
        if s["is"] == "under":
            points += [at([s["points"][-1][0], s["base"]]), at([s["points"][0][0], s["base"]])]
        path.moveTo(*points[0])
        for p in points[1:]:
            path.lineTo(*p)
        canvas.setLineWidth(s.get("width", 1))
        canvas.drawPath(path, stroke=s["is"] == "line", fill=s["is"] == "under")
    elif s["is"] == "dot":
        canvas.circle(*at(s["at"]), s["radius"], fill=int(s["filled"]))
    elif s["is"] == "triangle":
        (cx, cy), h = at(s["at"]), s["height"]
        path = canvas.beginPath()
        path.moveTo(cx - 0.55 * h, cy)
        path.lineTo(cx + 0.55 * h, cy)
        path.lineTo(cx, cy + h)
        path.close()
        canvas.drawPath(path)
    else:
        canvas.setFont("regular", s["size"])
        draw = {"start": canvas.drawString, "middle": canvas.drawCentredString, "end": canvas.drawRightString}[s["anchor"]]
        cx, cy = at(s["at"])
        draw(cx, cy - 0.36 * s["size"], s["text"])


def theirs(laid):
    """One report as bytes."""
    out = io.BytesIO()
    canvas = Canvas(out, pagesize=(WIDTH, HEIGHT), pageCompression=1)
    images = [ImageReader(p) for p in laid["pictures"]]
    for page in laid["pages"]:
        for op in page:
            if op["is"] == "text":
                canvas.setFillColorRGB(*colour(op["ink"]))
                canvas.setFont("strong" if op["strong"] else "regular", op["size"])
                canvas.drawString(op["x"], HEIGHT - op["y"], op["text"])
                continue
            x, y, w, h = op["at"]
            if op["is"] == "box":
                if op["fill"]:
                    canvas.setFillColorRGB(*colour(op["fill"]))
                    canvas.rect(x, HEIGHT - y - h, w, h, stroke=0, fill=1)
                if op["edge"]:
                    canvas.setStrokeColorRGB(*colour(op["edge"][0]))
                    canvas.setLineWidth(op["edge"][1])
                    canvas.rect(x, HEIGHT - y - h, w, h, stroke=1, fill=0)
            elif op["is"] == "code":
                canvas.setFillColorRGB(0, 0, 0)
                for bx, by, bw, bh in laid["bars"]:
                    canvas.rect(x + bx, HEIGHT - y - by - bh, bw, bh, stroke=0, fill=1)
            elif op["is"] == "frame":
                canvas.drawImage(images[op["picture"]], x, HEIGHT - y - h, w, h)
                for _ in range(2):
                    # A dark halo, then the bright line, as ours draws them.
                    for s in op["overlay"]:
                        shape(canvas, s, x, y)
            else:
                for s in op["shapes"]:
                    shape(canvas, s, x, y)
        canvas.showPage()
    canvas.save()
    return out.getvalue()


def main():
    if not PROBE.exists():
        sys.exit(f"{PROBE} is not built: cargo build --release --example outside-report")
    pdfmetrics.registerFont(TTFont("regular", FONTS / "DejaVuSansCondensed.ttf"))
    pdfmetrics.registerFont(TTFont("strong", FONTS / "DejaVuSansCondensed-Bold.ttf"))
    with folders() as made:
        request = {"do": "speed", "records": str(made / "sample"), "images": str(SAMPLES), "count": COUNT, "to": str(made), "now": NOW}
        done = subprocess.run([PROBE], input=json.dumps(request) + "\n", capture_output=True, text=True, timeout=900, check=True)
        laid = json.loads(done.stdout)
        if "error" in laid:
            sys.exit(laid["error"])
        begun = time.perf_counter()
        for _ in range(COUNT):
            data = theirs(laid)
        seconds = time.perf_counter() - begun
    ours = laid["seconds"]
    print(f"{COUNT} reports of {len(laid['pages'])} pages and {len(laid['pictures'])} frames")
    print(f"  from records to PDF/A-2b: {1e3 * ours / COUNT:6.1f} ms each, {laid['bytes'] / 1024:.0f} KiB ({BUILD} build)")
    print(f"  reportlab, laid out before: {1e3 * seconds / COUNT:6.1f} ms each, {len(data) / 1024:.0f} KiB")
    print(f"  ratio {ours / seconds:.2f} of reportlab's time")


if __name__ == "__main__":
    main()
