"""All shards as one store: what pages (`monitor.web.data.StoreReader`) and commands ask `monitor.store.Reader`.

The monitors' own events and alarms bear the shard: `monitor 3`.
"""

from __future__ import annotations

import math
import time as clock
from collections.abc import Iterator, Sequence
from typing import Any, LiteralString, Self

import numpy as np
import numpy.typing as npt

from monitor.errors import StoreError
from monitor.fleet import readings
from monitor.fleet.database import Database
from monitor.fleet.shards import shard_of
from monitor.fleet.skid import StoredSkid
from monitor.fleet.text import event_of, load
from monitor.fleet.view import alarm_states
from monitor.model import NS, Action, Entry, Event, Fact, Quality, Rows
from monitor.store.intake import QUALITY_BITS
from monitor.store.trends import QUANTITIES
from monitor.store.types import HOUR, MONITOR, AlarmKey, Checkpoint, MinuteFigures, Request

FIRST, LAST = -(1 << 63), (1 << 63) - 1
BEFORE, AFTER = 2 * HOUR, HOUR      # readings with which an event is run again
_MINUTE = ", ".join(("time", *QUANTITIES, "judged"))


class FleetReader:
    """shards: how many there are. watched: those that have skids; the one heard least says how old a page is."""

    def __init__(self, database: Database, shards: int, watched: Sequence[int]) -> None:
        self._database, self._shards, self._watched = database, shards, list(watched)
        self._refs: dict[str, int] = {}
        self._raised: dict[str, Event] = {}      # by id, those that alarms stem from: they never change
        database.query("SELECT schema FROM fleet")      # raises where it cannot be read

    def close(self) -> None:
        """Idempotent."""
        self._database.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _ref(self, skid: str) -> int:
        if skid not in self._refs:
            found = self._database.query("SELECT ref FROM skid WHERE shard = %s AND id = %s",
                                         (shard_of(skid, self._shards), skid))  # fmt: skip
            if not found:
                raise StoreError(f"{self._database.where}: no shard has stored anything of skid {skid}")
            self._refs[skid] = found[0][0]
        return self._refs[skid]

    def stamp(self) -> tuple[str, int]:
        """What differs after every commit and request, and when the shard heard least last said that it lives (wall
        time of this machine, ns)."""
        commits, epochs, asked, silent = self._database.query(
            """SELECT sum(commits), sum(epoch), (SELECT max(id) FROM request), extract(epoch FROM
               now() - min(beat) FILTER (WHERE shard = ANY(%s)))::double precision FROM lease""", (self._watched,))[0]
        return f"{commits}-{epochs}-{asked}", clock.time_ns() - round((silent or 0.0) * NS)

    def skids(self) -> list[str]:
        return [name for (name,) in self._database.query("SELECT id FROM skid WHERE id <> %s ORDER BY ref", (MONITOR,))]

    def _skid(self, skid: str) -> StoredSkid:
        return StoredSkid(self._database, skid, self._ref(skid))

    # ---- readings

    def rows(self, skid: str, start: int, end: int, signals: Sequence[str] | None = None) -> Rows:
        return readings.read(self._database, self._ref(skid), None if signals is None else list(signals), start, end,
                             fed_only=False, as_taken=False)  # fmt: skip

    def rows_after(self, skid: str, time: int, *, fed_only: bool = True,
                   signals: Sequence[str] | None = None) -> Iterator[Rows]:
        """Readings later than `time`, some hours at a time."""
        return self._skid(skid).rows_after(time, fed_only=fed_only, signals=None if signals is None else list(signals))

    def latest(self, skid: str) -> dict[str, tuple[int, float, Quality]]:
        return readings.latest(self._database, self._ref(skid))

    def all_latest(self) -> dict[str, dict[str, tuple[int, float, Quality]]]:
        rows = self._database.query(f"""SELECT k.id, s.id, r.time, r.value, r.flags FROM signal s
            JOIN skid k ON k.ref = s.skid CROSS JOIN LATERAL {readings.NEWEST} r WHERE s.place IS NOT NULL
            ORDER BY s.skid, s.place""", binary=True)  # noqa: S608 (our own text)
        found: dict[str, dict[str, tuple[int, float, Quality]]] = {}
        for skid, signal, time, value, flags in rows:
            found.setdefault(skid, {})[signal] = (time, value, Quality(flags & QUALITY_BITS))
        return found

    def newest(self) -> int | None:
        found = self._database.query(f"SELECT max(r.time) FROM signal s CROSS JOIN LATERAL {readings.NEWEST} r")  # noqa: S608 (our own text)
        return None if found[0][0] is None else int(found[0][0])

    # ---- what was made of them

    def minutes(self, skid: str, start: int, end: int) -> dict[str, npt.NDArray[Any]]:
        rows = self._database.query(f"SELECT {_MINUTE} FROM minute WHERE skid = %s AND time >= %s AND time < %s "  # noqa: S608 (our own names)
                                    "ORDER BY time", (self._ref(skid), start, end), binary=True)  # fmt: skip
        return _columns(rows, {"time": np.int64, **dict.fromkeys(QUANTITIES, np.float64), "judged": np.bool_})

    def minute_figures(self, start: int, end: int) -> dict[str, MinuteFigures]:
        rows = self._database.query("""SELECT k.id, f.*, (SELECT normalised FROM minute WHERE skid = k.ref
            AND time >= %(start)s AND time < %(end)s AND normalised <> 'NaN' ORDER BY time DESC LIMIT 1)
            FROM skid k CROSS JOIN LATERAL (SELECT count(*) AS n, avg(judged::integer)::double precision,
            max(nullif(normalised, 'NaN')) FROM minute WHERE skid = k.ref AND time >= %(start)s AND time < %(end)s) f
            WHERE f.n > 0""", {"start": start, "end": end})
        return {skid: MinuteFigures(count, judged, *(math.nan if x is None else x for x in normalised))
                for skid, count, judged, *normalised in rows}

    def newest_minutes(self) -> dict[str, dict[str, Any]]:
        rows = self._database.query(f"""SELECT k.id, m.* FROM skid k CROSS JOIN LATERAL (SELECT {_MINUTE} FROM minute
            WHERE skid = k.ref ORDER BY time DESC LIMIT 1) m""", binary=True)  # noqa: S608 (our own names)
        return {skid: dict(zip(("time", *QUANTITIES, "judged"), told, strict=True)) for skid, *told in rows}

    def forecasts(self, skid: str, start: int, end: int) -> dict[str, npt.NDArray[Any]]:
        rows = self._database.query("SELECT time, p10, p50, p90 FROM forecast WHERE skid = %s AND time >= %s "
                                    "AND time < %s ORDER BY time", (self._ref(skid), start, end))  # fmt: skip
        return _columns(rows, {"time": np.int64, "p10": np.float64, "p50": np.float64, "p90": np.float64})

    def newest_forecasts(self) -> dict[str, tuple[int, float, float, float]]:
        rows = self._database.query("""SELECT k.id, f.* FROM skid k CROSS JOIN LATERAL (SELECT time, p10, p50, p90
            FROM forecast WHERE skid = k.ref ORDER BY time DESC LIMIT 1) f""")
        return {skid: (time, p10, p50, p90) for skid, time, p10, p50, p90 in rows}

    def plans(self) -> dict[str, tuple[int, list[tuple[str, str]]]]:
        rows = self._database.query("SELECT k.id, p.time, p.body FROM plan p JOIN skid k ON k.ref = p.skid")
        return {skid: (time, [(what, told) for what, told in load(body)]) for skid, time, body in rows}

    # ---- events, alarms and what is known

    def events(self, skid: str | None = None, start: int | None = None, end: int | None = None,
               kinds: Sequence[str] | None = None, *, limit: int = 100, before: str | None = None) -> list[Event]:
        """Newest first. before: the id of the last one already seen."""
        seen = self.event(before) if before is not None else None
        edge = (LAST, "") if before is None else (seen.time, seen.id) if seen else (FIRST, "")
        rows = self._database.query("""SELECT body FROM event WHERE (%s::integer IS NULL OR skid = %s)
            AND time >= %s AND time < %s AND (%s::text[] IS NULL OR kind = ANY(%s)) AND (time, id) < (%s, %s)
            ORDER BY time DESC, id DESC LIMIT %s""",
            (*[None if skid is None else self._ref(skid)] * 2, FIRST if start is None else start,
             LAST if end is None else end, *[None if kinds is None else [str(k) for k in kinds]] * 2, *edge,
             limit))  # fmt: skip
        return [event_of(body) for (body,) in rows]

    def events_like(self, part: str, *, limit: int = 100) -> list[Event]:
        """Those whose id holds `part`, newest first."""
        rows = self._database.query("SELECT body FROM event WHERE strpos(id, %s) > 0 ORDER BY time DESC, id DESC "
                                    "LIMIT %s", (part, limit))  # fmt: skip
        return [event_of(body) for (body,) in rows]

    def pinned(self, event_id: str) -> tuple[int, int, int | None] | None:
        """(from, until, `released` of a checkpoint to start from or None) to run an event again; None: no such event.
        Nothing is kept for it here: its readings go by their age, and checkpoints that old are gone."""
        event = self.event(event_id)
        if event is None:
            return None
        start = event.time - BEFORE
        checkpoint = self.checkpoint(event.skid, at=start)
        return start, event.time + AFTER, None if checkpoint is None else checkpoint.released

    def event(self, event_id: str) -> Event | None:
        if event_id in self._raised:
            return self._raised[event_id]
        skid = event_id.partition("/")[0]
        rows = self._database.query("SELECT e.body FROM event e JOIN skid k ON k.ref = e.skid "
                                    "WHERE k.id = %s AND e.id = %s LIMIT 1", (skid, event_id))  # fmt: skip
        return event_of(rows[0][0]) if rows else None

    def alarm_states(self) -> dict[AlarmKey, dict[str, Any]]:
        states = alarm_states(self._database)
        stems = {str(body["event"]) for body in states.values() if body.get("event")}
        self._raised = {name: event for name, event in self._raised.items() if name in stems}
        lacking = [name for name in stems if name not in self._raised]
        for (body,) in self._database.query("""SELECT e.body FROM unnest(%s::text[]) AS n (id)
            JOIN skid k ON k.id = split_part(n.id, '/', 1) JOIN event e ON e.skid = k.ref AND e.id = n.id""",
                                            (lacking,)) if lacking else ():  # fmt: skip
            event = event_of(body)
            self._raised[event.id] = event
        return states

    def journal(self, skid: str | None = None, start: int | None = None, end: int | None = None,
                steps: Sequence[str] | None = None, *, limit: int = 100) -> list[Entry]:
        """Newest first."""
        rows = self._database.query("""SELECT body FROM journal WHERE (%s::integer IS NULL OR skid = %s)
            AND time >= %s AND time < %s AND (%s::text[] IS NULL OR body::json->>'step' = ANY(%s))
            ORDER BY time DESC, recorded DESC, id DESC LIMIT %s""",
            (*[None if skid is None else self._ref(skid)] * 2, FIRST if start is None else start,
             LAST if end is None else end, *[None if steps is None else list(steps)] * 2, limit))  # fmt: skip
        return [Entry(**load(body)) for (body,) in rows]

    def facts(self, skid: str, *, at: int | None = None) -> dict[str, Fact]:
        """The newest fact of every key; `at`: as it was at that event time (ns)."""
        return self._skid(skid).facts(at)

    def actions(self, skid: str, since: int = 0) -> list[Action]:
        """What operators did that the engine had to know, from event time `since` on, in the order it was applied."""
        return self._skid(skid).actions(since)

    def checkpoint(self, skid: str, *, at: int | None = None) -> Checkpoint | None:
        """The newest checkpoint released at or before `at`."""
        return self._skid(skid).checkpoint(at)

    def newest_facts(self, key: str) -> dict[str, Fact]:
        rows = self._database.query("""SELECT k.id, f.value, f.time FROM skid k CROSS JOIN LATERAL (SELECT value, time
            FROM fact WHERE skid = k.ref AND key = %s ORDER BY time DESC LIMIT 1) f""", (key,))
        return {skid: Fact(skid, key, load(value), time) for skid, value, time in rows}

    def named_facts(self, word: str, skid: str | None = None) -> list[Fact]:
        """Of one skid or of all, the newest of every key that begins with `word/`."""
        rows = self._database.query("""SELECT DISTINCT ON (k.ref, f.key) k.id, f.key, f.value, f.time
            FROM skid k JOIN fact f ON f.skid = k.ref WHERE starts_with(f.key, %s)
            AND (%s::text IS NULL OR k.id = %s) ORDER BY k.ref, f.key, f.time DESC""", (f"{word}/", skid, skid))
        return [Fact(name, key, load(value), time) for name, key, value, time in rows]

    def requests(self, *, action: str | None = None, limit: int = 100) -> list[Request]:
        """Newest first; of one action where it is named."""
        rows = self._database.query("""SELECT id, time, skid, action, body, answered, answer, origin FROM request
            WHERE coalesce(%s::text, action) = action ORDER BY id DESC LIMIT %s""", (action, limit))
        return [Request(number, time, skid, act, load(body), *rest) for number, time, skid, act, body, *rest in rows]

    # ---- figures

    def status(self) -> dict[str, Any]:
        """As `monitor.store.status.status`, of what pages and /metrics ask. Rows that are not packed are estimated as
        PostgreSQL does: millions are not counted for a page."""
        def one(sql: LiteralString) -> tuple[Any, ...]:
            return self._database.query(sql)[0]

        hours, packed, size = one("SELECT coalesce(sum(hours), 0)::bigint, coalesce(sum(readings), 0)::bigint, "
                                  "coalesce(sum(bytes), 0)::bigint FROM packed_total")  # fmt: skip
        queues = self._database.query("""SELECT channel, count(*) FILTER (WHERE state = 'queued'),
            count(*) FILTER (WHERE state = 'refused') FROM notice WHERE state <> 'sent' GROUP BY channel""")
        newest = {skid: max(told[0] for told in signals.values()) for skid, signals in self.all_latest().items()}
        return {
            "path": self._database.where,
            "bytes": {"database": one("SELECT pg_database_size(current_database())")[0], "log": 0},
            "readings": {"recent": max(0, one("SELECT reltuples::bigint FROM pg_class "
                                              "WHERE oid = 'reading'::regclass")[0]),
                         "packed": packed, "hours": hours, "packed_bytes": size,
                         "bytes_a_packed_reading": size / packed if packed else None},
            "events": one("SELECT count(*) FROM event")[0],
            "quarantine": dict(self._database.query("SELECT reason, sum(count)::bigint FROM quarantine_count "
                                                    "GROUP BY reason")),
            "skids": {skid: {"newest": newest.get(skid)} for skid in self.skids()},
            "outbox": {channel: {"queued": queued, "refused": refused} for channel, queued, refused in queues},
            "open_requests": one("SELECT count(*) FROM request WHERE answered IS NULL")[0],
        }  # fmt: skip


def _columns(rows: list[tuple[Any, ...]], types: dict[str, Any]) -> dict[str, npt.NDArray[Any]]:
    columns = list(zip(*rows, strict=True)) or [()] * len(types)
    return {name: np.array(column, kind) for (name, kind), column in zip(types.items(), columns, strict=True)}
