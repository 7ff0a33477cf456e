#!/usr/bin/env python3
"""Measures a whole exam with the real program in a real window: once with mouse and keyboard, once with the keyboard alone.

    tests/window/exam.py [--screens FOLDER] [--binary PATH]

The exam is the sample's third visit: three frames. On the first every further landmark is placed (cervix with its canal,
edge thickness, vessel with its answers, the way along the wall, the width of the os), and an offer of the edge assist is
asked for and answered; the second frame gets an exception by letter; the third is of a second set. Each record must equal
the one that `osspan read` makes of the same inputs, but for times and for the ids that follow from them, and `osspan
verify` must agree with all of them, offers included.

Needs what drive.py needs.
"""

import json
import os
import pathlib
import tempfile
import time

import drive

VISIT = drive.SAMPLE / "visit-3"
FRAME = (590, 320)
READER, GUIDELINE, DUE = "R. Ito", "us-consensus-2014", "2025-06-30"
# Whole pixels; what a keyboard reaches from the middle of the frame in steps of ten and one.
BASE = [
    {"o": (325, 135), "e": (303, 253), "b": (278, 270)},
    {"o": (323, 134), "e": (301, 250), "b": (276, 274)},
    {"o": (322, 135), "e": (302, 255), "b": (274, 279)},
]
MORE = {
    "x": (325, 60), "k": (335, 100), "a": (303, 253), "shift+b": (270, 262), "shift+c": (310, 285),
    "d": (318, 135), "shift+d": (332, 135), "g": (330, 200), "h": (380, 150),
}
OPTIONS = {
    "x": "--external-os", "k": "--canal", "a": "--plates-meet", "shift+b": "--basal-plate", "shift+c": "--chorionic-plate",
    "d": "--os-end", "shift+d": "--os-other-end", "g": "--wall", "h": "--vessel",
}


def by_mouse(window, key, at):
    window.keys("Escape", key)
    window.click(at)


def by_keyboard(window, key, at):
    """Takes the landmark up, shows the cross in the middle, moves it in steps of ten pixels and of one, and places it."""
    window.keys("Escape", key, "Return")
    for axis, (less, more) in enumerate((("Left", "Right"), ("Up", "Down"))):
        way = at[axis] - FRAME[axis] // 2
        arrow = more if way > 0 else less
        for name, times in ((f"alt+{arrow}", abs(way) // 10), (arrow, abs(way) % 10)):
            if times:
                window.x("key", "--clearmodifiers", "--repeat", times, "--delay", 40, name)
    time.sleep(0.15)
    window.keys("Return")


def measure(window, data, place, screens, name):
    """All three frames, saved one by one; returns the records in the order of saving."""
    for i, marks in enumerate(BASE):
        # Each file is looked at in its own way.
        window.keys("0" if place is by_keyboard else "1")
        for key, at in marks.items():
            place(window, key, at)
        window.keys("Escape", "n")
        if i == 0:
            window.keys("v", "u", "i")
            for key, at in MORE.items():
                place(window, key, at)
            window.keys("Escape", "shift+h", "shift+l", "q")
            # The vessel's wall is chosen last: an offer is asked for and accepted, if one is made.
            window.keys("z")
            window.shot(screens, f"exam-offer-{name}")
            window.keys("Return", "Escape")
        elif i == 1:
            window.keys("shift+q", "d", "Escape", "q")
        else:
            window.keys("q", "shift+n")
        window.shot(screens, f"exam-frame-{i + 1}-{name}")
        window.keys("s")
        window.wait(f"record {i + 1}", lambda: len(drive.records(data / "records")) == i + 1, 15)
        if i < 2:
            window.keys("Next")
            window.wait("the picture to come to rest", window.at_rest)
    return sorted(drive.records(data / "records"), key=lambda r: len(r["exam"]["readings"]))


def without_a_window(binary, saved, folder):
    """The same three readings by command, in the same order."""
    point = lambda p: f"{p[0]},{p[1]}"
    for i, marks in enumerate(BASE):
        words = [
            *("read", VISIT / f"frame-{i + 1}.dcm", "--os", point(marks["o"]), "--edge", point(marks["e"]), "--body", point(marks["b"])),
            *("--side", "not-covering", "--guideline", GUIDELINE, "--due-date", DUE, "--route", "transvaginal", "--bladder", "empty"),
            *("--contraction", "absent", "--attest", "--reader", READER, "--save", "--records", folder),
        ]
        if i == 0:
            words += [w for key, at in MORE.items() for w in (OPTIONS[key], point(at))]
            words += ["--fetal-rate", "yes", "--cord-loop-excluded", "yes"]
            words += [w for a in saved[0]["notes"].get("assisted", []) for w in ("--accept-offer" if a["accepted"] else "--decline-offer", a["of"])]
        elif i == 1:
            words += ["--except", "d"]
        else:
            words += ["--set", "2"]
        drive.run(binary, *words, cwd=drive.ROOT)
    # Made within one second; each holds one reading more than the one before.
    return sorted(drive.records(folder), key=lambda r: len(r["exam"]["readings"]))


def bare(record):
    """A record without its times and digests, and without the ids of others that follow from those."""
    rest = json.loads(json.dumps(drive.bare(record)))
    for reading in rest.get("exam", {}).get("readings", []):
        reading["record"] = ""
    return rest


def exam(display, binary, screens, place, name):
    drive.FRAME = FRAME
    with tempfile.TemporaryDirectory() as scratch:
        data = pathlib.Path(scratch)
        settings = {"schema": "osspan-settings/1", "reader": READER, "guideline": GUIDELINE, "light": False}
        (data / "settings.json").write_text(json.dumps(settings))
        window = drive.Window(display, binary, data, [VISIT])
        saved = measure(window, data, place, screens, name)
        window.shot(screens, f"exam-done-{name}")
        wanted = [saved[0]["landmarks"]["internal_os"], saved[0]["landmarks"]["edge"]["at"], saved[0]["notes"]["more"]["external-os"]]
        for found, at in zip(wanted, (BASE[0]["o"], BASE[0]["e"], MORE["x"])):
            if (found["x"], found["y"]) != at:
                drive.fail(f"{name}: marked {at}, recorded {found}")
        made = without_a_window(binary, saved, data / "without-a-window")
        for i, (a, b) in enumerate(zip(map(bare, saved), map(bare, made))):
            if a != b:
                keys = [k for k in a.keys() | b.keys() if a.get(k) != b.get(k)]
                drive.fail(f"{name}: record {i + 1} differs in {keys}: {a['landmarks']} and {b['landmarks']}")
        last = saved[2]["exam"]
        states = [r["adequacy"]["is"] for r in last["readings"]]
        if states != ["adequate", "inadequate", "adequate"] or len(last["values"]["sets"]) != 2:
            drive.fail(f"{name}: the exam holds {states} in {len(last['values']['sets'])} sets")
        if sorted(saved[0]["more"]) != ["cervix", "os-patch", "thickness", "vessel", "wall"]:
            drive.fail(f"{name}: the first record holds {sorted(saved[0]['more'])}")
        env = dict(os.environ, OSSPAN_DATA=str(data))
        drive.run(binary, "verify", data / "records", "--images", drive.SAMPLE, env=env)
        drive.run(binary, "exam", data / "records", env=env)
        if window.ask_to_close() is None:
            window.wait("the window to close", lambda: window.process.poll() is not None, 10)
        offers = len(saved[0]["notes"].get("assisted", []))
        print(f"window: a whole exam {name}: 3 records with {offers} offer(s) answered, equal to those made without a window")


def main():
    chosen = drive.asked(__doc__)
    with drive.Display(1280, 800) as display:
        exam(display, chosen.binary, chosen.screens, by_mouse, "with mouse and keyboard")
        exam(display, chosen.binary, chosen.screens, by_keyboard, "with the keyboard alone")


if __name__ == "__main__":
    main()
