"""Moves closed hours from rows into blobs, a bounded piece at a time, so that commits go on in between.

An hour is read in pieces, written signal by signal, then its rows are deleted in pieces. A program that dies
on the way starts the hour again: until then readers meet some readings twice and take them once.
"""

from __future__ import annotations

import apsw
import numpy as np
import numpy.typing as npt

from monitor.errors import StoreError
from monitor.model import Quality
from monitor.store.connection import Handle, integers
from monitor.store.history import unpack_named
from monitor.store.intake import QUALITY_BITS, VERSION_SHIFT, Arrivals, PackedHours
from monitor.store.packing import Hour, checked, merged
from monitor.store.status import count_up
from monitor.store.types import HOUR

ROWS_A_STEP = 20_000
SIGNALS_A_STEP = 16
ROWS_HELD = 4_000_000   # of one hour in memory, 32 bytes each; an hour with more is packed in several rounds

Key = tuple[int, int]   # time, signal


class Packer:
    """Packs one hour after another; `step` does one bounded piece."""

    def __init__(self, handle: Handle, packed: PackedHours) -> None:
        self._handle = handle
        self._packed = packed
        self.start_over()

    def start_over(self) -> None:
        """Forgets a half-packed hour; the store is as good as before."""
        self._hour: int | None = None
        self._last: list[Key] = []                              # key each piece read ended with
        self._groups: dict[int, list[npt.NDArray[np.int64]]] = {}   # by signal, of each piece its rows
        self._came: dict[Key, tuple[int, int, int, int]] = {}   # rows that arrived since the reading began
        self._read_all = False

    def arrived(self, rows: Arrivals) -> None:
        """To be told of every commit: rows of the hour in work are not in what was read."""
        if self._hour is not None:
            inside = rows.take(np.flatnonzero(rows.time // HOUR == self._hour))
            self._came.update({row[:2]: row for row in inside.tuples()})

    def step(self, before: int) -> bool:
        """One piece of the work on hours that ended at or before `before` (ns). False: nothing left to do."""
        try:
            return self._step(before)
        except BaseException:
            self.start_over()
            raise

    def _step(self, before: int) -> bool:
        if self._hour is None:
            return self._begin(before)
        if not self._read_all:
            self._read()
        elif self._groups:
            self._write()
        else:
            self._delete()
        return True

    def _begin(self, before: int) -> bool:
        first = self._handle.one("SELECT time FROM recent ORDER BY time LIMIT 1")
        if first is None or (first[0] // HOUR + 1) * HOUR > before:
            return False
        self._hour = first[0] // HOUR
        return True

    def _read(self) -> None:
        assert self._hour is not None
        after = self._last[-1] if self._last else (self._hour * HOUR - 1, 0)
        with self._handle.snapshot() as db:
            piece = integers(db.execute("""SELECT time, signal, bits, flags FROM recent
                WHERE (time, signal) > (?, ?) AND time < ? ORDER BY time, signal LIMIT ?""",
                (*after, (self._hour + 1) * HOUR, ROWS_A_STEP)), 4)
        if piece.size:
            self._last.append((int(piece[-1, 0]), int(piece[-1, 1])))
            self._group(piece)
        self._read_all = len(piece) < ROWS_A_STEP or ROWS_A_STEP * len(self._last) >= ROWS_HELD

    def _group(self, piece: npt.NDArray[np.int64]) -> None:
        rows = piece[np.argsort(piece[:, 1], kind="stable")]
        signals, first = np.unique(rows[:, 1], return_index=True)
        for signal, group in zip(signals.tolist(), np.split(rows, first[1:]), strict=True):
            self._groups.setdefault(signal, []).append(group)

    def _write(self) -> None:
        assert self._hour is not None
        chosen = list(self._groups)[:SIGNALS_A_STEP]
        with self._handle.transaction() as db:
            for signal in chosen:
                time, _, bits, flags = np.concatenate(self._groups.pop(signal)).T.copy()
                put_hour(db, self._handle, signal, self._hour, Hour(time, bits, flags))
        for signal in chosen:
            self._packed.forget(signal, self._hour)

    def _delete(self) -> None:
        assert self._hour is not None
        last = self._last.pop(0)
        back = [row for key, row in self._came.items() if key <= last]  # each piece deletes from the hour's start
        with self._handle.transaction() as db:
            db.execute("DELETE FROM recent WHERE time >= ? AND (time, signal) <= (?, ?)", (self._hour * HOUR, *last))
            db.executemany("INSERT INTO recent (time, signal, bits, flags) VALUES (?, ?, ?, ?)", back)
        if not self._last:
            self.start_over()


def put_hour(db: apsw.Connection, handle: Handle, signal: int, hour: int, fresh: Hour) -> None:
    """Adds readings to a signal's hour. Raises StoreError where the blob does not read back to the bit."""
    row = db.execute("SELECT count, length(body), body FROM packed WHERE signal = ? AND hour = ?", (signal, hour)).get
    count, size, body = row or (0, 0, None)
    whole = fresh if body is None else merged(unpack_named(handle, signal, body), fresh)
    try:
        blob = checked(whole)
    except StoreError as error:
        raise StoreError(f"{handle.path}: {error}") from None
    db.execute("INSERT OR REPLACE INTO packed VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
               (signal, hour, *_figures(whole), blob))
    fresh_here = whole.time.size - count    # as recent rows they are deleted later, but count no more from now on
    count_up(db, {"packed": fresh_here, "recent": -fresh_here, "packed_bytes": len(blob) - size, "hours": body is None})


def _figures(hour: Hour) -> tuple[int, int | None, int, float | None, float | None, float | None]:
    """count, version, and of believable readings the number, minimum, maximum, sum."""
    taken = hour.flags >> VERSION_SHIFT
    version = int(taken[0]) if (taken == taken[0]).all() else None
    good = hour.value[((hour.flags & QUALITY_BITS) < Quality.BAD) & np.isfinite(hour.value)]
    if not good.size:
        return hour.time.size, version, 0, None, None, None
    return hour.time.size, version, good.size, float(good.min()), float(good.max()), float(good.sum())
