"""A disk that refuses, or loses power, at every single step; a damaged store under the daemon; too little memory."""

from __future__ import annotations

import contextlib
import os
import random
import resource
import time
from pathlib import Path

import apsw
import pytest
from commands.helpers import Running, assert_for_people, publish, skid
from faults.failing import FailingDisk
from services import eventually, mosquitto
from store.cutting import Disk
from store.samples import HOUR, START, opened
from store.test_crash import check, run_on
from store.writing_child import SECONDS, numbered

from monitor.model import NS
from monitor.store import Store, StoreRetryError
from tests.live.daemon import wait_for_rows

BATCHES, FEW = 6, 2
WAYS = int(os.environ.get("BAGWRIGHT_CUTS", "1"))       # in which a cut at each write may tear what was not synced


def live(store: Store, disk: FailingDisk) -> int:
    """Batches are committed and packed; what fails is tried again, as the daemon does. How often it failed."""
    failed = 0
    store._handle.db.pragma("wal_autocheckpoint", 0)    # SQLite passes over its faults; apsw would raise them here
    for n in range(FEW):
        for step in (lambda n=n: store.commit(numbered(n)),
                     lambda n=n: store.pack(START + SECONDS * n * NS // HOUR * HOUR),
                     lambda: store._handle.query("PRAGMA wal_checkpoint(PASSIVE)")):
            try:
                step()
            except StoreRetryError:
                failed += 1
                step()
    return failed


def test_a_disk_that_refuses_any_single_write_or_sync_loses_nothing(tmp_path: Path) -> None:
    disk = FailingDisk("failing")
    with opened(tmp_path / "whole.db", vfs=disk.name) as store:
        disk.arm(-1)
        assert live(store, disk) == 0
        steps = disk.steps
    assert steps > 50
    for at in range(steps):
        path = tmp_path / f"{at}.db"
        with opened(path, vfs=disk.name) as store:
            disk.arm(at, (apsw.IOError, apsw.FullError)[at % 2])
            assert live(store, disk) == 1, at
            assert check(store, FEW - 1) == FEW
        path.unlink()


def test_a_power_cut_at_every_single_write_loses_no_acknowledged_batch(tmp_path: Path) -> None:
    disk = Disk("cut-everywhere")
    said = run_on(disk, tmp_path / "s.db", BATCHES, "FULL")
    chance = random.Random(11)
    for cut in range(said[0], len(disk.memory) + 1):
        for way in range(WAYS):
            folder = tmp_path / f"{cut}-{way}"
            folder.mkdir()
            disk.after_cut(cut, folder, chance)
            with opened(folder / "s.db") as store:
                check(store, sum(length <= cut for length in said) - 1)


@pytest.mark.timeout(200)
def test_a_damaged_page_ends_the_daemon_with_what_to_do_and_the_broker_keeps_the_rest(tmp_path: Path) -> None:
    start = time.time_ns() // 10**9 - 300
    with mosquitto(tmp_path) as broker:
        config = skid(tmp_path, f'[broker]\nport = {broker.port}\n[store]\npath = "s.db"\n')
        typed = ("run", "--no-page", "--config", config.name)
        with Running(*typed, cwd=tmp_path) as run:
            run.says("connected")
            publish(broker.port, seconds(start, 50))
            assert wait_for_rows(tmp_path / "s.db", "intake-1", 150) == 150
            run.stop()
        damage(tmp_path / "s.db", "recent")
        publish(broker.port, seconds(start + 50, 50))
        with Running(*typed, cwd=tmp_path, name="damaged") as run:
            done = run.ends(90)
        assert_for_people(done)
        assert done.code == 1 and "a page of the store is damaged" in done.err and ".recover" in done.err
        publish(broker.port, seconds(start + 100, 50))
        config.write_text(config.read_text().replace("s.db", "new.db"))     # as it was told
        with Running(*typed, cwd=tmp_path, name="new") as run:
            run.says("connected")
            assert wait_for_rows(tmp_path / "new.db", "intake-1", 300) == 300
            assert run.stop().code == 0


def seconds(first: int, count: int) -> list[tuple[str, bytes]]:
    """A reading a second of each signal."""
    return [(f"hatchery/{name}", f'{{"time": {first + i}, "value": {value}}}'.encode())
            for i in range(count) for name, value in (("PT-101", 3.0), ("PT-102", 2.8), ("FT-101", 40.0))]


def damage(path: Path, table: str) -> None:
    """Rubbish over the first page of a table."""
    with contextlib.closing(apsw.Connection(str(path))) as db:
        ((page,),) = db.execute("SELECT rootpage FROM sqlite_schema WHERE name = ?", (table,))
        ((size,),) = db.execute("PRAGMA page_size")
    with path.open("r+b") as file:
        file.seek((page - 1) * size)
        file.write(b"\xa5" * size)


@pytest.mark.timeout(330)
def test_what_a_daemon_short_of_memory_cannot_take_in_is_taken_in_when_it_is_started_again(tmp_path: Path) -> None:
    """As a service manager does: whatever becomes of it, the next start finds everything at the broker."""
    start = time.time_ns() // 10**9 - 3_000
    sent = [(f"hatchery/{name}", f'{{"time": {start + i / 10:.1f}, "value": {value}}}'.encode())
            for i in range(8_000) for name, value in (("PT-101", 3.0), ("PT-102", 2.8), ("FT-101", 40.0))]
    with mosquitto(tmp_path, config_extra="max_inflight_messages 0") as broker:
        config = skid(tmp_path, f'[broker]\nport = {broker.port}\n[store]\npath = "s.db"\n')
        typed = ("run", "--no-page", "--config", config.name)
        with Running(*typed, cwd=tmp_path) as run:
            run.says("connected")
            eventually(lambda: publish(broker.port, sent[:1]) or wait_for_rows(tmp_path / "s.db", "intake-1", 1,
                                                                               seconds=1), 60, "the subscription")
            held = int(Path(f"/proc/{run.process.pid}/statm").read_text().split()[0]) * resource.getpagesize()
            resource.prlimit(run.process.pid, resource.RLIMIT_AS, (held + (8 << 20), held + (8 << 20)))
            publish(broker.port, sent)
            wait_for_rows(tmp_path / "s.db", "intake-1", len(sent), seconds=10)
            if run.process.poll() is None:
                run.process.kill()
        with Running(*typed, cwd=tmp_path, name="again") as run:
            run.says("connected")
            assert wait_for_rows(tmp_path / "s.db", "intake-1", len(sent), seconds=150) == len(sent)
            assert run.stop().code == 0
