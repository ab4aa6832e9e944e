"""Files that a configuration names: certificates and keys, from the document's folder."""

from __future__ import annotations

from monitor.config.documents import Document
from monitor.config.faults import Faults
from monitor.config.positions import KeyPath
from monitor.config.tables import Table
from monitor.config.wording import shown

PEM = "a file in PEM format"
PEM_OR_DER = "a file in PEM or DER format"


def file_at(document: Document, path: KeyPath, table: Table, faults: Faults, accepted: str = PEM) -> str | None:
    """The file that the last key of the path names in its table; None where it names none."""
    name = getattr(table, str(path[-1]))
    if name is None:
        return None
    file = document.folder / name
    if not file.is_file():
        faults.add(document, path, f"{shown(str(file), 400)}, which is no file", accepted)
    return str(file)


def check_pair(document: Document, path: KeyPath, table: Table, faults: Faults,
               accepted: str = "both, or neither") -> None:  # fmt: skip
    """A certificate and its key come together."""
    for key, other in (("cert_file", "key_file"), ("key_file", "cert_file")):
        if getattr(table, key) is not None and getattr(table, other) is None:
            faults.add(document, (*path, key), f"{key} without {other}", accepted)
