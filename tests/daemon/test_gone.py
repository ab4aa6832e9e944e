"""The word that a signal's source is gone is dated by the clocks of its skid's transmitters, however far from ours."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from monitor.model import NS, Rows
from tests.daemon.rig import Messages, Rig, rig, second
from tests.skids import START, duplex, steady

SKID = duplex()
BEHIND_S = 3_600
ROWS = steady(np.full(400, 0.5))


def say_gone(daemon: Rig, signal: int) -> None:
    source = Messages(SKID, Rows.empty())
    source.waiting = [(SKID.signals[signal].topic, b"gone", daemon.daemon.clock())]
    daemon.round(source)


def wait(daemon: Rig, seconds: int) -> None:
    for _ in range(seconds):
        daemon.daemon.clock.now += NS       # type: ignore[attr-defined]
        daemon.round()


def judged(daemon: Rig) -> int:
    rows = daemon.store.rows("s", 0, 1 << 62, [s.id for s in SKID.signals], fed_only=True)
    return int(np.count_nonzero(rows.quality == 0))


def test_after_a_restart_it_neither_comes_late_nor_makes_others_late(tmp_path: Path) -> None:
    with rig(tmp_path, SKID, START + BEHIND_S * NS) as first:
        first.hear(second(ROWS, 0, 100), late_s=BEHIND_S)
        first.stop()
    with rig(tmp_path, SKID, START + (BEHIND_S + 101) * NS) as again:
        wait(again, 12)
        say_gone(again, 0)
        wait(again, 12)
        faults = [(e.signal, e.detail, e.transition) for e in again.store.events() if e.kind == "signal-fault"]
        assert faults == [(SKID.signals[0].id, "stale", "raised")]
        again.hear(second(ROWS, 130, 400), late_s=BEHIND_S)
        assert judged(again) == second(ROWS, 0, 100).size + second(ROWS, 130, 400).size


def test_before_anything_was_heard_it_makes_nothing_late(tmp_path: Path) -> None:
    with rig(tmp_path, SKID, START + BEHIND_S * NS) as daemon:
        say_gone(daemon, 0)
        wait(daemon, 5)
        daemon.hear(second(ROWS, 10, 400), late_s=BEHIND_S)
        assert judged(daemon) == second(ROWS, 10, 400).size
        assert [kept.reason for _, kept in daemon.store.quarantine()] == ["bad-quality"]


def test_it_is_not_late_where_what_came_before_was_held_up_on_its_way(tmp_path: Path) -> None:
    with rig(tmp_path, SKID, START) as daemon:
        daemon.hear(second(ROWS, 0, 100))
        wait(daemon, 25)                                                # time goes on without rows
        daemon.hear(second(ROWS, 100, 101), late_s=25)                  # late
        say_gone(daemon, 0)
        wait(daemon, 12)
        assert [(e.signal, e.detail) for e in daemon.store.events() if e.kind == "signal-fault"] == [
            (SKID.signals[0].id, "stale")]
