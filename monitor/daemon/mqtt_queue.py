"""Events from the outbox to our own topics, through the connection that the daemon's loop already has."""

from __future__ import annotations

import contextlib
import random
from collections import deque
from collections.abc import Callable, Sequence
from typing import Any

from monitor.daemon.clock import Clock
from monitor.daemon.keeper import MQTT
from monitor.daemon.ports import Outgoing
from monitor.ingest.mqtt import Delivery
from monitor.store import Due, StoreRetryError, next_try

IN_FLIGHT = 100         # events handed to the connection and not yet confirmed
TRIES = 5               # refusals by the broker before an event is kept as refused


class MqttQueue:
    """Marks events in order, so that what is sent again after a crash is always the end of the story, and retained
    alarms come out right.

    send: gives an event object to the connection, returns what will become of it.
    """

    def __init__(self, store: Outgoing, clock: Clock, send: Callable[[Any], Sequence[Delivery]], seed: str) -> None:
        self._store, self._clock, self._send = store, clock, send
        self._pending: deque[tuple[Due, Sequence[Delivery]]] = deque()
        self._chance = random.Random(seed)

    def pump(self) -> None:
        """Marks what the broker has confirmed and hands over what is due. Never waits for the broker."""
        self.mark()
        if not self._pending:
            for notice in self._store.due(MQTT, self._clock(), IN_FLIGHT):
                self._pending.append((notice, self._send(notice.body)))

    def mark(self) -> None:
        """Marks what the broker has confirmed; another time where the store cannot be written now."""
        with contextlib.suppress(StoreRetryError):      # the loop's own commits say what is wrong
            self._settle()

    def _settle(self) -> None:
        done = 0
        while done < len(self._pending) and all(d.done for d in self._pending[done][1]):
            done += 1
        if done:
            self._store.sent([self._pending[i][0].id for i in range(done)])
            for _ in range(done):
                self._pending.popleft()
        if self._pending:
            self._give_up(*self._pending[0])

    def _give_up(self, notice: Due, deliveries: Sequence[Delivery]) -> None:
        error = next((d.error for d in deliveries if d.error is not None), None)
        if error is None:
            return
        if notice.attempts + 1 >= TRIES:
            self._store.refused([notice.id], error)
        else:
            self._store.failed([notice.id], error, next_try(self._clock(), notice.attempts + 1, self._chance))
        self._pending.popleft()
