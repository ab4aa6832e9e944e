from __future__ import annotations

import random
from pathlib import Path
from typing import Any

import pytest
from store.samples import START, Clock, opened

from monitor.model import NS, Reason, Rejection
from monitor.store import Batch, Notice, Reader, Store, next_try, outbox, submit


def notices(*keys: str, channel: str = "webhook", time: int = START) -> Batch:
    return Batch(notices=[Notice(channel, key, {"key": key}, time) for key in keys])


def test_a_notice_computed_again_is_queued_once_even_after_it_was_sent(tmp_path: Path) -> None:
    with opened(tmp_path / "s.db") as store:
        store.commit(notices("a", "a"))
        (only,) = store.due("webhook", START, 10)
        store.sent([only.id])
        store.commit(notices("a"))
        assert store.due("webhook", START, 10) == []
        assert store.status()["outbox"]["webhook"] | {"queued": 0, "sent": 1} == store.status()["outbox"]["webhook"]


def test_channels_are_apart(tmp_path: Path) -> None:
    with opened(tmp_path / "s.db") as store:
        store.commit(notices("a"))
        store.commit(notices("a", channel="influx"))
        assert [n.channel for n in store.due("influx", START, 10)] == ["influx"]


def test_a_failure_waits_for_its_turn_and_survives_a_restart(tmp_path: Path) -> None:
    clock = Clock(START + 5)
    with opened(tmp_path / "s.db", clock) as store:
        store.commit(notices("a", "b"))
        first = store.due("webhook", START, 1)[0]
        store.failed([first.id], "connection refused", START + 60 * NS)
        assert [n.key for n in store.due("webhook", START + 59 * NS, 10)] == ["b"]
    with opened(tmp_path / "s.db", clock) as store:
        assert [(n.key, n.attempts) for n in store.due("webhook", START + 60 * NS, 10)] == [("a", 1), ("b", 0)]
        told = store.status()["outbox"]["webhook"]
        assert (told["queued"], told["last_error"], told["failed_at"]) == (2, "connection refused", START + 5)
        assert told["oldest_queued"] == START


def test_a_refused_notice_does_not_block_the_rest_and_can_be_tried_again(tmp_path: Path) -> None:
    with opened(tmp_path / "s.db") as store:
        store.commit(notices("a", "b", "c"))
        ids = {n.key: n.id for n in store.due("webhook", START, 10)}
        store.refused([ids["b"]], "400: bad point " + "x" * 1_000)
        store.sent([ids["a"], ids["c"]])
        told = store.status()["outbox"]["webhook"]
        assert (told["queued"], told["sent"], told["refused"]) == (0, 2, 1)
        assert len(told["last_error"]) == 300
        assert store.requeue("webhook", START) == 1
        assert [n.body for n in store.due("webhook", START, 10)] == [{"key": "b"}]


def test_an_answer_that_comes_twice_counts_once(tmp_path: Path) -> None:
    with opened(tmp_path / "s.db") as store:
        store.commit(notices("a"))
        ids = [n.id for n in store.due("webhook", START, 10)]
        store.sent(ids)
        store.sent(ids)
        store.refused(ids, "late")
        store.failed(ids, "late", START)
        assert store.due("webhook", START + NS, 10) == []
        told = store.status()["outbox"]["webhook"]
        assert (told["queued"], told["sent"], told["refused"]) == (0, 1, 0)


def test_waits_double_to_a_quarter_of_an_hour_with_spread() -> None:
    chance = random.Random(4)
    for attempts, longest in ((1, 5.0), (2, 10.0), (5, 80.0), (9, 900.0), (1_000_000, 900.0)):
        waits = [(next_try(START, attempts, chance) - START) / NS for _ in range(200)]
        assert longest / 2 <= min(waits) < longest * 0.6 and longest * 0.9 < max(waits) <= longest


def rejection(i: int, reason: Reason = Reason.UNDECODABLE, signal: str | None = "PT-1") -> Rejection:
    return Rejection(reason, "intake-1", signal, f"river/PT-{i}", f"rubbish {i}", None, "a number is accepted")


def test_quarantine_keeps_the_newest_word_for_word_and_counts_all(tmp_path: Path) -> None:
    clock = Clock()
    with opened(tmp_path / "s.db", clock, quarantine_rows=10) as store:
        for i in range(0, 50, 5):
            clock.now = START + i
            store.commit(Batch(rejections=[rejection(j) for j in range(i, i + 5)]))
        store.commit(Batch(rejections=[rejection(j) for j in range(50, 80)]))
        kept = store.quarantine(limit=100)
        assert [r for _, r in kept] == [rejection(i) for i in range(79, 69, -1)]
        (count,) = store.quarantine_counts("intake-1")
        assert (count.number, count.first, count.last) == (80, START, START + 45)


def test_quarantine_cuts_what_is_too_long(tmp_path: Path) -> None:
    with opened(tmp_path / "s.db") as store:
        long = Rejection(Reason.TOO_LARGE, None, None, "w" * 9_999, "t" * 9_999, None, "n" * 9_999)
        store.commit(Batch(rejections=[long]))
        (_, kept), = store.quarantine()
        assert (len(kept.where), len(kept.text), len(kept.note)) == (300, 200, 300)


def test_quarantine_is_counted_and_chosen_by_skid_signal_and_reason(tmp_path: Path) -> None:
    several = [rejection(1), rejection(2, Reason.NOT_FINITE), rejection(3, signal=None), rejection(4)]
    stray = Rejection(Reason.UNKNOWN_SIGNAL, None, None, "river/PT-9", "3.1")
    with opened(tmp_path / "s.db") as store:
        store.commit(Batch(rejections=[*several, stray]))
        counts = {(c.skid, c.signal, c.reason): c.number for c in store.quarantine_counts()}
        assert counts == {("intake-1", "PT-1", "undecodable"): 2, ("intake-1", "PT-1", "not-finite"): 1,
                          ("intake-1", None, "undecodable"): 1, (None, None, "unknown-signal"): 1}
        assert [r for _, r in store.quarantine(reason="not-finite")] == [several[1]]
        assert [r for _, r in store.quarantine(skid="intake-1", signal="PT-1", limit=1)] == [several[3]]


def test_a_request_from_another_process_is_met_and_answered_once(tmp_path: Path) -> None:
    with opened(tmp_path / "s.db") as store:
        asked_for = {"alarm": "dp-limit", "by": "river watch"}
        number = submit(str(tmp_path / "s.db"), "intake-1", "ack", asked_for, START + 7)
        (asked,) = store.requests(open_only=True)
        assert (asked.id, asked.time, asked.action, asked.body["alarm"]) == (number, START + 7, "ack", "dp-limit")
        assert store.status()["open_requests"] == 1
        store.commit(Batch(answers=[(number, "acknowledged")]))
        store.commit(Batch(answers=[(number, "once more")]))
        assert store.requests(open_only=True) == []
    with Reader.open(tmp_path / "s.db") as reader:
        assert [r.answer for r in reader.requests()] == ["acknowledged"]


def test_a_request_to_a_store_that_is_not_there_says_so(tmp_path: Path) -> None:
    with pytest.raises(Exception, match="there is no store"):
        submit(str(tmp_path / "none.db"), None, "ack", {}, START)
    assert list(tmp_path.iterdir()) == []


def queued(store: Store, channel: str = "webhook", now: int = START) -> list[tuple[str, int]]:
    return [(n.key, n.attempts) for n in store.due(channel, now, 100)]


def told(store: Store, channel: str = "webhook") -> dict[str, Any]:
    return dict(store.status()["outbox"][channel])


def test_the_oldest_leave_first_also_after_failures(tmp_path: Path) -> None:
    with opened(tmp_path / "s.db") as store:
        for i, key in enumerate("abc"):
            store.commit(notices(key, time=START + i))
        first = store.due("webhook", START + 2, 1)
        store.failed([n.id for n in first], "503", START + NS)
        assert queued(store, now=START + 2) == [("b", 0), ("c", 0)]
        assert queued(store, now=START + NS) == [("a", 1), ("b", 0), ("c", 0)]


def test_a_turn_set_by_a_clock_that_was_put_back_since_counts_as_come(tmp_path: Path) -> None:
    year = 365 * 86_400 * NS
    with opened(tmp_path / "s.db") as store:
        store.commit(notices("a", time=START + year))
        assert queued(store) == [("a", 0)]
        store.failed([n.id for n in store.due("webhook", START, 1)], "503", START + year)
        assert store.paused("webhook", START) == START


def test_a_restarted_channel_waits_only_where_its_last_word_was_a_failure(tmp_path: Path) -> None:
    clock = Clock()
    with opened(tmp_path / "s.db", clock) as store:
        assert store.paused("webhook", START) == START
        store.commit(notices("a", "b"))
        one, two = store.due("webhook", START, 2)
        store.failed([one.id], "503", START + 60 * NS)
    clock.now += NS
    with opened(tmp_path / "s.db", clock) as store:
        assert store.paused("webhook", clock.now) == START + 60 * NS
        clock.now += 1
        store.sent([two.id])
        assert store.paused("webhook", clock.now) == clock.now


def test_what_is_sent_and_forgotten_leaves_nothing_but_the_count(tmp_path: Path) -> None:
    with opened(tmp_path / "s.db") as store:
        store.commit(notices("a"))
        store.sent([n.id for n in store.due("webhook", START, 1)], forget=True)
        assert (told(store)["queued"], told(store)["sent"]) == (0, 1)
        assert store._handle.one("SELECT count(*) FROM notice") == (0,)
        store.commit(notices("a"))
        assert queued(store) == [("a", 0)]


def test_several_notices_become_one_that_waits_where_they_waited(tmp_path: Path) -> None:
    with opened(tmp_path / "s.db") as store:
        store.commit(notices("a", "b", "c"))
        ids = [n.id for n in store.due("webhook", START, 10)]
        store.failed(ids[:1], "503", START + 60 * NS)
        store.replace(ids[:2], [Notice("webhook", "ab", "both", START)])
        assert queued(store) == [("c", 0)]
        assert queued(store, now=START + 60 * NS) == [("c", 0), ("ab", 1)]
        assert told(store)["queued"] == 2
        store.replace(ids[:2], [Notice("webhook", "late", "the replaced ones are gone already", START)])
        assert told(store)["queued"] == 2


def test_a_notice_in_parts_keeps_the_refused_ones_with_their_reasons(tmp_path: Path) -> None:
    with opened(tmp_path / "s.db") as store:
        store.commit(notices("a"))
        ids = [n.id for n in store.due("webhook", START, 10)]
        bad = [(Notice("webhook", key, key, START), f"400: {key}") for key in ("bad", "worse")]
        store.replace(ids, [Notice("webhook", "good", "rest", START)], bad)
        assert queued(store) == [("good", 0)]
        assert (told(store)["queued"], told(store)["refused"], told(store)["last_error"]) == (1, 2, "400: worse")
        assert store.requeue("webhook", START) == 2
        assert {key for key, _ in queued(store)} == {"good", "bad", "worse"}


def test_refused_notices_do_not_fill_the_disk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(outbox, "REFUSED_KEPT", 3)
    with opened(tmp_path / "s.db") as store:
        for key in "abcde":
            store.commit(notices(key))
            store.refused([n.id for n in store.due("webhook", START, 1)], "400")
        assert (told(store)["refused"], told(store)["dropped"]) == (3, 2)
        store.requeue("webhook", START)
        assert {key for key, _ in queued(store)} == set("cde")


def test_small_notices_are_found_by_the_size_of_their_bodies(tmp_path: Path) -> None:
    with opened(tmp_path / "s.db") as store:
        store.commit(Batch(notices=[Notice("influx", str(n), "x" * n, START) for n in (10, 1_000, 20)]))
        assert [n.key for n in store.crumbs("influx", 100, 10)] == ["10", "20"]
        assert [n.key for n in store.crumbs("influx", 100, 1)] == ["10"]


def test_the_oldest_points_are_given_up_for_want_of_space_and_counted(tmp_path: Path) -> None:
    with opened(tmp_path / "s.db") as store:
        for i in range(10):
            body = {"points": 100 + i, "z": "x" * 10_000}
            store.commit(Batch(notices=[Notice("influx", str(i), body, START + i),
                                        Notice("webhook", str(i), body, START + i)]))
        assert store.drop_oldest("influx", 10**6) == 0
        assert store.drop_oldest("influx", 45_000) == sum(range(100, 106))
        assert [key for key, _ in queued(store, "influx", START + 99)] == ["6", "7", "8", "9"]
        assert (told(store, "influx")["queued"], told(store, "influx")["dropped"]) == (4, 615)
        assert (told(store)["queued"], told(store)["dropped"]) == (10, 0)


def test_a_notices_bytes_on_the_disk_are_what_the_bound_counts_with(tmp_path: Path) -> None:
    """Measured, not derived: within a third, which is enough for a bound."""
    with opened(tmp_path / "s.db") as store:
        def size() -> int:
            return int(store._handle.db.pragma("page_count")) * int(store._handle.db.pragma("page_size"))

        before = size()
        some = [Notice("influx", f"{i:024x}", {"points": 1, "z": "x" * 500}, START + i) for i in range(3_000)]
        store.commit(Batch(notices=some))
        a_row = (size() - before) / 3_000 - 520
        assert 0.67 < a_row / outbox.ROW_BYTES < 1.5
