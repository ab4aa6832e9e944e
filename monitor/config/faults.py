"""Collecting faults, so that all of them are told at once and in the order of the files."""

from __future__ import annotations

import re
from collections.abc import Sequence

from monitor.config.documents import Document
from monitor.config.positions import KeyPath, line_of
from monitor.config.wording import nearest, one_of, shown
from monitor.errors import ConfigError, Fault


class Faults:
    """Faults found so far."""

    def __init__(self) -> None:
        self._found: list[tuple[int, int, int, Fault]] = []
        self.unreadable = 0     # files that gave no document

    def add(self, document: Document, path: KeyPath, found: str, accepted: str) -> None:
        """A fault at a key of a document; the key gets its signal's id and its line."""
        line = line_of(document.lines, path)
        notes = [note for note in (_signal_id(document, path), f"line {line}" if line else "") if note]
        key = key_text(path) + (f" ({', '.join(notes)})" if notes else "")
        self._put(document.order, line or 0, Fault(document.name, key, found, accepted))

    def add_unreadable(self, file: str, order: int, where: str, found: str, accepted: str) -> None:
        """A fault of a file as a whole, or of its syntax."""
        self.unreadable += 1
        self._put(order, 0, Fault(file, where, found, accepted))

    def unknown_key(self, document: Document, path: KeyPath, known: Sequence[str]) -> None:
        """A key that nothing reads. Its value is not shown: it may be a secret under a misspelt name."""
        name = str(path[-1])
        close = nearest(name, known)
        suggestion = f" (did you mean {close}?)" if close else ""
        self.add(document, path, f"an unknown key{suggestion}", one_of(known))

    def raise_if_any(self) -> None:
        """ConfigError with every fault, by file, then position."""
        if self._found:
            raise ConfigError([fault for *_, fault in sorted(self._found, key=lambda f: f[:3])])

    def _put(self, order: int, line: int, fault: Fault) -> None:
        self._found.append((order, line, len(self._found), fault))


def key_text(path: KeyPath) -> str:
    """A path as written in messages.

    >>> key_text(("signal", 2, "range"))
    'signal[2].range'
    """
    text = ""
    for part in path:
        if isinstance(part, int):
            text += f"[{part}]"
        else:
            text += ("." if text else "") + (part if re.fullmatch(r"[A-Za-z0-9_-]+", part) else shown(part))
    return text


def _signal_id(document: Document, path: KeyPath) -> str:
    signals = document.data.get("signal")
    if path[:1] != ("signal",) or len(path) < 2 or not isinstance(signals, list) or not isinstance(path[1], int):
        return ""
    table = signals[path[1]] if path[1] < len(signals) else None
    name = table.get("id") if isinstance(table, dict) else None
    return shown(name).strip('"') if isinstance(name, str) and name else ""
