"""A day in the life of many skids, faster than life: does anything grow that should not?

    PYTHONPATH=.:tests python tests/bench/bench_soak.py [--hours 24] [--speed 20] [--skids 200] [--out FOLDER]

Recordings of `normal-service` go through a real mosquitto at QoS 1 into a whole daemon with a webhook that fails for
one request in three; a page is served beside it, and somebody looks at it every ten seconds. Every signal is read every
--every seconds. Each minute of the run a line says what daemon and page hold: memory, threads, open files, the store's
files; how far the newest stored reading lies behind what was sent, in event time; and how late the sender is itself.
At the end: readings sent and found. Nothing is asserted.
"""

from __future__ import annotations

import argparse
import contextlib
import csv
import json
import os
import socket
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any, NamedTuple

import httpx
import numpy as np
from corpus import rows_of, settings_of
from notify.servers import HttpServer, moody
from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from services import eventually, mosquitto

from monitor.daemon.clock import FastClock
from monitor.model import NS, Rows
from monitor.settings import BrokerSettings, NotifySettings, Settings, StoreSettings, WebhookSettings
from monitor.simulation.scenarios import generate
from monitor.skid import SkidSettings
from monitor.store import Reader

KINDS_OF_PLANT = 10         # different recordings; each is lived through by many skids
LATENESS_S = 120.0          # a pause of this machine's is many times longer in event time
SILENCE_S = 900.0
LOOK_S = 60.0
VIEW_S = 10.0
COLUMNS = ("wall_min", "event_h", "sent", "memory_mib", "threads", "files", "page_mib", "page_threads", "page_files",
           "broker_mib", "store_mib", "log_mib", "behind_s", "sender_late_s", "views", "alarms")


class Plant(NamedTuple):
    """A recording: its skid, and its readings by time from the start [ns]."""

    skid: SkidSettings
    rows: Rows


class Clock(FastClock):
    """The same in two processes: event time at the wall time `origin` [ns] is `start` [ns]."""

    def __init__(self, start: int, speed: float, origin: int) -> None:
        super().__init__(start + round((time.time_ns() - origin) * speed), speed)


def plants(hours: float, every: float) -> Iterator[Plant]:
    with tempfile.TemporaryDirectory() as folder:
        for seed in range(1, KINDS_OF_PLANT + 1):
            recording = generate("normal-service", seed, days=max(hours / 24 + 0.02, 0.05))
            yield Plant(settings_of(recording, Path(folder)), thinned(rows_of(recording), every))


def thinned(rows: Rows, every: float) -> Rows:
    """The first reading of each signal in every so many seconds, times from the recording's start."""
    order = np.argsort(rows.time, kind="stable")
    rows = rows.take(order)
    slot = (rows.time - rows.time[0]) // round(every * NS)
    _, first = np.unique(slot * 64 + rows.signal, return_index=True)
    kept = rows.take(np.sort(first))
    return kept._replace(time=kept.time - rows.time[0])


def skids(made: list[Plant], count: int) -> tuple[SkidSettings, ...]:
    """Each signal of each skid with a topic of its own."""
    found = []
    for k in range(count):
        skid = made[k % len(made)].skid
        signals = tuple(replace(s, topic=f"soak/{k}/{j}", max_silence_s=SILENCE_S) for j, s in enumerate(skid.signals))
        found.append(replace(skid, id=f"s{k}", name=f"Skid {k}", signals=signals, lateness_s=LATENESS_S))
    return tuple(found)


def settings(asked: argparse.Namespace) -> Settings:
    return Settings(
        skids(list(plants(0.0, asked.every)), asked.skids),
        BrokerSettings(port=asked.port, client_id="watcher"),
        StoreSettings(str(asked.out / "soak.db")),
        NotifySettings(webhooks=(WebhookSettings(asked.hook),)),
    )


def daemon(asked: argparse.Namespace) -> None:
    """The whole daemon, until standard input ends."""
    from monitor.commands.run import watch

    stop = threading.Event()
    threading.Thread(target=lambda: (sys.stdin.read(), stop.set()), daemon=True).start()
    watch(settings(asked), Clock(asked.start, asked.speed, asked.origin), stop)


def page(asked: argparse.Namespace) -> None:
    from monitor.web.server import serve

    serve(lambda: Reader.open(asked.out / "soak.db"), settings(asked), port=0,
          ready=lambda address: print(address, flush=True))


def held(pid: int) -> tuple[float, int, int]:
    """Resident MiB, threads and open files of a process."""
    line = next(s for s in Path(f"/proc/{pid}/status").read_text().splitlines() if s.startswith("VmRSS"))
    return (round(int(line.split()[1]) / 1024, 1), len(os.listdir(f"/proc/{pid}/task")),
            len(os.listdir(f"/proc/{pid}/fd")))


def mib(path: Path) -> float:
    return path.stat().st_size / 2**20 if path.exists() else 0.0


def publish(topic: str, payload: bytes) -> bytes:
    """A PUBLISH packet at QoS 1 (MQTT 3.1.1, 3.3), always under the same identifier: nothing is ever sent again."""
    body = len(topic).to_bytes(2, "big") + topic.encode() + b"\x00\x01" + payload
    assert len(body) < 16_384
    size = bytes([len(body)]) if len(body) < 128 else bytes([len(body) % 128 | 128, len(body) // 128])
    return b"\x32" + size + body


class Line:
    """A session that only publishes, by hand: a client library would cost more than the daemon."""

    def __init__(self, port: int) -> None:
        connect = b"\x00\x04MQTT\x04\x02\x00\x00\x00\x04feed"
        self.sock = socket.create_connection(("127.0.0.1", port))
        self.sock.sendall(b"\x10" + bytes([len(connect)]) + connect)
        assert self.sock.recv(4) == b"\x20\x02\x00\x00"
        self.sock.setblocking(False)
        self.acknowledged = 0.0

    def send(self, packets: bytes) -> None:
        view = memoryview(packets)
        while view:
            try:
                view = view[self.sock.send(view):]
            except BlockingIOError:
                time.sleep(0.001)
            self.hear()

    def hear(self) -> None:
        """PUBACK packets are of four bytes."""
        with contextlib.suppress(BlockingIOError):
            while data := self.sock.recv(65_536):
                self.acknowledged += len(data) / 4


class Soak:
    def __init__(self, asked: argparse.Namespace, broker: mosquitto, hook: HttpServer) -> None:
        self.asked, self.broker = asked, broker
        self.start, self.origin = time.time_ns() // NS * NS, time.time_ns()
        self.sent, self.beat = 0, dict[str, Any]()
        self.made = list(plants(asked.hours, asked.every))
        words = ["--port", broker.port, "--start", self.start, "--hook", hook.url]
        for name in ("speed", "every", "skids", "out", "origin"):
            words += [f"--{name}", getattr(asked, name) if name != "origin" else self.origin]
        self.words = [str(w) for w in words]
        self.views, self.over, self.parts = 0, threading.Event(), list[subprocess.Popen[bytes]]()
        self.process = self.part("daemon", stdin=subprocess.PIPE)
        self.client = Client(CallbackAPIVersion.VERSION2, protocol=MQTTProtocolVersion.MQTTv5)
        self.client.on_message = lambda _c, _u, m: self.beat.update(json.loads(m.payload))
        self.client.on_connect = lambda c, *_: c.subscribe("bagwright/heartbeat")
        self.client.connect("127.0.0.1", broker.port)
        self.client.loop_start()
        self.line = Line(broker.port)
        self.clock = Clock(self.start, asked.speed, self.origin)

    def part(self, name: str, **how: Any) -> subprocess.Popen[bytes]:
        self.parts.append(subprocess.Popen([sys.executable, __file__, "--part", name, *self.words],
                                           stdout=self.log(name).open("w"), stderr=subprocess.STDOUT, **how))
        return self.parts[-1]

    def log(self, name: str) -> Path:
        return self.asked.out / f"{name}.log"

    def visit(self, address: str) -> None:
        """Somebody who looks at the overview and at one skid after the other."""
        with httpx.Client(base_url=address, timeout=60) as browser:
            while not self.over.wait(VIEW_S):
                for path in ("/", f"/skid/s{self.views % self.asked.skids}"):
                    browser.get(path).raise_for_status()
                self.views += 1

    def run(self) -> None:
        eventually(lambda: "connected" in self.log("daemon").read_text(), 300, "the daemon")
        self.page = self.part("page")
        address = eventually(lambda: self.log("page").read_text().partition("\n")[0], 300, "the page")
        self.visitor = threading.Thread(target=self.visit, args=(address,), daemon=True)
        self.visitor.start()
        self.begin = self.clock()
        looked = 0.0
        with (self.asked.out / "soak.csv").open("w", newline="") as file:
            table = csv.writer(file)
            table.writerow(COLUMNS)
            print("".join(f"{name:>14}" for name in COLUMNS))
            for second in range(round(self.asked.hours * 3600)):
                self.wait(second)
                self.publish(second)
                if time.monotonic() - looked >= LOOK_S:
                    looked = time.monotonic()
                    table.writerow(self.look(second))
                    file.flush()
            table.writerow(self.look(round(self.asked.hours * 3600)))

    def wait(self, second: int) -> None:
        while (left := self.begin + second * NS - self.clock()) > 0:
            time.sleep(min(left / NS / self.asked.speed, 0.05))

    def publish(self, second: int) -> None:
        """What every skid reads in one second of event time."""
        packets = []
        for kind, plant in enumerate(self.made):
            a, b = np.searchsorted(plant.rows.time, [second * NS, (second + 1) * NS])
            rows = plant.rows.take(slice(a, b))
            for time_ns, signal, value in zip(*(part.tolist() for part in rows[:3]), strict=True):
                if value != value:
                    continue
                body = f'{{"time":{(self.begin + time_ns) / NS:.3f},"value":{value!r}}}'.encode()
                packets += [publish(f"soak/{k}/{signal}", body) for k in range(kind, self.asked.skids, len(self.made))]
        self.line.send(b"".join(packets))
        self.sent += len(packets)

    def look(self, second: int) -> list[object]:
        store, late = self.asked.out / "soak.db", (self.clock() - self.begin) / NS - second
        assert self.process.poll() is None and self.broker.process is not None
        newest = self.beat.get("newest_s")
        told = (round((time.time_ns() - self.origin) / NS / 60, 1), round(second / 3600, 2), self.sent,
                *held(self.process.pid), *held(self.page.pid), held(self.broker.process.pid)[0],
                round(mib(store), 1), round(mib(store.with_name("soak.db-wal")), 1),
                None if newest is None else round(newest - late, 1), round(late, 1), self.views,
                sum((self.beat.get("alarms") or {}).values()))
        print("".join(f"{value!s:>14}" for value in told), flush=True)
        return list(told)

    def end(self) -> None:
        """Waits for what is under way, and counts."""
        self.over.set()
        self.visitor.join()
        store, found = self.asked.out / "soak.db", -1
        for _ in range(1_200):
            self.line.hear()
            with Reader.open(store) as reader:
                status = reader.status()        # counts what is being packed twice: only a first look
                if sum(status["readings"][part] for part in ("recent", "packed")) >= self.sent:
                    found = sum(reader.rows(f"s{k}", 0, 2**62).size for k in range(self.asked.skids))
            if found >= self.sent:
                break
            time.sleep(1)
        self.process.communicate(b"", timeout=120)
        packed = status["readings"]["bytes_a_packed_reading"]
        print(f"sent {self.sent}, confirmed {self.line.acknowledged:.0f}, stored {found}, set aside "
              f"{status['quarantine']}; bytes a packed reading "
              f"{'-' if packed is None else f'{packed:.2f}'}; events {status['events']}; outbox {status['outbox']}")
        print(self.log("daemon").read_text()[-3_000:])

    def close(self) -> None:
        self.over.set()
        for part in self.parts:
            part.kill()
        self.client.loop_stop()


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--hours", type=float, default=24.0)
    parser.add_argument("--speed", type=float, default=20.0)
    parser.add_argument("--skids", type=int, default=200)
    parser.add_argument("--every", type=float, default=5.0, help="seconds between readings of a signal")
    parser.add_argument("--out", type=Path, default=None)
    parser.add_argument("--part", choices=("daemon", "page"), help=argparse.SUPPRESS)
    for name, kind in (("port", int), ("start", int), ("origin", int), ("hook", str)):
        parser.add_argument(f"--{name}", type=kind, help=argparse.SUPPRESS)
    asked = parser.parse_args()
    if asked.part:
        {"daemon": daemon, "page": page}[asked.part](asked)
        return
    with tempfile.TemporaryDirectory() as folder:
        asked.out = asked.out or Path(folder)
        asked.out.mkdir(parents=True, exist_ok=True)
        patient = "max_inflight_messages 0"
        with mosquitto(asked.out, config_extra=patient) as broker, HttpServer(moody(1, 1 / 3)) as hook:
            soak = Soak(asked, broker, hook)
            try:
                soak.run()
                soak.end()
            finally:
                soak.close()


if __name__ == "__main__":
    main()
