"""A folder of cases for the page, and every change of labels, whoever asks for it."""

from __future__ import annotations

import contextlib
import fcntl
import hashlib
import json
import os
from collections.abc import Callable, Iterator, Mapping, Sequence
from functools import lru_cache
from pathlib import Path
from typing import Any

from markupsafe import Markup

from monitor.config.overrides import template_of
from monitor.errors import InputError
from monitor.replay.minutes import Minutes, read_minutes
from monitor.skid import SkidSettings
from monitor.times import parse_rfc3339, to_rfc3339
from monitor.tuning import proposals as labels
from monitor.tuning.around import draw_around
from monitor.tuning.cases import (
    ABOUT,
    CONFIGURATION,
    LABELS,
    MINUTES,
    broken_files,
    is_case,
    read_about,
    write_labels,
    zone_of,
)
from monitor.tuning.labels import DETAILS, Label, labels_of, read_document
from monitor.web.cases import Case, Entry

CLEARED = ("until", "vessel", "signal", "detail")       # what a correction may empty
NAMED = ("vessel", "detail", "signal", "what", "by")


def relabel(folder: Path, skid: SkidSettings, change: Callable[[dict[str, Any]], int]) -> int:
    """Change a case's labels, checksums after them; InputError leaves everything as it was. Returns what `change`
    does: to how many entries."""
    with _alone(folder):
        others = [name for name in broken_files(folder) if not name.startswith(LABELS)]
        if others:
            raise InputError(f"{folder}: changed since it was made: {', '.join(others)}; labels are left as they are")
        document = read_document(folder / LABELS)
        labels_of(document, str(folder / LABELS))
        count = change(document)
        span = _span(read_about(folder / ABOUT))
        for label in labels_of(document, str(folder / LABELS)).events:
            _check_names(skid, label)
            if not span[0] <= label.end or not label.first <= span[1]:
                raise InputError(f"time {to_rfc3339(label.time)}: is not in the recording; accepted: a time from "
                                 f"{to_rfc3339(span[0])} to {to_rfc3339(span[1])}")
        write_labels(folder, document)
        return count


@contextlib.contextmanager
def _alone(folder: Path) -> Iterator[None]:
    """One change at a time, from however many programs."""
    try:
        held = os.open(folder, os.O_RDONLY)
    except OSError as error:
        raise InputError(f"{folder}: cannot be read ({(error.strerror or str(error)).lower()})") from None
    try:
        fcntl.flock(held, fcntl.LOCK_EX)
        yield
    finally:
        os.close(held)


def _span(about: Mapping[str, Any]) -> tuple[int, int]:
    """First and last reading, ns."""
    first, last = (parse_rfc3339(str(about.get(key))) for key in ("first", "last"))
    return (first, last) if isinstance(first, int) and isinstance(last, int) else (0, 0)


def _check_names(skid: SkidSettings, label: Label) -> None:
    """A label of a kind, vessel, signal or detail that does not exist would never be found."""
    kind, vessel, detail = label.kind, label.vessel, label.detail
    if kind not in skid.alarms:
        raise InputError(f"kind {kind}: accepted: {', '.join(skid.alarms)}")
    if vessel is not None and vessel not in skid.vessels:
        raise InputError(f"vessel {vessel}: accepted: {', '.join(skid.vessels)}")
    if label.signal is not None and label.signal not in (signals := [signal.id for signal in skid.signals]):
        raise InputError(f"signal {label.signal}: accepted: {', '.join(signals)}")
    if detail is not None and detail not in DETAILS.get(kind, ()):
        raise InputError(f"detail {detail} of {kind}: accepted: {', '.join(DETAILS.get(kind, ())) or 'none'}")


class CaseBook:
    """The cases of one folder; what `monitor.web.cases.Cases` asks for."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder

    def names(self) -> Sequence[str]:
        try:
            found = [path.name for path in self._folder.iterdir() if is_case(path)]
        except OSError:
            return []
        return sorted(found, reverse=True)

    def case(self, name: str) -> Case:
        folder = self._folder / name
        about, skid = read_about(folder / ABOUT), self._skid(name)
        document = read_document(folder / LABELS)
        labels_of(document, LABELS)
        entries = sorted((_entry(list_, entry) for _, list_, entry in labels.numbered(document)), key=lambda e: e.time)
        first, last = _span(about)
        kinds = {kind: DETAILS.get(kind, ()) for kind in skid.alarms}
        return Case(name, skid.id, skid.vessels, [signal.id for signal in skid.signals], first, last, entries, kinds,
                    zone_of(about))

    def plot(self, name: str, time: int) -> Markup:
        path = self._folder / name / MINUTES
        if not path.is_file():
            return Markup("")
        minutes, zone = _minutes(path, path.stat().st_mtime_ns), zone_of(read_about(self._folder / name / ABOUT))
        return draw_around(minutes, [(time, "medium")], self._skid(name), zone)

    def change(self, name: str, act: str, entries: Sequence[str], fields: Mapping[str, str], who: str) -> int:
        return relabel(self._folder / name, self._skid(name),
                       lambda document: _changed(document, act, entries, fields, who))

    def _skid(self, name: str) -> SkidSettings:
        folder = self._folder / name
        return template_of(folder / CONFIGURATION, read_about(folder / ABOUT)["skid"]).settings({})


@lru_cache(maxsize=8)
def _minutes(path: Path, changed: int) -> Minutes:
    return read_minutes(path)


def _id(name: str, entry: Mapping[str, Any]) -> str:
    """Of an entry as it stands: one that was changed meanwhile is another."""
    return hashlib.sha256(f"{name}{json.dumps(entry, sort_keys=True)}".encode()).hexdigest()[:12]


def _entry(name: str, entry: Mapping[str, Any]) -> Entry:
    until = parse_rfc3339(str(entry["until"])) if entry.get("until") else None
    time = parse_rfc3339(str(entry["time"]))
    assert isinstance(time, int), "checked when the labels were read"
    texts = {key: entry.get(key) for key in NAMED}
    within = entry.get("within_s")
    return Entry(_id(name, entry), name, time, entry.get("kind"), until=until if isinstance(until, int) else None,
                 within_s=float(within) if isinstance(within, (int, float)) else None, **texts)


def _changed(document: dict[str, Any], act: str, entries: Sequence[str], fields: Mapping[str, str], who: str) -> int:
    why, told = fields.get("why", ""), _told(fields)
    if act == "add":
        labels.add(document, {key: value for key, value in told.items() if value is not None}, by=who)
        return 1
    known = {_id(name, entry): number for number, name, entry in labels.numbered(document)}
    if missing := [entry for entry in entries if entry not in known]:
        raise InputError(f"{len(missing)} of them {'has' if len(missing) == 1 else 'have'} been changed since: look "
                         "at the list again")
    numbers = ",".join(str(known[entry]) for entry in entries)
    if act == "confirm":
        return labels.confirm(document, numbers, by=who)
    if act == "reject":
        return labels.reject(document, numbers, why, by=who)
    if act == "drop":
        return labels.drop(document, numbers)
    return labels.correct(document, numbers, told, by=who)


def _told(fields: Mapping[str, str]) -> dict[str, Any]:
    """Fields as labels.json has them; None: to be emptied."""
    told: dict[str, Any] = {key: fields.get(key) or None for key in CLEARED}
    told |= {key: fields[key] for key in ("time", "kind") if fields.get(key)}
    if fields.get("within_s"):
        try:
            told["within_s"] = float(fields["within_s"].replace(",", "."))
        except ValueError:
            raise InputError(f"found {fields['within_s']}; accepted: a number of seconds") from None
    return told

