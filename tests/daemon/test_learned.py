"""What was learned outlives the state: an upgrade, changed settings, a changed reference."""

from __future__ import annotations

from dataclasses import replace

import pytest

from monitor.daemon import rebuild
from monitor.engine.engine import Engine
from monitor.hydraulics.pressure_drop import pressure_drop
from monitor.model import NS, Fact
from monitor.skid import Element, Reference
from tests.daemon.rig import rig, with_changeout_dp
from tests.engine.afternoon import CLEAN, OUT, Part, rows_of, skid_of
from tests.skids import BAR

nan = float("nan")
PARTS = [
    Part(900, (0.8, 0.7)), Part(60, (OUT, 0.7), own=(1.0, nan)), Part(500, (OUT, 0.7), own=(0.0, nan)),
    Part(60, (OUT, 0.7), own=(1.0, nan)), Part(1100, (CLEAN, 0.7)),
]  # fmt: skip
SKID = replace(skid_of(2, own=True), element=Element(BAR, 2.4 * BAR, part="BG-25"))    # no data sheet


@pytest.fixture(scope="module")
def rows():
    return rows_of(PARTS, own=True)


def replayed(rows) -> list[Fact]:
    engine = Engine([SKID])
    output, _ = engine.feed({0: rows})
    return [*output.facts, *engine.finish().facts]


def test_a_reference_learned_from_a_changeout_survives_changed_settings_and_is_what_a_replay_learns(
    tmp_path, rows, monkeypatch
):
    with rig(tmp_path, SKID, int(rows.time[0])) as before:
        before.hear(rows)
        before.stop()
        learned = before.store.facts("s")
        clean = before.daemon.engine.events.stories[0].clean
        now = before.daemon.clock()
    assert learned == {f.key: f for f in replayed(rows)}
    fact = learned["clean/BG-25"]
    assert fact.value["changeouts"] == 1
    assert fact.value["from"] == "changeouts"
    assert fact.value["resistance_pa"] == pytest.approx(CLEAN * BAR, rel=0.12)
    assert learned["clean/BG-25@v0"].value["changeouts"] == 1
    # None of the readings that taught it is run again: the store has to give it back.
    monkeypatch.setattr(rebuild, "REBUILD", 300 * NS)
    said: list[str] = []
    with rig(tmp_path, with_changeout_dp(SKID, 0.9), now, said) as after:
        assert any("its checkpoint is not used" in s for s in said)
        assert after.daemon.engine.events.stories[0].clean == pytest.approx(clean)
        assert after.daemon.engine.events.stories[0].learned == 1
        assert after.store.facts("s") == learned


def test_run_again_from_the_beginning_nothing_is_learned_twice(tmp_path, rows):
    with rig(tmp_path, SKID, int(rows.time[0])) as before:
        before.hear(rows)
        before.stop()
        now, learned = before.daemon.clock(), before.store.facts("s")
    with rig(tmp_path, with_changeout_dp(SKID, 0.9), now) as after:
        assert after.daemon.engine.events.stories[0].learned == 1
        assert after.store.facts("s").keys() == learned.keys()
        assert len(after.store.fact_history("s", "clean/BG-25")) == 1


def test_another_part_starts_from_its_own_reference_and_the_first_is_there_when_it_comes_back():
    fact = Fact("s", "clean/BG-25", told(30_000.0), 5)
    other = Engine([replace(SKID, element=replace(SKID.element, part="BG-10"))])
    untouched = other.events.stories[0].clean
    assert other.recall(0, [fact]) == []
    assert other.events.stories[0].clean == untouched
    same = Engine([SKID])
    assert same.recall(0, [Fact("s", "clean/BG-25", told(99.0), 4), fact]) == []
    assert same.events.stories[0].clean == pytest.approx((30_000.0, 0.05))


def told(pascal: float, *, kelvin: float = 288.15, flow: float = 40 / 3600) -> dict:
    return {
        "resistance_pa": pascal, "relative_error": 0.05, "changeouts": 2, "from": "changeouts", "before": "assumed",
        "at": {"flow_m3s": flow, "temperature_k": kelvin, "fluid": "water", "in_service": 2},
    }  # fmt: skip


def test_a_reference_is_given_back_at_the_conditions_that_are_configured_now():
    # Forchheimer's form, by hand: 20 of 30 kPa laminar. Viscosity of water at 15 and 25 degC, CRC Handbook of Chemistry
    # and Physics, 85th ed., table "Viscosity of water" interpolated: 1.138 and 0.890 mPa s; density 999.1 and 997.0.
    laminar, square = 20_000.0, 10_000.0
    engine = Engine([replace(SKID, reference=Reference(60 / 3600, 298.15))])
    at = told(30_000.0)["at"]
    turbulent = {"pressure_pa": square, "relative_error": 0.1, "from": "changeouts", "at": at}
    facts = [Fact("s", "clean/BG-25", told(30_000.0), 5), Fact("s", "turbulent", turbulent, 5)]
    assert engine.recall(0, sorted(facts, key=lambda f: f.key, reverse=True)) == []
    thinner, lighter, ratio = 0.890 / 1.138, 997.0 / 999.1, 60 / 40
    assert engine.rows.state.skid[0].turbulent == pytest.approx(square * lighter * ratio**2, rel=2e-3)
    expected = pressure_drop(ratio, laminar * thinner, square * lighter)
    assert engine.events.stories[0].clean[0] == pytest.approx(expected, rel=2e-3)


@pytest.mark.parametrize("value", [None, {}, "x", told(-1.0), told(nan), {"resistance_pa": []}])
def test_a_fact_that_makes_no_sense_is_named_and_left_alone(value):
    engine = Engine([SKID])
    untouched = engine.events.stories[0].clean
    assert engine.recall(0, [Fact("s", "clean/BG-25", value, 5)]) == ["clean/BG-25"]
    assert engine.events.stories[0].clean == untouched
