from __future__ import annotations

import os
import random
import subprocess
import sys
import threading
from pathlib import Path

import pytest
from store import writing_child
from store.cutting import Disk
from store.samples import HOUR, START, event, opened, same
from store.writing_child import SECONDS, numbered

from monitor.model import NS
from monitor.store import Store

ROOT = Path(__file__).parents[2]


def write_until_killed(path: Path, first: int, seconds: float) -> int:
    """Runs the writer and kills it (-9) that long after its first commit. The last number it said was committed."""
    environment = os.environ | {"PYTHONPATH": os.pathsep.join((str(ROOT), str(ROOT / "tests")))}
    child = subprocess.Popen([sys.executable, writing_child.__file__, str(path), str(first)],
                             stdout=subprocess.PIPE, text=True, env=environment)
    with child:
        assert child.stdout is not None
        said = [child.stdout.readline()]
        timer = threading.Timer(seconds, child.kill)
        timer.start()
        said += child.stdout.readlines()
        timer.join()
    assert child.returncode == -9
    return int([line for line in said if line.endswith("\n")][-1])


def check(store: Store, acknowledged: int) -> int:
    """Nothing acknowledged is missing, and a batch is there as a whole or not at all. How many there are."""
    assert list(store._handle.db.execute("PRAGMA integrity_check")) == [("ok",)]
    there = len(store.events(limit=1_000_000))
    assert there > acknowledged
    found = store.rows("intake-1", START, START + SECONDS * NS * (there + 1_000))
    assert found.size == 3 * SECONDS * there
    for n in {0, there // 2, there - 1}:
        span = START + SECONDS * NS * n, START + SECONDS * NS * (n + 1)
        assert same(store.rows("intake-1", *span), numbered(n).rows[0][1])
    assert store.event(event(SECONDS * there).id) is None
    assert [n.body for n in store.due("webhook", START, 1_000_000)] == list(range(there))
    assert store.tick("intake-1") == START + there - 1
    return there


def test_ten_kills_lose_no_acknowledged_batch(tmp_path: Path) -> None:
    chance = random.Random(20260101)
    there = 0
    for _ in range(10):
        acknowledged = write_until_killed(tmp_path / "s.db", there, chance.uniform(0.0, 0.4))
        with opened(tmp_path / "s.db") as store:
            there = check(store, acknowledged)


def run_on(disk: Disk, path: Path, batches: int, synchronous: str) -> list[int]:
    """Commits batches on a disk that remembers; the length of its memory after each commit."""
    said = []
    with opened(path, vfs=disk.name) as store:
        store._handle.db.pragma("synchronous", synchronous)
        store._handle.db.pragma("wal_autocheckpoint", 30)  # pages: the log is copied many times on the way
        for n in range(batches):
            store.commit(numbered(n))
            said.append(len(disk.memory))
            for _ in range(3):
                store.pack(START + SECONDS * n * NS // HOUR * HOUR)
        disk.stop()  # what closing does is no part of the cut
    return said


@pytest.fixture
def disk() -> Disk:
    return Disk("cut")


def test_a_power_cut_at_any_moment_loses_no_acknowledged_batch(tmp_path: Path, disk: Disk) -> None:
    said = run_on(disk, tmp_path / "s.db", 80, "FULL")
    chance = random.Random(7)
    for attempt in range(40):
        cut = chance.randrange(said[0], len(disk.memory) + 1)
        folder = tmp_path / str(attempt)
        folder.mkdir()
        disk.after_cut(cut, folder, chance)
        with opened(folder / "s.db") as store:
            check(store, sum(length <= cut for length in said) - 1)


def test_the_simulated_cut_does_bite_where_nothing_is_synced(tmp_path: Path, disk: Disk) -> None:
    said = run_on(disk, tmp_path / "s.db", 80, "OFF")
    chance = random.Random(7)
    lost = 0
    for attempt in range(10):
        folder = tmp_path / str(attempt)
        folder.mkdir()
        disk.after_cut(said[-1], folder, chance)
        try:
            with opened(folder / "s.db") as store:
                check(store, 79)
        except Exception:  # noqa: BLE001 (any loss counts)
            lost += 1
    assert lost == 10
