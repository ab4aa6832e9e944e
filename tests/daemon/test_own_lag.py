"""Our own slowness is no silence of the transmitters: what waits for us is judged as if we had been quick."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from monitor.daemon.clock import GRACE_S, HOLD_S, Hearing, LiveTime
from monitor.daemon.loop import TAKE
from monitor.engine.engine import Engine
from monitor.model import NS, Rows
from tests.daemon.rig import Messages, Rig, rig, second
from tests.skids import START, duplex, steady

SKID = duplex()
AWAY_S = 3_600


def course() -> Rows:
    """Loading, with a loss of half the resistance in the middle of it."""
    seconds = np.arange(4_000)
    chance = np.random.default_rng(7)
    return steady(np.where(seconds < 2_000, 0.5, 0.25) + 2e-5 * seconds + chance.normal(0, 0.002, seconds.size))


def undisturbed(rows: Rows) -> list[str]:
    return [e.id for e in Engine([SKID]).feed({0: rows})[0].events]


def told(daemon: Rig) -> list[str]:
    return [e.id for e in reversed(daemon.store.events()) if e.skid == "s"]


def judged(daemon: Rig) -> int:
    return daemon.store.rows("s", 0, 1 << 62, [s.id for s in SKID.signals], fed_only=True).size


def test_what_waited_at_the_broker_while_the_daemon_was_off_is_judged_as_if_it_had_been_there(tmp_path: Path) -> None:
    rows = course()
    with rig(tmp_path, SKID, START) as first:
        first.hear(second(rows, 0, 1_900))
        first.stop()
    with rig(tmp_path, SKID, START + (1_900 + AWAY_S) * NS) as again:
        for _ in range(4):      # connected, and the broker has not begun to send
            again.daemon.clock.now += NS
            again.round()
        again.hear(second(rows, 1_900, 4_000), late_s=AWAY_S + 5)
        assert judged(again) == rows.size
        assert told(again) == undisturbed(rows)


def test_a_pause_of_our_own_makes_no_gap(tmp_path: Path) -> None:
    rows = course()
    waiting = second(rows, 1_900, 4_000)
    assert waiting.size > TAKE
    with rig(tmp_path, SKID, START) as daemon:
        daemon.hear(second(rows, 0, 1_900))
        source = Messages(SKID, waiting)
        daemon.daemon.clock.now = START + 4_000 * NS
        while source.waiting:
            daemon.daemon.clock.now += NS
            daemon.round(source)
        assert judged(daemon) == rows.size
        assert told(daemon) == undisturbed(rows)


def test_silence_counts_once_a_connection_has_settled_and_without_one_after_a_while() -> None:
    hearing, now = Hearing(0), 0
    for now in range(0, round(HOLD_S), 5):
        assert hearing.until(now * NS, 0, connected=False) is None
    assert hearing.until((now + 5) * NS, 0, connected=False) == (now + 5) * NS
    now += 10
    hearing = Hearing(now * NS)
    assert hearing.until(now * NS, now * NS, connected=True) is None
    later = now + round(GRACE_S)
    assert hearing.until(later * NS, (later - 1) * NS, connected=True) == (later - 1) * NS
    assert hearing.until((later + 5) * NS, later * NS, connected=False) is None


def test_a_clock_that_was_put_back_does_not_stop_time_for_longer_than_a_connection_takes_to_settle() -> None:
    hearing = Hearing(7_200 * NS)
    hearing.until(7_200 * NS, 0, connected=True)
    assert hearing.until(7_220 * NS, 7_220 * NS, connected=True) is not None
    assert hearing.until(3_600 * NS, 3_600 * NS, connected=True) is None
    assert hearing.until(3_610 * NS, 3_610 * NS, connected=True) == 3_610 * NS


def test_grace_is_in_our_own_seconds_however_fast_the_clock_runs() -> None:
    live = LiveTime(1, speed=180.0)
    live.note(0, 1_000 * NS, 0)
    assert live.times(round(180 * GRACE_S) * NS) == {0: 1_000 * NS}
    assert live.times(round(180 * GRACE_S + 60) * NS) == {0: 1_060 * NS}
