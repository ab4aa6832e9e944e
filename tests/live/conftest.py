"""A broker, a second client to talk to it, and a source under test."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from services import eventually, mosquitto

from monitor.ingest.mqtt import Message, MqttSource
from monitor.settings import BrokerSettings


class Peer:
    """Another client of the broker, plain paho speaking MQTT 3.1.1: publishes, and keeps what it hears."""

    def __init__(self, broker: BrokerSettings, *topics: str) -> None:
        self.heard: list[tuple[str, bytes, bool]] = []
        self._up = threading.Event()
        self._client = Client(CallbackAPIVersion.VERSION2, protocol=MQTTProtocolVersion.MQTTv311)
        if broker.username and broker.password:
            self._client.username_pw_set(broker.username, broker.password.reveal())
        self._client.on_message = lambda _c, _u, m: self.heard.append((m.topic, bytes(m.payload), m.retain))
        self._client.on_subscribe = lambda *_: self._up.set()
        self._client.on_connect = lambda client, *_: (
            client.subscribe([(topic, 1) for topic in topics]) if topics else self._up.set())
        self._client.connect(broker.host, broker.port)
        self._client.loop_start()
        assert self._up.wait(10)

    def say(self, topic: str, *payloads: str | bytes, qos: int = 1, retain: bool = False) -> None:
        """Publishes and waits until the broker has every one."""
        sent = [self._client.publish(topic, payload, qos, retain) for payload in payloads]
        for info in sent:
            info.wait_for_publish(20)

    def last(self, topic: str) -> bytes | None:
        return next((payload for t, payload, _ in reversed(self.heard) if t == topic), None)

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[mosquitto]:
    with mosquitto(tmp_path) as service:
        yield service


@pytest.fixture
def peer() -> Iterator[Callable[..., Peer]]:
    """Makes peers, which end with the test."""
    made: list[Peer] = []

    def make(broker: BrokerSettings, *topics: str) -> Peer:
        made.append(Peer(broker, *topics))
        return made[-1]

    yield make
    for one in made:
        one.close()


@pytest.fixture
def connect() -> Iterator[Callable[..., MqttSource]]:
    """Makes sources that are connected already; they end with the test."""
    made: list[MqttSource] = []

    def make(settings: BrokerSettings, *topics: str, wait: bool = True, **options: Any) -> MqttSource:
        source = MqttSource(settings, topics, now=time.time_ns, **options).__enter__()
        made.append(source)
        if wait:
            eventually(lambda: source.link.state == "connected", what="connected")
        return source

    yield make
    for one in made:
        one.close()


def _collect(source: MqttSource, count: int, timeout: float = 20.0, ack: bool = True) -> list[Message]:
    got: list[Message] = []
    end = time.monotonic() + timeout
    while len(got) < count and time.monotonic() < end:
        batch = source.take(500, 0.2)
        got += batch
        if ack:
            source.ack(batch)
    return got


@pytest.fixture
def collect() -> Callable[..., list[Message]]:
    """Takes (and acknowledges) until so many messages are there, or time is up."""
    return _collect
