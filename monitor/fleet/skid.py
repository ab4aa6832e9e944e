"""What the database knows of one skid, for the holder of its shard and for whoever only reads."""

from __future__ import annotations

from collections.abc import Iterator

from monitor.fleet import readings
from monitor.fleet.database import Database
from monitor.fleet.text import load
from monitor.model import Action, Fact, Rows
from monitor.store.types import HOUR, Checkpoint

SPAN = 6 * HOUR         # of readings that are read at once
LAST = (1 << 63) - 1


class StoredSkid:
    """ref: of the skid id in the database."""

    def __init__(self, database: Database, skid: str, ref: int) -> None:
        self._database, self._skid, self._ref = database, skid, ref

    def rows_after(self, time: int, *, fed_only: bool, signals: list[str] | None) -> Iterator[Rows]:
        """Readings later than `time`, some hours at a time."""
        edge = time + 1
        while (at := readings.first_from(self._database, self._ref, edge)) is not None:
            edge = at + SPAN
            rows = readings.read(self._database, self._ref, signals, at, edge, fed_only=fed_only, as_taken=False)
            if rows.size:
                yield rows

    def facts(self, at: int | None) -> dict[str, Fact]:
        """The newest fact of every key; `at`: as it was at that event time (ns)."""
        found = self._database.query("""SELECT DISTINCT ON (key) key, value, time FROM fact WHERE skid = %s
            AND time <= %s ORDER BY key, time DESC""", (self._ref, LAST if at is None else at))
        return {key: Fact(self._skid, key, load(value), time) for key, value, time in found}

    def actions(self, since: int) -> list[Action]:
        found = self._database.query("""SELECT time, verb, by, reason, body, number FROM action WHERE skid = %s
            AND time >= %s ORDER BY number""", (self._ref, since))
        return [Action(time, self._skid, verb, by, reason, load(body), number)
                for time, verb, by, reason, body, number in found]  # fmt: skip

    def checkpoint(self, at: int | None, generation: int = 0) -> Checkpoint | None:
        found = self._database.query("""SELECT released, version, fingerprint, state FROM checkpoint WHERE skid = %s
            AND released <= %s ORDER BY released DESC OFFSET %s LIMIT 1""",
                                     (self._ref, LAST if at is None else at, generation))  # fmt: skip
        return Checkpoint(*found[0]) if found else None
