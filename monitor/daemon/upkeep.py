"""Care of the store between commits, a bounded piece at a time, so that taking messages never waits long for it."""

from __future__ import annotations

from collections.abc import Callable

from monitor.daemon.ports import DaemonStore
from monitor.model import NS
from monitor.store import StoreRetryError

EVERY_S = 30.0
PACK_AFTER = 2 * 3600 * NS  # an hour is packed when it lies this far back: late rows are then rare


class Upkeep:
    """now: the present [ns]. days: how long packed readings are kept."""

    def __init__(self, store: DaemonStore, now: int, days: float, say: Callable[[str], None]) -> None:
        self._store, self._days, self._say = store, days, say
        self._last, self._more = now, False

    def step(self, now: int, reached: int) -> None:
        """One piece, where its time has come or the last one left something. reached: event time of the skid
        that is furthest behind."""
        if now - self._last < EVERY_S * NS and not self._more:
            return
        self._last = now
        try:
            self._more = self._store.pack(reached - PACK_AFTER) or bool(
                self._store.retain(now, self._days)
            )
            self._store.vacuum()
        except StoreRetryError as error:
            self._say(f"{error}; housekeeping of the store waits")
