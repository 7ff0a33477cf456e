#!/usr/bin/env python3
"""Proves that saved records are not lost: kills, many writers, a full disk, lost rights, a lost folder, a clock that runs
backwards, and the order of the system calls, since killing a process does not test a power cut.

    tests/proofs/records.py            the whole proof, some minutes
    tests/proofs/records.py --reduced  the same with smaller numbers

Needs the example program record-saver (cargo build --example record-saver) and strace. A small file system is mounted
where the rights allow it; else the disk is made full by a limit on file size, and the output says so.
"""

import json
import os
import random
import re
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
TARGET = Path(os.environ.get("CARGO_TARGET_DIR", ROOT / "target")) / "debug"
SAVER = TARGET / "examples" / "record-saver"
OSSPAN = TARGET / "osspan"
REDUCED = "--reduced" in sys.argv[1:]
KILLS, WRITERS, EACH = (40, 16, 25) if REDUCED else (1000, 16, 1000)
SEED = 20310314

passed = failed = 0


def check(name, good, figures):
    global passed, failed
    passed, failed = passed + bool(good), failed + (not good)
    print(f"{'ok  ' if good else 'FAIL'} {name}: {figures}", flush=True)


def save(folder, count=1, first=0, *more, wrap=(), **options):
    command = [*wrap, str(SAVER), str(folder), str(count), str(first), *more]
    return subprocess.run(command, capture_output=True, text=True, timeout=600, **options)


def state(folder):
    """Ids of the whole records in a folder, and the files that hold none."""
    whole, half = set(), []
    for path in Path(folder).glob("*.json"):
        try:
            whole.add(json.loads(path.read_text())["content_sha256"])
        except (ValueError, KeyError):
            half.append(path.name)
    return whole, half


def verifies(folder):
    """The program's own verdict: every digest, number and link."""
    env = {**os.environ, "OSSPAN_DATA": str(Path(folder).parent / "data")}
    done = subprocess.run([OSSPAN, "verify", "--quiet", folder], capture_output=True, text=True, env=env, timeout=600)
    return done.returncode == 0, done.stdout.strip().splitlines()[-1] if done.stdout else done.stderr.strip()


def one_clear_message(done):
    lines = done.stderr.strip().splitlines()
    return done.returncode == 4 and len(lines) == 1 and "panicked" not in done.stderr and len(lines[0]) > 20


def order(work):
    """write, fsync, publish without replacing, fsync of the folder: for every record."""
    folder, trace = work / "order", work / "trace"
    done = save(folder, 5, wrap=("strace", "-f", "-y", "-o", str(trace), "-e", "trace=openat,write,fsync,renameat2,link,linkat,rename,unlink"))
    if done.returncode != 0:
        return check("system calls", False, done.stderr.strip())
    steps, bad = [], 0
    for line in trace.read_text().splitlines():
        if "/order" not in line:
            continue
        if m := re.search(r"write\(\d+<[^>]*/(\.writing-\w+)>", line):
            if not steps or steps[-1] != ("write", m[1]):
                steps.append(("write", m[1]))
        elif m := re.search(r"fsync\(\d+<[^>]*/(\.writing-\w+)>\)\s+= 0", line):
            steps.append(("fsync", m[1]))
        elif m := re.search(r"renameat2\(.*/(\.writing-\w+)\".*/(reading-\w+\.json)\", RENAME_NOREPLACE\)\s+= 0", line):
            steps.append(("publish", m[1]))
        elif re.search(r"fsync\(\d+<[^>]*/order>\)\s+= 0", line):
            steps.append(("fsync folder", ""))
        elif re.search(r"\b(rename|unlink|link)\(", line):
            bad += 1
    whole = [s for s, _ in steps] == ["write", "fsync", "publish", "fsync folder"] * 5
    same = all(len({steps[i + k][1] for k in range(3)}) == 1 for i in range(0, len(steps) - 3, 4)) if whole else False
    check("system calls", whole and same and not bad, f"{len(steps) // 4} saves, each write, fsync, publish without replacing, fsync folder")


def kills(work):
    """SIGKILL at random moments; every id that was said must be there, whole."""
    folder, rng = work / "kills", random.Random(SEED)
    said, started = set(), time.monotonic()
    for n in range(KILLS):
        child = subprocess.Popen([SAVER, folder, "1000000", str(n * 1000003)], stdout=subprocess.PIPE, stderr=subprocess.PIPE, bufsize=0)
        # Once the first record is saved, the program does nothing but save.
        said.add(child.stdout.readline().decode().strip())
        time.sleep(rng.uniform(0.0, 0.02))
        child.send_signal(signal.SIGKILL)
        out, err = child.communicate(timeout=60)
        said.update(line for line in out.decode().split("\n")[:-1])
        if err:
            return check("kills", False, err.decode())
    whole, half = state(folder)
    left = len(list(folder.glob(".writing-*")))
    good, last = verifies(folder)
    figures = (f"{KILLS} kills in {time.monotonic() - started:.0f} s, all while saving, {len(said)} saves said, "
               f"{len(said - whole)} lost, {len(half)} half, {len(whole - said)} saved but not yet said, {left} temporary files left; verify: {last}")
    check("kills", not (said - whole) and not half and good and len(whole - said) <= KILLS and len(said) > KILLS, figures)


def writers(work):
    folder, started = work / "writers", time.monotonic()
    children = [subprocess.Popen([SAVER, folder, str(EACH), str(n * 1000003)], stdout=subprocess.PIPE, text=True) for n in range(WRITERS)]
    said = [line for c in children for line in c.communicate(timeout=1500)[0].split()]
    whole, half = state(folder)
    good, last = verifies(folder)
    seconds = time.monotonic() - started
    check("writers", len(said) == len(whole) == WRITERS * EACH and whole == set(said) and not half and good,
          f"{WRITERS} at once, {EACH} records each, in {seconds:.0f} s: {len(whole)} whole, {len(half)} half; verify: {last}")


def full_disk(work):
    small = work / "small"
    small.mkdir()
    mounted = subprocess.run(["mount", "-t", "tmpfs", "-o", "size=256k", "tmpfs", small], capture_output=True).returncode == 0
    try:
        folder = small / "records"
        if mounted:
            how, done = "a file system of 256 kB", save(folder, 1000)
        else:
            # Python ignores SIGXFSZ and the child inherits that, so that the write fails instead of killing it.
            how = "no right to mount: a limit of 2 kB on a file's size"
            save(folder, 3)
            limit = lambda: (signal.signal(signal.SIGXFSZ, signal.SIG_IGN), __import__("resource").setrlimit(1, (2048, 2048)))
            done = save(folder, 1, 50, preexec_fn=limit)
        whole, half = state(folder)
        left = len(list(folder.glob(".writing-*")))
        said = set(done.stdout.split()) if mounted else whole
        check("disk full", one_clear_message(done) and whole == said and len(whole) >= 3 and not half and not left,
              f"{how}: {len(whole)} whole, {len(half)} half, {left} left over; it said: {done.stderr.strip()}")
    finally:
        if mounted:
            subprocess.run(["umount", small], check=True)


def read_only(work):
    folder = work / "readonly"
    save(folder, 2)
    before = state(folder)
    folder.chmod(0o500)
    # Rights do not bind root: save as somebody else.
    wrap = ("setpriv", "--reuid=65534", "--regid=65534", "--clear-groups") if os.geteuid() == 0 else ()
    if wrap:
        work.chmod(0o755)
        folder.chmod(0o555)
    done = save(folder, 1, 50, wrap=wrap)
    folder.chmod(0o700)
    check("read-only folder", one_clear_message(done) and state(folder) == before, f"it said: {done.stderr.strip()}")


def lost_folder(work):
    """The folder goes between two saves, then its place is taken by a file."""
    folder = work / "lost"
    said = save(folder, 1).stdout.split()
    shutil.rmtree(folder)
    again = save(folder, 1, 60)
    good = again.returncode == 0 and state(folder)[0] == set(again.stdout.split()) and said
    shutil.rmtree(folder)
    folder.write_text("in the way")
    done = save(folder, 1, 70)
    check("folder removed", good and one_clear_message(done), f"made again and saved; a file in its place: {done.stderr.strip()}")


def clock(work):
    folder = work / "clock"
    done = save(folder, 20, 0, "backwards")
    whole, _ = state(folder)
    good, last = verifies(folder)
    records = [json.loads(p.read_text()) for p in folder.glob("*.json")]
    heads = {r["content_sha256"] for r in records} - {f for r in records for f in r["follows"]}
    check("clock backwards", good and len(whole) == 20 and heads == {done.stdout.split()[-1]}, f"20 records, newest by links is the last one saved; {last}")


def main():
    with tempfile.TemporaryDirectory(prefix="osspan-proofs-", dir=os.environ.get("PROOFS_DIR")) as name:
        work = Path(name)
        print(f"seed {SEED}; {'reduced' if REDUCED else 'whole'} proof")
        for proof in (order, kills, writers, full_disk, read_only, lost_folder, clock):
            proof(work)
    print(f"{passed} passed, {failed} failed")
    return 1 if failed else 0


sys.exit(main())
