"""Messages that must leave: queued in the transaction of what they tell of, tried until taken or refused."""

from __future__ import annotations

import random
from collections import Counter
from collections.abc import Sequence
from typing import Any

import apsw

from monitor.store.connection import Handle, dump, load
from monitor.store.types import Due, Notice

SECOND = 1_000_000_000
ERROR_TEXT = 300
FIRST_WAIT_S, LONGEST_WAIT_S = 5.0, 900.0


def next_try(now: int, attempts: int, chance: random.Random) -> int:
    """When to try again (ns) after `attempts` failures: 5 s doubling to 15 min, of that at random one half to all.

    The spread keeps many daemons from calling a recovered server at once (common practice, no source).
    """
    wait = min(LONGEST_WAIT_S, FIRST_WAIT_S * 2.0 ** min(max(attempts - 1, 0), 30))
    return now + int(wait * chance.uniform(0.5, 1.0) * SECOND)


def enqueue(db: apsw.Connection, notices: Sequence[Notice]) -> None:
    """Queues what was never queued under its key."""
    queued: Counter[str] = Counter()
    for n in notices:
        db.execute("""INSERT INTO notice (channel, key, body, created, next_try) VALUES (?1, ?2, ?3, ?4, ?4)
                      ON CONFLICT DO NOTHING""", (n.channel, n.key, dump(n.body), n.time))
        queued[n.channel] += db.changes()
    db.executemany("""INSERT INTO channel (name, queued) VALUES (?, ?)
                      ON CONFLICT DO UPDATE SET queued = queued + excluded.queued""", list(queued.items()))


def due(handle: Handle, channel: str, now: int, limit: int) -> list[Due]:
    """The notices to send now, those waiting longest first."""
    rows = handle.query("""SELECT id, channel, key, body, created, attempts FROM notice
                           WHERE channel = ? AND state = 'queued' AND next_try <= ? ORDER BY next_try, id LIMIT ?""",
                        (channel, now, limit))
    return [Due(number, channel, key, load(body), created, attempts) for
            number, channel, key, body, created, attempts in rows]


def sent(handle: Handle, ids: Sequence[int]) -> None:
    """Taken by the other side. The key stays as long as `Store.retain` says, the body goes."""
    with handle.transaction() as db:
        done = _finish(db, """UPDATE notice SET state = 'sent', finished = ?, last_error = ?, body = '""'
                              WHERE id = ? AND state = 'queued' RETURNING channel""", ids, handle.now(), "")
        db.executemany("UPDATE channel SET queued = queued - ?1, sent = sent + ?1, sent_at = ?3 WHERE name = ?2",
                       [(n, channel, handle.now()) for channel, n in done.items()])


def refused(handle: Handle, ids: Sequence[int], error: str) -> None:
    """The other side will never take these; kept with the reason, no longer tried."""
    with handle.transaction() as db:
        done = _finish(db, """UPDATE notice SET state = 'refused', finished = ?, last_error = ?, attempts = attempts + 1
                              WHERE id = ? AND state = 'queued' RETURNING channel""", ids, handle.now(), error)
        db.executemany("""UPDATE channel SET queued = queued - ?1, refused = refused + ?1, failed_at = ?3,
                          last_error = ?4 WHERE name = ?2""",
                       [(n, channel, handle.now(), error[:ERROR_TEXT]) for channel, n in done.items()])


def failed(handle: Handle, ids: Sequence[int], error: str, next_try: int) -> None:
    """Not taken this time; to be tried again at `next_try` (ns)."""
    with handle.transaction() as db:
        done = _finish(db, """UPDATE notice SET attempts = attempts + 1, next_try = ?, last_error = ?
                              WHERE id = ? AND state = 'queued' RETURNING channel""", ids, next_try, error)
        db.executemany("UPDATE channel SET failed_at = ?, last_error = ? WHERE name = ?",
                       [(handle.now(), error[:ERROR_TEXT], channel) for channel in done])


def requeue(handle: Handle, channel: str, now: int) -> int:
    """Tries refused notices of a channel again, once the cause is mended. Returns how many."""
    with handle.transaction() as db:
        db.execute("""UPDATE notice SET state = 'queued', next_try = ?, finished = NULL
                      WHERE channel = ? AND state = 'refused'""", (now, channel))
        changed = db.changes()
        db.execute("UPDATE channel SET queued = queued + ?1, refused = refused - ?1 WHERE name = ?2",
                   (changed, channel))
    return changed


def _finish(db: apsw.Connection, sql: str, ids: Sequence[int], time: int, error: str) -> Counter[str]:
    """Runs an update for each notice; by channel, how many were still queued."""
    return Counter(str(row[0]) for row in db.executemany(sql, [(time, error[:ERROR_TEXT], i) for i in ids]))


def summary(handle: Handle) -> dict[str, dict[str, Any]]:
    """By channel: queued, sent, refused notices, when last sent and failed, the last error, the oldest queued (ns)."""
    rows = handle.query("""SELECT name, queued, sent, refused, sent_at, failed_at, last_error,
                           (SELECT min(created) FROM notice WHERE channel = name AND state = 'queued') FROM channel""")
    keys = ("queued", "sent", "refused", "sent_at", "failed_at", "last_error", "oldest_queued")
    return {str(name): dict(zip(keys, rest, strict=True)) for name, *rest in rows}
