from __future__ import annotations

import contextlib
import resource
import subprocess
import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import apsw
import pytest
from store.samples import HOUR, START, batch, event, opened, pack_all, regular, same

from monitor.errors import StoreError
from monitor.store import Batch, Notice, Store, StoreRetryError

LIMIT = 3 << 20
Filling = contextlib.AbstractContextManager[tuple[Path, Callable[[], None]]]


@contextlib.contextmanager
def file_limit(folder: Path, limit: int = LIMIT) -> Iterator[tuple[Path, Callable[[], None]]]:
    """No file may pass a limit until the second thing given is called."""
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)

    def lift() -> None:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))

    resource.setrlimit(resource.RLIMIT_FSIZE, (limit, hard))
    try:
        yield folder, lift
    finally:
        lift()


@contextlib.contextmanager
def small_disk(folder: Path, limit: int = LIMIT) -> Iterator[tuple[Path, Callable[[], None]]]:
    """A disk of so many bytes with a file that can be removed from it; where none can be mounted, a limit on files."""
    disk = folder / "disk"
    disk.mkdir()
    if subprocess.run(["mount", "-t", "tmpfs", "-o", f"size={limit}", "tmpfs", disk], capture_output=True).returncode:
        with file_limit(disk, limit) as limited:
            yield limited
        return
    try:
        (disk / "ballast").write_bytes(b"\0" * (limit // 2))
        yield disk, (disk / "ballast").unlink
    finally:
        subprocess.run(["umount", "-l", disk], check=True)


def fill(store: Store) -> int:
    """Commits batches until one is refused; how many were taken."""
    for i in range(10_000):
        try:
            store.commit(batch(regular(500, first=500.0 * i), events=[event(i)]))
        except StoreRetryError:
            return i
    raise AssertionError("the disk never filled")


@pytest.mark.parametrize("disk", [small_disk, file_limit])
def test_a_full_disk_undoes_the_batch_and_goes_on_once_there_is_space(
        tmp_path: Path, disk: Callable[[Path], Filling]) -> None:
    with disk(tmp_path) as (folder, free), opened(folder / "s.db") as store:
        taken = fill(store)
        assert taken > 3
        refused = batch(regular(500, first=500.0 * taken), events=[event(taken)])
        with pytest.raises(StoreRetryError, match="nothing of this step was"):
            store.commit(refused)
        assert store.rows("intake-1", START, START + 9_000 * HOUR).size == 1_500 * taken
        assert store.event(event(taken).id) is None
        free()
        done = store.commit(refused)
        assert (done.stored, done.repeated, done.new_events) == (1_500, 0, [event(taken)])
        assert store.rows("intake-1", START, START + 9_000 * HOUR).size == 1_500 * (taken + 1)
        assert list(store._handle.db.execute("PRAGMA integrity_check")) == [("ok",)]


def test_packing_on_a_full_disk_is_undone_and_finished_later(tmp_path: Path) -> None:
    with small_disk(tmp_path) as (folder, free), opened(folder / "s.db") as store:
        taken = fill(store)
        before = store.rows("intake-1", START, START + 9_000 * HOUR)
        with contextlib.suppress(StoreRetryError):
            pack_all(store)
        assert same(store.rows("intake-1", START, START + 9_000 * HOUR), before)
        free()
        pack_all(store)
        assert same(store.rows("intake-1", START, START + 9_000 * HOUR), before)
        assert store.status()["readings"]["packed"] == 1_500 * taken


def test_a_disk_too_full_to_make_a_store_is_a_sentence(tmp_path: Path) -> None:
    with small_disk(tmp_path, 64 << 10) as (folder, free):
        with pytest.raises(StoreRetryError, match=r"the disk (is full|refuses)"):
            opened(folder / "s.db")
        free()


def test_a_damaged_page_is_a_sentence(tmp_path: Path) -> None:
    path = tmp_path / "s.db"
    with opened(path) as store:
        store.commit(batch(regular(20_000)))
        table = store._handle.query("SELECT rootpage FROM sqlite_schema WHERE name = 'recent'")[0][0]
    with path.open("r+b") as file:
        file.seek((table - 1) * 4_096)
        file.write(b"\xa5" * 4_096)
    with opened(path) as store:
        with pytest.raises(StoreError, match="a page of the store is damaged"):
            store.rows("intake-1", START, START + HOUR)
        with pytest.raises(StoreError, match="a page of the store is damaged"):
            store.commit(batch(regular(5, first=30_000.0)))
        assert store.skids() == ["intake-1"]


def test_a_lock_held_by_another_program_is_waited_for_and_then_told(tmp_path: Path) -> None:
    with opened(tmp_path / "s.db") as store:
        other = apsw.Connection(str(tmp_path / "s.db"))
        other.execute("BEGIN IMMEDIATE")
        store._handle.db.set_busy_timeout(50)
        with pytest.raises(StoreRetryError, match="another program keeps the store locked"):
            store.commit(batch(regular(5)))
        other.execute("ROLLBACK")
        other.close()
        assert store.commit(batch(regular(5))).stored == 15


def test_threads_share_a_store(tmp_path: Path) -> None:
    faults: list[BaseException] = []

    def guarded(work: Callable[[], None]) -> threading.Thread:
        def run() -> None:
            try:
                work()
            except BaseException as fault:  # noqa: BLE001 (handed to the test)
                faults.append(fault)
        return threading.Thread(target=run)

    with opened(tmp_path / "s.db") as store:
        def commit() -> None:
            for i in range(60):
                store.commit(batch(regular(60, first=60.0 * i), notices=[Notice("webhook", f"n{i}", i, START)]))

        def send() -> None:
            while store.status()["outbox"].get("webhook", {}).get("sent") != 60:
                store.sent([n.id for n in store.due("webhook", START, 7)])

        def pack_and_read() -> None:
            while store.status()["readings"]["packed"] < 10_800:
                store.pack(START + 9 * HOUR)
                assert store.rows("intake-1", START, START + 9 * HOUR).size % 180 == 0

        threads = [guarded(work) for work in (commit, send, pack_and_read)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join(60)
        assert faults == []
        assert store.rows("intake-1", START, START + 9 * HOUR).size == 10_800
        assert store.commit(Batch()).stored == 0
