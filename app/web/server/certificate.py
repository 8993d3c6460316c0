"""The certificate under which the home network reaches the pages: made here, once, by us.

Nobody vouches for it, so a browser warns at the first visit; its fingerprint, shown in the
terminal, is how a person knows that they speak to this computer and to nobody in between.
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from ipaddress import ip_address
from pathlib import Path

from app.files import write_bytes_whole
from rules.errors import CuproscopeError

NAME = "lan.pem"

VALID_DAYS = 397
"""The longest that Apple's devices take a server's certificate for (as of 2020, from memory)."""

RENEWED_BEFORE_DAYS = 7


@dataclass(frozen=True, slots=True, kw_only=True)
class Certificate:
    """A certificate with its key.

    Attributes:
        path: PEM file that holds the key and the certificate; nobody else may read it.
        fingerprint: SHA-256 of the certificate as browsers show it: ``AB:CD:...``.
    """

    path: Path
    fingerprint: str


def certificate_for(address: str, *, folder: Path, now: datetime | None = None) -> Certificate:
    """Return the certificate of this machine for one of its addresses, made where needed.

    It stays the same until it runs out or the address changes, so that a browser asks once.

    Args:
        address: IP address under which phones reach this machine.
        folder: Where it is kept.
        now: The moment, with its time zone; None takes the clock's.

    Raises:
        CuproscopeError: It can't be written.
    """
    moment = datetime.now(UTC) if now is None else now
    path = folder / NAME
    found = _fingerprint_if_good(path, address, moment)
    if found is None:
        try:
            folder.mkdir(parents=True, exist_ok=True)
            write_bytes_whole(path, _made(address, moment), mode=0o600)
        except OSError as fault:
            raise CuproscopeError(
                f"the certificate can't be written: {fault.strerror or fault}", where=str(path)
            ) from fault
        found = _fingerprint_if_good(path, address, moment)
        assert found is not None
    return Certificate(path=path, fingerprint=found)


def _made(address: str, moment: datetime) -> bytes:
    """Return a fresh key and a certificate signed with it, as PEM."""
    from cryptography import x509
    from cryptography.hazmat.primitives import hashes
    from cryptography.hazmat.primitives.asymmetric import ec
    from cryptography.hazmat.primitives.serialization import (
        Encoding,
        NoEncryption,
        PrivateFormat,
    )
    from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

    key = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "Cuproscope on this network")])
    names = x509.SubjectAlternativeName(
        [
            x509.IPAddress(ip_address(address)),
            x509.DNSName("localhost"),
            x509.IPAddress(ip_address("127.0.0.1")),
        ]
    )
    made = (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(moment - timedelta(days=1))  # phones' clocks differ
        .not_valid_after(moment + timedelta(days=VALID_DAYS - 1))
        .add_extension(names, critical=False)
        .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .add_extension(x509.ExtendedKeyUsage([ExtendedKeyUsageOID.SERVER_AUTH]), critical=False)
        .sign(key, hashes.SHA256())
    )
    return key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption()) + made.public_bytes(
        Encoding.PEM
    )


def _fingerprint_if_good(path: Path, address: str, moment: datetime) -> str | None:
    """Return the fingerprint of a kept certificate; None where it must be made anew."""
    from cryptography import x509
    from cryptography.hazmat.primitives import hashes
    from cryptography.hazmat.primitives.serialization import load_pem_private_key

    try:
        pem = path.read_bytes()
        kept = x509.load_pem_x509_certificate(pem)
        is_ours = load_pem_private_key(pem, None).public_key() == kept.public_key()
        names = kept.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
        is_private = os.name == "nt" or path.stat().st_mode & 0o077 == 0
    except (OSError, ValueError, TypeError, x509.ExtensionNotFound):
        return None
    lasts = kept.not_valid_after_utc - moment > timedelta(days=RENEWED_BEFORE_DAYS)
    named = ip_address(address) in names.get_values_for_type(x509.IPAddress)
    if not (is_ours and is_private and named and lasts and kept.not_valid_before_utc <= moment):
        return None
    return kept.fingerprint(hashes.SHA256()).hex(":").upper()
