"""An SQLite connection with its lock, transactions and faults explained. Safe to share between threads."""

from __future__ import annotations

import contextlib
import json
import re
import threading
from collections.abc import Callable, Iterable, Iterator
from itertools import chain
from typing import Any

import apsw
import numpy as np

from monitor.store.faults import explained

BUSY_MS = 10_000
LONE = re.compile("[\ud800-\udfff]")      # half of a character: text that holds one is no UTF-8


class Handle:
    """A connection to the store at `path`; `now` gives wall time in ns.

    One thread at a time is inside: SQLite's own connection lock refuses, ours waits.
    """

    def __init__(self, db: apsw.Connection, path: str, now: Callable[[], int]) -> None:
        self.db = db
        self.path = path
        self.now = now
        self.lock = threading.RLock()
        db.set_busy_timeout(BUSY_MS)

    def query(self, sql: str, values: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
        """Every row of a statement."""
        with self.lock, explained(self.path):
            return list(self.db.execute(sql, values))

    def one(self, sql: str, values: tuple[Any, ...] = ()) -> tuple[Any, ...] | None:
        """The first row, or None."""
        rows = self.query(sql, values)
        return rows[0] if rows else None

    @contextlib.contextmanager
    def transaction(self) -> Iterator[apsw.Connection]:
        """All of the block, or nothing of it."""
        with self._within("BEGIN IMMEDIATE") as db:
            yield db

    @contextlib.contextmanager
    def snapshot(self) -> Iterator[apsw.Connection]:
        """Several reads of one state of the store."""
        with self.lock:
            if self.db.in_transaction:  # ours, since the lock is
                yield self.db
                return
            with self._within("BEGIN") as db:
                yield db

    @contextlib.contextmanager
    def _within(self, begin: str) -> Iterator[apsw.Connection]:
        with self.lock, explained(self.path):
            self.db.execute(begin)
            try:
                yield self.db
                self.db.execute("COMMIT")
            except BaseException:
                self._roll_back()
                raise

    def _roll_back(self) -> None:
        if self.db.in_transaction:  # on some faults SQLite has done it already
            with contextlib.suppress(apsw.Error):
                self.db.execute("ROLLBACK")

    def close(self) -> None:
        with self.lock, explained(self.path):
            self.db.close()


def integers(cursor: Iterable[tuple[Any, ...]], columns: int) -> np.ndarray[Any, np.dtype[np.int64]]:
    """Rows of integers as an array of shape (rows, columns)."""
    flat = np.fromiter(chain.from_iterable(cursor), np.int64)
    return flat.reshape(-1, columns)


def dump(value: Any) -> str:
    """JSON text. Python's NaN and Infinity are kept: what is read back equals what was written."""
    return json.dumps(value, separators=(",", ":"), ensure_ascii=False, default=_plain)


def whole(text: str) -> str:
    """The text with U+FFFD for each lone surrogate, as words on a command line have them that are no UTF-8: no store
    takes one."""
    return LONE.sub("\ufffd", text)


def load(text: str) -> Any:
    return json.loads(text)


def _plain(value: object) -> Any:
    if isinstance(value, np.generic):
        return value.item()
    if isinstance(value, np.ndarray):
        return value.tolist()
    raise TypeError(f"{type(value).__name__} cannot be stored as JSON")
