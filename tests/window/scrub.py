#!/usr/bin/env python3
"""Steps, scrubs and plays a cine in the real window; at every step the frame shown must be the frame asked for.

    target/venv/bin/python tests/window/scrub.py [--binary PATH] [--screens FOLDER]

It makes a cine of 500 colour JPEG frames of 1024 × 768 px, each with its own number burned in as a row of black and
white squares between a red and a blue one, and reads that number back from the pixels on the screen. Asked for by keys
(one frame, ten, first, last), by the mouse on the time line, and by dragging along it; while a frame is not there yet no
picture may be shown. It also says how much memory the window took before and after (VmHWM), and how much processor time
a paused cine takes.

Needs what tests/window/drive.py needs, and pydicom, Pillow and numpy.
"""

import io
import pathlib
import random
import subprocess
import tempfile
import time

import numpy as np
import pydicom
from drive import GAP, Display, Window, asked, fail, run
from PIL import Image, ImageDraw
from pydicom.dataset import Dataset, FileMetaDataset
from pydicom.encaps import encapsulate
from pydicom.uid import JPEGBaseline8Bit, UltrasoundMultiFrameImageStorage, generate_uid

ROOT = pathlib.Path(__file__).resolve().parents[2]
COUNT, WIDTH, HEIGHT, SIDE, BITS = 500, 1024, 768, 64, 10
# Room at each end of the time line: END in src/viewer/panels/cine.rs.
END = 8
# Width of the case sheet in a window of 1280: size::sheet in src/viewer/theme.rs.
SHEET = 440
# What a window may take above an idle one, whatever the length of the cine.
MOST_MB = 100


def numbered(number, ground):
    """A picture with its number: red, ten bits from the highest, one bit of parity, blue."""
    image = ground.copy()
    draw = ImageDraw.Draw(image)
    bits = [number >> b & 1 for b in reversed(range(BITS))]
    bits.append(sum(bits) & 1)
    colours = ["red", *("white" if b else "black" for b in bits), "blue"]
    left, top = (WIDTH - SIDE * len(colours)) // 2, (HEIGHT - SIDE) // 2
    for i, colour in enumerate(colours):
        draw.rectangle([left + i * SIDE, top, left + (i + 1) * SIDE - 1, top + SIDE - 1], fill=colour)
    return image


def make_cine(path):
    noise = np.random.default_rng(500).integers(30, 90, (HEIGHT // 8, WIDTH // 8), dtype=np.uint8)
    ground = Image.fromarray(noise).resize((WIDTH, HEIGHT)).convert("RGB")
    parts = []
    for number in range(1, COUNT + 1):
        buffer = io.BytesIO()
        numbered(number, ground).save(buffer, "JPEG", quality=85, subsampling="4:2:2")
        parts.append(buffer.getvalue())
    ds = Dataset()
    ds.file_meta = FileMetaDataset()
    ds.file_meta.TransferSyntaxUID = JPEGBaseline8Bit
    ds.file_meta.MediaStorageSOPClassUID = ds.SOPClassUID = UltrasoundMultiFrameImageStorage
    ds.file_meta.MediaStorageSOPInstanceUID = ds.SOPInstanceUID = generate_uid()
    ds.StudyInstanceUID, ds.SeriesInstanceUID = generate_uid(), generate_uid()
    ds.Modality, ds.PatientName, ds.PatientID = "US", "Invented^Scrub", "SCRUB"
    ds.Rows, ds.Columns, ds.NumberOfFrames, ds.FrameTime = HEIGHT, WIDTH, COUNT, 40
    ds.FrameIncrementPointer = pydicom.tag.Tag(0x0018, 0x1063)
    ds.SamplesPerPixel, ds.PlanarConfiguration, ds.PhotometricInterpretation = 3, 0, "YBR_FULL_422"
    ds.BitsAllocated = ds.BitsStored = 8
    ds.HighBit, ds.PixelRepresentation = 7, 0
    ds.PixelData = encapsulate(parts)
    ds["PixelData"].VR = "OB"
    ds.save_as(path, enforce_file_format=True)


def screen(window):
    """The screen as height × width × (red, green, blue)."""
    dump = subprocess.run(["xwd", "-root", "-silent"], env=window.env, check=True, capture_output=True).stdout
    head = np.frombuffer(dump[:100], ">u4")
    start, width, height, line = int(head[0] + 12 * head[19]), int(head[4]), int(head[5]), int(head[12])
    rows = np.frombuffer(dump[start : start + line * height], np.uint8).reshape(height, line)[:, : width * 4]
    return rows.reshape(height, width, 4)[:, :, 2::-1].astype(np.int16)


def number_on(pixels):
    """The number burned into the picture on the screen; None when there is no such picture."""
    red, green, blue = (pixels[:, : -SHEET - GAP, i] for i in range(3))
    ends = []
    for mask in ((red > 180) & (green < 80) & (blue < 80), (blue > 180) & (green < 80) & (red < 80)):
        ys, xs = np.nonzero(mask)
        if len(xs) < 200:
            return None
        ends.append((np.median(xs), np.median(ys)))
    (x0, y0), (x1, y1) = ends
    step, bits = (x1 - x0) / (BITS + 2), []
    for i in range(1, BITS + 2):
        x, y = round(x0 + step * i), round(y0 + (y1 - y0) * i / (BITS + 2))
        level = pixels[y - 3 : y + 4, x - 3 : x + 4].mean()
        if 60 < level < 195:
            return fail_soft("a square is neither black nor white: the pictures of two frames at once?")
        bits.append(int(level >= 195))
    *value, parity = bits
    if sum(value) & 1 != parity:
        return fail_soft("the squares contradict each other: the pictures of two frames at once?")
    return int("".join(map(str, value)), 2)


def fail_soft(why):
    fail(why)


class Cine:
    """The cine in a window, and what was asked of it."""

    def __init__(self, window):
        self.window, self.checks, self.slowest = window, 0, 0.0
        self.left, self.right = GAP + END, window.display.width - SHEET - 2 * GAP - END
        self.asked = None
        self.texts = {}

    def expect(self, number, what):
        """Waits until frame `number` is shown. Until then only the one asked for before, or none, may be."""
        start, before = time.monotonic(), self.asked
        while True:
            pixels = screen(self.window)
            shown = number_on(pixels)
            if shown == number:
                break
            if shown is not None and shown != before:
                fail(f"{what}: frame {number} was asked for, frame {shown} is shown")
            if time.monotonic() - start > 10:
                fail(f"{what}: frame {number} was asked for, {shown} is shown after 10 s")
            time.sleep(0.01)
        self.slowest = max(self.slowest, time.monotonic() - start)
        self.asked = number
        self.check_line(pixels, number, what)
        self.checks += 1

    def check_line(self, pixels, number, what):
        """The mark on the time line stands at the frame, and the words beside it are those of this frame alone."""
        if not hasattr(self, "y"):
            self.find_line(pixels, number)
        row = pixels[self.y, self.left - 4 : self.right + 5]
        found = np.nonzero(np.abs(row - self.ink).sum(1) < 40)[0]
        expected = self.left + (self.right - self.left) * (number - 1) / (COUNT - 1)
        at = self.left - 4 + found.mean() + 0.5 if len(found) else None
        if at is None or abs(at - expected) > 1.5:
            fail(f"{what}: the mark of frame {number} belongs at x {expected:.1f}, it is at {at}")
        words = pixels[self.y + 18 : self.y + 42, self.left : self.left + 118]
        text = (np.abs(words - words[0, -1]).sum(2) > 60).tobytes()
        if self.texts.setdefault(number, text) != text:
            fail(f"{what}: frame {number} is shown with other words than before")
        if sum(t == text for t in self.texts.values()) != 1:
            fail(f"{what}: frame {number} is shown with the words of another")

    def find_line(self, pixels, number):
        """At the first frame: the mark is the one upright bar at the left end of the line."""
        top = int(pixels.shape[0] * 0.5)
        column = pixels[top:, self.left]
        ground = pixels[top:, self.left - 6]
        differs = np.abs(column - ground).sum(1) > 60
        runs, begin = [], None
        for y, d in enumerate([*differs, False]):
            if d and begin is None:
                begin = y
            elif not d and begin is not None:
                runs.append((begin, y))
                begin = None
        bars = [r for r in runs if 14 <= r[1] - r[0] <= 20]
        if number != 1 or not bars:
            fail(f"the time line is not found; upright runs: {runs}")
        self.y = top + bars[0][0] + 4
        self.ink = pixels[self.y, self.left]

    def key(self, key, number, what):
        self.window.x("key", "--clearmodifiers", key)
        self.expect(number, what)

    def x_of(self, number):
        return round(self.left + (self.right - self.left) * (number - 1) / (COUNT - 1))

    def at(self, x):
        return 1 + round((x - self.left) / (self.right - self.left) * (COUNT - 1))

    def point(self, x):
        self.window.x("mousemove", "--sync", x, self.y + 4)


def peak_mb(window):
    status = pathlib.Path(f"/proc/{window.process.pid}/status").read_text()
    (line,) = [l for l in status.splitlines() if l.startswith("VmHWM")]
    return int(line.split()[1]) / 1024


def opened(display, binary, data, path):
    return Window(display, binary, data, [path])


def idle_window(display, binary, scratch):
    empty = scratch / "empty"
    empty.mkdir()
    window = opened(display, binary, scratch / "idle-data", empty)
    peak = peak_mb(window)
    window.ask_to_close()
    window.process.wait(10)
    return peak


def steps(cine, chance):
    cine.key("Home", 1, "first frame")
    for n in range(2, 14):
        cine.key("period", n, "one on")
    for n in range(12, 8, -1):
        cine.key("comma", n, "one back")
    cine.key("Next", 10, "Page Down")
    cine.key("Prior", 9, "Page Up")
    for n in range(19, 80, 10):
        cine.key("shift+Next", n, "ten on")
    for n in range(69, 40, -10):
        cine.key("shift+Prior", n, "ten back")
    cine.key("End", COUNT, "last frame")
    cine.key("period", COUNT, "past the end")
    cine.key("comma", COUNT - 1, "one back from the end")
    cine.key("Home", 1, "first frame again")
    # Clicks at random places.
    for _ in range(15):
        x = cine.x_of(chance.randint(1, COUNT))
        cine.point(x)
        cine.window.x("click", 1)
        cine.expect(cine.at(x), f"a click at x {x}")
    # A drag to random places, and along the whole line.
    cine.point(cine.left)
    cine.window.x("mousedown", 1)
    cine.expect(1, "the start of a drag")
    for _ in range(15):
        x = cine.x_of(chance.randint(1, COUNT))
        cine.point(x)
        cine.expect(cine.at(x), f"a drag to x {x}")
    for x in [*range(cine.left, cine.right, 24), cine.right]:
        cine.point(x)
        cine.expect(cine.at(x), f"a drag along the line at x {x}")
    # As fast as the mouse goes, from end to end: only where it stops is looked at.
    for x in [*range(cine.right, cine.left, -8), cine.left]:
        cine.window.x("mousemove", x, cine.y + 4)
    cine.asked = number_on(screen(cine.window))
    deadline = time.monotonic() + 10
    while number_on(screen(cine.window)) != 1 and time.monotonic() < deadline:
        time.sleep(0.02)
    cine.asked = 1
    cine.expect(1, "the end of a fast drag")
    cine.window.x("mouseup", 1)


def play(cine):
    cine.key("Home", 1, "before playing")
    start = time.monotonic()
    cine.window.x("key", "p")
    seen = []
    while time.monotonic() - start < 3:
        shown = number_on(screen(cine.window))
        if shown is None:
            fail("while playing, no picture is shown")
        seen.append(shown)
    cine.window.x("key", "p")
    seconds = time.monotonic() - start
    if seen != sorted(seen) or seen[-1] < 3:
        fail(f"playing does not go forward: {seen}")
    # A paused cine stands still and costs nothing.
    time.sleep(0.7)
    still = number_on(screen(cine.window))
    before = cine.window.ticks()
    time.sleep(2)
    used = cine.window.ticks() - before
    if number_on(screen(cine.window)) != still:
        fail("a paused cine moves on")
    if used > 2:
        fail(f"a paused cine used {used} ticks of processor time in 2 s")
    cine.asked = still
    cine.expect(still, "paused")
    return seen[-1] / seconds, used


def main():
    chosen = asked(__doc__)
    binary = chosen.binary
    begun = time.monotonic()
    with Display(1280, 800) as display, tempfile.TemporaryDirectory() as folder:
        scratch = pathlib.Path(folder)
        path = scratch / "numbered.dcm"
        make_cine(path)
        made = time.monotonic() - begun
        idle = idle_window(display, binary, scratch)
        window = opened(display, binary, scratch / "data", path)
        cine = Cine(window)
        cine.expect(1, "opened")
        first = peak_mb(window)
        steps(cine, random.Random(1024))
        rate, used = play(cine)
        peak = peak_mb(window)
        if chosen.screens:
            run("import", "-window", "root", chosen.screens / "scrub.png", env=window.env)
        window.ask_to_close()
        window.process.wait(10)
    print(f"scrub: {cine.checks} frames asked for and shown, {len(cine.texts)} different ones, of {COUNT}; slowest {cine.slowest:.2f} s")
    print(f"scrub: played at {rate:.1f} frames a second, stored 25; paused, {used} ticks in 2 s")
    print(f"scrub: peak memory: idle window {idle:.0f} MB, first frame {first:.0f} MB, after scrubbing and playing {peak:.0f} MB")
    print(f"scrub: {time.monotonic() - begun:.0f} s, {made:.0f} of them for making the cine")
    if peak - idle > MOST_MB:
        fail(f"scrubbing takes {peak - idle:.0f} MB above the idle window, {MOST_MB} are allowed")


if __name__ == "__main__":
    main()
