from __future__ import annotations

from pathlib import Path

import numpy as np
from store.samples import HOUR, START, Clock, batch, event, opened, pack_all, skid

from monitor.model import NS, Minute, Rows
from monitor.store import Batch, Checkpoint, Notice, Store

DAY = 24 * HOUR


def days_of_minutes(days: int) -> Rows:
    """A reading a minute."""
    time = START + np.arange(days * 1_440, dtype=np.int64) * 60 * NS
    value = np.arange(time.size, dtype=np.float64)
    return Rows(time, np.zeros(time.size, np.int16), value, np.zeros(time.size, np.uint8))


def drop(store: Store, now: int, days: float, **ages: float) -> int:
    total = 0
    while dropped := store.retain(now, days, limit=7, **ages):
        total += dropped
    return total


def hours_left(store: Store, name: str = "intake-1") -> list[int]:
    rows = store.rows(name, START, START + 100 * DAY)
    return sorted(set(((rows.time - START) // HOUR).tolist()))


def test_packed_readings_past_their_age_go(tmp_path: Path) -> None:
    with opened(tmp_path / "s.db") as store:
        store.commit(batch(days_of_minutes(3)))
        pack_all(store)
        assert drop(store, START + 3 * DAY, 1.0) == 48
        assert hours_left(store) == list(range(48, 72))
        assert store.status()["readings"] | {"packed": 1_440, "hours": 24} == store.status()["readings"]
        assert drop(store, START + 3 * DAY, 1.0) == 0


def test_what_an_event_needs_stays_as_long_as_the_event(tmp_path: Path) -> None:
    told = event(10 * 3_600 + 1_800)
    with opened(tmp_path / "s.db") as store:
        store.commit(batch(days_of_minutes(2), checkpoints={"intake-1": Checkpoint(START + 7 * HOUR, 1, "f", b"x")}))
        store.commit(Batch(events=[told]))
        pack_all(store)
        drop(store, START + 100 * DAY, 1.0)
        assert hours_left(store) == [7, 8, 9, 10, 11]  # from the checkpoint to an hour after
        assert store.checkpoint("intake-1", at=told.time) is not None
        drop(store, START + 100 * DAY, 1.0, events_days=50.0)
        assert store.event(told.id) is None and hours_left(store) == []


def test_an_event_pins_nothing_of_another_skid(tmp_path: Path) -> None:
    with opened(tmp_path / "s.db", skids=[skid(), skid("b")]) as store:
        store.commit(batch(days_of_minutes(1), events=[event(5 * 3_600)]))
        store.commit(batch(days_of_minutes(1), name="b"))
        pack_all(store)
        drop(store, START + 9 * DAY, 1.0)
        assert hours_left(store) == [3, 4, 5, 6] and hours_left(store, "b") == []


def test_minutes_outlive_readings(tmp_path: Path) -> None:
    rolled = [("intake-1", Minute(START + i * DAY, 1.0, 1.0, 1.0, 1.0, 1.0, 1.0, True)) for i in range(20)]
    with opened(tmp_path / "s.db") as store:
        store.commit(Batch(minutes=rolled))
        drop(store, START + 20 * DAY, 1.0)
        assert store.minutes("intake-1", START, START + 30 * DAY)["time"].size == 20
        drop(store, START + 20 * DAY, 1.0, minutes_days=5.0)
        assert store.minutes("intake-1", START, START + 30 * DAY)["time"].min() == START + 15 * DAY


def test_keys_of_sent_notices_go_last_and_unsent_ones_never(tmp_path: Path) -> None:
    clock = Clock()
    with opened(tmp_path / "s.db", clock) as store:
        store.commit(Batch(notices=[Notice("webhook", key, {}, START) for key in ("a", "b", "c")]))
        first, second, _ = store.due("webhook", START, 10)
        store.sent([first.id])
        store.refused([second.id], "no")
        drop(store, START + 29 * DAY, 1.0)
        store.commit(Batch(notices=[Notice("webhook", "a", {}, START)]))
        assert [n.key for n in store.due("webhook", START + DAY, 10)] == ["c"]
        assert drop(store, START + 31 * DAY, 1.0) == 1
        assert store.requeue("webhook", START) == 1


def test_space_is_given_back_to_the_disk(tmp_path: Path) -> None:
    with opened(tmp_path / "s.db") as store:
        store.commit(batch(days_of_minutes(30)))
        store._handle.query("PRAGMA wal_checkpoint(TRUNCATE)")
        before = (tmp_path / "s.db").stat().st_size
        pack_all(store)
        while store.vacuum(50):
            pass
        store._handle.query("PRAGMA wal_checkpoint(TRUNCATE)")
        assert (tmp_path / "s.db").stat().st_size < before / 4
        assert hours_left(store) == list(range(720))
