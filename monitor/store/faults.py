"""SQLite's faults as sentences for a person.

    StoreError                 of `monitor.errors`: the store cannot be used
    `- StoreRetryError         nothing was changed; the same call may succeed later (space freed, lock released)
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

import apsw

from monitor.errors import StoreError


class StoreRetryError(StoreError):
    """The transaction was undone as a whole; try it again later."""


def explain(error: apsw.Error, path: str) -> StoreError:
    """The sentence for an SQLite error on the store at `path`."""
    match error:
        case apsw.FullError():
            return StoreRetryError(f"{path}: the disk is full; nothing of this step was stored. "
                                   "Free some space: it is tried again")
        case apsw.BusyError() | apsw.LockedError():
            return StoreRetryError(f"{path}: another program keeps the store locked; nothing of this step was stored. "
                                   "Close what has it open for writing: it is tried again")
        case apsw.IOError():
            return StoreRetryError(f"{path}: the disk refuses to read or write ({error}); nothing of this step was "
                                   "stored. Look at its space, limits and health: it is tried again")
        case apsw.CorruptError():
            return StoreError(f"{path}: a page of the store is damaged ({error}). Stop the daemon, copy the file, and "
                              "recover what is left with `sqlite3 FILE .recover`; name a new file under [store] path")
        case apsw.NotADBError():
            return StoreError(f"{path} is not a store: the file is no database. Name another file under [store] path")
        case apsw.ReadOnlyError() | apsw.CantOpenError() | apsw.PermissionsError():
            return StoreError(f"{path}: the store cannot be written or opened ({error}). "
                              "The daemon's user needs write access to the file and to its folder")
        case _:
            return StoreError(f"{path}: SQLite cannot go on ({error})")


@contextmanager
def explained(path: str) -> Iterator[None]:
    """Turns SQLite's errors inside the block into `StoreError` or `StoreRetryError`."""
    try:
        yield
    except apsw.Error as error:
        raise explain(error, path) from error
