#!/usr/bin/env python3
"""Makes a reading with the real program in a real window, with a real mouse and keys, on a display of its own.

    tests/window/drive.py [--screens FOLDER] [--binary PATH]

It opens the bundled sample exam, places landmarks by clicks, states side, route, bladder and contraction, saves, and
compares the record with the one that `osspan read` makes of the same inputs without a window: all must be equal but
the time of saving and the digest that covers it. It also drags and takes back, looks at the window when it is asked to
close with unsaved work, opens it again, and measures the idle processor time.

Needs Xvfb, xdotool and ImageMagick's `import`, and nothing else on the display.
"""

import argparse
import ctypes
import json
import os
import pathlib
import subprocess
import sys
import tempfile
import time

ROOT = pathlib.Path(__file__).resolve().parents[2]
SAMPLE = ROOT / "sample-images"

# Where the frame's canvas is, from src/viewer/layout.rs.
STRIP, HINTS, GAP, UNDER_FRAME = 44, 34, 14, 26

# Whole pixels near the sample's own landmarks of visit 1, frame 1: at one point a pixel a click hits them exactly.
MARKS = {"internal os": (300, 154), "placental edge": (276, 130), "placental body": (283, 168)}
FRAME = (584, 318)
READER, GUIDELINE, DUE = "R. Ito", "us-consensus-2014", "2025-06-30"


def fail(why):
    sys.exit(f"window: {why}")


def run(*words, **more):
    return subprocess.run([str(w) for w in words], check=True, capture_output=True, text=True, **more).stdout


class Display:
    """A display of its own for one size of screen."""

    def __init__(self, width, height):
        self.width, self.height = width, height
        read, write = os.pipe()
        words = ["Xvfb", "-displayfd", str(write), "-screen", "0", f"{width}x{height}x24", "-nolisten", "tcp", "-noreset"]
        self.server = subprocess.Popen(words, pass_fds=[write], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        os.close(write)
        number = b""
        while not number.endswith(b"\n"):
            piece = os.read(read, 16)
            if not piece:
                fail("Xvfb did not start")
            number += piece
        os.close(read)
        self.name = f":{number.decode().strip()}"

    def __enter__(self):
        return self

    def __exit__(self, *_):
        """The programs first, which would complain of a display that is gone."""
        for window in Window.open:
            window.process.kill()
        self.server.terminate()
        self.server.wait()


class Window:
    """The program on a display, with its own data folder."""

    open = []

    def __init__(self, display, binary, data, arguments=()):
        self.display = display
        kept = {k: v for k, v in os.environ.items() if not k.startswith("WAYLAND")}
        self.env = dict(kept, DISPLAY=display.name, OSSPAN_DATA=str(data))
        Window.open.append(self)
        self.process = subprocess.Popen([str(binary), *map(str, arguments)], env=self.env, cwd=ROOT, stderr=subprocess.PIPE)
        self.id = self.wait("the window", self.find)
        self.x("windowsize", "--sync", self.id, display.width, display.height)
        self.x("windowfocus", "--sync", self.id)
        self.wait("the picture to come to rest", self.at_rest)

    def x(self, *words):
        return run("xdotool", *words, env=self.env).strip()

    def find(self):
        if self.process.poll() is not None:
            fail(f"the program ended: {self.process.stderr.read().decode()}")
        found = subprocess.run(["xdotool", "search", "--onlyvisible", "--name", "^Osspan$"], env=self.env, capture_output=True, text=True)
        return found.stdout.split()[-1] if found.stdout.split() else None

    def pixels(self):
        return subprocess.run(["import", "-window", "root", "rgb:-"], env=self.env, check=True, capture_output=True).stdout

    def at_rest(self):
        """Whether the screen shows something and stays the same for a while."""
        before = self.pixels()
        time.sleep(0.5)
        return len(set(before[::997])) > 8 and before == self.pixels()

    def wait(self, what, so, seconds=40):
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            value = so()
            if value:
                return value
            time.sleep(0.1)
        fail(f"waited {seconds} s for {what}")

    def keys(self, *names):
        for name in names:
            self.x("key", "--clearmodifiers", name)
            time.sleep(0.15)

    def on_screen(self, point):
        """Where a place of the frame is on the screen at one point a pixel."""
        width, height = self.display.width, self.display.height
        sheet = min(max(width * 0.34375, 270), 440) + min(max(width - 1280, 0) * 0.15, 120)
        line = min(max((height - STRIP - HINTS) * 0.23, 98), 154) + GAP + UNDER_FRAME
        left, right = GAP, width - sheet - 2 * GAP
        top, bottom = STRIP, height - HINTS - line
        x = (left + right) / 2 - FRAME[0] / 2 + point[0]
        y = (top + bottom) / 2 - FRAME[1] / 2 + point[1]
        return round(x), round(y)

    def click(self, point):
        self.x("mousemove", "--sync", *self.on_screen(point))
        time.sleep(0.15)
        self.x("click", 1)
        time.sleep(0.25)

    def drag(self, start, end):
        self.x("mousemove", "--sync", *self.on_screen(start))
        time.sleep(0.1)
        self.x("mousedown", 1)
        for part in range(1, 6):
            step = [a + (b - a) * part / 5 for a, b in zip(start, end)]
            self.x("mousemove", "--sync", *self.on_screen(step))
            time.sleep(0.05)
        self.x("mouseup", 1)
        time.sleep(0.25)

    def shot(self, folder, name):
        if folder:
            theme = f"{name}-{self.display.width}.png"
            run("import", "-window", "root", folder / theme, env=self.env)

    def ticks(self):
        fields = pathlib.Path(f"/proc/{self.process.pid}/stat").read_text().rsplit(")", 1)[1].split()
        return int(fields[11]) + int(fields[12])

    def memory(self):
        """Memory in use now and at most so far, MB."""
        lines = pathlib.Path(f"/proc/{self.process.pid}/status").read_text().splitlines()
        kilobytes = {line.split(":")[0]: int(line.split()[1]) for line in lines if line.startswith(("VmRSS", "VmHWM"))}
        return kilobytes["VmRSS"] // 1024, kilobytes["VmHWM"] // 1024

    def ask_to_close(self):
        ask_window_to_close(self.display.name, int(self.id))
        time.sleep(0.6)
        return self.process.poll()


def ask_window_to_close(display, window):
    """Sends what a window's close button sends (ICCCM 4.2.8, WM_DELETE_WINDOW); there is no window manager to do it."""

    class Message(ctypes.Structure):
        _fields_ = [
            *(("type", ctypes.c_int), ("serial", ctypes.c_ulong), ("send_event", ctypes.c_int), ("display", ctypes.c_void_p)),
            *(("window", ctypes.c_ulong), ("message_type", ctypes.c_ulong), ("format", ctypes.c_int), ("data", ctypes.c_long * 5)),
            ("room", ctypes.c_long * 24),
        ]

    x = ctypes.CDLL("libX11.so.6")
    x.XOpenDisplay.restype = ctypes.c_void_p
    x.XInternAtom.restype = ctypes.c_ulong
    x.XInternAtom.argtypes = [ctypes.c_void_p, ctypes.c_char_p, ctypes.c_int]
    x.XSendEvent.argtypes = [ctypes.c_void_p, ctypes.c_ulong, ctypes.c_int, ctypes.c_long, ctypes.c_void_p]
    x.XSync.argtypes = [ctypes.c_void_p, ctypes.c_int]
    x.XCloseDisplay.argtypes = [ctypes.c_void_p]
    link = x.XOpenDisplay(display.encode())
    if not link:
        fail(f"no connection to {display}")
    message = Message(type=33, send_event=1, window=window, message_type=x.XInternAtom(link, b"WM_PROTOCOLS", 0), format=32)
    message.data[0] = x.XInternAtom(link, b"WM_DELETE_WINDOW", 0)
    x.XSendEvent(link, window, 0, 0, ctypes.byref(message))
    x.XSync(link, 0)
    x.XCloseDisplay(link)


def records(folder):
    return [json.loads(p.read_text()) for p in sorted(folder.glob("reading-*.json"))] if folder.is_dir() else []


def bare(record):
    """A record without the time of saving and the digest that covers it."""
    return {k: v for k, v in record.items() if k not in ("saved_at", "content_sha256", "follows")}


def without_a_window(binary, record, folder):
    point = lambda p: ",".join(repr(c) for c in (p if isinstance(p, list) else (p["x"], p["y"])))
    marks = record["landmarks"]
    words = [
        *("read", SAMPLE / "visit-1" / "frame-1.dcm"),
        *("--os", point(marks["internal_os"])),
        *("--edge", point(marks["edge"]["at"])),
        *("--body", point(marks["placental_body"])),
        *("--side", "covers", "--guideline", GUIDELINE, "--due-date", DUE),
        *("--route", "transvaginal", "--bladder", "empty", "--contraction", "absent"),
        *("--reader", READER, "--save", "--records", folder),
    ]
    run(binary, *words, cwd=ROOT)
    (made,) = records(folder)
    return made


def reading(display, binary, screens, light):
    with tempfile.TemporaryDirectory() as scratch:
        data = pathlib.Path(scratch)
        settings = {"schema": "osspan-settings/1", "reader": READER, "guideline": GUIDELINE, "light": light}
        (data / "settings.json").write_text(json.dumps(settings))
        theme = "light" if light else "dark"
        window = Window(display, binary, data)
        window.keys("1")
        window.shot(screens, f"opened-{theme}")
        for point in MARKS.values():
            window.click(point)
        window.keys("c", "v", "u", "i")
        window.shot(screens, f"read-{theme}")
        # Unsaved work keeps the window open.
        if window.ask_to_close() is not None:
            fail("the window closed with unsaved work")
        window.shot(screens, f"closing-{theme}")
        window.keys("Escape")
        # A landmark dragged away and taken back is where it was.
        start = MARKS["placental edge"]
        window.drag(start, (start[0] - 40, start[1] - 20))
        window.shot(screens, f"dragged-{theme}")
        window.keys("ctrl+z")
        window.keys("question")
        window.shot(screens, f"keys-{theme}")
        window.keys("Escape", "f", "y")
        window.shot(screens, f"why-and-list-{theme}")
        window.keys("f", "y", "s")
        window.wait("the record", lambda: records(data / "records"), 15)
        (saved,) = records(data / "records")
        time.sleep(0.5)
        window.shot(screens, f"saved-{theme}")
        for name, at in (("internal_os", MARKS["internal os"]), ("placental_body", MARKS["placental body"])):
            found = saved["landmarks"][name]
            if (found["x"], found["y"]) != at:
                fail(f"{name}: clicked {at}, recorded {found}")
        made = without_a_window(binary, saved, data / "without-a-window")
        if bare(saved) != bare(made):
            different = [k for k in bare(saved) if bare(saved)[k] != bare(made).get(k)]
            fail(f"the two records differ in {different}")
        before = window.ticks()
        time.sleep(3)
        idle = window.ticks() - before
        if idle > 2:
            fail(f"an idle window used {idle} ticks of processor time in 3 s")
        now, most = window.memory()
        if window.ask_to_close() is None:
            window.wait("the window to close", lambda: window.process.poll() is not None, 10)
        if window.process.returncode != 0:
            fail(f"the program ended with {window.process.returncode}")
        # Opened again, the saved reading is there and nothing asks to be saved.
        window = Window(display, binary, data)
        window.shot(screens, f"opened-again-{theme}")
        if window.ask_to_close() is None:
            window.wait("the window to close", lambda: window.process.poll() is not None, 10)
        if len(records(data / "records")) != 1:
            fail("opening and closing changed the records")
        print(f"window: {display.width}×{display.height}, {theme}: {saved['headline']}; equal to the record made without a window; idle {idle} ticks in 3 s; memory {now} MB, at most {most} MB")


def without_libraries_or_display(binary):
    """No display: the sample exam is read without a window; a wrong one: a plain sentence, no panic."""
    with tempfile.TemporaryDirectory() as scratch:
        kept = {k: v for k, v in os.environ.items() if k not in ("DISPLAY", "WAYLAND_DISPLAY", "WAYLAND_SOCKET")}
        env = dict(kept, OSSPAN_DATA=scratch)
        headless = subprocess.run([str(binary)], env=env, cwd=ROOT, capture_output=True, text=True)
        if headless.returncode != 0 or "Sample exam" not in headless.stdout:
            fail(f"without a display: {headless.returncode} {headless.stderr}")
        wrong = subprocess.run([str(binary)], env=dict(env, DISPLAY=":9999"), cwd=ROOT, capture_output=True, text=True)
        if wrong.returncode in (0, 101) or "no window can be opened" not in wrong.stderr or "panicked" in wrong.stderr:
            fail(f"with a wrong display: {wrong.returncode} {wrong.stderr}")
        print("window: no display: read without one; a wrong display: said in words")


def asked(description, *more):
    """What the command line asks for: the program (the newest build where none is named), a folder for screens, and `more` options,
    each a name with what argparse wants to know of it."""
    parser = argparse.ArgumentParser(description=description.splitlines()[0])
    parser.add_argument("--binary", type=pathlib.Path, default=None)
    parser.add_argument("--screens", type=pathlib.Path, default=None)
    for name, words in more:
        parser.add_argument(name, **words)
    chosen = parser.parse_args()
    target = pathlib.Path(os.environ.get("CARGO_TARGET_DIR", ROOT / "target"))
    binaries = [chosen.binary] if chosen.binary else [target / "release" / "osspan", target / "debug" / "osspan"]
    built = [b for b in binaries if b.is_file()]
    if not built:
        fail("the program is not built: cargo build")
    chosen.binary = max(built, key=lambda b: b.stat().st_mtime).resolve()
    if chosen.screens:
        chosen.screens.mkdir(parents=True, exist_ok=True)
    return chosen


def main():
    chosen = asked(__doc__)
    without_libraries_or_display(chosen.binary)
    for width, height in ((1280, 800), (1920, 1080)):
        with Display(width, height) as display:
            for light in (False, True):
                reading(display, chosen.binary, chosen.screens, light)


if __name__ == "__main__":
    main()
