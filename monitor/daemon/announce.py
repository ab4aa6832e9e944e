"""What the daemon says over MQTT: alarms, events, and that it is there."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterable, Mapping
from typing import Any

from monitor.alarms.catalogue import CATALOGUE, MONITOR, MONITOR_FAULT
from monitor.daemon.clock import Clock
from monitor.daemon.mqtt_queue import MqttQueue
from monitor.daemon.ports import Outgoing
from monitor.ingest.mqtt import Link, LinkState, MqttSource
from monitor.notify.mqtt import MqttNotifier, alarm_object, rfc3339, will

PARTING_S = 0.5


class Announcer:
    """Sends through the source's connection; says `online` again after each reconnect, since the broker's will
    may have said `gone` meanwhile. Events come from the outbox and stay there until the broker has confirmed them."""

    def __init__(self, source: MqttSource, prefix: str, clock: Clock, connected: threading.Event,
                 store: Outgoing) -> None:
        self._source, self._prefix, self._clock = source, prefix, clock
        self._notifier = MqttNotifier(source.publish, prefix, now=clock)
        self._queue = MqttQueue(store, clock, self._notifier.send, source.broker.client_id)
        self._connected = connected

    def start(self, standing: Iterable[Mapping[str, Any]]) -> None:
        """standing: alarms from before this start that are not normal, as objects."""
        self._notifier.restore(standing)

    def beat(self, told: Mapping[str, Any]) -> None:
        """A heartbeat; from any thread."""
        if self._source.link.state is LinkState.CONNECTED:
            self._notifier.beat({"time": rfc3339(self._clock())} | dict(told))

    def trouble(self, what: str | None) -> None:
        """What keeps the loop waiting, as an alarm that is not in the store: nothing can be stored just now; None: it
        is over. From any thread."""
        now = self._clock()
        detail = "store-unwritable"
        body = {"state": "normal" if what is None else "unacknowledged", "since": now, "active": what is not None,
                "priority": CATALOGUE[MONITOR_FAULT].priority, "id": f"{MONITOR}/{MONITOR_FAULT}/{detail}"}
        words = {"detail": detail, "message": "" if what is None else f"The monitor itself waits for {what}."}
        self._notifier.restore([alarm_object((MONITOR, MONITOR_FAULT, None, detail), body, words)])

    def greet(self) -> None:
        """After a connection was made: say that the monitor is there."""
        if self._connected.is_set():
            self._connected.clear()
            self._notifier.connected()

    def events(self) -> None:
        """What is queued, and marking what has arrived; never waits for the broker."""
        self._queue.pump()

    def part(self, *, on_purpose: bool) -> None:
        """The last words: `offline`, or what the will says where a fault ends us: a proper goodbye voids the will.
        Waits a moment for what is under way, so that it need not be said again next time."""
        if on_purpose:
            self._notifier.closing().wait(PARTING_S)
        else:
            topic, payload = will(self._prefix, self._clock())
            self._source.publish(topic, payload, retain=True).wait(PARTING_S)
        self._queue.mark()


class Unannounced:
    """In an announcer's place where there is no broker."""

    def start(self, standing: Iterable[Mapping[str, Any]]) -> None: ...

    def greet(self) -> None: ...

    def events(self) -> None: ...

    def part(self, *, on_purpose: bool) -> None: ...


def link_listener(connected: threading.Event, say: Callable[[str], None],
                  warn: Callable[[str], None]) -> Callable[[Link], None]:
    """What the source calls on each change of its connection. say: where news go, warn: troubles."""

    def listen(link: Link) -> None:
        match link.state:
            case LinkState.CONNECTED:
                connected.set()
                say(link.reason)
            case LinkState.DISCONNECTED | LinkState.REFUSED:
                warn(f"{link.reason}. It is tried again, with pauses of up to a minute")

    return listen
