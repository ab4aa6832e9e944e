"""The journal of alarms in the store, and requests that came by their own name."""

from __future__ import annotations

from pathlib import Path

from store.samples import START, Clock, opened

from monitor.model import NS, Entry
from monitor.store import Batch, Done, Reader


def line(n: int, **more: object) -> Entry:
    return Entry(f"e{n}", START + n * NS, "intake-1", "raised", "dp-limit", before="normal", after="unacknowledged",
                 priority="high", **more)  # type: ignore[arg-type]


def test_a_line_that_is_computed_again_after_a_restart_stays_one(tmp_path: Path) -> None:
    with opened(tmp_path / "s.db", Clock()) as store:
        store.commit(Batch(journal=[line(1), line(2, who="Ada", why="seen")]))
        store.commit(Batch(journal=[line(2), line(3)]))
        found = store.journal("intake-1")
    assert [e.id for e in found] == ["e3", "e2", "e1"]
    assert found[1] == line(2, who="Ada", why="seen")


def test_the_journal_is_found_by_skid_time_and_step(tmp_path: Path) -> None:
    other = Entry("n", START + 9 * NS, None, "note", who="Ada", via="test", why="rain")
    own = Entry("m", START, "monitor", "raised", "monitor-fault")
    with opened(tmp_path / "s.db", Clock()) as store:
        store.commit(Batch(journal=[own, *(line(n) for n in range(5)), other]))
        assert [e.id for e in store.journal(start=START + 2 * NS, end=START + 4 * NS)] == ["e3", "e2"]
        assert store.journal(steps=["note"]) == [other]
        assert store.journal("monitor") == [own]
        assert store.skids() == ["intake-1"], "the monitor is no skid"


def test_a_command_that_is_delivered_twice_is_done_once_and_keeps_its_answer(tmp_path: Path) -> None:
    with opened(tmp_path / "s.db", Clock()) as store:
        for answer in ("acknowledged", "there is nothing to acknowledge"):
            store.commit(Batch(done=[Done("c-1", START, "intake-1", "ack", {"who": "Ada"}, answer)]))
    with Reader.open(tmp_path / "s.db") as reader:
        kept = reader.request(origin="c-1")
        assert kept is not None and kept.answer == "acknowledged" and reader.request(origin="c-2") is None
        assert reader.status()["open_requests"] == 0
