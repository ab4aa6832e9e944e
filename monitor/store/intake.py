"""Readings into the store: what is new, what is a second delivery, what contradicts it.

A reading newer than all of its signal is new without looking. The others are looked up by (time, signal),
in the recent rows and in the hours already packed.
"""

from __future__ import annotations

from collections import Counter, OrderedDict
from collections.abc import Sequence
from typing import NamedTuple

import apsw
import numpy as np
import numpy.typing as npt

from monitor.errors import StoreError
from monitor.model import Quality, Reason, Rejection, Rows
from monitor.store.catalogue import Catalogue
from monitor.store.packing import Hour, unpack
from monitor.store.types import HOUR

QUALITY_BITS, NOT_FED, VERSION_SHIFT = 3, 4, 3
_INSERT = "INSERT INTO recent (time, signal, bits, flags) VALUES (?, ?, ?, ?)"
_CACHED_HOURS = 256

Ints = npt.NDArray[np.int64]


class Arrivals(NamedTuple):
    """Readings of a batch in order of arrival. signal: ref of the store."""

    time: Ints
    signal: Ints
    bits: Ints
    flags: Ints

    def take(self, index: Ints) -> Arrivals:
        return Arrivals(*(column[index] for column in self))

    def tuples(self) -> list[tuple[int, int, int, int]]:
        return list(zip(*(column.tolist() for column in self), strict=True))


class Stored(NamedTuple):
    """Outcome of a batch's readings."""

    rows: Arrivals                          # the new ones
    repeated: Counter[tuple[str, str]]      # (skid, signal id) -> how many
    conflicting: list[Rejection]


class PackedHours:
    """Hours read back for look-ups, the last ones kept unpacked."""

    def __init__(self, db: apsw.Connection) -> None:
        self._db = db
        self._kept: OrderedDict[tuple[int, int], Hour | None] = OrderedDict()

    def find(self, time: int, signal: int) -> tuple[int, int] | None:
        """(bits, flags) of a packed reading, or None."""
        hour = self._hour(signal, time // HOUR)
        if hour is None:
            return None
        at = int(np.searchsorted(hour.time, time))
        if at == hour.time.size or hour.time[at] != time:
            return None
        return int(hour.bits[at]), int(hour.flags[at])

    def forget(self, signal: int, hour: int) -> None:
        """After the hour was packed anew or dropped."""
        self._kept.pop((signal, hour), None)

    def clear(self) -> None:
        self._kept.clear()

    def _hour(self, signal: int, hour: int) -> Hour | None:
        key = (signal, hour)
        if key not in self._kept:
            body = self._db.execute("SELECT body FROM packed WHERE signal = ? AND hour = ?", key).get
            self._kept[key] = None if body is None else unpack(body)
            if len(self._kept) > _CACHED_HOURS:
                self._kept.popitem(last=False)
        self._kept.move_to_end(key)
        return self._kept[key]


def gather(catalogue: Catalogue, batch: Sequence[tuple[str, Rows, npt.NDArray[np.bool_]]]) -> Arrivals:
    """A batch's readings of all skids as one. Raises StoreError for a skid or signal the store was not told of."""
    if not batch:
        return Arrivals(*(np.empty(0, np.int64) for _ in range(4)))
    spans = [catalogue.span.get(skid, (0, 0)) for skid, _, _ in batch]
    first, number = np.repeat(spans, [rows.size for _, rows, _ in batch], axis=0).T
    rows = Rows(*(np.concatenate(column) for column in zip(*(rows for _, rows, _ in batch), strict=True)))
    if ((rows.signal < 0) | (rows.signal >= number)).any():
        unknown = [skid for (skid, r, _), (_, n) in zip(batch, spans, strict=True) if r.size and r.signal.max() >= n]
        raise StoreError(f"readings of skid {', '.join(unknown)} came before the store was told of all its signals")
    signal = catalogue.refs[first + rows.signal]
    fed = np.concatenate([np.asarray(fed, np.bool_) for _, _, fed in batch])
    flags = rows.quality.astype(np.int64) + NOT_FED * ~fed + (catalogue.version[signal] << VERSION_SHIFT)
    bits = rows.value.astype(np.float64, copy=False).view(np.int64)
    return Arrivals(rows.time.astype(np.int64, copy=False), signal, bits, flags)


def store(db: apsw.Connection, arrivals: Arrivals, catalogue: Catalogue, packed: PackedHours) -> Stored:
    """Inserts what is new, within the caller's transaction. The catalogue is left as it was."""
    fresh, doubtful = _split(arrivals, catalogue.newest)
    db.executemany(_INSERT, arrivals.take(fresh).tuples())
    added, repeated, conflicting = [], Counter[tuple[str, str]](), list[Rejection]()
    for index, row in zip(doubtful.tolist(), arrivals.take(doubtful).tuples(), strict=True):
        known = _find(db, packed, row)
        if known is None:
            db.execute(_INSERT, row)
            added.append(index)
        elif known == (row[2], row[3] & QUALITY_BITS):
            repeated[catalogue.names[row[1]]] += 1
        else:
            skid, signal = catalogue.names[row[1]]
            conflicting.append(conflict(skid, signal, row[0], _value(*row[2:]), _value(*known)))
    new = arrivals.take(np.concatenate((np.array(added, np.int64), fresh)))
    _keep_latest(db, new, catalogue.newest)
    return Stored(new, repeated, conflicting)


def _split(arrivals: Arrivals, newest: Ints) -> tuple[Ints, Ints]:
    """Indices of readings certainly new, in key order, and of those to look up, in order of arrival."""
    order = np.lexsort((arrivals.signal, arrivals.time))
    time, signal = arrivals.time[order], arrivals.signal[order]
    fresh = time > newest[signal]
    fresh[1:] &= (time[1:] != time[:-1]) | (signal[1:] != signal[:-1])
    return order[fresh], np.sort(order[~fresh])


def _find(db: apsw.Connection, packed: PackedHours, row: tuple[int, int, int, int]) -> tuple[int, int] | None:
    """(bits, quality) of the reading stored under the row's key."""
    known = db.execute("SELECT bits, flags FROM recent WHERE time = ? AND signal = ?", row[:2]).get
    known = known or packed.find(row[0], row[1])
    return None if known is None else (known[0], known[1] & QUALITY_BITS)


def conflict(skid: str, signal: str, time: int, came: tuple[float, int], kept: tuple[float, int]) -> Rejection:
    """A reading that contradicts the one stored for its time [ns]; value and flags of each."""
    return Rejection(Reason.CONFLICTING, skid, signal, "store", _text(*came), time,
                     f"the reading stored for this time is {_text(*kept)}; the first to arrive is kept")


def _text(value: float, flags: int) -> str:
    return f"{value!r} {Quality(flags & QUALITY_BITS).name.lower()}"


def _value(bits: int, flags: int) -> tuple[float, int]:
    return float(np.int64(bits).view(np.float64)), flags


def _keep_latest(db: apsw.Connection, new: Arrivals, newest: Ints) -> None:
    order = np.argsort(new.time, kind="stable")[::-1]
    signals, first = np.unique(new.signal[order], return_index=True)
    last = order[first]
    last = last[new.time[last] > newest[signals]]
    db.executemany("INSERT OR REPLACE INTO latest (time, signal, bits, flags) VALUES (?, ?, ?, ?)",
                   new.take(last).tuples())
