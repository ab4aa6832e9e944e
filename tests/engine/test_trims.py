"""Zero trims: proposed by the engine, put in force and taken back by people, wherever the engine is cut."""

from __future__ import annotations

import numpy as np
import pytest

from monitor.engine.engine import Engine, Output
from monitor.model import NS, Action, Role, Rows
from tests.conditioning.helpers import IN, OUT, columns, with_signal
from tests.skids import BAR, START, duplex, stream

SHIFT = 0.12         # bar that the outlet reads too much from half an hour on
STOPS = ((3600, 5400), (9000, 10_800))
HOURS = 4
ASKED = 6600         # second at which a person decides


def shifted(by: float = SHIFT) -> Rows:
    values = columns(HOURS * 3600, dp=0.4)
    for a, b in STOPS:
        for k in (IN, OUT):
            values[k][a:b] = 1.0 + np.random.default_rng(k).normal(0, 0.005, b - a)
        values[2][a:b] = 0.0
    values[OUT][1800:] += by
    return stream(values)


def until(rows: Rows, second: float, engine: Engine, since: float = 0.0) -> Output:
    return engine.feed({0: rows.take((rows.time >= START + since * NS) & (rows.time < START + second * NS))})[0]


def decide(engine: Engine, verb: str, number: int, signal: str = "out") -> Output:
    return engine.act(0, Action(engine.reached(0), "s", verb, "A. Trout", "manifold", {"signal": signal}, number))


def drop(engine: Engine) -> float:
    return float(engine.rows.state.skid[0].pressure_drop) / BAR


def test_a_shift_proposes_a_trim_which_changes_nothing_until_somebody_approves_it():
    engine, rows = Engine([duplex()]), shifted()
    output = until(rows, ASKED, engine)
    (event,) = [e for e in output.events if e.detail == "zero-shift"]
    (fact,) = [f for f in output.facts if f.key == "trim/out"]
    assert fact.value["state"] == "proposed"
    assert fact.value["offset_pa"] / BAR == pytest.approx(SHIFT, abs=0.01)
    assert 0 < fact.value["error_pa"] / BAR < 0.02
    assert "Nothing is trimmed until a person approves it" in event.message
    assert np.isnan(drop(engine))

    output = decide(engine, "trim-approve", 1)
    assert [(e.kind, str(e.transition), e.signal, e.detail) for e in output.events] == [
        ("signal-fault", "cleared", "out", "zero-shift")]  # fmt: skip
    assert "A. Trout (manifold)" in output.events[0].message
    assert [(f.value["state"], f.value["by"]) for f in output.facts] == [("approved", "A. Trout")]
    until(rows, ASKED + 30, engine, ASKED)
    assert drop(engine) == pytest.approx(0.4, abs=0.03)
    # At the next stop dP reads nothing, so nothing is told.
    later = until(rows, HOURS * 3600, engine, ASKED + 30)
    assert [e for e in later.events if e.kind in ("signal-fault", "element-breach")] == []


def test_a_trim_can_be_undone_and_what_it_stood_for_is_back():
    engine, rows = Engine([duplex()]), shifted()
    until(rows, ASKED, engine)
    decide(engine, "trim-approve", 1)
    until(rows, ASKED + 60, engine, ASKED)
    output = decide(engine, "trim-undo", 2)
    assert [(str(e.transition), e.detail) for e in output.events] == [("raised", "zero-shift")]
    assert [f.value["state"] for f in output.facts] == ["undone"]
    until(rows, ASKED + 90, engine, ASKED + 60)
    assert np.isnan(drop(engine))
    assert engine.rows.state.sensor[0, OUT].trim == 0.0
    assert decide(engine, "trim-approve", 3).answers[0].done


def test_what_was_not_proposed_is_refused_in_words():
    engine = Engine([duplex()])
    until(shifted(0.0), 7200, engine)
    for verb, signal in (("trim-approve", "out"), ("trim-undo", "out"), ("trim-approve", "nothing")):
        output = decide(engine, verb, 1, signal)
        assert not output.answers[0].done
        assert "nothing was changed" in output.answers[0].text
        assert output.events == [] and output.facts == []
    assert "trim-approve, trim-undo" in decide(engine, "open-the-lid", 2).answers[0].text


def test_a_zero_that_comes_back_by_itself_withdraws_the_proposal():
    rows = shifted()
    back = (rows.signal == OUT) & (rows.time >= START + 7000 * NS)
    output = Engine([duplex()]).feed({0: rows._replace(value=np.where(back, rows.value - SHIFT, rows.value))})[0]
    assert [f.value["state"] for f in output.facts if f.key == "trim/out"] == ["proposed", "withdrawn"]


@pytest.mark.parametrize("cut", [ASKED - 1200, ASKED, ASKED + 1, ASKED + 700])
def test_wherever_it_is_cut_and_restored_the_same_action_at_the_same_time_gives_the_same(cut):
    rows = shifted()
    plain = Engine([duplex()])
    events = [*until(rows, ASKED, plain).events, *decide(plain, "trim-approve", 7).events]
    time = plain.reached(0)
    events += [*until(rows, HOURS * 3600, plain, ASKED).events, *plain.finish().events]
    assert plain.acted(0) == 7

    engine = Engine([duplex()])
    action = Action(time, "s", "trim-approve", "A. Trout", "manifold", {"signal": "out"}, 7)
    again = list(until(rows, cut, engine).events) if cut <= ASKED else []
    if cut > ASKED:
        again += [*until(rows, ASKED, engine).events, *engine.act(0, action).events]
        again += until(rows, cut, engine, ASKED).events
    restored = Engine([duplex()])
    restored.restore(0, engine.snapshot(0))
    rest = rows.take(rows.time > restored.reached(0))
    if restored.acted(0) < 7:
        again += restored.feed({0: rest.take(rest.time <= time)})[0].events
        again += restored.act(0, action).events
        rest = rest.take(rest.time > time)
    again += [*restored.feed({0: rest})[0].events, *restored.finish().events]
    assert again == events


def test_a_trim_that_was_approved_is_in_force_again_when_the_state_is_lost():
    engine, rows = Engine([duplex()]), shifted()
    facts = until(rows, ASKED, engine).facts
    approved = decide(engine, "trim-approve", 1).facts
    fresh = Engine([duplex()])
    assert fresh.recall(0, [*facts, *approved]) == []
    until(rows, ASKED + 60, fresh, ASKED - 60)
    assert drop(fresh) == pytest.approx(0.4, abs=0.03)
    proposed = Engine([duplex()])
    assert proposed.recall(0, facts) == []
    until(rows, ASKED + 60, proposed, ASKED - 60)
    assert np.isnan(drop(proposed))
    assert decide(proposed, "trim-approve", 1).answers[0].done


def test_a_lost_thermometer_leaves_the_viscosity_that_was_known_last():
    # At 5 degC water is 1.33 times as thick as at 15 (IAPWS): taken as 1, normalised dP would jump by that.
    values = columns(3600, dp=0.4)
    values[3] -= 10.0
    values[3][1200:] = np.nan
    skid = with_signal(duplex(), 3, role=Role.TEMPERATURE)
    engine = Engine([skid], trend_buckets=5000)
    engine.feed({0: stream(values)})
    trend = engine.rows.trend()
    level = trend["normalised"]
    before, after = np.nanmean(level[600:1100]), np.nanmean(level[2400:3500])
    assert after == pytest.approx(before, rel=0.01)
    assert np.isnan(trend["temperature"][2400:3500]).all()
