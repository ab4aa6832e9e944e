"""The daemon's side of the store: one writer, one transaction a batch, synchronous to the disk."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, Self

import apsw
import numpy as np

from monitor.errors import StoreError
from monitor.model import Event
from monitor.skid import SkidSettings
from monitor.store import (
    actions,
    catalogue,
    checkpoint,
    events,
    intake,
    journal,
    migrations,
    outbox,
    quarantine,
    requests,
    retention,
    status,
    trends,
)
from monitor.store.catalogue import Catalogue
from monitor.store.connection import BUSY_MS, Handle
from monitor.store.faults import explained
from monitor.store.intake import PackedHours
from monitor.store.lock import DaemonLock
from monitor.store.packer import Packer
from monitor.store.queries import Queries
from monitor.store.types import HOUR, MONITOR, Batch, Committed, Due, Notice

LOG_PAGES = 4_000               # of the write-ahead log before it is copied into the file
LOG_BYTES_KEPT = 64 << 20
CACHE_KIB = 64 << 10


class Store(Queries):
    """The store opened for writing, and everything `Queries` does. Threads may share it: calls wait for each other.

    A StoreRetryError (a StoreError) means that nothing was changed and the same call may succeed later.

    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder, Store.open(folder + "/s.db", now=lambda: 0) as store:
    ...     store.commit(Batch()).stored
    0
    """

    def __init__(self, handle: Handle, lock: DaemonLock, *, quarantine_rows: int, pin_before: int,
                 pin_after: int) -> None:
        super().__init__(handle)
        self._lock = lock
        self._bound, self._pin_before, self._pin_after = quarantine_rows, pin_before, pin_after
        self._packed = PackedHours(handle.db)
        self._packer = Packer(handle, self._packed)
        self._catalogue = Catalogue(handle.db)

    @classmethod
    def open(cls, path: str | Path, *, now: Callable[[], int], quarantine_rows: int = 100_000,
             pin_before: int = 2 * HOUR, pin_after: int = HOUR, vfs: str | None = None) -> Self:
        """Creates and migrates where needed. now: wall time, ns. pin_before, pin_after: readings kept around events.

        vfs: a file layer registered with apsw; such a one has no shared memory, so then nobody else can read.
        Raises StoreError: folder missing or unwritable, another daemon has it, not a store, newer, damaged, disk full.
        """
        name = os.fspath(path)
        lock = DaemonLock(name)
        try:
            migrations.check_header(name)
            with explained(name):
                return cls(_prepared(name, now, vfs), lock, quarantine_rows=quarantine_rows,
                           pin_before=pin_before, pin_after=pin_after)
        except BaseException:
            lock.release()
            raise

    def close(self) -> None:
        super().close()
        self._lock.release()

    def configure(self, skids: Sequence[SkidSettings]) -> None:
        """Tells the store of the skids; to be called before the first commit of theirs, and after a change."""
        with self._handle.lock:
            with self._handle.transaction() as db:
                catalogue.configure(db, skids, self._handle.now())
                catalogue.add_skid(db, MONITOR)
            with explained(self._handle.path):
                self._catalogue = Catalogue(self._handle.db)

    def speaks(self) -> bool:
        """Whether this process may still send: always, since it holds the store's lock."""
        return True

    def why_silent(self) -> str | None:
        """Why it must not connect to the broker again: nothing."""
        return None

    def commit(self, batch: Batch) -> Committed:
        """Everything of the batch in one transaction, on the disk when this returns.

        Readings already stored are counted (REPEATED); others for the same signal and time go to quarantine
        (CONFLICTING). Events and notices already there are left as they are.
        """
        with self._handle.lock:
            arrivals = intake.gather(self._catalogue, batch.rows)
            with self._handle.transaction() as db:
                stored = intake.store(db, arrivals, self._catalogue, self._packed)
                new_events = self._tell(db, batch, stored)
            np.maximum.at(self._catalogue.newest, stored.rows.signal, stored.rows.time)
            self._packer.arrived(stored.rows)
        return Committed(stored.rows.time.size, stored.repeated.total(), len(stored.conflicting), new_events)

    def _tell(self, db: apsw.Connection, batch: Batch, stored: intake.Stored) -> list[Event]:
        now, names = self._handle.now(), self._catalogue
        rejections = [*batch.rejections, *stored.conflicting]
        quarantine.record(db, rejections, stored.repeated, now, self._bound)
        new_events = events.insert(db, names, batch.events, now, self._pin_before, self._pin_after)
        events.set_alarms(db, names, batch.alarm_states)
        events.add_facts(db, names, batch.facts, now)
        trends.add_minutes(db, names, batch.minutes)
        trends.add_forecasts(db, names, batch.forecasts)
        trends.add_plans(db, names, batch.plans)
        db.executemany("UPDATE skid SET tick = max(coalesce(tick, ?1), ?1) WHERE ref = ?2",
                       [(tick, names.skid(skid)) for skid, tick in batch.ticks.items()])
        checkpoint.put(db, names, batch.checkpoints, now, self._pin_before)
        outbox.enqueue(db, [*batch.told, *batch.notices])
        requests.answer(db, batch.answers, now)
        actions.add(db, names, batch.actions)
        requests.done(db, batch.done, now)
        journal.insert(db, names, batch.journal, now)
        status.count_up(db, {"recent": stored.rows.time.size, "events": len(new_events)})
        status.note_activity(db, now, stored.rows.time.size, stored.repeated.total(), len(rejections), len(new_events))
        return new_events

    # Care of what is stored: call these again while they have something to do

    def pack(self, before: int) -> bool:
        """A bounded piece of packing the hours that ended at or before `before` (ns). False: nothing left."""
        with self._handle.lock:
            return self._packer.step(before)

    def retain(self, now: int, days: float, *, minutes_days: float = 3_660.0, events_days: float | None = None,
               limit: int = 2_000) -> int:
        """Drops a bounded piece of what is past its age. Returns how much; 0: nothing left."""
        ages = retention.Ages(days, minutes_days, events_days)
        with self._handle.lock:
            self._packed.clear()
            return retention.retain(self._handle, now, ages, self._pin_before, limit)

    def vacuum(self, pages: int = 2_000) -> int:
        """Gives up to so many free pages back to the disk. Returns how many are left."""
        self._handle.query(f"PRAGMA incremental_vacuum({int(pages)})")
        return int(self._handle.query("PRAGMA freelist_count")[0][0])

    def ask(self, origin: str, action: str, body: Any) -> int:
        """Puts a request that came under a name of its own into the table, open as yet. Returns its id."""
        with self._handle.lock, self._handle.transaction() as db:
            return requests.ask(db, origin, None, action, body, self._handle.now())

    # Outbox

    def sent(self, ids: Sequence[int], *, forget: bool = False) -> None:
        """Taken by the other side. forget: the key too goes, where saying it twice does no harm."""
        outbox.sent(self._handle, ids, forget=forget)

    def failed(self, ids: Sequence[int], error: str, next_try: int) -> None:
        """Not taken this time; `outbox.next_try` says when again (ns)."""
        outbox.failed(self._handle, ids, error, next_try)

    def refused(self, ids: Sequence[int], error: str) -> None:
        """Will never be taken; kept with the reason."""
        outbox.refused(self._handle, ids, error)

    def requeue(self, channel: str, now: int) -> int:
        """Tries a channel's refused notices again. Returns how many."""
        return outbox.requeue(self._handle, channel, now)

    def paused(self, channel: str, now: int) -> int:
        """Until when a channel that failed last has to wait, `now` where it need not (ns)."""
        return outbox.paused(self._handle, channel, now)

    def crumbs(self, channel: str, largest: int, limit: int) -> list[Due]:
        """Queued notices with a body of at most `largest` bytes, oldest first."""
        return outbox.crumbs(self._handle, channel, largest, limit)

    def replace(self, ids: Sequence[int], queued: Sequence[Notice],
                refused: Sequence[tuple[Notice, str]] = ()) -> None:
        """Puts other notices into the place of queued ones; refused: each with its reason."""
        outbox.replace(self._handle, ids, queued, refused)

    def drop_oldest(self, channel: str, keep: int) -> int:
        """Gives up a channel's oldest notices beyond `keep` bytes. Returns how many points they held."""
        return outbox.drop_oldest(self._handle, channel, keep)


def _prepared(path: str, now: Callable[[], int], vfs: str | None) -> Handle:
    db = apsw.Connection(path, vfs=vfs)
    db.set_busy_timeout(BUSY_MS)  # right after a kill a reader may be recovering the log
    try:
        migrations.check(db, path)  # before anything is written into a file that may not be ours
        if db.readonly("main"):
            raise StoreError(f"{path}: the file cannot be written. The daemon's user needs write access to it")
        handle = Handle(db, path, now)
        db.pragma("locking_mode", "NORMAL" if vfs is None else "EXCLUSIVE")
        db.pragma("auto_vacuum", "INCREMENTAL")  # counts only before the first table
        db.pragma("journal_mode", "WAL")
        db.pragma("synchronous", "FULL")
        db.pragma("wal_autocheckpoint", LOG_PAGES)
        db.pragma("journal_size_limit", LOG_BYTES_KEPT)
        db.pragma("cache_size", -CACHE_KIB)
        migrations.migrate(db, path, now())
        return handle
    except BaseException:
        db.close()
        raise
