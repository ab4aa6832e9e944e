"""Rows as they arrive become rows in order of (time, signal); late and repeated ones are told apart, never fed.

One skid's `Sequencer` takes whatever comes. For thousands of skids with a row or two each, `Sequencers` does in one
compiled call what nearly always happens, and leaves the rest to them: a test holds that both do the same.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from monitor.compiled import compiled
from monitor.model import Rows

Ints = npt.NDArray[np.int64]
BEGINNING = int(np.iinfo(np.int64).min // 2)
ROOM = 16       # rows of a skid that may wait among others: two or three seconds of a usual one
ROW_KINDS = (np.int64, np.int16, np.float64, np.uint8)
TICK = Rows(np.zeros(1, np.int64), np.array([-1], np.int16), np.array([np.nan]), np.zeros(1, np.uint8))


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


@compiled
def comes_in_order(time, signal, start, end, newest, least, last):  # type: ignore[no-untyped-def]
    """Whether the rows from `start` to `end` are later than `least`, and in order behind one of (newest, last)."""
    if start < end and time[start] <= least:
        return False
    for i in range(start, end):
        if time[i] < newest or (time[i] == newest and signal[i] <= last):
            return False
        newest, last = time[i], signal[i]
    return True


@compiled
def push_all(  # type: ignore[no-untyped-def]
    places, starts, rows, reach, next_tick, lateness, released, newest, count, waiting, which, ready, left
):
    """As `Sequencer.push` and `advance` to `reach`, each followed by a tick where a second may be complete, of the
    skids `places`. Fills `which` and `ready` (ticks have signal -1), and `left` where nothing was done. Returns how
    many rows are ready."""
    time, signal, value, quality = rows
    kept_time, kept_signal, kept_value, kept_quality = waiting
    ready_time, ready_signal, ready_value, ready_quality = ready
    written = 0
    for p in range(places.size):
        i, start, end = places[p], starts[p], starts[p + 1]
        n, least = count[i], max(newest[i] - lateness[i], released[i])
        if n < 0 or (lateness[i] == 0 and start < end):
            left[p] = True
            continue
        last_time, last_signal = (kept_time[i, n - 1], kept_signal[i, n - 1]) if n > 0 else (least, -1)
        if not comes_in_order(time, signal, start, end, last_time, least, last_signal):
            left[p] = True
            continue
        head = newest[i] if start == end else time[end - 1]
        until = max(released[i], max(head, reach[p]) - lateness[i])
        gone, cut = 0, start
        while gone < n and kept_time[i, gone] <= until:
            gone += 1
        while cut < end and time[cut] <= until:
            cut += 1
        if n - gone + end - cut > ROOM:
            left[p] = True
            continue
        begun = written
        for k in range(gone):
            which[written], ready_time[written], ready_signal[written] = i, kept_time[i, k], kept_signal[i, k]
            ready_value[written], ready_quality[written] = kept_value[i, k], kept_quality[i, k]
            written += 1
        for k in range(start, cut):
            which[written], ready_time[written], ready_signal[written] = i, time[k], signal[k]
            ready_value[written], ready_quality[written] = value[k], quality[k]
            written += 1
        for k in range(gone, n):
            kept_time[i, k - gone], kept_signal[i, k - gone] = kept_time[i, k], kept_signal[i, k]
            kept_value[i, k - gone], kept_quality[i, k - gone] = kept_value[i, k], kept_quality[i, k]
        for k in range(cut, end):
            at = n - gone + k - cut
            kept_time[i, at], kept_signal[i, at] = time[k], signal[k]
            kept_value[i, at], kept_quality[i, at] = value[k], quality[k]
        # A skid of which nothing has been seen has nothing to age.
        if until >= next_tick[i] and (next_tick[i] > 0 or written > begun):
            which[written], ready_time[written], ready_signal[written] = i, until, -1
            ready_value[written], ready_quality[written] = np.nan, 0
            written += 1
        count[i], newest[i], released[i] = n - gone + end - cut, head, until
    return written


class Sequencers:
    """The reorder buffers of many skids, by place. lateness: of each [ns].

    released, newest: of each skid, as `Sequencer` has them; to be read.
    """

    def __init__(self, lateness: Sequence[int]) -> None:
        size = len(lateness)
        self.lateness = np.array(lateness, np.int64)
        self.released, self.newest = np.full(size, BEGINNING), np.full(size, BEGINNING)
        self.count = np.zeros(size, np.int64)
        self.waiting = Rows.empty((size, ROOM))
        self.more: dict[int, Rows] = {}     # of a skid with more rows waiting than there is room for; its count is -1
        self.each = [Sequencer(lateness=late, among=self, place=i) for i, late in enumerate(lateness)]

    def push(self, places: Ints, starts: Ints, rows: Rows, next_tick: Ints,
             reach: Ints | None = None) -> tuple[npt.NDArray[np.int32], Rows, npt.NDArray[np.bool_]]:
        """Take rows in order of arrival, those of the skid at places[k] from starts[k] to starts[k + 1]; time has moved
        to reach[k] besides. next_tick: of every skid the second to be judged next [ns], 0 where none was.

        Returns what is ready, with a tick (signal -1) where time went past a second, as skids and rows; and which of
        the rows came too late.
        """
        reach = np.full(places.size, BEGINNING) if reach is None else reach
        room = rows.size + int(np.maximum(self.count[places], 0).sum()) + places.size
        which, ready = np.empty(room, np.int32), Rows.empty(room)
        left = np.zeros(places.size, np.bool_)
        columns = tuple(np.ascontiguousarray(c, kind) for c, kind in zip(rows, ROW_KINDS, strict=True))
        size = push_all(places, starts, columns, reach, next_tick, self.lateness, self.released, self.newest,
                        self.count, tuple(self.waiting), which, tuple(ready), left)  # fmt: skip
        late = np.zeros(rows.size, np.bool_)
        parts, skids = [ready.take(slice(size))], [which[:size]]
        for k in np.flatnonzero(left).tolist():
            part, fate = self._push_one(int(places[k]), rows.take(slice(int(starts[k]), int(starts[k + 1]))),
                                        int(reach[k]), int(next_tick[places[k]]))  # fmt: skip
            late[int(starts[k]) + fate.late] = True
            parts.append(part)
            skids.append(np.full(part.size, places[k], np.int32))
        return np.concatenate(skids), Rows.concat(parts), late

    def _push_one(self, i: int, rows: Rows, reach: int, next_tick: int) -> tuple[Rows, Fate]:
        one = self.each[i]
        ready, fate = one.push(rows)
        if reach > BEGINNING:
            ready = Rows.concat([ready, one.advance(reach)])
        if one.released >= next_tick and (next_tick > 0 or ready.size):
            ready = Rows.concat([ready, TICK._replace(time=np.array([one.released]))])
        return ready, fate


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

    def __init__(self, *, lateness: int, among: Sequencers | None = None, place: int = 0) -> None:
        """among, place: where what it remembers stands, beside that of others."""
        if lateness < 0:
            raise ValueError(f"lateness must not be negative, got {lateness}")
        self.lateness = lateness
        self._among, self._place = among or Sequencers([lateness]), place

    @property
    def released(self) -> int:
        """Everything up to and including this time has been handed on."""
        return int(self._among.released[self._place])

    @released.setter
    def released(self, time: int) -> None:
        self._among.released[self._place] = time

    @property
    def newest(self) -> int:
        return int(self._among.newest[self._place])

    @newest.setter
    def newest(self, time: int) -> None:
        self._among.newest[self._place] = time

    @property
    def pending(self) -> Rows:
        """Rows that wait for stragglers, in order."""
        among, i = self._among, self._place
        size = int(among.count[i])
        if size < 0:
            return among.more[i]
        kept = among.waiting
        return Rows(kept.time[i, :size].copy(), kept.signal[i, :size].copy(), kept.value[i, :size].copy(),
                    kept.quality[i, :size].copy())  # fmt: skip

    @pending.setter
    def pending(self, rows: Rows) -> None:
        among, i = self._among, self._place
        among.more.pop(i, None)
        if rows.size > ROOM:
            among.more[i], among.count[i] = rows, -1
            return
        among.count[i] = rows.size
        kept = among.waiting
        kept.time[i, : rows.size], kept.signal[i, : rows.size] = rows.time, rows.signal
        kept.value[i, : rows.size], kept.quality[i, : rows.size] = rows.value, rows.quality

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
