"""What the store holds and how fast it comes, for people."""

from __future__ import annotations

import os
from collections.abc import Mapping
from typing import Any

import apsw

from monitor.store import outbox
from monitor.store.connection import Handle
from monitor.store.types import HOUR, MINUTE, MONITOR

_COUNT = "INSERT INTO counter VALUES (?, ?) ON CONFLICT DO UPDATE SET count = count + excluded.count"
_RATES = ("commits", "readings", "repeated", "rejected", "events")


def count_up(db: apsw.Connection, changes: Mapping[str, int]) -> None:
    """Adds to running totals: counting millions of rows for a status page would take too long."""
    db.executemany(_COUNT, [(name, int(n)) for name, n in changes.items() if n])


def note_activity(db: apsw.Connection, now: int, readings: int, repeated: int, rejected: int, events: int) -> None:
    """One commit's arrivals, for the rates."""
    db.execute("""INSERT INTO activity VALUES (?, 1, ?, ?, ?, ?) ON CONFLICT DO UPDATE SET commits = commits + 1,
                  readings = readings + excluded.readings, repeated = repeated + excluded.repeated,
                  rejected = rejected + excluded.rejected, events = events + excluded.events""",
               (now // MINUTE, readings, repeated, rejected, events))


def status(handle: Handle) -> dict[str, Any]:
    """Sizes in bytes, times in ns, lags in s, rates per minute. Keys: path, schema, bytes, readings, events,
    quarantine (by reason), rates (last_minute, last_hour), skids (tick, newest, lag_s), outbox, open_requests."""
    now = handle.now()
    with handle.snapshot():
        counters = {str(name): int(n) for name, n in handle.query("SELECT name, count FROM counter")}
        return {
            "path": handle.path,
            "schema": _schema(handle),
            "bytes": _sizes(handle),
            "readings": _readings(handle, counters),
            "events": counters.get("events", 0),
            "quarantine": dict(handle.query("SELECT reason, sum(count) FROM quarantine_count GROUP BY reason")),
            "rates": {"last_minute": _rate(handle, now, 1), "last_hour": _rate(handle, now, 60)},
            "skids": _skids(handle, now),
            "outbox": outbox.summary(handle),
            "open_requests": (handle.one("SELECT count(*) FROM request WHERE answered IS NULL") or (0,))[0],
        }


def _schema(handle: Handle) -> dict[str, Any]:
    row = handle.one("SELECT number, applied, program FROM migration ORDER BY number DESC LIMIT 1")
    return dict(zip(("number", "applied", "program"), row or (0, None, ""), strict=True))


def _sizes(handle: Handle) -> dict[str, int]:
    free = int(handle.db.pragma("freelist_count")) * int(handle.db.pragma("page_size"))
    return {"database": _size(handle.path), "log": _size(handle.path + "-wal"), "reusable": free}


def _size(path: str) -> int:
    try:
        return os.stat(path).st_size
    except FileNotFoundError:
        return 0


def _readings(handle: Handle, counters: dict[str, int]) -> dict[str, Any]:
    packed, size = counters.get("packed", 0), counters.get("packed_bytes", 0)
    oldest = handle.query("""SELECT min(time) FROM recent UNION ALL
        SELECT min((SELECT min(hour) FROM packed WHERE signal = s.ref)) * ? FROM signal s""", (HOUR,))
    newest = handle.query("SELECT max(time) FROM latest")
    return {"recent": counters.get("recent", 0), "packed": packed, "hours": counters.get("hours", 0),
            "packed_bytes": size, "bytes_a_packed_reading": size / packed if packed else None,
            "oldest": min((t for (t,) in oldest if t is not None), default=None), "newest": newest[0][0]}


def _rate(handle: Handle, now: int, span: int) -> dict[str, float]:
    """Per minute over the last `span` whole minutes of arrival."""
    this = now // MINUTE
    sums = ", ".join(f"coalesce(sum({name}), 0)" for name in _RATES)
    row = handle.one(f"SELECT {sums} FROM activity WHERE minute >= ? AND minute < ?", (this - span, this))  # noqa: S608
    return {name: n / span for name, n in zip(_RATES, row or (0,) * len(_RATES), strict=True)}


def _skids(handle: Handle, now: int) -> dict[str, dict[str, Any]]:
    rows = handle.query("""SELECT k.id, k.tick, max(l.time) FROM skid k LEFT JOIN signal s ON s.skid = k.ref
                           LEFT JOIN latest l ON l.signal = s.ref WHERE k.id <> ? GROUP BY k.ref ORDER BY k.id""",
                        (MONITOR,))
    return {str(skid): {"tick": tick, "newest": newest, "lag_s": None if newest is None else (now - newest) / 1e9}
            for skid, tick, newest in rows}
