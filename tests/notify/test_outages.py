"""A database that is away for a simulated day, back, and away again, and a sender that is killed: no point is lost."""

from __future__ import annotations

import os
import random
import subprocess
import sys
import threading
import time
from pathlib import Path

import numpy as np
import pytest
from notify import sending_child
from notify.river import DAY, SIGNALS, STEP, Fast, batch, commit, opened, readings, settings
from notify.servers import Metrics, Old, query
from services import eventually, influxd
from store.samples import START, event

from monitor.daemon.notices import INFLUX, INFLUX_EVENTS, Notices, lines_notice
from monitor.daemon.outbox import Outbox
from monitor.model import NS
from monitor.notify.delivery import unpack
from monitor.store import Batch, Reader, Store, StoreRetryError
from monitor.store.outbox import ROW_BYTES

ROOT = Path(__file__).parents[2]
SPEED = 12_000.0        # a day in 7.2 s


class Child:
    """The sending child, killed and started again; knows which commits have returned."""

    def __init__(self, folder: Path, url: str) -> None:
        self.folder, self.url, self.done, self.kills = folder, url, 0, 0
        self.origin = time.time_ns()

    def start(self, last: int) -> None:
        environment = os.environ | {"PYTHONPATH": os.pathsep.join((str(ROOT), str(ROOT / "tests")))}
        command = [sys.executable, sending_child.__file__, str(self.folder), self.url, str(self.done), str(last),
                   str(self.origin), str(SPEED)]
        self.process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True, env=environment)
        self.reader = threading.Thread(target=self._read)
        self.reader.start()

    def _read(self) -> None:
        assert self.process.stdout is not None
        for line in self.process.stdout:
            self.done = int(line) + 1

    def kill(self) -> None:
        self.process.kill()
        self.process.wait()
        self.reader.join()
        assert self.process.stdout is not None
        self.process.stdout.close()
        self.kills += 1


def waiting(folder: Path) -> int:
    """Notices that are queued for the database; at least one while the store cannot be read."""
    try:
        with Reader.open(folder / "s.db") as reader:
            return sum(told["queued"] for name, told in reader.status()["outbox"].items() if name != "mqtt")
    except StoreRetryError:
        return 1


def expected(commits: int) -> dict[tuple[int, str], float]:
    """(ms, signal) -> value of every reading."""
    found = {}
    for n in range(commits):
        taken = readings(n)
        for t, s, v in zip(taken.time.tolist(), taken.signal.tolist(), taken.value.tolist(), strict=True):
            found[t // 1_000_000, ("PT-1", "PT-2", "FT-1")[s]] = v
    return found


@pytest.mark.needs("victoria-metrics")
@pytest.mark.timeout(90)
def test_a_day_without_the_database_and_kills_of_the_sender_lose_and_double_no_point(tmp_path: Path) -> None:
    server, last, chance = Metrics(tmp_path), 2 * DAY, random.Random(11)
    child = Child(tmp_path, server.url)
    child.start(last)
    try:
        for until, there in ((DAY + 10, False), (DAY + 40, True), (DAY + 80, False), (last, True)):
            if there:
                server.start()
            while child.done < until:
                step = min(until, child.done + chance.randint(20, 60))
                eventually(lambda step=step: child.done >= step, 40, f"commit {step}")
                if child.done < last:
                    child.kill()
                    child.start(last)
            if there:
                eventually(lambda: not waiting(tmp_path), 40, "nothing waits")
                if until < last:
                    server.stop()       # kept on its disk: what it said it took, it has
        child.kill()
        values = {(ms, labels["signal"]): v for labels, found in server.export("reading_value")
                  for ms, v in found.items()}
        assert values == expected(last) and len(values) == last * SIGNALS * 60
        (fed,) = {len(found) for labels, found in server.export("reading_fed") if labels["signal"] == "FT-1"}
        late = [found for labels, found in server.export("reading_fed") if labels["signal"] == "FT-1"]
        assert fed == last * 60 and sum(v == 0 for found in late for v in found.values()) == last
        ((_, minutes),) = server.export("minute_pressure_drop_bar")
        assert minutes == {(START + n * STEP * NS) // 1_000_000: pytest.approx(1 + n / 1e5) for n in range(last)}
        ((_, events),) = server.export("event_message")
        assert sorted(events) == [event(n * STEP).time // 1_000_000 for n in range(last)]
        assert child.kills >= 6
    finally:
        child.kill()
        server.stop()


@pytest.mark.needs("influxd")
def test_single_points_that_a_real_server_refuses_do_not_hold_up_the_others(tmp_path: Path) -> None:
    clock, said = Fast(3_000.0), list[str]()
    with influxd(tmp_path) as behind, Old(behind, "river") as server:
        behind.create_database("river")
        config = settings(tmp_path, server.url)
        with opened(config, clock) as store:
            notices = Notices(config, store, clock)
            for n in range(5):
                commit(store, notices, n)
            bad = [f"reading,signal=PT-1 value={i}.. {START + i}" for i in range(3)]
            store.commit(Batch(notices=[lines_notice(INFLUX, part, clock()) for part in (bad[:1], bad[1:])]))
            for n in range(5, 10):
                commit(store, notices, n)
            with Outbox(config, store, clock, said.append):
                eventually(lambda: not queued(store), 15, "all settled")
            told = store.status()["outbox"]["influx"]
            assert (told["refused"], told["dropped"]) == (3, 0) and "unable to parse" in told["last_error"]
            assert store.requeue(INFLUX, clock()) == 3
            assert sorted(n.body["points"] for n in store.due(INFLUX, clock(), 10)) == [1, 1, 1]
        found = query(behind, "river", "select * from reading")
        assert {(r["time"] // 1_000_000, r["signal"]): r["value"] for r in found} == expected(10)


def queued(store: Store) -> int:
    told = store.status()["outbox"]
    return sum(told[name]["queued"] for name in (INFLUX, INFLUX_EVENTS) if name in told)


def test_a_conflicting_second_value_never_overwrites_the_one_the_store_kept(tmp_path: Path) -> None:
    """The same reading twice, another value for its time, both at once and later; and a late reading that is new."""
    clock = Fast(1.0)
    config = settings(tmp_path, "http://127.0.0.1:9")
    told: list[str] = []
    with opened(config, clock) as store:
        for rows_now in (batch(0).rows, batch(0).rows, changed(0), batch(2).rows, batch(1).rows, twice(3)):
            notices = Notices(config, store, clock)     # as after a restart
            one = Batch(rows=rows_now)
            notices.fill(one)
            store.commit(one)
            told += [line for n in one.notices for line in unpack(n.body)]
    times_values = [(line.rpartition(" ")[2], line.partition("signal=")[2].partition(",")[0],
                     float(line.partition("value=")[2].partition(",")[0])) for line in told]
    assert {(int(t) // 1_000_000, s): v for t, s, v in times_values} == expected(4)
    assert len(times_values) == 4 * SIGNALS * 60


def changed(n: int) -> list[tuple[str, object, object]]:
    ((name, taken, fed),) = batch(n).rows
    return [(name, taken._replace(value=taken.value + 1.0), fed)]


def twice(n: int) -> list[tuple[str, object, object]]:
    ((name, taken, fed),) = batch(n).rows
    both = type(taken).concat([taken, taken._replace(value=taken.value + 1.0)])
    return [(name, both, np.concatenate([fed, fed]))]


def test_days_of_outage_take_few_bytes_a_reading(tmp_path: Path) -> None:
    """Regression values: three signals every ten seconds with two decimals of noise, a commit each time."""
    clock = Fast(20_000.0)
    config = settings(tmp_path, "http://127.0.0.1:9")     # discard: nobody answers there
    size = ("SELECT sum(octet_length(body) + ?), count(*) FROM notice WHERE channel = 'influx' AND state = 'queued'",
            (ROW_BYTES,))
    with opened(config, clock) as store:
        notices = Notices(config, store, clock)
        for n in range(20):
            ((name, taken, fed),) = batch(n).rows
            for i in range(0, taken.size, SIGNALS):
                one = Batch(rows=[(name, taken.take(slice(i, i + SIGNALS)), fed[i : i + SIGNALS])])
                notices.fill(one)
                store.commit(one)
        scattered, count = store._handle.query(*size)[0]
        with Outbox(config, store, clock, lambda sentence: None):
            eventually(lambda: store._handle.query(*size)[0][1] < 10, 15, "notices put together")
        together, few = store._handle.query(*size)[0]
    total = 20 * 60 * SIGNALS
    print(f"{scattered / total:.1f} bytes a reading in {count} notices, {together / total:.1f} in {few}")
    assert count == 1_200 and few < 10 and scattered / total < 200 and together / total < 12
