"""Sends what is queued, a thread for each channel: no receiver holds up the engine or another receiver."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterable
from typing import Self

from monitor.daemon.clock import Clock
from monitor.daemon.keeper import service_channel
from monitor.daemon.notices import INFLUX, INFLUX_EVENTS, SQL, SQL_EVENTS, channels
from monitor.daemon.people import ServiceSender
from monitor.daemon.ports import Outgoing
from monitor.daemon.senders import LinesSender, Patience, Sender, WebhookSender
from monitor.errors import StoreError
from monitor.model import NS
from monitor.notify.delivery import LineWriter
from monitor.notify.influx import InfluxWriter
from monitor.notify.service import Service
from monitor.notify.sql import SqlWriter
from monitor.notify.webhook import Webhook, channel_name
from monitor.settings import BrokerSettings, Settings, StoreSettings

LIMIT_BYTES = StoreSettings().outbox_limit
STOP_S = 2.0
IDLE_S = 5.0            # how often a channel looks for work nobody told it of (notices requeued by a person)
POLL_S = 0.5            # how often a waiting channel looks at the clock, which may be faster than life
TROUBLE = 30 * NS       # pause after a fault of our own or of the store


class Worker:
    """A sender's thread."""

    def __init__(self, sender: Sender, store: Outgoing, clock: Clock, say: Callable[[str], None]) -> None:
        self.sender = sender
        self._store, self._clock, self._say = store, clock, say
        self._news, self._stop = threading.Event(), threading.Event()
        self.thread = threading.Thread(target=self._run, name=sender.name, daemon=True)

    def wake(self) -> None:
        self._news.set()

    def stop(self) -> None:
        self._stop.set()
        self._news.set()

    def _run(self) -> None:
        resume = self._guarded(lambda: self._store.paused(self.sender.name, self._clock()))
        while not self._stop.is_set():
            if resume is None:
                self._news.wait(IDLE_S)
            elif self._clock() < resume:
                self._stop.wait(min(POLL_S, (resume - self._clock()) / NS))
                continue
            self._news.clear()
            if not self._stop.is_set():
                resume = self._guarded(self.sender.turn)
        self.sender.close()

    def _guarded(self, step: Callable[[], int | None]) -> int | None:
        try:
            return step()
        except StoreError as error:
            if not self._stop.is_set():     # the store is closed behind a thread that was too slow to stop
                self._say(f"{self.sender.name}: {error}")
        except Exception as error:  # noqa: BLE001  # top of the thread: one notice must not silence a channel for good
            self._say(f"{self.sender.name}: unexpected {type(error).__name__}: {error}")
        return self._clock() + TROUBLE


class Outbox:
    """Every channel of the settings but MQTT, each with its thread, between `__enter__` and `__exit__`.

    limit_bytes: how much of the readings may wait for a database; older ones are then given up, but stay in the store.
    Raises InputError for unusable settings.
    """

    def __init__(self, settings: Settings, store: Outgoing, clock: Clock, say: Callable[[str], None], *,
                 limit_bytes: int = LIMIT_BYTES) -> None:
        self._settings, self._store, self._clock, self._say = settings, store, clock, say
        self._stopped = threading.Event()
        senders = [*self._hooks(), *self._people(), *self._databases(limit_bytes)]
        self._workers = [Worker(sender, store, clock, say) for sender in senders]

    def _hooks(self) -> Iterable[Sender]:
        for hook in self._settings.notify.webhooks:
            name = channel_name(hook.url)
            yield WebhookSender(name, Webhook(hook), self._store, self._patience(name), self._clock,
                                self._silent)

    def _people(self) -> Iterable[Sender]:
        for service in self._settings.notify.services:
            name = service_channel(service.id)
            yield ServiceSender(name, Service(service), self._store, self._patience(name), self._clock,
                                self._silent)

    def _databases(self, limit_bytes: int) -> Iterable[Sender]:
        notify, stopping = self._settings.notify, self._silent
        writers: list[tuple[str, LineWriter]] = []
        if notify.influx is not None:
            proven = threading.Event()
            writers += [(name, InfluxWriter(notify.influx, proven=proven, stopping=stopping))
                        for name in (INFLUX, INFLUX_EVENTS)]  # fmt: skip
        if notify.sql is not None:
            proven = threading.Event()
            writers += [(name, SqlWriter(notify.sql, proven=proven, stopping=stopping)) for name in (SQL, SQL_EVENTS)]
        for name, writer in writers:
            keep = limit_bytes if name in (INFLUX, SQL) else None
            yield LinesSender(name, writer, self._store, self._patience(name), self._clock, stopping, keep)

    def _silent(self) -> bool:
        """Whether nothing more may be sent; looked at before each push."""
        return self._stopped.is_set() or not self._store.speaks()

    def _patience(self, name: str) -> Patience:
        broker = self._settings.broker or BrokerSettings()
        return Patience(name, self._clock, self._say, broker.client_id)

    def wake(self) -> None:
        """There may be something new."""
        for worker in self._workers:
            worker.wake()

    def __enter__(self) -> Self:
        self._say_forgotten()
        for worker in self._workers:
            worker.thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        """Within two seconds. What is under way may then arrive without being noted, and is sent again next time."""
        self._stopped.set()
        for worker in self._workers:
            worker.stop()
        deadline = time.monotonic() + STOP_S
        for worker in self._workers:
            worker.thread.join(max(0.0, deadline - time.monotonic()))

    def _say_forgotten(self) -> None:
        used = channels(self._settings)
        for name, told in self._store.outbox().items():
            if name not in used and told["queued"]:
                self._say(f"{told['queued']} notices wait for {name}, which is no longer configured")
