"""Passwords and tokens: from the environment or a file, never from the configuration itself."""

from __future__ import annotations

import base64
import binascii
from collections.abc import Mapping
from pathlib import Path

from monitor.config.documents import Document
from monitor.config.faults import Faults
from monitor.config.positions import KeyPath
from monitor.config.tables import Table
from monitor.config.wording import shown
from monitor.settings import Secret

_LONGEST = 64 * 1024
_MARK = "whsec_"
_SIGNING_BYTES = (24, 64)
SIGNING_KEY = ("whsec_ and 24 to 64 random bytes in base64 (Standard Webhooks 1.0.0, signature scheme), "
                  "as `openssl rand -base64 32` makes them")


def read_secret(
    document: Document, path: KeyPath, table: Table, name: str, environ: Mapping[str, str], faults: Faults
) -> Secret | None:
    """The secret that `NAME_env` or `NAME_file` of a table points to; None where neither does, or with a fault."""
    variable, file = getattr(table, f"{name}_env"), getattr(table, f"{name}_file")
    if variable is not None and file is not None:
        faults.add(document, (*path, f"{name}_file"), f"{name}_env and {name}_file", "one of the two")
        return None
    if variable is not None:
        return _from_environment(document, (*path, f"{name}_env"), variable, environ, faults)
    if file is not None:
        return _from_file(document, (*path, f"{name}_file"), document.folder / file, faults)
    return None


def secret_path(path: KeyPath, table: Table, name: str) -> KeyPath:
    """The key that a secret was read from, for a fault of what it holds."""
    return *path, f"{name}_file" if getattr(table, f"{name}_env") is None else f"{name}_env"


def is_signing_secret(secret: Secret) -> bool:
    """Whether a webhook can be signed with it; the mark in front may be left out, and the padding."""
    text = secret.reveal().removeprefix(_MARK)
    try:
        size = len(base64.b64decode(text + "=" * (-len(text) % 4), validate=True))
    except (binascii.Error, ValueError):
        return False
    return _SIGNING_BYTES[0] <= size <= _SIGNING_BYTES[1]


def _from_environment(
    document: Document, path: KeyPath, variable: str, environ: Mapping[str, str], faults: Faults
) -> Secret | None:
    value = environ.get(variable, "")
    if not value:
        state = "empty" if variable in environ else "not set"
        faults.add(document, path, f"{variable}, an environment variable that is {state}",
                   "a variable that holds the secret")
    return Secret(value) if value else None


def _from_file(document: Document, path: KeyPath, file: Path, faults: Faults) -> Secret | None:
    accepted = "a readable text file that holds nothing but the secret"
    try:
        if not file.is_file():
            faults.add(document, path, f"{shown(str(file), 400)}, which is no file", accepted)
            return None
        with file.open("rb") as stream:
            content = stream.read(_LONGEST).decode().rstrip("\r\n")
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or "not text in UTF-8"
        faults.add(document, path, f"{shown(str(file), 400)}, which cannot be read ({reason.lower()})", accepted)
        return None
    if not content:
        faults.add(document, path, f"{shown(str(file), 400)}, an empty file", accepted)
    return Secret(content) if content else None
