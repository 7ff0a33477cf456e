#!/usr/bin/env python3
"""Kills the real program in the middle of work, again and again, and looks at what the next window offers; then makes a
teaching set of the sample exams in the window and reads it with another program (pydicom).

    tests/window/unfinished.py [--binary PATH] [--kills N]

Needs what tests/window/drive.py needs, and pydicom.
"""

import json
import pathlib
import random
import signal
import stat
import subprocess
import tempfile
import time

import pydicom

from drive import GUIDELINE, MARKS, READER, SAMPLE, Display, Window, asked, fail

SEED = 20310314


def settings(data):
    data.mkdir(mode=0o700, exist_ok=True)
    text = {"schema": "osspan-settings/1", "reader": READER, "guideline": GUIDELINE, "light": False}
    (data / "settings.json").write_text(json.dumps(text))


def drafts(data):
    found = []
    for path in sorted((data / "drafts").glob("draft-*.json")):
        if stat.S_IMODE(path.stat().st_mode) != 0o600:
            fail(f"{path.name} can be read by others")
        found.append(json.loads(path.read_text()))
    return found


def killed_and_taken_up(display, binary, scratch, kills):
    """What was on screen for half a second is on disk, whatever moment the program is killed in."""
    chance = random.Random(SEED)
    for round_ in range(kills):
        data = scratch / f"killed-{round_}"
        settings(data)
        window = Window(display, binary, data, [SAMPLE / "visit-1" / "frame-1.dcm"])
        window.keys("1")
        window.wait("the picture to come to rest", window.at_rest)
        window.keys("o")
        window.click(MARKS["internal os"])
        window.click(MARKS["placental edge"])
        window.keys("Escape", "n")
        # The keeper writes a quarter of a second after a change; what is older than that must be there.
        time.sleep(0.6)
        before = drafts(data)
        # And a kill in the middle of more changes leaves a whole draft.
        window.keys("Tab")
        for _ in range(chance.randrange(1, 6)):
            window.keys("Left")
        time.sleep(chance.random() * 0.4)
        window.process.send_signal(signal.SIGKILL)
        window.process.wait()
        after = drafts(data)
        if len(before) != 1 or len(after) != 1:
            fail(f"{len(before)} drafts before the kill and {len(after)} after it, not one each")
        for draft in (before[0], after[0]):
            if draft["side"] != "not-covering" or draft["internal_os"] is None or draft["edge"] is None:
                fail(f"the draft does not hold what was done: {draft}")
        again = Window(display, binary, data, [SAMPLE / "visit-1" / "frame-1.dcm"])
        again.keys("ctrl+d", "v", "u", "i", "s")
        saved = again.wait("the record", lambda: sorted((data / "records").glob("reading-*.json")))
        record = json.loads(saved[0].read_text())
        if record["landmarks"]["internal_os"] != after[0]["internal_os"] or record["side"] != "not-covering":
            fail("the record is not what the draft held")
        again.wait("the draft to be forgotten", lambda: not drafts(data))
        again.process.terminate()
        again.process.wait()
    print(f"killed {kills} times in the middle of work: {kills} drafts offered, taken up and saved as they were")


def teaching_set(display, binary, scratch):
    data, out = scratch / "teaching", scratch / "set"
    settings(data)
    window = Window(display, binary, data, [SAMPLE])
    window.keys("F3", "p")
    kept = data / "teaching" / "set.json"
    decided = lambda: json.loads(kept.read_text())["frames"]
    frames = window.wait("the prepared set", lambda: kept.exists() and decided())
    for place in range(len(frames)):
        # Each picture is looked at before it is approved; a key before the picture is there does nothing.
        window.wait(f"the approval of frame {place + 1}", lambda: window.keys("a") or decided()[place]["decision"]["state"] == "approved")
    # Past the six ways to decide, to the field.
    window.keys(*["Tab"] * 7)
    window.x("type", "--delay", "5", str(out))
    window.keys("Return")
    written = window.wait("the written set", lambda: len(list((out / "frames").glob("*.dcm"))) == len(frames) and sorted((out / "frames").glob("*.dcm")))
    time.sleep(0.5)
    window.process.terminate()
    window.process.wait()
    names = set()
    for path in written:
        object_ = pydicom.dcmread(path)
        if object_.PatientIdentityRemoved != "YES" or not object_.SequenceOfUltrasoundRegions:
            fail(f"{path.name}: identity or scale is not as it should be")
        names.add(str(object_.PatientName))
    originals = {str(pydicom.dcmread(p, stop_before_pixels=True).PatientName) for p in SAMPLE.glob("*/*.dcm")}
    if names & originals or len(names) != 1:
        fail(f"the set names {names}")
    listed = subprocess.run([binary, "list", out / "frames"], capture_output=True, text=True, check=True).stdout
    if "3 exams" not in listed and listed.count("Exam ") != 3:
        fail(f"the set does not read back as three exams: {listed}")
    print(f"teaching set: {len(written)} frames approved one by one in the window, written, and read by pydicom and by osspan as 3 exams")


def main():
    chosen = asked(__doc__, ("--kills", {"type": int, "default": 3}))
    with Display(1280, 800) as display, tempfile.TemporaryDirectory() as scratch:
        killed_and_taken_up(display, chosen.binary, pathlib.Path(scratch), chosen.kills)
        teaching_set(display, chosen.binary, pathlib.Path(scratch))
    print("window: 2 passed, 0 failed")


if __name__ == "__main__":
    main()
