#!/usr/bin/env python3
"""Reads five whole exams in the real window with a real mouse and keys, and counts what the hands do.

    tests/window/five_exams.py [--exams N] [--screens FOLDER] [--binary PATH]

Each exam is of another invented person, with two or three frames: landmarks on every frame, the side of each, what is
known of the exam (route, bladder, contraction, bleeding, due date), every reading saved, then the next exam. The scale
needs no action: it stands under the frame.

An action is a click, a key with what is held beside it, a turn of the wheel, or a text typed at one go. Opening is
counted too. Pointer travel is the straight way from place to place, in pixels of the screen.

Fails when a landmark takes more than two actions, when a plain exam takes more than twelve beside its landmarks, or when a
record is not what was clicked.
"""

import math
import os
import pathlib
import tempfile
import time
from datetime import date, timedelta

import pydicom
from pydicom.uid import generate_uid

import drive

MOST_A_LANDMARK, MOST_BESIDE = 2, 12
# Files of the sample that make each exam, and what is to be marked: os, edge, body, side.
VISIT_1 = ((300, 154), (276, 130), (283, 168), "covers")
VISIT_2 = ((301, 195), (318, 253), (299, 291), "not-covering")
VISIT_3 = ((325, 135), (303, 253), (278, 270), "not-covering")
EXAMS = [
    (["visit-1/frame-1", "visit-1/frame-2", "visit-1/frame-3"], VISIT_1),
    (["visit-2/frame-1", "visit-2/frame-2"], VISIT_2),
    (["visit-3/frame-1", "visit-3/frame-2", "visit-3/frame-3"], VISIT_3),
    (["visit-1/frame-1", "visit-1/frame-3"], VISIT_1),
    (["visit-3/frame-1", "visit-3/frame-3"], VISIT_3),
]
NAMES = ["Invented^Berta", "Invented^Chris", "Invented^Dora", "Invented^Edda", "Invented^Fay"]
SIDE_KEYS = {"covers": "c", "not-covering": "n"}
READER, GUIDELINE = "R. Ito", "us-consensus-2014"


def make(folder, n):
    """Five people's exams from the sample's frames, on days of their own; returns each frame's size and shape of pixels, and exam date."""
    made = []
    for i, (files, marks) in enumerate(EXAMS[:n]):
        study, series = generate_uid(), generate_uid()
        day = date(2025, 3, 3) + timedelta(days=7 * i)
        sizes = []
        for k, name in enumerate(files):
            ds = pydicom.dcmread(drive.SAMPLE / f"{name}.dcm")
            ds.PatientName, ds.PatientID, ds.PatientBirthDate = NAMES[i], f"DEMO-5-{i + 1}", "19950417"
            ds.StudyInstanceUID, ds.SeriesInstanceUID, ds.SOPInstanceUID = study, series, generate_uid()
            ds.file_meta.MediaStorageSOPInstanceUID = ds.SOPInstanceUID
            ds.StudyDate = ds.SeriesDate = ds.ContentDate = ds.AcquisitionDate = day.strftime("%Y%m%d")
            if "AcquisitionDateTime" in ds:
                ds.AcquisitionDateTime = day.strftime("%Y%m%d") + "101500"
            to = folder / f"exam-{i + 1}"
            to.mkdir(parents=True, exist_ok=True)
            ds.save_as(to / f"frame-{k + 1}.dcm")
            region = ds.SequenceOfUltrasoundRegions[0]
            # Pixels that are not square are drawn at their true shape.
            sizes.append((int(ds.Columns), int(ds.Rows), abs(region.PhysicalDeltaY / region.PhysicalDeltaX)))
        made.append((sizes, marks, day))
    return made


class Hands(drive.Window):
    """A window whose clicks, keys and pointer travel are counted."""

    def __init__(self, *words, **more):
        self.actions, self.travel, self.at = 0, 0.0, None
        super().__init__(*words, **more)

    def keys(self, *names):
        self.actions += len(names)
        super().keys(*names)

    def move(self, x, y):
        if self.at is not None:
            self.travel += math.dist(self.at, (x, y))
        self.at = (x, y)
        self.x("mousemove", "--sync", x, y)
        time.sleep(0.1)

    def click_at(self, x, y):
        self.move(x, y)
        self.actions += 1
        self.x("click", 1)
        time.sleep(0.2)

    def types(self, text):
        self.actions += 1
        self.x("type", "--delay", 20, text)
        self.x("key", "Return")
        time.sleep(0.2)

    def fitted(self, size, point):
        """Where a place of a frame of that size is while the whole frame is shown."""
        width, height = self.display.width, self.display.height
        sheet = min(max(width * 0.34375, 270), 440) + min(max(width - 1280, 0) * 0.15, 120)
        line = min(max((height - drive.STRIP - drive.HINTS) * 0.23, 98), 154) + drive.GAP + drive.UNDER_FRAME
        left, right = drive.GAP, width - sheet - 2 * drive.GAP
        top, bottom = drive.STRIP, height - drive.HINTS - line
        scale = min((right - left) / size[0], (bottom - top) / (size[1] * size[2]))
        x = (left + right) / 2 + (point[0] - size[0] / 2) * scale
        y = (top + bottom) / 2 + (point[1] - size[1] / 2) * scale * size[2]
        return round(x), round(y)


def context(window, due):
    """What is known of the exam, once an exam."""
    window.keys("v", "u", "i", "shift+v", "shift+e")
    window.types(due)


def one_exam(window, data, exam, saved):
    """Reads one exam; returns the actions for landmarks, those beside them, the pointer's travel, and the landmarks placed."""
    sizes, (os_, edge, body, side), day = exam
    begun, travelled, landmarks = window.actions, window.travel, 0
    for k, size in enumerate(sizes):
        before = window.actions
        for place in (os_, edge, body):
            window.click_at(*window.fitted(size, place))
        landmarks += window.actions - before
        window.keys(SIDE_KEYS[side])
        if k == 0:
            context(window, (day + timedelta(days=70)).isoformat())
        window.keys("shift+s")
        saved += 1
        window.wait(f"record {saved}", lambda: len(drive.records(data / "records")) == saved, 20)
        window.wait("the picture to come to rest", window.at_rest)
    return landmarks, window.actions - begun - landmarks, window.travel - travelled, 3 * len(sizes), saved


def check(records, exams):
    """Every record is what was clicked: the person, the places within one pixel of the screen, the side, the context."""
    wanted = [(NAMES[i], marks) for i, (sizes, marks, _) in enumerate(exams) for _ in sizes]
    found = sorted(records, key=lambda r: r["patient"]["name"])
    if [r["patient"]["name"] for r in found] != [w[0] for w in wanted]:
        drive.fail(f"records of {[r['patient']['name'] for r in found]}")
    for record, (name, (os_, edge, body, side)) in zip(found, wanted):
        marks = record["landmarks"]
        for got, place in ((marks["internal_os"], os_), (marks["edge"]["at"], edge), (marks["placental_body"], body)):
            if math.dist((got["x"], got["y"]), place) > 1.0:
                drive.fail(f"{name}: clicked {place}, recorded {got}")
        known = record["context"]
        stated = (record["side"], known["route"], known["bladder"], known["contraction"], known["bleeding"])
        if stated != (side, "transvaginal", "empty", "absent", "none") or "due-date" not in known["dating"]:
            drive.fail(f"{name}: recorded {stated}, {known.get('dating')}")


def main():
    chosen = drive.asked(__doc__, ("--exams", {"type": int, "default": 5}))
    binary = chosen.binary
    with drive.Display(1280, 800) as display, tempfile.TemporaryDirectory() as scratch:
        data = pathlib.Path(scratch)
        (data / "settings.json").write_text(
            f'{{"schema":"osspan-settings/1","reader":"{READER}","guideline":"{GUIDELINE}","light":false}}'
        )
        exams = make(data / "images", chosen.exams)
        window = Hands(display, binary, data, [data / "images"])
        window.actions = 1  # opened
        saved, rows = 0, []
        for i, exam in enumerate(exams):
            *row, placed, saved = one_exam(window, data, exam, saved)
            rows.append((len(exam[0]), *row, placed))
            window.shot(chosen.screens, f"five-exams-{i + 1}")
        check(drive.records(data / "records"), exams)
        drive.run(binary, "verify", data / "records", "--images", data / "images", env=dict(os.environ, OSSPAN_DATA=str(data)))
        print("| exam | frames | landmarks | actions for them | actions beside them | pointer travel, px |")
        print("|---|---:|---:|---:|---:|---:|")
        for i, (frames, marks, beside, travel, placed) in enumerate(rows):
            print(f"| {i + 1} | {frames} | {placed} | {marks} | {beside} | {travel:.0f} |")
        total = [sum(r[k] for r in rows) for k in range(5)]
        print(f"| all | {total[0]} | {total[4]} | {total[1]} | {total[2]} | {total[3]:.0f} |")
        over = [i + 1 for i, r in enumerate(rows) if r[1] > MOST_A_LANDMARK * r[4] or r[2] > MOST_BESIDE]
        if over:
            drive.fail(f"exams {over} take more than {MOST_A_LANDMARK} actions a landmark or {MOST_BESIDE} beside")
        print(f"window: {len(exams)} whole exams, {saved} records as clicked, and they verify")


if __name__ == "__main__":
    main()
