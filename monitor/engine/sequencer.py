"""Rows as they arrive become rows in order of (time, signal); late and repeated ones are told apart, never fed."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from monitor.compiled import compiled
from monitor.model import Rows

BEGINNING = np.iinfo(np.int64).min // 2


class Fate(NamedTuple):
    """What became of the rows of one call, as indices into them."""

    late: npt.NDArray[np.int64]           # older than what was already released
    repeated: npt.NDArray[np.int64]       # same signal, time and value once more
    conflicting: npt.NDArray[np.int64]    # same signal and time, another value


NOTHING = Rows.empty()
NONE = np.empty(0, np.int64)
IN_ORDER = Fate(NONE, NONE, NONE)     # each row came as it should


@compiled
def in_order(time, signal):  # type: ignore[no-untyped-def]
    """Whether rows are in order of (time, signal), each pair once."""
    for i in range(1, time.size):
        if time[i] < time[i - 1] or (time[i] == time[i - 1] and signal[i] <= signal[i - 1]):
            return False
    return True


class Sequencer:
    """Reorder buffer of one skid on event time.

    A row is released once the newest row is `lateness` [ns] ahead of it, or time itself has moved that
    far (`advance`). What comes at or behind the released time is late. Released rows, taken together,
    do not depend on how arrivals were cut into calls.

    >>> s = Sequencer(lateness=2)
    >>> import numpy as np
    >>> rows = Rows(np.array([10, 9, 13, 8]), np.zeros(4, np.int16), np.arange(4.0), np.zeros(4, np.uint8))
    >>> released, fate = s.push(rows)
    >>> released.time.tolist(), fate.late.tolist()
    ([9, 10], [3])
    """

    def __init__(self, *, lateness: int) -> None:
        if lateness < 0:
            raise ValueError(f"lateness must not be negative, got {lateness}")
        self.lateness = lateness
        self.released = BEGINNING      # everything up to and including this time has been handed on
        self.newest = BEGINNING
        self.pending = NOTHING

    def push(self, rows: Rows) -> tuple[Rows, Fate]:
        """Take rows in order of arrival; returns those released, in order, and what became of the others."""
        if rows.size == 0:
            return NOTHING, IN_ORDER
        if self._arrives_in_order(rows):
            return self._release(max(self.released, self.newest - self.lateness)), IN_ORDER
        before = np.maximum.accumulate(np.concatenate(([self.newest], rows.time)))
        late = rows.time <= np.maximum(before[:-1] - self.lateness, self.released)
        self.newest = int(before[-1])
        kept = rows if not late.any() else rows.take(~late)
        positions = np.flatnonzero(~late)
        offset = self.pending.size
        everything = Rows.concat([self.pending, kept])
        order = np.lexsort((everything.signal, everything.time))
        everything, origin = everything.take(order), order
        repeated, conflicting = self._duplicates(everything)
        # A duplicate's first copy may be from an earlier call; the copy itself is always of this one.
        fate = Fate(
            np.flatnonzero(late),
            np.sort(positions[origin[repeated] - offset]),
            np.sort(positions[origin[conflicting] - offset]),
        )
        if repeated.any() or conflicting.any():
            everything = everything.take(~(repeated | conflicting))
        self.pending = everything
        return self._release(max(self.released, self.newest - self.lateness)), fate

    def _arrives_in_order(self, rows: Rows) -> bool:
        """Take rows that need neither sorting nor sifting, as they nearly always come; False where they do."""
        # Without lateness a row is late already beside its sibling of the same time.
        if self.lateness == 0 or rows.time[0] <= max(self.newest - self.lateness, self.released):
            return False
        everything = Rows.concat([self.pending, rows]) if self.pending.size else rows
        if not in_order(everything.time, everything.signal):
            return False
        self.newest, self.pending = int(rows.time[-1]), everything
        return True

    @staticmethod
    def _duplicates(rows: Rows) -> tuple[npt.NDArray[np.bool_], npt.NDArray[np.bool_]]:
        same = np.zeros(rows.size, bool)
        same[1:] = (rows.time[1:] == rows.time[:-1]) & (rows.signal[1:] == rows.signal[:-1])
        if not same.any():
            return same, same
        group_start = np.maximum.accumulate(np.where(same, 0, np.arange(rows.size)))
        first = rows.value[group_start]
        equal = (rows.value == first) | (np.isnan(rows.value) & np.isnan(first))
        return same & equal, same & ~equal

    def _release(self, until: int) -> Rows:
        self.released = max(self.released, until)
        time = self.pending.time
        if time.size == 0 or time[0] > until:
            return NOTHING
        if time[-1] <= until:
            ready, self.pending = self.pending, NOTHING
            return ready
        cut = int(time.searchsorted(until, side="right"))
        ready, self.pending = self.pending.take(slice(None, cut)), self.pending.take(slice(cut, None))
        return ready

    def advance(self, time: int) -> Rows:
        """Time has moved to `time` [ns] without rows: release what no longer need wait."""
        return self._release(max(self.released, time - self.lateness))

    def finish(self) -> Rows:
        """Nothing more will come: release the rest."""
        return self._release(max(self.released, self.newest)) if self.newest > BEGINNING else NOTHING
