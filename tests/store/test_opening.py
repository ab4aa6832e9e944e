from __future__ import annotations

import contextlib
import os
import re
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

import apsw
import pytest
from store.samples import HOUR, START, Clock, batch, opened, regular

from monitor import __version__
from monitor.errors import StoreError
from monitor.store import Batch, Reader, Store, migrations

NEXT = len(migrations.shipped()) + 1


def test_a_new_store_records_how_it_was_made(tmp_path: Path) -> None:
    opened(tmp_path / "s.db", Clock(START)).close()
    db = apsw.Connection(str(tmp_path / "s.db"))
    recorded = list(db.execute("SELECT number, name, applied, program FROM migration"))
    assert recorded == [(m.number, m.name, START, __version__) for m in migrations.shipped()]
    assert db.pragma("journal_mode") == "wal" and db.pragma("auto_vacuum") == 2
    db.close()


def test_commits_are_synchronous_to_the_disk(tmp_path: Path) -> None:
    with opened(tmp_path / "s.db") as store:
        assert store._handle.db.pragma("synchronous") == 2  # FULL, by SQLite's manual of pragmas


def test_opening_twice_changes_nothing(tmp_path: Path) -> None:
    for _ in range(2):
        with opened(tmp_path / "s.db") as store:
            store.commit(batch(regular(3)))
            assert store.rows("intake-1", START, START + HOUR).size == 9


def test_a_missing_step_is_applied_once_and_recorded(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    opened(tmp_path / "s.db").close()
    more = (*migrations.shipped(), migrations.Migration(NEXT, "more", "CREATE TABLE extra (x INTEGER) STRICT;"))
    monkeypatch.setattr(migrations, "shipped", lambda: more)
    with pytest.raises(StoreError, match=rf"older version \(schema {NEXT - 1}.*Start the daemon once"):
        Reader.open(tmp_path / "s.db")
    for _ in range(2):
        with opened(tmp_path / "s.db") as store:
            assert store.status()["schema"]["number"] == NEXT
    Reader.open(tmp_path / "s.db").close()


def test_a_step_that_fails_leaves_the_store_as_it_was(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    opened(tmp_path / "s.db").close()
    bad = migrations.Migration(NEXT, "bad", "CREATE TABLE extra (x INTEGER) STRICT; INSERT INTO nowhere VALUES (1);")
    more = (*migrations.shipped(), bad)
    monkeypatch.setattr(migrations, "shipped", lambda: more)
    with pytest.raises(StoreError, match="nowhere"):
        opened(tmp_path / "s.db")
    monkeypatch.undo()
    with opened(tmp_path / "s.db") as store:
        assert store.commit(batch(regular(3))).stored == 9


def test_a_step_edited_after_it_was_applied_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    opened(tmp_path / "s.db").close()
    first = migrations.shipped()[0]
    edited = (migrations.Migration(1, "first", first.sql + "-- edited"), *migrations.shipped()[1:])
    monkeypatch.setattr(migrations, "shipped", lambda: edited)
    with pytest.raises(StoreError, match=r"step 1 \(first\) of the store's schema is not the one"):
        opened(tmp_path / "s.db")


def test_a_store_of_a_newer_version_is_refused_naming_both(tmp_path: Path) -> None:
    opened(tmp_path / "s.db").close()
    db = apsw.Connection(str(tmp_path / "s.db"))
    db.execute("INSERT INTO migration VALUES (99, 'later', 0, '9.8.7', 'x'); PRAGMA user_version = 99")
    db.close()
    both = rf"newer version, 9\.8\.7 \(schema 99\); this is {re.escape(__version__)} \(schema {NEXT - 1}\)"
    for attempt in (lambda: opened(tmp_path / "s.db"), lambda: Reader.open(tmp_path / "s.db")):
        with pytest.raises(StoreError, match=both):
            attempt()


def test_a_second_daemon_is_refused_naming_the_first(tmp_path: Path) -> None:
    with opened(tmp_path / "s.db"), pytest.raises(StoreError, match=rf"another daemon .* \(process {os.getpid()}\)"):
        opened(tmp_path / "s.db")
    opened(tmp_path / "s.db").close()


HOLD = """
import sys, time
from monitor.store import Store
store = Store.open(sys.argv[1], now=time.time_ns)
print("open", flush=True)
time.sleep(60)
"""


def test_a_killed_daemon_lets_go_of_the_store(tmp_path: Path) -> None:
    holder = subprocess.Popen([sys.executable, "-c", HOLD, str(tmp_path / "s.db")], stdout=subprocess.PIPE, text=True)
    with holder:
        assert holder.stdout is not None and holder.stdout.readline() == "open\n"
        with pytest.raises(StoreError, match=f"process {holder.pid}"):
            opened(tmp_path / "s.db")
        holder.kill()
    opened(tmp_path / "s.db").close()


@pytest.mark.parametrize("content", [
    b"time,PT-1\n2026-01-01T00:00:00Z,3.1\n" * 200, b"x", b"SQLite format 3\0" + b"\xff" * 9_000])
def test_a_file_that_is_no_database_is_refused_untouched(tmp_path: Path, content: bytes) -> None:
    (tmp_path / "s.db").write_bytes(content)
    for attempt in (lambda: opened(tmp_path / "s.db"), lambda: Reader.open(tmp_path / "s.db")):
        with pytest.raises(StoreError, match=r"is not a store|damaged"):
            attempt()
    assert (tmp_path / "s.db").read_bytes() == content


def test_another_programs_database_is_refused_untouched(tmp_path: Path) -> None:
    db = apsw.Connection(str(tmp_path / "s.db"))
    db.execute("CREATE TABLE fish (species TEXT); INSERT INTO fish VALUES ('brown trout')")
    db.close()
    before = (tmp_path / "s.db").read_bytes()
    for attempt in (lambda: opened(tmp_path / "s.db"), lambda: Reader.open(tmp_path / "s.db")):
        with pytest.raises(StoreError, match="another program's database"):
            attempt()
    assert (tmp_path / "s.db").read_bytes() == before


def test_a_missing_folder_or_file_is_named(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match=r"the folder .*absent does not exist"):
        opened(tmp_path / "absent" / "s.db")
    with pytest.raises(StoreError, match="there is no store"):
        Reader.open(tmp_path / "s.db")
    assert list(tmp_path.iterdir()) == []


def test_an_empty_file_becomes_a_store_for_the_daemon_but_is_none_for_a_reader(tmp_path: Path) -> None:
    (tmp_path / "s.db").touch()
    with pytest.raises(StoreError, match=r"empty or of an older version"):
        Reader.open(tmp_path / "s.db")
    opened(tmp_path / "s.db").close()


@contextlib.contextmanager
def ordinary_user() -> Iterator[Path]:
    """A folder of its own, seen as a user whom its permissions bind (root is bound by none)."""
    folder = Path(tempfile.mkdtemp())
    nobody = 65_534
    if os.geteuid() == 0:
        os.chown(folder, nobody, nobody)
        os.seteuid(nobody)
    try:
        yield folder
    finally:
        if os.getuid() == 0:
            os.seteuid(0)
        folder.chmod(0o755)
        for file in folder.iterdir():
            file.unlink()
        folder.rmdir()


def test_an_unwritable_folder_is_named() -> None:
    with ordinary_user() as folder:
        folder.chmod(0o555)
        with pytest.raises(StoreError, match=r"the folder .* cannot be written \(Permission denied\)"):
            opened(folder / "s.db")


def test_an_unwritable_file_is_named() -> None:
    with ordinary_user() as folder:
        opened(folder / "s.db").close()
        (folder / "s.db").chmod(0o444)
        with pytest.raises(StoreError, match=r"cannot be written"):
            opened(folder / "s.db")


def test_a_stopped_store_is_read_from_a_folder_that_cannot_be_written() -> None:
    with ordinary_user() as folder:
        with opened(folder / "s.db") as store:
            store.commit(batch(regular(3)))
        folder.chmod(0o555)
        with Reader.open(folder / "s.db") as reader:
            assert reader.rows("intake-1", START, START + HOUR).size == 9


def test_readers_see_whole_batches_and_do_not_hold_up_the_writer(tmp_path: Path) -> None:
    with opened(tmp_path / "s.db") as store, Reader.open(tmp_path / "s.db") as reader:
        with reader._handle.snapshot():
            assert reader.skids() == ["intake-1"]
            for i in range(20):
                store.commit(batch(regular(5, first=i * 5)))
            assert reader.rows("intake-1", START, START + HOUR).size == 0  # one state of the store as long as it reads
        for i in range(20, 40):
            store.commit(batch(regular(5, first=i * 5)))
            assert reader.rows("intake-1", START, START + HOUR).size == (i + 1) * 15
        with pytest.raises(StoreError, match="cannot be written"), reader._handle.transaction() as db:
            db.execute("DELETE FROM event")


def test_a_closed_store_can_be_closed_again(tmp_path: Path) -> None:
    store = opened(tmp_path / "s.db")
    store.close()
    store.close()
    with Store.open(tmp_path / "s.db", now=Clock()) as again:
        assert again.commit(Batch()).stored == 0
