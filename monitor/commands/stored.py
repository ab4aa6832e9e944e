"""The store that a configuration names, for reading: a daemon's own or, with [fleet], the database of all shards."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

from monitor.commands.page import open_reader

if TYPE_CHECKING:
    from monitor.fleet.database import Database
    from monitor.fleet.reader import FleetReader
    from monitor.settings import Settings
    from monitor.store import Reader


def open_stored(settings: Settings) -> Reader | FleetReader:
    if settings.fleet.database is None:
        return open_reader(Path(settings.store.path))
    from monitor.fleet.reader import FleetReader
    from monitor.fleet.shards import occupied

    with fleet_database(settings):
        pass        # its tables are there, and of this number of shards
    return FleetReader(connection_of(settings), settings.fleet.shards, occupied(settings))


@contextlib.contextmanager
def fleet_database(settings: Settings) -> Iterator[Database]:
    """The fleet's database, with its tables. Raises StoreError where they are of another fleet or version."""
    from monitor.fleet.database import prepare

    database = connection_of(settings)
    try:
        prepare(database, settings.fleet.shards)
        yield database
    finally:
        database.close()


def connection_of(settings: Settings) -> Database:
    from monitor.fleet.database import Database, url_of

    return Database(url_of(settings), "bagwright")


def where_stored(settings: Settings) -> str:
    """For people."""
    return settings.store.path if settings.fleet.database is None else connection_of(settings).where
