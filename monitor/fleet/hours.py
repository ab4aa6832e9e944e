"""Closed hours of readings, packed as the embedded store packs them: a few signals' hours in one transaction, so that
no reader ever meets a half of it."""

from __future__ import annotations

from collections import OrderedDict
from typing import TYPE_CHECKING, Any, LiteralString

import numpy as np
import numpy.typing as npt

from monitor.errors import StoreError
from monitor.fleet.database import Database
from monitor.store.packing import Hour, checked, merged, unpack
from monitor.store.types import HOUR

if TYPE_CHECKING:
    from psycopg import Connection

AT_ONCE = 8         # signals' hours in one transaction
KEPT = 256          # hours that stay unpacked for looking up what comes late or again
_OLDEST = """SELECT s.ref, r.time FROM signal s JOIN skid k ON k.ref = s.skid CROSS JOIN LATERAL
    (SELECT time FROM reading WHERE signal = s.ref ORDER BY time LIMIT 1) r WHERE k.shard = %s AND r.time < %s"""
_EDGES = """SELECT s.ref, p.hour FROM signal s JOIN skid k ON k.ref = s.skid CROSS JOIN LATERAL
    (SELECT hour FROM packed WHERE signal = s.ref ORDER BY hour DESC LIMIT 1) p WHERE k.shard = %s"""
_TAKE = """DELETE FROM reading WHERE signal = %s AND time >= %s AND time < %s RETURNING time, value, flags"""
_BODY = "SELECT body, count FROM packed WHERE signal = %s AND hour = %s"
_PUT = """INSERT INTO packed VALUES (%s, %s, %s, %s, %s, %s, %s) ON CONFLICT (signal, hour) DO UPDATE SET
    count = excluded.count, last = excluded.last, last_value = excluded.last_value, last_flags = excluded.last_flags,
    body = excluded.body"""
_TOTAL = """INSERT INTO packed_total VALUES (%s, %s, %s, %s) ON CONFLICT (shard) DO UPDATE SET
    hours = packed_total.hours + excluded.hours, readings = packed_total.readings + excluded.readings,
    bytes = packed_total.bytes + excluded.bytes"""
_DROP: LiteralString = """DELETE FROM packed WHERE (signal, hour) IN (SELECT p.signal, p.hour
    FROM unnest(%s::integer[]) AS s (ref) CROSS JOIN LATERAL (SELECT signal, hour FROM packed
    WHERE signal = s.ref AND hour < %s ORDER BY hour LIMIT %s) p LIMIT 500) RETURNING count, length(body)"""

Ints = npt.NDArray[np.int64]


class Hours:
    """The packed hours of a shard, for its holder."""

    def __init__(self, database: Database, shard: int) -> None:
        self._database, self._shard = database, shard
        self._edges: dict[int, int] = dict(database.query(_EDGES, (shard,)))     # signal -> its last packed hour
        self._work: list[tuple[int, int]] = []      # signal, hour
        self._kept: OrderedDict[tuple[int, int], Hour | None] = OrderedDict()

    def waiting(self, before: int) -> bool:
        """Whether hours that ended at or before `before` (ns) are not packed yet."""
        if not self._work:
            oldest = self._database.query(_OLDEST, (self._shard, before // HOUR * HOUR))
            self._work = [(signal, time // HOUR) for signal, time in oldest]
        return bool(self._work)

    def pack(self, connection: Connection[tuple[Any, ...]]) -> None:
        """A few of the hours that wait, inside the caller's transaction."""
        chosen, self._work = self._work[:AT_ONCE], self._work[AT_ONCE:]
        for signal, hour in chosen:
            rows = connection.execute(_TAKE, (signal, hour * HOUR, (hour + 1) * HOUR), binary=True).fetchall()
            if rows:
                self._put(connection, signal, hour, hour_of(rows))

    def _put(self, connection: Connection[tuple[Any, ...]], signal: int, hour: int, fresh: Hour) -> None:
        found = connection.execute(_BODY, (signal, hour), binary=True).fetchone()
        whole = merged(unpack(found[0]), fresh) if found else fresh
        blob = checked(whole)
        last = int(whole.time[-1]), float(whole.value[-1]), int(whole.flags[-1])
        # Even if this transaction fails: what lies before the edge is only looked at more closely.
        self._edges[signal] = max(hour, self._edges.get(signal, hour))
        self._kept.pop((signal, hour), None)
        connection.execute(_PUT, (signal, hour, whole.time.size, *last, blob))
        connection.execute(_TOTAL, (self._shard, 0 if found else 1, whole.time.size - (found[1] if found else 0),
                                    len(blob) - (len(found[0]) if found else 0)))  # fmt: skip

    def behind(self, signal: Ints, time: Ints) -> npt.NDArray[np.bool_]:
        """Which readings lie in or before the last packed hour of their signal, and so may be there already."""
        refs, place = np.unique(signal, return_inverse=True)
        edges = np.array([self._edges.get(ref, -1) for ref in refs.tolist()], np.int64)
        return np.asarray(time // HOUR <= edges[place])

    def find(self, connection: Connection[tuple[Any, ...]], signal: int, time: int) -> tuple[int, int] | None:
        """Bits and flags of a packed reading."""
        hour = self._hour(connection, signal, time // HOUR)
        at = 0 if hour is None else int(np.searchsorted(hour.time, time))
        if hour is None or at == hour.time.size or hour.time[at] != time:
            return None
        return int(hour.bits[at]), int(hour.flags[at])

    def _hour(self, connection: Connection[tuple[Any, ...]], signal: int, hour: int) -> Hour | None:
        key = signal, hour
        if key not in self._kept:
            found = connection.execute(_BODY, key, binary=True).fetchone()
            self._kept[key] = unpack(found[0]) if found else None
            if len(self._kept) > KEPT:
                self._kept.popitem(last=False)
        self._kept.move_to_end(key)
        return self._kept[key]

    def drop(self, connection: Connection[tuple[Any, ...]], signals: list[int], before: int, each: int) -> int:
        """Hours that ended at or before `before` (ns), up to `each` of a signal. Returns how many."""
        gone = connection.execute(_DROP, (signals, before // HOUR, each)).fetchall()
        if gone:
            self._kept.clear()
            connection.execute(_TOTAL, (self._shard, -len(gone), -sum(n for n, _ in gone), -sum(b for _, b in gone)))
        return len(gone)


def hour_of(rows: list[tuple[Any, ...]]) -> Hour:
    """time, value, flags of a signal, in any order."""
    time, value, flags = zip(*rows, strict=True)
    order = np.argsort(np.array(time, np.int64))
    return Hour(np.array(time, np.int64)[order], np.array(value, np.float64).view(np.int64)[order],
                np.array(flags, np.int64)[order])  # fmt: skip


def read_packed(database: Database, signals: list[int], start: int, end: int) -> list[tuple[int, Hour]]:
    """Signal and what it has of start <= time < end, of each hour that has any. Raises StoreError where one is
    damaged."""
    found = database.query("SELECT signal, hour, body FROM packed WHERE signal = ANY(%s) AND hour BETWEEN %s AND %s",
                           (signals, start // HOUR, (end - 1) // HOUR), binary=True)  # fmt: skip
    parts = []
    for signal, number, body in found:
        try:
            hour = unpack(body)
        except StoreError as error:
            raise StoreError(f"{database.where}: signal {signal}, hour {number}: {error}. Other hours can still be "
                             "read; restore this row from a copy to have them back") from None
        within = slice(*np.searchsorted(hour.time, (start, end)))
        parts.append((signal, Hour(*(column[within] for column in hour))))
    return parts
