#!/usr/bin/env python3
"""Practice and an assessment with the real program in a real window, by mouse and keys.

    tests/window/practice.py [--screens FOLDER] [--binary PATH]

From an empty data folder: the trainee names themselves, chooses a guideline, goes to the page, reads cases of two levels with
the mouse (and rejects one by keys), sees the truth, and comes to a plotted learning curve; the answered cases on disk are those
of the window, and nothing became a clinical record. Then a lead freezes an assessment by command, the trainee takes it in the
window and hands it in, and the lead marks it by command.

Needs what drive.py needs.
"""

import json
import os
import pathlib
import subprocess
import tempfile
import time

import drive

PASSPHRASE = "a long sentence of the lead"


def attempts(data):
    return sorted(data.glob("practice/*/attempts/*.json"), key=lambda p: json.loads(p.read_text())["taken"]["submitted_at"])


def open_case(data):
    found = list(data.glob("practice/*/open-case.json"))
    return json.loads(found[0].read_text())["id"] if found else None


def point_at(window, x, y):
    window.x("mousemove", "--sync", x, y)
    time.sleep(0.15)
    window.x("click", 1)
    time.sleep(0.25)


def room(window):
    """The middle of the frame's canvas on the screen."""
    width, height = window.display.width, window.display.height
    return round(width * 0.32), round(height * 0.4)


def read_case(window, data, number):
    x, y = room(window)
    for dx, dy in ((0, 0), (-10, 110), (-50, 160)):
        point_at(window, x + dx, y + dy)
    window.keys("Escape", "n", "s")
    # A body point that contradicts the side is refused as in the clinic: then it is left out.
    try:
        window.wait(f"answer {number}", lambda: len(attempts(data)) == number, 8)
    except SystemExit:
        window.keys("Escape", "b", "Escape")
        window.keys("c", "s")
        window.wait(f"answer {number}", lambda: len(attempts(data)) == number, 20)


def course(window, data, screens):
    window.keys("F10")
    time.sleep(0.5)
    window.wait("the picture to come to rest", window.at_rest)
    window.shot(screens, "practice-empty")
    empty = window.pixels()
    done = 0
    for level, cases in (("1", 3), ("5", 3)):
        window.keys(level)
        for i in range(cases):
            before = open_case(data)
            window.keys("Next")
            window.wait("a case", lambda: open_case(data) not in (None, before), 60)
            window.wait("the picture to come to rest", window.at_rest)
            done += 1
            if i == cases - 1:
                window.keys("shift+x")
                window.shot(screens, f"practice-reasons-{level}")
                window.keys("1")
                window.wait(f"answer {done}", lambda: len(attempts(data)) == done, 20)
            else:
                read_case(window, data, done)
            time.sleep(0.8)
            window.shot(screens, f"practice-shown-{done}")
        window.keys("Escape")
        time.sleep(0.6)
    window.wait("the picture to come to rest", window.at_rest)
    window.shot(screens, "practice-curve")
    drawn = window.pixels()
    changed = sum(a != b for a, b in zip(empty[::7], drawn[::7])) / len(empty[::7])
    if changed < 0.01:
        drive.fail(f"no learning curve is drawn: {changed:.4f} of the screen differs from the empty page")
    if (data / "records").exists():
        drive.fail("practice made clinical records")
    return done


def by_command(binary, data, *words, typed=None):
    done = subprocess.run([binary, *map(str, words)], env=dict(os.environ, OSSPAN_DATA=str(data)), input=typed, capture_output=True, text=True)
    if done.returncode:
        drive.fail(f"osspan {words[:2]}: {done.stderr}")
    return done.stdout


def assessment(window, binary, data, lead, folder, screens):
    by_command(binary, lead, "profile", "--reader", "L. Lead", "--role", "reviewer")
    said = by_command(binary, lead, "assessment", "freeze", "--to", folder, "--name", "Window", "--guideline", "rcog-2018",
                      "--least-well", "16", "--least-rejected", "4", typed=PASSPHRASE + "\n")
    if "two forms of 20 cases" not in said:
        drive.fail(said)
    form = folder / "form-A"
    window.keys("F10")
    window.wait("the picture to come to rest", window.at_rest)
    return form


def sit(window, data, form, screens):
    """Takes the assessment: the path is typed, then every case is rejected by keys but the first, which is read."""
    kept = lambda: [json.loads(p.read_text()) for p in data.glob("practice/*/sitting-*.json")]
    answered = lambda: len(kept()[0]["answers"]) if kept() else 0
    window.shot(screens, "practice-before-assessment")
    point_at(window, 150, FIELD)
    window.x("type", "--delay", 12, str(form))
    window.keys("Return")
    window.wait("the first case", lambda: kept() and kept()[0]["open"], 30)
    for number in range(1, 21):
        window.wait(f"case {number}", lambda: answered() == number - 1 and kept()[0]["open"], 30)
        time.sleep(0.7)
        if number == 1:
            window.shot(screens, "assessment-case")
        window.keys("shift+x", "5")
        window.wait(f"answer {number}", lambda: answered() == number, 30)
    time.sleep(0.8)
    window.shot(screens, "assessment-answered")


# Where the field for the folder and the button that signs are, points from the top of the 1280×800 window; from the screens.
FIELD, HAND_IN = 494, 612


def main():
    chosen = drive.asked(__doc__)
    binary = chosen.binary
    with drive.Display(1280, 800) as display, tempfile.TemporaryDirectory() as scratch:
        data, lead, folder = (pathlib.Path(scratch) / n for n in ("trainee", "lead", "set"))
        data.mkdir()
        window = drive.Window(display, binary, data)
        window.keys("F10")
        window.wait("the picture to come to rest", window.at_rest)
        # The name and the guideline, as a newcomer gives them: on the page itself.
        point_at(window, 230, 148)
        window.x("type", "--delay", 12, "T. Trainee")
        window.keys("Tab")
        point_at(window, 124, 231)
        window.wait("the settings", lambda: "T. Trainee" in (data / "settings.json").read_text(), 10)
        window.keys("Escape")
        done = course(window, data, chosen.screens)
        score = by_command(binary, data, "practice", "score")
        if f"{done} cases" not in score or "does not verify" in score:
            drive.fail(score)
        print(f"window: practice: {done} cases answered, learning curve drawn, marked again without a difference")
        form = assessment(window, binary, data, lead, folder, chosen.screens)
        sit(window, data, form, chosen.screens)
        point_at(window, 100, HAND_IN)
        window.wait("the signed answers", lambda: list(form.glob("answers-*.json")), 15)
        window.shot(chosen.screens, "assessment-handed-in")
        (answers,) = form.glob("answers-*.json")
        if "20 answers" not in by_command(binary, data, "assessment", "show", answers):
            drive.fail("the answers that the window signed cannot be read")
        marked = by_command(binary, lead, "assessment", "mark", form, answers, typed=PASSPHRASE + "\n")
        (result,) = form.glob("result-*.json")
        content = json.loads(result.read_text())["content"]
        if content["passed"] or content["score"]["rejected_rightly"]["events"] != 5 or "NOT MET: cases done well" not in marked:
            drive.fail(marked)
        print("window: assessment: frozen and marked by command, 20 cases taken in the window; 5 of 5 misleading frames rejected, not passed")


if __name__ == "__main__":
    main()
