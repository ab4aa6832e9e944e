"""One server or device: tried until it is there, told when it comes and goes."""

from __future__ import annotations

import asyncio
import time
from abc import ABC, abstractmethod
from collections.abc import Callable, Sequence
from random import Random

from monitor.ingest.mqtt_parts import Backoff, Message
from monitor.ingest.reading import gone
from monitor.skid import Signal

SETTLED_S = 10.0    # a session that lasted this long starts the back-off anew
AWAY_S = 15.0       # without a session, before that is told
GONE_S = 20.0       # before its signals are told to be gone: after the fault that is their cause


class LostError(Exception):
    """A session that cannot go on, in words for a person."""


class PlantLink(ABC):
    """id: the source's name in configuration. signals: those read from it. put: takes what was read. now: the clock, ns
    since 1970 UTC. tell, trouble: take sentences for a person, once for each change."""

    def __init__(self, name: str, signals: Sequence[Signal], put: Callable[[Message], None], now: Callable[[], int],
                 tell: Callable[[str], None], trouble: Callable[[str], None]) -> None:
        self.id, self.signals = name, signals
        self.put, self.now = put, now
        self._tell, self._trouble = tell, trouble
        self.since: float | None = time.monotonic()     # without a session; None while there is one
        self.why = "not yet connected"
        self._said = ""
        self._gone = False

    @property
    @abstractmethod
    def name(self) -> str:
        """What it is and where, for a person."""

    @abstractmethod
    async def session(self) -> None:
        """Connects, calls `up`, and reads until the connection is lost: then raises LostError, OSError or
        TimeoutError."""

    def up(self) -> None:
        if self.since is not None:
            self.since, self._gone, self._said = None, False, ""
            self._tell(f"connected to {self.name}")

    def down(self, why: str) -> None:
        self.why = why
        if self.since is None:
            self.since = time.monotonic()
        if self._said != why:
            self._said = why
            self._trouble(f"{self.name}: {why}. It is tried again, with pauses of up to a minute")

    @property
    def away(self) -> str | None:
        """What is wrong, where it has been away for long."""
        since = self.since
        return f"{self.name}: {self.why}" if since is not None and time.monotonic() - since > AWAY_S else None

    def look(self) -> None:
        """To be called now and then: says once that the signals of what is away are gone."""
        if self.since is not None and not self._gone and time.monotonic() - self.since > GONE_S:
            self._gone = True
            for signal in self.signals:
                self.put(gone(signal, self.now()))

    async def keep(self) -> None:
        """Sessions one after another, with a back-off; for good."""
        backoff = Backoff(Random(self.id))
        while True:
            began = time.monotonic()
            try:
                await self.session()
            except LostError as error:
                self.down(str(error))
            except TimeoutError:
                self.down("no answer in time")
            except OSError as error:
                self.down(f"cannot be reached: {error.strerror or error}")
            except Exception as error:  # noqa: BLE001  # top of the task: a fault must not silence a source for good
                self.down(f"unexpected {type(error).__name__}: {error}")
            task = asyncio.current_task()
            if task is not None and task.cancelling():
                return      # a library on its way out may have made a timeout of it
            if time.monotonic() - began > SETTLED_S:
                backoff.reset()
            await asyncio.sleep(backoff.next())
