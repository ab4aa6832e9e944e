"""In a connection's place where there is no broker: nothing comes by it, and nothing is missed."""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from types import TracebackType
from typing import Self

from monitor.ingest.mqtt_parts import Counters, Link, LinkState, Message


class NoBroker:
    """As `MqttSource`, as far as messages go. now: the clock."""

    def __init__(self, now: Callable[[], int]) -> None:
        self._now, self._nothing = now, threading.Event()
        self.counters = Counters()
        self.link = Link(LinkState.UNUSED, "there is no broker")

    @property
    def heard(self) -> int:
        return self._now()

    def take(self, limit: int, timeout: float) -> list[Message]:
        del limit
        self._nothing.wait(timeout)
        return []

    def ack(self, messages: Sequence[Message]) -> None: ...

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None,
                 traceback: TracebackType | None) -> None: ...
