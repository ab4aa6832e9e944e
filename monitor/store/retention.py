"""What is old goes, but never what a kept event needs to be replayed."""

from __future__ import annotations

from dataclasses import dataclass

import apsw

from monitor.store import checkpoint
from monitor.store.connection import Handle
from monitor.store.status import count_up
from monitor.store.types import DAY, HOUR, MINUTE


@dataclass(frozen=True, slots=True)
class Ages:
    """How long things stay, in days. events None: for ever; a sent notice's key guards against saying it twice."""

    readings: float
    minutes: float = 3_660.0
    events: float | None = None
    sent_notices: float = 30.0
    rates: float = 2.0


def retain(handle: Handle, now: int, ages: Ages, reach: int, limit: int) -> int:
    """Drops up to about `limit` hours, and as many minutes and notices, that are past their age.

    Hours within the span an event pins stay as long as the event. Returns how much was dropped; 0: all done.
    """
    with handle.transaction() as db:
        dropped = _events(db, now, ages.events, reach, limit)
        dropped += _hours(db, older_than(now, ages.readings) // HOUR, limit)
        dropped += _minutes(db, older_than(now, ages.minutes), limit)
        dropped += _sent(db, older_than(now, ages.sent_notices), limit)
        db.execute("DELETE FROM activity WHERE minute < ?", (older_than(now, ages.rates) // MINUTE,))
    return dropped


def older_than(now: int, days: float) -> int:
    """Time [ns] before which what there is is older than so many days."""
    return now - int(days * DAY)


def _events(db: apsw.Connection, now: int, days: float | None, reach: int, limit: int) -> int:
    if days is None:
        return 0
    gone = list(db.execute("""DELETE FROM event WHERE seq IN
                              (SELECT seq FROM event WHERE time < ? ORDER BY time LIMIT ?) RETURNING skid""",
                           (older_than(now, days), limit)))
    for (skid,) in set(gone):
        checkpoint.prune(db, skid, reach)
    count_up(db, {"events": -len(gone)})
    return len(gone)


_OLD_HOURS = """SELECT p.rowid, p.count, length(p.body) FROM packed p WHERE p.signal = ?1 AND p.hour < ?2
                AND NOT EXISTS (SELECT 1 FROM event e WHERE e.skid = ?3 AND e.pin_until >= p.hour * ?4
                                AND e.pin_from < (p.hour + 1) * ?4) LIMIT ?5"""


def _hours(db: apsw.Connection, before: int, limit: int) -> int:
    left = limit
    for signal, skid in list(db.execute("SELECT ref, skid FROM signal")):
        old = list(db.execute(_OLD_HOURS, (signal, before, skid, HOUR, left)))
        db.executemany("DELETE FROM packed WHERE rowid = ?", [row[:1] for row in old])
        count_up(db, {"packed": -sum(r[1] for r in old), "packed_bytes": -sum(r[2] for r in old), "hours": -len(old)})
        left -= len(old)
        if not left:
            break
    return limit - left


def _minutes(db: apsw.Connection, before: int, limit: int) -> int:
    left = limit
    for (skid,) in list(db.execute("SELECT ref FROM skid")):
        db.execute("""DELETE FROM minute WHERE skid = ?1 AND time IN
                      (SELECT time FROM minute WHERE skid = ?1 AND time < ?2 ORDER BY time LIMIT ?3)""",
                   (skid, before, left))
        left -= db.changes()
    return limit - left


def _sent(db: apsw.Connection, before: int, limit: int) -> int:
    db.execute("""DELETE FROM notice WHERE id IN
                  (SELECT id FROM notice WHERE state = 'sent' AND finished < ? LIMIT ?)""", (before, limit))
    return db.changes()
