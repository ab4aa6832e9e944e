"""A copy of a live store is whole, and what it held is there again after it was put back."""

from __future__ import annotations

import threading
import time
from pathlib import Path

import apsw
import pytest
from commands.helpers import Running, assert_for_people, bagwright, publish, skid
from services import eventually, free_port, mosquitto
from store.samples import START, event, opened
from store.writing_child import SECONDS, numbered

from monitor.errors import StoreError
from monitor.model import NS
from monitor.store import Reader
from monitor.store.backup import back_up, restore
from tests.live.daemon import wait_for_rows

BATCHES = 60


def whole(path: Path) -> int:
    """How many numbered batches a store holds, each of them whole."""
    with Reader.open(path) as reader:
        there = len(reader.events(limit=1_000_000))
        assert reader.rows("intake-1", START, START + SECONDS * NS * (there + 1_000)).size == 3 * SECONDS * there
    return there


def test_a_copy_made_while_the_writer_writes_is_one_moment_of_it(tmp_path: Path) -> None:
    copies = [tmp_path / f"copy-{n}.db" for n in range(4)]
    with opened(tmp_path / "s.db") as store:
        store.commit(numbered(0))
        done = threading.Event()

        def write() -> None:
            for n in range(1, BATCHES):
                store.commit(numbered(n))
            done.set()

        writer = threading.Thread(target=write)
        writer.start()
        for copy in copies:
            assert back_up(tmp_path / "s.db", copy) == copy.stat().st_size
        writer.join()
        assert done.is_set()
    found = [whole(copy) for copy in copies]
    assert found == sorted(found) and found[0] >= 1 and whole(tmp_path / "s.db") == BATCHES
    assert sorted(p.name for p in tmp_path.iterdir() if "copy" in p.name) == sorted(c.name for c in copies)


def test_what_came_after_the_copy_is_set_aside_with_its_log_and_not_mixed_in(tmp_path: Path) -> None:
    store, copy = tmp_path / "s.db", tmp_path / "copy.db"
    with opened(store) as first:
        for n in range(3):
            first.commit(numbered(n))
        back_up(store, copy)
        for n in range(3, 9):
            first.commit(numbered(n))
        for end in ("", "-wal"):        # as a kill leaves them: the log holds what the file does not
            (tmp_path / f"killed.db{end}").write_bytes((tmp_path / f"s.db{end}").read_bytes())
    for end in ("", "-wal"):
        (tmp_path / f"killed.db{end}").replace(tmp_path / f"s.db{end}")
    before = restore(copy, store)
    assert before is not None and whole(store) == 3 and whole(before) == 9
    with opened(store) as again:
        assert again.commit(numbered(3)).new_events == [event(SECONDS * 3)]
        assert list(again._handle.db.execute("PRAGMA integrity_check")) == [("ok",)]


def test_a_copy_is_not_put_over_another_file_nor_under_a_running_daemon(tmp_path: Path) -> None:
    store, copy = tmp_path / "s.db", tmp_path / "copy.db"
    with opened(store) as first:
        first.commit(numbered(0))
        back_up(store, copy)
        with pytest.raises(StoreError, match="is there already"):
            back_up(store, copy)
        with pytest.raises(StoreError, match="another daemon has this store"):
            restore(copy, store)
    assert whole(store) == 1


@pytest.mark.parametrize("harm", ["cut", "page", "text", "foreign", "missing"])
def test_a_copy_that_is_no_sound_store_is_refused_and_the_store_left_alone(tmp_path: Path, harm: str) -> None:
    store, copy = tmp_path / "s.db", tmp_path / "copy.db"
    with opened(store) as first:
        for n in range(20):
            first.commit(numbered(n))
    back_up(store, copy)
    content = copy.read_bytes()
    match harm:
        case "cut":
            copy.write_bytes(content[: len(content) // 2])
        case "page":
            copy.write_bytes(content[:40_960] + b"\xa5" * 4_096 + content[45_056:])
        case "text":
            copy.write_text("a shopping list")
        case "foreign":
            copy.unlink()
            apsw.Connection(str(copy)).execute("CREATE TABLE fish (name)")
        case _:
            copy.unlink()
    with pytest.raises(StoreError):
        restore(copy, store)
    assert whole(store) == 20


def test_a_damaged_store_gives_no_copy(tmp_path: Path) -> None:
    with opened(tmp_path / "s.db") as store:
        for n in range(20):
            store.commit(numbered(n))
    with (tmp_path / "s.db").open("r+b") as file:
        file.seek(40_960)
        file.write(b"\xa5" * 4_096)
    with pytest.raises(StoreError, match="damaged"):
        back_up(tmp_path / "s.db", tmp_path / "copy.db")
    assert [p.name for p in tmp_path.iterdir() if "copy" in p.name] == []


@pytest.mark.timeout(200)
def test_the_commands_copy_a_running_daemons_store_and_put_it_back(tmp_path: Path) -> None:
    start = time.time_ns() // 10**9 - 3_000

    def readings(count: int, first: int) -> list[tuple[str, bytes]]:
        return [("hatchery/PT-101", f'{{"time": {start + i}, "value": 3.{i % 10}}}'.encode())
                for i in range(first, first + count)]

    with mosquitto(tmp_path) as broker:
        tables = f'[broker]\nport = {broker.port}\n[store]\npath = "s.db"\n[web]\nport = {free_port()}\n'
        config = skid(tmp_path, tables)
        typed = ("--config", config.name)
        with Running("run", "--no-page", *typed, cwd=tmp_path) as run:
            run.says("connected")
            eventually(lambda: publish(broker.port, readings(1, 0)) or wait_for_rows(tmp_path / "s.db", "intake-1", 1,
                                                                                     seconds=1), 30)
            publish(broker.port, readings(100, 1))
            assert wait_for_rows(tmp_path / "s.db", "intake-1", 101) == 101
            done = bagwright("backup", "copy.db", *typed, cwd=tmp_path)
            assert_for_people(done)
            assert done.code == 0 and done.out.startswith("copy.db: "), done
            publish(broker.port, readings(50, 101))
            assert wait_for_rows(tmp_path / "s.db", "intake-1", 151) == 151
            refused = bagwright("restore", "copy.db", *typed, cwd=tmp_path)
            assert_for_people(refused)
            assert refused.code == 1 and "another daemon has this store" in refused.err
            assert run.stop().code == 0
        done = bagwright("restore", "copy.db", *typed, cwd=tmp_path)
        assert_for_people(done)
        assert done.code == 0 and "before-restore" in done.out
        with Running("run", "--no-page", *typed, cwd=tmp_path, name="again") as run:
            run.says("connected")
            publish(broker.port, readings(50, 101))     # a gateway's buffer: what the copy lacked
            assert wait_for_rows(tmp_path / "s.db", "intake-1", 151) == 151
            assert run.stop().code == 0
