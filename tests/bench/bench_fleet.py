"""A fleet on this machine: what a skid costs, and what the death of a node costs.

    PYTHONPATH=.:tests python tests/bench/bench_fleet.py cost [--skids 200 1000] [--seconds 60] [--every 3600]
    PYTHONPATH=.:tests python tests/bench/bench_fleet.py kills [--times 10] [--skids 40] [--shards 6] [--seed 1]

`cost`: one shard in a process of its own beside a real mosquitto and PostgreSQL, skids of two signals at 1 Hz, each
with an alarm every hour (`--every`: seconds), by turns. Prints processor time for each part, memory, bytes in the
database and in its log of changes. `kills`: three nodes of Ray; again and again one that is not the head is killed
(kill -9, raylet and workers) under load, which and when by the seed, and another comes, to which shards move. Prints
for each how long until every shard stores what was just published, how many shards moved then and how far any of them
fell behind; at the end what was lost, stored beside what was published, or told under a second key. Judges nothing.
"""

from __future__ import annotations

import argparse
import os
import random
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import psycopg
from bench_live import memory, processor
from nodes import ROOT, descendants, ray_cluster
from services import eventually, mosquitto, postgres

from tests.fleet.receiver import Receiver
from tests.fleet.test_fencing import begun
from tests.fleet.test_fleet import keeper
from tests.fleet.yard import Load, asked, configured, stored

CURRENT_S = 2.5         # a shard that stores readings of so long ago is up to date: they come once a second
QUIET_S = 25.0          # without a move: nothing moves any more
TABLES = ("reading", "checkpoint", "minute")
OF_EVENTS = ("event", "journal", "notice", "alarm_state")


def processor_s(pid: int) -> float:
    """Of a process and all below it [s]."""
    total = 0.0
    for one in descendants(pid):
        with suppress(OSError):     # it has ended
            total += processor(one)
    return total


def cost(skids: int, seconds: float, every_s: int) -> None:
    with tempfile.TemporaryDirectory() as temporary:
        folder = Path(temporary)
        with mosquitto(folder) as broker, postgres(folder) as database:
            config = configured(folder, broker, database, skids, 1)
            shard = begun(config, folder / "shard.log")
            try:
                eventually(lambda: "connected" in (folder / "shard.log").read_text(), 300, "the shard listens")
                with Load(broker.port, skids, period_s=every_s) as load:
                    eventually(lambda: asked(database, "SELECT count(*) FROM checkpoint")[0][0] >= skids // 2, 300,
                               "it is warm")  # fmt: skip
                    assert broker.process is not None and database.process is not None
                    pids = {"shard": shard.pid, "broker": broker.process.pid, "database": database.process.pid}
                    before, wal, at = {n: processor_s(p) for n, p in pids.items()}, written(database), time.monotonic()
                    already = readings_of(database)
                    time.sleep(seconds)
                    passed, readings = time.monotonic() - at, readings_of(database) - already
                    spent = {name: processor_s(pid) - before[name] for name, pid in pids.items()}
                    changed = written(database) - wal
                lag = behind(database)
                tell(skids, passed, readings, spent, memory(shard.pid), changed, lag)
                eventually(lambda: stored(database) >= load.sent, 120, "all is stored")
                count = len(load.sent)
                for table in TABLES:
                    size = size_of(database, table)
                    print(f"    {table:12}{size / 2**20:9.1f} MiB {size / count:8.2f} bytes a reading")
                events = int(str(asked(database, "SELECT count(*) FROM event")[0][0]))
                size = sum(size_of(database, table) for table in OF_EVENTS)
                print(f"    {events} events {size / 2**20:9.1f} MiB {size / max(events, 1):8.0f} bytes an event")
            finally:
                shard.kill()
                shard.wait()


def size_of(database: postgres, table: str) -> int:
    """Bytes of a table with its indexes."""
    return int(str(asked(database, f"SELECT pg_total_relation_size('{table}')")[0][0]))


def written(database: postgres) -> float:
    """Bytes of the database's log of changes so far."""
    return float(str(asked(database, "SELECT pg_current_wal_insert_lsn() - '0/0'")[0][0]))


def readings_of(database: postgres) -> int:
    return int(str(asked(database, "SELECT count(*) FROM reading")[0][0]))


def behind(database: postgres) -> float:
    """How far the newest stored reading lies back [s]."""
    newest = asked(database, "SELECT max(time) FROM reading")[0][0]
    return time.time() - int(str(newest)) / 1e9


def tell(skids: int, passed: float, readings: int, spent: dict[str, float], held: float, changed: float,
         lag: float) -> None:
    print(f"{skids} skids, {readings / passed:.0f} readings/s stored for {passed:.0f} s; the newest {lag:.1f} s "
          "ago at the end")
    for name, used in spent.items():
        print(f"    {name:12}{used / passed:6.3f} processors {1e6 * used / readings:8.1f} us a reading")
    print(f"    memory of the shard {held:.0f} MiB; log of changes {changed / readings:.0f} bytes a reading")


@contextmanager
def watching(database: postgres) -> Iterator[psycopg.Connection[tuple[int, int]]]:
    with psycopg.connect(database.url, autocommit=True) as connection:
        yield connection


def newest(connection: psycopg.Connection[tuple[int, int]]) -> dict[int, float]:
    """Shard -> time of the newest reading that it has stored [s]."""
    rows = connection.execute(
        """SELECT k.shard, max((SELECT time FROM reading WHERE signal = s.ref ORDER BY time DESC LIMIT 1))
           FROM signal s JOIN skid k ON k.ref = s.skid GROUP BY k.shard""").fetchall()
    return {shard: time / 1e9 for shard, time in rows if time is not None}


def kills(times: int, skids: int, shards: int, seed: int) -> None:
    chance = random.Random(seed)
    with tempfile.TemporaryDirectory() as temporary, tempfile.TemporaryDirectory(prefix="ray-") as sockets:
        folder = Path(temporary)
        with (
            mosquitto(folder) as broker, postgres(folder) as database, Receiver() as receiver,
            ray_cluster(Path(sockets), nodes=3) as nodes, watching(database) as connection,
        ):  # fmt: skip
            config = configured(folder, broker, database, skids, shards, receiver.config)
            pauses = []
            with keeper(config, nodes, folder / "keeper.log") as process:
                eventually(lambda: broker.log.count("as bagwright-") >= shards, 300, "all shards listen")
                with Load(broker.port, skids) as load:
                    victims = nodes.nodes[1:]
                    for number in range(times):
                        eventually(lambda: settled(connection, shards), 120, "every shard is up to date")
                        time.sleep(chance.uniform(1, 8))
                        victim, at = victims.pop(chance.randrange(len(victims))), time.time()
                        victim.kill()
                        eventually(lambda at=at: min(newest(connection).values()) > at + 0.5, 120, "on again")
                        pauses.append(time.time() - at)
                        print(f"kill {number + 1:3}: every shard stores news after {pauses[-1]:5.1f} s", flush=True)
                        victims.append(nodes.add())
                        moved, worst = moves(connection, folder / "keeper.log")
                        print(f"          a node came: {moved} shards moved to it, none more than {worst:.1f} s behind",
                              flush=True)  # fmt: skip
                with suppress(AssertionError):      # what is missing is told
                    eventually(lambda: stored(database) >= load.sent, 120, "all is stored")
                eventually(lambda: not asked(database, "SELECT 1 FROM notice WHERE state = 'queued'"), 60, "all sent")
                assert process.poll() is None
                verdict(load, database, receiver, pauses)


def moves(connection: psycopg.Connection[tuple[int, int]], log: Path) -> tuple[int, float]:
    """Until no shard has moved for a while: how many moved meanwhile, and how far any shard was behind [s]."""
    before = seen = log.read_text().count(" moves from ")
    worst, until = 0.0, time.monotonic() + QUIET_S
    while time.monotonic() < until:
        worst = max(worst, time.time() - min(newest(connection).values()))
        now = log.read_text().count(" moves from ")
        if now != seen:
            seen, until = now, time.monotonic() + QUIET_S
        time.sleep(0.2)
    return seen - before, worst


def settled(connection: psycopg.Connection[tuple[int, int]], shards: int) -> bool:
    found = newest(connection)
    return len(found) == shards and min(found.values()) > time.time() - CURRENT_S


def verdict(load: Load, database: postgres, receiver: Receiver, pauses: list[float]) -> None:
    there = stored(database)
    keys = {row[0] for row in asked(database, "SELECT id FROM event")}
    same = asked(database, "SELECT body::json->>'time', split_part(id, '/', 1), kind, count(*) FROM event"
                           " WHERE id NOT LIKE 'monitor/%' GROUP BY 1, 2, 3 HAVING count(*) > 1")
    steps = asked(database, "SELECT skid, time, body, count(*) FROM journal GROUP BY 1, 2, 3 HAVING count(*) > 1")
    again = sum(count - 1 for count in receiver.told.values())
    pauses.sort()
    print(f"{len(pauses)} kills; {len(load.sent)} readings that the broker confirmed, {len(load.sent - there)} lost; "
          f"{load.refused} unconfirmed; every one stored once (its key)")
    print(f"{len(keys)} events, {len(same)} of them twice; {len(steps)} lines of the journal twice; pushed under "
          f"{len(receiver.told)} keys, {len(set(receiver.told) ^ keys)} of them not an event's or missing; {again} "
          "repeated under their own key")
    print(f"to resume: median {pauses[len(pauses) // 2]:.1f} s, from {pauses[0]:.1f} to {pauses[-1]:.1f} s")
    print("epochs of leases:", asked(database, "SELECT shard, epoch FROM lease ORDER BY shard"), flush=True)


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("what", choices=("cost", "kills"))
    parser.add_argument("--skids", type=int, nargs="+")
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--every", type=int, default=3600)
    parser.add_argument("--times", type=int, default=10)
    parser.add_argument("--shards", type=int, default=6)
    parser.add_argument("--seed", type=int, default=1)
    asked_for = parser.parse_args()
    print(f"{os.cpu_count()} cores; {subprocess.run(['uptime'], capture_output=True, text=True).stdout.strip()}")
    if asked_for.what == "kills":
        kills(asked_for.times, (asked_for.skids or [40])[0], asked_for.shards, asked_for.seed)
    for skids in (asked_for.skids or [200, 1000]) if asked_for.what == "cost" else []:
        cost(skids, asked_for.seconds, asked_for.every)


if __name__ == "__main__":
    sys.path.insert(0, str(ROOT))
    main()
