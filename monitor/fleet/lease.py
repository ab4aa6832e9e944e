"""Who speaks for a shard. Taking over raises an epoch; whoever holds an older one is refused, in each commit, before
each push and before each connection to the broker. No clock decides."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from monitor.errors import StoreError
from monitor.fleet.database import Database

if TYPE_CHECKING:
    from psycopg import Connection

HELD = "SELECT epoch FROM lease WHERE shard = %s"
_COMMIT = "UPDATE lease SET commits = commits + 1, beat = now() WHERE shard = %s RETURNING epoch"


class LeaseLostError(StoreError):
    """Another process speaks for the shard now; this one must end."""


class Lease:
    """A shard taken over from whoever had it. `epoch` tells this taking from all before and after."""

    def __init__(self, database: Database, shard: int, holder: str) -> None:
        self._database, self.shard = database, shard
        # Waits for a commit of the former holder that is under way: that one counts, the next is refused.
        rows = database.query("""INSERT INTO lease (shard, epoch, holder, taken, beat)
            VALUES (%s, 1, %s, now(), now()) ON CONFLICT (shard) DO UPDATE SET
            epoch = lease.epoch + 1, holder = excluded.holder, taken = now(), beat = now() RETURNING epoch""",
                              (shard, holder))  # fmt: skip
        self.epoch = int(rows[0][0])

    def require(self, connection: Connection[tuple[Any, ...]]) -> None:
        """Inside a transaction: raises LeaseLostError unless the lease is ours until its end. Counts the commit, which
        writes no more than a lock on the row would, and pages see that something changed."""
        self._judge(connection.execute(_COMMIT, (self.shard,)).fetchone())

    def check(self) -> None:
        """Raises LeaseLostError unless the lease is ours now; StoreRetryError where nobody can tell."""
        self._judge(next(iter(self._database.query(HELD, (self.shard,))), None))

    @property
    def held(self) -> bool:
        """Whether it is ours, and the database can be asked."""
        try:
            self.check()
        except StoreError:
            return False
        return True

    def beat(self) -> None:
        """Says that we are alive; for people. Raises as `check` does."""
        self._judge(next(iter(self._database.query(
            "UPDATE lease SET beat = now() WHERE shard = %s AND epoch = %s RETURNING epoch", (self.shard, self.epoch)
        )), None))  # fmt: skip

    def _judge(self, row: tuple[Any, ...] | None) -> None:
        if row is None or row[0] != self.epoch:
            in_force = "none" if row is None else row[0]
            raise LeaseLostError(f"shard {self.shard}: another process has taken it over (epoch in force {in_force}, "
                                 f"ours {self.epoch}); what was not committed is theirs")
