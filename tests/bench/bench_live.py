"""Many skids live: messages through a real broker into the whole daemon; how far it lags, how long it takes to start.

    PYTHONPATH=.:tests python tests/bench/bench_live.py [--skids 1000] [--seconds 60] [--stages]

Each skid has two headers at 1 Hz, QoS 1, with times of their own; forecasts and commits as usual. Lag is the age of the
newest reading that is committed. With `--stages` no broker runs: the same messages are given to the daemon's own steps,
and what each costs is shown. Nothing is asserted.
"""

from __future__ import annotations

import argparse
import resource
import socket
import struct
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import apsw
import numpy as np
from services import mosquitto
from skids import duplex

from monitor.ingest.mqtt import Message
from monitor.model import NS
from monitor.settings import BrokerSettings, Settings, StoreSettings
from monitor.skid import SkidSettings
from monitor.times import to_rfc3339

PIECES = 20           # of a second in which the skids send in turn
WARM = 0.25           # of the run, that is not counted
DRAWN = 997           # values drawn beforehand
TICKS = 100           # of a second of processor time, as /proc counts


def skids(count: int) -> tuple[SkidSettings, ...]:
    """Each with two headers."""
    whole = duplex(flow=False)
    return tuple(replace(whole, id=f"s{k}", signals=tuple(replace(s, topic=f"b/s{k}/{s.id}") for s in whole.signals))
                 for k in range(count))  # fmt: skip


def settings(port: int, count: int, folder: str) -> Settings:
    return Settings(skids(count), BrokerSettings(port=port, client_id="watcher"), StoreSettings(f"{folder}/b.db"))


def readings() -> list[list[bytes]]:
    """Values of inlet and outlet as text."""
    chance = np.random.default_rng(1)
    return [[b"%.4f" % value for value in level + chance.normal(0, 0.005, DRAWN)] for level in (2.4, 2.0)]


def payload(value: bytes, stamp: bytes) -> bytes:
    return b'{"value":%s,"time":"%s"}' % (value, stamp)


# ---- through a broker


def send(port: int, count: int, seconds: int) -> None:
    """PUBLISH at QoS 1 (MQTT 3.1.1, 3.3); acknowledgements are read by a thread and dropped."""
    topics = [f"b/s{k}/{name}".encode() for k in range(count) for name in ("in", "out")]
    heads = [struct.pack("!H", len(topic)) + topic for topic in topics]
    drawn, number = readings(), 0
    with socket.create_connection(("127.0.0.1", port)) as sock:
        sock.sendall(b"\x10\x10\x00\x04MQTT\x04\x02\x00\x00\x00\x04feed")
        sock.recv(4)
        threading.Thread(target=drain, args=(sock,), daemon=True).start()
        begin = time.time() + 0.5
        for piece in range(seconds * PIECES):
            wait(begin + piece / PIECES)
            stamp, packets = to_rfc3339(time.time_ns() // 1_000_000 * 1_000_000).encode(), []
            for k in range(piece % PIECES, count, PIECES):
                for j in range(2):
                    number = number % 65_535 + 1
                    text = payload(drawn[j][(number + piece) % DRAWN], stamp)
                    body = heads[2 * k + j] + number.to_bytes(2, "big") + text
                    packets.append(b"\x32" + bytes([len(body)]) + body)
            sock.sendall(b"".join(packets))
        time.sleep(0.5)


def drain(sock: socket.socket) -> None:
    while sock.recv(65_536):
        pass


def wait(until: float) -> None:
    while (left := until - time.time()) > 0:
        time.sleep(min(left, 0.01))


def daemon(port: int, count: int, folder: str) -> None:
    """The whole daemon, until standard input ends."""
    from monitor.commands.run import watch

    stop = threading.Event()
    threading.Thread(target=lambda: (sys.stdin.read(), stop.set()), daemon=True).start()
    watch(settings(port, count, folder), time.time_ns, stop)


def started(port: int, count: int, folder: str) -> tuple[subprocess.Popen[str], float]:
    """A daemon that is connected, and the seconds that took."""
    began = time.perf_counter()
    process = subprocess.Popen([sys.executable, __file__, "--daemon", str(port), str(count), folder],
                               stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
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


def live(count: int, seconds: int) -> None:
    patient = "max_inflight_messages 0\nmax_queued_messages 0"
    with tempfile.TemporaryDirectory() as folder, mosquitto(Path(folder), config_extra=patient) as broker:
        process, first = started(broker.port, count, folder)
        sender = subprocess.Popen([sys.executable, __file__, "--send", str(broker.port), str(count), str(seconds)])
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
        again, second = started(broker.port, count, folder)
        again.communicate("")
    late = np.array(seen[int(WARM * len(seen)) :])
    print(f"{count} skids, {2 * count} messages/s offered for {seconds} s: "
          f"{stored / seconds:,.0f}/s stored; lag {np.median(late):.2f} s (median), "
          f"{late[-1]:.2f} s (last), {late.max():.2f} s (most); daemon {held:,.0f} MiB")
    print("cores: daemon {:.2f}, broker {:.2f}, sender {:.2f}".format(*used))
    print(f"start: empty {first:.1f} s; stop {ended:.1f} s; resumed and connected {second:.1f} s")


def stored_readings(folder: str) -> int:
    db = apsw.Connection(f"{folder}/b.db", flags=apsw.SQLITE_OPEN_READONLY)
    found = int(db.execute("SELECT count(*) FROM recent").get)
    db.close()
    return found


# ---- step by step


def messages(count: int, second: int, start: int) -> list[Message]:
    """What the skids send in one second, in order of arrival."""
    drawn, found = readings(), []
    for k in range(count):
        stamp = start + second * NS + (k * 1_000 // count) * 1_000_000
        text = to_rfc3339(stamp).encode()
        for j, name in enumerate(("in", "out")):
            body = payload(drawn[j][(7 * k + second) % DRAWN], text)
            found.append(Message(f"b/s{k}/{name}", body, False, stamp + 1_000_000, 1, 1, 1))
    return found


def stages(count: int, seconds: int) -> None:
    """Processor time of the daemon's steps, us a message; and of a checkpoint of all skids and taking them up again."""
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
        chosen = settings(1, count, folder)
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
                came = messages(count, second, start)
                began = time.process_time()
                for i in range(0, len(came), TAKE):
                    part = came[i : i + TAKE]
                    now[0] = part[-1].arrival
                    batch = watcher._judge(part, now[0], now[0])
                    watcher.keeper.fill(batch, [])
                    watcher._commit(batch)
                    watcher._upkeep.step(now[0], [watcher.engine.reached(i) for i in range(count)])
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
    print(f"{count} skids, us a message: {sum(each.values()):.1f} = "
          + " + ".join(f"{what} {took:.1f}" for what, took in each.items()))
    print(f"checkpoint of all {saved:.1f} s; taken up again {resumed:.1f} s of processor, {waited:.1f} s; "
          f"at most {held:,.0f} MiB before that")


def main() -> None:
    if sys.argv[1:2] == ["--daemon"]:
        daemon(int(sys.argv[2]), int(sys.argv[3]), sys.argv[4])
        return
    if sys.argv[1:2] == ["--send"]:
        send(*map(int, sys.argv[2:5]))
        return
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--skids", type=int, default=1_000)
    options.add_argument("--seconds", type=int, default=60)
    options.add_argument("--stages", action="store_true", help="no broker: what each step costs")
    chosen = options.parse_args()
    (stages if chosen.stages else live)(chosen.skids, chosen.seconds)


if __name__ == "__main__":
    main()
