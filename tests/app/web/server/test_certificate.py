"""The certificate for the home network, checked by OpenSSL, which is not ours."""

from __future__ import annotations

import socket
import ssl
import sys
import threading
from datetime import UTC, datetime, timedelta
from hashlib import sha256
from pathlib import Path

import pytest

from app.web.server.certificate import VALID_DAYS, certificate_for
from rules.errors import CuproscopeError

ADDRESS = "192.168.1.5"
NOW = datetime.now(UTC)


def shaken_hands(pem: Path, *, name: str) -> bytes:
    """Return the certificate a client was shown that trusts nothing but this one."""
    trusting = ssl.create_default_context(cafile=str(pem))
    serving = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    serving.load_cert_chain(pem)
    ours, theirs = socket.socketpair()

    def serve() -> None:
        try:
            with serving.wrap_socket(ours, server_side=True) as held:
                held.recv(1)
        except OSError:  # the client did not trust it
            pass
        finally:
            ours.close()

    thread = threading.Thread(target=serve)
    thread.start()
    try:
        with trusting.wrap_socket(theirs, server_hostname=name) as client:
            shown = client.getpeercert(binary_form=True)
            client.sendall(b"x")
    finally:
        theirs.close()
        thread.join()
    assert shown is not None
    return shown


def test_a_client_that_trusts_it_gets_through_under_our_names_only(tmp_path: Path) -> None:
    made = certificate_for(ADDRESS, folder=tmp_path)
    for name in (ADDRESS, "localhost", "127.0.0.1"):
        shown = shaken_hands(made.path, name=name)
        assert made.fingerprint.replace(":", "") == sha256(shown).hexdigest().upper()
    with pytest.raises(ssl.SSLCertVerificationError):
        shaken_hands(made.path, name="192.168.1.6")


def test_it_stays_the_same_until_it_runs_out_or_the_address_changes(tmp_path: Path) -> None:
    first = certificate_for(ADDRESS, folder=tmp_path, now=NOW)
    assert certificate_for(ADDRESS, folder=tmp_path, now=NOW) == first
    later = NOW + timedelta(days=VALID_DAYS - 5)
    second = certificate_for(ADDRESS, folder=tmp_path, now=later)
    assert second.fingerprint != first.fingerprint
    third = certificate_for("10.0.0.7", folder=tmp_path, now=later)
    assert third.fingerprint != second.fingerprint


@pytest.mark.parametrize("damage", [b"", b"-----BEGIN CERTIFICATE-----", b"\0" * 99])
def test_a_damaged_one_is_made_anew(tmp_path: Path, damage: bytes) -> None:
    first = certificate_for(ADDRESS, folder=tmp_path)
    first.path.write_bytes(damage)
    second = certificate_for(ADDRESS, folder=tmp_path)
    assert shaken_hands(second.path, name=ADDRESS)
    assert second.fingerprint != first.fingerprint


@pytest.mark.skipif(sys.platform == "win32", reason="no permission bits")
def test_nobody_else_may_read_the_key(tmp_path: Path) -> None:
    first = certificate_for(ADDRESS, folder=tmp_path)
    assert first.path.stat().st_mode & 0o777 == 0o600
    first.path.chmod(0o644)  # somebody may have read it meanwhile
    second = certificate_for(ADDRESS, folder=tmp_path)
    assert second.fingerprint != first.fingerprint
    assert second.path.stat().st_mode & 0o777 == 0o600


def test_a_folder_that_can_t_be_written_to_is_told(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(CuproscopeError, match="can't be written"):
        certificate_for(ADDRESS, folder=tmp_path / "file" / "tls")
