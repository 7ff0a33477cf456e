"""The archive link against DCMTK: what we send arrives as it is, what others send is taken, exams are found and fetched, and a
server that is killed in the middle of a batch costs nothing.

Servers: storescp and dcmqrscp (with a data base of its own in a temporary folder); callers: echoscu, storescu, findscu, getscu.

Run by tests/run, or by hand: target/venv/bin/python tests/outside/archive.py
"""

import subprocess
import sys
import tempfile
import time
from pathlib import Path

import pydicom
from pydicom.uid import ExplicitVRLittleEndian, ImplicitVRLittleEndian, JPEGBaseline8Bit, RLELossless, generate_uid

from _probe import report
from _site import TLS, Desk, Servers, free_port, invented, same_object, write

SYNTAXES = [ExplicitVRLittleEndian, ImplicitVRLittleEndian, RLELossless, JPEGBaseline8Bit]


def archive(name, title, port, tls=""):
    return f'[[archive]]\nname = "{name}"\ntitle = "{title}"\nhost = "127.0.0.1"\nport = {port}\n{tls}\n'


def call(*command):
    done = subprocess.run([*map(str, command)], capture_output=True, text=True, timeout=60)
    return done.returncode, done.stdout + done.stderr


def images(folder, count, start=0, side=64, study=None):
    folder.mkdir(parents=True)
    return [write(invented(start + i, SYNTAXES[i % 4], study, side), folder / f"{start + i}.dcm") for i in range(count)]


def arrived(folder):
    return {pydicom.dcmread(p, stop_before_pixels=True).SOPInstanceUID: p for p in Path(folder).rglob("*") if p.is_file() and not p.name.startswith(("index", "."))}


def sending(work, servers):
    """To storescp, every syntax; then with TLS, where an archive that is not trusted gets nothing."""
    port, secure, store = free_port(), free_port(), work / "store"
    store.mkdir()
    servers.start(port, "storescp", "+xa", "-aet", "STORE", "-od", store, port)
    # +cf: the authority that the caller's certificate must be signed by.
    servers.start(secure, "storescp", "+xa", "+tls", TLS / "server-key.pem", TLS / "server.pem", "+cf", TLS / "ca.pem", "-aet", "STORE", "-od", store, secure)
    tls = f'tls = {{ trust = "{TLS}/ca.pem", certificate = "{TLS}/client.pem", key = "{TLS}/client-key.pem" }}'
    wrong = f'tls = {{ trust = "{TLS}/client.pem" }}'
    desk = Desk(work / "sender", 'title = "DESK"\n' + archive("plain", "STORE", port) + archive("secure", "STORE", secure, tls)
                + archive("untrusted", "STORE", secure, wrong))
    yield desk.run("archive", "test", "plain")[0] == 0, "no answer to a link test in clear"
    yield desk.run("archive", "test", "secure")[0] == 0, "no answer to a link test over TLS"
    yield desk.run("archive", "test", "untrusted")[0] == 4, "an archive that is not trusted was talked to"
    for name, start in [("plain", 0), ("secure", 100)]:
        files = images(work / name, 4, start)
        code, out, err = desk.run("archive", "send", work / name, "--to", name)
        yield code == 0 and "Stored: 4" in out, f"{name}: {code} {out}{err}"
        there = arrived(store)
        for f in files:
            ds = pydicom.dcmread(f)
            there_now = there.get(ds.SOPInstanceUID)
            yield there_now is not None and same_object(f, there_now), f"{name}: {ds.file_meta.TransferSyntaxUID.name} was changed or did not arrive"
    # An archive that takes uncompressed objects only refuses the others, each by name, and nothing is turned into something else.
    plain, only = free_port(), work / "uncompressed"
    only.mkdir()
    servers.start(plain, "storescp", "-aet", "STORE", "-od", only, plain)
    narrow = Desk(work / "narrow", 'title = "DESK"\n' + archive("plain", "STORE", plain))
    code, out, _ = narrow.run("archive", "send", work / "plain", "--to", "plain")
    yield code == 1 and "Stored: 2; refused or not sent: 2" in out and "RLE Lossless" in out and "JPEG Baseline" in out, f"a refusal is not told: {out}"
    yield len(arrived(only)) == 2, "an archive got what it does not take"


def killed(work, servers):
    """A server is killed in the middle of a batch and started again; then the sender is."""
    port, store = free_port(), work / "batch store"
    store.mkdir()
    start = lambda: servers.start(port, "storescp", "+xa", "-aet", "STORE", "-od", store, port)  # noqa: E731
    server = start()
    files = images(work / "batch", 40, 1000, side=500)
    desk = Desk(work / "batcher", 'title = "DESK"\n' + archive("store", "STORE", port))
    uids = {pydicom.dcmread(f, stop_before_pixels=True).SOPInstanceUID: f for f in files}
    sender = desk.start("archive", "send", work / "batch", "--to", "store", "--keep-trying", "30")
    kills, said = 0, ""
    for line in sender.stdout:
        said += line
        if kills < 3 and line.count("stored, said") and said.count("stored, said") >= 8 * (kills + 1):
            server.kill()
            server.wait()
            kills += 1
            time.sleep(0.3)
            server = start()
    sender.wait()
    there = arrived(store)
    yield sender.returncode == 0 and kills == 3, f"after {kills} kills: {said[-300:]}"
    yield set(uids) <= set(there) and all(same_object(f, there[u]) for u, f in uids.items()), "an object is lost or torn after kills of the server"
    # The sender itself, killed again and again: what it said to be stored is there, and in the end everything is.
    more = images(work / "more", 30, 2000, side=500)
    uids = {pydicom.dcmread(f, stop_before_pixels=True).SOPInstanceUID: f for f in more}
    desk.run("archive", "send", work / "more", "--to", "store", "--queue-only")
    lies, unknown = 0, 0
    for _ in range(5):
        sender = desk.start("archive", "outbox", "--send")
        time.sleep(0.12)
        sender.kill()
        sender.wait()
        items = [i for i in desk.outbox() if i["instance"] in uids]
        there = arrived(store)
        lies += sum(1 for i in items if i["outcome"]["is"] == "stored" and not same_object(uids[i["instance"]], there.get(i["instance"], "/dev/null")))
        unknown += sum(1 for i in items if i["outcome"]["is"] == "trying")
    yield lies == 0, f"{lies} objects were said to be stored and are not"
    yield desk.run("archive", "outbox", "--send")[0] == 0 and all(same_object(f, arrived(store)[u]) for u, f in uids.items()), "not everything came"
    print(f"  server killed {kills} times, sender 5 times; found cut off in the middle and sent again: {unknown}")


def finding(work, servers):
    """dcmqrscp: stored, found, fetched by C-GET; others fetch what we stored."""
    port, base = free_port(), work / "qr"
    base.mkdir()
    config = work / "qr.cfg"
    config.write_text(f"NetworkTCPPort = {port}\nMaxPDUSize = 16384\nMaxAssociations = 16\nHostTable BEGIN\nHostTable END\n"
                      f"VendorTable BEGIN\nVendorTable END\nAETable BEGIN\nQR {base} RW (200, 1024mb) ANY\nAETable END\n")
    servers.start(port, "dcmqrscp", "-c", config)
    study = generate_uid(entropy_srcs=["found"])
    folder = work / "to find"
    folder.mkdir()
    files = [write(invented(3000 + i, [ExplicitVRLittleEndian, ImplicitVRLittleEndian][i % 2], study), folder / f"{i}.dcm") for i in range(6)]
    desk = Desk(work / "finder", 'title = "DESK"\n' + archive("qr", "QR", port))
    yield desk.run("archive", "send", folder, "--to", "qr")[0] == 0, "not stored"
    for question in [["--patient", "INV-31"], ["--name", "Inven"], ["--since", "2031-03-01", "--until", "2031-03-31"], ["--study", study]]:
        code, out, err = desk.run("archive", "find", "--at", "qr", *question)
        yield code == 0 and study in out and "Übung" in out, f"{question}: {out}{err}"
    yield "Exams: 0" in desk.run("archive", "find", "--at", "qr", "--patient", "NOBODY")[1], "found what is not there"
    code, out, err = desk.run("archive", "fetch", study, "--from", "qr")
    there = arrived(desk.folder / "received")
    yield code == 0 and len(there) == 6, f"{out}{err}"
    for f in files:
        a, b = pydicom.dcmread(f), pydicom.dcmread(there[pydicom.dcmread(f).SOPInstanceUID])
        yield a == b and a.PixelData == b.PixelData, "an object came back changed"
    yield desk.run("archive", "fetch", generate_uid(), "--from", "qr")[0] == 2, "an exam that is not there was fetched"
    # The same through getscu, to know that it was really stored there.
    theirs = work / "by getscu"
    theirs.mkdir()
    call("getscu", "-S", "-aet", "DESK", "-aec", "QR", "-k", "QueryRetrieveLevel=STUDY", "-k", f"StudyInstanceUID={study}", "-od", theirs, "127.0.0.1", port)
    yield len(arrived(theirs)) == 6, "getscu finds another number of objects"


def receiving(work, servers):
    """storescu and echoscu call us; strangers, and services that we do not have, are turned away."""
    port, secure = free_port(), free_port()
    settings = f'title = "DESK"\n[receiver]\nport = {port}\n[[caller]]\ntitle = "SCANNER"\n'
    desk = Desk(work / "receiver", settings)
    files = images(work / "scanned", 8, 4000)
    us = ["127.0.0.1", port]
    with desk.receiving():
        yield call("echoscu", "-aet", "SCANNER", "-aec", "DESK", *us)[0] == 0, "a link test is not answered"
        yield call("echoscu", "-aet", "STRANGER", "-aec", "DESK", *us)[0] != 0, "a stranger was let in"
        yield call("echoscu", "-aet", "SCANNER", "-aec", "OTHER", *us)[0] != 0, "another's title was answered to"
        for option, kind in [("-xe", ExplicitVRLittleEndian), ("-xi", ImplicitVRLittleEndian), ("-xr", RLELossless), ("-xy", JPEGBaseline8Bit)]:
            own = [f for f in files if pydicom.dcmread(f, stop_before_pixels=True).file_meta.TransferSyntaxUID == kind]
            code, said = call("storescu", option, "-aet", "SCANNER", "-aec", "DESK", *us, *own)
            yield code == 0, f"{kind.name}: {said}"
        there = arrived(desk.folder / "received")
        yield len(there) == 8, f"{len(there)} of 8 arrived"
        for f in files:
            a, b = pydicom.dcmread(f), pydicom.dcmread(there[pydicom.dcmread(f).SOPInstanceUID])
            yield a == b and a.file_meta.TransferSyntaxUID == b.file_meta.TransferSyntaxUID and a.PixelData == b.PixelData, f"{f.name} arrived changed"
            yield b.file_meta.SourceApplicationEntityTitle == "SCANNER", "who sent it is not in the file"
        for tool, more in [("findscu", []), ("getscu", ["-od", work])]:
            code, said = call(tool, "-S", "-aet", "SCANNER", "-aec", "DESK", "-k", "QueryRetrieveLevel=STUDY", "-k", "StudyInstanceUID=1.2", *more, *us)
            yield "Presentation Context" in said or code != 0, f"{tool} was served: {said}"
        code, out, _ = desk.run("list", desk.folder / "received")
        yield code == 0 and "8 files" in out, f"the frames cannot be read: {out}"
    tls = f'tls = {{ certificate = "{TLS}/server.pem", key = "{TLS}/server-key.pem", callers = "{TLS}/ca.pem" }}'
    locked = Desk(work / "locked", f'title = "DESK"\n[receiver]\nport = {secure}\n{tls}\n[[caller]]\ntitle = "SCANNER"\n')
    to = ["-aet", "SCANNER", "-aec", "DESK", "127.0.0.1", secure, files[0]]
    with locked.receiving():
        code, said = call("storescu", "+tls", TLS / "client-key.pem", TLS / "client.pem", "+cf", TLS / "ca.pem", *to)
        yield code == 0 and len(arrived(locked.folder / "received")) == 1, f"TLS: {said}"
        yield call("storescu", "+tla", "+cf", TLS / "ca.pem", *to)[0] != 0, "a caller without a certificate was let in"
        yield call("storescu", *to)[0] != 0, "a caller in clear was let in"


def full_disk(work, _):
    """A real file system of 400 kB: the sender is told, keeps the object, and it goes once there is room."""
    small = work / "small"
    small.mkdir()
    mounted = subprocess.run(["mount", "-t", "tmpfs", "-o", "size=400k", "tmpfs", small], capture_output=True).returncode == 0
    if not mounted:
        print("  no right to mount: the disk that is full is simulated in tests/it/archive/hostile.rs only")
        yield True, ""
        return
    try:
        port = free_port()
        desk = Desk(work / "full", f'title = "DESK"\n[receiver]\nport = {port}\nfolder = "{small}/in"\n[[caller]]\ntitle = "SENDER"\n')
        sender = Desk(work / "to full", 'title = "SENDER"\n' + archive("full", "DESK", port))
        (work / "large").mkdir()
        for i in range(3):
            write(invented(5000 + i, side=500), work / "large" / f"{i}.dcm")
        with desk.receiving():
            code, out, _ = sender.run("archive", "send", work / "large", "--to", "full")
            yield code == 1 and "A700" in out and "Stored: 1" in out and "not yet: 2" in out, f"{code} {out}"
            names = [p.name for p in small.rglob("*") if p.is_file()]
            yield len(names) == 1, f"left on the full disk: {names}"
            next(small.rglob("*.dcm")).unlink()
            code, out, _ = sender.run("archive", "outbox", "--send")
            yield "Stored: 2" in out, f"after room was made: {out}"
    finally:
        subprocess.run(["umount", small], check=True)


def main():
    with tempfile.TemporaryDirectory() as name:
        work = Path(name)
        with Servers(work / "servers.log") as servers:
            scripts = [("sending", sending), ("killed and started again", killed), ("finding and fetching", finding), ("receiving", receiving),
                       ("a full disk", full_disk)]
            return report([(text, script(work, servers)) for text, script in scripts])


if __name__ == "__main__":
    sys.exit(main())
