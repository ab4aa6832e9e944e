"""labels.json: what a recording holds, what only looks like it, and spans in which a raise is neither.

Proposals stand beside them under `proposals`: they count for nothing until somebody confirms them.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from monitor.errors import InputError
from monitor.model import NS
from monitor.times import parse_rfc3339

# What an event of a kind may say (contract).
DETAILS = {
    "element-breach": ("in-service", "after-restart"),
    "changeout-done": ("good", "resistance-low", "resistance-high", "unverified"),
    "changeout-suspect": ("resistance-low", "resistance-high"),
    "closure-seep": ("pressure-decay", "leak-sensor"),
    "signal-fault": ("stale", "frozen", "out-of-range", "swapped", "zero-shift", "spikes"),
}
EARLY_S = 30.0      # how long before its time an event already counts, where the label does not say (contract)


@dataclass(frozen=True, slots=True)
class Label:
    """An event that is to be found. Times ns; `until`: when its condition ends."""

    time: int
    kind: str
    within_s: float
    vessel: str | None = None
    detail: str | None = None
    early_s: float = EARLY_S
    until: int | None = None
    signal: str | None = None
    signal_ok: tuple[str, ...] = ()
    verdict_ok: tuple[str, ...] = ()

    @property
    def first(self) -> int:
        """From when a detection counts."""
        return self.time - round(self.early_s * NS)

    @property
    def last(self) -> int:
        """Up to when it counts as in time."""
        return self.time + round(self.within_s * NS)

    @property
    def end(self) -> int:
        """Up to when a raise is late, not false."""
        return self.last if self.until is None else max(self.last, self.until)


@dataclass(frozen=True, slots=True)
class Decoy:
    """Something that looks like an event and is none."""

    time: int
    until: int
    what: str


@dataclass(frozen=True, slots=True)
class Allowed:
    """A span in which a raise of a kind is neither expected nor false; detail None: whatever it says."""

    kind: str
    time: int
    until: int
    detail: str | None = None


@dataclass(frozen=True, slots=True)
class Labels:
    events: tuple[Label, ...] = ()
    decoys: tuple[Decoy, ...] = ()
    allowed: tuple[Allowed, ...] = ()
    proposals: int = 0          # not confirmed yet


def read_labels(path: Path) -> Labels:
    """The labels of a file; InputError names the file, the entry, what was found and what is accepted."""
    return labels_of(read_document(path), str(path))


def read_document(path: Path) -> dict[str, Any]:
    """A labels.json as parsed."""
    try:
        content = json.loads(path.read_text(encoding="utf-8-sig"))
    except OSError as error:
        raise InputError(f"{path}: cannot be read: {(error.strerror or str(error)).lower()}; accepted: the labels.json "
                         "of a recording") from None
    except (UnicodeDecodeError, json.JSONDecodeError, RecursionError) as error:
        at = f", line {error.lineno}" if isinstance(error, json.JSONDecodeError) else ""
        raise InputError(f"{path}{at}: no JSON; accepted: an object with lists events, decoys and allowed") from None
    if not isinstance(content, dict):
        raise InputError(f"{path}: found no object; accepted: an object with lists events, decoys and allowed")
    return content


def labels_of(document: dict[str, Any], file: str) -> Labels:
    """Parsed labels checked; keys that are not known are left alone."""
    reader = _Reader(document, file)
    return Labels(
        tuple(sorted(reader.all("events", _label), key=lambda label: label.time)),
        tuple(reader.all("decoys", _decoy)),
        tuple(reader.all("allowed", _allowed)),
        len(document.get("proposals") or ()),
    )


@dataclass(slots=True)
class _Entry:
    """One object of a list, and how to say where it stands."""

    content: dict[str, Any]
    where: str
    seen: list[str] = field(default_factory=list)

    def refuse(self, key: str, accepted: str) -> InputError:
        found = json.dumps(self.content[key])[:60] if key in self.content else "nothing"
        return InputError(f"{self.where}.{key}: found {found}; accepted: {accepted}")

    def text(self, key: str) -> str:
        value = self.content.get(key)
        if not isinstance(value, str) or not value:
            raise self.refuse(key, "a word")
        return value

    def perhaps(self, key: str) -> str | None:
        return None if self.content.get(key) is None else self.text(key)

    def time(self, key: str) -> int:
        value = self.content.get(key)
        found = parse_rfc3339(value) if isinstance(value, str) else "no text"
        if isinstance(found, str):
            raise self.refuse(key, 'a time with its offset, as "2026-04-14T07:16:00Z"')
        return found

    def seconds(self, key: str, default: float | None = None) -> float:
        value = self.content.get(key, default)
        if isinstance(value, bool) or not isinstance(value, (int, float)) or not 0 <= value < 1e9:
            raise self.refuse(key, "a number of seconds, zero or more")
        return float(value)

    def words(self, key: str) -> tuple[str, ...]:
        value = self.content.get(key, [])
        if not isinstance(value, list) or not all(isinstance(word, str) for word in value):
            raise self.refuse(key, "a list of words")
        return tuple(value)


class _Reader:
    def __init__(self, document: dict[str, Any], file: str) -> None:
        self.document, self.file = document, file

    def all(self, name: str, make: Callable[[_Entry], Any]) -> list[Any]:
        entries = self.document.get(name, [])
        if not isinstance(entries, list):
            raise InputError(f"{self.file}: {name}: found no list; accepted: a list of objects")
        made = []
        for place, content in enumerate(entries):
            where = f"{self.file}: {name}[{place}]"
            if not isinstance(content, dict):
                raise InputError(f"{where}: found no object; accepted: an object with time and kind")
            made.append(make(_Entry(content, where)))
        return made


def _label(entry: _Entry) -> Label:
    time, until = entry.time("time"), None
    if entry.content.get("until") is not None:
        until = _after(entry, time)
    return Label(
        time=time, kind=entry.text("kind"), within_s=entry.seconds("within_s"),
        vessel=entry.perhaps("vessel"), detail=entry.perhaps("detail"), early_s=entry.seconds("early_s", EARLY_S),
        until=until, signal=entry.perhaps("signal"), signal_ok=entry.words("signal_ok"),
        verdict_ok=entry.words("verdict_ok"),
    )  # fmt: skip


def _after(entry: _Entry, time: int) -> int:
    """When it ended."""
    until = entry.time("until")
    if until < time:
        raise entry.refuse("until", f"a time that is not before its beginning, {entry.content['time']}")
    return until


def _decoy(entry: _Entry) -> Decoy:
    time = entry.time("time")
    return Decoy(time, _after(entry, time), entry.perhaps("what") or "")


def _allowed(entry: _Entry) -> Allowed:
    time = entry.time("time")
    return Allowed(entry.text("kind"), time, _after(entry, time), entry.perhaps("detail"))
