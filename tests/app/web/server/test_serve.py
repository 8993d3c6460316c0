"""Starting the pages: settings, ports, the address as a QR code."""

from __future__ import annotations

import socket
import subprocess
import sys
import urllib.error
import urllib.request
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


def test_on_the_network_only_the_code_opens(tmp_path: Path) -> None:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))
        except OSError:
            pytest.skip("this machine is on no network")
    with served(tmp_path, "--lan", until="in a network you trust") as site:
        said = "".join(site.lines)
        assert "Code, good for one browser" in said
        for path in ("/", "/_stcore/health", "/_stcore/host-config"):
            with pytest.raises(urllib.error.HTTPError) as refused:
                urllib.request.urlopen(site.url + path)
            assert refused.value.code == 401
            refused.value.close()
