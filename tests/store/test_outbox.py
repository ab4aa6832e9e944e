from __future__ import annotations

import random
from pathlib import Path

import pytest
from store.samples import START, Clock, opened

from monitor.model import NS, Reason, Rejection
from monitor.store import Batch, Notice, Reader, next_try, submit


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
