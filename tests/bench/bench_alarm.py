"""From the deciding reading to the alarm on MQTT, with durable commits.

    PYTHONPATH=.:tests python tests/bench/bench_alarm.py [MESSAGES A SECOND ...]

Skids with five transmitters send once a second; each passes its limit once. The deciding reading is the first
that shows that the on-delay is over and lateness has passed. Beside it, in the same run: the round trip of the broker,
and a commit of as many readings as a round of the daemon takes. Nothing is asserted.
"""

from __future__ import annotations

import json
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion
from services import eventually, mosquitto
from skids import BAR, duplex, signal

from monitor.model import NS, Role, Rows
from monitor.settings import BrokerSettings, Settings, StoreSettings
from monitor.skid import SkidSettings
from monitor.store import Batch, Store
from monitor.times import to_rfc3339

ON_DELAY, LATENESS, CALM, SECONDS = 2.0, 1.0, 10, 40


def skids(count: int) -> tuple[SkidSettings, ...]:
    """Each with five transmitters."""
    whole = duplex(lateness=LATENESS)
    limit = replace(whole.alarms["dp-limit"], on_delay_s=ON_DELAY)
    every = (*whole.signals, signal("dp", Role.DIFFERENTIAL_PRESSURE, "bar", 6.0, BAR))
    return tuple(replace(whole, id=f"s{k}", signals=tuple(replace(s, topic=f"b/s{k}/{s.id}") for s in every),
                         alarms=whole.alarms | {"dp-limit": limit}) for k in range(count))


def values(high: bool) -> dict[str, float]:
    drop = 2.3 if high else 0.4
    return {"in": 2.0 + drop, "out": 2.0, "flow": 40.0, "temp": 15.0, "dp": drop}


def settings(port: int, count: int, folder: str) -> Settings:
    return Settings(skids(count), BrokerSettings(port=port, client_id="watcher"), StoreSettings(f"{folder}/b.db"))


def daemon(port: int, count: int, folder: str) -> None:
    """The whole daemon, until standard input ends."""
    from monitor.commands.run import watch

    stop = threading.Event()
    threading.Thread(target=lambda: (sys.stdin.read(), stop.set()), daemon=True).start()
    watch(settings(port, count, folder), time.time_ns, stop)


class Room:
    """Hears alarms and its own pings, with the time at which they came."""

    def __init__(self, port: int) -> None:
        self.alarms: dict[str, tuple[int, int]] = {}      # skid -> event time, arrival
        self.pings: dict[int, int] = {}
        self.client = Client(CallbackAPIVersion.VERSION2)
        self.client.max_inflight_messages_set(1_000)
        self.client.on_message = self._heard
        self.client.on_connect = lambda c, *_: c.subscribe([("bagwright/+/event", 1), ("ping", 1)])
        self.client.connect("127.0.0.1", port)
        self.client.loop_start()

    def _heard(self, _client: Client, _userdata: Any, message: Any) -> None:
        now = time.time_ns()
        if message.topic == "ping":
            self.pings[int(message.payload)] = now
            return
        event = json.loads(message.payload)
        if (event["kind"], event["transition"]) == ("dp-limit", "raised"):
            self.alarms[event["skid"]] = (int(event["id"].rsplit("/", 1)[1]), now)


def run(count: int) -> None:
    chance = np.random.default_rng(1)
    rises = chance.integers(CALM, SECONDS - 12, count)
    sent: dict[tuple[int, int], int] = {}
    trips: list[int] = []
    patient = "max_inflight_messages 0"
    with tempfile.TemporaryDirectory() as folder, mosquitto(Path(folder), config_extra=patient) as broker:
        room = Room(broker.port)
        process = subprocess.Popen([sys.executable, __file__, "--daemon", str(broker.port), str(count), folder],
                                   stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
        assert process.stdout is not None
        for line in process.stdout:
            if "connected" in line:
                break
        time.sleep(1.0)
        publish(room, count, rises, sent, trips)
        eventually(lambda: len(room.alarms) == count, 30, "every alarm")
        process.communicate("")
        commit = commits(folder, count)
    late = np.array([(came - sent[int(name[1:]), decided + round(LATENESS * NS)]) / 1e6
                     for name, (decided, came) in room.alarms.items()])
    trip = np.array([(room.pings[t] - t) / 1e6 for t in trips if t in room.pings])
    print(f"{5 * count:6} messages/s  {show('alarm', late)}  {show('round trip', trip)}  {show('commit', commit)}")


def publish(room: Room, count: int, rises: Any, sent: dict[tuple[int, int], int], trips: list[int]) -> None:
    """Readings stamped on whole seconds, spread over the second in which they are sent."""
    begin = -(-time.time_ns() // NS) * NS + NS
    pieces = 20
    for second in range(SECONDS):
        stamp = begin + second * NS
        text = to_rfc3339(stamp)
        for piece in range(pieces):
            wait((stamp + piece * NS // pieces) / NS)
            for k in range(piece, count, pieces):
                sent[k, stamp] = time.time_ns()
                for name, value in values(second >= rises[k]).items():
                    body = f'{{"time":"{text}","value":{value}}}'
                    room.client.publish(f"b/s{k}/{name}", body, qos=1)
            trips.append(time.time_ns())
            room.client.publish("ping", str(trips[-1]), qos=1)


def wait(until: float) -> None:
    while (left := until - time.time()) > 0:
        time.sleep(min(left, 0.01))


def commits(folder: str, count: int) -> Any:
    """Durations [ms] of commits as a round of the daemon makes them."""
    size = max(1, count // 4)
    taken = []
    with Store.open(f"{folder}/c.db", now=time.time_ns) as store:
        store.configure(skids(1))
        for n in range(50):
            stamps = np.arange(size, dtype=np.int64) + n * size
            rows = Rows(stamps, np.zeros(size, np.int16), np.full(size, 0.4), np.zeros(size, np.uint8))
            began = time.perf_counter()
            store.commit(Batch(rows=[("s0", rows, np.ones(size, np.bool_))]))
            taken.append(1e3 * (time.perf_counter() - began))
    return np.array(taken)


def show(name: str, values: Any) -> str:
    p50, p99 = np.percentile(values, [50, 99])
    return f"{name} p50 {p50:.0f} ms p99 {p99:.0f} ms (n {values.size})"


if __name__ == "__main__":
    if sys.argv[1:2] == ["--daemon"]:
        daemon(int(sys.argv[2]), int(sys.argv[3]), sys.argv[4])
    else:
        measure: Callable[[int], None] = run
        for rate in map(int, sys.argv[1:] or ["100", "5000"]):
            measure(rate // 5)
