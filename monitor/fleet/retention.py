"""What a shard no longer needs goes, a bounded piece at a time: as old, or as many, as `monitor.store` lets it be."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, LiteralString

from monitor.fleet import outbox
from monitor.fleet.hours import Hours
from monitor.store.outbox import REFUSED_KEPT
from monitor.store.retention import Ages, older_than

if TYPE_CHECKING:
    from psycopg import Connection

EACH = 100          # of a signal, a skid or a channel in one piece
# Few of each are looked up: the oldest of a long table are soon found for one name, not for thousands together.
_READINGS = """DELETE FROM reading WHERE (signal, time) IN (SELECT r.signal, r.time
    FROM unnest(%s::integer[]) AS s (ref) CROSS JOIN LATERAL (SELECT signal, time FROM reading
    WHERE signal = s.ref AND time < %s ORDER BY time LIMIT %s) r LIMIT 5000)"""
_MINUTES = """DELETE FROM minute WHERE (skid, time) IN (SELECT m.skid, m.time
    FROM unnest(%s::integer[]) AS s (ref) CROSS JOIN LATERAL (SELECT skid, time FROM minute
    WHERE skid = s.ref AND time < %s ORDER BY time LIMIT %s) m LIMIT 5000)"""
_SENT = """DELETE FROM notice WHERE id IN (SELECT n.id FROM channel c CROSS JOIN LATERAL (SELECT id FROM notice
    WHERE shard = c.shard AND channel = c.name AND state = 'sent' AND finished < %s LIMIT %s) n WHERE c.shard = %s)"""
_REFUSED = """DELETE FROM notice WHERE id IN (SELECT n.id FROM channel c CROSS JOIN LATERAL (SELECT id FROM notice
    WHERE shard = c.shard AND channel = c.name AND state = 'refused' ORDER BY id DESC OFFSET %s) n WHERE c.shard = %s)
    RETURNING channel"""
_QUARANTINE = """DELETE FROM quarantine WHERE shard = %s AND id <= (SELECT id FROM quarantine WHERE shard = %s
    ORDER BY id DESC OFFSET %s LIMIT 1)"""


def retain(connection: Connection[tuple[Any, ...]], shard: int, signals: Sequence[int], skids: Sequence[int], now: int,
           ages: Ages, quarantined: int, hours: Hours) -> int:
    """signals, skids: the shard's refs. now: ns. quarantined: how many rejections stay. Returns how much went."""

    def gone(sql: LiteralString, *values: object) -> int:
        return connection.execute(sql, values).rowcount

    surplus = Counter(row[0] for row in connection.execute(_REFUSED, (REFUSED_KEPT, shard)).fetchall())
    outbox.note_dropped(connection, shard, surplus)
    return (gone(_READINGS, list(signals), older_than(now, ages.readings), EACH)
            + hours.drop(connection, list(signals), older_than(now, ages.readings), EACH)
            + gone(_MINUTES, list(skids), older_than(now, ages.minutes), EACH)
            + gone(_SENT, older_than(now, ages.sent_notices), EACH, shard)
            + gone(_QUARANTINE, shard, shard, quarantined))  # fmt: skip
