"""Many skids live: messages through a real broker into the whole daemon; how far it lags, how long it takes to start.

    PYTHONPATH=.:tests python tests/bench/bench_live.py [--skids 1000] [--seconds 60] [--together] [--stages | --ratio]

Each skid has two headers at 1 Hz, QoS 1, with times of their own; forecasts and commits as usual. Lag is the age of the
newest reading that is committed. With `--together` a skid's two readings come in one message. With `--stages` no broker
runs: the same messages are given to the daemon's own steps, and what each costs is shown. With `--ratio` the whole
daemon and paho with a callback that counts, in turns, each drain what a session of theirs holds at the broker (fewer
messages than there are packet numbers: a broker gives none out twice). Nothing is asserted.
"""

from __future__ import annotations

import argparse
import contextlib
import resource
import socket
import statistics
import struct
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import apsw
import numpy as np
from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from services import mosquitto
from skids import duplex

from monitor.ingest.mqtt import Message
from monitor.model import NS
from monitor.settings import BrokerSettings, Settings, StoreSettings
from monitor.skid import Payload, Signal, SkidSettings
from monitor.times import to_rfc3339

PIECES = 20           # of a second in which the skids send in turn
WARM = 0.25           # of the run, that is not counted
DRAWN = 997           # values drawn beforehand
ROUNDS = 5            # turns that are counted
MOST_HELD = 60_000    # messages that a session is left with: packet numbers end at 65,535
PATIENT = "max_inflight_messages 0\nmax_queued_messages 0"
TICKS = 100           # of a second of processor time, as /proc counts


def skids(count: int, together: bool) -> tuple[SkidSettings, ...]:
    """Each with two headers, on a topic each or in one message."""
    whole = duplex(flow=False)

    def bound(s: Signal, k: int) -> Signal:
        return (replace(s, topic=f"b/s{k}", payload=Payload(value_field=s.id)) if together
                else replace(s, topic=f"b/s{k}/{s.id}"))  # fmt: skip

    return tuple(replace(whole, id=f"s{k}", signals=tuple(bound(s, k) for s in whole.signals)) for k in range(count))


def settings(port: int, count: int, folder: str, together: bool) -> Settings:
    return Settings(skids(count, together), BrokerSettings(port=port, client_id="watcher"),
                    StoreSettings(f"{folder}/b.db"))


def readings() -> list[list[bytes]]:
    """Values of inlet and outlet as text."""
    chance = np.random.default_rng(1)
    return [[b"%.4f" % value for value in level + chance.normal(0, 0.005, DRAWN)] for level in (2.4, 2.0)]


def sent_by(k: int, at: int, stamp: bytes, drawn: list[list[bytes]], together: bool) -> Iterator[tuple[str, bytes]]:
    """Topics and payloads of skid k. at: which of the values drawn."""
    inlet, outlet = (values[at % DRAWN] for values in drawn)
    if together:
        yield f"b/s{k}", b'{"in":%s,"out":%s,"time":"%s"}' % (inlet, outlet, stamp)
        return
    yield f"b/s{k}/in", b'{"value":%s,"time":"%s"}' % (inlet, stamp)
    yield f"b/s{k}/out", b'{"value":%s,"time":"%s"}' % (outlet, stamp)


# ---- through a broker


class Feed:
    """PUBLISH at QoS 1 (MQTT 3.1.1, 3.3); acknowledgements are read by a thread and dropped."""

    def __init__(self, port: int, together: bool) -> None:
        self._drawn, self._together, self._number = readings(), together, 0
        self._sock = socket.create_connection(("127.0.0.1", port))
        self._sock.sendall(b"\x10\x10\x00\x04MQTT\x04\x02\x00\x00\x00\x04feed")
        self._sock.recv(4)
        threading.Thread(target=drain, args=(self._sock,), daemon=True).start()

    def send(self, which: Iterable[int], time_ns: int, at: int) -> None:
        stamp, packets = to_rfc3339(time_ns).encode(), []
        for k in which:
            for topic, text in sent_by(k, 7 * k + at, stamp, self._drawn, self._together):
                self._number = self._number % 65_535 + 1
                body = struct.pack("!H", len(topic)) + topic.encode() + self._number.to_bytes(2, "big") + text
                packets.append(b"\x32" + bytes([len(body)]) + body)
        self._sock.sendall(b"".join(packets))

    def close(self) -> None:
        time.sleep(0.5)
        self._sock.close()


def send(port: int, count: int, seconds: int, together: bool) -> None:
    """What the skids send live."""
    feed = Feed(port, together)
    begin = time.time() + 0.5
    for piece in range(seconds * PIECES):
        wait(begin + piece / PIECES)
        feed.send(range(piece % PIECES, count, PIECES), time.time_ns() // 1_000_000 * 1_000_000, piece)
    feed.close()


def drain(sock: socket.socket) -> None:
    with contextlib.suppress(OSError):
        while sock.recv(65_536):
            pass


def wait(until: float) -> None:
    while (left := until - time.time()) > 0:
        time.sleep(min(left, 0.01))


def daemon(port: int, count: int, folder: str, together: bool) -> None:
    """The whole daemon, until standard input ends."""
    from monitor.commands.run import watch

    stop = threading.Event()
    threading.Thread(target=lambda: (sys.stdin.read(), stop.set()), daemon=True).start()
    watch(settings(port, count, folder, together), time.time_ns, stop)


def started(port: int, count: int, folder: str, together: bool) -> tuple[subprocess.Popen[str], float]:
    """A daemon that is connected, and the seconds that took."""
    began = time.perf_counter()
    call = [sys.executable, __file__, "--daemon", str(port), str(count), str(int(together)), folder]
    process = subprocess.Popen(call, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
    assert process.stdout is not None
    next(line for line in process.stdout if "connected" in line)
    threading.Thread(target=process.stdout.read, daemon=True).start()
    return process, time.perf_counter() - began


def lags(folder: str, until: float) -> Iterator[float]:
    """Age [s] of the newest committed reading, twice a second."""
    db = apsw.Connection(f"{folder}/b.db", flags=apsw.SQLITE_OPEN_READONLY)
    while time.time() < until:
        newest = db.execute("SELECT max(time) FROM latest").get
        if newest:
            yield time.time() - newest / NS
        time.sleep(0.5)
    db.close()


def processor(pid: int) -> float:
    """Seconds of processor time of a process so far."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / TICKS


def memory(pid: int) -> float:
    """MiB that a process holds."""
    words = Path(f"/proc/{pid}/status").read_text().split()
    return int(words[words.index("VmRSS:") + 1]) / 1024


def live(count: int, seconds: int, together: bool) -> None:
    with tempfile.TemporaryDirectory() as folder, mosquitto(Path(folder), config_extra=PATIENT) as broker:
        process, first = started(broker.port, count, folder, together)
        call = [sys.executable, __file__, "--send", str(broker.port), str(count), str(seconds), str(int(together))]
        sender = subprocess.Popen(call)
        pids, begin = (process.pid, broker.process.pid, sender.pid), time.time()
        used = [processor(pid) for pid in pids]
        seen = list(lags(folder, begin + seconds))
        used = [(processor(pid) - before) / seconds for pid, before in zip(pids, used, strict=True)]
        held = memory(process.pid)
        stored = stored_readings(folder)
        sender.kill(), sender.wait()
        began = time.perf_counter()
        process.communicate("")
        ended = time.perf_counter() - began
        again, second = started(broker.port, count, folder, together)
        again.communicate("")
    late = np.array(seen[int(WARM * len(seen)) :])
    print(f"{count} skids, {2 * count} readings/s in {count if together else 2 * count} messages/s offered for "
          f"{seconds} s: {stored / seconds:,.0f}/s stored; lag {np.median(late):.2f} s (median), "
          f"{late[-1]:.2f} s (last), {late.max():.2f} s (most); daemon {held:,.0f} MiB")
    print("cores: daemon {:.2f}, broker {:.2f}, sender {:.2f}".format(*used))
    print(f"start: empty {first:.1f} s; stop {ended:.1f} s; resumed and connected {second:.1f} s")


def stored_readings(folder: str) -> int:
    db = apsw.Connection(f"{folder}/b.db", flags=apsw.SQLITE_OPEN_READONLY)
    found = int(db.execute("SELECT count(*) FROM recent").get)
    db.close()
    return found


# ---- step by step


def messages(count: int, second: int, start: int, together: bool) -> list[Message]:
    """What the skids send in one second, in order of arrival."""
    drawn, found = readings(), []
    for k in range(count):
        stamp = start + second * NS + (k * 1_000 // count) * 1_000_000
        text = to_rfc3339(stamp).encode()
        for topic, body in sent_by(k, 7 * k + second, text, drawn, together):
            found.append(Message(topic, body, False, stamp + 1_000_000, 1, 1, 1))
    return found


def stages(count: int, seconds: int, together: bool) -> None:
    """Processor time of the daemon's steps, us a reading; and of a checkpoint of all skids and taking them up again."""
    from monitor.daemon.loop import TAKE, Daemon
    from monitor.store import Store

    start = 1_772_000_000 * NS
    now, spent = [start], dict.fromkeys(("decode", "engine", "alarms", "commit", "rest"), 0.0)

    def timed(what: str, step: Callable[..., Any]) -> Callable[..., Any]:
        def call(*given: Any, **named: Any) -> Any:
            began = time.process_time()
            found = step(*given, **named)
            took = time.process_time() - began
            spent[what] += took
            spent["rest"] -= took
            return found

        return call

    with tempfile.TemporaryDirectory() as folder:
        chosen = settings(1, count, folder, together)
        with Store.open(f"{folder}/b.db", now=lambda: now[0]) as store:
            watcher = Daemon(chosen, store, lambda: now[0])
            watcher.resume()
            watcher.intake.take = timed("decode", watcher.intake.take)  # type: ignore[method-assign]
            watcher._feed = timed("engine", watcher._feed)  # type: ignore[method-assign]
            watcher.keeper.fill = timed("alarms", watcher.keeper.fill)  # type: ignore[method-assign]
            store.commit = timed("commit", store.commit)  # type: ignore[method-assign]
            for second in range(3 + seconds):
                if second == 3:
                    spent.update(dict.fromkeys(spent, 0.0))
                came = messages(count, second, start, together)
                began = time.process_time()
                for i in range(0, len(came), TAKE):
                    part = came[i : i + TAKE]
                    now[0] = part[-1].arrival
                    batch = watcher._judge(part, now[0], now[0])
                    watcher.keeper.fill(batch, [])
                    watcher._commit(batch)
                    watcher._upkeep.step(now[0], int(watcher.engine.all_reached.min()))
                spent["rest"] += time.process_time() - began
            each = {what: took / (2 * count * seconds) * 1e6 for what, took in spent.items()}
            held = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
            began = time.process_time()
            watcher._commit(watcher._last_words())
            saved = time.process_time() - began
        with Store.open(f"{folder}/b.db", now=lambda: now[0]) as store:
            began, wall = time.process_time(), time.perf_counter()
            Daemon(chosen, store, lambda: now[0]).resume()
            resumed, waited = time.process_time() - began, time.perf_counter() - wall
    print(f"{count} skids, us a reading: {sum(each.values()):.1f} = "
          + " + ".join(f"{what} {took:.1f}" for what, took in each.items()))
    print(f"checkpoint of all {saved:.1f} s; taken up again {resumed:.1f} s of processor, {waited:.1f} s; "
          f"at most {held:,.0f} MiB before that")


# ---- beside paho


class Counting:
    """paho alone, its own thread, a callback that counts."""

    def __init__(self, port: int, version: MQTTProtocolVersion) -> None:
        self.count, name = 0, f"counting-{version.name}"
        new = version is MQTTProtocolVersion.MQTTv5
        self._client = Client(CallbackAPIVersion.VERSION2, name, protocol=version, clean_session=None if new else False)
        self._client.on_message = self._on_message
        self._client.on_connect = lambda client, *_: client.subscribe("b/#", 1)
        lasting = Properties(PacketTypes.CONNECT)
        lasting.SessionExpiryInterval = 3600
        self._client.connect("127.0.0.1", port, **{"clean_start": False, "properties": lasting} if new else {})
        self._client.loop_start()

    def _on_message(self, *_: object) -> None:
        self.count += 1

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


def counted(port: int, version: MQTTProtocolVersion, expected: int) -> float:
    """Messages a second that paho takes."""
    client = Counting(port, version)
    rate = paced(lambda: client.count, expected)
    client.close()
    return rate


def watched(port: int, count: int, folder: str, together: bool, expected: int) -> float:
    """Readings a second that the daemon has committed."""
    db = apsw.Connection(f"{folder}/b.db", flags=apsw.SQLITE_OPEN_READONLY)

    def committed() -> int:
        return sum(n for (n,) in db.execute("SELECT count FROM counter WHERE name IN ('recent', 'packed')"))

    before = committed()
    process, _ = started(port, count, folder, together)
    rate = paced(lambda: committed() - before, expected)
    process.communicate("")
    db.close()
    return rate


def paced(so_far: Callable[[], int], expected: int) -> float:
    """What comes in a second, from the first until all have come."""
    while not (first := so_far()):
        time.sleep(0.001)
    began = time.perf_counter()
    while (now := so_far()) < expected:
        time.sleep(0.005)
    return (now - first) / (time.perf_counter() - began)


def ratio(count: int, seconds: int, together: bool) -> None:
    """The daemon with everything on against paho's empty callback: what `seconds` of the skids left at the broker."""
    rates: dict[str, list[float]] = {}
    seconds = max(1, min(seconds, MOST_HELD // (count * (1 if together else 2))))
    size = count * seconds * (1 if together else 2)
    with tempfile.TemporaryDirectory() as folder, mosquitto(Path(folder), config_extra=PATIENT) as broker:
        subjects = {
            "everything, committed": lambda: watched(broker.port, count, folder, together, 2 * count * seconds)
            / (2 if together else 1),
            "paho, MQTT 5": lambda: counted(broker.port, MQTTProtocolVersion.MQTTv5, size),
            "paho, MQTT 3.1.1": lambda: counted(broker.port, MQTTProtocolVersion.MQTTv311, size),
        }
        process, _ = started(broker.port, count, folder, together)      # sessions, which the broker fills from now on
        process.communicate("")
        for version in (MQTTProtocolVersion.MQTTv5, MQTTProtocolVersion.MQTTv311):
            client = Counting(broker.port, version)
            time.sleep(0.5)
            client.close()
        begin = time.time_ns() // NS * NS - (ROUNDS + 1) * seconds * NS
        for turn in range(ROUNDS + 1):
            feed = Feed(broker.port, together)
            for second in range(turn * seconds, (turn + 1) * seconds):
                feed.send(range(count), begin + second * NS, second)
            feed.close()
            order = list(subjects) if turn % 2 else list(subjects)[::-1]
            for name in order:
                rate = subjects[name]()
                if turn:    # the first touches files and memory
                    rates.setdefault(name, []).append(rate)
    ours = rates["everything, committed"]
    print(f"{count} skids, {size:,} messages in {ROUNDS} turns, QoS 1")
    for name, each in rates.items():
        ratios = [a / b for a, b in zip(ours, each, strict=True)]
        print(f"{name:<24} {statistics.median(each):9,.0f} messages/s   ratio {statistics.median(ratios):5.2f} "
              f"({min(ratios):.2f} to {max(ratios):.2f})")


def main() -> None:
    if sys.argv[1:2] == ["--daemon"]:
        daemon(int(sys.argv[2]), int(sys.argv[3]), sys.argv[5], sys.argv[4] == "1")
        return
    if sys.argv[1:2] == ["--send"]:
        send(*map(int, sys.argv[2:5]), sys.argv[5] == "1")
        return
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--skids", type=int, default=1_000)
    options.add_argument("--seconds", type=int, default=60)
    options.add_argument("--together", action="store_true", help="both readings of a skid in one message")
    options.add_argument("--stages", action="store_true", help="no broker: what each step costs")
    options.add_argument("--ratio", action="store_true", help="beside paho with an empty callback")
    chosen = options.parse_args()
    work = stages if chosen.stages else ratio if chosen.ratio else live
    work(chosen.skids, chosen.seconds, chosen.together)


if __name__ == "__main__":
    main()
