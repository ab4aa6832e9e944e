"""Publications on their way to the broker: a bounded queue in front of paho's messages in flight."""

from __future__ import annotations

import threading
from collections import deque
from typing import NamedTuple

from paho.mqtt.client import Client
from paho.mqtt.enums import MQTTErrorCode
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

LIMIT = 10_000          # publications waiting here
WINDOW = 16             # in flight; mosquitto accepts 20 unless told otherwise
LARGEST = 268_435_460   # bytes of any packet (MQTT 5.0, 1.5.5 and 2.1.4)


class Delivery:
    """What became of a publication. `done` once the broker has confirmed it (QoS 1) or it was handed
    to the network (QoS 0); `error` is a sentence where it will never be."""

    __slots__ = ("_settled", "error", "topic")

    def __init__(self, topic: str) -> None:
        self.topic = topic
        self.error: str | None = None
        self._settled = threading.Event()

    @property
    def done(self) -> bool:
        return self._settled.is_set() and self.error is None

    def wait(self, timeout: float | None = None) -> bool:
        """Blocks until settled, at most `timeout` seconds; True where the broker has it."""
        self._settled.wait(timeout)
        return self.done

    def settle(self, error: str | None = None) -> None:
        self.error = error
        self._settled.set()


class _Publication(NamedTuple):
    topic: str
    payload: bytes
    qos: int
    retain: bool
    delivery: Delivery

    @property
    def size(self) -> int:
        return len(self.payload) + len(self.topic.encode()) + 16


class Outbox:
    """`put` from any thread; everything else from the network thread."""

    def __init__(self, client: Client) -> None:
        self._client = client
        self._waiting: deque[_Publication] = deque()
        self._in_flight: dict[int, Delivery] = {}
        self._lock = threading.Lock()
        self._closed = False
        self._window, self._largest, self._may_retain = WINDOW, LARGEST, True
        client.max_inflight_messages_set(WINDOW)

    def put(self, topic: str, payload: bytes, qos: int, retain: bool) -> Delivery:
        """Queues a publication; a closed or full outbox shows as `Delivery.error` at once."""
        delivery = Delivery(topic)
        with self._lock:
            if self._closed:
                delivery.settle("the connection is closed")
            elif len(self._waiting) >= LIMIT:
                delivery.settle(f"{LIMIT} publications are waiting already")
            else:
                self._waiting.append(_Publication(topic, payload, qos, retain, delivery))
        return delivery

    @property
    def empty(self) -> bool:
        return not self._waiting and not self._in_flight

    def connected(self, properties: Properties | None) -> None:
        """What this broker can take, from its CONNACK (section 3.2.2.3)."""
        self._window = min(WINDOW, getattr(properties, "ReceiveMaximum", WINDOW))
        self._largest = getattr(properties, "MaximumPacketSize", LARGEST)
        self._may_retain = bool(getattr(properties, "RetainAvailable", 1))

    def send(self) -> None:
        """Hands to paho what may be in flight. paho sends it again after a reconnect until confirmed."""
        client = self._client
        while len(self._in_flight) < self._window and not client.want_write() and client.socket() is not None:
            with self._lock:
                if not self._waiting:
                    return
                publication = self._waiting.popleft()
            if not self._hand_over(publication):
                return

    def _hand_over(self, p: _Publication) -> bool:
        if p.size > self._largest:      # the broker would cut the connection, at each attempt anew
            p.delivery.settle(f"{p.size} bytes are too many: the broker takes {self._largest}")
            return True
        info = self._client.publish(p.topic, p.payload, p.qos, p.retain and self._may_retain)
        if info.rc == MQTTErrorCode.MQTT_ERR_QUEUE_SIZE:    # its packet id is still in use; the next is free
            with self._lock:
                self._waiting.appendleft(p)
            return False
        if p.qos:
            self._in_flight[info.mid] = p.delivery
        else:
            p.delivery.settle("the connection was lost" if info.rc else None)
        return True

    def confirmed(self, mid: int, reason: ReasonCode) -> None:
        delivery = self._in_flight.pop(mid, None)
        if delivery is not None:
            delivery.settle(f"the broker refuses {delivery.topic}: {reason}" if reason.is_failure else None)

    def close(self) -> None:
        """Settles what is left; later publications fail at once."""
        with self._lock:
            self._closed = True
            left = [p.delivery for p in self._waiting] + list(self._in_flight.values())
            self._waiting.clear()
        for delivery in left:
            delivery.settle("the connection was closed before the broker confirmed it")
