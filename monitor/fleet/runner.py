"""A shard in this process: its lease, its store, and the daemon's own loop until it is told to stop or loses the
lease."""

from __future__ import annotations

import os
import socket
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from monitor.commands.run import serve_on
from monitor.daemon.clock import wall
from monitor.daemon.heart import Heart
from monitor.daemon.insist import insist
from monitor.daemon.renewal import Renewal
from monitor.daemon.systemd import Notify
from monitor.fleet.database import Database, prepare
from monitor.fleet.lease import LeaseLostError
from monitor.fleet.store import ShardStore
from monitor.settings import Settings
from monitor.store import StoreRetryError

BEAT_S = 5.0


def run_shard(settings: Settings, shard: int, url: str, stop: threading.Event, say: Callable[[str], None],
              heart: Heart | None = None) -> None:
    """settings: the shard's (`shards.settings_of`). url: of the fleet's database. heart: for who wants to look.

    Raises LeaseLostError where another process took the shard over, else what the daemon raises.
    """

    def open_store() -> ShardStore:
        database = Database(url, f"bagwright shard {shard}", stop)
        prepare(database, settings.fleet.shards)
        return ShardStore(database, shard, f"{socket.gethostname()} {os.getpid()}", now=wall,
                          quarantine_rows=settings.store.quarantine_rows)  # fmt: skip

    with (
        heart or Heart(Notify({})) as signs,
        insist(open_store, stop, say, "the shard starts when it can be written") as store,
        _beating(store, stop, signs),
    ):
        serve_on(Renewal(lambda: settings, settings), store, wall, stop, say, say, signs)
        store.lease.check()


@contextmanager
def _beating(store: ShardStore, stop: threading.Event, signs: Heart) -> Iterator[None]:
    """Says that the shard is alive while its loop is, and stops it where the lease is lost while nothing is
    committed."""
    over = threading.Event()

    def beat() -> None:
        while not over.wait(BEAT_S):
            try:
                if signs.stuck:
                    store.lease.check()
                else:
                    store.lease.beat()
            except StoreRetryError:
                continue
            except LeaseLostError:
                stop.set()
                return

    thread = threading.Thread(target=beat, name="lease", daemon=True)
    thread.start()
    try:
        yield
    finally:
        over.set()
        thread.join(2.0)
