"""A shard's outbox in PostgreSQL, with the meaning that `monitor.store.outbox` gives each step."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from monitor.fleet.database import Database
from monitor.fleet.text import dump, load, plain
from monitor.store.outbox import ABSURD_WAIT, ERROR_TEXT
from monitor.store.types import Due, Notice

if TYPE_CHECKING:
    from psycopg import Connection

ROW_BYTES = 200         # of a notice besides its body
_DUE = """SELECT id, channel, key, body, created, attempts FROM notice
          WHERE shard = %s AND channel = %s AND state = 'queued'"""


def enqueue(connection: Connection[tuple[Any, ...]], shard: int, notices: Sequence[Notice]) -> None:
    """Queues what was never queued under its key."""
    if notices:
        connection.cursor().executemany(
            """INSERT INTO notice (shard, channel, key, body, created, next_try) VALUES (%s, %s, %s, %s, %s, %s)
               ON CONFLICT DO NOTHING""",
            [(shard, n.channel, n.key, dump(n.body), n.time, n.time) for n in notices])  # fmt: skip


def due(database: Database, shard: int, channel: str, now: int, limit: int) -> list[Due]:
    """The notices to send now, oldest first."""
    found = database.query(_DUE + " AND (next_try <= %s OR next_try > %s) ORDER BY created, id LIMIT %s",
                           (shard, channel, now, now + ABSURD_WAIT, limit))
    return [_read(row) for row in found]


def crumbs(database: Database, shard: int, channel: str, largest: int, limit: int) -> list[Due]:
    found = database.query(_DUE + " AND octet_length(body) <= %s ORDER BY created, id LIMIT %s",
                           (shard, channel, largest, limit))
    return [_read(row) for row in found]


def _read(row: tuple[Any, ...]) -> Due:
    number, channel, key, body, created, attempts = row
    return Due(number, channel, key, load(body), created, attempts)


def sent_since(database: Database, shard: int, channel: str, time: int) -> int:
    return int(database.query("""SELECT count(*) FROM notice WHERE shard = %s AND channel = %s AND state = 'sent'
                                 AND finished >= %s""", (shard, channel, time))[0][0])


def paused(database: Database, shard: int, channel: str, now: int) -> int:
    found = database.query("""SELECT n.next_try FROM notice n JOIN channel c ON c.shard = n.shard AND c.name = n.channel
        WHERE n.shard = %s AND n.channel = %s AND n.state = 'queued' AND c.failed_at >= coalesce(c.sent_at, c.failed_at)
        ORDER BY n.created, n.id LIMIT 1""", (shard, channel))
    return max(now, int(found[0][0])) if found and found[0][0] <= now + ABSURD_WAIT else now


def sent(connection: Connection[tuple[Any, ...]], shard: int, ids: Sequence[int], now: int, *, forget: bool) -> None:
    if forget:
        found = connection.execute("""DELETE FROM notice WHERE shard = %s AND id = ANY(%s) AND state = 'queued'
            RETURNING channel""", (shard, list(ids)))
    else:
        found = connection.execute("""UPDATE notice SET state = 'sent', finished = %s, last_error = '', body = '""'
            WHERE shard = %s AND id = ANY(%s) AND state = 'queued' RETURNING channel""", (now, shard, list(ids)))
    for channel, number in Counter(row[0] for row in found.fetchall()).items():
        connection.execute("""INSERT INTO channel (shard, name, sent, sent_at) VALUES (%s, %s, %s, %s)
            ON CONFLICT (shard, name) DO UPDATE SET sent = channel.sent + excluded.sent, sent_at = excluded.sent_at""",
                           (shard, channel, number, now))


def failed(connection: Connection[tuple[Any, ...]], shard: int, ids: Sequence[int], error: str, next_try: int,
           now: int) -> None:
    found = connection.execute("""UPDATE notice SET attempts = attempts + 1, next_try = %s, last_error = %s
        WHERE shard = %s AND id = ANY(%s) AND state = 'queued' RETURNING channel""",
                               (next_try, plain(error)[:ERROR_TEXT], shard, list(ids)))
    _note_failure(connection, shard, {row[0] for row in found.fetchall()}, error, now)


def refused(connection: Connection[tuple[Any, ...]], shard: int, ids: Sequence[int], error: str, now: int) -> None:
    found = connection.execute("""UPDATE notice SET state = 'refused', attempts = attempts + 1, finished = %s,
        last_error = %s WHERE shard = %s AND id = ANY(%s) AND state = 'queued' RETURNING channel""",
                               (now, plain(error)[:ERROR_TEXT], shard, list(ids)))
    _note_failure(connection, shard, {row[0] for row in found.fetchall()}, error, now)


def _note_failure(connection: Connection[tuple[Any, ...]], shard: int, channels: set[str], error: str,
                  now: int) -> None:
    for channel in channels:
        connection.execute("""INSERT INTO channel (shard, name, failed_at, last_error) VALUES (%s, %s, %s, %s)
            ON CONFLICT (shard, name) DO UPDATE SET failed_at = excluded.failed_at, last_error = excluded.last_error""",
                           (shard, channel, now, plain(error)[:ERROR_TEXT]))


def replace(connection: Connection[tuple[Any, ...]], shard: int, ids: Sequence[int], queued: Sequence[Notice],
            refusals: Sequence[tuple[Notice, str]], now: int) -> None:
    gone = connection.execute("""DELETE FROM notice WHERE shard = %s AND id = ANY(%s) AND state = 'queued'
        RETURNING attempts, next_try""", (shard, list(ids))).fetchall()
    if not gone:
        return
    enqueue(connection, shard, [*queued, *(notice for notice, _ in refusals)])
    attempts, turn = (max(column) for column in zip(*gone, strict=True))
    for n in queued:
        connection.execute("UPDATE notice SET attempts = %s, next_try = %s WHERE (shard, channel, key) = (%s, %s, %s)",
                           (attempts, turn, shard, n.channel, n.key))
    for n, reason in refusals:
        row = connection.execute("SELECT id FROM notice WHERE (shard, channel, key) = (%s, %s, %s)",
                                 (shard, n.channel, n.key)).fetchall()
        refused(connection, shard, [row[0][0]], reason, now)


def drop_oldest(connection: Connection[tuple[Any, ...]], shard: int, channel: str, keep: int) -> int:
    """Returns how many points what was given up held."""
    gone = connection.execute("""DELETE FROM notice WHERE id IN (SELECT id FROM (SELECT id, sum(octet_length(body) + %s)
        OVER (ORDER BY created DESC, id DESC) AS total FROM notice WHERE shard = %s AND channel = %s
        AND state = 'queued') AS q WHERE total > %s) RETURNING body""", (ROW_BYTES, shard, channel, keep)).fetchall()
    bodies = [load(row[0]) for row in gone]
    points = sum(int(body.get("points", 1)) if isinstance(body, dict) else 1 for body in bodies)
    note_dropped(connection, shard, {channel: points})
    return points


def note_dropped(connection: Connection[tuple[Any, ...]], shard: int, dropped: Mapping[str, int]) -> None:
    """Counts what was given up of each channel."""
    for channel, points in dropped.items():
        connection.execute("""INSERT INTO channel (shard, name, dropped) VALUES (%s, %s, %s) ON CONFLICT (shard, name)
            DO UPDATE SET dropped = channel.dropped + excluded.dropped""", (shard, channel, points))


def summary(database: Database, shard: int) -> dict[str, dict[str, Any]]:
    found = database.query("""SELECT channel, coalesce(q.number, 0), coalesce(c.sent, 0), coalesce(r.number, 0),
        c.sent_at, c.failed_at, coalesce(c.last_error, ''), q.oldest, coalesce(c.dropped, 0)
        FROM (SELECT channel, count(*) AS number, min(created) AS oldest FROM notice
            WHERE shard = %s AND state = 'queued' GROUP BY channel) q
        FULL JOIN (SELECT channel, count(*) AS number FROM notice
            WHERE shard = %s AND state = 'refused' GROUP BY channel) r USING (channel)
        FULL JOIN (SELECT name AS channel, sent, dropped, sent_at, failed_at, last_error FROM channel
            WHERE shard = %s) c USING (channel)""", (shard, shard, shard))
    keys = ("queued", "sent", "refused", "sent_at", "failed_at", "last_error", "oldest_queued", "dropped")
    return {str(name): dict(zip(keys, rest, strict=True)) for name, *rest in found}
