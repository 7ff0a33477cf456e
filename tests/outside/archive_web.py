"""DICOMweb against a real server (a package of Debian, used as a server only), and against a stand-in that answers as the tables of
PS3.18 say where the real one cannot be made to: some stored, none stored, warnings, no room, a redirect.

Run by tests/run, or by hand: target/venv/bin/python tests/outside/archive_web.py
"""

import http.server
import json
import sys
import tempfile
import threading
from email import message_from_bytes
from pathlib import Path

import pydicom
from pydicom.uid import ExplicitVRLittleEndian, JPEGBaseline8Bit, RLELossless, generate_uid

from _probe import report
from _site import Desk, Servers, free_port, invented, write

PLUGIN = Path("/usr/share/orthanc/plugins/libOrthancDicomWeb.so")


def web(name, base, more=""):
    return f'[[web]]\nname = "{name}"\nbase = "{base}"\n{more}\n'


def images(folder, count, start, study=None):
    folder.mkdir(parents=True)
    kinds = [ExplicitVRLittleEndian, RLELossless, JPEGBaseline8Bit]
    return [write(invented(start + i, kinds[i % 3], study), folder / f"{i}.dcm") for i in range(count)]


def real_server(work, servers):
    """Stored, found, fetched and the same; a wrong password is said."""
    if not PLUGIN.exists():
        yield False, "the server's part for DICOMweb is not there: apt-get install orthanc orthanc-dicomweb"
        return
    port = free_port()
    config = {"Name": "tests", "StorageDirectory": str(work / "db"), "IndexDirectory": str(work / "db"), "HttpPort": port, "DicomServerEnabled": False,
              "RemoteAccessAllowed": False, "AuthenticationEnabled": True, "RegisteredUsers": {"osspan": "sesame"}, "Plugins": [str(PLUGIN)],
              "DicomWeb": {"Enable": True, "Root": "/dicom-web/"}, "OverwriteInstances": False}
    (work / "server.json").write_text(json.dumps(config))
    servers.start(port, "Orthanc", work / "server.json")
    folder = work / "web desk"
    folder.mkdir()
    (folder / "right").write_text("sesame\n")
    (folder / "wrong").write_text("open\n")
    base = f"http://127.0.0.1:{port}/dicom-web"
    desk = Desk(folder, 'title = "DESK"\n' + web("web", base, 'user = "osspan"\npassword_file = "right"') + web("wrong", base, 'user = "osspan"\npassword_file = "wrong"'))
    code, out, err = desk.run("archive", "test", "web")
    yield code == 0, f"no answer: {out}{err}"
    code, out, _ = desk.run("archive", "test", "wrong")
    yield code == 4 and "401" in out and "sesame" not in out, f"a wrong password: {out}"
    study = generate_uid(entropy_srcs=["web study"])
    files = images(work / "to web", 6, 7000, study)
    code, out, err = desk.run("archive", "send", work / "to web", "--to", "web")
    yield code == 0 and "Stored: 6" in out, f"{out}{err}"
    for question in [["--patient", "INV-31"], ["--name", "Inven"], ["--study", study], ["--since", "2031-03-01", "--until", "2031-03-31"]]:
        code, out, err = desk.run("archive", "find", "--at", "web", *question)
        yield code == 0 and study in out and "6 objects" in out, f"{question}: {out}{err}"
    yield "Exams: 0" in desk.run("archive", "find", "--at", "web", "--patient", "NOBODY")[1], "found what is not there"
    code, out, err = desk.run("archive", "fetch", study, "--from", "web")
    yield code == 0 and "Objects: 6" in out, f"{out}{err}"
    there = {pydicom.dcmread(p).SOPInstanceUID: p for p in (folder / "received").rglob("*.dcm")}
    for f in files:
        a = pydicom.dcmread(f)
        b = pydicom.dcmread(there[a.SOPInstanceUID]) if a.SOPInstanceUID in there else None
        same = b is not None and a.file_meta.TransferSyntaxUID == b.file_meta.TransferSyntaxUID and a.PixelData == b.PixelData
        yield same, f"{a.file_meta.TransferSyntaxUID.name} came back changed, or not"
    code, _, err = desk.run("archive", "fetch", generate_uid(), "--from", "web")
    yield code != 0 and "Traceback" not in err, "an exam that is not there was fetched"
    print("  server:", "Orthanc of Debian with its part for DICOMweb")


class StandIn(http.server.BaseHTTPRequestHandler):
    """Answers by the request's place: /STATUS/studies/… gives that status with the module of PS3.18 10.5.3, for the objects sent."""

    def do_POST(self):
        body = self.rfile.read(int(self.headers["Content-Length"]))
        parts = message_from_bytes(b"Content-Type: " + self.headers["Content-Type"].encode() + b"\r\n\r\n" + body).get_payload()
        uids = []
        for part in parts:
            assert part.get_content_type() == "application/dicom", part.get_content_type()
            uids.append(str(pydicom.dcmread(__import__("io").BytesIO(part.get_payload(decode=True))).SOPInstanceUID))
        uids.sort()
        kind = self.path.split("/")[1]
        answer = {}
        one = lambda uid, **more: {"00081155": {"vr": "UI", "Value": [uid]}, **{tag: {"vr": "US", "Value": [v]} for tag, v in more.items()}}  # noqa: E731
        if kind == "202":
            answer = {"00081198": {"vr": "SQ", "Value": [one(uids[0], **{"00081197": 0xC000})]},
                      "00081199": {"vr": "SQ", "Value": [one(u, **({"00081196": 0xB006} if u == uids[1] else {})) for u in uids[1:]]}}
        elif kind == "409":
            answer = {"00081198": {"vr": "SQ", "Value": [one(u, **{"00081197": 0x0122}) for u in uids]}}
        elif kind == "room":
            answer = {"00081198": {"vr": "SQ", "Value": [one(u, **{"00081197": 0xA700}) for u in uids]}}
        status = {"room": 409, "silent": 200}.get(kind) or int(kind)
        data = json.dumps(answer).encode() if answer else b""
        self.send_response(status)
        if status == 307:
            self.send_header("Location", "http://127.0.0.1:9/elsewhere")
        self.send_header("Content-Type", "application/dicom+json")
        self.send_header("Content-Length", str(len(data)))
        self.end_headers()
        self.wfile.write(data)

    def log_message(self, *_):
        pass


def tables(work, _):
    """Each status of the store transaction, for three objects: what is said of each, and whether it will be tried again."""
    server = http.server.ThreadingHTTPServer(("127.0.0.1", 0), StandIn)
    threading.Thread(target=server.serve_forever, daemon=True).start()
    kinds = {
        # Status: outcomes of three objects in the order of their UIDs, and what is said.
        "202": (["refused", "stored_with_warning", "stored"], "C000"),
        "409": (["refused"] * 3, "0122"),
        "400": (["refused"] * 3, "HTTP 400"),
        "415": (["refused"] * 3, "HTTP 415"),
        "room": (["not_yet"] * 3, "A700"),
        "503": (["not_yet"] * 3, "HTTP 503"),
        "401": (["not_yet"] * 3, "HTTP 401"),
        "307": (["not_yet"] * 3, "not followed"),
        "silent": (["not_yet"] * 3, "did not say that it has this object"),
    }
    for kind, (expected, says) in kinds.items():
        desk = Desk(work / f"desk {kind}", 'title = "DESK"\n' + web("web", f"http://127.0.0.1:{server.server_address[1]}/{kind}"))
        images(work / f"images {kind}", 3, 8000)
        code, out, err = desk.run("archive", "send", work / f"images {kind}", "--to", "web")
        got = [i["outcome"]["is"] for i in sorted(desk.outbox(), key=lambda i: i["instance"])]
        yield got == expected and code == 1 and says in out, f"{kind}: {got}, code {code}: {out}{err}"
    server.shutdown()


def main():
    with tempfile.TemporaryDirectory() as name:
        work = Path(name)
        with Servers(work / "servers.log") as servers:
            return report([("a real server", real_server(work, servers)), ("the tables of the standard", tables(work, servers))])


if __name__ == "__main__":
    sys.exit(main())
