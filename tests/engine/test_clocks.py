"""Clocks that are apart: found by transients, told as facts, laid side by side. Against courses made up by hand, and
scipy's correlation of the same signals."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from monitor.engine.clocks import APART, FURTHEST, IN_STEP, WIDTH, lag_of, settle
from monitor.engine.engine import Engine, Output
from monitor.engine.story import Clock
from monitor.model import NS, Rows
from tests.engine.afternoon import CLEAN, Part, rows_of, skid_of

SKID = skid_of(2)
IN, OUT = 0, 1
RUNNING = (CLEAN, 0.5)


def stops(times: int) -> list[Part]:
    """An afternoon in which the pump stops `times` times for six minutes."""
    return [Part(700, RUNNING), *[Part(360, RUNNING, running=False), Part(700, RUNNING)] * times]


def late(rows: Rows, signal_index: int, seconds: float) -> Rows:
    """The same readings with the stamps of one signal late."""
    time = np.where(rows.signal == signal_index, rows.time + round(seconds * NS), rows.time)
    order = np.lexsort((rows.signal, time))
    return rows._replace(time=time).take(order)


def judged(rows: Rows) -> tuple[Engine, Output]:
    engine = Engine([SKID])
    output, _ = engine.feed({0: rows})
    return engine, output


@pytest.mark.parametrize("seconds", [-60, -13, -4, 4, 7, 31, 60])
def test_a_clock_that_is_apart_is_told_as_a_fact_and_values_are_laid_side_by_side(seconds):
    engine, output = judged(late(rows_of(stops(3)), OUT, seconds))
    facts = {f.key: f.value for f in output.facts if f.key.startswith("clock/")}
    assert facts["clock/out"]["word"] == APART
    assert facts["clock/out"]["lag_s"] == pytest.approx(seconds, abs=0.6)
    assert facts["clock/out"]["against"] == "in"
    assert facts["clock/flow"]["word"] == IN_STEP
    delay = engine.rows.state.trace[0]["delay"][:3].tolist()
    assert delay == ([seconds, 0, seconds] if seconds > 0 else [0, -seconds, 0])


@pytest.mark.parametrize("seconds", [0, 2])
def test_clocks_in_step_are_said_to_be_and_nothing_is_held_back(seconds):
    engine, output = judged(late(rows_of(stops(3)), OUT, seconds))
    assert {f.key: f.value["word"] for f in output.facts if f.key.startswith("clock/")} == {
        "clock/out": IN_STEP, "clock/flow": IN_STEP}  # fmt: skip
    assert not engine.rows.state.trace[0]["delayed"]


def test_once_laid_side_by_side_nothing_is_told_wrongly_any_more_and_messages_say_what_was_done():
    torn = [Part(900, (CLEAN, 0.03))]
    _, output = judged(late(rows_of([*stops(5), *torn]), OUT, -40))
    known = next(f.time for f in output.facts if f.key == "clock/out")
    assert [e.kind for e in output.events if e.time < known]      # dP of two moments is no dP
    later = [e for e in output.events if e.time > known]
    assert [e.kind for e in later] == ["element-breach"]
    assert "out comes 40 s before in." in later[0].message
    assert later[0].evidence["clock_lags_s"] == pytest.approx({"out": -40.0}, abs=0.5)


@pytest.mark.parametrize("seconds", [4, 9])
def test_a_clock_found_apart_by_less_than_a_block_leaves_a_changeout_under_way_alone(seconds):
    """The third move that tells of the clock is the vessel's isolation itself."""
    change = [Part(700, RUNNING), Part(900, (0.5, np.inf)), Part(1200, (0.5, CLEAN))]
    _, output = judged(late(rows_of([*stops(1), *change]), OUT, seconds))
    known = next(f.time for f in output.facts if f.key == "clock/out")
    (changed,) = output.changeouts
    assert changed.isolated_at < known < changed.returned_at
    assert [e.kind for e in output.events] == ["changeout-done"]


def test_a_restart_anywhere_and_another_chunking_give_the_same():
    rows = late(rows_of(stops(3)), OUT, 9)
    whole = [(f.key, f.value, f.time) for f in judged(rows)[1].facts]
    for cut in np.random.default_rng(3).integers(0, rows.size, 3):
        engine, output = judged(rows.take(slice(0, int(cut))))
        again = Engine([SKID])
        again.restore(0, engine.snapshot(0))
        first, _ = again.feed({0: rows.take(slice(int(cut) - engine.sequencers[0].pending.size, None))})
        assert [(f.key, f.value, f.time) for f in [*output.facts, *first.facts]] == whole


def test_a_fact_out_of_the_store_is_in_force_again_and_nonsense_is_not():
    _, output = judged(late(rows_of(stops(3)), OUT, 9))
    fresh = Engine([SKID])
    assert fresh.recall(0, output.facts) == []
    assert fresh.rows.state.trace[0]["delay"][:3].tolist() == [9, 0, 9]
    found, _ = fresh.feed({0: late(rows_of([Part(400, RUNNING)]), OUT, 9)})
    assert found.events == []
    fact = next(f for f in output.facts if f.key == "clock/out")
    for wrong in ({"lag_s": 1e6}, {"lag_s": "soon"}, {"word": "odd"}):
        broken = fact.__class__(fact.skid, fact.key, fact.value | wrong, fact.time)
        assert Engine([SKID]).recall(0, [broken]) == ["clock/out"]


@pytest.mark.parametrize("lag", [-40, -3, 0, 11])
def test_the_lag_is_that_of_scipys_correlation(lag):
    t = np.arange(192.0)
    noise = 0.003 * np.random.default_rng(1).normal(size=192)
    x = np.interp(t, [0, 80, 88, 130, 134], [2.0, 2.0, 3.4, 3.4, 2.7]) + noise
    y = 4.0 - 0.6 * np.interp(t - lag, [0, 80, 88, 130, 134], [2.0, 2.0, 3.4, 3.4, 2.7])
    dx, dy = x[WIDTH:] - x[:-WIDTH], y[WIDTH:] - y[:-WIDTH]
    whole = np.abs(signal.correlate(dy, dx, "full"))
    lags = signal.correlation_lags(dy.size, dx.size, "full")
    whole[np.abs(lags) > FURTHEST] = 0.0
    found = lag_of(x, y)
    assert found is not None
    assert abs(found.seconds - lags[whole.argmax()]) <= 0.5
    assert found.seconds == pytest.approx(lag, abs=0.5)


def test_what_does_not_move_or_moves_slowly_or_is_not_known_tells_nothing():
    rng, t = np.random.default_rng(2), np.arange(192.0)
    step = 2.0 + (t > 90) + 0.003 * rng.normal(size=192)
    assert lag_of(step, 2.0 + 0.003 * rng.normal(size=192)) is None
    assert lag_of(step, np.full(192, 2.0)) is None
    assert lag_of(2.0 + t / 192, 1.0 + t / 192) is None
    assert lag_of(step, np.where(t % 3 > 0, step, np.nan)) is None


def test_lags_that_do_not_agree_change_nothing_and_a_clock_that_is_put_right_is_believed_after_three():
    clock = Clock(lags=[12.0, 12.1, 11.8])
    assert settle(clock, 1.0, 3.0)
    assert (clock.word, round(clock.lag)) == (APART, 12)
    clock.lags += [-31.0]
    assert not settle(clock, 1.0, 3.0)
    assert round(clock.lag) == 12
    clock.lags += [0.1, 0.0]
    assert not settle(clock, 1.0, 3.0)
    clock.lags += [-0.1]
    assert settle(clock, 1.0, 3.0)
    assert (clock.word, clock.lag) == (IN_STEP, 0.0)
