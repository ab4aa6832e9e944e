"""Readings back out of the store: recent rows and packed hours as one."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from monitor.errors import StoreError
from monitor.model import Quality, Rows
from monitor.store.catalogue import versions
from monitor.store.connection import Handle, integers
from monitor.store.intake import NOT_FED, QUALITY_BITS, VERSION_SHIFT
from monitor.store.packing import Hour, unpack
from monitor.store.types import HOUR, SignalVersion

Ints = npt.NDArray[np.int64]
QUALITIES = tuple(Quality)


class Readings(NamedTuple):
    """Readings of several signals in order of (time, place). place: position in the refs asked for."""

    time: Ints
    place: Ints
    bits: Ints
    flags: Ints

    def take(self, index: Any) -> Readings:
        return Readings(*(column[index] for column in self))

    def rows(self) -> Rows:
        """As the program's rows. Values are the bits stored."""
        return Rows(self.time, self.place.astype(np.int16), self.bits.view(np.float64),
                    (self.flags & QUALITY_BITS).astype(np.uint8))


def read(handle: Handle, refs: Sequence[int], start: int, end: int) -> Readings:
    """Readings of the signals `refs` with start <= time < end (ns)."""
    with handle.snapshot():  # an hour being packed is then seen on one side only
        parts = [_packed(handle, place, ref, start, end) for place, ref in enumerate(refs)]
        parts.append(_recent(handle, refs, start, end))
    together = Readings(*(np.concatenate(column) for column in zip(*parts, strict=True)))
    together = together.take(np.lexsort((together.place, together.time)))
    return together.take(_first_of_key(together))


def _first_of_key(readings: Readings) -> npt.NDArray[np.bool_]:
    """A program that died while packing leaves rows that are in their hour already."""
    first = np.ones(readings.time.size, np.bool_)
    first[1:] = (np.diff(readings.time) != 0) | (np.diff(readings.place) != 0)
    return first


def _packed(handle: Handle, place: int, ref: int, start: int, end: int) -> Readings:
    blobs = handle.query("SELECT body FROM packed WHERE signal = ? AND hour BETWEEN ? AND ? ORDER BY hour",
                         (ref, start // HOUR, (end - 1) // HOUR))
    hours = [unpack_named(handle, ref, blob) for (blob,) in blobs]
    if not hours:
        return Readings(*(np.empty(0, np.int64) for _ in range(4)))
    time, bits, flags = (np.concatenate(column) for column in zip(*hours, strict=True))
    within = slice(*np.searchsorted(time, (start, end)))
    return Readings(time[within], np.full(time[within].size, place, np.int64), bits[within], flags[within])


def unpack_named(handle: Handle, ref: int, blob: bytes) -> Hour:
    """`unpack`, whose fault says whose readings they are."""
    try:
        return unpack(blob)
    except StoreError as error:
        name = handle.one("SELECT k.id, s.id FROM signal s JOIN skid k ON k.ref = s.skid WHERE s.ref = ?", (ref,))
        skid, signal = name or ("?", "?")
        raise StoreError(f"{handle.path}: skid {skid}, signal {signal}: {error}. Other hours can still be read; "
                         "restore this file from a copy to have them back") from None


def _recent(handle: Handle, refs: Sequence[int], start: int, end: int) -> Readings:
    marks = ", ".join("?" * len(refs))
    with handle.lock:
        cursor = handle.db.execute(f"""SELECT time, signal, bits, flags FROM recent
            WHERE time >= ? AND time < ? AND signal IN ({marks})""", (start, end, *refs))  # noqa: S608 (question marks)
        time, signal, bits, flags = integers(cursor, 4).T.copy()
    by_ref = np.argsort(refs)
    place = by_ref[np.searchsorted(np.asarray(refs, np.int64), signal, sorter=by_ref)]
    return Readings(time, place, bits, flags)


def fed(readings: Readings) -> Readings:
    """Those that were fed to the engine."""
    return readings.take((readings.flags & NOT_FED) == 0)


def in_present_units(handle: Handle, refs: Sequence[int], readings: Readings) -> Readings:
    """Values taken under former settings in today's unit; those taken while the id had another role are left out."""
    keep = np.ones(readings.time.size, np.bool_)
    bits = readings.bits.copy()
    taken = readings.flags >> VERSION_SHIFT
    for place, ref in enumerate(refs):
        known = versions(handle, ref)
        for old in known[:-1]:
            mine = (readings.place == place) & (taken == old.version)
            bits[mine] = converted(bits[mine].view(np.float64), old, known[-1]).view(np.int64)
            keep[mine] = same_quantity(old, known[-1])
    return readings._replace(bits=bits).take(keep)


def same_quantity(old: SignalVersion, new: SignalVersion) -> bool:
    return (old.role, old.vessel) == (new.role, new.vessel)


def converted(value: npt.NDArray[np.float64], old: SignalVersion, new: SignalVersion) -> npt.NDArray[np.float64]:
    """Readings of `old` settings in the unit of `new`; untouched where the unit is the same."""
    if (old.scale, old.offset) == (new.scale, new.offset):
        return value
    return (value * old.scale + (old.offset - new.offset)) / new.scale


def hours_with_readings(handle: Handle, refs: Sequence[int], since: int) -> Iterator[int]:
    """Hours from `since` (ns) on that may hold readings of the signals, rising."""
    marks = ", ".join("?" * len(refs))
    packed = handle.query(f"SELECT DISTINCT hour FROM packed WHERE signal IN ({marks}) AND hour >= ?",  # noqa: S608
                          (*refs, since // HOUR))
    first = handle.one("SELECT time FROM recent WHERE time >= ? ORDER BY time LIMIT 1", (since,))
    last = handle.one("SELECT time FROM recent ORDER BY time DESC LIMIT 1")
    recent = range(first[0] // HOUR, last[0] // HOUR + 1) if first and last else range(0)
    yield from sorted({hour for (hour,) in packed}.union(recent))


def latest(handle: Handle, refs: dict[str, int]) -> dict[str, tuple[int, float, Quality]]:
    """Signal id -> (time, value, quality) of the newest reading, in today's unit."""
    places = {ref: place for place, ref in enumerate(refs.values())}
    marks = ", ".join("?" * len(refs))
    found = handle.query(f"SELECT time, signal, bits, flags FROM latest WHERE signal IN ({marks})",  # noqa: S608
                         tuple(refs.values()))
    stored = Readings(*integers(((t, places[s], b, f) for t, s, b, f in found), 4).T.copy())
    rows = in_present_units(handle, list(refs.values()), stored).rows()
    names = list(refs)
    return {names[place]: (time, value, Quality(quality)) for time, place, value, quality in
            zip(*(column.tolist() for column in rows), strict=True)}


def all_latest(handle: Handle) -> dict[str, dict[str, tuple[int, float, Quality]]]:
    """Skid -> `latest` of it: one question where thousands would be asked."""
    with handle.snapshot():
        rows = handle.query("""SELECT k.id, s.id, s.ref, s.version, l.time, l.bits, l.flags FROM latest l
                               JOIN signal s ON s.ref = l.signal JOIN skid k ON k.ref = s.skid
                               WHERE s.place IS NOT NULL""")
        former = {(row[0], row[1]): row[2] for row in rows if row[6] >> VERSION_SHIFT != row[3]}
        values = np.array([row[5] for row in rows], np.int64).view(np.float64).tolist()
        found: dict[str, dict[str, tuple[int, float, Quality]]] = {}
        for (skid, name, _, _, time, _, flags), value in zip(rows, values, strict=True):
            if (skid, name) not in former:
                found.setdefault(skid, {})[name] = (time, value, QUALITIES[flags & QUALITY_BITS])
        for (skid, name), ref in former.items():
            found.setdefault(skid, {}).update(latest(handle, {name: ref}))
    return found
