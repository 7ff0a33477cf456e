#!/usr/bin/env python3
"""The page of the archive with the real program in a real window, by mouse and keys, and with servers of others (DCMTK).

    tests/window/archive.py [--screens FOLDER] [--binary PATH]

Settings that are written while the window is open are read when the page is opened again. Then an exam is found in one archive
(dcmqrscp) by patient number, fetched and opened; it is sent to another (storescp), where every object must arrive as it was; the
receiver is started, takes an object from a scanner (storescu), and is stopped, after which nobody is taken in any more.

Needs what drive.py needs, dcmtk, and the Python packages of tests/outside.
"""

import json
import os
import pathlib
import subprocess
import sys
import tempfile
import time

import drive

sys.path.insert(0, str(drive.ROOT / "tests" / "outside"))
import _site as site  # noqa: E402

# Where things are on the page, from the screens: points of the 1280 × 800 window.
SOURCE, HOSPITAL = (52, 118), (113, 118)
PATIENT, FETCH = (660, 95), (490, 224)
SEND, RECEIVE = (200, 192), (975, 97)


def point_at(window, place):
    window.x("mousemove", "--sync", *place)
    time.sleep(0.15)
    window.x("click", 1)
    time.sleep(0.25)


def arrived(folder):
    return [p for p in folder.rglob("*") if p.is_file() and not p.name.startswith(".") and p.suffix != ".json"] if folder.is_dir() else []


def archives(work, servers):
    """One archive that can be asked, with an exam in it, and one that takes what is sent; their ports, the exam's files, the store."""
    asked, takes, base, store = site.free_port(), site.free_port(), work / "qr", work / "store"
    base.mkdir()
    store.mkdir()
    config = work / "qr.cfg"
    config.write_text(f"NetworkTCPPort = {asked}\nMaxPDUSize = 16384\nMaxAssociations = 16\nHostTable BEGIN\nHostTable END\n"
                      f"VendorTable BEGIN\nVendorTable END\nAETable BEGIN\nQR {base} RW (200, 1024mb) ANY\nAETable END\n")
    servers.start(asked, "dcmqrscp", "-c", config)
    servers.start(takes, "storescp", "+xa", "-aet", "STORE", "-od", store, takes)
    files = [site.write(site.invented(100 + i, study="1.2.826.0.1.3680043.8.498.4242", side=256), work / f"{i}.dcm") for i in range(3)]
    subprocess.run(["storescu", "-aec", "QR", "127.0.0.1", str(asked), *map(str, files)], check=True, capture_output=True)
    return asked, takes, files, store


def settings(asked, takes, port):
    one = lambda name, title, at: f'[[archive]]\nname = "{name}"\ntitle = "{title}"\nhost = "127.0.0.1"\nport = {at}\n'
    return f'title = "DESK"\n[receiver]\nport = {port}\n[[caller]]\ntitle = "SCANNER"\n' + one("source", "QR", asked) + one("hospital", "STORE", takes)


def scanner(port, file):
    words = ["storescu", "-to", "3", "-aet", "SCANNER", "-aec", "DESK", "127.0.0.1", port, file]
    return subprocess.run([*map(str, words)], capture_output=True, text=True, timeout=30).returncode


def go(display, binary, screens, work, servers):
    data = work / "data"
    data.mkdir()
    (data / "settings.json").write_text(json.dumps({"schema": "osspan-settings/1", "reader": "R. Ito", "guideline": "rcog-2018"}))
    asked, takes, files, store = archives(work, servers)
    window = drive.Window(display, binary, data)
    window.keys("F9")
    window.wait("the picture to come to rest", window.at_rest)
    window.shot(screens, "archive-not-set-up")
    # The settings are written meanwhile, and read when the page is opened again.
    port = site.free_port()
    (data / "archive.toml").write_text(settings(asked, takes, port) + site.PATIENCE)
    window.keys("F2", "F9")
    window.wait("the picture to come to rest", window.at_rest)
    window.shot(screens, "archive-set-up")

    # Found by patient number, fetched, opened.
    point_at(window, SOURCE)
    point_at(window, PATIENT)
    window.x("type", "--delay", 20, "INV-31")
    window.keys("Return")
    time.sleep(0.7)
    window.wait("the picture to come to rest", window.at_rest)
    window.shot(screens, "archive-found")
    point_at(window, FETCH)
    window.wait("the objects of the exam", lambda: len(arrived(data / "received")) == 3, 20)
    window.wait("the picture to come to rest", window.at_rest)
    window.shot(screens, "archive-fetched")

    # Sent to the other archive; it says of each object that it is stored, and has it as it was.
    point_at(window, HOSPITAL)
    time.sleep(0.3)
    point_at(window, SEND)
    window.wait("the objects in the other archive", lambda: len(arrived(store)) == 3, 20)
    window.wait("the picture to come to rest", window.at_rest)
    window.shot(screens, "archive-sent")
    there = {p.name.split(".", 1)[1]: p for p in arrived(store)}
    for file in files:
        uid = site.pydicom.dcmread(file, stop_before_pixels=True).SOPInstanceUID
        if uid not in there or not site.same_object(file, there[uid]):
            drive.fail(f"{uid} is not in the archive as it was: {sorted(there)}")

    # The receiver takes what a scanner sends while it is on, and nothing before or after.
    new = site.write(site.invented(7, study="1.2.826.0.1.3680043.8.498.77", side=256), work / "new.dcm")
    if scanner(port, new) == 0:
        drive.fail("something listens before it was asked to")
    point_at(window, RECEIVE)
    window.wait("the scanner's object to be taken", lambda: scanner(port, new) == 0, 15)
    window.wait("the object", lambda: len(arrived(data / "received")) == 4, 10)
    window.wait("the picture to come to rest", window.at_rest)
    window.shot(screens, "archive-received")
    point_at(window, RECEIVE)
    window.wait("the end of receiving", lambda: scanner(port, new) != 0, 10)

    env = {k: v for k, v in os.environ.items() if k != "DISPLAY"} | {"OSSPAN_DATA": str(data)}
    outbox = subprocess.run([str(binary), "archive", "outbox", "--json"], env=env, capture_output=True, text=True, cwd=drive.ROOT)
    stored = [i for i in json.loads(outbox.stdout) if i["outcome"]["is"] == "stored"]
    if len(stored) != 3:
        drive.fail(f"the outbox says that {len(stored)} of 3 are stored: {outbox.stdout}")
    print("window: archive: an exam found, fetched and opened, sent to another archive as it was, and one received from a scanner")


def main():
    chosen = drive.asked(__doc__)
    with drive.Display(1280, 800) as display, tempfile.TemporaryDirectory() as scratch:
        work = pathlib.Path(scratch)
        with site.Servers(work / "servers.log") as servers:
            go(display, chosen.binary, chosen.screens, work, servers)


if __name__ == "__main__":
    main()
