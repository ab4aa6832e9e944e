from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from store.samples import HOUR, START, batch, opened, pack_all, regular, rows, same, skid

from monitor.errors import StoreError
from monitor.model import Quality, Rows
from monitor.store import Reader, Store, packer, packing


def everything(store: Store | Reader) -> Rows:
    return store.rows("intake-1", START - 100 * HOUR, START + 10_000 * HOUR)


def test_packing_changes_nothing_that_is_read(tmp_path: Path) -> None:
    given = regular(7_300)
    given.quality[::50] = Quality.UNCERTAIN
    fed = np.arange(given.size) % 7 != 0
    with opened(tmp_path / "s.db") as store:
        store.commit(batch(given, fed))
        before, before_fed = everything(store), store.rows("intake-1", START, START + 9 * HOUR, fed_only=True)
        assert store.pack(START + 2 * HOUR + 1)
        pack_all(store, START + 2 * HOUR + 1)
        assert store.status()["readings"] | {"recent": 300, "packed": 21_600, "hours": 6} == store.status()["readings"]
        assert same(everything(store), before)
        assert same(store.rows("intake-1", START, START + 9 * HOUR, fed_only=True), before_fed)


def kept(store: Store) -> int:
    counts = store.status()["readings"]
    return int(counts["recent"] + counts["packed"])


def test_no_reading_is_counted_twice_while_its_hour_is_packed_nor_after_a_try_that_was_cut_off(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(packer, "ROWS_A_STEP", 1_000)
    monkeypatch.setattr(packer, "SIGNALS_A_STEP", 1)
    given, counts = regular(1_500), set[int]()
    for steps in range(1, 14):
        with opened(tmp_path / "s.db") as store:      # begins anew with the hour each time
            store.commit(batch(given))
            for _ in range(steps):
                store.pack(START + HOUR)
                counts.add(kept(store))
    with opened(tmp_path / "s.db") as store:
        pack_all(store)
        assert store.status()["readings"]["recent"] == 0
        counts.add(kept(store))
    assert counts == {given.size}


def test_an_open_hour_is_left_alone(tmp_path: Path) -> None:
    with opened(tmp_path / "s.db") as store:
        store.commit(batch(regular(10)))
        assert not store.pack(START + HOUR - 1)
        assert store.pack(START + HOUR)


def test_repeats_and_conflicts_are_told_against_packed_hours(tmp_path: Path) -> None:
    with opened(tmp_path / "s.db") as store:
        store.commit(batch(regular(100)))
        pack_all(store)
        assert store.commit(batch(regular(100))).repeated == 300
        other = regular(100)
        other.value[5] += 1.0
        done = store.commit(batch(other))
        assert (done.repeated, done.conflicting, done.stored) == (299, 1, 0)


def test_late_rows_join_an_hour_already_packed(tmp_path: Path) -> None:
    given = regular(600)
    late = np.random.default_rng(3).random(given.size) < 0.2
    with opened(tmp_path / "s.db") as store:
        store.commit(batch(given.take(~late)))
        pack_all(store)
        store.commit(batch(given.take(late)))
        assert same(everything(store), given)
        pack_all(store)
        assert same(everything(store), given)
        assert store.status()["readings"] | {"recent": 0, "packed": 1_800, "hours": 3} == store.status()["readings"]
        assert store.commit(batch(given)).repeated == 1_800


@pytest.mark.parametrize("seed", range(6))
def test_commits_between_the_steps_of_packing_lose_nothing(
        tmp_path: Path, monkeypatch: pytest.MonkeyPatch, seed: int) -> None:
    monkeypatch.setattr(packer, "ROWS_A_STEP", 40)
    monkeypatch.setattr(packer, "SIGNALS_A_STEP", 1)
    monkeypatch.setattr(packer, "ROWS_HELD", 120)
    rng = np.random.default_rng(seed)
    given = regular(200, seed=seed)
    order = rng.permutation(given.size)
    with opened(tmp_path / "s.db") as store:
        store.commit(batch(given.take(order[:300])))
        for i in range(300, order.size, 5):
            store.pack(START + HOUR)
            assert store.commit(batch(given.take(order[i:i + 5]))).stored == 5
            again = given.take(order[rng.integers(0, i, 3)])
            assert store.commit(batch(again)).repeated == 3
            if i % 60 == 0:
                assert same(everything(store), given.take(np.sort(order[:i + 5])))
        pack_all(store)
        assert same(everything(store), given)
        assert store.status()["readings"] | {"recent": 0, "packed": 600} == store.status()["readings"]


@pytest.mark.parametrize("steps", range(1, 9))
def test_a_daemon_that_dies_while_packing_leaves_every_reading_once(
        tmp_path: Path, monkeypatch: pytest.MonkeyPatch, steps: int) -> None:
    monkeypatch.setattr(packer, "ROWS_A_STEP", 40)
    monkeypatch.setattr(packer, "SIGNALS_A_STEP", 2)
    given = regular(30)
    with opened(tmp_path / "s.db") as store:
        store.commit(batch(given))
        for _ in range(steps):
            store.pack(START + HOUR)
    with opened(tmp_path / "s.db") as store:
        assert same(everything(store), given)
        assert store.commit(batch(given)).repeated == 90
        pack_all(store)
        assert same(everything(store), given)
        assert store.status()["readings"] | {"recent": 0, "packed": 90} == store.status()["readings"]


def test_a_blob_that_does_not_read_back_stays_unpacked(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    whole = packing.pack

    def lossy(hour: packing.Hour) -> bytes:
        return whole(hour._replace(bits=hour.bits ^ 1))

    with opened(tmp_path / "s.db") as store:
        store.commit(batch(regular(30)))
        monkeypatch.setattr(packing, "pack", lossy)
        with pytest.raises(StoreError, match="did not read back equal"):
            pack_all(store)
        monkeypatch.undo()
        assert same(everything(store), regular(30))
        pack_all(store)
        assert same(everything(store), regular(30))


def test_a_damaged_hour_names_its_signal_and_leaves_the_others_readable(tmp_path: Path) -> None:
    with opened(tmp_path / "s.db") as store:
        store.commit(batch(regular(7_200)))
        pack_all(store)
        with store._handle.transaction() as db:
            db.execute("UPDATE packed SET body = substr(body, 1, 60) WHERE signal = 2 AND hour = ?", (START // HOUR,))
        with pytest.raises(StoreError, match=r"skid intake-1, signal PT-2.*damaged"):
            store.rows("intake-1", START, START + HOUR)
        assert store.rows("intake-1", START, START + HOUR, ["PT-1"]).size == 3_600
        assert store.rows("intake-1", START + HOUR, START + 2 * HOUR).size == 10_800


def test_times_before_1970_and_at_the_edges_of_hours_are_packed_where_they_belong(tmp_path: Path) -> None:
    given = rows((0, 0, 1.0), (3_600, 0, 2.0))._replace(time=np.array([-HOUR - 1, -HOUR], np.int64))
    with opened(tmp_path / "s.db", skids=[skid()]) as store:
        store.commit(batch(given))
        pack_all(store)
        assert store.status()["readings"]["hours"] == 2
        assert store.rows("intake-1", -HOUR, 0).value.tolist() == [2.0]
        assert store.rows("intake-1", -2 * HOUR, -HOUR).value.tolist() == [1.0]
