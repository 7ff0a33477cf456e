"""DICOMweb against a real server (a package of Debian, used as a server only), and against a stand-in that answers as the tables of
PS3.18 say where the real one cannot be made to: some stored, none stored, warnings, no room, a redirect.

Run by tests/run, or by hand: target/venv/bin/python tests/outside/archive_web.py
"""

import http.server
import json
import ssl
import subprocess
import sys
import tempfile
import threading
from email import message_from_bytes
from pathlib import Path

import pydicom
from pydicom.uid import ExplicitVRLittleEndian, JPEGBaseline8Bit, RLELossless, generate_uid

from _probe import report
from _site import TLS, Desk, Servers, free_port, invented, write

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


def one(uid, **more):
    return {"00081155": {"vr": "UI", "Value": [uid]}, **{tag: {"vr": "US", "Value": [v]} for tag, v in more.items()}}


class StandIn(http.server.BaseHTTPRequestHandler):
    """Answers by the request's place: /STATUS/studies/… gives that status with the module of PS3.18 10.5.3, for the objects sent."""

    def sent(self):
        """UIDs of the objects sent, sorted."""
        body = self.rfile.read(int(self.headers["Content-Length"]))
        parts = message_from_bytes(b"Content-Type: " + self.headers["Content-Type"].encode() + b"\r\n\r\n" + body).get_payload()
        uids = []
        for part in parts:
            assert part.get_content_type() == "application/dicom", part.get_content_type()
            uids.append(str(pydicom.dcmread(__import__("io").BytesIO(part.get_payload(decode=True))).SOPInstanceUID))
        return sorted(uids)

    def do_POST(self):
        uids = self.sent()
        kind = self.path.split("/")[1]
        answer = {}
        if kind == "202":
            answer = {"00081198": {"vr": "SQ", "Value": [one(uids[0], **{"00081197": 0xC000})]},
                      "00081199": {"vr": "SQ", "Value": [one(u, **({"00081196": 0xB006} if u == uids[1] else {})) for u in uids[1:]]}}
        elif kind == "409":
            answer = {"00081198": {"vr": "SQ", "Value": [one(u, **{"00081197": 0x0122}) for u in uids]}}
        elif kind == "room":
            answer = {"00081198": {"vr": "SQ", "Value": [one(u, **{"00081197": 0xA700}) for u in uids]}}
        self.answer({"room": 409, "silent": 200}.get(kind) or int(kind), answer)

    def answer(self, status, answer):
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


TOKEN = "token-of-the-tests-31"


class Guarded(StandIn):
    """Lets in who brings the token, and keeps what each request brought."""

    heard = []

    def let_in(self):
        self.heard.append((self.command, self.headers["Authorization"]))
        return self.headers["Authorization"] == f"Bearer {TOKEN}"

    def do_GET(self):
        self.answer(204 if self.let_in() else 401, {})

    def do_POST(self):
        uids = self.sent()
        allowed = self.let_in()
        self.answer(200 if allowed else 401, {"00081199": {"vr": "SQ", "Value": [one(u) for u in uids]}} if allowed else {})


class Calm(http.server.ThreadingHTTPServer):
    """Says nothing of a handshake that the other side broke off: that is what is tested."""

    def handle_error(self, *_):
        pass


def https(certificate, key):
    """A stand-in behind TLS, on every address of this machine; returns its port and the way to end it."""
    server = Calm(("0.0.0.0", 0), Guarded)
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(certificate, key)
    server.socket = context.wrap_socket(server.socket, server_side=True, do_handshake_on_connect=False)
    threading.Thread(target=server.serve_forever, daemon=True).start()
    return server.server_address[1], server.shutdown


def guarded(work, _):
    """TLS and a bearer token: both are right, or one clear error says which is not, and no secret and no object goes out."""
    own, own_key = work / "own.pem", work / "own-key.pem"
    made = subprocess.run(["openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "30", "-keyout", own_key, "-out", own, "-subj", "/CN=own",
                           "-addext", "subjectAltName=IP:127.0.0.1", "-addext", "basicConstraints=critical,CA:FALSE"], capture_output=True, text=True)
    yield made.returncode == 0, f"openssl: {made.stderr}"
    port, end = https(TLS / "server.pem", TLS / "server-key.pem")
    own_port, own_end = https(own, own_key)
    folder = work / "guarded desk"
    folder.mkdir()
    (folder / "token").write_text(TOKEN + "\nwhat stands below is no part of it\n")
    (folder / "other").write_text("another-token\n")
    (folder / "empty").write_text("\n")

    def place(name, port, trust, token="token", host="127.0.0.1"):
        sign_in = f'token_file = "{folder}/{token}"\n' if token else ""
        return web(name, f"https://{host}:{port}/dicom-web", f'{sign_in}tls = {{ trust = "{trust}" }}')

    ca, bad = TLS / "ca.pem", TLS / "client.pem"
    places = {"right": place("right", port, ca), "own": place("own", own_port, own), "other": place("other", port, ca, "other"),
              "none": place("none", port, ca, None), "empty": place("empty", port, ca, "empty"), "untrusted": place("untrusted", port, bad),
              "self": place("self", own_port, ca), "elsewhere": place("elsewhere", port, ca, host="127.0.0.2")}
    # Each with a desk of its own: an outbox that is sent is sent as a whole.
    desks = {name: Desk(work / "guarded desks" / name, 'title = "DESK"\n' + text) for name, text in places.items()}
    files = images(work / "guarded", 3, 9000)

    for name in ["right", "own"]:
        Guarded.heard.clear()
        code, out, err = desks[name].run("archive", "test", name)
        yield code == 0 and Guarded.heard == [("GET", f"Bearer {TOKEN}")], f"{name}: {out}{err} {Guarded.heard}"
    Guarded.heard.clear()
    code, out, err = desks["right"].run("archive", "send", files[0], "--to", "right")
    yield code == 0 and "Stored: 1" in out and Guarded.heard == [("POST", f"Bearer {TOKEN}")], f"{out}{err} {Guarded.heard}"

    for name, brought in [("other", "Bearer another-token"), ("none", None)]:
        Guarded.heard.clear()
        code, out, err = desks[name].run("archive", "test", name)
        said = out + err
        yield code == 4 and "401" in said and "token_file" in said and Guarded.heard == [("GET", brought)], f"{name}: code {code}: {said} {Guarded.heard}"
        yield TOKEN not in said and "another-token" not in said, f"{name}: the token is printed: {said}"
        yield said.count("401") == 1, f"{name}: not one error: {said}"
    code, out, err = desks["other"].run("archive", "send", files[1], "--to", "other")
    outcomes = [i["outcome"]["is"] for i in desks["other"].outbox()]
    yield code == 1 and "HTTP 401" in out and outcomes == ["not_yet"], f"a wrong token stores nothing and is tried again: code {code}: {out}{err} {outcomes}"

    # The certificate is another's, nobody's that is trusted, or of another name: the server hears neither token nor object.
    for name, words in [("untrusted", "UnknownIssuer"), ("self", "UnknownIssuer"), ("elsewhere", "not valid for name")]:
        Guarded.heard.clear()
        code, out, err = desks[name].run("archive", "test", name)
        said = out + err
        yield code == 4 and "no secure connection" in said and words in said and "trust" in said, f"{name}: code {code}: {said}"
        yield said.count("no secure connection") == 1 and "Traceback" not in said and TOKEN not in said, f"{name}: not one error: {said}"
        code, out, err = desks[name].run("archive", "send", files[2], "--to", name)
        yield code == 1 and "Stored: 1" not in out and not Guarded.heard, f"{name}: code {code}: {out}{err} {Guarded.heard}"
    Guarded.heard.clear()
    code, out, err = desks["empty"].run("archive", "test", "empty")
    yield code != 0 and "signing in cannot be done" in out + err and not Guarded.heard, f"a token file without a token: {out}{err}"
    # What was said is kept too, and holds no token.
    kept = "".join(p.read_text(errors="replace") for p in (work / "guarded desks").rglob("*") if p.is_file())
    yield TOKEN not in kept and "another-token" not in kept, "a token is kept with the outbox"

    plain = Desk(work / "plain desk", 'title = "DESK"\n' + web("web", f"https://127.0.0.1:{port}/dicom-web", ""))
    code, out, err = plain.run("archive", "test", "web")
    yield code != 0 and "certificates to trust" in out + err, f"https without certificates to trust: {out}{err}"
    clear = Desk(work / "clear desk", 'title = "DESK"\n' + web("web", "http://archive.example/dicom-web", 'token_file = "token"'))
    code, out, err = clear.run("archive", "test", "web")
    yield code != 0 and "in clear" in out + err, f"a token in clear: {out}{err}"
    end()
    own_end()


def main():
    with tempfile.TemporaryDirectory() as name:
        work = Path(name)
        with Servers(work / "servers.log") as servers:
            return report([("a real server", real_server(work, servers)), ("the tables of the standard", tables(work, servers)),
                           ("TLS and tokens", guarded(work, servers))])


if __name__ == "__main__":
    sys.exit(main())
