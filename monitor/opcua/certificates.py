"""The server's own certificate: given, or made once and kept beside the store."""

from __future__ import annotations

import ipaddress
import os
import socket
from datetime import UTC, datetime
from pathlib import Path

from asyncua.crypto.cert_gen import dump_private_key_as_pem, generate_private_key, generate_self_signed_app_certificate
from cryptography import x509
from cryptography.hazmat.primitives.serialization import Encoding
from cryptography.x509.oid import ExtendedKeyUsageOID

DAYS = 730
NAME = "bagwright-opcua"


def own(folder: Path, uri: str, host: str) -> tuple[Path, Path, bool]:
    """Certificate and key in `folder`, and whether they were made just now: none were there, or they had run out."""
    certificate, key = folder / f"{NAME}.pem", folder / f"{NAME}.key"
    if key.exists() and certificate.exists():
        known = x509.load_pem_x509_certificate(certificate.read_bytes())
        if known.not_valid_after_utc > datetime.now(UTC):
            return certificate, key, False
    made = generate_private_key()
    names: list[x509.GeneralName] = [x509.UniformResourceIdentifier(uri), x509.DNSName(socket.gethostname())]
    try:
        names.append(x509.IPAddress(ipaddress.ip_address(host)))
    except ValueError:
        names.append(x509.DNSName(host))
    signed = generate_self_signed_app_certificate(made, "Bagwright", {}, names, [ExtendedKeyUsageOID.SERVER_AUTH], DAYS)
    with open(os.open(key, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600), "wb") as file:
        file.write(dump_private_key_as_pem(made))
    certificate.write_bytes(signed.public_bytes(Encoding.PEM))
    return certificate, key, True
