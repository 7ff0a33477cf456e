#!/usr/bin/env python3
"""Two people at two workstations do the whole second reading with the real program in a real window, mouse and keys.

    tests/window/second_reading.py [--screens FOLDER] [--binary PATH]

Each has a data folder (profile, key, settings) of their own; the records folder is shared. The first reader reads two exams
of the sample and saves. The second, a reviewer, sees nothing of it: no window of theirs changes when only the first reading
is added. They take each exam from the queue, read it, save, look at both readings' landmarks on one picture, agree on one and
settle the other with a reason, and sign both. Each record says how it was made: the second's that they were blind. `osspan
verify` at the second desk says that all is signed; at the first desk that the key is not known, until it is taken as known.
At the end the page of the agreement study is opened, a point chosen by keys, and its exam gone to.

Needs what drive.py needs.
"""

import json
import os
import pathlib
import subprocess
import tempfile
import time

import drive

FIRST, SECOND = "A. First", "B. Second"
GUIDELINE = "rcog-2018"
VISITS = [drive.SAMPLE / "visit-2", drive.SAMPLE / "visit-3"]
# Whole pixels of the first frame of each exam: os, edge, body of the first reader, then of the second.
SIZES = [(584, 390), (590, 320)]
FIRST_MARKS = [{"o": (301, 195), "e": (318, 253), "b": (299, 291)}, {"o": (325, 135), "e": (303, 253), "b": (278, 270)}]
# A little further on in the first exam, in another band in the second.
SECOND_MARKS = [{"o": (303, 195), "e": (319, 257), "b": (301, 295)}, {"o": (325, 135), "e": (318, 172), "b": (306, 195)}]


def desk(scratch, name, reader, role):
    data = scratch / name
    data.mkdir()
    settings = {"schema": "osspan-settings/1", "reader": reader, "guideline": GUIDELINE, "role": role, "light": False}
    (data / "settings.json").write_text(json.dumps(settings))
    return data


def steps(folder):
    return [json.loads(p.read_text()) for p in sorted(folder.glob("review-*.json"))]


def command(binary, data, shared, *words):
    env = {k: v for k, v in os.environ.items() if k != "DISPLAY"} | {"OSSPAN_DATA": str(data), "OSSPAN_RECORDS": str(shared)}
    done = subprocess.run([str(binary), *map(str, words)], env=env, cwd=drive.ROOT, capture_output=True, text=True)
    return done.returncode, done.stdout + done.stderr


def place(window, marks):
    """Places the landmarks by mouse at one point a pixel, states side and the commonest answers, saves."""
    window.keys("1")
    for key, at in marks.items():
        window.keys("Escape", key)
        window.click(at)
    window.keys("Escape", "n", "v", "u", "i")


def read_and_save(window, shared, marks, size, count):
    drive.FRAME = size
    place(window, marks)
    window.keys("s")
    window.wait(f"record {count}", lambda: len(drive.records(shared)) == count, 20)
    window.wait("the picture to come to rest", window.at_rest)


def close(window):
    if window.ask_to_close() is None:
        window.wait("the window to close", lambda: window.process.poll() is not None, 10)


def loop(display, binary, screens, scratch):
    shared = scratch / "shared"
    one, two = desk(scratch, "one", FIRST, "sonographer"), desk(scratch, "two", SECOND, "reviewer")
    os.environ["OSSPAN_RECORDS"] = str(shared)
    # A shared folder is there before anybody saves in it.
    for folder in (shared, scratch / "nothing"):
        folder.mkdir()

    # The first reader reads both exams.
    for i, visit in enumerate(VISITS):
        window = drive.Window(display, binary, one, [visit])
        read_and_save(window, shared, FIRST_MARKS[i], SIZES[i], i + 1)
        window.shot(screens, f"second-reading-first-{i + 1}")
        close(window)
    first = drive.records(shared)
    for record in first:
        if "second" in record:
            drive.fail("a first reading is marked as a second one")

    # The second reader: what the reading page shows is the same with the first readings there and without them.
    pages = []
    for folder in (scratch / "nothing", shared):
        os.environ["OSSPAN_RECORDS"] = str(folder)
        window = drive.Window(display, binary, two, [VISITS[0]])
        pages.append(window.pixels())
        window.keys("F5")
        window.wait("the picture to come to rest", window.at_rest)
        pages.append(window.pixels())
        close(window)
    if pages[0] != pages[2]:
        drive.fail("the reading page of the blinded reader changes when another's reading is added")
    os.environ["OSSPAN_RECORDS"] = str(shared)
    code, text = command(binary, two, shared, "find", shared)
    for record in first:
        if record["headline"] in text or FIRST in text:
            drive.fail(f"a command shows the first reading to the blinded reader: {text}")

    for i, visit in enumerate(VISITS):
        window = drive.Window(display, binary, two, [visit])
        window.keys("F6")
        window.wait("the picture to come to rest", window.at_rest)
        window.shot(screens, f"second-reading-queue-{i + 1}")
        # The queue goes by date; the first that waits is the one that is open.
        window.keys("Return")
        window.wait("the picture to come to rest", window.at_rest)
        window.shot(screens, f"second-reading-blind-{i + 1}")
        read_and_save(window, shared, SECOND_MARKS[i], SIZES[i], 3 + i)
        window.keys("F6")
        window.wait("the picture to come to rest", window.at_rest)
        for _ in range(i + 1):
            window.keys("Next")
        window.wait("the picture to come to rest", window.at_rest)
        window.shot(screens, f"second-reading-compared-{i + 1}")
        window.keys("l")
        window.wait("the picture to come to rest", window.at_rest)
        window.shot(screens, f"second-reading-near-{i + 1}")
        before = len(steps(shared))
        if i == 0:
            window.keys("a")
        else:
            # They come to different bands: agreeing is refused, and nothing is settled without a reason.
            window.keys("a")
            time.sleep(1)
            window.keys("Escape", "2")
            time.sleep(1)
            if len(steps(shared)) != before:
                drive.fail("a discordant pair was agreed on, or settled without a reason")
            window.keys("Escape", "r")
            window.x("type", "--delay", 30, "looked at together")
            window.keys("Return")
            window.shot(screens, "second-reading-reason")
            window.keys("2")
        window.wait("the step", lambda: len(steps(shared)) == before + 1, 15)
        window.wait("the picture to come to rest", window.at_rest)
        window.keys("ctrl+Return")
        window.wait("the signature", lambda: len(steps(shared)) == before + 2, 15)
        window.wait("the picture to come to rest", window.at_rest)
        window.shot(screens, f"second-reading-signed-{i + 1}")
        if i == 0:
            close(window)

    done = steps(shared)
    kinds = sorted(s["step"]["kind"] for s in done)
    if kinds != ["agree", "settle", "sign", "sign"] or any(s["by"] != SECOND for s in done):
        drive.fail(f"the steps are {kinds}")
    second = [r for r in drive.records(shared) if r["reader"] == SECOND]
    for record in second:
        mark = record.get("second")
        if not mark or not mark["blinded"] or mark["mode"] != "own-frames":
            drive.fail(f"a second reading's mark is {mark}")
        if not set(mark["first"]) <= {r["content_sha256"] for r in first}:
            drive.fail("a second reading names other readings than the first ones")

    # The study of both: a point chosen by keys leads to its exam.
    window.keys("F12")
    window.wait("the picture to come to rest", window.at_rest)
    window.keys("Right", "Right")
    window.wait("the picture to come to rest", window.at_rest)
    window.shot(screens, "second-reading-study")
    before = window.pixels()
    window.keys("Return")
    window.wait("the picture to come to rest", window.at_rest)
    if window.pixels() == before:
        drive.fail("a chosen point leads nowhere")
    window.shot(screens, "second-reading-study-exam")
    close(window)

    code, text = command(binary, two, shared, "verify", shared)
    if code != 0 or "is not known here" in text:
        drive.fail(f"verify at the second desk: {code} {text}")
    code, text = command(binary, two, shared, "review", "list", "--records", shared)
    if text.count(" signed") < 2:
        drive.fail(f"not both exams are signed: {text}")
    code, text = command(binary, one, shared, "verify", shared)
    if code != 0 or "is not known here" not in text:
        drive.fail(f"verify at the first desk, before the key is known: {code} {text}")
    key = next(l.removeprefix("Known: ") for l in command(binary, two, shared, "profile")[1].splitlines() if l.startswith("Known: "))
    command(binary, one, shared, "profile", "--know", key)
    code, text = command(binary, one, shared, "verify", shared)
    if code != 0 or "is not known here" in text:
        drive.fail(f"verify at the first desk, the key being known: {code} {text}")
    code, text = command(binary, one, shared, "agree", shared, "--resamples", "100")
    if "4 readings count: 2 readers" not in text:
        drive.fail(f"the study: {text}")
    print(f"window: {display.width}×{display.height}: two exams read twice, one agreed, one settled, both signed; verify says so")


def main():
    chosen = drive.asked(__doc__)
    with drive.Display(1280, 800) as display, tempfile.TemporaryDirectory() as scratch:
        loop(display, chosen.binary, chosen.screens, pathlib.Path(scratch))


if __name__ == "__main__":
    main()
