"""What the daemon says over MQTT: alarms, events, and that it is there."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterable

from monitor.daemon.clock import Clock
from monitor.daemon.mqtt_queue import MqttQueue
from monitor.ingest.mqtt import Link, LinkState, MqttSource
from monitor.model import Event
from monitor.notify.mqtt import MqttNotifier, will
from monitor.records import event_object
from monitor.store import Store

PARTING_S = 0.5


class Announcer:
    """Sends through the source's connection; says `online` again after each reconnect, since the broker's will
    may have said `gone` meanwhile. Events come from the outbox and stay there until the broker has confirmed them."""

    def __init__(self, source: MqttSource, prefix: str, clock: Clock, connected: threading.Event, store: Store) -> None:
        self._source, self._prefix, self._clock = source, prefix, clock
        self._notifier = MqttNotifier(source.publish, prefix, now=clock)
        self._queue = MqttQueue(store, clock, self._notifier.send, source.broker.client_id)
        self._connected = connected

    def start(self, raised: Iterable[Event]) -> None:
        """raised: the last `raised` event of each alarm that is active since before this start, oldest first."""
        self._notifier.restore(event_object(event) for event in raised)

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
