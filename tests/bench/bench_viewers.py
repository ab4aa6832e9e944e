"""What open pages cost the daemon: 500 skids at 1 Hz over a real broker, with and without viewers in turns.

    PYTHONPATH=.:tests python tests/bench/bench_viewers.py [--viewers 50] [--turns 8] [--seconds 15] [--skids 500]

The daemon, the page (nicer than the daemon, as `bagwright run` starts it), the broker, the sender and the viewers are
processes of their own. Two loads: as offered (each transmitter once a second), and as fast as the daemon takes it.
Turns without and with viewers follow each other in pairs; what is compared is taken within a pair, so that whatever
else the machine does strikes both. Readings are counted in the store. CPU time is the kernel's of each process, which
another's load moves far less than the clock. Half of the viewers look at the overview, half each at another skid.
Intervals: of the median of pairs, 90 %, by the bootstrap. Nothing is asserted.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import os
import socket
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path
from statistics import median
from typing import Any

import numpy as np
from bench_alarm import skids, values
from bench_page import cpu, watch_many
from services import eventually, mosquitto

from monitor.model import NS
from monitor.settings import BrokerSettings, Settings, StoreSettings
from monitor.skid import SkidSettings
from monitor.store import Reader
from monitor.times import to_rfc3339

START = 1_772_323_200 * NS
AHEAD_S = 8                 # seconds of event time that may wait at the broker when the daemon is to be busy


def settings(port: int, folder: str, count: int) -> Settings:
    return Settings(skids(count), BrokerSettings(port=port, client_id="watcher"),
                    StoreSettings(f"{folder}/b.db"))


def daemon(port: int, folder: str, count: int, ready: Any, stop: Any) -> None:
    from monitor.commands.run import watch

    watch(settings(port, folder, count), time.time_ns, stop, tell=ready.put)


def page(port: int, folder: str, count: int, ready: Any) -> None:
    from monitor.commands.page_process import NICER
    from monitor.web.server import serve

    os.nice(NICER)
    serve(lambda: Reader.open(Path(folder) / "b.db"), settings(port, folder, count), port=0, ready=ready.put)


def send(port: int, every: tuple[SkidSettings, ...], reached: Any, most: Any) -> None:
    """PUBLISH packets of QoS 1 (MQTT 3.1.1, 3.3), a second of event time after the other; at most `most` seconds a
    second, and never more than AHEAD_S ahead of what was stored."""
    with socket.create_connection(("127.0.0.1", port)) as sock:
        connect = b"\x00\x04MQTT\x04\x02\x00\x00\x00\x04feed"
        sock.sendall(b"\x10" + bytes([len(connect)]) + connect)
        sock.recv(4)
        sock.setblocking(False)
        second, begun = 0, time.perf_counter()
        while True:
            while second - reached.value > AHEAD_S:
                time.sleep(0.01)
                begun = time.perf_counter()
                drain(sock)
            packets = b"".join(packets_of(every, second))
            pieces = 10
            for piece in range(pieces):
                push(sock, packets[piece * len(packets) // pieces:(piece + 1) * len(packets) // pieces])
                begun += 1 / (most.value * pieces)
                time.sleep(max(0.0, begun - time.perf_counter()))
            second += 1


def packets_of(every: tuple[SkidSettings, ...], second: int) -> Any:
    chance = np.random.default_rng(second)
    usual = values(high=False)
    noise = chance.normal(0, 0.002, (len(every), len(usual))).tolist()
    stamp = to_rfc3339(START + second * NS)
    for skid, wobble in zip(every, noise, strict=True):
        for signal, value, n in zip(skid.signals, usual.values(), wobble, strict=True):
            topic = signal.topic.encode()
            payload = f'{{"time":"{stamp}","value":{value + n:.4f}}}'.encode()
            body = len(topic).to_bytes(2, "big") + topic + b"\x00\x01" + payload
            size = len(body)
            yield b"\x32" + (bytes([size]) if size < 128 else bytes([size % 128 | 128, size // 128])) + body


def push(sock: socket.socket, data: bytes) -> None:
    view = memoryview(data)
    while view:
        try:
            view = view[sock.send(view):]
        except BlockingIOError:
            time.sleep(0.001)
        drain(sock)


def drain(sock: socket.socket) -> None:
    try:
        while sock.recv(65_536):
            pass
    except BlockingIOError:
        return


@dataclass
class Turn:
    """CPU in seconds; lag: event seconds sent but not stored at the end."""

    readings: int
    wall: float
    daemon: float
    broker: float
    page: float
    lag: float


class Bench:
    def __init__(self, chosen: argparse.Namespace, folder: str, broker: Any) -> None:
        self.chosen, self.broker = chosen, broker
        self.spawn = multiprocessing.get_context("spawn")
        ready, self.stop = self.spawn.Queue(), self.spawn.Event()
        self.reached, self.most = self.spawn.Value("q", 0), self.spawn.Value("d", 1.0)
        self.settings = settings(broker.port, folder, chosen.skids)
        self.daemon = self._process(daemon, broker.port, folder, chosen.skids, ready, self.stop)
        eventually(lambda: "connected" in ready.get(timeout=300), 300)
        time.sleep(1)
        self.sender = self._process(send, broker.port, self.settings.skids, self.reached, self.most)
        time.sleep(3)
        self.page = self._process(page, broker.port, folder, chosen.skids, ready)
        self.address = ready.get(timeout=60)
        self.reader = Reader.open(Path(folder) / "b.db")

    def _process(self, target: Any, *arguments: Any) -> Any:
        made = self.spawn.Process(target=target, args=arguments, daemon=True)
        made.start()
        return made

    def look(self) -> float:
        """Event seconds stored."""
        newest = self.reader.newest()
        self.reached.value = 0 if newest is None else (newest - START) // NS
        return float(self.reached.value)

    def turn(self, viewers: int) -> Turn:
        ready = self.spawn.Queue()
        half = [f"{self.address}live"] * (viewers // 2)
        half += [f"{self.address}skid/s{i}/live?span=8h" for i in range(viewers - viewers // 2)]
        watching = self._process(watch_many, half, ready) if viewers else None
        if watching is not None:
            ready.get(timeout=60)
        self._wait(3)
        pids = self.daemon.pid, self.broker.process.pid, self.page.pid
        before, began, first = [cpu(p) for p in pids], time.perf_counter(), self.look()
        self._wait(self.chosen.seconds)
        last, wall = self.look(), time.perf_counter() - began
        spent = [cpu(p) - b for p, b in zip(pids, before, strict=True)]
        if watching is not None:
            watching.terminate()
            watching.join()
        return Turn(round((last - first) * len(values(high=False)) * self.chosen.skids), wall, *spent,
                    wall * self.most.value - (last - first))

    def _wait(self, seconds: float) -> None:
        end = time.perf_counter() + seconds
        while time.perf_counter() < end:
            self.look()
            time.sleep(0.1)

    def close(self) -> None:
        self.stop.set()
        for process in (self.sender, self.page):
            process.terminate()
        self.daemon.join(30)
        self.reader.close()


def interval(ratios: list[float]) -> str:
    chance = np.random.default_rng(1)
    medians = np.median(chance.choice(ratios, (4_000, len(ratios))), axis=1)
    low, high = np.quantile(medians, [0.05, 0.95])
    return f"{median(ratios):.3f} ({low:.3f} to {high:.3f}, n {len(ratios)})"


def compare(bench: Bench, name: str, most: float) -> None:
    bench.most.value = most
    bench._wait(10)
    pairs: list[tuple[Turn, Turn]] = []
    for i in range(bench.chosen.turns):
        order = (0, bench.chosen.viewers) if i % 2 == 0 else (bench.chosen.viewers, 0)
        found = {viewers: bench.turn(viewers) for viewers in order}
        pairs.append((found[0], found[bench.chosen.viewers]))
        print(json.dumps({"load": name, "without": vars(pairs[-1][0]), "with": vars(pairs[-1][1])}), file=sys.stderr)
    for viewers, turns in ((0, [a for a, _ in pairs]), (bench.chosen.viewers, [b for _, b in pairs])):
        print(f"{name}, {viewers:2} viewers: {median(t.readings / t.wall for t in turns):8,.0f} readings/s; of a core: "
              + ", ".join(f"{who} {median(getattr(t, who) / t.wall for t in turns):.2f}"
                          for who in ("daemon", "broker", "page")), flush=True)
    print(f"{name}: readings/s with over without    {interval([_rate(b) / _rate(a) for a, b in pairs])}")
    print(f"{name}: readings per CPU second of it   {interval([_thrift(b) / _thrift(a) for a, b in pairs])}",
          flush=True)


def _rate(turn: Turn) -> float:
    return turn.readings / turn.wall


def _thrift(turn: Turn) -> float:
    return turn.readings / turn.daemon


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--viewers", type=int, default=50)
    parser.add_argument("--skids", type=int, default=500)
    parser.add_argument("--turns", type=int, default=8)
    parser.add_argument("--seconds", type=float, default=15.0)
    chosen = parser.parse_args()
    patient = "max_inflight_messages 0"
    with tempfile.TemporaryDirectory() as folder, mosquitto(Path(folder), config_extra=patient) as broker:
        bench = Bench(chosen, folder, broker)
        try:
            compare(bench, "as offered", 1.0)
            compare(bench, "at most   ", 100.0)
        finally:
            bench.close()


if __name__ == "__main__":
    main()
