"""The store opened for reading, beside the daemon that writes it."""

from __future__ import annotations

import os
import time as clock
from collections.abc import Callable
from pathlib import Path
from typing import Self

import apsw

from monitor.errors import StoreError
from monitor.store import migrations
from monitor.store.connection import BUSY_MS, Handle
from monitor.store.faults import explained
from monitor.store.queries import Queries


class Reader(Queries):
    """Read-only; never holds up the writer."""

    def stamp(self) -> tuple[str, int]:
        """What differs whenever the store changed, and when it did (wall time, ns). Told by the files: whoever commits
        writes to the log beside the store, or moves it into the store."""
        path = self._handle.path
        stamps = [os.stat(name) for name in (path, f"{path}-wal") if os.path.exists(name)]
        version = "-".join(f"{s.st_mtime_ns}.{s.st_size}" for s in stamps)
        return version, max((s.st_mtime_ns for s in stamps if s.st_size), default=0)

    @classmethod
    def open(cls, path: str | Path, *, now: Callable[[], int] = clock.time_ns) -> Self:
        """Raises StoreError: no such file, not a store, written by a newer or an older version."""
        name = os.fspath(path)
        if not os.path.exists(name):
            raise StoreError(f"{name}: there is no store. Start the daemon once, or name its file under [store] path")
        migrations.check_header(name)
        with explained(name):
            db = _connect(name)
            try:
                migrations.require_current(db, name)
            except BaseException:
                db.close()
                raise
        return cls(Handle(db, name, now))


def _connect(path: str) -> apsw.Connection:
    db = apsw.Connection(path, apsw.SQLITE_OPEN_READONLY)
    db.set_busy_timeout(BUSY_MS)
    try:
        db.pragma("user_version")
        return db
    except (apsw.CantOpenError, apsw.ReadOnlyError):
        db.close()
        if os.path.exists(path + "-wal"):
            raise
        # No daemon runs and this user may not create its side files: nothing changes, so none are needed.
        address = "file:" + Path(path).resolve().as_posix().replace("%", "%25").replace("?", "%3f").replace("#", "%23")
        return apsw.Connection(address + "?immutable=1", apsw.SQLITE_OPEN_READONLY | apsw.SQLITE_OPEN_URI)
