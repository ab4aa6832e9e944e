"""Messages that must leave: queued in the transaction of what they tell of, tried until taken or refused.

Those of a channel leave in the order in which they came, as far as the other side lets them.
"""

from __future__ import annotations

import random
from collections import Counter
from collections.abc import Sequence
from typing import Any

import apsw

from monitor.store.connection import Handle, dump, load
from monitor.store.types import DAY, Due, Notice

SECOND = 1_000_000_000
ERROR_TEXT = 300
FIRST_WAIT_S, LONGEST_WAIT_S = 5.0, 900.0
ABSURD_WAIT = 2 * DAY       # no wait is that long: the clock was put back since it was set
REFUSED_KEPT = 10_000       # of a channel; older ones go, and are counted as dropped
ROW_BYTES = 270             # of a notice besides its body: key, columns and four indexes, as measured

_QUEUED = "FROM notice INDEXED BY notice_oldest WHERE channel = ?1 AND state = 'queued'"
_SENT = """UPDATE notice SET state = 'sent', finished = ?1, last_error = ?2, body = '""'
           WHERE id = ?3 AND state = 'queued' RETURNING channel"""
_FORGET = "DELETE FROM notice WHERE id = ?3 AND state = 'queued' RETURNING channel"
_DROPPED = "INSERT INTO counter VALUES ('dropped ' || ?1, ?2) ON CONFLICT DO UPDATE SET count = count + excluded.count"


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
    """The notices to send now, oldest first."""
    return _read(handle, f"{_QUEUED} AND (next_try <= ?2 OR next_try > ?2 + {ABSURD_WAIT})", (channel, now, limit))


def crumbs(handle: Handle, channel: str, largest: int, limit: int) -> list[Due]:
    """Queued notices whose body has at most so many bytes, oldest first, whether or not their turn has come."""
    return _read(handle, f"{_QUEUED} AND octet_length(body) <= ?2", (channel, largest, limit))


def _read(handle: Handle, chosen: str, values: tuple[str, int, int]) -> list[Due]:
    rows = handle.query(f"""SELECT id, channel, key, body, created, attempts {chosen}
                            ORDER BY created, id LIMIT ?3""", values)
    return [Due(number, channel, key, load(body), created, attempts) for
            number, channel, key, body, created, attempts in rows]


def sent_since(handle: Handle, channel: str, time: int) -> int:
    """How many notices of a channel were sent at or after a time [ns]."""
    row = handle.one("SELECT count(*) FROM notice WHERE state = 'sent' AND finished >= ? AND channel = ?",
                     (time, channel))
    return int(row[0]) if row else 0


def paused(handle: Handle, channel: str, now: int) -> int:
    """Until when (ns) a channel whose last word was a failure has to wait: its oldest notice's turn; else `now`.

    Who starts again waits that long, so that a program that is restarted over and over does not call at each start.
    """
    row = handle.one("""SELECT next_try FROM notice INDEXED BY notice_oldest
                        WHERE channel = ?1 AND state = 'queued' AND EXISTS (SELECT 1 FROM channel
                            WHERE name = ?1 AND failed_at >= coalesce(sent_at, failed_at))
                        ORDER BY created, id LIMIT 1""", (channel,))
    return max(now, int(row[0])) if row and row[0] <= now + ABSURD_WAIT else now


def sent(handle: Handle, ids: Sequence[int], *, forget: bool = False) -> None:
    """Taken by the other side. The key stays as long as `Store.retain` says, the body goes; forget: both go, where
    saying it twice does no harm."""
    with handle.transaction() as db:
        done = _finish(db, _FORGET if forget else _SENT, ids, handle.now(), "")
        db.executemany("UPDATE channel SET queued = queued - ?1, sent = sent + ?1, sent_at = ?3 WHERE name = ?2",
                       [(n, channel, handle.now()) for channel, n in done.items()])


def refused(handle: Handle, ids: Sequence[int], error: str) -> None:
    """The other side will never take these; kept with the reason, no longer tried."""
    with handle.transaction() as db:
        _refuse(db, ids, error, handle.now())


def _refuse(db: apsw.Connection, ids: Sequence[int], error: str, now: int) -> None:
    done = _finish(db, """UPDATE notice SET state = 'refused', finished = ?, last_error = ?, attempts = attempts + 1
                          WHERE id = ? AND state = 'queued' RETURNING channel""", ids, now, error)
    db.executemany("""UPDATE channel SET queued = queued - ?1, refused = refused + ?1, failed_at = ?3,
                      last_error = ?4 WHERE name = ?2""",
                   [(n, channel, now, error[:ERROR_TEXT]) for channel, n in done.items()])
    for channel in done:
        _forget_refused(db, channel)


def _forget_refused(db: apsw.Connection, channel: str) -> None:
    """A server that refuses each of millions of points must not fill the disk."""
    surplus = db.execute("SELECT refused FROM channel WHERE name = ?", (channel,)).get - REFUSED_KEPT
    if surplus > 0:
        db.execute("""DELETE FROM notice WHERE id IN (SELECT id FROM notice WHERE channel = ? AND state = 'refused'
                      ORDER BY id LIMIT ?)""", (channel, surplus))
        db.execute("UPDATE channel SET refused = refused - ? WHERE name = ?", (surplus, channel))
        db.execute(_DROPPED, (channel, surplus))


def failed(handle: Handle, ids: Sequence[int], error: str, next_try: int) -> None:
    """Not taken this time; to be tried again at `next_try` (ns)."""
    with handle.transaction() as db:
        done = _finish(db, """UPDATE notice SET attempts = attempts + 1, next_try = ?, last_error = ?
                              WHERE id = ? AND state = 'queued' RETURNING channel""", ids, next_try, error)
        db.executemany("UPDATE channel SET failed_at = ?, last_error = ? WHERE name = ?",
                       [(handle.now(), error[:ERROR_TEXT], channel) for channel in done])


def replace(handle: Handle, ids: Sequence[int], queued: Sequence[Notice],
            refused: Sequence[tuple[Notice, str]] = ()) -> None:
    """Puts other notices into the place of queued ones, in one transaction: several as one, or one in parts.

    queued: inherit the most attempts and the latest next try of what they replace. refused: each with its reason.
    """
    chosen, values = "WHERE state = 'queued' AND id IN (SELECT value FROM json_each(?1))", (dump(list(ids)),)
    with handle.transaction() as db:
        attempts, turn = db.execute(f"SELECT max(attempts), max(next_try) FROM notice {chosen}", values).get  # noqa: S608
        if turn is None:
            return
        gone = Counter(row[0] for row in db.execute(f"DELETE FROM notice {chosen} RETURNING channel", values))  # noqa: S608
        db.executemany("UPDATE channel SET queued = queued - ?2 WHERE name = ?1", list(gone.items()))
        enqueue(db, [*queued, *(notice for notice, _ in refused)])
        db.executemany("UPDATE notice SET attempts = ?3, next_try = ?4 WHERE channel = ?1 AND key = ?2",
                       [(n.channel, n.key, attempts, turn) for n in queued])
        for n, reason in refused:
            row = db.execute("SELECT id FROM notice WHERE channel = ? AND key = ?", (n.channel, n.key)).get
            _refuse(db, [row], reason, handle.now())


def drop_oldest(handle: Handle, channel: str, keep: int) -> int:
    """Gives up the oldest queued notices of a channel that takes more than `keep` bytes: the last resort of a disk.

    Returns how many points they held (a body's `points`, else one each); `summary` counts them as dropped.
    """
    with handle.transaction() as db:
        points = [row[0] for row in db.execute(
            f"""DELETE FROM notice WHERE id IN (SELECT id FROM (SELECT id,
                    sum(octet_length(body) + {ROW_BYTES}) OVER (ORDER BY created DESC, id DESC) AS total {_QUEUED})
                WHERE total > ?2) RETURNING coalesce(json_extract(body, '$.points'), 1)""", (channel, keep))]  # noqa: S608
        if points:
            db.execute("UPDATE channel SET queued = queued - ?2 WHERE name = ?1", (channel, len(points)))
            db.execute(_DROPPED, (channel, sum(points)))
    return sum(points)


def requeue(handle: Handle, channel: str, now: int) -> int:
    """Tries refused notices of a channel again, once the cause is mended. Returns how many. One that is a day old
    counts as new: as a push to people it would be given up again."""
    with handle.transaction() as db:
        db.execute("""UPDATE notice SET state = 'queued', next_try = ?1, finished = NULL,
                      created = CASE WHEN created < ?2 THEN ?1 ELSE created END
                      WHERE channel = ?3 AND state = 'refused'""", (now, now - DAY, channel))
        changed = db.changes()
        db.execute("UPDATE channel SET queued = queued + ?1, refused = refused - ?1 WHERE name = ?2",
                   (changed, channel))
    return changed


def _finish(db: apsw.Connection, sql: str, ids: Sequence[int], time: int, error: str) -> Counter[str]:
    """Runs an update for each notice; by channel, how many were still queued."""
    return Counter(str(row[0]) for row in db.executemany(sql, [(time, error[:ERROR_TEXT], i) for i in ids]))


def summary(handle: Handle) -> dict[str, dict[str, Any]]:
    """By channel: queued, sent, refused notices, when last sent and failed, the last error, the oldest queued (ns),
    what was dropped for want of space."""
    rows = handle.query("""SELECT name, queued, sent, refused, sent_at, failed_at, last_error,
                           (SELECT min(created) FROM notice WHERE channel = c.name AND state = 'queued'),
                           coalesce((SELECT count FROM counter WHERE name = 'dropped ' || c.name), 0) FROM channel c""")
    keys = ("queued", "sent", "refused", "sent_at", "failed_at", "last_error", "oldest_queued", "dropped")
    return {str(name): dict(zip(keys, rest, strict=True)) for name, *rest in rows}
