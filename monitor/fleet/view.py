"""All shards as one: what the database says of them, for people."""

from __future__ import annotations

from typing import Any, NamedTuple

from monitor.errors import InputError
from monitor.fleet.database import Database
from monitor.fleet.readings import NEWEST
from monitor.fleet.shards import shard_of
from monitor.fleet.text import dump, load
from monitor.store.types import MONITOR, AlarmKey


class ShardState(NamedTuple):
    """newest: time of the newest reading [ns]. holder, epoch: of the lease, beat_s: when it last was said to live."""

    shard: int
    skids: int
    newest: int | None
    holder: str | None
    epoch: int | None
    beat_s: float | None
    queued: int
    refused: int


def shard_states(database: Database) -> list[ShardState]:
    """Every shard that has skids or a lease, in order."""
    found = database.query(f"""SELECT s.shard, s.skids, s.newest, l.holder, l.epoch,
        extract(epoch FROM now() - l.beat)::double precision,
        (SELECT count(*) FROM notice n WHERE n.shard = s.shard AND n.state = 'queued'),
        (SELECT count(*) FROM notice n WHERE n.shard = s.shard AND n.state = 'refused')
        FROM (SELECT k.shard, count(*) FILTER (WHERE k.id <> %s) AS skids, max((SELECT max(r.time) FROM signal s
            CROSS JOIN LATERAL {NEWEST} r WHERE s.skid = k.ref)) AS newest FROM skid k GROUP BY k.shard) s
        LEFT JOIN lease l ON l.shard = s.shard ORDER BY s.shard""", (MONITOR,))  # noqa: S608 (our own text)
    return [ShardState(*row) for row in found]


def alarm_states(database: Database) -> dict[AlarmKey, dict[str, Any]]:
    """As `Queries.alarm_states`, over all shards; the monitor's own bear the shard."""
    found = database.query("""SELECT CASE WHEN k.id = %s THEN k.id || ' ' || k.shard ELSE k.id END, a.kind,
        nullif(a.vessel, ''), nullif(a.signal, ''), a.body FROM alarm_state a JOIN skid k ON k.ref = a.skid""",
                           (MONITOR,))  # fmt: skip
    return {(skid, kind, vessel, signal): load(body) for skid, kind, vessel, signal, body in found}


def ask(database: Database, shards: int, skid: str | None, action: str, body: Any, now: int) -> int:
    """Leaves a request for the shard of a skid, or of the monitor's own where it is `monitor 3`. Returns its id; who
    holds the shard does it, fenced like all else. shards: how many there are. now: wall time [ns]. Raises InputError
    where it is of no skid: each of the shards would do it or none."""
    name, _, number = (skid or "").partition(" ")
    if not name or (name == MONITOR and not (number.isdecimal() and int(number) < shards)):
        raise InputError(f"{skid or action}: of which skid? In a fleet only what is asked of one skid, or of an alarm "
                         f"of the monitor as the list names it ({MONITOR} 0), finds its shard")
    shard = int(number) if name == MONITOR else shard_of(name, shards)
    if name == MONITOR and isinstance(body, dict) and "target" in body:
        body = body | {"target": str(body["target"]).replace(f"{skid}/", f"{MONITOR}/", 1)}
    skid = name
    found = database.query("""INSERT INTO request (shard, time, skid, action, body) VALUES (%s, %s, %s, %s, %s)
        RETURNING id""", (shard, now, skid, action, dump(body)))
    return int(found[0][0])


def answer(database: Database, number: int) -> str | None:
    """What came of a request; None as long as it is open."""
    found = database.query("SELECT answer FROM request WHERE id = %s", (number,))
    return found[0][0] if found else None
