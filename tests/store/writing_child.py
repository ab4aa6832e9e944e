"""Commits numbered batches until it is killed, and prints a batch's number once its commit has returned.

Run as a program: the store's path, the first batch's number. Batch n holds a hundred seconds of readings, an event and
a notice; between batches a piece of packing is done.
"""

from __future__ import annotations

import sys
from itertools import count

from store.samples import HOUR, START, batch, event, opened, regular

from monitor.store import Batch, Notice

SECONDS = 100


def numbered(n: int) -> Batch:
    return batch(regular(SECONDS, first=SECONDS * n, seed=n), events=[event(SECONDS * n)],
                 notices=[Notice("webhook", str(n), n, START)], ticks={"intake-1": START + n})


def main(path: str, first: int) -> None:
    with opened(path) as store:
        for n in count(first):
            store.commit(numbered(n))
            print(n, flush=True)
            store.pack(START + SECONDS * n * 1_000_000_000 // HOUR * HOUR)


if __name__ == "__main__":
    main(sys.argv[1], int(sys.argv[2]))
