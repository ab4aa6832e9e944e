"""Events over MQTT are in the outbox until the broker has them: at least once, whatever dies when."""

from __future__ import annotations

import json
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import standardwebhooks
from notify.river import SECRET, Fast, opened, settings
from notify.servers import Answer, HttpServer, Metrics
from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion
from services import eventually, mosquitto
from skids import duplex, steady
from store.samples import START, event

from monitor.commands.run import watch
from monitor.daemon import own_faults
from monitor.daemon.announce import Announcer
from monitor.daemon.keeper import Keeper
from monitor.daemon.mqtt_queue import MqttQueue
from monitor.daemon.notices import Notices
from monitor.ingest.mqtt import Delivery, MqttSource
from monitor.model import NS, Event, Transition
from monitor.settings import BrokerSettings, Settings
from monitor.store import Batch, Reader, Store
from monitor.times import to_rfc3339

pytestmark = pytest.mark.needs("mosquitto")


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[mosquitto]:
    with mosquitto(tmp_path) as service:
        yield service


@contextmanager
def listening(port: int, topic: str) -> Iterator[list[tuple[str, dict[str, Any]]]]:
    heard: list[tuple[str, dict[str, Any]]] = []
    ready = threading.Event()
    client = Client(CallbackAPIVersion.VERSION2)
    client.on_message = lambda _c, _u, m: heard.append((m.topic, json.loads(m.payload)))
    client.on_subscribe = lambda *_: ready.set()
    client.on_connect = lambda c, *_: c.subscribe(topic, 1)
    client.connect("127.0.0.1", port)
    client.loop_start()
    try:
        assert ready.wait(10)
        yield heard
    finally:
        client.disconnect()
        client.loop_stop()


def tell(config: Settings, store: Store, events: list[Event], *, alarms: bool = False) -> None:
    """alarms: with the states that the events move."""
    batch = Batch(events=events)
    if alarms:
        Keeper(config, store, lambda: START, lambda skid: START).fill(batch)
    Notices(config, store, lambda: START).fill(batch)
    store.commit(batch)


def queued(store: Store) -> int:
    return int(store.status()["outbox"]["mqtt"]["queued"])


def pumping(announcer: Announcer, store: Store) -> Callable[[], bool]:
    def step() -> bool:
        announcer.events()
        return queued(store) == 0

    return step


def test_events_committed_before_a_crash_are_said_after_it_in_order(tmp_path: Path, broker: mosquitto) -> None:
    clock, config = Fast(1.0), settings(tmp_path)
    story = [event(60 * i, transition=Transition.CLEARED if i % 2 else Transition.RAISED) for i in range(6)]
    with opened(config, clock) as store:
        tell(config, store, story, alarms=True)
    with listening(broker.port, "bagwright/#") as heard, opened(config, clock) as store:
        with MqttSource(broker.settings(client_id="one"), [], now=clock) as source:
            announcer = Announcer(source, "bagwright", clock, threading.Event(), store)
            eventually(pumping(announcer, store))
        eventually(lambda: len(heard) >= 12)
        events = [body["id"] for topic, body in heard if topic == "bagwright/intake-1/event"]
        states = [body["state"] for topic, body in heard if topic == "bagwright/intake-1/alarm/dp-limit"]
        assert events == [e.id for e in story]
        assert states == ["unacknowledged", "returned-unacknowledged"] * 3


def test_nothing_is_marked_before_the_broker_has_it(tmp_path: Path, broker: mosquitto) -> None:
    clock, config = Fast(1.0), settings(tmp_path)
    broker.stop()
    with opened(config, clock) as store:
        tell(config, store, [event(0)])
        with MqttSource(broker.settings(client_id="one"), [], now=clock) as source:
            announcer = Announcer(source, "bagwright", clock, threading.Event(), store)
            for _ in range(5):
                announcer.events()
                time.sleep(0.05)
            assert queued(store) == 1
            broker.start()
            eventually(pumping(announcer, store))


class Connection:
    """A connection whose deliveries are settled by hand."""

    def __init__(self) -> None:
        self.given: list[Delivery] = []

    def __call__(self, body: Any) -> list[Delivery]:
        self.given += [Delivery("state"), Delivery("event")]
        return self.given[-2:]


def test_events_are_marked_in_order_so_that_a_repeat_ends_with_the_last_word(tmp_path: Path) -> None:
    config, connection = settings(tmp_path), Connection()
    with opened(config, Fast(1.0)) as store:
        tell(config, store, [event(60 * i) for i in range(3)])
        queue = MqttQueue(store, Fast(1.0), connection, "seed")
        queue.pump()
        for delivery in connection.given[2:]:       # the second and the third arrive, of the first nothing is known
            delivery.settle()
        queue.pump()
        assert queued(store) == 3
        for delivery in connection.given[:2]:
            delivery.settle()
        queue.pump()
        assert queued(store) == 0 and len(connection.given) == 6


def test_an_event_that_the_broker_keeps_refusing_is_given_up_with_its_reason(tmp_path: Path) -> None:
    clock, config, connection = Fast(10_000.0), settings(tmp_path), Connection()
    with opened(config, clock) as store:
        tell(config, store, [event(0), event(60)])
        queue = MqttQueue(store, clock, connection, "seed")

        def step() -> bool:
            queue.pump()
            for n, delivery in enumerate(connection.given):
                if not delivery.done and delivery.error is None:
                    delivery.settle("too large: 20 bytes" if n < 2 or n > 3 else None)
            return queued(store) == 0

        eventually(step)
        told = store.status()["outbox"]["mqtt"]
        assert (told["sent"], told["refused"], told["last_error"]) == (1, 1, "too large: 20 bytes")


def plant(port: int, hook: str, database: str, folder: Path) -> Settings:
    whole = settings(folder, influx=database, hooks=(hook,))
    return replace(whole, skids=(duplex(),), broker=BrokerSettings(port=port))


@pytest.mark.needs("victoria-metrics")
@pytest.mark.timeout(120)
def test_the_whole_daemon_tells_a_receiver_a_database_and_its_topics_of_a_high_dp(
    tmp_path: Path, broker: mosquitto
) -> None:
    """dP 2.2 bar of 2.4 bar allowed: above 85 % for more than 15 s."""
    start = (time.time_ns() - 300 * NS) // NS * NS
    readings = steady(np.r_[np.full(60, 0.3), np.full(60, 2.2)])
    with HttpServer() as hook, Metrics(tmp_path) as database, listening(broker.port, "bagwright/s/event") as heard:
        config = plant(broker.port, hook.url, database.url, tmp_path)
        names = [s.topic for s in config.skids[0].signals]
        stop, said = threading.Event(), list[str]()
        daemon = threading.Thread(target=watch, args=(config, time.time_ns, stop, said.append))
        daemon.start()
        try:
            eventually(lambda: any("connected to" in s for s in said), 60)
            time.sleep(0.3)     # subscribed
            publish(broker.port, [(names[s], start + t - readings.time[0], v) for t, s, v in zip(
                readings.time.tolist(), readings.signal.tolist(), readings.value.tolist(), strict=True)])
            eventually(lambda: hook.asked and heard, 30, "told")
            eventually(lambda: sum(len(v) for _, v in database.export("reading_value")) == 480, 15, "written")
            eventually(lambda: database.export("event_value"), 15, "event written")
        finally:
            stop.set()
            daemon.join(20)
        body = standardwebhooks.Webhook(SECRET).verify(hook.asked[0].body, dict(hook.asked[0].headers))
        assert (body["kind"], body["transition"]) == ("dp-limit", "raised") and body["value"] == pytest.approx(2.2)
        assert heard[0][1] == body
        by_signal = {labels["signal"]: values for labels, values in database.export("reading_value")}
        written = [by_signal["in"][(start + i * NS) // 1_000_000] for i in range(120)]
        assert written == pytest.approx([2.3] * 60 + [4.2] * 60)
        assert not daemon.is_alive()


@pytest.mark.timeout(90)
def test_a_broker_that_is_gone_and_a_receiver_that_fails_are_alarms_until_they_are_back(
    tmp_path: Path, broker: mosquitto, monkeypatch: pytest.MonkeyPatch
) -> None:
    """In half a second in place of 15 s and a quarter of an hour."""
    for name, seconds in (("LOST_S", 0.5), ("DEAD_S", 0.5), ("LOOK_S", 0.1)):
        monkeypatch.setattr(own_faults, name, seconds)
    failing, stop, said = threading.Event(), threading.Event(), list[str]()
    failing.set()
    with HttpServer(lambda _: Answer(503 if failing.is_set() else 204)) as hook:
        config = replace(settings(tmp_path, hooks=(hook.url,)), skids=(duplex(),),
                         broker=BrokerSettings(port=broker.port))

        def faults() -> set[tuple[str | None, str]]:
            with Reader.open(tmp_path / "s.db") as reader:
                return {(e.detail, str(e.transition)) for e in reader.events(kinds=["monitor-fault"])}

        daemon = threading.Thread(target=watch, args=(config, time.time_ns, stop, said.append))
        daemon.start()
        try:
            eventually(lambda: any("connected to" in s for s in said), 60)
            broker.kill()
            both = {("broker-lost", "raised"), ("channel-dead", "raised")}
            eventually(lambda: faults() == both, 30, "both told")
            failing.clear()
            broker.start()
            eventually(lambda: faults() == both | {(detail, "cleared") for detail, _ in both}, 40, "both over")
        finally:
            stop.set()
            daemon.join(20)
        assert {json.loads(a.body)["detail"] for a in hook.asked} == {"broker-lost", "channel-dead"}


def publish(port: int, messages: list[tuple[str, int, float]]) -> None:
    client = Client(CallbackAPIVersion.VERSION2)
    client.max_inflight_messages_set(500)
    client.connect("127.0.0.1", port)
    client.loop_start()
    sent = [client.publish(topic, json.dumps({"time": to_rfc3339(moment), "value": value}), qos=1)
            for topic, moment, value in messages]
    for info in sent:
        info.wait_for_publish(10)
    client.disconnect()
    client.loop_stop()
