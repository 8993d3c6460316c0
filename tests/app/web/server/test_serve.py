"""Starting the pages: settings, ports, the address as a QR code."""

from __future__ import annotations

import http.client
import re
import signal
import socket
import ssl
import subprocess
import sys
import urllib.error
import urllib.request
from collections.abc import Iterator
from hashlib import sha256
from pathlib import Path

import pytest

from app.web.server.serve import DEFAULT_PORT, listen, qr_text
from app.web.server.settings import LOOPBACK, MAX_UPLOAD_MB, settings
from rules.errors import CuproscopeError
from tests.app.web.served import served


def test_nothing_leaves_the_machine_and_uploads_are_capped() -> None:
    """In a process of its own, as settings are the server's for good."""
    code = (
        "from app.web.server.settings import *; apply(settings());"
        "from streamlit import config;"
        "print({k for k, v in settings().items() if config.get_option(k) != v} or 'all set')"
    )
    told = subprocess.run(
        [sys.executable, "-W", "ignore", "-c", code], capture_output=True, text=True, check=True
    )
    assert told.stdout.strip() == "all set"
    options = settings()
    assert options["browser.gatherUsageStats"] is False
    assert options["server.maxUploadSize"] == MAX_UPLOAD_MB == 25
    assert options["server.allowedHosts"] == list(LOOPBACK)


def test_it_listens_on_this_machine_only_and_moves_on_where_a_port_is_taken() -> None:
    first = listen("127.0.0.1", 0)
    number = first.getsockname()[1]
    assert first.getsockname()[0] == "127.0.0.1"
    with pytest.raises(CuproscopeError, match="taken"):
        listen("127.0.0.1", number)
    first.close()
    found = listen("127.0.0.1", None)
    assert found.getsockname()[1] >= DEFAULT_PORT
    found.close()


def test_the_qr_code_holds_the_link() -> None:
    """Read back by OpenCV, an implementation of ISO/IEC 18004 that is not ours."""
    import cv2
    import numpy as np

    link = "http://192.168.1.20:8757/?code=ABCDEFGH"
    rows = qr_text(link, is_plain=True).splitlines()
    dark = np.array([[row[i : i + 2] == "  " for i in range(0, len(row), 2)] for row in rows])
    picture = np.where(np.kron(dark, np.ones((8, 8), bool)), 0, 255).astype(np.uint8)
    assert cv2.QRCodeDetector().detectAndDecode(picture)[0] == link
    assert "█" in qr_text(link, is_plain=False)


def test_the_command_line_starts_without_the_page_server() -> None:
    code = (
        "import sys; from app.cli import main\n"
        "try: main(['app', '--port', 'x'])\n"
        "except SystemExit as end: print(end.code)\n"
        "main(['grade', 'no-such-photo.jpg', '--json'])\n"
        "print([m for m in ('streamlit', 'sqlalchemy', 'uvicorn') if m in sys.modules])"
    )
    told = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert told.stdout.startswith("2\n")
    assert told.stdout.rstrip().endswith("[]")
    assert "no port" in told.stderr


def is_on_a_network() -> bool:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))
        except OSError:
            return False
    return True


@pytest.mark.skipif(not is_on_a_network(), reason="this machine is on no network")
def test_on_the_network_only_the_code_opens(tmp_path: Path) -> None:
    with served(tmp_path, "--lan") as site:
        said = "".join(site.lines)
        assert "Code, good for one browser and 10 minutes" in said
        assert site.url.startswith("https://")
        # The client trusts the certificate whose fingerprint was said, and no other.
        pem = tmp_path / "tls" / "lan.pem"
        trusting = ssl.create_default_context(cafile=str(pem))
        text = pem.read_text()
        shown = ssl.PEM_cert_to_DER_cert(text[text.index("-----BEGIN CERT") :])
        assert sha256(shown).hexdigest().upper() in re.sub(r"[:\s]", "", said)
        for path in ("/", "/_stcore/health", "/_stcore/host-config"):
            with pytest.raises(urllib.error.HTTPError) as refused:
                urllib.request.urlopen(site.url + path, context=trusting)
            assert refused.value.code == 401
            assert refused.value.headers["content-security-policy"].startswith("default-src")
            refused.value.close()
        with pytest.raises((urllib.error.URLError, ConnectionError, http.client.HTTPException)):
            urllib.request.urlopen(site.url.replace("https", "http"))


@pytest.mark.skipif(not is_on_a_network(), reason="this machine is on no network")
def test_without_tls_only_where_it_is_asked_for_and_said(tmp_path: Path) -> None:
    with served(tmp_path, "--lan", "--plain") as site:
        assert site.url.startswith("http://")
        assert "Nothing is encrypted on its way" in "".join(site.lines)
    assert not (tmp_path / "tls").exists()


WATCHED = """
import sys
from pathlib import Path
log = Path(sys.argv[1])
def note(event, told):
    if event in ("socket.getaddrinfo", "socket.gethostbyname", "socket.gethostbyaddr"):
        told = told[:2]
    elif event in ("socket.connect", "socket.sendto"):
        told = told[1:]
    else:
        return
    with open(log, "a") as file:
        file.write(f"{event} {told}\\n")
sys.addaudithook(note)
from app.cli import main
sys.exit(main(sys.argv[2:]))
"""


def test_no_foreign_page_makes_the_server_ask_outside(tmp_path: Path) -> None:
    """Every look-up of a name and every connection of the server's process is noted."""
    log, program = tmp_path / "asked", tmp_path / "watched.py"
    program.write_text(WATCHED)
    with served(tmp_path / "data", program=(str(program), str(log))) as site:
        host = site.url.removeprefix("http://")
        port = int(host.rpartition(":")[2])
        for origin in ("http://evil.example", f"http://localhost:{port + 1}", "null"):
            status = handshake(port, host=host, origin=origin)
            assert b" 403 " in status, status
        assert b" 101 " in handshake(port, host=host, origin=f"http://{host}")
        assert b" 403 " in handshake(port, host="evil.example", origin="http://evil.example")
        with urllib.request.urlopen(site.url) as answer:
            assert answer.headers["content-security-policy"] == "frame-ancestors 'none'"
            assert answer.headers["x-content-type-options"] == "nosniff"
            assert answer.headers["referrer-policy"] == "no-referrer"
    asked = log.read_text() if log.exists() else ""
    assert not [line for line in asked.splitlines() if "127.0.0.1" not in line]


def handshake(port: int, *, host: str, origin: str) -> bytes:
    """Ask for a stream (RFC 6455, 4.1), and return the first line of the answer."""
    lines = [
        "GET /_stcore/stream HTTP/1.1",
        f"Host: {host}",
        f"Origin: {origin}",
        "Connection: Upgrade",
        "Upgrade: websocket",
        "Sec-WebSocket-Version: 13",
        "Sec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ==",
    ]
    with socket.create_connection(("127.0.0.1", port), timeout=30) as stream:
        stream.sendall("\r\n".join([*lines, "", ""]).encode())
        return stream.recv(4096).partition(b"\r\n")[0]


@pytest.fixture
def hung_up_on() -> Iterator[None]:
    """Let a closed terminal end what is started here, also where nohup keeps it from the tests."""
    before = signal.signal(signal.SIGHUP, signal.SIG_DFL)
    yield
    signal.signal(signal.SIGHUP, before)


@pytest.mark.skipif(sys.platform == "win32", reason="no such signals")
@pytest.mark.parametrize(
    ("end", "is_up"), [("SIGTERM", True), ("SIGINT", True), ("SIGHUP", True), ("SIGTERM", False)]
)
def test_what_was_handed_in_goes_with_the_server(
    tmp_path: Path, end: str, is_up: bool, hung_up_on: None
) -> None:
    inbox = tmp_path / "inbox"
    inbox.mkdir()
    (inbox / ("0" * 64)).write_bytes(b"what a killed server left")
    with served(tmp_path) as site:
        assert not list(inbox.iterdir())
        (inbox / ("1" * 64)).write_bytes(b"handed in")
        if is_up:
            urllib.request.urlopen(site.url).close()
        site.process.send_signal(getattr(signal, end))
        code = site.process.wait(timeout=60)
    assert not list(inbox.iterdir())
    assert code in (128 + signal.SIGTERM, 128 + signal.SIGINT)  # and no abort on the way out
