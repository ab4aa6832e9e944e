"""A whole copy of a store beside a daemon that writes it, and putting such a copy back.

SQLite's own backup of a live database (https://www.sqlite.org/backup.html): one consistent state, whatever is written
meanwhile. Copying the files of a running store would tear it from its write-ahead log.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import time
from collections.abc import Iterator
from pathlib import Path

import apsw

from monitor.errors import StoreError
from monitor.store import migrations
from monitor.store.connection import BUSY_MS
from monitor.store.faults import explained
from monitor.store.lock import DaemonLock

BESIDE = ("-wal", "-shm")
SET_ASIDE = ".before-restore"


def back_up(store: Path, copy: Path) -> int:
    """Writes a checked copy of the store to the file `copy`, whole or not at all. Returns its bytes.

    Raises StoreError: no store, `copy` is there already or cannot be written, a damaged page.
    """
    if copy.exists():
        raise StoreError(f"{copy} is there already. Name a file that is not, or remove it")
    if not store.exists():
        raise StoreError(f"{store}: there is no store to copy")
    migrations.check_header(os.fspath(store))
    part = copy.with_name(copy.name + ".part")
    try:
        with _writable(copy), explained(str(store)):
            _copy(store, part)
            check(part)
        _sync(part)
        os.replace(part, copy)
    finally:
        for name in (part, *(part.with_name(part.name + end) for end in BESIDE)):
            name.unlink(missing_ok=True)
    return copy.stat().st_size


def restore(copy: Path, store: Path) -> Path | None:
    """Puts a copy in the place of the store. Returns where what was there before is now, None where nothing was.

    Raises StoreError: a daemon has the store, the copy is none or damaged or newer, it cannot be written.
    """
    if not copy.is_file():
        raise StoreError(f"{copy}: there is no such copy of a store")
    lock = DaemonLock(os.fspath(store))
    try:
        check(copy)
        part = store.with_name(store.name + ".part")
        with _writable(store):
            shutil.copyfile(copy, part)
            _sync(part)
            before = _aside(store)
            os.replace(part, store)
        return before
    finally:
        lock.release()


def check(path: Path) -> None:
    """Raises StoreError unless the file is a sound store that this program can take up: its own schema or an older."""
    migrations.check_header(os.fspath(path))
    with explained(os.fspath(path)), contextlib.closing(_opened(path, immutable=True)) as db:
        if migrations.check(db, os.fspath(path)) == 0:
            raise StoreError(f"{path} is no store: it is empty")
        faults = [str(row[0]) for row in db.execute("PRAGMA quick_check(5)")]
        if faults != ["ok"]:
            raise StoreError(f"{path}: the copy is damaged ({'; '.join(faults)[:200]}). Use an earlier one")


def _copy(store: Path, part: Path) -> None:
    part.unlink(missing_ok=True)
    with contextlib.closing(_opened(store)) as source, contextlib.closing(apsw.Connection(str(part))) as target:
        with target.backup("main", source, "main") as copying:
            copying.step()      # in one: between two steps a commit would make it begin again
        target.pragma("journal_mode", "DELETE")     # one file, without a log beside it


def _opened(path: Path, *, immutable: bool = False) -> apsw.Connection:
    if not immutable:
        db = apsw.Connection(os.fspath(path), apsw.SQLITE_OPEN_READONLY)
        db.set_busy_timeout(BUSY_MS)
        return db
    name = path.resolve().as_posix().replace("%", "%25").replace("?", "%3f").replace("#", "%23")
    return apsw.Connection(f"file:{name}?immutable=1", apsw.SQLITE_OPEN_READONLY | apsw.SQLITE_OPEN_URI)


def _aside(store: Path) -> Path | None:
    """What is in the way goes beside, its log with it: a log of another store would spoil the one put back."""
    if not store.exists():
        for end in BESIDE:
            store.with_name(store.name + end).unlink(missing_ok=True)
        return None
    before = store.with_name(f"{store.name}{SET_ASIDE}-{time.time_ns() // 10**9}")
    for end in ("", *BESIDE):
        file = store.with_name(store.name + end)
        if file.exists():
            os.replace(file, before.with_name(before.name + end))
    return before


def _sync(path: Path) -> None:
    """On the disk, and its name too."""
    for place, flags in ((path, os.O_RDWR), (path.parent, os.O_RDONLY)):
        file = os.open(place, flags)
        try:
            os.fsync(file)
        finally:
            os.close(file)


@contextlib.contextmanager
def _writable(path: Path) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        raise StoreError(f"{path}: cannot be written ({error.strerror or error}). "
                         "Free some space, or name another file") from None
