"""Events, alarm states and learned facts."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import apsw

from monitor.model import Event, Fact, Transition
from monitor.store.catalogue import Catalogue, skid_ref
from monitor.store.connection import Handle, dump, load
from monitor.store.types import AlarmKey

_COLUMNS = """e.time, k.id, e.kind, e.transition, e.message, e.vessel, e.signal, e.detail, e.grade, e.value, e.unit,
              e.onset, e.evidence"""


def insert(db: apsw.Connection, catalogue: Catalogue, events: Sequence[Event], now: int,
           before: int, after: int) -> list[Event]:
    """Stores events, each with the span of readings it pins. Returns those that were not there."""
    return [event for event in events if _insert(db, catalogue.skid(event.skid), event, now, before, after)]


def _insert(db: apsw.Connection, skid: int, event: Event, now: int, before: int, after: int) -> bool:
    """A replay of the event starts at the newest checkpoint before its window: from there readings are pinned."""
    start = event.time - before
    checkpoint = db.execute("SELECT max(released) FROM checkpoint WHERE skid = ? AND released <= ?", (skid, start)).get
    pin_from = start if checkpoint is None else checkpoint
    db.execute("""INSERT INTO event (id, skid, time, kind, transition, message, vessel, signal, detail, grade, value,
                                     unit, onset, evidence, recorded, checkpoint, pin_from, pin_until)
                  VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?) ON CONFLICT DO NOTHING""",
               (event.id, skid, event.time, event.kind, str(event.transition), event.message, event.vessel,
                event.signal, event.detail, event.grade, event.value, event.unit, event.onset, dump(event.evidence),
                now, checkpoint, pin_from, event.time + after))
    return db.changes() > 0


def select(handle: Handle, *, skid: str | None, start: int | None, end: int | None, kinds: Sequence[str] | None,
           limit: int, before: str | None, forward: bool = False) -> list[Event]:
    """Newest first; forward: oldest first. `before`: id of the last event of the page already seen."""
    beyond, order = (">", "ASC") if forward else ("<", "DESC")
    wanted = None if kinds is None else dump([str(k) for k in kinds])
    ref = None if skid is None else skid_ref(handle, skid)
    rows = handle.query(f"""SELECT {_COLUMNS} FROM event e JOIN skid k ON k.ref = e.skid
        WHERE (?1 IS NULL OR e.skid = ?1) AND e.time >= ?2 AND e.time < ?3
        AND (?4 IS NULL OR e.kind IN (SELECT value FROM json_each(?4)))
        AND (?5 IS NULL OR (e.time, e.seq) {beyond} (SELECT time, seq FROM event WHERE id = ?5))
        ORDER BY e.time {order}, e.seq {order} LIMIT ?6""",  # noqa: S608 (our own words)
        (ref, -(1 << 63) if start is None else start, (1 << 63) - 1 if end is None else end, wanted, before, limit))
    return [_event(row) for row in rows]


def like(handle: Handle, part: str, limit: int) -> list[Event]:
    """Events whose id holds `part`, newest first."""
    rows = handle.query(f"""SELECT {_COLUMNS} FROM event e JOIN skid k ON k.ref = e.skid
        WHERE instr(e.id, ?1) > 0 ORDER BY e.time DESC, e.seq DESC LIMIT ?2""", (part, limit))  # noqa: S608
    return [_event(row) for row in rows]


def find(handle: Handle, event_id: str) -> Event | None:
    row = handle.one(f"SELECT {_COLUMNS} FROM event e JOIN skid k ON k.ref = e.skid WHERE e.id = ?",  # noqa: S608
                     (event_id,))
    return None if row is None else _event(row)


def pinned(handle: Handle, event_id: str) -> tuple[int, int, int | None] | None:
    """(from, until, checkpoint) of the readings kept for an event, ns; checkpoint None: start cold."""
    row = handle.one("SELECT pin_from, pin_until, checkpoint FROM event WHERE id = ?", (event_id,))
    return None if row is None else (row[0], row[1], row[2])


def _event(row: tuple[Any, ...]) -> Event:
    time, skid, kind, transition, *rest = row
    rest[-1] = load(rest[-1])
    return Event(time, skid, kind, Transition(transition), *rest)


def set_alarms(db: apsw.Connection, catalogue: Catalogue, states: dict[AlarmKey, dict[str, Any] | None]) -> None:
    for (skid, kind, vessel, signal), body in states.items():
        key = (catalogue.skid(skid), str(kind), vessel or "", signal or "")
        if body is None:
            db.execute("DELETE FROM alarm_state WHERE (skid, kind, vessel, signal) = (?, ?, ?, ?)", key)
        else:
            db.execute("INSERT OR REPLACE INTO alarm_state VALUES (?, ?, ?, ?, ?)", (*key, dump(body)))


def alarm_states(handle: Handle) -> dict[AlarmKey, dict[str, Any]]:
    rows = handle.query("""SELECT k.id, a.kind, nullif(a.vessel, ''), nullif(a.signal, ''), a.body
                           FROM alarm_state a JOIN skid k ON k.ref = a.skid""")
    return {(skid, kind, vessel, signal): load(body) for skid, kind, vessel, signal, body in rows}


def add_facts(db: apsw.Connection, catalogue: Catalogue, facts: Sequence[Fact], now: int) -> None:
    """The same fact learned again at the same time, as after a restart, replaces itself."""
    db.executemany("""INSERT INTO fact (skid, key, time, value, recorded) VALUES (?, ?, ?, ?, ?)
                      ON CONFLICT DO UPDATE SET value = excluded.value""",
                   [(catalogue.skid(f.skid), f.key, f.time, dump(f.value), now) for f in facts])


def facts(handle: Handle, skid: str, at: int | None = None) -> dict[str, Fact]:
    """The newest of every key, at `at` (ns) or now."""
    rows = handle.query("""SELECT key, value, max(time) FROM fact WHERE skid = ?1 AND (?2 IS NULL OR time <= ?2)
                           GROUP BY key""", (skid_ref(handle, skid), at))
    return {key: Fact(skid, key, load(value), time) for key, value, time in rows}


def newest_facts(handle: Handle, key: str) -> dict[str, Fact]:
    """Skid -> the newest fact of one key, of every skid that has one."""
    rows = handle.query("""SELECT k.id, f.value, f.time FROM skid k CROSS JOIN fact f ON f.skid = k.ref AND f.key = ?1
        AND f.time = (SELECT max(time) FROM fact WHERE skid = k.ref AND key = ?1)""", (key,))
    return {skid: Fact(skid, key, load(value), time) for skid, value, time in rows}


def named_facts(handle: Handle, word: str, skid: str | None) -> list[Fact]:
    """Of one skid or of all, the newest of every key that begins with `word/`."""
    rows = handle.query("""SELECT k.id, f.key, f.value, max(f.time) FROM skid k CROSS JOIN fact f ON f.skid = k.ref
        AND f.key > ?1 || '/' AND f.key < ?1 || '0' WHERE ?2 IS NULL OR k.id = ?2
        GROUP BY f.skid, f.key""", (word, skid))
    return [Fact(skid, key, load(value), time) for skid, key, value, time in rows]


def fact_history(handle: Handle, skid: str, key: str) -> list[Fact]:
    """Every version of a fact, oldest first."""
    rows = handle.query("SELECT value, time FROM fact WHERE skid = ? AND key = ? ORDER BY time",
                        (skid_ref(handle, skid), key))
    return [Fact(skid, key, load(value), time) for value, time in rows]
