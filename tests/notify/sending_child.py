"""A daemon's outgoing half until it is killed: commits when their event time has come, and sends what is queued.

Run as a program: folder, the database's address, first and last commit, origin and speed of the clock. Prints a
commit's number once it has returned.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from pathlib import Path

from notify.river import STEP, Fast, commit, opened, settings
from store.samples import START

from monitor.daemon.notices import Notices
from monitor.daemon.outbox import Outbox
from monitor.model import NS
from monitor.store import Store, StoreRetryError


def patiently(open_store: Callable[[], Store]) -> Store:
    """The test's reader may be mending the log that a killed child left, and holds the store for that moment."""
    while True:
        try:
            return open_store()
        except StoreRetryError:
            time.sleep(0.05)


def main(folder: str, url: str, first: int, last: int, origin: int, speed: float) -> None:
    config, clock = settings(Path(folder), url), Fast(speed, origin)
    store = patiently(lambda: opened(config, clock))
    with store, Outbox(config, store, clock, lambda sentence: None) as outbox:
        notices = Notices(config, store, clock)
        for n in range(first, last):
            while clock() < START + n * STEP * NS:
                time.sleep(0.001)
            commit(store, notices, n)
            outbox.wake()
            print(n, flush=True)
        while True:
            time.sleep(1)


if __name__ == "__main__":
    main(sys.argv[1], sys.argv[2], int(sys.argv[3]), int(sys.argv[4]), int(sys.argv[5]), float(sys.argv[6]))
