"""What a person asks of a running daemon from another process: acknowledge, shelve, reset. The daemon answers."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterator, Sequence
from typing import Any

import apsw

from monitor.errors import StoreError
from monitor.store import migrations, outbox
from monitor.store.connection import Handle, dump, load, whole
from monitor.store.faults import explained
from monitor.store.types import Done, Request


def submit(path: str, skid: str | None, action: str, body: Any, now: int) -> int:
    """Leaves a request in the store at `path`, daemon running or not. Returns its id."""
    with _beside(path, now) as handle, handle.transaction() as db:
        migrations.require_current(db, path)
        db.execute("INSERT INTO request (time, skid, action, body) VALUES (?, ?, ?, ?)",
                   (now, skid and whole(skid), action, whole(dump(body))))
        return db.last_insert_rowid()


def requeue(path: str, channel: str, now: int) -> int:
    """Tries a channel's refused notices again, daemon running or not. Returns how many."""
    with _beside(path, now) as handle:
        migrations.require_current(handle.db, path)
        return outbox.requeue(handle, channel, now)


@contextlib.contextmanager
def _beside(path: str, now: int) -> Iterator[Handle]:
    """A connection for one small step beside the daemon's."""
    if not os.path.exists(path):
        raise StoreError(f"{path}: there is no store. Start the daemon once, or name its file under [store] path")
    with explained(path):
        handle = Handle(apsw.Connection(path, apsw.SQLITE_OPEN_READWRITE), path, lambda: now)
    try:
        yield handle
    finally:
        handle.close()


def ask(db: apsw.Connection, origin: str, skid: str | None, action: str, body: Any, now: int) -> int:
    """A request with a name of its own, open as yet. Returns its id."""
    db.execute("INSERT INTO request (time, skid, action, body, origin) VALUES (?, ?, ?, ?, ?)",
               (now, skid, action, dump(body), origin))
    return db.last_insert_rowid()


def answer(db: apsw.Connection, answers: Sequence[tuple[int, str]], now: int) -> None:
    db.executemany("UPDATE request SET answered = ?, answer = ? WHERE id = ? AND answered IS NULL",
                   [(now, text, number) for number, text in answers])


def done(db: apsw.Connection, requests: Sequence[Done], now: int) -> None:
    """Puts requests on record that were answered when they came; a second delivery changes nothing."""
    db.executemany("""INSERT INTO request (time, skid, action, body, answered, answer, origin)
                      VALUES (?, ?, ?, ?, ?, ?, ?) ON CONFLICT DO NOTHING""",
                   [(r.time, r.skid, r.action, dump(r.body), now, r.answer, r.origin) for r in requests])


def find(handle: Handle, number: int | None, origin: str | None) -> Request | None:
    """By its number, or by its own name."""
    row = handle.one("SELECT * FROM request WHERE id = ?1 OR (?1 IS NULL AND origin = ?2)", (number, origin))
    return None if row is None else _request(row)


def select(handle: Handle, *, open_only: bool, action: str | None, limit: int) -> list[Request]:
    """Open ones oldest first, else all newest first; of one action where it is named."""
    if open_only:
        rows = handle.query("""SELECT * FROM request WHERE answered IS NULL AND (?1 IS NULL OR action = ?1)
                               ORDER BY id LIMIT ?2""", (action, limit))
    else:
        rows = handle.query("SELECT * FROM request WHERE ?1 IS NULL OR action = ?1 ORDER BY id DESC LIMIT ?2",
                            (action, limit))
    return [_request(row) for row in rows]


def _request(row: tuple[Any, ...]) -> Request:
    number, time, skid, action, body, *rest = row
    return Request(number, time, skid, action, load(body), *rest)
