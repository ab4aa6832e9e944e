"""Passwords and tokens: from the environment or a file, never from the configuration itself."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from monitor.config.documents import Document
from monitor.config.faults import Faults
from monitor.config.positions import KeyPath
from monitor.config.tables import Table
from monitor.config.wording import shown
from monitor.model import Secret

_LONGEST = 64 * 1024


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
