"""What the daemon asks of a store (`monitor.daemon.ports`), for one shard, on PostgreSQL.

Every transaction that writes takes the lease's row first: a process whose shard was taken over changes nothing more.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator, Sequence
from typing import TYPE_CHECKING, Any, Self

from monitor.fleet import outbox, readings, retention
from monitor.fleet.database import Database
from monitor.fleet.hours import Hours
from monitor.fleet.lease import Lease, LeaseLostError
from monitor.fleet.skid import StoredSkid
from monitor.fleet.text import dump, event_of, load, plain, record
from monitor.model import Action, Event, Fact, Quality, Reason, Rejection, Rows
from monitor.skid import SkidSettings
from monitor.store.checkpoint import GENERATIONS
from monitor.store.quarantine import NOTE, ORIGIN, TEXT
from monitor.store.retention import Ages
from monitor.store.types import MONITOR, AlarmKey, Batch, Checkpoint, Committed, Due, Notice, Request

if TYPE_CHECKING:
    from psycopg import Connection

_REQUEST = "SELECT id, time, skid, action, body, answered, answer, origin FROM request"


class ShardStore:
    """The store of a shard, taken over with it. now: wall time, ns. holder: who we are, for people."""

    def __init__(self, database: Database, shard: int, holder: str, *, now: Callable[[], int],
                 quarantine_rows: int = 100_000) -> None:
        self._database, self.shard, self._now, self._bound = database, shard, now, quarantine_rows
        self.lease = Lease(database, shard, holder)
        self._skids: dict[str, int] = {}
        self._places: dict[str, list[int]] = {}     # skid -> refs of its configured signals, in their order
        self._hours = Hours(database, shard)
        self._read_names()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Idempotent."""
        self._database.close()

    # ---- who speaks

    def speaks(self) -> bool:
        """Whether this process may still say what is queued."""
        return self.lease.held

    def why_silent(self) -> str | None:
        """Why this process must never connect again; raises StoreRetryError where nobody can tell now."""
        try:
            self.lease.check()
        except LeaseLostError as error:
            return str(error)
        return None

    @contextlib.contextmanager
    def _writing(self) -> Iterator[Connection[tuple[Any, ...]]]:
        with self._database.transaction() as connection:
            self.lease.require(connection)
            yield connection

    # ---- names

    def configure(self, skids: Sequence[SkidSettings]) -> None:
        """Tells the store of the skids; before the first commit of theirs, and after a change."""
        with self._writing() as connection:
            for name in (*(skid.id for skid in skids), MONITOR):
                connection.execute("INSERT INTO skid (shard, id) VALUES (%s, %s) ON CONFLICT DO NOTHING",
                                   (self.shard, name))
            for skid in skids:
                readings.configure(connection, self.shard, skid)
        self._read_names()

    def _read_names(self) -> None:
        self._skids = dict(self._database.query("SELECT id, ref FROM skid WHERE shard = %s", (self.shard,)))
        found = self._database.query("""SELECT k.id, s.ref, s.place FROM signal s JOIN skid k ON k.ref = s.skid
            WHERE k.shard = %s ORDER BY k.ref, s.place""", (self.shard,))
        self._signals = [ref for _, ref, _ in found]
        self._places = {}
        for name, ref, place in found:
            if place is not None:
                self._places.setdefault(name, []).append(ref)

    def _skid(self, skid: str) -> StoredSkid:
        return StoredSkid(self._database, skid, self._skids[skid])

    # ---- the commit

    def commit(self, batch: Batch) -> Committed:
        """Everything of the batch in one transaction. What is there already is left as it is."""
        now = self._now()
        with self._writing() as connection:
            stored = readings.insert(connection, [(self._places[skid], rows, fed)
                                                  for skid, rows, fed in batch.rows], self._hours)  # fmt: skip
            self._set_aside(connection, [*batch.rejections, *stored.conflicting], stored.repeated, now)
            fresh = [event for event in batch.events if self._insert_event(connection, event, now)]
            self._learn(connection, batch)
            self._alarms(connection, batch, now)
            outbox.enqueue(connection, self.shard, [*batch.told, *batch.notices])
        return Committed(stored.number, stored.repeated, len(stored.conflicting), fresh)

    def _insert_event(self, connection: Connection[tuple[Any, ...]], event: Event, now: int) -> bool:
        done = connection.execute(
            "INSERT INTO event VALUES (%s, %s, %s, %s, %s, %s) ON CONFLICT DO NOTHING",
            (self._skids[event.skid], event.id, event.time, event.kind, record(event), now))
        return done.rowcount > 0

    def _learn(self, connection: Connection[tuple[Any, ...]], batch: Batch) -> None:
        ref = self._skids
        _many(connection, """INSERT INTO fact VALUES (%s, %s, %s, %s) ON CONFLICT (skid, key, time)
                             DO UPDATE SET value = excluded.value""",
              [(ref[f.skid], f.key, f.time, dump(f.value)) for f in batch.facts])  # fmt: skip
        _many(connection, "INSERT INTO minute VALUES (%s, %s, %s, %s, %s, %s, %s, %s, %s) ON CONFLICT DO NOTHING",
              [(ref[skid], m.time, *map(float, m[1:7]), bool(m.judged)) for skid, m in batch.minutes])
        _many(connection, "INSERT INTO forecast VALUES (%s, %s, %s, %s, %s) ON CONFLICT DO NOTHING",
              [(ref[skid], time, *map(float, p)) for time, skid, *p in batch.forecasts])
        _many(connection, """INSERT INTO plan VALUES (%s, %s, %s) ON CONFLICT (skid)
                             DO UPDATE SET time = excluded.time, body = excluded.body""",
              [(ref[skid], time, dump(list(told))) for skid, time, told in batch.plans])  # fmt: skip
        _many(connection, "UPDATE skid SET tick = greatest(tick, %s) WHERE ref = %s",
              [(tick, ref[skid]) for skid, tick in batch.ticks.items()])
        _many(connection, """INSERT INTO checkpoint VALUES (%s, %s, %s, %s, %s) ON CONFLICT (skid, released) DO UPDATE
                             SET version = excluded.version, fingerprint = excluded.fingerprint,
                             state = excluded.state""",
              [(ref[skid], c.released, c.version, c.fingerprint, c.state) for skid, c in batch.checkpoints.items()])
        _many(connection, """DELETE FROM checkpoint WHERE skid = %s AND released < (SELECT released FROM checkpoint
                             WHERE skid = %s ORDER BY released DESC OFFSET %s LIMIT 1)""",
              [(ref[skid], ref[skid], GENERATIONS - 1) for skid in batch.checkpoints])  # fmt: skip

    def _alarms(self, connection: Connection[tuple[Any, ...]], batch: Batch, now: int) -> None:
        ref = self._skids
        keyed = [((ref[skid], str(kind), vessel or "", signal or ""), body)
                 for (skid, kind, vessel, signal), body in batch.alarm_states.items()]  # fmt: skip
        _many(connection, """INSERT INTO alarm_state VALUES (%s, %s, %s, %s, %s) ON CONFLICT
                             (skid, kind, vessel, signal) DO UPDATE SET body = excluded.body""",
              [(*key, dump(body)) for key, body in keyed if body is not None])  # fmt: skip
        _many(connection, "DELETE FROM alarm_state WHERE (skid, kind, vessel, signal) = (%s, %s, %s, %s)",
              [key for key, body in keyed if body is None])
        _many(connection, "INSERT INTO journal VALUES (%s, %s, %s, %s, %s, %s) ON CONFLICT DO NOTHING",
              [(self.shard, e.id, None if e.skid is None else ref[e.skid], e.time, record(e), now)
               for e in batch.journal])  # fmt: skip
        _many(connection, """UPDATE request SET answered = %s, answer = %s WHERE id = %s AND shard = %s
                             AND answered IS NULL""",
              [(now, text, number, self.shard) for number, text in batch.answers])  # fmt: skip
        _many(connection, "INSERT INTO action VALUES (%s, %s, %s, %s, %s, %s, %s) ON CONFLICT DO NOTHING",
              [(ref[a.skid], a.number, a.time, a.verb, a.by, a.reason, dump(a.body)) for a in batch.actions])
        _many(connection, """INSERT INTO request (shard, time, skid, action, body, answered, answer, origin)
                             VALUES (%s, %s, %s, %s, %s, %s, %s, %s) ON CONFLICT DO NOTHING""",
              [(self.shard, r.time, r.skid, r.action, dump(r.body), now, r.answer, r.origin) for r in batch.done])

    def _set_aside(self, connection: Connection[tuple[Any, ...]], rejections: Sequence[Rejection], repeated: int,
                   now: int) -> None:
        counts = {str(Reason.REPEATED): repeated} if repeated else {}
        for r in rejections:
            counts[str(r.reason)] = counts.get(str(r.reason), 0) + 1
        _many(connection, """INSERT INTO quarantine_count VALUES (%s, %s, %s, %s) ON CONFLICT (shard, reason) DO UPDATE
                             SET count = quarantine_count.count + excluded.count, last = excluded.last""",
              [(self.shard, reason, number, now) for reason, number in counts.items()])  # fmt: skip
        if not rejections:
            return
        _many(connection, """INSERT INTO quarantine (shard, received, skid, signal, reason, origin, text, time, note)
                             VALUES (%s, %s, %s, %s, %s, %s, %s, %s, %s)""",
              [(self.shard, now, r.skid, r.signal, str(r.reason), plain(r.where)[:ORIGIN], plain(r.text)[:TEXT],
                r.time, plain(r.note)[:NOTE]) for r in rejections[-self._bound :]])  # fmt: skip

    # ---- readings

    def rows(self, skid: str, start: int, end: int, signals: Sequence[str] | None = None, *, fed_only: bool = False,
             as_taken: bool = False) -> Rows:
        """Readings of start <= time < end [ns], in order of (time, signal)."""
        names = None if signals is None else list(signals)
        return readings.read(self._database, self._skids[skid], names, start, end, fed_only=fed_only,
                             as_taken=as_taken)  # fmt: skip

    def recent_of_all(self, span: int) -> tuple[int, dict[str, Rows]]:
        """None at once: here readings are kept by signal, and a skid's are soon found."""
        return 0, {}

    def rows_after(self, skid: str, time: int, *, fed_only: bool = True,
                   signals: Sequence[str] | None = None) -> Iterator[Rows]:
        """Readings later than `time`, some hours at a time."""
        names = None if signals is None else list(signals)
        return self._skid(skid).rows_after(time, fed_only=fed_only, signals=names)

    def latest(self, skid: str) -> dict[str, tuple[int, float, Quality]]:
        """Configured signal id -> (time, value, quality) of the newest reading."""
        return readings.latest(self._database, self._skids[skid])

    # ---- what is known

    def event(self, event_id: str) -> Event | None:
        ref = self._skids.get(event_id.partition("/")[0])
        found = self._database.query("SELECT body FROM event WHERE skid = %s AND id = %s", (ref, event_id))
        return event_of(found[0][0]) if found else None

    def alarm_states(self) -> dict[AlarmKey, dict[str, Any]]:
        found = self._database.query("""SELECT k.id, a.kind, nullif(a.vessel, ''), nullif(a.signal, ''), a.body
            FROM alarm_state a JOIN skid k ON k.ref = a.skid WHERE k.shard = %s""", (self.shard,))
        return {(skid, kind, vessel, signal): load(body) for skid, kind, vessel, signal, body in found}

    def facts(self, skid: str, *, at: int | None = None) -> dict[str, Fact]:
        """The newest fact of every key; `at`: as it was at that event time (ns)."""
        return self._skid(skid).facts(at)

    def actions(self, skid: str, since: int = 0) -> list[Action]:
        return self._skid(skid).actions(since)

    def tick(self, skid: str) -> int | None:
        """Event time the skid's engine had reached, ns."""
        return self._database.query("SELECT tick FROM skid WHERE ref = %s", (self._skids[skid],))[0][0]  # type: ignore[no-any-return]

    def checkpoint(self, skid: str, *, at: int | None = None, generation: int = 0) -> Checkpoint | None:
        return self._skid(skid).checkpoint(at, generation)

    # ---- what is asked

    def ask(self, origin: str, action: str, body: Any) -> int:
        """Puts a request that came under a name of its own into the table, open as yet. Returns its id."""
        with self._writing() as connection:
            row = connection.execute("""INSERT INTO request (shard, time, action, body, origin)
                VALUES (%s, %s, %s, %s, %s) RETURNING id""", (self.shard, self._now(), action, dump(body), origin))
            return int(row.fetchall()[0][0])

    def requests(self, *, open_only: bool = False, action: str | None = None, limit: int = 100) -> list[Request]:
        """Open ones oldest first, else all newest first; of one action where it is named."""
        if open_only:
            found = self._database.query(_REQUEST + """ WHERE shard = %s AND answered IS NULL
                AND coalesce(%s::text, action) = action ORDER BY id LIMIT %s""", (self.shard, action, limit))
        else:
            found = self._database.query(_REQUEST + """ WHERE shard = %s AND coalesce(%s::text, action) = action
                ORDER BY id DESC LIMIT %s""", (self.shard, action, limit))
        return [_request(row) for row in found]

    def request(self, number: int | None = None, *, origin: str | None = None) -> Request | None:
        """By its number, or by its own name."""
        found = self._database.query(_REQUEST + " WHERE shard = %s AND (id = %s OR %s::bigint IS NULL AND origin = %s)",
                                     (self.shard, number, number, origin))
        return _request(found[0]) if found else None

    # ---- care of what is stored

    def pack(self, before: int) -> bool:
        """Packs a few signals' hours that ended at or before `before` (ns). False: nothing left to do."""
        if not self._hours.waiting(before):
            return False
        with self._writing() as connection:
            self._hours.pack(connection)
        return True

    def retain(self, now: int, days: float) -> int:
        """Drops a bounded piece of what this shard no longer needs. days: of readings. Returns how much."""
        with self._writing() as connection:
            return retention.retain(connection, self.shard, self._signals, list(self._skids.values()), now, Ages(days),
                                    self._bound, self._hours)  # fmt: skip

    def vacuum(self, pages: int = 2_000) -> int:
        """PostgreSQL's own autovacuum does it."""
        return 0

    # ---- outbox: see `monitor.store.outbox`, whose words these are

    def outbox(self) -> dict[str, dict[str, Any]]:
        return outbox.summary(self._database, self.shard)

    def due(self, channel: str, now: int, limit: int) -> list[Due]:
        """Notices whose turn it is. Raises LeaseLostError where another speaks for the shard."""
        self.lease.check()
        return outbox.due(self._database, self.shard, channel, now, limit)

    def crumbs(self, channel: str, largest: int, limit: int) -> list[Due]:
        return outbox.crumbs(self._database, self.shard, channel, largest, limit)

    def sent_since(self, channel: str, time: int) -> int:
        return outbox.sent_since(self._database, self.shard, channel, time)

    def paused(self, channel: str, now: int) -> int:
        return outbox.paused(self._database, self.shard, channel, now)

    def sent(self, ids: Sequence[int], *, forget: bool = False) -> None:
        with self._writing() as connection:
            outbox.sent(connection, self.shard, ids, self._now(), forget=forget)

    def failed(self, ids: Sequence[int], error: str, next_try: int) -> None:
        with self._writing() as connection:
            outbox.failed(connection, self.shard, ids, error, next_try, self._now())

    def refused(self, ids: Sequence[int], error: str) -> None:
        with self._writing() as connection:
            outbox.refused(connection, self.shard, ids, error, self._now())

    def replace(self, ids: Sequence[int], queued: Sequence[Notice],
                refused: Sequence[tuple[Notice, str]] = ()) -> None:
        with self._writing() as connection:
            outbox.replace(connection, self.shard, ids, queued, refused, self._now())

    def drop_oldest(self, channel: str, keep: int) -> int:
        with self._writing() as connection:
            return outbox.drop_oldest(connection, self.shard, channel, keep)


def _many(connection: Connection[tuple[Any, ...]], sql: Any, values: Sequence[tuple[Any, ...]]) -> None:
    if values:
        connection.cursor().executemany(sql, values)


def _request(row: tuple[Any, ...]) -> Request:
    number, time, skid, action, body, *rest = row
    return Request(number, time, skid, action, load(body), *rest)
